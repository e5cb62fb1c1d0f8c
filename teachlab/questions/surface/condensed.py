"""A recording condensed to what settings of at least some hysteresis can see of it.

A comparator with hysteresis H cannot switch both ways in a stretch whose light spans no more than H, and what it does
there follows from the lowest and the highest light alone. Of a reversal that is no larger than H and is passed again in
both directions it sees nothing. So, for settings without filter and delays, a reading leaves a few samples of every
window and gap, on which any number of such settings is counted as on the recording itself.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from teachlab.light.extremes import Cells
from teachlab.light.usable_light import largest
from teachlab.model.recording import Block, Recording
from teachlab.model.score import USUAL_RULES, Rules
from teachlab.questions.surface.values.kinds import Kind
from teachlab.questions.surface.values.spans import Spans
from teachlab.sensor.clock import Clock
from teachlab.sensor.edges import TwoState, merged, ranges_of
from teachlab.sensor.output import VOID_FROM
from teachlab.sensor.validity import Validity

if TYPE_CHECKING:
    from teachlab.model.recording import Light
    from teachlab.model.setting import Setting
    from teachlab.model.truth import Truth

Floats = NDArray[np.float64]
Where = NDArray[np.intp]
# Light 0 1 0 2 | 7 9 8 9 7 | 1 0 with H = 3; | are the borders of a window:
#
#     cells          0, 0 … 2   7, 7 … 9   1, 0 … 0        first sample, then lowest and highest of the rest
#     turning        0 2        7 9 7      1 0             what stands still or goes on is dropped
CELLS = (256, 32, 8)
"""Lengths of the cells that are tried, samples; where light spans too much in the last, all of its samples are kept."""
GROUPED = 16
"""So many of the first cells are one where they span little together."""
FEW_FIT, MOST_FIT = 0.75, 0.98
"""Shares of cells that span little enough below which shorter ones are begun with, and above which longer ones are."""
SLACK = 1e-12
"""Levels are sums and quotients of numbers: so much of the light's size may be missing from their distance."""
COMPACT = 1 << 17
"""So many samples are waited for before small cycles are taken out."""
ROUNDS_BELOW = 0.02
MOST_KEPT = 1 << 21
KEPT_PER_SPAN = 16
"""Where more would be kept than these together, the light is too noisy for the hysteresis, and nothing is."""
AT_ONCE = 1 << 20
"""Samples that are looked at together."""
VOID = VOID_FROM + 1
"""So many invalid samples in a row leave a trial out."""


