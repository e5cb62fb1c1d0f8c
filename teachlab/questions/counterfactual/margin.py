"""The margin of one sensor on a recording: weakest passes against strongest gaps, in noise as this sensor sees it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from teachlab.light.excluded import excluded_trials
from teachlab.light.extremes import inside
from teachlab.light.lasting_extremes import Hold, SustainedExtremes
from teachlab.light.noise import Selection
from teachlab.light.windows import Windows, border_evaluations
from teachlab.model.json_values import picked, plain
from teachlab.model.recording import Recording
from teachlab.model.score import Rules
from teachlab.model.setting import Setting
from teachlab.model.truth import Truth
from teachlab.questions.counterfactual.sensors import ComparedSensor, needed_margin
from teachlab.sensor.clock import Clock
from teachlab.sensor.evaluated_blocks import evaluated
from teachlab.sensor.output import onset_lag
from teachlab.sensor.validity import Validity

if TYPE_CHECKING:
    from teachlab.questions.surface.hindsight import Hindsight

SHARE = 0.01


@dataclass(frozen=True, slots=True, kw_only=True)
class SensorMargin:
    """Margin to noise that one sensor would have on this recording.

    Parameters
    ----------
    objects, background : float or None, recording units
        1 % quantile of the sustained peaks of passes, and 99 % quantile of those of gaps, on the side of
        the objects.
    noise : float or None, recording units
        Robust standard deviation of the background as this sensor sees it.
    margin : float or None
        ``(objects − background) / (2 · noise)``: distance of the middle level to either side, in sigma; negative if
        they overlap.
    needed : float or None
        Margin at which white noise alone trips such a sensor once an hour, `needed_margin`.
    clean : tuple of float or None, recording units
        ``(above, up to)``: levels that every pass and no gap reaches, without hysteresis; None if there are none.
    times : float or None
        ``margin / needed`` divided by that of the present sensor.
    best : Hindsight or None
        The best fixed setting of such a sensor, if asked for.
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
            "consecutive": self.sensor.setting.consecutive,
            "evaluation_rate_hz": self.sensor.setting.evaluation_rate_hz,
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
    gaps = SustainedExtremes(windows.gap_start, windows.gap_stop, span)
    hold, validity, background = Hold(), Validity(), Selection(1 << 18)
    for block in evaluated(recording.blocks(), clock):
        invalid = block.invalid_mask()
        validity.push(invalid, block.light.size)
        held = hold.push(block.light, invalid)
        if held.size == 0:
            continue
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
    return SensorMargin(
        sensor=sensor,
        objects=sign * low,
        background=sign * high,
        noise=noise,
        margin=(low - high) / (2 * noise) if noise > 0 else None,
        needed=needed_margin(clock.rate_hz, setting.consecutive, lag - (setting.consecutive - 1)),
        clean=levels if strongest < weakest else None,
    )
