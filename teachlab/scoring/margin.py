"""Margin to noise on four sides, the population figure and excess gain of one setting on one recording."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from teachlab.errors import ParameterError
from teachlab.light.edge_time import EDGE_SHARE, edge_evaluations, places, ranges
from teachlab.light.inner_valleys import InnerValleys
from teachlab.light.lasting_extremes import Hold, SustainedExtremes
from teachlab.light.noise import KEPT_VALUES, Selection, SmallestStep, local_noise
from teachlab.light.usable_light import bounded_recording
from teachlab.light.windows import Windows, border_evaluations
from teachlab.model.margin import ExcessGain, Margin, Population, Sides
from teachlab.model.recording import Block, Recording
from teachlab.model.score import USUAL_RULES, Outcome, Rules, Trials
from teachlab.model.truth import Truth
from teachlab.sensor.output import Output

QUANTILE_SHARE = 0.01
"""Share of passes, and of gaps, that may lie beyond the level quoted for them."""
CELL = 1024
"""Long recordings are looked at for noise in cells of this many evaluations."""

Levels = NDArray[np.float64]


CLIPPED_SHARE = 0.5
"""A class of which more than this share reaches an end of the scale may be clipped."""


def measure_margin(
    recording: Recording,
    output: Output,
    truth: Truth,
    trials: Trials,
    *,
    rules: Rules = USUAL_RULES,
    quantile_share: float = QUANTILE_SHARE,
) -> Margin:
    """Measure how far a setting is from its first fault, in one reading of the recording.

    Parameters
    ----------
    recording : Recording
    output : Output
        Of its replay; only the setting and the clock are looked at.
    truth : Truth
        Passes of the recording.
    trials : Trials
        Of its score: passes and gaps that are excluded or not scored are left out.
    rules : Rules
        As for the score.
    quantile_share : float, in (0, 0.5)
        Share of passes or gaps that may lie beyond the level quoted for them.

    Returns
    -------
    Margin

    Notes
    -----
    With light turned so that active is up, level of activation `T_act`, level of release `T_rel`,
    ``D = lag + 1``, quantile share `a` and local noise `sigma` (see `teachlab.light.noise.local_noise`):

    - detect ``(q_a(P) − T_act) / sigma_object``, P = sustained peaks of the windows of detect passes;
    - trip ``(T_act − q_{1−a}(G)) / sigma_background``, G = sustained peaks of the gaps;
    - release ``(T_rel − q_{1−a}(V)) / sigma_background``, V = sustained valleys of the gaps;
    - hold ``(q_a(K) − T_rel) / sigma_object``, K = valleys of the passes between first and last crossing
      of `T_act`.

    A sustained peak is the best minimum over D neighbouring evaluations, a valley the lowest maximum.
    Invalid evaluations hold the value before them; infinite light counts as the largest number to reckon with
    (`teachlab.light.usable_light`). Quantiles interpolate linearly between order
    statistics. The standard deviations of the population figure have n − 1 in the divisor and, like the
    noise, the standard deviation of one level as their floor.

    References
    ----------
    The four sides are this project's own. Excess gain: common practice,
    no source.
    """
    if not 0 < quantile_share < 0.5:
        raise ParameterError(f"quantile-share must lie between 0 and 0.5, got {quantile_share:g}.")
    recording = bounded_recording(recording)
    windows = Windows.of(truth, output.clock, border=border_evaluations(truth, output.clock, rules), lag=output.lag)
    scan = _Scan(output, truth, windows)
    for block in recording.blocks():
        scan.push(block)
    passes = np.zeros(truth.passes, bool)
    passes[trials.first_pass :] = trials.passes != Outcome.EXCLUDED
    passes &= truth.detect & (windows.stop > windows.start)
    gaps = np.isin(windows.gap_after, trials.gap_after[trials.gaps != Outcome.EXCLUDED])
    with np.errstate(invalid="ignore", over="ignore"):
        edge_range = _edge_range(recording, output, windows, np.flatnonzero(passes))
    # Levels at the ends of the numbers are no fault: a distance to them may be infinite, null in JSON.
    with np.errstate(invalid="ignore", over="ignore"):
        found = _margin(scan, passes, gaps, output, recording.info.dark_level, quantile_share, edge_range)
        return _without_saturated(found, scan, passes, gaps, recording.info.full_scale)


def _edge_range(recording: Recording, output: Output, windows: Windows, rows: NDArray[np.int64]) -> float | None:
    """Return the 99 % quantile of the background range within the median time of an edge.

    Of a long recording a stretch of `KEPT_VALUES` evaluations from the first pass on stands for the whole.
    """
    if rows.size == 0:
        return None
    first = max(0, int(windows.covered_from[rows[0]]) - CELL)
    stop = min(output.clock.count, first + KEPT_VALUES)
    samples = output.clock.sample_of(np.arange(first, stop))
    block = recording.read(int(samples[0]), int(samples[-1]) + 1)
    mask, at = block.invalid_mask(), samples - samples[0]
    held = Hold().push(block.light[at], None if mask is None else mask[at])
    if held.size < stop - first:
        return None
    height = held.astype(np.float64) * output.setting.sign
    # Only what lies wholly within the stretch that was read.
    rows = rows[windows.covered_to[rows] <= stop]
    gaps = (windows.gap_start >= first) & (windows.gap_stop <= stop)
    start, end = windows.gap_start[gaps] - first, windows.gap_stop[gaps] - first
    if start.size == 0:
        return None
    background = float(np.median(height[places(start, end)]))
    edge = edge_evaluations(height, windows.covered_from[rows] - first, windows.covered_to[rows] - first, background)
    span = 2 if np.isnan(edge) else max(2, int(np.ceil(edge)) + 1)
    # One edge away from the passes, where there is room: the foot of an edge is no noise.
    found = ranges(height, start + span, end - span, span)
    found = found if found.size else ranges(height, start, end, span)
    found = found[np.isfinite(found)]
    return float(np.quantile(found, EDGE_SHARE)) if found.size else None


class _Scan:
    """One reading: sustained extremes of windows and gaps, valleys inside passes, noise on both sides."""

    def __init__(self, output: Output, truth: Truth, windows: Windows) -> None:
        setting, self._clock = output.setting, output.clock
        self._count, span = output.clock.count, output.lag + 1
        up = setting.light_on
        # A peak counts as far as it lasts: D = lag + 1 evaluations, which is what filter and delay ask of it.
        #
        #     light    ____/\____/~~~~\____
        #     best minimum over 3:  ----       the first peak is higher, but does not last
        self.windows = SustainedExtremes(windows.start, windows.stop, span)
        self.gaps = SustainedExtremes(windows.gap_start, windows.gap_stop, span)
        self.gap_after, self.gap_after_of = windows.gap_after, truth.passes
        self.inner = InnerValleys(windows.covered_from, windows.covered_to, setting.activation, up)
        self.object_steps = _Steps(windows.covered_from[truth.detect], windows.covered_to[truth.detect], self._count)
        self.gap_steps = _Steps(windows.gap_start, windows.gap_stop, self._count)
        self.step = SmallestStep()
        self._hold = Hold()

    def push(self, block: Block) -> None:
        """Take the next samples."""
        first = self._clock.first_at_or_after(block.start)
        stop = self._clock.first_at_or_after(block.start + block.light.size)
        light, invalid = block.light, block.invalid_mask()
        if not self._clock.every_sample:
            at = self._clock.sample_of(np.arange(first, stop)) - block.start
            light, invalid = light[at], None if invalid is None else invalid[at]
        self.object_steps.push(first, light, invalid)
        self.gap_steps.push(first, light, invalid)
        self.step.push(light if invalid is None else light[~invalid])
        held = self._hold.push(light, invalid)
        if held.size:
            for into in (self.windows, self.gaps, self.inner):
                into.push(stop - held.size, held)

    def noise(self) -> tuple[float | None, float | None]:
        """Return the local noise of objects and of the background."""
        step = self.step.step()
        return local_noise(self.object_steps.values(), step), local_noise(self.gap_steps.values(), step)


class _Steps:
    """Differences of neighbouring valid evaluations inside stretches; of long recordings in cells.

    Up to `KEPT_VALUES` evaluations all differences are used. Beyond, only those in every cell that an even
    selection picks: which ones depends on their place alone, not on how the recording comes in blocks.
    """

    def __init__(self, start: NDArray[np.int64], stop: NDArray[np.int64], count: int) -> None:
        real = stop > start + 1
        # The difference that belongs to an evaluation is the one from its neighbour before.
        self._start, self._stop = start[real] + 1, stop[real]
        self._stride = -(-count // KEPT_VALUES)
        self._kept = Selection()
        self._last = np.nan

    def push(self, first: int, light: NDArray[Any], invalid: NDArray[np.bool_] | None) -> None:
        """Take consecutive evaluations."""
        for a, b in self._pieces(first, light.size):
            before = self._last if a == 0 else _level(light, invalid, a - 1)
            levels = Block(0, light[a:b], None if invalid is None else invalid[a:b]).as_float()
            with np.errstate(invalid="ignore"):
                steps = np.diff(levels, prepend=before)
            steps = steps[self._inside(first + a, steps.size)]
            self._kept.push(steps[np.isfinite(steps)])
        if light.size:
            self._last = _level(light, invalid, light.size - 1)

    def _pieces(self, first: int, size: int) -> list[tuple[int, int]]:
        if self._stride == 1:
            return [(0, size)] if size else []
        cells = np.arange(first // CELL, (first + size - 1) // CELL + 1)
        # Multiples of the golden ratio spread evenly and in step with no period of the light.
        chosen = cells[(cells * 0.6180339887498949) % 1.0 < 1 / self._stride]
        return [(max(0, int(c) * CELL - first), min(size, (int(c) + 1) * CELL - first)) for c in chosen]

    def _inside(self, first: int, size: int) -> NDArray[np.bool_]:
        at = np.arange(first, first + size)
        k = np.searchsorted(self._start, at, side="right") - 1
        if not self._start.size:
            return np.zeros(size, bool)
        out: NDArray[np.bool_] = (k >= 0) & (at < self._stop[k.clip(0)])
        return out

    def values(self) -> Levels:
        """Return the differences kept."""
        return self._kept.values()


def _level(light: NDArray[Any], invalid: NDArray[np.bool_] | None, at: int) -> float:
    return np.nan if invalid is not None and invalid[at] else float(light[at])


def _margin(
    scan: _Scan,
    passes: NDArray[np.bool_],
    gaps: NDArray[np.bool_],
    output: Output,
    dark: float,
    share: float,
    edge_range: float | None,
) -> Margin:
    setting = output.setting
    up = setting.light_on
    sign, act, release = setting.sign, setting.activation, setting.release
    peaks = sign * _known(scan.windows.high if up else scan.windows.low, passes)
    tops = sign * _known(scan.gaps.high if up else scan.gaps.low, gaps)
    valleys = sign * _known(scan.gaps.low if up else scan.gaps.high, gaps)
    holds = sign * _known(scan.inner.valley, passes)
    weakest, strongest = _quantile(peaks, share), _quantile(tops, 1 - share)
    highest, lowest = _quantile(valleys, 1 - share), _quantile(holds, share)
    noise_object, noise_background = scan.noise()
    floor = (scan.step.step() or 0.0) / np.sqrt(12)
    return Margin(
        sides=Sides(
            detect=_over(weakest, sign * act, noise_object),
            trip=_over(sign * act, strongest, noise_background),
            release=_over(sign * release, highest, noise_background),
            hold=_over(lowest, sign * release, noise_object),
        ),
        population=Population(
            detect=_over(_mean(peaks), sign * act, _sd(peaks, floor)),
            trip=_over(sign * act, _mean(tops), _sd(tops, floor)),
        ),
        excess_gain=_excess_gain(act - dark, *_states(weakest, strongest, sign, dark)),
        noise_object=noise_object,
        noise_background=noise_background,
        weakest_pass=_turned(weakest, sign),
        strongest_gap=_turned(strongest, sign),
        highest_valley=_turned(highest, sign),
        lowest_hold=_turned(lowest, sign),
        edge_range=edge_range,
        hysteresis_to_noise=_over(setting.hysteresis, 0.0, edge_range),
        hysteresis_to_sigma=_over(setting.hysteresis, 0.0, _larger(noise_object, noise_background)),
        quantile_share=share,
        sustained_evaluations=output.lag + 1,
        passes=peaks.size,
        gaps=tops.size,
        step=scan.step.step(),
        peak_of_pass=sign * (scan.windows.high if up else scan.windows.low),
        hold_of_pass=sign * scan.inner.valley,
        gap_top=_after(scan, sign * (scan.gaps.high if up else scan.gaps.low), gaps),
        gap_valley=_after(scan, sign * (scan.gaps.low if up else scan.gaps.high), gaps),
    )


def _without_saturated(
    found: Margin, scan: _Scan, passes: NDArray[np.bool_], gaps: NDArray[np.bool_], full_scale: float | None
) -> Margin:
    """Take back the sides of a class that stands still at an end of the scale: a clipped class has no noise to tell."""
    if full_scale is None:
        return found
    floor = (scan.step.step() or 0.0) / np.sqrt(12) * (1 + 1e-9)
    none: list[str] = []
    for extremes, rows, noise, sides in (
        (scan.windows, passes, found.noise_object, ("detect", "hold")),
        (scan.gaps, gaps, found.noise_background, ("trip", "release")),
    ):
        at_end = (extremes.high[rows] >= full_scale) | (extremes.low[rows] <= 0)
        if at_end.size and at_end.mean() > CLIPPED_SHARE and noise is not None and noise <= floor:
            none += sides
    if not none:
        return found
    cleared: dict[str, None] = dict.fromkeys(none)
    population = {name: None for name in none if name in {"detect", "trip"}}
    return replace(
        found,
        sides=replace(found.sides, **cleared),
        population=replace(found.population, **population),
        no_variance=tuple(none),
    )


def _after(scan: _Scan, values: Levels, gaps: NDArray[np.bool_]) -> Levels:
    """Return the value of the gap after every pass; NaN where there is none, or none that is looked at."""
    out = np.full(scan.gap_after_of, np.nan)
    known = gaps & (scan.gap_after >= 0)
    out[scan.gap_after[known]] = values[known]
    return out


def _known(values: Levels, rows: NDArray[np.bool_]) -> Levels:
    chosen: Levels = values[rows]
    return chosen[~np.isnan(chosen)]


def _quantile(values: Levels, share: float) -> float | None:
    return float(np.quantile(values, share)) if values.size else None


def _mean(values: Levels) -> float | None:
    return float(values.mean()) if values.size > 1 else None


def _sd(values: Levels, floor: float) -> float | None:
    return max(float(values.std(ddof=1)), floor) if values.size > 1 else None


def _turned(value: float | None, sign: float) -> float | None:
    return None if value is None else sign * value


def _larger(a: float | None, b: float | None) -> float | None:
    known = [value for value in (a, b) if value is not None]
    return max(known) if known else None


def _over(upper: float | None, lower: float | None, scale: float | None) -> float | None:
    """Return ``(upper − lower) / scale``; None where a part is missing or there is no scale."""
    return None if upper is None or lower is None or not scale else (upper - lower) / scale


def _states(
    weakest: float | None, strongest: float | None, sign: float, dark: float
) -> tuple[float | None, float | None]:
    """Return the least light of the light state and the most of the dark state, above the dark level."""
    light, shade = (weakest, strongest) if sign > 0 else (strongest, weakest)
    return (None if light is None else sign * light - dark), (None if shade is None else sign * shade - dark)


def _excess_gain(level: float, light: float | None, shade: float | None) -> ExcessGain:
    return ExcessGain(
        light=light / level if light is not None and level > 0 else None,
        dark=level / shade if shade is not None and shade > 0 else None,
    )