class Condensing:
    """One reading that condenses a recording; blocks of samples in, at the end a recording and its passes.

    Parameters
    ----------
    recording, truth, rules
        As for a score.
    setting : Setting
        With the least hysteresis that will be asked about, at the evaluation rate in question.
    """

    def __init__(self, recording: Recording, truth: Truth, setting: Setting, rules: Rules = USUAL_RULES) -> None:
        self._recording, self._truth, self._rules = recording, truth, rules
        self._clock = Clock.of(recording.samples, recording.info.sample_rate_hz, setting.evaluation_rate_hz)
        self._spans = Spans.of(truth, self._clock, TwoState(False, np.empty(0, np.int64)), rules=rules)
        self._width = setting.hysteresis
        self._validity = Validity()
        self._last = np.nan
        self.length = CELLS[0]
        """Which cells are best for what came last, samples."""
        self._done: list[tuple[Floats, Where]] = []
        self._tail: list[tuple[Floats, Where]] = []
        self._kept = self._waiting = 0
        self.borders = merged(self._spans.start, self._spans.start + 1, self._spans.stop)
        """Where windows and gaps begin and end, and where their first samples end, ascending."""
        # An output that is evaluated less often, or held, depends on when something was, which is not kept.
        self.given_up = not self._clock.every_sample or setting.has_memory

    def push_cells(self, cells: Cells) -> None:
        """Take the next samples, all valid, in cells cut at all `borders`."""
        self._take(Block(cells.start, cells.light), None, cells)

    def push(self, block: Block) -> None:
        """Take the next samples."""
        if block.light.size:
            self._take(block, block.invalid_mask())

    def _take(self, block: Block, invalid: NDArray[np.bool_] | None, cells: Cells | None = None) -> None:
        if self.given_up:
            return
        self._validity.push(invalid, block.light.size)
        start, stop = block.start, block.start + block.light.size
        a = int(np.searchsorted(self._spans.stop, start, side="right"))
        b = int(np.searchsorted(self._spans.start, stop))
        begins = self._spans.start[a:b] - start
        light = block.light
        begun = begins >= 0
        begins = begins.clip(min=0)
        if invalid is not None:
            # An invalid sample holds: where a span begins with one, the light before it stands there once more.
            held = begins[begun & invalid[begins]]
            valid = np.flatnonzero(~invalid)
            before = np.searchsorted(valid, held)
            again = np.where(before > 0, light[valid[before - 1]] if valid.size else self._last, self._last)
            again = again[~np.isnan(again)] if self._last != self._last else again
            held = held[held.size - again.size :]
            places, light = np.concatenate((held, valid)), np.concatenate((again, light[valid])).astype(np.float64)
            order = np.argsort(places, kind="stable")
            places, light = places[order], light[order]
            begins = np.searchsorted(places, begins)
        if light.size:
            self._last = float(light[-1])
        borders = np.append(begins, light.size)
        some = borders[1:] > borders[:-1]
        if not some.any():
            return
        # The first sample of a span is kept by itself: whether the output is still active there tells merged from miss.
        firsts, heads = borders[:-1][some], borders[:-1][some & begun]
        values, at, fit = collapsed(light, merged(firsts, heads + 1), self._width, cells)
        if cells is not None:
            self.length = CELLS[1] if fit < FEW_FIT else CELLS[0] if fit > MOST_FIT else self.length
        if light.dtype.kind == "f" and (np.isfinite(values) & (np.abs(values) > largest(block.light.dtype))).any():
            # What cannot be measured is refused by its place in the recording, which is not kept here.
            self.given_up, self._done, self._tail = True, [], []
            return
        self._push(values.astype(np.float64), np.arange(a, b)[some][np.searchsorted(firsts, at, side="right") - 1])

    def _push(self, values: Floats, span: Where) -> None:
        self._tail.append((values, span))
        self._waiting += values.size
        if self._waiting < COMPACT:
            return
        self._compact()
        if self._kept + self._waiting > MOST_KEPT + KEPT_PER_SPAN * self._spans.start.size:
            self.given_up = True
            self._done, self._tail = [], []

    def _compact(self) -> None:
        """Take small cycles out of what waits; of the last span more may follow."""
        if not self._tail:
            return
        values, span = (np.concatenate(part) for part in zip(*self._tail, strict=True))
        values, span = without_small_cycles(values, span, self._width)
        open_ = int(np.searchsorted(span, span[-1])) if span.size else 0
        open_ = open_ if span.size - open_ < COMPACT // 2 else span.size
        self._done.append((values[:open_], span[:open_]))
        self._tail = [(values[open_:], span[open_:])]
        self._kept, self._waiting = self._kept + open_, span.size - open_

    def finish(self) -> Condensed | None:
        """Return what is left; None where too much would be, or trials cannot be told from what is kept."""
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
        spans = Spans.of(self._truth, self._clock, self._validity.state(), rules=self._rules)
        size = np.bincount(span, minlength=spans.start.size)
        counted = spans.kind != Kind.UNCOUNTED
        rows = np.flatnonzero(spans.row >= 0)
        # The ends of the record leave trials out; a window that only reaches them does not.
        if values.size == 0 or (counted & (size == 0)).any() or (counted & (spans.row >= 0))[[0, -1]].any():
            return None
        if rows.size != self._truth.passes:
            return None
        light, begin = _marked(values, size, ~counted)
        truth = replace(
            self._truth, start=begin[rows], end=begin[rows + 1], uncertainty_samples=0.0, except_=(),
            recording_digest=None,
        )  # fmt: skip
        info = replace(self._recording.info, digest=None, output=None)
        return Condensed(
            Recording.from_array(light, info, name=self._recording.name), truth,
            replace(self._rules, tolerance_ms=0.0), self._clock, spans,
        )  # fmt: skip


@dataclass(frozen=True, slots=True, eq=False)
class Condensed:
    """What settings of at least some hysteresis, without filter and delays, see of a recording.

    Parameters
    ----------
    recording : Recording
        In memory; its time means nothing.
    truth : Truth
        The same passes, each as long as its window was.
    rules : Rules
        To score them by.
    clock : Clock
        Of the recording itself.
    spans : Spans
        Its windows and gaps.
    """

    recording: Recording
    truth: Truth
    rules: Rules
    clock: Clock
    spans: Spans


