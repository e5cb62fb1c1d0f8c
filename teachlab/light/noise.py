"""Local noise from first differences, with a floor that is never zero; medians in bounded memory."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from teachlab.model.memory import allowed_memory, need_memory
from teachlab.model.recording import Light

if TYPE_CHECKING:
    from teachlab.model.recording import Recording

KEPT_VALUES = 1 << 18
"""Medians are exact up to this many values and taken from an even selection of them beyond."""
LEAST_COUNTED, COUNTED_RANGE = 4096, 1 << 16
"""From so many whole numbers on, within such a range, a median is found by counting."""
MAX_LEVELS = 1 << 17
"""The smallest step is looked for among this many distinct levels."""
LIBRARY_BYTES = 0.3e9
"""The libraries, and the blocks of a recording that is read."""
JUDGED = (60.0, 4000.0)
"""Bytes a sample, and a crossing of the on-level, while a setting is judged: where noise trips, every filter and delay
is tried on it. Measured on clean light and on noise alone, where 200,000 samples take 3,800 and a million 2,000."""
ONCE, HELD_WHOLE = 130.0, 5_000_000
"""Bytes a sample for a replay that looks for a design that would mend it: up to so many samples; a longer one is read
once and never held. Measured 122 on five million samples with a trip in 20,000, and 0.1 on a hundred million."""
STRETCHES, STRETCH = 4, 1 << 15
"""Stretches of a recording that tell how noisy it is, and samples of each."""
GOLDEN = np.uint64(0x9E3779B97F4A7C15)
"""2⁶⁴ divided by the golden ratio: multiples of it spread evenly and in step with no period of the light."""


class Selection:
    """A stream of values of which at most `limit` are kept, evenly spread, whatever the block size.

    Value i is kept if the fraction ``i / φ mod 1`` is below ``1 / stride``; the stride doubles when too
    many are kept, which drops every kept value that the new stride would not have kept.

    Examples
    --------
    >>> few = Selection(4)
    >>> few.push(np.arange(10.0))
    >>> few.count, few.values().size <= 4
    (10, True)
    """

    def __init__(self, limit: int = KEPT_VALUES) -> None:
        self._limit = limit
        self._bits = 0
        self._index: list[NDArray[np.uint64]] = []
        self._kept: list[NDArray[np.float64]] = []
        self._held = 0
        self.count = 0

    def push(self, values: NDArray[np.float64]) -> None:
        """Take the next values."""
        # Fibonacci hashing: index · 2^64/φ modulo 2^64. The smallest of these numbers are spread evenly over the
        # recording, so halving the bound halves the selection evenly, whatever was pushed in which blocks.
        index = np.arange(self.count, self.count + values.size, dtype=np.uint64) * GOLDEN
        self.count += values.size
        if self._bits:
            chosen = index < self._bound()
            index, values = index[chosen], values[chosen]
        self._index.append(index)
        self._kept.append(values.copy())
        self._held += values.size
        while self._held > self._limit:
            self._halve()

    def _bound(self) -> np.uint64:
        return np.uint64(1 << (64 - self._bits))

    def _halve(self) -> None:
        self._bits += 1
        index, kept = np.concatenate(self._index), np.concatenate(self._kept)
        chosen = index < self._bound()
        self._index, self._kept = [index[chosen]], [kept[chosen]]
        self._held = int(np.count_nonzero(chosen))

    def values(self) -> NDArray[np.float64]:
        """Return what was kept, in the order it came."""
        return np.concatenate(self._kept) if self._kept else np.empty(0, np.float64)

    def median(self) -> float | None:
        """Return the median, None without values."""
        values = self.values()
        return median(values) if values.size else None


class SmallestStep:
    """Streams light and finds the smallest step between the levels that occur (one LSB of a converter)."""

    def __init__(self) -> None:
        self._levels: Any = None
        self._known = False
        self._step = math.inf

    def push(self, valid: Light) -> None:
        """Take valid samples in the stored type."""
        for a in range(0, valid.size, 2 * MAX_LEVELS):
            if self._known:
                return
            found = np.unique(valid[a : a + 2 * MAX_LEVELS])
            self._levels = found if self._levels is None else np.union1d(self._levels, found)
            if self._levels.size > MAX_LEVELS:
                self._step = self._smallest()
                # More levels than that are a float signal: the step found so far is its rounding, and memory is kept.
                self._levels = self._levels[: MAX_LEVELS + 1]
            # Whole numbers lie no nearer to one another than 1.
            self._known = self._levels.size > MAX_LEVELS or (valid.dtype.kind in "iu" and self._smallest() == 1)

    def _smallest(self) -> float:
        if self._levels is None or self._levels.size < 2:
            return math.inf
        levels = self._levels[np.isfinite(self._levels)]
        steps = np.diff(levels.astype(np.float64))
        return float(steps[steps > 0].min(initial=math.inf))

    def step(self) -> float | None:
        """Return the smallest step, recording units; None if fewer than two levels occurred."""
        found = min(self._step, self._smallest())
        return found if math.isfinite(found) else None


def local_noise(differences: NDArray[np.float64], step: float | None) -> float | None:
    """Return the local noise of a stretch of light, recording units.

    Parameters
    ----------
    differences : ndarray of float64, shape (n,), recording units
        Differences of neighbouring valid samples.
    step : float, recording units, optional
        Smallest step between levels that occur.

    Notes
    -----
    ``sigma = 1.4826 · MAD(first differences) / √2``, at least ``step / √12``: the MAD is exactly 0 where
    the noise is below half a step, and zero is never certainty. The factor 1.4826 makes the MAD of a
    normal distribution its standard deviation (1 / Φ⁻¹(3/4)); a difference of two independent samples
    has √2 times the noise of one; a level known to one step has the standard deviation step / √12.

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
    """Return the local noise for a median absolute deviation of first differences; as `local_noise`."""
    floor = 0.0 if step is None else step / math.sqrt(12)
    # 1.4826 makes the MAD of normal values their standard deviation; √2 since a difference has twice the variance.
    return max(1.4826 * away / math.sqrt(2), floor)


