"""One reading of a recording that answers all questions about one setting: output, margin, reserves, alignment."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Protocol

from teachlab.data.alignment.measure import AlignmentReading
from teachlab.data.alignment.room import alignment_of
from teachlab.errors import UnmeasurableError
from teachlab.light.extremes import Cells
from teachlab.light.pass_and_gap_extremes import PassAndGapExtremes, PassAndGapReading
from teachlab.light.repeats import Repeats
from teachlab.model.score import USUAL_RULES, Rules, Score, Trials
from teachlab.model.setting import Setting
from teachlab.questions.surface.condensed import CELLS, Condensing
from teachlab.scoring.margin import MarginScan
from teachlab.sensor.edges import merged
from teachlab.switching.run import Replaying

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from teachlab.data.alignment.answer import Alignment
    from teachlab.model.margin import Margin
    from teachlab.model.recording import Block, Recording
    from teachlab.model.truth import Truth


class Taker(Protocol):
    """Takes the light of a recording block by block, or cell by cell where all of it is valid."""

    @property
    def borders(self) -> NDArray[np.int64]:
        """Where cells must be cut, samples."""

    def push(self, block: Block) -> None:
        """Take the next samples."""

    def push_cells(self, cells: Cells) -> None:
        """Take the next samples, all of them valid."""


AT_ONCE = 1 << 21
"""Samples that are processed at a time: the work for a block is about the same as for one of ten thousand samples."""


class SettingReading:
    """All results of one reading for one setting.

    `margins`: whether margin and reserves will be needed.
    `beside`: others that take the light in this reading.
    `output`: of the setting's replay.
    `condensed`: the recording as settings with at least as much hysteresis see it.
    `extremes`: at the setting's evaluation rate.
    Raises InputError if the pieces do not fit together.
    """

    def __init__(
        self, recording: Recording, truth: Truth, setting: Setting, *, rules: Rules = USUAL_RULES, margins: bool = True,
        progress: Callable[[float], None] | None = None, beside: Sequence[Taker] = (),
    ) -> None:  # fmt: skip
        self._prepare(recording, truth, setting, rules, margins=margins, scans=[])
        _read(recording, truth, [self], progress, beside)

    @classmethod
    def together(
        cls, recording: Recording, truth: Truth, asked: Sequence[tuple[Setting, Rules, bool]], *, reserves: bool = True
    ) -> list[SettingReading]:
        """Read a recording once for several settings, each with its rules and whether margins will be asked for.

        `reserves`: whether the reserves of these, or levels of equal cost, will be needed too.
        """
        out = [cls.__new__(cls) for _ in asked]
        scans: list[MarginScan] = []
        for one, (setting, rules, margins) in zip(out, asked, strict=True):
            one._prepare(recording, truth, setting, rules, margins=margins, scans=scans, reserves=reserves)
        if out:
            _read(recording, truth, out, None, ())
        return out

    def _prepare(
        self, recording: Recording, truth: Truth, setting: Setting, rules: Rules, *, margins: bool,
        scans: list[MarginScan], reserves: bool = True,
    ) -> None:  # fmt: skip
        truth.check_inside(recording.samples)
        self.recording, self.truth, self.rules, self.margins = recording, truth, rules, margins
        self._replaying = Replaying(recording, setting)
        self._rate = setting.evaluation_rate_hz
        measured = margins and type(setting) is Setting
        self._scan = next((one for one in scans if measured and one.serves(setting, rules)), None)
        if self._scan is not None:
            self._scan.add(setting)
        elif measured:
            self._scan = MarginScan(recording, setting, truth, rules)
            scans.append(self._scan)
        self._condensing = Condensing(recording, truth, setting, rules) if measured and reserves else None

    def _finish(self, alignment: AlignmentReading, repeats: Repeats, extremes: PassAndGapExtremes) -> None:
        self._alignment, self._repeats, self.extremes = alignment, repeats, extremes
        self.output = self._replaying.output()
        self.condensed = None if self._condensing is None else self._condensing.finish()
        self._near = alignment.recording()
        del self._replaying, self._condensing

    def margin(self, trials: Trials) -> Margin:
        """Return the margin over the trials of a score.

        Raises UnmeasurableError if there was light too large to be measured.
        """
        if self._scan is None:
            raise UnmeasurableError("no margin was to be measured: it takes one pair of fixed levels.")
        return self._scan.margin(self._near, self.output, trials)

    def margin_where_known(self, scored: Score) -> Margin | None:
        """Return the margin of fixed levels; None if nothing was scored or it cannot be measured."""
        try:
            return self.margin(scored.trials) if scored.counts.scored_passes else None
        except UnmeasurableError:
            return None

    def alignment(self, rules: Rules | None = None) -> Alignment | None:
        """Return how the passes lie against the light."""
        return alignment_of(self.recording, self.truth, rules or self.rules, self._alignment)

    def copies(self) -> list[tuple[int, int]]:
        """Return the passes that repeat an earlier one, each with that earlier pass."""
        return self._repeats.found(self.recording)


def _read(
    recording: Recording, truth: Truth, readings: Sequence[SettingReading], progress: Callable[[float], None] | None,
    beside: Sequence[Taker],
) -> None:  # fmt: skip
    """Read a recording once; what does not depend on the setting is measured once for all of them."""
    scans = [*dict.fromkeys(one._scan for one in readings if one._scan is not None)]
    condensing = [one._condensing for one in readings if one._condensing is not None]
    # The stretches from which edge times are measured are kept on the way: `margin` reads them there, not in the file.
    alignment = AlignmentReading(recording, truth, beside=[scan.edge_stretch() for scan in scans])
    repeats = Repeats(truth.start, truth.end)
    extremes = {
        (one._rate, one.rules.tolerance_ms): PassAndGapReading(
            recording, truth, evaluation_rate_hz=one._rate, rules=one.rules
        )
        for one in readings
    }
    cut: list[Taker] = [*extremes.values(), *scans, *condensing, *beside]
    borders = merged(*(taker.borders for taker in cut))
    takers: list[Taker | Replaying] = [*(one._replaying for one in readings), *cut]
    # Several settings share the caches and the memory.
    for block in recording.blocks(size=AT_ONCE if len(readings) == 1 else max(AT_ONCE // 8, 1)):
        alignment.push(block)
        repeats.push(block)
        # What is valid throughout is looked at once, in cells that serve all the others.
        cells = Cells.of(block, borders, min((one.length for one in condensing if not one.given_up), default=CELLS[0]))
        for measuring in takers:
            if cells is None:
                measuring.push(block)
            else:
                measuring.push_cells(cells)
        if progress is not None:
            progress(block.stop / recording.samples)
    known = {key: reading.extremes() for key, reading in extremes.items()}
    for one in readings:
        one._finish(alignment, repeats, known[one._rate, one.rules.tolerance_ms])
