"""What a setting survives: loss of light, ambient light and backscatter, each as an axis of its own."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from teachlab.errors import ParameterError
from teachlab.explore.surface.levels import read_first
from teachlab.explore.surface.pairs import PairCounts, score_pairs
from teachlab.model.recording import Recording
from teachlab.model.setting import Setting
from teachlab.model.truth import Truth

GAINS = tuple(round(1 - 0.05 * k, 2) for k in range(20))
STEPS = 64
ROUNDS = 4
LARGEST = float(np.finfo(np.float64).max)
_Counter = Callable[[Sequence[Setting]], list[PairCounts]]


@dataclass(frozen=True, slots=True)
class Stress:
    """One condition: ``x → clip(dark + gain · (x − dark) + ambient + pedestal · (1 − gain))`` in float64.

    Parameters
    ----------
    gain : float
        Share of the light that is left, at least 0.
    ambient, pedestal : float, recording units
        Light that is added; and the backscatter of a window that is dirty through and through.
    dark : float, recording units
    low, high : float, recording units
        What the receiver can give: samples are clipped to it.
    """

    gain: float
    ambient: float = 0.0
    pedestal: float = 0.0
    dark: float = 0.0
    low: float = -math.inf
    high: float = math.inf

    def __post_init__(self) -> None:
        if not (math.isfinite(self.gain) and self.gain >= 0):
            raise ParameterError(f"gain must be a finite number of at least 0, got {self.gain:g}.")
        for name in ("ambient", "pedestal"):
            if not math.isfinite(getattr(self, name)):
                raise ParameterError(f"{name} must be a finite number, got {getattr(self, name)}.")

    def apply(self, light: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the stressed light."""
        with np.errstate(over="ignore"):
            moved = self.dark + self.gain * (light - self.dark) + self.ambient + self.pedestal * (1 - self.gain)
        return np.clip(moved, self.low, self.high)

    def level_before(self, level: float) -> float:
        """Return the level at which the unstressed light does what the stressed light does at `level`.

        The smallest float64 x with ``apply(x) >= level``: every step of the map is monotone in x, rounding
        included, so ``apply(x) >= level`` exactly if ``x >= level_before(level)``. Found by bisection over
        all float64 numbers; where no finite x reaches the level, the largest one.
        """
        low, high = _order(-LARGEST), _order(LARGEST)
        if self._reaches(low, level):
            return -LARGEST
        if not self._reaches(high, level):
            return LARGEST
        while high - low > 1:
            middle = (low + high) // 2
            low, high = (low, middle) if self._reaches(middle, level) else (middle, high)
        return _number(high)

    def _reaches(self, place: int, level: float) -> bool:
        return bool(self.apply(np.array([_number(place)]))[0] >= level)

    def setting_before(self, setting: Setting) -> Setting:
        """Return the setting that does on unstressed light what `setting` does under the stress."""
        on, off = self.level_before(setting.on_level), self.level_before(setting.off_level)
        return setting.with_levels(on, off, setting.polarity)


def _order(value: float) -> int:
    """Return the place of a float64 among all, as an integer that ascends with it."""
    bits = int(np.array(value).view(np.int64))
    return bits if bits >= 0 else -(bits & 0x7FFF_FFFF_FFFF_FFFF)


