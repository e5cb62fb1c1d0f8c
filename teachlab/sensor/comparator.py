"""The comparator: light with hysteresis, over blocks of evaluated samples."""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from teachlab.errors import ParameterError
from teachlab.model.arrays import Flags, Where
from teachlab.model.recording import Light
from teachlab.sensor.edges import TwoState, placed, ranges_of
from teachlab.sensor.latch import FEW, compared, edges_of, packed, undecided
from teachlab.sensor.validity import Validity

FAST_BLOCK, CACHE_BLOCK, CALM_BLOCK = 1 << 22, 1 << 20, 1 << 17
"""Evaluations worked on at a time: compiled, so that they stay in the cache, and where the state seldom changes."""
MANY = 8
"""Edges in so many evaluations as the latter from which on it changes often."""
COMPARED = 1 << 17
"""Evaluations compared at a time, so that their flags stay in the nearest one."""
FAST_FROM = 2_500_000_000
"""Evaluations compared in a process from which on it is compiled: loading takes 0.5 s, and saves 0.2 ns of each."""

_Way = Callable[..., tuple[int, bool, bool]]


def level_in(dtype: np.dtype[Any], level: float) -> Any:
    """Return the smallest value of `dtype` that is not below `level`.

    For any sample x of that type, ``x >= level`` and ``x < level`` as float64 comparisons are exactly
    ``x >= level_in(...)`` and ``x < level_in(...)`` in the sample's own, faster type.

    `dtype`: uint8 … int32, or float16 … float64.
    `level`: recording units.

    Examples
    --------
    >>> level_in(np.dtype("uint16"), 511.2)
    512
    >>> bool(level_in(np.dtype("float32"), 0.45) > 0.45)
    True
    """
    if dtype.kind in "iu":
        return math.ceil(level)
    kind = dtype.type
    with np.errstate(over="ignore"):
        # Conversion rounds to the nearest value, which may lie below the level: a sample equal to it would count as
        # having reached the level.
        near = kind(level)
        return near if float(near) >= level else np.nextafter(near, kind(np.inf))


def compares_exactly(dtype: np.dtype[Any]) -> bool:
    """Whether a type converts to float64 without rounding, so that it can be compared as it is."""
    return (dtype.kind in "iu" and dtype.itemsize <= 4) or (dtype.kind == "f" and dtype.itemsize <= 8)


