"""The margin of one sensor on a recording: weakest passes against strongest gaps, in noise as this sensor sees it."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cache
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from teachlab.light.excluded import excluded_trials
from teachlab.light.extremes import inside
from teachlab.light.lasting_extremes import Hold, SustainedExtremes
from teachlab.light.noise import Selection
from teachlab.light.windows import Windows, border_evaluations
from teachlab.model.json_values import picked, plain
from teachlab.model.recording import Recording
from teachlab.model.score import Rules
from teachlab.model.setting import DelaysActOn, Setting
from teachlab.model.truth import Truth
from teachlab.questions.counterfactual.sensors import ComparedSensor, needed_margin
from teachlab.sensor.clock import Clock
from teachlab.sensor.evaluated_blocks import evaluated
from teachlab.sensor.output import onset_lag
from teachlab.sensor.validity import Validity
from teachlab.switching.run import replay

if TYPE_CHECKING:
    from teachlab.questions.surface.hindsight import Hindsight

Stretches = tuple[NDArray[np.int64], NDArray[np.int64]]
SHARE = 0.01
HALVINGS = 12
"""So often a range of levels is halved before the light in it is read."""
MOST_WITHIN = 1 << 20
"""Levels of the light that are held; a range that holds more is halved further."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SensorMargin:
    """Margin to noise that one sensor would have on this recording.

    `objects`, `background` (recording units): 1 % quantile of the sustained peaks of passes, and 99 % quantile of those
    of gaps, on the side of the objects.
    `noise` (recording units): robust standard deviation of the background as this sensor sees it.
    `margin`: ``(objects − background) / (2 · noise)``: distance of the middle level to either side, in sigma; negative
    if they overlap.
    `needed`: margin at which white noise alone trips such a sensor once an hour, `needed_margin`.
    `clean` (tuple of float or None, recording units): ``(above, up to)``: levels that every pass and no gap reaches,
    without hysteresis; None if there are none.
    `times`: ``margin / needed`` divided by that of the present sensor.
    `best`: the best fixed setting of such a sensor, if asked for.
    """

    sensor: ComparedSensor
    objects: float | None
    background: float | None
    noise: float | None
    margin: float | None
    needed: float | None = None
    clean: tuple[float, float] | None = None
    times: float | None = None
    best: Hindsight | None = None

    @property
    def spare(self) -> float | None:
        """Margin divided by the needed margin; None without measurable noise."""
        return None if self.margin is None or not self.needed else self.margin / self.needed

    def as_dict(self) -> dict[str, Any]:
        """Return the plain JSON form."""
        return {
            "sensor": self.sensor.name,
            "average_evaluations": self.sensor.average,
            **picked(self.sensor.setting, "consecutive", "evaluation_rate_hz"),
            **picked(self, "objects", "background", "noise", "margin", "needed"),
            "clean_levels": plain(self.clean),
            **picked(self, "times", "best"),
            "missing": self.sensor.missing,
        }


def nothing(sensor: ComparedSensor) -> SensorMargin:
    """Return a sensor about which this recording shows nothing."""
    return SensorMargin(sensor=sensor, objects=None, background=None, noise=None, margin=None)