def _number(place: int) -> float:
    bits = place if place >= 0 else (-place) - (1 << 63)
    return float(np.array(bits, np.int64).view(np.float64))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StressMap:
    """Counts of one setting under every combination of three stresses.

    Parameters
    ----------
    gain, ambient, pedestal : tuple of float
        The axes.
    lost, false_trips, extra, ignore_trips : ndarray of int64, shape (gains, ambients, pedestals)
    contamination_reserve : float or None
        ``1 − g`` with the smallest g such that every trial comes out right on all of [g, 1]; None where
        the unstressed recording already fails.
    ambient_reserve : float or None, recording units
        The largest ambient rise such that every trial comes out right on all of [0, a].
    resolution : tuple of float
        How finely the two were searched; between the points searched nothing was tried.
    detect_trials, gap_trials : int
    setting : Setting
    """

    gain: tuple[float, ...]
    ambient: tuple[float, ...]
    pedestal: tuple[float, ...]
    lost: NDArray[np.int64]
    false_trips: NDArray[np.int64]
    extra: NDArray[np.int64]
    ignore_trips: NDArray[np.int64]
    contamination_reserve: float | None
    ambient_reserve: float | None
    resolution: tuple[float, float]
    detect_trials: int
    gap_trials: int
    setting: Setting

    @property
    def survives(self) -> NDArray[np.bool_]:
        """Where every pass is detected and nothing trips."""
        out: NDArray[np.bool_] = (self.lost == 0) & (self.false_trips == 0) & (self.ignore_trips == 0)
        return out

    def boundary(self) -> list[list[float | None]]:
        """Return, per ambient and pedestal, the smallest gain of the map that survives from the largest down."""
        order = np.argsort(self.gain)[::-1]
        alive = np.logical_and.accumulate(self.survives[order], axis=0)
        left = alive.sum(axis=0)
        gains = np.array(self.gain)[order]
        return [[float(gains[k - 1]) if k else None for k in row] for row in left.tolist()]

    def as_dict(self) -> dict[str, Any]:
        """Return the plain JSON form."""
        return {
            "schema": 1,
            "unit": self.setting.unit,
            "setting": self.setting.as_dict(),
            **{name: list(getattr(self, name)) for name in ("gain", "ambient", "pedestal")},
            **{name: getattr(self, name).tolist() for name in ("lost", "false_trips", "extra", "ignore_trips")},
            "survival_boundary": self.boundary(),
            "contamination_reserve": self.contamination_reserve,
            "ambient_reserve": self.ambient_reserve,
            "resolution": {"contamination": self.resolution[0], "ambient": self.resolution[1]},
            "detect_trials": self.detect_trials,
            "gap_trials": self.gap_trials,
        }


def receiver_range(recording: Recording, low: float, high: float) -> tuple[float, float]:
    """Return what the receiver can give: 0 … full scale, and whatever was logged beyond; no limit without one."""
    full = recording.info.full_scale
    if full is None:
        return -math.inf, math.inf
    return min(0.0, recording.info.dark_level, low), max(full, high)


def stress_map(
    recording: Recording,
    truth: Truth,
    setting: Setting,
    *,
    gain: Sequence[float] = GAINS,
    ambient: Sequence[float] = (0.0,),
    pedestal: Sequence[float] = (0.0,),
    tolerance_ms: float = 0.0,
    first_pass: int = 0,
    fast: bool | None = None,
    progress: Callable[[float], None] | None = None,
) -> StressMap:
    """Count what a setting loses and trips under every combination of stresses.

    A stress is a monotone map of the light, so the stressed replay at two levels is the unstressed replay
    at two others (`Stress.level_before`), clipping and rounding included: no stressed recording is made,
    and all conditions are counted together.

    Parameters
    ----------
    recording : Recording
    truth : Truth
    setting : Setting
        With any filter and delays.
    gain, ambient, pedestal : sequence of float
        The axes, as in `Stress`.
    tolerance_ms, first_pass, fast, progress
        As in `teachlab.explore.surface.surface`.

    Notes
    -----
    The reserves are searched on 64 points of the axis, then four times on 64 points between the last that
    came out right and the first that did not.
    """
    if not (gain and ambient and pedestal):
        raise ParameterError("every axis of a stress map needs at least one value; 0 ambient or pedestal is one.")
    reading = read_first(recording, setting.evaluation_rate_hz)
    low, high = receiver_range(recording, reading.low, reading.high)
    dark = recording.info.dark_level

    def count(settings: Sequence[Setting]) -> list[PairCounts]:
        return score_pairs(recording, truth, settings, tolerance_ms=tolerance_ms, first_pass=first_pass, fast=fast)

    def at(g: float, a: float, p: float) -> Setting:
        moved = Stress(g, a, p, dark, low, high).setting_before(setting)
        # Beyond all light one level is as good as another; near it the ranking of samples is faster.
        top = float(np.nextafter(reading.high, np.inf))
        on, off = (min(max(level, reading.low), top) for level in (moved.on_level, moved.off_level))
        return moved.with_levels(on, off, moved.polarity)

    cells = [at(g, a, p) for g in gain for a in ambient for p in pedestal]
    found = count(cells)
    shape = (len(gain), len(ambient), len(pedestal))
    if progress is not None:
        progress(0.6)
    span = (recording.info.full_scale or reading.high) - min(reading.low, dark)
    loss, fine_loss = _reserve(lambda v: at(1 - v, 0.0, 0.0), 1.0, count)
    rise, fine_rise = _reserve(lambda v: at(1.0, v, 0.0), max(span, 0.0), count)
    if progress is not None:
        progress(1.0)
    tables = {
        name: np.array([getattr(c, name) for c in found], np.int64).reshape(shape)
        for name in ("lost", "false_trips", "extra", "ignore_trips")
    }
    return StressMap(
        gain=tuple(gain), ambient=tuple(ambient), pedestal=tuple(pedestal),
        lost=tables["lost"], false_trips=tables["false_trips"], extra=tables["extra"],
        ignore_trips=tables["ignore_trips"], contamination_reserve=loss, ambient_reserve=rise,
        resolution=(fine_loss, fine_rise), detect_trials=found[0].detect_trials, gap_trials=found[0].gap_trials,
        setting=setting,
    )  # fmt: skip