def condensed(recording: Recording, truth: Truth, setting: Setting, *, rules: Rules = USUAL_RULES) -> Condensed | None:
    """Condense a recording in one reading; parameters as of `Condensing`, None where it cannot be."""
    reading = Condensing(recording, truth, setting, rules)
    for block in recording.blocks(size=AT_ONCE) if not reading.given_up else ():
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

    Parameters
    ----------
    light : ndarray, shape (n,), recording units
        Valid samples, at least one.
    borders : ndarray of intp, ascending
        Where pieces begin; no cell reaches over one. The first is 0; those at the end are left out.
    width : float, recording units
    cells : Cells, optional
        Of this light, cut at the borders: they are the first that are tried.

    Returns
    -------
    values, places : ndarray
    fit : float
        Share of the first cells that span little enough.

    Notes
    -----
    In a cell the order of the two means nothing: no comparator in question sees both. It changes from cell to cell, so
    that two extremes of one kind are neighbours and one of them is no turning point.
    """
    inside = borders[borders < light.size]
    chosen: Where | None = None
    values: list[Light] = []
    places: list[Where] = []
    share = 0.0
    for k, length in enumerate(CELLS):
        # Only what the longer cells left is looked at in the shorter ones; `chosen` are its places.
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


def _span_little(low: Light, high: Light, width: float) -> NDArray[np.bool_]:
    """Return which pieces of light no comparator in question can switch both ways in."""
    with np.errstate(invalid="ignore", over="ignore"):
        bottom, top = low.astype(np.float64), high.astype(np.float64)
        out: NDArray[np.bool_] = top - bottom <= width - SLACK * np.maximum(np.abs(top), np.abs(bottom))
    out |= low == high
    return out


def _grouped(cells: Cells, borders: Where, width: float) -> tuple[Where, Light, Light]:
    """Return where cells begin and their extremes; neighbours in one piece that span little together are one."""
    groups = merged(np.searchsorted(cells.cuts, borders), np.arange(0, cells.cuts.size, GROUPED))
    low, high = np.minimum.reduceat(cells.low, groups), np.maximum.reduceat(cells.high, groups)
    fits = _span_little(low, high, width)
    keep = np.repeat(~fits, np.diff(np.append(groups, cells.cuts.size)))
    keep[groups] = True
    lows, highs = cells.low.copy(), cells.high.copy()
    lows[groups[fits]], highs[groups[fits]] = low[fits], high[fits]
    return cells.cuts[keep], lows[keep], highs[keep]


def _begins(chosen: Where | None, borders: Where) -> Where:
    """Return where in what was chosen a piece begins, or something before it was left out."""
    if chosen is None:
        return borders
    at = np.searchsorted(chosen, borders)
    at = at[at < chosen.size]
    return np.concatenate((at, np.flatnonzero(chosen[1:] != chosen[:-1] + 1) + 1))


def without_small_cycles(values: Floats, piece: Where, width: float) -> tuple[Floats, Where]:
    """Return the turning points of pieces without reversals of at most `width` that are passed again both ways.

    Parameters
    ----------
    values : ndarray of float64, shape (n,)
    piece : ndarray of intp, shape (n,)
        The piece of each, ascending; the first and the last value of a piece stay.
    width : float

    References
    ----------
    ASTM E1049-85, rainflow counting in its four-point form: an inner cycle a b c d with b and c between a and d.
    """
    while True:
        values, piece = _turning(values, piece)
        if values.size < 4:
            return values, piece
        a, b, c, d = values[:-3], values[1:-2], values[2:-1], values[3:]
        with np.errstate(invalid="ignore", over="ignore"):
            small = np.abs(b - c) <= width - SLACK * np.maximum(np.abs(b), np.abs(c))
        inner = np.where(b > c, (a <= c) & (b <= d), (a >= c) & (b >= d))
        some = np.flatnonzero(small & inner & (piece[:-3] == piece[3:]))
        if some.size <= ROUNDS_BELOW * values.size:
            return values, piece
        # Of cycles that share a point every other one goes: within a run of neighbours those at even places.
        new = np.append(True, np.diff(some) != 1)
        run = np.arange(some.size) - np.flatnonzero(new)[np.cumsum(new) - 1]
        some = some[run % 2 == 0]
        keep = np.ones(values.size, bool)
        keep[some + 1] = keep[some + 2] = False
        values, piece = values[keep], piece[keep]


def _flat(values: Floats, piece: Where, width: float) -> tuple[Floats, Where]:
    """Return the first, the lowest and the highest value of pieces that span at most `width`, all of the others."""
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
    # What stands still goes first, so that neighbours differ.
    keep = np.append(True, (values[1:] != values[:-1]) | (piece[1:] != piece[:-1]))
    values, piece = values[keep], piece[keep]
    edge = np.append(True, piece[1:] != piece[:-1])
    edge[:-1] |= edge[1:]
    edge[-1:] = True
    up = values[1:] > values[:-1]
    keep = edge
    keep[1:-1] |= up[1:] != up[:-1]
    return values[keep], piece[keep]


def _marked(values: Floats, size: Where, left_out: NDArray[np.bool_]) -> tuple[Floats, Where]:
    """Return the light with a void stretch in every span that is left out, and where spans begin and the last ends."""
    first = np.concatenate(([0], np.cumsum(size)))
    which = np.flatnonzero(left_out)
    if which.size == 0:
        return values, first
    # Behind the first sample of the span, which follows once more: what is void must not reach the next span.
    at = np.where(size[which] > 0, first[which] + 1, first[which])
    void = np.full((which.size, VOID + 1), np.nan)
    void[:, -1] = values[(at - 1).clip(min=0)]
    light = np.insert(values, np.repeat(at, VOID + 1), void.ravel())
    more = np.where(left_out, VOID + 1, 0)
    return light, first + np.concatenate(([0], np.cumsum(more)))