def deviation(values: NDArray[np.float64]) -> float:
    """Return the median absolute deviation from the median: whole numbers of a small range are counted, not sorted.

    Examples
    --------
    >>> deviation(np.array([1.0, 1.0, 2.0, 4.0]))
    0.5
    """
    low, high = float(values.min()), float(values.max())
    if math.isnan(low):
        return low
    # Infinities compare as too wide.
    if values.size >= LEAST_COUNTED and high - low < COUNTED_RANGE and abs(low) < 2**53:
        whole = values.astype(np.int64)
        if (whole == values).all():
            # Whole numbers within a small range: counting replaces two sorts of a million values.
            counts = np.bincount(whole - int(low))
            levels = np.arange(counts.size, dtype=np.float64) + low
            away = np.abs(levels - _middle(levels, counts))
            order = np.argsort(away, kind="stable")
            return _middle(away[order], counts[order])
    return median(np.abs(values - median(values)))


def median(values: NDArray[np.floating[Any]]) -> float:
    """Return the median of at least one value, none of them NaN.

    One place of the order is asked for, not two as the library does: that takes a fifth of the time.

    Examples
    --------
    >>> median(np.array([4.0, 1.0, 2.0, 9.0]))
    3.0
    """
    middle = values.size // 2
    found = values.copy()
    found.partition(middle)
    upper = float(found[middle])
    return upper if values.size % 2 else (float(found[:middle].max()) + upper) / 2


def _middle(levels: NDArray[np.float64], counts: NDArray[np.int64]) -> float:
    """Return the median of ascending levels that occur so often."""
    before = np.cumsum(counts)
    n = int(before[-1])
    a, b = levels[np.searchsorted(before, [(n - 1) // 2, n // 2], side="right")]
    return float((a + b) / 2)


def crossing_share(recording: Recording, level: float | None = None) -> float:
    """Return how many samples of a recording lie on another side of a level than the one before, as a share.

    Parameters
    ----------
    recording : Recording
        Read in a few short stretches.
    level : float, recording units, optional
        Default: the middle between the lowest and the highest hundredth of each stretch, which objects cross twice and
        noise alone at every other sample.
    """
    starts = np.linspace(0, max(0, recording.samples - STRETCH), STRETCHES).astype(int)
    crossed = looked = 0
    for start in np.unique(starts):
        light = recording.read(int(start), min(int(start) + STRETCH, recording.samples)).as_float()
        light = light[np.isfinite(light)]
        if light.size:
            above = light >= (np.quantile(light, (0.01, 0.99)).mean() if level is None else level)
            crossed, looked = crossed + int((above[1:] != above[:-1]).sum()), looked + light.size
    return crossed / looked if looked else 0.0


def need_for_light(
    recording: Recording, what: str, *, sample: float, crossing: float, level: float | None = None,
    whole: int | None = None, edges: bool = True,
) -> None:  # fmt: skip
    """Refuse work on a recording that would hold more than may be used: long ones, and noisy ones above all.

    Parameters
    ----------
    recording : Recording
    what : str
        The work: "a surface".
    sample, crossing : float, bytes
        Held for each sample, and beside it for each crossing of the level.
    level : float, recording units, optional
        As in `crossing_share`.
    whole : int, optional
        A longer recording is never held as a whole: `sample` counts for so many.
    edges : bool
        Whether something is kept of every crossing; else those too count in so many samples only.

    Raises
    ------
    ParameterError
        With the estimate.
    """
    held = min(recording.samples, whole or recording.samples)
    crossed = (recording.samples if edges else held) * crossing
    size = LIBRARY_BYTES + held * sample
    if size + crossed > allowed_memory():  # else any light fits
        size += crossed * crossing_share(recording, level)
        what = f"{what} of {recording.samples:,} samples of {recording.name}"
        need_memory(size, what, "Cut the recording, or log it more slowly.")


def need_for_judging(recording: Recording, what: str, *, level: float | None = None) -> None:
    """Refuse to judge a setting where that would hold more than may be used; parameters as `need_for_light`."""
    need_for_light(recording, what, sample=JUDGED[0], crossing=JUDGED[1], level=level)
