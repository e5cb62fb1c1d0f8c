"""A recording reduced to what settings with at least some hysteresis can see of it.

A comparator with hysteresis H cannot switch both ways in a stretch whose light spans at most H, and what it does there
follows from the lowest and the highest light alone. A reversal of at most H that the light passes again in both
directions has no effect on it. So, for settings without filter and delays, a reading keeps a few samples of every
window and gap. Any number of such settings is counted on these samples as on the recording itself.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, fields, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from teachlab.light.extremes import Cells
from teachlab.light.usable_light import largest
from teachlab.model.arrays import Flags, Floats, Where
from teachlab.model.recording import Block, Light, Recording
from teachlab.model.score import USUAL_RULES, Rules
from teachlab.model.setting import Setting
from teachlab.model.truth import Truth
from teachlab.questions.surface.values.kinds import Kind
from teachlab.questions.surface.values.spans import Spans
from teachlab.sensor.clock import Clock
from teachlab.sensor.edges import TwoState, merged, ranges_of
from teachlab.sensor.output import VOID_FROM
from teachlab.sensor.validity import Validity

# Light 0 1 0 2 | 7 9 8 9 7 | 1 0 with H = 3; | are the borders of a window:
#
#     cells          0, 0 … 2   7, 7 … 9   1, 0 … 0        first sample, then lowest and highest of the rest
#     turning        0 2        7 9 7      1 0             what stands still or goes on is dropped
CELLS = (256, 32, 8)
"""Lengths of the tried cells, samples; if the light spans too much in the shortest, all samples are kept."""
GROUPED = 16
"""So many of the first cells are joined if they span little together."""
FEW_FIT, MOST_FIT = 0.75, 0.98
"""Below the first share of cells that span little, shorter cells are used; above the second, longer ones."""
SLACK = 1e-12
"""Levels are sums and quotients of numbers: their distance may be too small by this share of the light's size."""
COMPACT = 1 << 17
"""Samples that are collected before small cycles are removed."""
ROUNDS_BELOW = 0.02
MOST_KEPT = 1 << 21
KEPT_PER_SPAN = 16
"""If more samples per span than this would be kept, the light is too noisy for the hysteresis: none are kept."""
LOOKED_AT = 0.01
"""None are kept either as soon as this share of a recording shows that more would be."""
AT_ONCE = 1 << 18
"""Samples that are processed at a time."""
VOID = VOID_FROM + 1
"""So many invalid samples in a row exclude a trial."""


