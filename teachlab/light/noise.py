"""Local noise from first differences, which is never 0; medians in little memory; memory that noisy light needs."""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import cache
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from teachlab.model.arrays import Floats, Integers, Where
from teachlab.model.memory import LIBRARY_BYTES, allowed_memory, need_memory
from teachlab.model.printable_text import number_of
from teachlab.model.recording import Light, Recording
from teachlab.sensor.edges import merged, ranges_of

KEPT_VALUES = 1 << 18
"""Up to this many values a median is exact. Of more values, an even selection is used."""
MANY, FEW = 1 << 15, 1 << 10
"""Of this many values or more, about so few tell where in their order a place is."""
LEAST_COUNTED, COUNTED_RANGE = 4096, 1 << 16
"""At least so many whole numbers, within such a range, are counted to find their median."""
MAX_LEVELS, LEVELS_AT_ONCE = 1 << 17, 1 << 16
"""The smallest step is searched among at most about this many distinct levels, so many samples at a time."""
FINEST, OFF_GRID = 1 << 20, 1 / 8
"""A step is no part of a converter's scale where so many make the width of the light; and this share of a step is no
rounding."""
SIGMA = 1.4826
"""The median deviation of normal values multiplied by this is their standard deviation."""
PART = "Take a part: teachlab import NAME.parquet --from 0 --to 3600 --out PART.parquet (in seconds)."
"""What to do with a recording that is too long."""


class LightMemory(NamedTuple):
    """The memory that some work on a recording takes.

    `sample`, `crossing` (bytes): for each sample, and more for each crossing of the level.
    `whole`: most samples that are held at a time: `sample` counts for so many.
    `edges`: whether something is kept of every crossing; if not, only crossings of the held samples count.
    """

    sample: float
    crossing: float
    whole: int | None = None
    edges: bool = True


HELD_WHOLE = 5_000_000
"""Longer recordings are not held at once to judge a setting."""
JUDGED = LightMemory(60.0, 150.0, HELD_WHOLE)
"""To judge a setting, by the crossings of its on-level. Measured on noise alone: 100 a sample in all for a million
samples, 80 for three million, 25 for six million. A stress map and a card of a hundred million take no more than one of
ten million."""
DESIGNED = LightMemory(130.0, 4000.0)
"""To design a setting with all passes shown, by the crossings of the middle of the light. Measured: 122 for five
million samples with a trip in 20,000; 3,900 for each crossing of a million samples of noise."""
STRETCHES, STRETCH = 4, 1 << 15
"""Number of stretches of a recording that show how noisy it is, and samples of each."""
GOLDEN = np.uint64(0x9E3779B97F4A7C15)
"""2⁶⁴ divided by the golden ratio: its multiples spread evenly, and follow no period of the light."""
UNEVEN = 100
"""No stretch of multiples, however long, holds so many fewer below a bound than its share."""
PERIOD = 1 << 12
"""Neighbouring multiples that are sorted once."""


@cache
def _sorted_period() -> tuple[NDArray[np.uint64], Where]:
    """Return the first multiples of the golden ratio, sorted; and which they are, once more behind the last."""
    numbers = np.arange(PERIOD, dtype=np.uint64) * GOLDEN
    order = np.argsort(numbers)
    return numbers[order], np.concatenate((order, order))


