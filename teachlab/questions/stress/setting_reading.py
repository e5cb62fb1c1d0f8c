"""One reading of a recording that answers all questions about one setting: output, margin, reserves, alignment."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from teachlab.data.alignment.measure import AlignmentReading
from teachlab.data.alignment.room import alignment_of
from teachlab.errors import UnmeasurableError
from teachlab.light.extremes import Cells
from teachlab.light.pass_and_gap_extremes import PassAndGapReading
from teachlab.light.repeats import Repeats
from teachlab.model.score import USUAL_RULES, Rules
from teachlab.model.setting import Setting
from teachlab.questions.surface.condensed import CELLS, Condensing
from teachlab.scoring.margin import MarginScan
from teachlab.sensor.edges import merged
from teachlab.switching.run import Replaying

if TYPE_CHECKING:
    from teachlab.data.alignment.answer import Alignment
    from teachlab.light.pass_and_gap_extremes import PassAndGapExtremes
    from teachlab.model.margin import Margin
    from teachlab.model.recording import Recording
    from teachlab.model.score import Trials
    from teachlab.model.truth import Truth
    from teachlab.questions.surface.condensed import Condensed
    from teachlab.sensor.output import Output


AT_ONCE = 1 << 21
"""Samples that are processed at a time: the work for a block is about the same as for one of ten thousand samples."""


class SettingReading:
    """All results of one reading for one setting.

    Parameters
    ----------
    recording, truth, setting, rules
        As for a score.
    margins : bool
        Whether margin and reserves will be needed.
    progress : callable, optional
        Called with the share done.

    Attributes
    ----------
    output : Output
        Of the setting's replay.
    condensed : Condensed or None
        The recording as settings with at least as much hysteresis see it.
    extremes : PassAndGapExtremes
        At the setting's evaluation rate.

    Raises
    ------
    InputError
        If the pieces do not fit together.
    """

    output: Output
    condensed: Condensed | None
    extremes: PassAndGapExtremes

    def __init__(
        self, recording: Recording, truth: Truth, setting: Setting, *, rules: Rules = USUAL_RULES, margins: bool = True,
        progress: Callable[[float], None] | None = None,
    ) -> None:  # fmt: skip
        truth.check_inside(recording.samples)
        self._recording, self._truth, self._rules = recording, truth, rules
        replaying = Replaying(recording, setting)
        measured = margins and type(setting) is Setting
        self._scan = MarginScan(recording, setting, truth, rules) if measured else None
        condensing = Condensing(recording, truth, setting, rules) if measured else None
        self._repeats = Repeats(truth.start, truth.end)
        extremes = PassAndGapReading(recording, truth, evaluation_rate_hz=setting.evaluation_rate_hz, rules=rules)
        edge = [] if self._scan is None else [self._scan.edge_stretch()]
        self._alignment = AlignmentReading(recording, truth, beside=edge)
        cut = [extremes, *(taker for taker in (self._scan, condensing) if taker is not None)]
        borders = merged(*(taker.borders for taker in cut))
        for block in recording.blocks(size=AT_ONCE):
            for keeping in (self._alignment, self._repeats):
                keeping.push(block)
            # Stretches without invalid samples are read once, in cells that serve all the others.
            cells = Cells.of(block, borders, CELLS[0] if condensing is None else condensing.length)
            for measuring in (replaying, *cut):
                if cells is None:
                    measuring.push(block)
                else:
                    measuring.push_cells(cells)
            if progress is not None:
                progress((block.start + block.light.size) / recording.samples)
        self.output = replaying.output()
        self.extremes = extremes.extremes()
        self.condensed = None if condensing is None else condensing.finish()
        self._near = self._alignment.recording()

    def margin(self, trials: Trials) -> Margin:
        """Return the margin over the trials of a score.

        Raises
        ------
        UnmeasurableError
            If there was light too large to be measured.
        """
        if self._scan is None:
            raise UnmeasurableError("no margin was to be measured: it takes one pair of fixed levels.")
        return self._scan.margin(self._near, self.output, trials)

    def alignment(self) -> Alignment | None:
        """Return how the passes lie against the light."""
        return alignment_of(self._recording, self._truth, self._rules, self._alignment)

    def copies(self) -> list[tuple[int, int]]:
        """Return the passes that repeat an earlier one, each with that earlier pass."""
        return self._repeats.found(self._recording)
