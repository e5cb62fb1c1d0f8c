"""What a better sensor would have bought on the same light: margin under other rates, filters and averages."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from teachlab.errors import ParameterError, SettingError, TruthError
from teachlab.explore.averaged import averaged
from teachlab.explore.hindsight import Hindsight, best_of
from teachlab.explore.surface.grid import replayed_surface
from teachlab.explore.surface.run import has_memory, surface
from teachlab.model.benchmark import Costs
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
SHORT = 0.05
GRID = 25
"""Levels of the grid on which a sensor with filter or delays is searched with hysteresis."""


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
    needed : float or None
        Margin at which white noise alone trips such a sensor once an hour, `needed_margin`.
    clean : tuple of float or None, recording units
        ``(above, up to)``: levels that every pass reaches and no gap, without hysteresis; None if there are
        none.
    times : float or None
        ``margin / needed`` over that of the sensor as it is.
    best : Hindsight or None
        The best fixed setting of such a sensor, where it was asked for.
    """

    sensor: Sensor
    objects: float | None
    background: float | None
    noise: float | None
    margin: float | None
    needed: float | None = None
    clean: tuple[float, float] | None = None
    times: float | None = None
    best: Hindsight | None = None

    def as_dict(self) -> dict[str, Any]:
        """Return the plain JSON form."""
        return {
            "sensor": self.sensor.name,
            "average_evaluations": self.sensor.average,
            "consecutive": self.sensor.setting.consecutive,
            "evaluation_rate_hz": self.sensor.setting.evaluation_rate_hz,
            **{k: getattr(self, k) for k in ("objects", "background", "noise", "margin", "needed")},
            "clean_levels": None if self.clean is None else list(self.clean),
            "times": self.times,
            "best": None if self.best is None else self.best.as_dict(),
            "missing": self.sensor.missing,
        }


def needed_margin(rate_hz: float, consecutive: int = 1, *, trips_per_hour: float = 1.0) -> float:
    """Return how many sigma below the level white noise must lie to trip no more often than stated.

    Parameters
    ----------
    rate_hz : float, Hz
        Evaluations per second.
    consecutive : int
    trips_per_hour : float, 1/h

    Notes
    -----
    Solves ``3600 · rate · Q(m)ⁿ · (1 − Q(m)) = trips``, Q the upper tail of the normal distribution: n
    evaluations in a row beyond the level after one that is not. Elementary probability for independent
    Gaussian noise; texture, flicker and beats do not obey.

    Examples
    --------
    >>> [round(needed_margin(2000, n), 1) for n in (1, 2, 3)]
    [5.1, 3.4, 2.6]
    """
    from scipy.optimize import brentq
    from scipy.special import log_ndtr

    if not (rate_hz > 0 and trips_per_hour > 0) or consecutive < 1:
        raise ParameterError(
            f"rate and trips per hour must be above 0 and consecutive at least 1, got {rate_hz:g}, "
            f"{trips_per_hour:g} and {consecutive}."
        )

    def excess(m: float) -> float:
        return float(consecutive * log_ndtr(-m) + log_ndtr(m) + np.log(3600 * rate_hz / trips_per_hour))

    # Beyond its maximum at Q = n / (n + 1) the rate falls with m.
    from scipy.special import ndtri

    peak = -float(ndtri(consecutive / (consecutive + 1)))
    return peak if excess(peak) <= 0 else float(brentq(excess, peak, 40.0))


def sensors(recording: Recording, truth: Truth, setting: Setting, *, mains_hz: float = 50.0) -> list[Sensor]:
    """Return the sensor as it is and four that might have been.

    Twice the evaluation rate; a consecutive count of three; an average over one period of mains flicker,
    ``rate / (2 · mains)`` evaluations; and an average as long as the shortest twentieth of the passes or of
    the gaps between them, whichever is shorter: the matched filter of a rectangular object in white noise,
    kept from running neighbours together.
    """
    if not mains_hz > 0:
        raise ParameterError(f"mains-hz must be above 0, got {mains_hz:g}.")
    samples = recording.info.sample_rate_hz
    rate = setting.evaluation_rate_hz or samples
    setting = replace(setting, taught=None)
    lengths = (truth.end - truth.start)[truth.detect]
    if lengths.size == 0:
        raise TruthError("a counterfactual sensor needs passes to be detected.")
    between = truth.start[1:] - truth.end[:-1]
    shortest = min(float(np.quantile(span, SHORT)) for span in (lengths, between[between > 0]) if span.size)
    short = max(1, round(shortest * rate / samples))
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
    recording: Recording,
    truth: Truth,
    setting: Setting,
    *,
    mains_hz: float = 50.0,
    tolerance_ms: float = 0.0,
    costs: Costs | None = None,
    progress: Callable[[float], None] | None = None,
) -> list[Bought]:
    """Measure the margin of the sensor as it is and of four others on the same light.

    Parameters
    ----------
    recording, truth, setting
        Filter, delays and rate of the sensor as it is; its levels are not looked at.
    mains_hz : float, Hz
    tolerance_ms : float, ms
    costs : Costs, optional
        Given: find the best fixed setting of each sensor for these costs too, which counts a surface each
        (with filter or delays: every level without hysteresis, and a grid of pairs with it).
    progress : callable, optional
        Called with the share done.

    Notes
    -----
    The margin compares sensors; it is no promise. An average hides what is shorter than itself, merges
    gaps shorter than itself, and answers later by its own length. A faster sensor needs a log as fast.
    """
    if setting.unit != recording.info.unit:
        raise SettingError(
            f"the setting is in '{setting.unit}' but {recording.name} is in '{recording.info.unit}': give the filter, "
            "delays and rate of a sensor in the unit of the recording."
        )
    found = []
    asked = sensors(recording, truth, setting, mains_hz=mains_hz)
    for k, one in enumerate(asked):
        found.append(_bought(recording, truth, one, tolerance_ms, costs))
        if progress is not None:
            progress((k + 1) / len(asked))
    first = _spare(found[0])
    return [
        replace(one, times=None if spare is None or first is None or first <= 0 else spare / first)
        for one, spare in ((one, _spare(one)) for one in found)
    ]