class Selection:
    """At most `limit` values of a stream, evenly spread; the size of the blocks has no effect.

    Value i is kept if the fraction ``i / φ mod 1`` is below ``1 / stride``. If too many are kept, the stride doubles,
    and the values that it does not keep are dropped.
    `at_least`: so many values will come: those that would be dropped anyway are not kept before.

    Examples
    --------
    >>> few = Selection(4)
    >>> few.push(np.arange(10.0))
    >>> few.count, few.values().size <= 4
    (10, True)
    """

    def __init__(self, limit: int = KEPT_VALUES, *, at_least: int = 0) -> None:
        self._limit = limit
        self._bits = 0
        while at_least >> self._bits > limit + UNEVEN:
            self._bits += 1
        self._index: list[NDArray[np.uint64]] = []
        self._kept: list[Floats] = []
        self._held = 0
        self.count = 0

    def push(self, values: Floats) -> None:
        """Take the next values."""
        self.take(values.size, values.__getitem__)

    def take(self, size: int, pick: Callable[[Where], Floats]) -> None:
        """Take the next `size` values; `pick` returns a copy of those at some places among them."""
        at = self._due(size)
        self._index.append((np.uint64(self.count) + at.astype(np.uint64)) * GOLDEN)
        self._kept.append(pick(at))
        self.count += size
        self._held += at.size
        while self._held > self._limit:
            self._halve()

    def take_within(self, start: Where, stop: Where, pick: Callable[[Where], Floats]) -> None:
        """Take the values in stretches ``[start, stop)`` one after the other; `pick` returns those at some places."""
        stop = np.maximum(start, stop)
        ends = np.cumsum(stop - start)
        size, before = int(ends[-1]) if ends.size else 0, stop - ends

        def placed(k: Where) -> Floats:
            # Where few are kept, their places alone are searched.
            return pick(ranges_of(start, stop) if k.size == size else k + before[np.searchsorted(ends, k, "right")])

        self.take(size, placed)

    def _due(self, size: int) -> Where:
        """Return the places of the next values that are kept, in order."""
        if not self._bits:
            return np.arange(size)
        # Fibonacci hashing: index · 2^64/φ modulo 2^64. The smallest of these numbers are spread evenly over the
        # recording. So half the bound keeps half of the values, evenly, in blocks of any size. The numbers of a period
        # are those of the first one, turned by that of its first index: what is below the bound is one stretch of the
        # sorted ones, which may pass the end.
        numbers, order = _sorted_period()
        first = np.arange(0, size, PERIOD)
        low = -(np.uint64(self.count) + first.astype(np.uint64)) * GOLDEN
        high = low + self._bound()
        begin, end = np.searchsorted(numbers, low), np.searchsorted(numbers, high) + PERIOD * (high < low)
        due: Where = order[ranges_of(begin, end)] + np.repeat(first, end - begin)
        due.sort()
        return due[: np.searchsorted(due, size)]

    def _bound(self) -> np.uint64:
        return np.uint64(1 << (64 - self._bits))

    def _halve(self) -> None:
        self._bits += 1
        index, kept = np.concatenate(self._index), np.concatenate(self._kept)
        chosen = index < self._bound()
        self._index, self._kept = [index[chosen]], [kept[chosen]]
        self._held = int(np.count_nonzero(chosen))

    def values(self) -> Floats:
        """Return the kept values, in the order in which they came."""
        return np.concatenate(self._kept) if self._kept else np.empty(0, np.float64)

    def median(self) -> float | None:
        """Return the median; None without values."""
        values = self.values()
        return median(values) if values.size else None


class SmallestStep:
    """The smallest step between levels that occur in a stream of light: one LSB of a converter.

    Levels are sorted until they are seen to lie on a grid. From then on only those that leave it are sorted with them:
    between points of the grid there is no smaller step, but for rounding. The size of the blocks has no effect.
    """

    def __init__(self) -> None:
        self._levels: Any = None
        self._count = 0
        self._grid: tuple[float, float] | None = None
        self._known = self._new = False

    def push(self, valid: Light) -> None:
        """Take valid samples in the stored type."""
        while valid.size and not self._known:
            room = LEVELS_AT_ONCE - self._count % LEVELS_AT_ONCE
            some, valid = valid[:room], valid[room:]
            self._count += some.size
            off = self._off_grid(some)
            if off.size:
                self._levels, self._new = merged(off) if self._levels is None else merged(self._levels, off), True
            if self._new and some.size == room:
                self._settle()

    def _off_grid(self, light: Light) -> Light:
        """Return the light that does not lie on the grid."""
        if self._grid is None:
            return light
        first, step = self._grid
        kind = light.dtype.type if light.dtype.kind == "f" else np.float64
        with np.errstate(over="ignore", invalid="ignore"):  # infinite light has no step
            places = (light - kind(first)) * kind(1 / step)
            places -= np.rint(places)
            return light[:0] if np.abs(places, out=places).max() <= OFF_GRID else light[places > OFF_GRID]

    def _settle(self) -> None:
        """Find the grid on which the levels lie, or that no smaller step is of interest."""
        self._new, self._grid = False, None
        levels, step = self._finite(), self._smallest()
        width = float(levels[-1] - levels[0]) if levels.size else 0.0
        # So fine a step, or so many levels, are the rounding of floating-point numbers.
        self._known = width > FINEST * step or levels.size > MAX_LEVELS
        # No step between whole numbers is below 1.
        self._known |= step == 1 and self._levels.dtype.kind in "iu"
        if self._known or not width > 0:
            return
        steps = np.diff(levels)
        # Short distances first: over a long one the rounding of a step would add up.
        for longest in (1.5, 100.0, math.inf):
            some = steps[(steps > 0) & (steps <= longest * step)]
            step = float(some.sum() / np.rint(some / step).sum())
        places = (levels - levels[0]) / step
        if np.abs(places - np.rint(places)).max() <= OFF_GRID / 2:
            self._grid = float(levels[0]), step

    def _finite(self) -> Floats:
        """Return the finite levels, ascending."""
        if self._levels is None:
            return np.empty(0)
        found: Floats = self._levels[np.isfinite(self._levels)].astype(np.float64)
        return found

    def _smallest(self) -> float:
        steps = np.diff(self._finite())
        return float(steps[steps > 0].min(initial=math.inf))

    def step(self) -> float | None:
        """Return the smallest step, recording units; None if fewer than two levels occurred."""
        found = self._smallest()
        return found if math.isfinite(found) else None