class Condensing:
    """One reading that reduces a recording: blocks of samples go in; a recording and its passes come out.

    `setting`: setting with the smallest hysteresis that will be asked about, at the evaluation rate in question.
    """

    def __init__(self, recording: Recording, truth: Truth, setting: Setting, rules: Rules = USUAL_RULES) -> None:
        self._recording, self._truth, self._rules = recording, truth, rules
        self._clock = Clock.of(recording.samples, recording.info.sample_rate_hz, setting.evaluation_rate_hz)
        self._spans = Spans.of(truth, self._clock, TwoState(False, np.empty(0, np.int64)), rules=rules)
        self._width = setting.hysteresis
        self._validity = Validity()
        self._last = np.nan
        self.length = CELLS[0]
        """The best cell length for the last samples."""
        self._done: list[tuple[Floats, Where]] = []
        self._tail: list[tuple[Floats, Where]] = []
        self._kept = self._waiting = self._seen = 0
        self.borders = merged(self._spans.start, self._spans.start + 1, self._spans.stop)
        """Where windows and gaps begin and end, and where their first samples end, ascending."""
        # An output that is evaluated less often, or held, depends on times, which are not kept.
        self.given_up = not self._clock.every_sample or setting.has_memory

    def push_cells(self, cells: Cells) -> None:
        """Take the next samples, all of them valid, in cells that are cut at all `borders`."""
        self._take(Block(cells.start, cells.light), None, cells)

    def push(self, block: Block) -> None:
        """Take the next samples."""
        if block.light.size:
            self._take(block, block.invalid_mask())

    def _take(self, block: Block, invalid: Flags | None, cells: Cells | None = None) -> None:
        if self.given_up:
            return
        self._validity.push(invalid, block.light.size)
        self._seen += block.light.size
        start, stop = block.start, block.stop
        a = int(np.searchsorted(self._spans.stop, start, side="right"))
        b = int(np.searchsorted(self._spans.start, stop))
        begins = self._spans.start[a:b] - start
        light = block.light
        begun = begins >= 0
        begins = begins.clip(min=0)
        if invalid is not None:
            # An invalid sample holds the state: if a span begins with one, the light before it is repeated there.
            held, holes = begins[begun & invalid[begins]], np.flatnonzero(invalid)
            light = light[~invalid]
            places = held - np.searchsorted(holes, held)
            again = np.where(places > 0, light[places - 1] if light.size else self._last, self._last)
            known = ~np.isnan(again)
            held, places = held[known], places[known]
            if held.size:
                light = np.insert(light.astype(np.float64), places, again[known])
            begins = begins - np.searchsorted(holes, begins) + np.searchsorted(held, begins)
        if light.size:
            self._last = float(light[-1])
        borders = np.append(begins, light.size)
        some = borders[1:] > borders[:-1]
        if not some.any():
            return
        # The first sample of a span is kept separately: whether the output is still active there separates merged from
        # miss.
        firsts, heads = borders[:-1][some], borders[:-1][some & begun]
        values, at, fit = collapsed(light, merged(firsts, heads + 1), self._width, cells)
        if cells is not None:
            self.length = CELLS[1] if fit < FEW_FIT else CELLS[0] if fit > MOST_FIT else self.length
        if light.dtype.kind == "f" and (np.isfinite(values) & (np.abs(values) > largest(block.light.dtype))).any():
            # Light that cannot be measured is refused with its place in the recording, which is not kept here.
            self.given_up, self._done, self._tail = True, [], []
            return
        self._push(values.astype(np.float64), np.arange(a, b)[some][np.searchsorted(firsts, at, side="right") - 1])

    def _push(self, values: Floats, span: Where) -> None:
        self._tail.append((values, span))
        self._waiting += values.size
        if self._waiting < COMPACT:
            return
        self._compact()
        left, most = self._kept + self._waiting, MOST_KEPT + KEPT_PER_SPAN * self._spans.start.size
        # Light that is far too noisy tells so from its beginning: the rest of it is not worked through.
        share = self._seen / self._recording.samples
        if left > most or (share > LOOKED_AT and left > share * most):
            self.given_up = True
            self._done, self._tail = [], []

    def _compact(self) -> None:
        """Remove small cycles from the collected samples; more may follow in the last span."""
        if not self._tail:
            return
        values, span = (np.concatenate(part) for part in zip(*self._tail, strict=True))
        values, span = without_small_cycles(values, span, self._width)
        # The last span may go on, so its samples wait. If they are many, they are put away with the rest: otherwise
        # they would be worked through once more in every round.
        open_ = int(np.searchsorted(span, span[-1])) if span.size else 0
        open_ = open_ if span.size - open_ < COMPACT // 2 else span.size
        self._done.append((values[:open_], span[:open_]))
        self._tail = [(values[open_:], span[open_:])]
        self._kept, self._waiting = self._kept + open_, span.size - open_

    def finish(self) -> Condensed | None:
        """Return what is left; None if it would be too much, or if trials cannot be determined from it."""
        if self.given_up:
            return None
        self._compact()
        values, span = (
            (np.concatenate(part) for part in zip(*self._done, *self._tail, strict=True))
            if (self._done or self._tail)
            else (np.empty(0), np.empty(0, np.intp))
        )
        if values.size:
            values, span = without_small_cycles(*_flat(values, span, self._width), self._width)
        invalid = self._validity.state()
        spans = Spans.of(self._truth, self._clock, invalid, rules=self._rules)
        size = np.bincount(span, minlength=spans.start.size)
        counted = spans.kind != Kind.UNCOUNTED
        rows = np.flatnonzero(spans.row >= 0)
        # The ends of the record exclude trials; a window that only touches them stays.
        if values.size == 0 or (counted & (size == 0)).any() or (counted & (spans.row >= 0))[[0, -1]].any():
            return None
        if rows.size != self._truth.passes:
            return None
        light, begin = _marked(values, size, ~counted)
        truth = replace(
            self._truth, start=begin[rows], end=begin[rows + 1], uncertainty_samples=0.0, except_=(),
            recording_digest=None,
        )  # fmt: skip
        truth = WindowsAsPasses.of(truth, self._truth.touching)
        info = replace(self._recording.info, digest=None, output=None)
        return Condensed(
            Recording.from_array(light, info, name=self._recording.name), truth,
            replace(self._rules, tolerance_ms=0.0), self._clock, spans, invalid,
        )  # fmt: skip


@dataclass(frozen=True, slots=True, eq=False)
class WindowsAsPasses(Truth):
    """Passes that are as long as their windows were: windows that meet are not yet passes that touch.

    `touches` (shape (n,)): which of the passes that they stand for begin where the one before ends.
    """

    touches: Flags = field(default_factory=lambda: np.zeros(0, bool))

    @classmethod
    def of(cls, windows: Truth, touches: Flags) -> WindowsAsPasses:
        """Return passes of these borders."""
        return cls(**{f.name: getattr(windows, f.name) for f in fields(Truth)} | {"touches": touches})

    @property
    def touching(self) -> Flags:
        """Which passes began where the pass before them ended, shape (passes,)."""
        return self.touches

    def select(self, rows: slice | NDArray[Any]) -> Truth:
        """Return the truth with only some of its passes, in the same order."""
        return WindowsAsPasses.of(Truth.select(self, rows), self.touches[rows])