def _spare(one: Bought) -> float | None:
    return None if one.margin is None or not one.needed else one.margin / one.needed


def _bought(recording: Recording, truth: Truth, sensor: Sensor, tolerance_ms: float, costs: Costs | None) -> Bought:
    if sensor.missing:
        return _nothing(sensor)
    setting = sensor.setting
    if sensor.average > 1:
        try:
            recording, truth = averaged(recording, truth, sensor.average, evaluation_rate_hz=setting.evaluation_rate_hz)
        except TruthError as fault:
            return _nothing(replace(sensor, missing=str(fault)))
        setting = replace(setting, evaluation_rate_hz=None)
    out = _measure(recording, truth, sensor, setting, tolerance_ms)
    if costs is None or out.margin is None:
        return out
    tables = [surface(recording, truth, setting, tolerance_ms=tolerance_ms)]
    if has_memory(setting) and out.objects is not None and out.background is not None:
        # With filter or delays pairs with hysteresis are replayed: on a grid about the levels that matter.
        span = out.objects - out.background
        grid = np.linspace(out.background - span / 2, out.objects + span / 2, GRID)
        tables.append(replayed_surface(recording, truth, setting, levels=np.sort(grid), tolerance_ms=tolerance_ms))
    return replace(out, best=best_of(tables, costs=costs))


def _nothing(sensor: Sensor) -> Bought:
    return Bought(sensor=sensor, objects=None, background=None, noise=None, margin=None)


def margins(found: Sequence[Bought]) -> dict[str, float | None]:
    """Return the margin by sensor."""
    return {one.sensor.name: one.margin for one in found}


def _measure(recording: Recording, truth: Truth, sensor: Sensor, setting: Setting, tolerance_ms: float) -> Bought:
    """Measure passes and gaps of the light that the sensor's comparator sees."""
    clock = Clock.of(recording.samples, recording.info.sample_rate_hz, setting.evaluation_rate_hz)
    lag = onset_lag(setting, clock)
    windows = Windows.of(truth, clock, border=border_evaluations(truth, clock, tolerance_ms), lag=lag)
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
        first = block.start + block.light.size - held.size
        for into in (passes, gaps):
            into.push(first, held)
        background.push(held[inside(first, held.size, windows.gap_start, windows.gap_stop)])
    pass_out, gap_out = excluded_trials(truth, windows, clock, validity.state(), lag=lag)
    up = setting.polarity is Polarity.LIGHT_ON
    sign = 1.0 if up else -1.0
    reach = sign * (passes.high if up else passes.low)[truth.detect & ~pass_out]
    other = sign * (gaps.high if up else gaps.low)[~gap_out]
    reach, other, seen = reach[~np.isnan(reach)], other[~np.isnan(other)], background.values()
    if reach.size == 0 or other.size == 0 or seen.size == 0:
        return _nothing(replace(sensor, missing="no pass or no gap is left to compare"))
    low, high = float(np.quantile(reach, SHARE)), float(np.quantile(other, 1 - SHARE))
    noise = 1.4826 * float(np.median(np.abs(seen - np.median(seen))))
    weakest, strongest = float(reach.min()), float(other.max())
    levels = (strongest, weakest) if up else (-weakest, -strongest)
    return Bought(
        sensor=sensor,
        objects=sign * low,
        background=sign * high,
        noise=noise,
        margin=(low - high) / (2 * noise) if noise > 0 else None,
        needed=needed_margin(clock.rate_hz, setting.consecutive),
        clean=levels if strongest < weakest else None,
    )
