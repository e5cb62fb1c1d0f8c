"""Why a setting loses passes or trips: each lost pass and tripped gap gets one reason."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from teachlab.light.stretches import Evaluated, Stretches, measure
from teachlab.light.windows import Windows, border_evaluations
from teachlab.model.recording import Recording
from teachlab.model.score import USUAL_RULES, Outcome, Rules, Score
from teachlab.model.setting import DelaysActOn, Polarity, Setting
from teachlab.model.truth import Truth
from teachlab.scoring.early import early_rows
from teachlab.sensor.clock import Clock, delay_evaluations


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
    between : Stretches
        From the end of each pass to the start of the next, where there is anything between them.
    between_before : ndarray of int64
        The pass after each of these.
    rate_hz : float, Hz
        Evaluations per second.
    """

    passes: Stretches
    pass_rows: NDArray[np.int64]
    gaps: Stretches
    gap_after: NDArray[np.int64]
    between: Stretches
    between_before: NDArray[np.int64]
    rate_hz: float

    @classmethod
    def of(
        cls, recording: Recording, truth: Truth, *, evaluation_rate_hz: float | None = None, rules: Rules = USUAL_RULES
    ) -> Extremes:
        """Measure a recording in three passes over it."""
        clock = Clock.of(recording.samples, recording.info.sample_rate_hz, evaluation_rate_hz)
        windows = Windows.of(truth, clock, border=border_evaluations(truth, clock, rules))
        evaluated = Evaluated(recording, clock, clock.count)
        rows = np.flatnonzero(windows.covered_to > windows.covered_from)
        passes = measure(evaluated, windows.covered_from[rows], windows.covered_to[rows])
        gaps = measure(evaluated, windows.gap_start, windows.gap_stop)
        apart = windows.covered_from[rows][1:] > windows.covered_to[rows][:-1]
        between = measure(evaluated, windows.covered_to[rows][:-1][apart], windows.covered_from[rows][1:][apart])
        return cls(passes, rows, gaps, windows.gap_after, between, rows[1:][apart], clock.rate_hz)


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
    # A delay that holds is to blame itself, whatever it held.
    early = early_rows(trials) if _holding(setting) is None else np.empty(0, np.int64)
    if early.size:
        out.append(
            f"{_passes(early, truth)} merged: the output became active in the gap just before, one event that counts "
            "as a false trip and as a loss. Move the level towards the objects, or allow for borders in doubt with "
            "--tolerance-ms"
        )
    out += _merged(np.setdiff1d(stuck, early), setting, truth, extremes)
    out += _brief(brief, setting, truth, extremes)
    # A gap that ends in an early onset is told with the pass after it.
    tripped = score.counts.gaps_tripped - early.size
    if tripped > 0:
        out.append(
            f"{tripped} {'further ' if early.size else ''}of {score.counts.gaps} gaps tripped: the background reaches "
            f"the level of {level:.4g} {unit}"
        )
    again = int(np.count_nonzero(trials.pass_onsets[trials.passes == Outcome.HIT] > 1))
    if again:
        out.append(
            f"{again} pass{'' if again == 1 else 'es'} counted more than once: within {'it' if again == 1 else 'them'} "
            "the light crosses both levels again"
        )
    return out


def _merged(rows: NDArray[np.int64], setting: Setting, truth: Truth, extremes: Extremes) -> list[str]:
    """Blame the delay for a merge before which the light fell far enough for the comparator to release."""
    up = setting.polarity is Polarity.LIGHT_ON
    stretches, level = extremes.between, setting.off_level if up else setting.on_level
    released = stretches.low < level if up else stretches.high >= level
    held = _holding(setting)
    by_delay = np.isin(rows, extremes.between_before[released]) & (held is not None or setting.consecutive > 1)
    out = []
    if by_delay.any():
        blame = f"the {held} bridges the gap before them, whatever the level: shorten it"
        if held is None:
            blame = f"the gap before them is too short for {setting.consecutive} evaluations in a row"
        out.append(f"{_passes(rows[by_delay], truth)} merged: {blame}")
    if not by_delay.all():
        out.append(f"{_passes(rows[~by_delay], truth)} merged: the output was still active from before")
    return out


def _brief(rows: NDArray[np.int64], setting: Setting, truth: Truth, extremes: Extremes) -> list[str]:
    """Blame the delay for a pass that lasts no longer than it."""
    back = setting.off_delay_ms if _dark_delays(setting) else setting.on_delay_ms
    lasts = np.zeros(truth.passes, np.int64)
    lasts[extremes.pass_rows] = extremes.passes.stop - extremes.passes.start
    by_delay = lasts[rows] <= delay_evaluations(back, extremes.rate_hz) if back else np.zeros(rows.size, bool)
    out = []
    if by_delay.any():
        name = "off-delay" if _dark_delays(setting) else "on-delay"
        out.append(
            f"{_passes(rows[by_delay], truth)} lost: the {name} of {back:g} ms is longer than they last, whatever the "
            "level: shorten it"
        )
    if not by_delay.all():
        out.append(
            f"{_passes(rows[~by_delay], truth)} lost although the light reaches the level: too briefly for filter or "
            "delay"
        )
    return out


def _dark_delays(setting: Setting) -> bool:
    """Whether the delays act on the light while objects are dark: they change roles then."""
    return setting.polarity is Polarity.DARK_ON and setting.delays_act_on is DelaysActOn.LIGHT


def _holding(setting: Setting) -> str | None:
    """Return the delay that holds the output after an object, by name; None without one."""
    if _dark_delays(setting):
        return f"on-delay of {setting.on_delay_ms:g} ms" if setting.on_delay_ms else None
    return f"off-delay of {setting.off_delay_ms:g} ms" if setting.off_delay_ms else None


def _passes(rows: NDArray[np.int64], truth: Truth) -> str:
    labels = Counter(str(label) for label in truth.label[rows])
    named = ", ".join(f"{count} '{label}'" for label, count in labels.most_common(4) if label)
    return f"{rows.size} pass{'' if rows.size == 1 else 'es'}" + (f" ({named})" if named else "")