@dataclass(frozen=True, slots=True, eq=False)
class Condensed:
    """What settings with at least some hysteresis, without filter and delays, see of a recording.

    `recording`: the reduced recording, in memory; its times mean nothing.
    `truth`: the same passes, each as long as its window was.
    `clock`: clock of the original recording.
    `spans`: its windows and gaps.
    `invalid`: which of its evaluations were.
    """

    recording: Recording
    truth: Truth
    rules: Rules
    clock: Clock
    spans: Spans
    invalid: TwoState


def condensed(
    recording: Recording,
    truth: Truth,
    setting: Setting,
    *,
    rules: Rules = USUAL_RULES,
    beside: Callable[[Block], None] = lambda block: None,
) -> Condensed | None:
    """Reduce a recording in one reading, in which `beside` takes each block too; None if this is impossible.

    Parameters as for `Condensing`.
    """
    reading = Condensing(recording, truth, setting, rules)
    for block in recording.blocks(size=AT_ONCE) if not reading.given_up else ():
        beside(block)
        cells = Cells.of(block, reading.borders, reading.length)
        if cells is None:
            reading.push(block)
        else:
            reading.push_cells(cells)
        if reading.given_up:
            break
    return reading.finish()


def collapsed(light: Light, borders: Where, width: float, cells: Cells | None = None) -> tuple[Light, Where, float]:
    """Return lowest and highest light of cells that span at most `width`, all samples of others, and their places.

    `light` (shape (n,), recording units): valid samples, at least one.
    `borders` (ascending): where pieces begin; no cell crosses a border. The first is 0; borders at the end are left
    out.
    `width`: recording units.
    `cells`: cells of this light, cut at the borders: they are tried first.
    `fit`: share of the first cells that span little enough.

    Notes
    -----
    Within a cell the order of the two values means nothing, because no comparator in question sees both. The order
    alternates from cell to cell, so that two extremes of one kind are neighbours and one of them is no turning point.
    """
    inside = borders[borders < light.size]
    chosen: Where | None = None
    values: list[Light] = []
    places: list[Where] = []
    share = 0.0
    for k, length in enumerate(CELLS):
        # Shorter cells are used only where longer ones failed; `chosen` holds their places.
        rest = light if chosen is None else light[chosen]
        before = 0
        if cells is not None and chosen is None:
            cuts, low, high = _grouped(cells, inside, width)
            before = cells.cuts.size - cuts.size
        else:
            cuts = np.concatenate((_begins(chosen, inside), np.arange(0, rest.size, length)))
            cuts.sort()
            cuts = cuts[np.append(cuts[1:] > cuts[:-1], True)]
            low, high = np.minimum.reduceat(rest, cuts), np.maximum.reduceat(rest, cuts)
        fits, two = _span_little(low, high, width), low != high
        two &= fits
        turned = two & (np.arange(cuts.size) % 2 == 1)
        low, high = np.where(turned, high, low), np.where(turned, low, high)
        begin, second = cuts[fits], cuts[two] + 1
        places += [begin, second] if chosen is None else [chosen[begin], chosen[second]]
        values += [low[fits], high[two]]
        share = share if k else float((np.count_nonzero(fits) + before) / (cuts.size + before))
        left = ranges_of(cuts[~fits], np.append(cuts[1:], rest.size)[~fits])
        chosen = left if chosen is None else chosen[left]
        if chosen.size == 0:
            break
    if chosen is not None:
        places.append(chosen)
        values.append(light[chosen])
    at = np.concatenate(places)
    order = np.argsort(at, kind="stable")
    return np.concatenate(values)[order], at[order], share


def _span_little(low: Light, high: Light, width: float) -> Flags:
    """Return the pieces of light in which no comparator in question can switch both ways."""
    with np.errstate(invalid="ignore", over="ignore"):
        bottom, top = low.astype(np.float64), high.astype(np.float64)
        out: Flags = top - bottom <= width - SLACK * np.maximum(np.abs(top), np.abs(bottom))
    out |= low == high
    return out


def _grouped(cells: Cells, borders: Where, width: float) -> tuple[Where, Light, Light]:
    """Return the starts and extremes of cells; neighbours in one piece that span little together are joined."""
    groups = merged(np.searchsorted(cells.cuts, borders), np.arange(0, cells.cuts.size, GROUPED))
    low, high = np.minimum.reduceat(cells.low, groups), np.maximum.reduceat(cells.high, groups)
    fits = _span_little(low, high, width)
    keep = np.repeat(~fits, np.diff(np.append(groups, cells.cuts.size)))
    keep[groups] = True
    lows, highs = cells.low.copy(), cells.high.copy()
    lows[groups[fits]], highs[groups[fits]] = low[fits], high[fits]
    return cells.cuts[keep], lows[keep], highs[keep]


