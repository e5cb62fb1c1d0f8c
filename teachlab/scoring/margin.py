"""Margin to noise on four sides, the population figure and excess gain of one setting on one recording."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from teachlab.errors import UnmeasurableError
from teachlab.light.edge_time import edge_evaluations, edge_range
from teachlab.light.extremes import Cells
from teachlab.light.inner_valleys import InnerValleys
from teachlab.light.lasting_extremes import Hold, SustainedExtremes
from teachlab.light.noise import KEPT_VALUES, SmallestStep, local_noise, median
from teachlab.light.usable_light import bounded, largest
from teachlab.light.windows import Windows, border_evaluations
from teachlab.model.arrays import Flags, Integers, Where
from teachlab.model.margin import ExcessGain, Margin, Population, Sides
from teachlab.model.recording import Block, Light, Recording
from teachlab.model.score import USUAL_RULES, Outcome, Rules, Trials
from teachlab.model.setting import Setting
from teachlab.model.truth import Truth
from teachlab.sensor.clock import Clock
from teachlab.sensor.edges import pieces, ranges_of
from teachlab.sensor.output import Output, onset_lag

QUANTILE_SHARE = 0.01
"""This share of the passes, and of the gaps, may lie beyond the level that is quoted for them."""
LEAST_MARGIN = 5.0
"""Margin to noise below which a setting is watched. At 5.1 and 2 kHz, white noise trips once an hour."""
CELL = 1024
"""In long recordings noise is measured in cells of this many evaluations."""

Levels = NDArray[np.float64]


CLIPPED_SHARE = 0.5
"""If more than this share of a class reaches an end of the scale, the class may be clipped."""


class MarginScan:
    """One reading: sustained extremes of windows and gaps, valleys inside passes, noise on both sides.

    `setting`: of fixed levels; `add` others.

    Notes
    -----
    With light turned so that active is up, level of activation `T_act`, level of release `T_rel`,
    ``D = lag + 1``, quantile share `a` and local noise `sigma` (see `teachlab.light.noise.local_noise`):

    - detect ``(q_a(P) − T_act) / sigma_object``, P = sustained peaks of the windows of detect passes;
    - trip ``(T_act − q_{1−a}(G)) / sigma_background``, G = sustained peaks of the gaps;
    - release ``(T_rel − q_{1−a}(V)) / sigma_background``, V = sustained valleys of the gaps;
    - hold ``(q_a(K) − T_rel) / sigma_object``, K = valleys of the passes between first and last crossing
      of `T_act`.

    A sustained peak is the best minimum over D neighbouring evaluations, a sustained valley the lowest maximum. Invalid
    evaluations hold the value before them. Infinite light counts as the largest number that can be calculated with
    (`teachlab.light.usable_light`). Quantiles interpolate linearly between order statistics. The standard deviations of
    the population figure have n − 1 in the divisor. Like the noise, they are at least the standard deviation of one
    step of the light. The four sides are this project's own; excess gain is common practice, without a source.
    """

    def __init__(self, recording: Recording, setting: Setting, truth: Truth, rules: Rules = USUAL_RULES) -> None:
        self._name = recording.name
        self._clock = Clock.of(recording.samples, recording.info.sample_rate_hz, setting.evaluation_rate_hz)
        lag = onset_lag(setting, self._clock)
        self._rate, self._tolerance, self._lag = setting.evaluation_rate_hz, rules.tolerance_ms, lag
        border = border_evaluations(truth, self._clock, rules)
        self._truth, self._windows = truth, Windows.of(truth, self._clock, border=border, lag=lag)
        self._fault: UnmeasurableError | None = None
        windows, self._count, span = self._windows, self._clock.count, lag + 1
        # A peak counts only if it lasts: D = lag + 1 evaluations, which is what filter and delay need.
        #
        #     light    ____/\____/~~~~\____
        #     best minimum over 3:  ----       the first peak is higher, but does not last
        self.windows = SustainedExtremes(windows.start, windows.stop, span)
        self.gaps = SustainedExtremes(windows.gap_start, windows.gap_stop, span)
        self.gap_after, self.gap_after_of = windows.gap_after, truth.passes
        self._inner: dict[tuple[float, bool], InnerValleys] = {}
        self.add(setting)
        objects = windows.covered_from[truth.detect], windows.covered_to[truth.detect]
        self.steps = _Steps((objects, (windows.gap_start, windows.gap_stop)), self._count)
        self.step = SmallestStep()
        self._hold = Hold()
        self._noise: tuple[float | None, float | None] | None = None
        self._edge_ranges: dict[tuple[float, bytes], float | None] = {}

    def serves(self, setting: Setting, rules: Rules) -> bool:
        """Whether another setting, by rules that may begin with another pass, has the same windows and gaps."""
        mine = self._rate, self._tolerance, self._lag
        return mine == (setting.evaluation_rate_hz, rules.tolerance_ms, onset_lag(setting, self._clock))

    def add(self, setting: Setting) -> None:
        """Measure one more setting that it `serves`: before the first sample is taken."""
        w, key = self._windows, (setting.activation, setting.light_on)
        self._inner.setdefault(key, InnerValleys(w.covered_from, w.covered_to, *key))

    def inner(self, setting: Setting) -> InnerValleys:
        """Return the valleys inside passes for a setting."""
        return self._inner[setting.activation, setting.light_on]

    @property
    def evaluations(self) -> int:
        """How long a peak must last."""
        return self._lag + 1

    @property
    def _extremes(self) -> list[SustainedExtremes | InnerValleys]:
        return [self.windows, self.gaps, *self._inner.values()]

    @property
    def borders(self) -> Integers:
        """Where windows, gaps and passes begin and end, evaluations."""
        w = self._windows
        return np.concatenate((w.start, w.stop, w.gap_start, w.gap_stop, w.covered_from, w.covered_to))

    def push(self, block: Block) -> None:
        """Take the next samples. After light that is too large to be measured, further samples are ignored."""
        if self._fault is not None:
            return
        try:
            block = bounded(block, self._name)
        except UnmeasurableError as fault:
            self._fault = fault
            return
        first, light, invalid = self._evaluated(block)
        self._push_noise(first, light, invalid)
        held = self._hold.push(light, invalid)
        if held.size:
            for into in self._extremes:
                into.push(first + light.size - held.size, held)

    def _evaluated(self, block: Block) -> tuple[int, Light, Flags | None]:
        """Return the first evaluation of a block, the light of all of them, and which are invalid."""
        first, light, invalid = self._clock.first_at_or_after(block.start), block.light, block.invalid_mask()
        if not self._clock.every_sample:
            stop = self._clock.first_at_or_after(block.start + light.size)
            at = self._clock.sample_of(np.arange(first, stop)) - block.start
            light, invalid = light[at], None if invalid is None else invalid[at]
        return first, light, invalid

    def push_cells(self, cells: Cells) -> None:
        """Take the next samples, all of them valid, in cells that are cut at all `borders`."""
        light, beyond = cells.light, largest(cells.light.dtype)
        far = cells.low.min() < -beyond or cells.high.max() > beyond
        # The extremes of a cell are those of its samples, so they serve only where every sample is evaluated. Before
        # the first valid one, `Hold` keeps evaluations back, which cells cannot hand on.
        if self._fault is not None or far or not self._clock.every_sample or self._hold.waits:
            self.push(Block(cells.start, light))
            return
        self._push_noise(cells.start, light, None)
        self._hold.push(light, None)
        for into in self._extremes:
            into.push_cells(cells)

    def _push_noise(self, first: int, light: NDArray[Any], invalid: Flags | None) -> None:
        self.steps.push(first, light, invalid)
        self.step.push(light if invalid is None else light[~invalid])

    def edge_stretch(self, rows: Integers | None = None) -> tuple[int, int]:
        """Return the samples ``[first, stop)`` from which edge times are measured, beginning with some of the passes.

        Without rows, begin with the first detect pass that the start of the record does not cut. In a long recording
        `KEPT_VALUES` evaluations represent the whole.
        """
        if rows is None:
            rows = np.flatnonzero(self._truth.detect & (self._truth.start > 0))
        if rows.size == 0:
            return 0, 0
        first = max(0, int(self._windows.covered_from[rows[0]]) - CELL)
        last = min(self._count, first + KEPT_VALUES) - 1
        a, b = self._clock.sample_of(np.array([first, last])).tolist()
        return a, b + 1

    def margin(
        self, recording: Recording, output: Output, trials: Trials, *, quantile_share: float = QUANTILE_SHARE
    ) -> Margin:
        """Return the margin after every sample was taken; `edge_stretch` of the recording is read once more.

        Raises `UnmeasurableError` if there was light that is too large to be measured.
        """
        if self._fault is not None:
            raise self._fault
        truth, windows = self._truth, self._windows
        passes = np.zeros(truth.passes, bool)
        passes[trials.first_pass :] = trials.passes != Outcome.EXCLUDED
        passes &= truth.detect & (windows.stop > windows.start)
        gaps = np.isin(windows.gap_after, trials.gap_after[trials.gaps != Outcome.EXCLUDED])
        # Levels near the largest number are allowed: a distance to them may be infinite, which is null in JSON.
        with np.errstate(invalid="ignore", over="ignore"):
            key = output.setting.sign, passes.tobytes()
            if key not in self._edge_ranges:
                self._edge_ranges[key] = self._edge_range(recording, output, np.flatnonzero(passes))
            edge_range = self._edge_ranges[key]
            found = _margin(self, passes, gaps, output, recording.info.dark_level, quantile_share, edge_range)
            return _without_saturated(found, self, passes, gaps, recording.info.full_scale)

    def _edge_range(self, recording: Recording, output: Output, rows: Integers) -> float | None:
        """Return the 99 % quantile of the background range within the median time of an edge."""
        if rows.size == 0:
            return None
        windows = self._windows
        first, light, invalid = self._evaluated(bounded(recording.read(*self.edge_stretch(rows)), self._name))
        held, stop = Hold().push(light, invalid), first + light.size
        if held.size < light.size:
            return None
        height = np.multiply(held, output.setting.sign, dtype=np.float64)
        # Only passes that lie completely within the stretch that was read.
        rows = rows[windows.covered_to[rows] <= stop]
        gaps = (windows.gap_start >= first) & (windows.gap_stop <= stop)
        start, end = windows.gap_start[gaps] - first, windows.gap_stop[gaps] - first
        if start.size == 0:
            return None
        background = median(pieces(height, start, end))
        covered = windows.covered_from[rows] - first, windows.covered_to[rows] - first
        return edge_range(height, start, end, edge_evaluations(height, *covered, background))

    def noise(self) -> tuple[float | None, float | None]:
        """Return the local noise of objects and of the background."""
        if self._noise is None:
            step = self.step.step()
            of_object, of_gaps = self.steps.values()
            self._noise = local_noise(of_object, step), local_noise(of_gaps, step)
        return self._noise


class _Steps:
    """Differences of neighbouring valid evaluations inside stretches; in long recordings, in cells only.

    Up to `KEPT_VALUES` evaluations all differences are used. Beyond that, only the differences in an even selection of
    cells are used. The selection depends on the place alone, not on the blocks in which the recording is read.

    `kinds` (evaluations): stretches ``[start, stop)`` of every kind, ascending and disjoint.
    `count`: evaluations of the record.
    """

    def __init__(self, kinds: Sequence[tuple[Integers, Integers]], count: int) -> None:
        # The difference at an evaluation is the one from the evaluation before.
        self._kinds: list[tuple[Integers, Integers, list[Levels]]] = [
            (start[stop > start + 1] + 1, stop[stop > start + 1], []) for start, stop in kinds
        ]
        self._stride = -(-count // KEPT_VALUES)
        self._last = np.empty(0)

    def push(self, first: int, light: NDArray[Any], invalid: Flags | None) -> None:
        """Take consecutive evaluations."""
        if light.size == 0:
            return
        begin, end = self._looked_at(first, light.size)
        for start, stop, kept in self._kinds:
            # What of each cell lies in stretches of this kind.
            a, b = np.searchsorted(stop, first + begin, side="right"), np.searchsorted(start, first + end)
            rows, cell = ranges_of(a, np.maximum(a, b)), np.repeat(np.arange(a.size), (b - a).clip(min=0))
            if rows.size:
                low = np.maximum(start[rows] - first, begin[cell])
                kept.append(self._within(light, invalid, low, np.minimum(stop[rows] - first, end[cell])))
        self._last = Block(0, light[-1:], None if invalid is None else invalid[-1:]).as_float()

    def _within(self, light: NDArray[Any], invalid: Flags | None, start: Where, stop: Where) -> Levels:
        """Return the differences at the evaluations ``[start, stop)`` of a block, without those of an invalid one."""
        begin = start - 1
        holes = None if invalid is None else pieces(invalid, begin.clip(min=0), stop)
        found = Block(0, pieces(light, begin.clip(min=0), stop), holes).as_float()
        if begin[0] < 0:
            found = np.concatenate((self._last, found))
        with np.errstate(invalid="ignore"):
            steps = np.diff(found)
        known = np.isfinite(steps)
        known[np.cumsum(stop - begin)[:-1] - 1] = False
        return steps[known]

    def _looked_at(self, first: int, size: int) -> tuple[Where, Where]:
        """Return the stretches of a block in which evaluations are looked at."""
        if self._stride == 1:
            return np.array([0]), np.array([size])
        cells = np.arange(first // CELL, (first + size - 1) // CELL + 1)
        # Multiples of the golden ratio spread evenly and never run in step with a period of the light.
        chosen = cells[(cells * 0.6180339887498949) % 1.0 < 1 / self._stride] * CELL - first
        return chosen.clip(min=0), (chosen + CELL).clip(max=size)

    def values(self) -> list[Levels]:
        """Return the kept differences of every kind."""
        return [np.concatenate([np.empty(0), *kept]) for _, _, kept in self._kinds]


def _margin(
    scan: MarginScan, passes: Flags, gaps: Flags, output: Output, dark: float, share: float, edge_range: float | None
) -> Margin:
    setting = output.setting
    up = setting.light_on
    sign, act, release = setting.sign, setting.activation, setting.release
    peaks = sign * _known(scan.windows.high if up else scan.windows.low, passes)
    tops = sign * _known(scan.gaps.high if up else scan.gaps.low, gaps)
    valleys = sign * _known(scan.gaps.low if up else scan.gaps.high, gaps)
    holds = sign * _known(scan.inner(setting).valley, passes)
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
        excess_gain=_excess_gain(act - dark, weakest, strongest, sign, dark),
        noise_object=noise_object,
        noise_background=noise_background,
        weakest_pass=_turned(weakest, sign),
        strongest_gap=_turned(strongest, sign),
        highest_valley=_turned(highest, sign),
        lowest_hold=_turned(lowest, sign),
        edge_range=edge_range,
        hysteresis_to_noise=_over(setting.hysteresis, 0.0, edge_range),
        hysteresis_to_sigma=_over(
            setting.hysteresis, 0.0, max(filter(None, (noise_object, noise_background)), default=None)
        ),
        quantile_share=share,
        sustained_evaluations=output.lag + 1,
        passes=peaks.size,
        gaps=tops.size,
        step=scan.step.step(),
        peak_of_pass=sign * (scan.windows.high if up else scan.windows.low),
        hold_of_pass=sign * scan.inner(setting).valley,
        gap_top=_after(scan, sign * (scan.gaps.high if up else scan.gaps.low), gaps),
        gap_valley=_after(scan, sign * (scan.gaps.low if up else scan.gaps.high), gaps),
    )


def _without_saturated(found: Margin, scan: MarginScan, passes: Flags, gaps: Flags, full_scale: float | None) -> Margin:
    """Remove the sides of a class that stays at an end of the scale: noise of a clipped class cannot be measured."""
    if full_scale is None:
        return found
    # Noise is never less than step / √12: where it equals that, but for rounding, none was seen.
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


def _after(scan: MarginScan, values: Levels, gaps: Flags) -> Levels:
    """Return the value of the gap after every pass; NaN where there is none, or where it was not examined."""
    out = np.full(scan.gap_after_of, np.nan)
    known = gaps & (scan.gap_after >= 0)
    out[scan.gap_after[known]] = values[known]
    return out


def _known(values: Levels, rows: Flags) -> Levels:
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


def _over(upper: float | None, lower: float | None, scale: float | None) -> float | None:
    """Return ``(upper − lower) / scale``; None if a part is missing or the scale is."""
    return None if upper is None or lower is None or not scale else (upper - lower) / scale


def _excess_gain(level: float, weakest: float | None, strongest: float | None, sign: float, dark: float) -> ExcessGain:
    """Compare the lowest light of the light state, and the highest of the dark state, above dark with the level."""
    states = (weakest, strongest) if sign > 0 else (strongest, weakest)
    light, shade = (None if one is None else sign * one - dark for one in states)
    return ExcessGain(
        light=light / level if light is not None and level > 0 else None,
        dark=level / shade if shade is not None and shade > 0 else None,
    )
