"""What a better sensor would have bought on the same light: margin under other rates, filters and averages."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from teachlab.errors import ParameterError, TruthError
from teachlab.model.recording import Recording
from teachlab.model.setting import Polarity, Setting
from teachlab.model.truth import Truth
from teachlab.replay.evaluating import evaluated
from teachlab.score.scoring import excluded_trials
from teachlab.signal.evaluation import Clock
from teachlab.signal.extremes import inside
from teachlab.signal.noise import Selection
from teachlab.signal.output import onset_lag
from teachlab.signal.running import Hold, SustainedExtremes
from teachlab.signal.validity import Validity
from teachlab.signal.windows import Windows, border_evaluations

SHARE = 0.01


@dataclass(frozen=True, slots=True, kw_only=True)
class Sensor:
    """A sensor that was not there.

    Parameters
    ----------
    name : str
    setting : Setting
        Filter, delays and rate.
    average : int, evaluations
        Light is averaged over so many evaluations before the comparator; 1: not at all.
    missing : str
        Why this recording cannot tell, else empty.
    """

    name: str
    setting: Setting
    average: int = 1
    missing: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Bought:
    """What one sensor makes of the light.

    Parameters
    ----------
    sensor : Sensor
    objects, background : float or None, recording units
        1 % quantile of the sustained peaks of passes, and 99 % quantile of those of gaps, on the side of
        the objects.
    noise : float or None, recording units
        Robust standard deviation of the background as this sensor sees it.
    margin : float or None
        ``(objects − background) / (2 · noise)``: what a level midway has to either side, in sigma;
        negative where they overlap.
    times : float or None
        Margin over that of the sensor as it is.
    """

    sensor: Sensor
    objects: float | None
    background: float | None
    noise: float | None
    margin: float | None
    times: float | None = None

    def as_dict(self) -> dict[str, Any]:
        """Return the plain JSON form."""
        return {
            "sensor": self.sensor.name,
            "average_evaluations": self.sensor.average,
            "consecutive": self.sensor.setting.consecutive,
            "evaluation_rate_hz": self.sensor.setting.evaluation_rate_hz,
            **{k: getattr(self, k) for k in ("objects", "background", "noise", "margin", "times")},
            "missing": self.sensor.missing,
        }


def sensors(recording: Recording, truth: Truth, setting: Setting, *, mains_hz: float = 50.0) -> list[Sensor]:
    """Return the sensor as it is and four that might have been.

    Twice the evaluation rate; a consecutive count of three; an average over one period of mains flicker,
    ``rate / (2 · mains)`` evaluations; and an average as long as the shortest twentieth of the passes,
    which is the matched filter of a rectangular object in white noise.
    """
    if not mains_hz > 0:
        raise ParameterError(f"mains-hz must be above 0, got {mains_hz:g}.")
    samples = recording.info.sample_rate_hz
    rate = setting.evaluation_rate_hz or samples
    lengths = (truth.end - truth.start)[truth.detect]
    if lengths.size == 0:
        raise TruthError("a counterfactual sensor needs passes to be detected.")
    short = max(1, round(float(np.quantile(lengths, 0.05)) * rate / samples))
    mains = max(1, round(rate / (2 * mains_hz)))
    faster = "" if 2 * rate <= samples else f"the log holds {samples:g} samples per second, no more"
    doubled = replace(setting, evaluation_rate_hz=2 * rate if not faster else setting.evaluation_rate_hz)
    return [
        Sensor(name="as it is", setting=setting),
        Sensor(name="twice the evaluation rate", setting=doubled, missing=faster),
        Sensor(name="consecutive three", setting=replace(setting, consecutive=3)),
        Sensor(
            name=f"average over one flicker of {mains_hz:g} Hz mains",
            setting=setting,
            average=mains,
            missing="" if rate > 2 * mains_hz else "evaluated too slowly to average over a flicker",
        ),
        Sensor(name="matched filter", setting=setting, average=short),
    ]


def counterfactual(
    recording: Recording, truth: Truth, setting: Setting, *, mains_hz: float = 50.0, tolerance_ms: float = 0.0
) -> list[Bought]:
    """Measure the margin of the sensor as it is and of four others on the same light.

    Notes
    -----
    The margin compares sensors; it is no promise. An average hides what is shorter than itself, merges
    gaps shorter than itself, and answers later by its own length.
    """
    found = [
        _measure(recording, truth, one, tolerance_ms) for one in sensors(recording, truth, setting, mains_hz=mains_hz)
    ]
    first = found[0].margin
    return [
        replace(one, times=None if one.margin is None or first is None or first <= 0 else one.margin / first)
        for one in found
    ]


def margins(found: Sequence[Bought]) -> dict[str, float | None]:
    """Return the margin by sensor."""
    return {one.sensor.name: one.margin for one in found}


class Average:
    """A running mean over the last evaluations, begun long settled at the first value."""

    def __init__(self, span: int) -> None:
        self._span = span
        self._tail: NDArray[np.float64] | None = None

    def push(self, light: NDArray[Any]) -> NDArray[np.float64]:
        """Return the mean at every evaluation."""
        values = light.astype(np.float64)
        if self._span == 1 or values.size == 0:
            return values
        tail = np.full(self._span - 1, values[0]) if self._tail is None else self._tail
        joined = np.concatenate((tail, values))
        self._tail = joined[joined.size - self._span + 1 :]
        # Sums of differences from one level keep the rounding small.
        total = np.concatenate(([0.0], np.cumsum(joined - joined[0])))
        out: NDArray[np.float64] = joined[0] + (total[self._span :] - total[: -self._span]) / self._span
        return out


def _measure(recording: Recording, truth: Truth, sensor: Sensor, tolerance_ms: float) -> Bought:
    if sensor.missing:
        return Bought(sensor=sensor, objects=None, background=None, noise=None, margin=None)
    clock = Clock.of(recording.samples, recording.info.sample_rate_hz, sensor.setting.evaluation_rate_hz)
    lag = onset_lag(sensor.setting, clock)
    late = lag + sensor.average - 1
    windows = Windows.of(truth, clock, border=border_evaluations(truth, clock, tolerance_ms), lag=late)
    span = min(lag + 1, clock.count)
    passes = SustainedExtremes(windows.start, windows.stop, span)
    gaps = SustainedExtremes(windows.gap_start, windows.gap_stop, span)
    hold, validity, average, background = Hold(), Validity(), Average(sensor.average), Selection(1 << 18)
    for block in evaluated(recording.blocks(), clock):
        invalid = block.invalid_mask()
        validity.push(invalid, block.light.size)
        held = average.push(hold.push(block.light, invalid))
        if held.size == 0:
            continue
        first = block.start + block.light.size - held.size
        for into in (passes, gaps):
            into.push(first, held)
        background.push(held[inside(first, held.size, windows.gap_start, windows.gap_stop)])
    pass_out, gap_out = excluded_trials(truth, windows, clock, validity.state(), lag=late)
    up = sensor.setting.polarity is Polarity.LIGHT_ON
    sign = 1.0 if up else -1.0
    reach = sign * (passes.high if up else passes.low)[truth.detect & ~pass_out]
    other = sign * (gaps.high if up else gaps.low)[~gap_out]
    reach, other, seen = reach[~np.isnan(reach)], other[~np.isnan(other)], background.values()
    if reach.size == 0 or other.size == 0 or seen.size == 0:
        nothing = replace(sensor, missing="no pass or no gap is left to compare")
        return Bought(sensor=nothing, objects=None, background=None, noise=None, margin=None)
    low, high = float(np.quantile(reach, SHARE)), float(np.quantile(other, 1 - SHARE))
    noise = 1.4826 * float(np.median(np.abs(seen - np.median(seen))))
    return Bought(
        sensor=sensor,
        objects=sign * low,
        background=sign * high,
        noise=noise,
        margin=(low - high) / (2 * noise) if noise > 0 else None,
    )