class Comparator:
    """Streams evaluated light through one pair of levels and keeps the edges.

    Light begins at ``x >= on_level``, ends at ``x < off_level`` and holds between; an invalid evaluation
    holds. The first valid evaluation is light if ``x >= on_level``, else dark, and everything before it
    takes its state.
    `on_level`, `off_level` (recording units): ``off_level <= on_level``.
    `first_level` (recording units): level at or above which the first valid evaluation is light; by default `on_level`.
    `fast`: whether to use the compiled way of the extra ``fast``; default: where it is installed, once a process has
    compared so much that it pays.
    Raises ParameterError if `fast` is true and the extra is not installed.
    """

    def __init__(
        self, on_level: float, off_level: float, dtype: np.dtype[Any], *, first_level: float | None = None,
        fast: bool | None = None,
    ) -> None:  # fmt: skip
        self._dtype = dtype.newbyteorder("=") if compares_exactly(dtype) else np.dtype(np.float64)
        self._on = level_in(self._dtype, on_level)
        self._off = level_in(self._dtype, off_level)
        self._begin = self._on if first_level is None else level_in(self._dtype, first_level)
        self._count = 0
        self.first: bool | None = None
        """State of the first valid evaluation; None before it."""
        self._state = False
        self._edges: list[tuple[int, NDArray[np.int32]]] = []
        self._validity = Validity()
        self._scratch = np.empty(0, bool)
        self._found = np.empty(0, np.int32)
        self._size = CALM_BLOCK
        self.compiled = False
        if fast and _compiled_edges() is None:
            raise ParameterError(
                "the compiled way needs the extra 'fast', which is not installed: pip install 'teachlab[fast]', or "
                "leave the choice to the program."
            )
        self._fast = fast if _holds(self._dtype, self._on) and _holds(self._dtype, self._off) else False

    def can_skip(self, low: float | None, high: float | None) -> bool:
        """Whether a stretch with these extremes and no invalid sample leaves the state as it is."""
        if low is None or high is None or self.first is None:
            return False
        return bool(low >= self._off) if self._state else bool(high < self._on)

    def must_read(self, low: float | None, high: float | None) -> bool:
        """Whether a stretch with these extremes can be skipped in neither state."""
        return low is None or high is None or bool(low < self._off and high >= self._on)

    def skip(self, evaluations: int) -> None:
        """Pass over evaluations that `can_skip` allows."""
        self._validity.push(None, evaluations)
        self._count += evaluations

    def push(self, light: Light, invalid: Flags | None = None) -> None:
        """Take the next evaluations.

        `light` (shape (n,), recording units): in the stored type.
        `invalid` (shape (n,)): nulls; NaN need not be flagged.
        """
        a = 0
        while a < light.size:
            find = self._compiled_way() if invalid is None else None
            b = a + (FAST_BLOCK if find else self._size)
            part = light[a:b]
            if part.dtype != self._dtype:
                part = part.astype(self._dtype)
            self._push(part, None if invalid is None else invalid[a:b], find)
            self._count += part.size
            a = b

    def push_cells(self, light: Light, cuts: Where, low: Light, high: Light) -> None:
        """Take the next evaluations, all valid, of which the extremes of cells are known.

        `light` (shape (n,), recording units): in the stored type.
        `cuts` (shape (cells,)): where cells begin, from 0 on.
        `low`, `high`: shape (cells,), recording units.
        """
        # A cell can change the state if it reaches a level that the cell before did not leave the state at.
        darkens, lights = low < self._off, high >= self._on
        decides = np.flatnonzero(darkens | lights)
        # After a cell that reaches both levels the state is not known here (0), so the next cell that decides is read
        # too.
        both = (darkens & lights)[decides]
        sense = np.where(both, 0, np.where(lights[decides], 1, -1))
        before = np.append(1 if self._state else -1, sense[:-1])
        some = decides[both | (sense != before)]
        ends = np.append(cuts[1:], light.size)
        size = ends[some] - cuts[some]
        if self.first is None or light.dtype != self._dtype or size.sum() > CACHE_BLOCK:
            self.push(light)
            return
        if some.size:
            places = ranges_of(cuts[some], ends[some])
            self._find_edges(light[places], None, self._compiled_way(), places)
        self._validity.push(None, light.size)
        self._count += light.size

    def _push(self, x: Light, invalid: Flags | None, find: _Way | None) -> None:
        if self.first is None and not self._start(x, invalid):
            self._validity.push(np.ones(x.size, bool), x.size)
            return
        if self._size == CALM_BLOCK and find is None:
            # A NaN propagates, and decides nothing. The compiled way looks for itself.
            extreme = x.min() if self._state else x.max()
            if extreme >= self._off if self._state else extreme < self._on:
                self._validity.push(invalid, x.size)
                return
        edges, nan = self._find_edges(x, invalid, find)
        if nan:
            invalid = np.isnan(x) if invalid is None else invalid | np.isnan(x)
        self._validity.push(invalid, x.size)
        # Much that stands still is passed over in small parts; where much changes large ones take less time.
        self._size = CACHE_BLOCK if edges * CALM_BLOCK > MANY * x.size else CALM_BLOCK

    def _start(self, x: Light, invalid: Flags | None) -> bool:
        k = 0
        if x[0] != x[0] or (invalid is not None and invalid[0]):
            valid = x == x if invalid is None else (x == x) & ~invalid
            k = int(np.argmax(valid))
            if not valid[k]:
                return False
        self.first = self._state = bool(x[k] >= self._begin)
        return True

    def _find_edges(
        self, x: Light, null: Flags | None, find: _Way | None, places: Where | None = None
    ) -> tuple[int, bool]:
        """Keep the edges among some evaluations; return how many, and whether there is a NaN."""
        _COMPARED.evaluations += x.size
        at, nan = self._edges_in_bits(x, null) if find is None else self._edges_fast(x, find)
        if at.size:
            self._edges.append((self._count, (at if places is None else places[at]).astype(np.int32)))
        return int(at.size), nan

    def _edges_in_bits(self, x: Light, null: Flags | None) -> tuple[NDArray[Any], bool]:
        if self._scratch.size < min(x.size, COMPARED):
            self._scratch = np.empty(min(x.size, COMPARED), bool)
        light, dark = compared(x, self._on, self._off, self._scratch)
        if null is not None:
            valid = ~packed(null)
            light &= valid
            dark &= valid
        some = undecided(light, dark)
        at, self._state = edges_of(light, dark, self._state, some)
        return at, _has_nan(x, some)

    def _edges_fast(self, x: Light, find: _Way) -> tuple[NDArray[Any], bool]:
        self.compiled = True
        if self._found.size < x.size:
            self._found = np.empty(x.size, np.int32)
        # Arrays that may and may not be written are two types, each compiled: they are all made one.
        x = np.ascontiguousarray(x).view()
        x.flags.writeable = False
        on, off = self._dtype.type(self._on), self._dtype.type(self._off)
        count, self._state, nan = find(x, on, off, self._state, self._found)
        return self._found[:count], nan

    def _compiled_way(self) -> _Way | None:
        """Return the compiled way where it pays for the next evaluations."""
        wanted = _COMPARED.evaluations >= FAST_FROM if self._fast is None else self._fast
        return _compiled_edges() if wanted else None

    def light_state(self) -> TwoState:
        """Return the comparator's state so far: true is light."""
        return TwoState(bool(self.first), placed(self._edges))

    def validity(self) -> TwoState:
        """Return which evaluations were invalid so far: true is invalid."""
        return self._validity.state()


class _Compared:
    """How much this process has compared: what the choice of the way rests on, never a result."""

    evaluations = 0


_COMPARED = _Compared()


@cache
def _compiled_edges() -> _Way | None:
    """Return the compiled way, or None where the extra ``fast`` is not installed."""
    try:
        from teachlab.sensor.compiled_edges import find_edges
    except ImportError:
        return None
    return find_edges


def _holds(dtype: np.dtype[Any], level: Any) -> bool:
    """Whether a type that can be compiled holds a level."""
    if dtype.kind == "f":
        return dtype.itemsize >= 4
    return bool(np.iinfo(dtype).min <= level <= np.iinfo(dtype).max)


def _has_nan(x: Light, some: Where) -> bool:
    """Whether there is a NaN in some of the stretches of 64; elsewhere each value compares with a level."""
    if x.dtype.kind != "f":
        return False
    whole = x.size // 64
    if FEW * some.size > whole:
        most = x.max()
        return bool(most != most)
    there = x[: 64 * whole].reshape(whole, 64)[some[some < whole]]
    return bool((there != there).any()) or bool(np.isnan(x[64 * whole :]).any())
