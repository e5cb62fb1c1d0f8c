"""Why a setting loses passes or trips: each lost pass and tripped gap gets one reason."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from teachlab.model.recording import Recording
from teachlab.model.score import Outcome, Score
from teachlab.model.setting import Polarity, Setting
from teachlab.model.truth import Truth
from teachlab.signal.evaluation import Clock
from teachlab.signal.windows import Windows, border_evaluations
from teachlab.teach.evaluated import Evaluated, Stretches, measure


@dataclass(frozen=True, slots=True, eq=False)
class Extremes:
    """Extremes of every pass and gap of a recording, as the sensor evaluates it.

    Parameters
    ----------
    passes : Stretches
        Of the passes that cover an evaluation.
    pass_rows : ndarray of int64
        Their rows in the truth.
    gaps : Stretches
        Outside every pass widened by tolerance and uncertainty.
    gap_after : ndarray of int64
        The pass before every gap, −1 for the first.
    """

    passes: Stretches
    pass_rows: NDArray[np.int64]
    gaps: Stretches
    gap_after: NDArray[np.int64]

    @classmethod
    def of(
        cls, recording: Recording, truth: Truth, *, evaluation_rate_hz: float | None = None, tolerance_ms: float = 0.0
    ) -> Extremes:
        """Measure a recording in two passes over it."""
        clock = Clock.of(recording.samples, recording.info.sample_rate_hz, evaluation_rate_hz)
        windows = Windows.of(truth, clock, border=border_evaluations(truth, clock, tolerance_ms))
        evaluated = Evaluated(recording, clock, clock.count)
        rows = np.flatnonzero(windows.covered_to > windows.covered_from)
        passes = measure(evaluated, windows.covered_from[rows], windows.covered_to[rows])
        gaps = measure(evaluated, windows.gap_start, windows.gap_stop)
        return cls(passes, rows, gaps, windows.gap_after)


def active_level(setting: Setting) -> float:
    """Return the level at which the output becomes active: on-level for light-on, off-level for dark-on."""
    return setting.on_level if setting.polarity is Polarity.LIGHT_ON else setting.off_level


def reasons(setting: Setting, score: Score, truth: Truth, extremes: Extremes, unit: str) -> list[str]:
    """Say in sentences why passes were lost, gaps tripped and passes counted more than once.

    Parameters
    ----------
    setting, score
        A setting and its score.
    truth, extremes
        Of the recording scored.
    unit : str
        Of the levels.
    """
    up = setting.polarity is Polarity.LIGHT_ON
    level = active_level(setting)
    reach = np.full(truth.passes, np.nan)
    reach[extremes.pass_rows] = extremes.passes.high if up else extremes.passes.low
    trials = score.trials
    rows = np.arange(trials.passes.size) + trials.first_pass
    lost = rows[np.isin(trials.passes, (Outcome.MISS, Outcome.MERGED))]
    short = reach[lost] < level if up else reach[lost] >= level
    merged = trials.passes[lost - trials.first_pass] == Outcome.MERGED
    weak, stuck, brief = lost[short & ~merged], lost[merged], lost[~short & ~merged]
    strongest = "strongest" if up else "darkest"
    out = []
    if weak.size:
        side = "below" if up else "above"
        out.append(
            f"{_passes(weak, truth)} lost: their {strongest} light stays {side} the level of {level:.4g} {unit} at "
            f"which the output becomes active"
        )
    if stuck.size:
        out.append(f"{_passes(stuck, truth)} merged: the output was still active from before")
    if brief.size:
        out.append(
            f"{_passes(brief, truth)} lost although the light reaches the level: too briefly for filter or delay"
        )
    if score.counts.gaps_tripped:
        out.append(
            f"{score.counts.gaps_tripped} of {score.counts.gaps} gaps tripped: the background reaches the level of "
            f"{level:.4g} {unit}"
        )
    again = int(np.count_nonzero(trials.pass_onsets[trials.passes == Outcome.HIT] > 1))
    if again:
        out.append(f"{again} passes counted more than once: within them the light crosses both levels again")
    return out


def _passes(rows: NDArray[np.int64], truth: Truth) -> str:
    labels = Counter(str(label) for label in truth.label[rows])
    named = ", ".join(f"{count} '{label}'" for label, count in labels.most_common(4) if label)
    return f"{rows.size} pass{'' if rows.size == 1 else 'es'}" + (f" ({named})" if named else "")