def _begins(chosen: Where | None, borders: Where) -> Where:
    """Return where, among the chosen samples, a piece begins or samples were left out before."""
    if chosen is None:
        return borders
    at = np.searchsorted(chosen, borders)
    at = at[at < chosen.size]
    return np.concatenate((at, np.flatnonzero(chosen[1:] != chosen[:-1] + 1) + 1))


def without_small_cycles(values: Floats, piece: Where, width: float) -> tuple[Floats, Where]:
    """Return the turning points of pieces, without reversals of at most `width` that are passed again both ways.

    `values`: shape (n,).
    `piece` (shape (n,)): piece of each value, ascending; the first and the last value of a piece stay.

    References
    ----------
    ASTM E1049-85, rainflow counting in its four-point form: an inner cycle a b c d with b and c between a and d.
    """
    while True:
        values, piece = _turning(values, piece)
        if values.size < 4:
            return values, piece
        # With b and c between a and d, here upwards:
        #
        #             d      whatever b lights, d lights too; whatever c darkens, a darkened already, for b,
        #         b  /       at most `width` above c, cannot have lit it in between: the cycle b c says nothing
        #        / \/
        #       a   c
        a, b, c, d = values[:-3], values[1:-2], values[2:-1], values[3:]
        with np.errstate(invalid="ignore", over="ignore"):
            small = np.abs(b - c) <= width - SLACK * np.maximum(np.abs(b), np.abs(c))
        inner = np.where(b > c, (a <= c) & (b <= d), (a >= c) & (b >= d))
        some = np.flatnonzero(small & inner & (piece[:-3] == piece[3:]))
        if some.size <= ROUNDS_BELOW * values.size:
            return values, piece
        # Of cycles that share a point every second one is removed: within a run of neighbours, those at even places.
        new = np.append(True, np.diff(some) != 1)
        run = np.arange(some.size) - np.flatnonzero(new)[np.cumsum(new) - 1]
        some = some[run % 2 == 0]
        keep = np.ones(values.size, bool)
        keep[some + 1] = keep[some + 2] = False
        values, piece = values[keep], piece[keep]


def _flat(values: Floats, piece: Where, width: float) -> tuple[Floats, Where]:
    """Return the first, lowest and highest value of pieces that span at most `width`, and all values of the others."""
    begin = np.flatnonzero(np.append(True, piece[1:] != piece[:-1]))
    size = np.diff(np.append(begin, piece.size))
    low, high = np.minimum.reduceat(values, begin), np.maximum.reduceat(values, begin)
    with np.errstate(invalid="ignore", over="ignore"):
        flat = (size > 3) & (high - low <= width - SLACK * np.maximum(np.abs(high), np.abs(low)))
    keep = np.repeat(~flat, size)
    at = begin[flat]
    values = values.copy()
    values[at + 1], values[at + 2] = low[flat], high[flat]
    keep[at] = keep[at + 1] = keep[at + 2] = True
    return values[keep], piece[keep]


def _turning(values: Floats, piece: Where) -> tuple[Floats, Where]:
    """Return the values at which a piece begins, ends or turns."""
    if values.size < 3:
        return values, piece
    # Repeated values are removed first, so that neighbours differ.
    keep = np.append(True, (values[1:] != values[:-1]) | (piece[1:] != piece[:-1]))
    values, piece = values[keep], piece[keep]
    edge = np.append(True, piece[1:] != piece[:-1])
    edge[:-1] |= edge[1:]
    edge[-1:] = True
    up = values[1:] > values[:-1]
    keep = edge
    keep[1:-1] |= up[1:] != up[:-1]
    return values[keep], piece[keep]


def _marked(values: Floats, size: Where, left_out: Flags) -> tuple[Floats, Where]:
    """Return the light with a void stretch in every excluded span, the starts of the spans, and the last end."""
    first = np.concatenate(([0], np.cumsum(size)))
    which = np.flatnonzero(left_out)
    if which.size == 0:
        return values, first
    # After the first sample of the span, which is repeated afterwards: the void must not extend into the next span.
    at = np.where(size[which] > 0, first[which] + 1, first[which])
    void = np.full((which.size, VOID + 1), np.nan)
    void[:, -1] = values[(at - 1).clip(min=0)]
    light = np.insert(values, np.repeat(at, VOID + 1), void.ravel())
    more = np.where(left_out, VOID + 1, 0)
    return light, first + np.concatenate(([0], np.cumsum(more)))