def local_noise(differences: Floats, step: float | None) -> float | None:
    """Return the local noise of a stretch of light, recording units.

    `differences` (shape (n,), recording units): differences of neighbouring valid samples.
    `step` (recording units): smallest step between levels that occur.

    Notes
    -----
    ``sigma = 1.4826 · MAD(first differences) / √2``, at least ``step / √12``. The MAD is exactly 0 if the noise is
    below half a step, but no light is known without doubt. The factor 1.4826, which is 1 / Φ⁻¹(3/4), makes the MAD of
    a normal distribution its standard deviation. A difference of two independent samples has √2 times the noise of
    one. A level that is known to one step has the standard deviation step / √12.

    References
    ----------
    Hampel, F. R. (1974), "The influence curve and its role in robust estimation", JASA 69, 383-393
    (MAD); Bennett, W. R. (1948), "Spectra of quantized signals", Bell Syst. Tech. J. 27 (step / √12).

    Examples
    --------
    >>> local_noise(np.zeros(100), 1.0)
    0.2886751345948129
    """
    return None if differences.size == 0 else noise_of(deviation(differences), step)


def noise_of(away: float, step: float | None) -> float:
    """Return the local noise from the median absolute deviation of first differences, as `local_noise` does."""
    floor = 0.0 if step is None else step / math.sqrt(12)
    # A difference has twice the variance of a value: hence √2.
    return max(SIGMA * away / math.sqrt(2), floor)


def deviation(values: Floats) -> float:
    """Return the median absolute deviation from the median; whole numbers of a small range are counted, not sorted.

    Examples
    --------
    >>> deviation(np.array([1.0, 1.0, 2.0, 4.0]))
    0.5
    """
    low, high = float(values.min()), float(values.max())
    if math.isnan(low):
        return low
    # With infinite values the range is too wide.
    if values.size >= LEAST_COUNTED and high - low < COUNTED_RANGE and abs(low) < 2**53:
        whole = values.astype(np.int64)
        if (whole == values).all():
            # To count them replaces two sorts of a million values.
            counts = np.bincount(whole - int(low))
            levels = np.arange(counts.size, dtype=np.float64) + low
            away = np.abs(levels - _middle(levels, counts))
            order = np.argsort(away, kind="stable")
            return _middle(away[order], counts[order])
    return median(np.abs(values - median(values)))


def median(values: NDArray[np.floating[Any]], *, in_place: bool = False) -> float:
    """Return the median of one or more values without NaN.

    It asks for one place of the order, and the library for two: this takes a fifth of the time.
    `values`: shape (n,).
    `in_place`: whether the order of the values may change: this saves a copy.

    Examples
    --------
    >>> median(np.array([4.0, 1.0, 2.0, 9.0]))
    3.0
    """
    middle = values.size // 2
    low, high = placed(values, middle - 1 + values.size % 2, in_place=in_place)
    return low if values.size % 2 else (low + high) / 2


def quantile(values: NDArray[np.floating[Any]], share: float, *, in_place: bool = False) -> float:
    """Return the level below which a share of one or more values lies, none of them NaN; linear between two values.

    To the bit that of `numpy.quantile`, which puts the extremes in their places too: this takes half of the time.
    Parameters as for `median`.

    Examples
    --------
    >>> quantile(np.array([4.0, 1.0, 2.0, 9.0]), 0.5)
    3.0
    """
    at = (values.size - 1) * share
    low, high = placed(values, int(at), in_place=in_place)
    return between(low, high, at - int(at))


def between(low: float, high: float, share: float) -> float:
    """Return the number at a share of the way between two numbers, rounded as numpy rounds it.

    Examples
    --------
    >>> between(1.0, 2.0, 0.25), between(3.0, 3.0, 0.9)
    (1.25, 3.0)
    """
    return high - (high - low) * (1 - share) if share >= 0.5 else low + (high - low) * share


