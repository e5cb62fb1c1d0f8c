"""Labelled events whose light and statistics come from the tables of their block."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterable, Iterator
from typing import Any

import numpy as np

from teachlab.errors import Abstained
from teachlab.light.edge_time import EDGE_SHARE, EDGES, HIGH, LOW, edge_span, edge_times, object_height
from teachlab.light.noise import median, noise_of
from teachlab.light.shown.event_table import DisjointStretches, EventTable, Heights, Places, T, Values
from teachlab.light.shown.level_crossings import crossed
from teachlab.light.shown.ordered_values import OrderedValues, Rows
from teachlab.light.windows import Windows
from teachlab.model.arrays import Flags, Where
from teachlab.model.memory import allowed_memory
from teachlab.model.printable_text import in_figures, number_of
from teachlab.model.teaching import Events
from teachlab.sensor.edges import pieces
from teachlab.sensor.running_extremes import running_max

BESIDE, LONGEST = 8, 512
"""Evaluations that are kept beside each edge, and the largest number that is kept of one."""


class EdgeTable:
    """Passes with the light of their edges; see `teachlab.light.edge_time`.

    An edge is a climb from its foot to its top. The table keeps the light from a little before the foot to a little
    behind the top, for a background near the given one, and the highest light before: with that, both are found for
    any background for which they lie in what is kept.
    `before`, `after` (shape (passes,), evaluations): first and last evaluation of the light around each pass.
    `light`: around and inside each pass, objects upwards.
    `background` (recording units, objects upwards): level of the empty sensor near which others will be asked for.
    `dtype`: of floating numbers, which holds all of the light exactly.
    """

    def __init__(
        self,
        before: Places,
        after: Places,
        light: Iterable[tuple[Heights, Heights]],
        background: float,
        dtype: np.dtype[Any],
    ) -> None:
        self.before, self.after = before, after
        self.highest, self.middle = np.empty((2, before.size))
        # For each of the two ways and each pass: light that is kept, where it begins, and the highest light before.
        self._light = _Rows(2 * before.size, dtype)
        self._start = np.zeros((2, before.size), np.int64)
        self._until = np.full((2, before.size), -np.inf)
        for k, (around, inside) in enumerate(light):
            self.highest[k], self.middle[k] = inside.max(), median(inside)
            step = float(object_height(self.highest[k] - background, self.middle[k] - background))
            for way, side in enumerate((around, around[::-1])):
                first, last = _climb(side - background, step) if step > 0 else (0, 0)
                self._start[way, k] = first
                self._until[way, k] = side[:first].max(initial=-np.inf)
                self._light.push(2 * k + way, side[first:last])
        self._light.close()

    def times(self, rows: Where, background: float) -> tuple[list[float], Where]:
        """Return the times of both edges of some passes, and the passes whose edges this table does not hold."""
        step = object_height(self.highest[rows] - background, self.middle[rows] - background)
        rows, step = rows[step > 0], step[step > 0]
        found = [self._climbs(way, rows, step, background) for way in (0, 1)]
        beyond = found[0][1] | found[1][1]
        done = np.concatenate([times[~beyond] for times, _ in found])
        return done[~np.isnan(done)].tolist(), rows[beyond]

    def _climbs(self, way: int, rows: Where, step: Heights, background: float) -> tuple[Heights, Flags]:
        """Return the time of one edge of each pass (NaN without a foot), and which edges lie beyond what is kept."""
        begin, end = self._light.begin[2 * rows + way], self._light.begin[2 * rows + way + 1]
        size = end - begin
        height = pieces(self._light.values, begin, end).astype(np.float64) - background
        row = np.repeat(np.arange(rows.size), size)
        ends = np.cumsum(size)
        # The first evaluation at 90 % of each row, as a place among those of all rows.
        risen = np.flatnonzero(height >= HIGH * step[row])
        first = np.searchsorted(risen, ends - size)
        top = np.append(risen, height.size)[first]
        beyond = (top >= ends) | (self._until[way, rows] - background >= HIGH * step)
        # The last one at 10 % before it.
        low = np.flatnonzero(height <= LOW * step[row])
        last = np.searchsorted(low, top) - 1
        foot = np.append(low, -1)[last]
        known = ~beyond & (foot >= ends - size)
        # An edge that is kept from the beginning, and has no foot, has none; of the others it may lie before.
        beyond |= ~known & (self._start[way, rows] > 0)
        out = np.full(rows.size, np.nan)
        foot, top, step = foot[known], top[known], step[known]
        # Counted in the light of the pass, as without a table: other numbers would be rounded in another way.
        back = (self._start[way, rows] - (ends - size))[known]
        start = foot + back + (LOW * step - height[foot]) / (height[foot + 1] - height[foot])
        finish = top + back - (height[top] - HIGH * step) / (height[top] - height[top - 1])
        out[known] = finish - start
        return out, beyond


class _Rows:
    """Rows of numbers of different sizes, one after the other."""

    def __init__(self, rows: int, dtype: np.dtype[Any]) -> None:
        self.begin = np.zeros(rows + 1, np.int64)
        self.values = np.empty(max(64, rows), dtype)

    def push(self, row: int, values: Heights) -> None:
        first = int(self.begin[row])
        last = self.begin[row + 1] = first + values.size
        if last > self.values.size:
            self.values = np.concatenate((self.values[:first], np.empty(max(first, values.size), self.values.dtype)))
        self.values[first:last] = values

    def close(self) -> None:
        self.values = self.values[: int(self.begin[-1])].copy()


def _climb(height: Heights, step: float) -> tuple[int, int]:
    """Return which part of one side of a pass to keep: its edge, and a little beside it."""
    top = int(np.argmax(height >= HIGH * step))
    below = np.flatnonzero(height[max(0, top - LONGEST) : top] <= LOW * step)
    foot = max(0, top - LONGEST) + int(below[-1]) if below.size else 0
    first, last = max(0, foot - BESIDE), min(height.size, top + BESIDE)
    return (first, last) if last - first <= LONGEST else (0, 0)


HELD_SHOWN, HELD_IN_PARTS = 40, 12
"""Bytes for each evaluation shown to a strategy that works on all of the light, or on parts of it one after the other.
In parts a design took 6 at 10⁸ samples, 10 in noise (10⁷ and 3·10⁷ samples)."""

HEIGHT, DIFFERENCE, VALID = Values("height"), Values("difference"), Values("valid light")


class TabledEvents(Events):
    """Labelled passes and gaps of a block with tables; the light itself is read only on request.

    `first`, `last` (evaluations): the stretch ``[first, last)`` of the block.
    `read`: returns its light.
    `**events`: as of `Events`, but for the light.
    """

    _table: EventTable
    _first: int
    _last: int
    _light: Any
    _read: Callable[[], Heights]
    known: dict[Any, Any]

    __slots__ = ("_first", "_last", "_light", "_read", "_table", "known")

    def __new__(cls, *args: Any, **named: Any) -> Any:
        """Return plain events for `dataclasses.replace`: changed events are in no table."""
        return Events(**named) if "light" in named else super().__new__(cls)

    def __init__(self, table: EventTable, first: int, last: int, read: Callable[[], Heights], **events: Any) -> None:
        for name, value in {**events, "_table": table, "_first": first, "_last": last, "_read": read}.items():
            object.__setattr__(self, name, value)
        object.__setattr__(self, "_light", None)
        object.__setattr__(self, "known", table.known(first, last, events["start"].size))

    @property
    def light(self) -> Heights:
        """All evaluations of the stretch; NaN is an invalid evaluation."""
        if self._light is None:
            refuse_to_hold(self.evaluations)
            object.__setattr__(self, "_light", self._read())
        out: Heights = self._light
        return out

    def parts(self) -> Iterator[Heights]:
        """Iterate over the light in parts, which are read as they are asked for."""
        refuse_to_hold(self.evaluations, HELD_IN_PARTS)
        return self._table.parts(self._first, self._last)

    @property
    def evaluations(self) -> int:
        """How many evaluations the stretch has."""
        return self._last - self._first

    def seen(self, sign: int) -> TabledLight:
        """Return the light, objects upwards."""
        # Not kept: the table keeps what is known, and would be part of a cycle, which is freed late.
        return TabledLight(self._table, self._first, self._last, sign)


TOO_LONG = "the passes shown are too long for a strategy that works on all of their light"


def refuse_to_hold(count: int, each: int = HELD_SHOWN, *, unit: str = "evaluation", reason: str = TOO_LONG) -> None:
    """Abstain for a reason if so many of a unit, of so many bytes each, need more memory than may be used."""
    need, most = each * count, allowed_memory()
    if need > most:
        raise Abstained(
            reason,
            f"{number_of(count, unit)}, which need about {in_figures(need / 1e9, 2)} GB of memory",
            f"at most {in_figures(most / 1e9, 2)} GB: give a part of the recording, or allow more with --memory",
        )


def once_shown(events: Events, key: Hashable, make: Callable[[], T]) -> T:
    """Return what is made of events, made once for all draws of a block that show the same ones."""
    if not isinstance(events, TabledEvents):
        return make()
    if key not in events.known:
        events.known[key] = make()
    known: T = events.known[key]
    return known


class TabledLight:
    """Same as `teachlab.light.shown.stretch_light.StretchLight`, computed from tables: equal to the last bit.

    `first`, `last` (evaluations): the stretch ``[first, last)`` of the block.
    `sign`: +1 where objects raise the light, −1 where they lower it.
    """

    dark = False

    def __init__(self, table: EventTable, first: int, last: int, sign: int) -> None:
        self._table, self._first, self._last, self._sign = table, first, last, sign

    def clean(self, start: Places, stop: Places) -> Flags:
        """Return which stretches hold an evaluation and no void one."""
        return self._table.clean(start + self._first, stop + self._first)

    def heights(self, start: Places, end: Places) -> tuple[Heights, Heights]:
        """Return the light that each pass holds for a quarter of its length, and its strongest; NaN without light."""
        held, tops = self._table.heights_of_passes(self._sign, start + self._first, end + self._first)
        return held, tops

    def outside_passes(self, start: Places, stop: Places) -> tuple[int, float, float]:
        """Return how much valid light is between passes, its median, and the median absolute deviation from that."""
        order, rows, more = self._ordered(VALID, "outside_passes", start, stop)
        size = order.size(rows, more)
        if not size:
            return 0, float("nan"), float("nan")
        return size, order.median(rows, more), order.deviation(rows, more)

    def highs(self, start: Places, stop: Places, hold: int) -> Heights:
        """Return the highest light of stretches that lasts a given time."""
        return self._extremes(self._sign, start, stop, hold)

    def lows(self, start: Places, stop: Places, hold: int) -> Heights:
        """Return the lowest light of stretches that lasts a given time."""
        return -self._extremes(-self._sign, start, stop, hold)

    def _extremes(self, sign: int, start: Places, stop: Places, hold: int) -> Heights:
        out = np.full(start.size, np.nan)
        some = stop > start
        out[some] = self._table.extremes(sign, start[some] + self._first, stop[some] + self._first, hold)
        return out

    def background(self, start: Places, stop: Places) -> float:
        """Return the median of all light of stretches; NaN if there is none."""
        if start.size == 0:
            return float("nan")
        order, rows, more = self._ordered(HEIGHT, "gaps", start, stop)
        return order.median(rows, more)

    def edge(self, start: Places, end: Places, background: float) -> float:
        """Return the median 10–90 % time of the edges of passes, evaluations."""
        if start.size == 0 or np.isnan(background):
            return float("nan")
        middle = (end[:-1] + start[1:]) // 2
        before, after = np.append(0, middle), np.append(middle, self._last - self._first)
        some = slice(None, None, -(-start.size // EDGES))
        before, after = before[some] + self._first, after[some] + self._first
        start, end = start[some] + self._first, end[some] + self._first

        def edges(sign: int) -> EdgeTable:
            return self._edges(sign, background)

        table, shown = self._table.once(edges, self._sign), self._table.shown
        rows = shown.rows(start, end)
        same = rows >= 0
        same[same] = (table.before[rows[same]] == before[same]) & (table.after[rows[same]] == after[same])
        times, others = table.times(rows[same], background)
        for k in np.flatnonzero(~same | np.isin(rows, others)).tolist():
            around = self._table.height(self._sign, int(before[k]), int(after[k]))
            inside = around[start[k] - before[k] : end[k] - before[k]]
            times += edge_times(around, float(inside.max()), median(inside), background)
        return float(np.median(times)) if times else float("nan")

    def _edges(self, sign: int, background: float) -> EdgeTable:
        """Return the edges of all passes of the block, for backgrounds near this one."""
        shown = self._table.shown
        middle = (shown.stop[:-1] + shown.start[1:]) // 2
        before, after = np.append(0, middle), np.append(middle, self._table.evaluations)
        before, after = before[: shown.start.size], after[: shown.start.size]
        inside = zip((shown.start - before).tolist(), (shown.stop - before).tolist(), strict=True)
        light = ((one, one[a:b]) for one, (a, b) in zip(self._table.heights(sign, before, after), inside, strict=True))
        return EdgeTable(before, after, light, background, self._table.exact)

    def step(self) -> float | None:
        """Return the smallest step between the levels that occur."""
        return self._table.step(self._first, self._last)

    def noise(self, start: Places, stop: Places, step: float | None) -> float | None:
        """Return the local noise inside stretches; None without two neighbouring valid evaluations."""
        some = stop - start > 1
        if not some.any():
            return None
        gaps = np.count_nonzero(self._table.gaps.rows(start + self._first, stop + self._first) >= 0)
        passes = np.count_nonzero(self._table.shown.rows(start + self._first, stop + self._first) >= 0)
        order, rows, more = self._ordered(DIFFERENCE, "gaps" if gaps > passes else "shown", start[some], stop[some])
        return noise_of(order.deviation(rows, more), step) if order.size(rows, more) else None

    def edge_range(self, start: Places, stop: Places, edge: float) -> float:
        """Return the 99 % quantile of the range of light within one edge time; NaN if stretches are too short."""
        span = edge_span(edge)
        for what in (Values("range", span), Values("whole range", span)):
            order, rows, more = self._ordered(what, "gaps", start, stop)
            if order.size(rows, more):
                return order.quantile(rows, more, EDGE_SHARE)
        return float("nan")

    def _ordered(self, what: Values, among: str, start: Places, stop: Places) -> tuple[OrderedValues, Rows, Heights]:
        """Return a table of values, which of its cells the given stretches fill, and the values of the others."""
        start, stop = start + self._first, stop + self._first
        some: DisjointStretches = getattr(self._table, among)
        rows, cell = some.rows(start, stop), self._table.cell(among)
        own = np.flatnonzero(rows >= 0)
        runs: list[tuple[int, int]] = []
        apart = rows < 0
        for part in np.split(own, np.flatnonzero(np.diff(rows[own]) != 1) + 1):
            if part.size:
                a, b = int(rows[part[0]]), int(rows[part[-1]]) + 1
                first, last = -(-a // cell), -(-some.start.size // cell) if b == some.start.size else b // cell
                runs += [(first, last)] if first < last else []
                # At either end of a run lies a part of a cell.
                inside = (rows[part] >= first * cell) & (rows[part] < last * cell)
                apart[part[~inside]] = True
        more = self._table.values(self._sign, what, start[apart], stop[apart])
        return self._table.ordered(self._sign, what, among), runs, more

    def valleys(self, start: Places, stop: Places, level: float, hold: int) -> Heights:
        """Return the light that is reached for a given time between the first and last crossing of a level."""
        reached, _, between, _ = self._crossed(start, stop, level, hold, "windows")
        return np.where(reached > 0, between, np.nan)

    def _crossed(self, start: Places, stop: Places, level: float, hold: int, among: str) -> Heights:
        """Return the crossings of non-empty stretches at a level, as `LevelCrossings.at`."""
        start, stop = start + self._first, stop + self._first
        some, table = self._table.crossings(self._sign, among, hold)
        rows = np.where(stop + hold - 1 <= self._last, some.rows(start, stop), -1)
        out = np.empty((4, rows.size))
        out[:, rows >= 0] = table.at(rows[rows >= 0], level)
        for k in np.flatnonzero(rows < 0).tolist():
            light = self._table.height(self._sign, int(start[k]), min(int(stop[k]) + hold - 1, self._last))
            light = np.append(light, np.full(stop[k] - start[k] + hold - 1 - light.size, light[-1]))
            out[:, k] = crossed(running_max(light, hold), level)
        return out

    def onsets(self, windows: Windows, level: float, release: float) -> tuple[Places, Places]:
        """Return how often a comparator becomes active in every window, and in every gap.

        `windows`: of the stretch.
        `level`, `release` (recording units, objects upwards): active from the one on, until below the other.

        Notes
        -----
        In a stretch that stays at or above the release between its first and its last evaluation at the level, the
        comparator becomes active at the first of them, unless it was already active. In other stretches the comparator
        is run over the light.
        """
        inside = windows.stop > windows.start
        start = np.concatenate((windows.start[inside], windows.gap_start))
        stop = np.concatenate((windows.stop[inside], windows.gap_stop))
        passes = int(np.count_nonzero(inside))
        found = np.empty((4, start.size))
        for part, among in ((slice(0, passes), "windows"), (slice(passes, None), "gaps")):
            found[:, part] = self._crossed(start[part], stop[part], level, 1, among)
        order = np.argsort(start, kind="stable")
        reached, before, between, behind = found[:, order]
        active = reached > 0
        # State after the last deciding evaluation: 1 active, −1 inactive, 0 unchanged.
        left = np.where(active, np.where(behind < release, -1, 1), np.where(before < release, -1, 0))
        # The first evaluation is light at or above the on-level, else dark: of a dip the on-level is the release.
        begins = level if self._sign > 0 else release
        first = bool(self._table.height(self._sign, self._first, self._first + 1)[0] >= begins)
        decided = np.concatenate(([1 if first else -1], left))
        last = np.maximum.accumulate(np.where(decided != 0, np.arange(decided.size), 0))[:-1]
        was = decided[last] > 0
        counts = (active & ~(was & (before >= release))).astype(np.int64)
        for k in np.flatnonzero(active & (between < release)).tolist():
            at = order[k]
            light = self._table.height(self._sign, self._first + int(start[at]), self._first + int(stop[at]))
            counts[k] = _onsets(light, level, release, bool(was[k]))
        every = np.empty(start.size, np.int64)
        every[order] = counts
        of_window = np.zeros(windows.start.size, np.int64)
        of_window[inside] = every[:passes]
        return of_window, every[passes:]


def _onsets(light: Heights, level: float, release: float, active: bool) -> int:
    """Return how often a comparator becomes active over some light."""
    high = light >= level
    state = np.append(active, high[high | (light < release)])
    return int(np.count_nonzero(state[1:] > state[:-1]))
