"""The open gaps of a recording: those that a teaching was shown, those of the teach block, and those scored."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from teachlab.data.split import Split, split
from teachlab.light.windows import Windows, border_evaluations
from teachlab.model.recording import Recording
from teachlab.model.score import Outcome, Rules, Trials
from teachlab.model.setting import Setting
from teachlab.model.truth import Truth
from teachlab.scoring.scoring import score
from teachlab.sensor.output import Output
from teachlab.switching.run import replay

Positions = NDArray[np.int64]


@dataclass(frozen=True, slots=True, kw_only=True)
class OpenGaps:
    """Open gaps of a recording in evaluations, and where its blocks lie.

    `start`, `stop`, `after` (shape (gaps,)): gaps that are trials, and the pass before each.
    `trials`: of the whole recording.
    `first_window` (evaluations): where the scored block begins.
    """

    output: Output
    start: Positions
    stop: Positions
    after: Positions
    trials: Trials
    cut: Split | None
    first_window: int

    @classmethod
    def at(
        cls,
        recording: Recording,
        truth: Truth,
        setting: Setting | None,
        *,
        teach_share: float | None,
        rules: Rules,
    ) -> OpenGaps:
        """Replay, to find which gaps are trials and where the output switched."""
        used = setting or Setting(unit=recording.info.unit, on_level=0.0, off_level=0.0)
        cut = None if teach_share is None else split(truth, recording.samples, teach_share=teach_share)
        output = replay(recording, used)
        trials = score(output, truth, rules=rules, tables=False).trials
        border = border_evaluations(truth, output.clock, rules)
        windows = Windows.of(truth, output.clock, border=border, lag=output.lag)
        fine = trials.gaps != Outcome.EXCLUDED
        first = 0 if cut is None else int(windows.start[cut.first_scored :].min())
        return cls(
            output=output,
            start=windows.gap_start[fine],
            stop=windows.gap_stop[fine],
            after=windows.gap_after[fine],
            trials=trials,
            cut=cut,
            first_window=first,
        )

    def blocks(self, setting: Setting | None) -> dict[str, tuple[Positions, Positions, float]]:
        """Return gaps and length in s of what the teaching was shown, of the teach block, and of the scored block."""
        out: dict[str, tuple[Positions, Positions, float]] = {}
        clock = self.output.clock
        if setting is not None and (shown := _shown(setting, self)) is not None:
            out["shown"] = shown
        first = 0
        if self.cut is not None:
            end, first = clock.first_at_or_after(self.cut.teach_end), self.cut.first_scored
            early = self.start < end
            out["teach"] = self.start[early], self.stop[early].clip(max=end), end / clock.rate_hz
        later = self.after >= first if first else np.ones(self.after.size, bool)
        out["scored"] = self.start[later], self.stop[later], (clock.count - self.first_window) / clock.rate_hz
        return out


def _shown(setting: Setting, seen: OpenGaps) -> tuple[Positions, Positions, float] | None:
    """Return the open gaps within what a setting says it was shown, in evaluations."""
    drawn = {} if setting.taught is None else setting.taught.evidence.get("drawn", {})
    clock = seen.output.clock
    spans = []
    for name in ("background", "background_stretch", "sweep", "events"):
        part = drawn.get(name) if isinstance(drawn, Mapping) else None
        if not isinstance(part, Mapping) or not {"at_sample", "evaluations"} <= set(part):
            continue
        a, size = clock.first_at_or_after(int(part["at_sample"])), int(part["evaluations"])
        b = a + size
        if name == "background_stretch":
            # Gap after gap, until the number of evaluations is reached.
            held = np.cumsum((seen.stop - seen.start.clip(min=a)).clip(min=0))
            last = int(np.searchsorted(held, size))
            b = int(seen.stop[last] - (held[last] - size)) if last < held.size else clock.count
        spans.append((a, min(b, clock.count)))
    # Readings of single objects show no gap; only what was shown of the background counts.
    if not spans:
        return None
    starts, stops, seconds, reached = [], [], 0, 0
    for a, b in sorted(spans):
        # Light that belongs to two of the things shown counts once.
        low = max(a, reached)
        if b > low:
            inside = (seen.stop > low) & (seen.start < b)
            starts.append(seen.start[inside].clip(min=low))
            stops.append(seen.stop[inside].clip(max=b))
            seconds, reached = seconds + b - low, b
    if not starts:  # shown beyond the end of this recording: it was taught on another
        return None
    return np.concatenate(starts), np.concatenate(stops), seconds / clock.rate_hz
