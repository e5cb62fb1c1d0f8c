"""Order statistics of the values of neighbouring stretches, for many choices of stretches, without keeping all values.

A scan counts the values of every stretch in bins. The value of an order statistic is then known to one or two bins.
Only the values of these bins are kept, and the result is found among them exactly, as by sorting all values. So the
memory is that of the bins, and of about one value in a hundred.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import DTypeLike, NDArray

from teachlab.light.noise import between, placed
from teachlab.model.arrays import Floats

Rows = Sequence[tuple[int, int]]
"""Runs ``[first, last)`` of stretches."""
Scan = Callable[[], Iterator[tuple[Floats, NDArray[np.intp]]]]
"""Iterates over all values: each piece with the stretch of every value, ascending."""

FEW_BINS, MANY_BINS = 256, 2048
"""Number of bins for few values, and for many: narrow bins keep few of many values."""
TAIL = 0.001
"""Share of the values at either end that has one bin only."""
SLACK = 1e-6
"""Tolerance as a share of a bin: rounding may put a value into a neighbouring bin."""


@dataclass(frozen=True, slots=True, eq=False)
class _Bin:
    """The values of one bin, by stretch; equal values are kept once."""

    values: Floats
    before: NDArray[np.int64]
    alike: bool

    def of(self, rows: Rows) -> tuple[Floats, NDArray[np.int64]]:
        """Return values, and how often each occurs."""
        if self.alike:
            count = sum(int(self.before[b] - self.before[a]) for a, b in rows)
            return (self.values[:1], np.array([count])) if count else (self.values[:0], self.before[:0])
        found = [self.values[self.before[a] : self.before[b]] for a, b in rows]
        out = found[0] if len(found) == 1 else np.concatenate((self.values[:0], *found))
        return out, np.ones(out.size, np.int64)


class _Coming:
    """The values of one bin while they come: as long as all are equal, they are counted."""

    def __init__(self) -> None:
        self._first, self._same, self._parts = np.empty(0), 0, list[Floats]()

    def push(self, values: Floats) -> None:
        if not self._parts:
            self._first = self._first if self._same else values[:1].copy()
            if (values == self._first).all():
                self._same += values.size
                return
            self._parts.append(np.full(self._same, self._first))
        self._parts.append(values)

    def bin(self, before: NDArray[np.int64]) -> _Bin:
        if self._parts:
            return _Bin(np.concatenate(self._parts), before, False)
        return _Bin(self._first, before, self._same > 0)


class OrderedValues:
    """Values of stretches, with their order statistics.

    `scan`: iterates over all values; called again if bins are needed that were not expected.
    `sample`: values of a few stretches, from which the bins are derived.
    `expected`: ranges in which the order statistics that will be requested are expected, and how many bins to keep
    beside each.
    `bins`: at least 4.
    `dtype`: of whole numbers, in which as many as there are values can be counted.
    """

    def __init__(
        self,
        stretches: int,
        scan: Scan,
        sample: Floats,
        expected: Iterable[tuple[float, float, int]] = (),
        bins: int = FEW_BINS,
        dtype: DTypeLike = np.int64,
    ) -> None:
        self._scan, self._many = scan, bins
        bottom, top = np.quantile(sample, (TAIL, 1 - TAIL)).tolist() if sample.size else (0.0, 0.0)
        with np.errstate(all="ignore"):
            scale = (bins - 2) / (top - bottom) if top > bottom else 1.0
        self._low, self._scale = bottom, scale if np.isfinite(scale) else 1.0
        self._kept: dict[int, _Bin] = {}
        self._counts = np.zeros((stretches + 1, bins), dtype)
        wanted: set[int] = set()
        for low, high, beside in expected:
            first, last = self._bins(np.array([low, high])).tolist()
            wanted.update(range(max(first - beside, 0), min(last + beside, bins - 1) + 1))
        self._read(wanted, counting=True)

    def _place(self, values: Floats | float) -> Floats:
        """Return the positions of values in bins; bin b holds ``[b, b + 1)``; the outermost also hold all beyond."""
        with np.errstate(over="ignore"):
            out = np.asarray(values - np.float64(self._low))
            out *= self._scale
            out += 1.0
        return out

    def _bins(self, values: Floats) -> NDArray[np.intp]:
        # Every step rounds monotonically, so the order is kept.
        out = self._place(values)
        return np.clip(out, 0, self._many - 1, out=out).astype(np.intp)

    def _read(self, wanted: set[int], *, counting: bool = False) -> None:
        """Go through all values: count them unless already counted, and keep those of some bins."""
        kept = np.zeros(self._many, bool)
        kept[sorted(wanted)] = True
        coming = {b: _Coming() for b in wanted}
        for values, stretch in self._scan():
            if values.size == 0:
                continue
            bins = self._bins(values)
            if counting:
                first, last = int(stretch[0]), int(stretch[-1]) + 1
                counts = np.bincount((stretch - first) * self._many + bins, minlength=(last - first) * self._many)
                self._counts[first + 1 : last + 1] += counts.reshape(-1, self._many)
            # Within a bin, values stay in the order of their stretches: `_Bin.before` finds those of a stretch by it.
            some = np.flatnonzero(kept[bins])
            values, bins = _short(values[some]), bins[some]
            for b in np.flatnonzero(np.bincount(bins)).tolist():
                coming[b].push(values[bins == b])
        if counting:
            np.cumsum(self._counts, axis=0, out=self._counts, dtype=self._counts.dtype)
        for b in wanted:
            self._kept[b] = coming.pop(b).bin(self._counts[:, b].astype(np.int64))

    def _need(self, bins: NDArray[np.intp]) -> None:
        """Keep the values of bins and of their neighbours, because the next request is usually close."""
        if missing := set(bins.tolist()) - self._kept.keys():
            wanted = {b + near for b in missing for near in (-1, 0, 1)} & set(range(self._many))
            self._read(wanted - self._kept.keys())

    def size(self, rows: Rows, more: Floats) -> int:
        """Return the number of values of some stretches and of further values."""
        return int(self._count(rows, more).sum())

    def _count(self, rows: Rows, more: Floats) -> NDArray[np.int64]:
        out: NDArray[np.int64] = np.bincount(self._bins(more), minlength=self._many)
        for a, b in rows:
            out = out + self._counts[b] - self._counts[a]
        return out

    def at(self, rows: Rows, more: Floats, orders: tuple[int, int]) -> tuple[float, float]:
        """Return the values at two neighbouring places of the ascending order, counted from 0."""
        counts = self._count(rows, more)
        reach = np.cumsum(counts)
        first, last = np.searchsorted(reach, orders, side="right").tolist()
        below = int(reach[first - 1]) if first else 0
        return self._picked(rows, more, np.arange(first, last + 1), (orders[0] - below, orders[1] - below))

    def nearest(self, rows: Rows, more: Floats, middle: float, orders: tuple[int, int]) -> tuple[float, float]:
        """Return the distances from `middle` at two neighbouring places of their ascending order."""
        counts = self._count(rows, more)
        begin = np.arange(self._many, dtype=np.float64)
        end = begin + 1.0
        begin[0], end[-1] = -np.inf, np.inf
        at = float(self._place(middle))
        # Smallest and largest possible distance of a value of each bin.
        near = np.maximum(np.maximum(begin - at, at - end), 0.0) - SLACK
        far = np.maximum(np.abs(begin - at), np.abs(end - at)) + SLACK
        far = np.where(np.isnan(far), np.inf, far)
        low = self._reached(near, counts, orders[0])
        high = self._reached(far, counts, orders[1])
        below = far < low
        some = np.flatnonzero(~below & (near <= high) & (counts > 0))
        left = int(counts[below].sum())
        return self._picked(rows, more, some, (orders[0] - left, orders[1] - left), middle)

    def _reached(self, distance: Floats, counts: NDArray[np.int64], order: int) -> float:
        """Return the distance within which more than `order` values lie."""
        by = np.argsort(distance, kind="stable")
        return float(distance[by[int(np.searchsorted(np.cumsum(counts[by]), order, side="right"))]])

    def _picked(
        self, rows: Rows, more: Floats, bins: NDArray[np.intp], orders: tuple[int, int], middle: float | None = None
    ) -> tuple[float, float]:
        """Return the entries at two places among the values of some bins, or among their distances from a value."""
        self._need(bins)
        wanted = np.zeros(self._many, bool)
        wanted[bins] = True
        own = more[wanted[self._bins(more)]]
        parts = [self._kept[b].of(rows) for b in bins.tolist()]
        values = np.concatenate([own, *(v for v, _ in parts)])
        if middle is not None:
            values = np.abs(values - middle)
        if any(self._kept[b].alike for b in bins.tolist()):
            often = np.concatenate([np.ones(own.size, np.int64), *(n for _, n in parts)])
            by = np.argsort(values, kind="stable")
            reach = np.cumsum(often[by])
            first, last = values[by[np.searchsorted(reach, orders, side="right")]].tolist()
            return first, last
        low, high = placed(values, orders[0])
        return low, high if orders[1] > orders[0] else low

    def median(self, rows: Rows, more: Floats) -> float:
        """Return the median of some stretches and further values, at least one value in all."""
        n = self.size(rows, more)
        low, high = self.at(rows, more, ((n - 1) // 2, n // 2))
        return high if n % 2 else (low + high) / 2

    def deviation(self, rows: Rows, more: Floats) -> float:
        """Return the median absolute deviation from the median."""
        n = self.size(rows, more)
        low, high = self.nearest(rows, more, self.median(rows, more), ((n - 1) // 2, n // 2))
        return high if n % 2 else (low + high) / 2

    def quantile(self, rows: Rows, more: Floats, share: float) -> float:
        """Return a quantile as `numpy.quantile` does by default: type 7 of Hyndman & Fan 1996."""
        place = (self.size(rows, more) - 1) * share
        first = int(place)
        low, high = self.at(rows, more, (first, min(first + 1, self.size(rows, more) - 1)))
        return between(low, high, place - first)


def _short(values: Floats) -> NDArray[Any]:
    """Return numbers in half of the memory, if it holds them exactly."""
    with np.errstate(over="ignore"):
        half = values.astype(np.float32)
    return half if (half == values).all() else values