def measure(
    recording: Recording, truth: Truth, sensor: ComparedSensor, setting: Setting, *, rules: Rules
) -> SensorMargin:
    """Measure passes and gaps in the light that the sensor's comparator receives."""
    clock = Clock.of(recording.samples, recording.info.sample_rate_hz, setting.evaluation_rate_hz)
    lag = onset_lag(setting, clock)
    windows = Windows.of(truth, clock, border=border_evaluations(truth, clock, rules), lag=lag)
    span = min(lag + 1, clock.count)
    passes = SustainedExtremes(windows.start, windows.stop, span)
    # Before every gap lies a whole lag that belongs to the pass for its onset alone: light that lasts from it into the
    # gap trips there.
    gaps = SustainedExtremes((windows.gap_start - span + 1).clip(min=0), windows.gap_stop, span)
    hold, validity, background, whole = Hold(), Validity(), Selection(1 << 18), (np.inf, -np.inf)
    for block in evaluated(recording.blocks(), clock):
        invalid = block.invalid_mask()
        validity.push(invalid, block.light.size)
        held = hold.push(block.light, invalid)
        if held.size == 0:
            continue
        whole = min(whole[0], float(held.min())), max(whole[1], float(held.max()))
        first = block.stop - held.size
        for into in (passes, gaps):
            into.push(first, held)
        background.push(held[inside(first, held.size, windows.gap_start, windows.gap_stop)])
    pass_out, gap_out = excluded_trials(truth, windows, clock, validity.state(), lag=lag)
    up, sign = setting.light_on, setting.sign
    reach = sign * (passes.high if up else passes.low)[truth.detect & ~pass_out]
    other = sign * (gaps.high if up else gaps.low)[~gap_out]
    reach, other, seen = reach[~np.isnan(reach)], other[~np.isnan(other)], background.values()
    if reach.size == 0 or other.size == 0 or seen.size == 0:
        return nothing(replace(sensor, missing="no pass or no gap is left to compare"))
    low, high = float(np.quantile(reach, SHARE)), float(np.quantile(other, 1 - SHARE))
    # From the light itself, not from differences of neighbours as elsewhere: neighbours in a running average share all
    # evaluations but one at either end, so they hardly differ.
    noise = 1.4826 * float(np.median(np.abs(seen - np.median(seen))))
    weakest, strongest = float(reach.min()), float(other.max())
    levels = (strongest, weakest) if up else (-weakest, -strongest)
    delay = lag - (setting.consecutive - 1)
    if setting.consecutive > 1 and delay > 0:
        kept = windows.start[truth.detect & ~pass_out], windows.stop[truth.detect & ~pass_out]
        between = windows.gap_start[~gap_out], windows.gap_stop[~gap_out]
        levels = _by_replay(recording, setting, clock, delay, kept, between, whole)
    return SensorMargin(
        sensor=sensor,
        objects=sign * low,
        background=sign * high,
        noise=noise,
        margin=(low - high) / (2 * noise) if noise > 0 else None,
        needed=needed_margin(clock.rate_hz, setting.consecutive, lag - (setting.consecutive - 1)),
        clean=levels if levels[0] < levels[1] else None,
    )


def _by_replay(
    recording: Recording, setting: Setting, clock: Clock, delay: int, passes: Stretches, gaps: Stretches,
    whole: tuple[float, float],
) -> tuple[float, float]:  # fmt: skip
    """Return ``(above, up to)``: the levels that every pass and no gap reaches, or an empty range.

    A filter bridges short dips, and its delay then waits through them: light need not last for both together, so how
    long it lasts does not tell what switches. A higher level never makes more of the light reach it, so each end is
    found by halving.

    `delay`: of an onset, evaluations. `whole`: lowest and highest light.
    """
    ms = delay * 1000 / clock.rate_hz
    timed = replace(setting, delays_act_on=DelaysActOn.OUTPUT, on_delay_ms=ms, off_delay_ms=0.0)

    @cache  # both ends are first looked for at the same levels
    def seen(level: float) -> tuple[bool, bool]:
        """Tell whether every pass, and any gap, is active."""
        starts, ends = replay(recording, replace(timed, on_level=level, off_level=level)).output.runs(clock.count)
        every, some = (
            np.searchsorted(starts, stop, side="left") > np.searchsorted(ends, start, side="right")
            for start, stop in (passes, gaps)
        )
        return bool(every.all()), bool(some.any())

    def last(holds: Callable[[float], bool]) -> float:
        # The lowest light holds, and what is above the highest does not. Where little light is left between the two,
        # only its own levels are tried: between them nothing changes.
        low, high, levels = whole[0], float(np.nextafter(whole[1], np.inf)), None
        while levels is None:
            for _ in range(HALVINGS):
                middle = low + (high - low) / 2
                low, high = (middle, high) if holds(middle) else (low, middle)
            levels = _levels_within(recording, clock, low, high)
        return float(levels[bisect_left(levels, True, 1, key=lambda level: not holds(level)) - 1])

    if setting.light_on:
        return last(lambda level: seen(level)[1]), last(lambda level: seen(level)[0])
    return last(lambda level: not seen(level)[0]), last(lambda level: not seen(level)[1])


def _levels_within(recording: Recording, clock: Clock, low: float, high: float) -> NDArray[np.float64] | None:
    """Return the levels of the evaluated light from `low` to below `high`, ascending; None if they are too many."""
    found = np.empty(0)
    for block in evaluated(recording.blocks(), clock):
        light = block.light.astype(np.float64)
        inside = light[(light >= low) & (light < high)]
        if inside.size:
            found = np.union1d(found, inside)
        if found.size > MOST_WITHIN:
            return None
    return found