def placed(values: NDArray[np.floating[Any]], at: int, *, in_place: bool = False) -> tuple[float, float]:
    """Return the value at a place of the order, and the next one; of the last place that value twice."""
    found = values if in_place else None
    if values.size >= MANY:
        # A few of the values tell between which levels the place lies: only what is there is put in order.
        few = np.sort(values[:: values.size // FEW])
        middle, away = at * few.size // values.size, few.size // 16
        low, high = few[max(middle - away, 0)], few[min(middle + away, few.size - 1)]
        before = int(np.count_nonzero(values < low))
        between = values.compress((values >= low) & (values <= high))
        if before <= at < before + between.size - 1:
            found, at = between, at - before
    if found is None:
        found = values.copy()
    found.partition(at)
    value = float(found[at])
    return value, float(found[at + 1 :].min()) if at + 1 < found.size else value


def _middle(levels: Floats, counts: Integers) -> float:
    """Return the median of levels in ascending order, each with its count."""
    before = np.cumsum(counts)
    n = int(before[-1])
    a, b = levels[np.searchsorted(before, [(n - 1) // 2, n // 2], side="right")]
    return float((a + b) / 2)


def crossing_share(
    recording: Recording, level: float | None = None, beside: Integers | None = None
) -> float:  # fmt: skip
    """Return the share of samples that lie on the other side of a level than the sample before.

    `recording`: read in a few short stretches.
    `level` (recording units): default: the middle between the lowest and the highest hundredth of each stretch, or of
    what the file states of its parts if it does: then rare passes count. An object crosses it twice; noise alone
    crosses it at every second sample.
    `beside` (samples): starts of passes, beside which the stretches lie; default: evenly over the recording.
    """
    starts = np.linspace(0, max(0, recording.samples - STRETCH), STRETCHES).astype(int)
    # On a grid on which no stretch is cut by the row groups of a file: two of them are decoded in twice the time.
    starts -= starts % STRETCH
    if level is None and beside is None:
        level = _stated_middle(recording)
    if beside is not None and beside.size:
        some = beside[np.linspace(0, beside.size - 1, STRETCHES).astype(int)]
        starts = (some - STRETCH // 2).clip(0, max(0, recording.samples - STRETCH))
    crossed = looked = 0
    for start in np.unique(starts):
        light = recording.read(int(start), min(int(start) + STRETCH, recording.samples)).as_float()
        light = light[np.isfinite(light)]
        if light.size:
            above = light >= (np.quantile(light, (0.01, 0.99)).mean() if level is None else level)
            crossed, looked = crossed + int((above[1:] != above[:-1]).sum()), looked + light.size
    return crossed / looked if looked else 0.0


def _stated_middle(recording: Recording) -> float | None:
    """Return the middle of the light by the extremes of its parts, without its hundredths; None if one is not known."""
    ends = [(one.low, one.high) for one in recording.source.chunks()]
    if not ends or any(low is None or high is None for low, high in ends):
        return None
    low, high = np.array(ends, np.float64).T
    return float((np.quantile(low, 0.01) + np.quantile(high, 0.99)) / 2)


def memory_for_light(
    recording: Recording, held: LightMemory, *, level: float | None = None, beside: Integers | None = None
) -> float:
    """Return an estimate of the memory for some work on a recording, bytes; too small only where any light fits.

    `level` (recording units): as in `crossing_share`.
    `beside` (samples): starts of passes. Beside them the light is looked at: between rare passes it shows noise alone.
    """
    samples = min(recording.samples, held.whole or recording.samples)
    crossed = (recording.samples if held.edges else samples) * held.crossing
    size = LIBRARY_BYTES + samples * held.sample
    if size + crossed <= allowed_memory():
        return size
    return size + crossed * crossing_share(recording, level, beside)


def need_for_light(
    recording: Recording, what: str, held: LightMemory, *, level: float | None = None,
    beside: Integers | None = None
) -> None:  # fmt: skip
    """Refuse work on a recording that needs more memory than may be used: a long one, or a noisy one.

    `what`: the work: "a surface".
    `recording`, `held`, `level`, `beside`: as for `memory_for_light`.
    Raises ParameterError with the estimated memory.
    """
    size = memory_for_light(recording, held, level=level, beside=beside)
    what = f"{what} of {number_of(recording.samples, 'sample')} of {recording.name}"
    need_memory(size, what, f"{PART} Or log more slowly.")