def _right(counts: PairCounts) -> bool:
    return counts.lost == counts.false_trips == counts.ignore_trips == 0


def _reserve(at: Callable[[float], Setting], most: float, count: _Counter) -> tuple[float | None, float]:
    """Return the largest value such that all values tried from 0 to it come out right, and the last step."""
    low, high = 0.0, most
    for _ in range(ROUNDS):
        tried = np.linspace(low, high, STEPS + 1)
        right = [_right(c) for c in count([at(float(v)) for v in tried])]
        if not right[0]:
            return None, 0.0
        if all(right):
            return float(high), float(tried[1] - tried[0])
        k = right.index(False)
        low, high = float(tried[k - 1]), float(tried[k])
        if low == high:
            break
    return low, high - low


def at_speed(recording: Recording, setting: Setting, factor: float) -> tuple[Recording, Setting]:
    """Return recording and setting as if the line ran `factor` times as fast.

    The samples are taken to follow `factor` times as fast, while the sensor keeps its evaluation rate: it
    sees fewer of them per pass. Truth in samples stays valid. Noise is not rescaled: it stays as it was
    from sample to sample, which holds for white noise.

    Raises
    ------
    SettingError
        At replay, if the line runs so slowly that the sensor would evaluate faster than was logged.
    """
    if not (math.isfinite(factor) and factor > 0):
        raise ParameterError(f"a speed factor must be a finite number above 0, got {factor:g}.")
    rate = setting.evaluation_rate_hz or recording.info.sample_rate_hz
    speed = recording.info.line_speed_m_s
    info = replace(
        recording.info,
        sample_rate_hz=recording.info.sample_rate_hz * factor,
        line_speed_m_s=None if speed is None else speed * factor,
    )
    return Recording(info, recording.source, recording.name), replace(setting, evaluation_rate_hz=rate)


def time_to_cleaning(reserve: float | None, loss_per_day: float, *, exponential: bool = True) -> float | None:
    """Return after how many days a loss of light per day uses up a contamination reserve.

    Parameters
    ----------
    reserve : float or None
        ``1 − g_min``.
    loss_per_day : float
        Share of the light lost per day, 0.01 for 1 %.
    exponential : bool
        Whether every day takes its share of what is left (``−ln(g_min) / λ``) or of the clean light.

    Returns
    -------
    float or None
        Days; infinite without loss, None without a reserve.

    Examples
    --------
    >>> round(time_to_cleaning(1 - 17.3 / 21.3, 0.012), 1)  # 21.3 against a level of 17.3, 1.2 % per day
    17.3
    """
    if not loss_per_day >= 0:
        raise ParameterError(f"loss-per-day must be at least 0, got {loss_per_day:g}.")
    if reserve is None:
        return None
    if loss_per_day == 0 or (exponential and reserve >= 1):
        return math.inf
    return -math.log(1 - reserve) / loss_per_day if exponential else reserve / loss_per_day


@dataclass(frozen=True, slots=True)
class LossRate:
    """Loss of light per day with its interval, from levels seen over days.

    Parameters
    ----------
    per_day, low, high : float
        Exponential rate; negative where the light rises.
    days : float
        Span observed.
    points : int
    """

    per_day: float
    low: float
    high: float
    days: float
    points: int


def observed_loss(days: Sequence[float], level: Sequence[float], *, confidence: float = 0.95) -> LossRate:
    """Fit an exponential loss to levels above dark over days, by least squares on their logarithms.

    Raises
    ------
    ParameterError
        With fewer than three points, or a level that is not above 0.
    """
    from scipy.stats import linregress, t

    x, y = np.asarray(days, np.float64), np.asarray(level, np.float64)
    if x.size != y.size or x.size < 3 or not (y > 0).all() or np.ptp(x) == 0:
        raise ParameterError(
            f"a loss rate needs at least 3 levels above dark on different days, got {x.size} days and {y.size} levels."
        )
    fit = linregress(x, np.log(y))
    half = float(t.ppf(0.5 + confidence / 2, x.size - 2)) * float(fit.stderr)
    rate = -float(fit.slope)
    return LossRate(rate, rate - half, rate + half, float(np.ptp(x)), int(x.size))
