"""The engine of the extra ``fast``: the same pieces, ladders and staircases, compiled by numba.

Imported only for long recordings. Staircases are kept here as steps, not expanded to all levels: a step list is a pair
of arrays, `end` (exclusive on-index) and `value`, ascending in `end`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from teachlab.model.arrays import Flags, Where
from teachlab.questions.surface.all_pairs.staircase import NEVER
from teachlab.questions.surface.all_pairs.tallies import Tallies
from teachlab.questions.surface.values.kinds import Kinds
from teachlab.sensor.compiling import compiled

if TYPE_CHECKING:
    from teachlab.model.recording import Light
    from teachlab.questions.surface.all_pairs.finishing import Sums
    from teachlab.questions.surface.values.ranks import Ranker, Ranks

_NEVER = int(NEVER)


@compiled
def _rank(x: Any, levels: Any, below: Any, low: Any, high: Any, scale: Any, steps: int, out: Any) -> None:
    if steps == 1:  # the usual case, as a loop without an inner one
        for i in range(x.size):
            v = x[i]
            inside = v if v > low else low  # selections, not min and max, which look for NaN
            inside = inside if inside < high else high
            one: Any = np.intp(below[np.intp((inside - low) * scale)])
            out[i] = one + (levels[one] <= v)
        return
    for i in range(x.size):
        v = x[i]
        inside = v if v > low else low
        inside = inside if inside < high else high
        rank: Any = np.intp(below[np.intp((inside - low) * scale)])
        for _ in range(steps):
            rank += levels[rank] <= v
        out[i] = rank


@compiled
def _turning(y: Any, tp: Any) -> int:
    """Write peak, valley, peak … peak of a piece that begins and ends in the dark; return how many."""
    k = 0
    last = y[0]
    rising = True
    for t in range(1, y.size):
        v = y[t]
        # Without a branch: what the loop writes is overwritten until it is a turning point, then k moves on. Noise
        # turns at every other sample, which no branch prediction can guess.
        changed = v != last
        up = v > last
        tp[k] = last
        k += changed & (up != rising)
        rising = (changed & up) | (rising & (not changed))
        last = v
    if rising:
        tp[k] = last
        k += 1
    return k


@compiled
def _cycles(
    tp: Any, n: int, lead: int, kind: int, onsets: Any, width: int, high: Any, low: Any, pmin: Any, fp: Any, fl: Any
) -> Any:
    """Count closed cycles; leave the peaks above all later ones on a stack, and those above all earlier ones."""
    depth = 0
    firsts = 0
    bottom = lead
    before: Any = np.int32(0)
    for q in range(0, n, 2):
        p: Any = np.int32(tp[q])
        if q:
            before = np.int32(tp[q - 1])
            bottom = min(bottom, before)
        # The stack holds descending peaks: peaks below the new one can no longer be the highest between two valleys.
        while depth > 0 and high[depth - 1] <= p:
            depth -= 1
            left = low[depth]
            # The lower of two neighbouring peaks is removed at the higher of its two valleys.
            onsets[np.uintp((4 * np.int64(high[depth]) + kind) * width + max(left, before))] += 1
            before = min(left, before)
        # The stack is empty: the new peak exceeds all earlier ones of the piece, and is a step of the first ladder.
        if depth == 0:
            before = np.int32(0)
            if firsts == 0 or p > fp[firsts - 1]:
                fp[firsts] = p
                fl[firsts] = bottom
                firsts += 1
        high[depth] = p
        low[depth] = before
        pmin[depth] = bottom
        depth += 1
    for k in range(depth):
        onsets[np.uintp((4 * np.int64(high[k]) + kind) * width + low[k])] += 1
    return depth, firsts, bottom


@compiled
def _walk(
    top: int, lead: int, kind: int, whole: bool, levels: int, end: Any, value: Any, fp: Any, fl: Any,
    high: Any, pmin: Any, depth: int, onsets: Any, quiet: Any, held: Any, dense_entry: Any, dense_had: Any, fresh: bool,
) -> None:  # fmt: skip
    """Go along the on-indices over the steps of entry state, first ladder and last ladder together.

    Tables are flat, with unsigned indices, so that numba need not handle negative ones.
    """
    # A whole span that is not counted (before the first scored pass) changes only the state.
    if whole and kind == 3:
        return
    i = 0
    a = 0
    f = 0
    g = depth - 1
    was_onset = was_had = was_held = -1
    wide = levels + 1
    while i < levels:
        stop = end[a]
        entry = value[a]
        first_low = 0
        last_low = _NEVER
        had = levels + 1
        if i < top:
            stop = min(stop, fp[f], high[g])
            first_low = fl[f]
            last_low = pmin[g]
            had = min(entry, last_low)
        elif whole and kind > 0:
            stop = levels  # without light above i only a pass asks whether it was held
        onset = min(entry, first_low)
        # Runs are booked by their two ends, as in `Tallies`. Row 0 is for comparators with i < 0, and there are none:
        # the start of the first run needs no booking.
        if onset != was_onset:
            if was_onset >= 0:
                row = (4 * i + kind) * wide
                onsets[np.uintp(row + was_onset)] += 1
                onsets[np.uintp(row + onset)] -= 1
            was_onset = onset
        at_entry = min(entry, lead)
        if whole:
            if had != was_had:
                row = (kind * wide + i) * (wide + 1)
                quiet[np.uintp(row + had)] += 1
                if was_had >= 0:
                    quiet[np.uintp(row + was_had)] -= 1
                was_had = had
            if kind == 0:
                hold = min(at_entry, had)
                if hold != was_held:
                    row = i * (wide + 1)
                    held[np.uintp(row + hold)] += 1
                    if was_held >= 0:
                        held[np.uintp(row + was_held)] -= 1
                    was_held = hold
        else:
            for k in range(i, stop):
                if fresh:
                    dense_entry[k] = at_entry
                    dense_had[k] = had
                else:
                    dense_had[k] = min(dense_had[k], had)
        if stop == end[a]:
            a += 1
        if i < top:
            if stop == fp[f]:
                f += 1
            if stop == high[g]:
                g -= 1
        i = stop
    onsets[np.uintp((4 * levels + kind) * wide + was_onset)] += 1


@compiled
def _close(kind: int, levels: int, dense_entry: Any, dense_had: Any, quiet: Any, held: Any) -> None:
    """Count a span that arrived in several pieces."""
    was_had = was_held = -1
    for i in range(levels):
        had = min(dense_had[i], levels + 1)
        hold = min(dense_entry[i], had)
        if had != was_had:
            quiet[kind, i, had] += 1
            if was_had >= 0:
                quiet[kind, i, was_had] -= 1
            was_had = had
        if kind == 0 and hold != was_held:
            held[i, hold] += 1
            if was_held >= 0:
                held[i, was_held] -= 1
            was_held = hold


@compiled
def _next_state(
    top: int, bottom: int, trail: int, high: Any, low: Any, depth: int, end: Any, value: Any, steps: int,
    new_end: Any, new_value: Any,
) -> int:  # fmt: skip
    """Replace the entry state by the state after the piece; return the number of steps."""
    n = 0
    after = trail
    for k in range(depth - 1, -1, -1):
        if n and new_value[n - 1] == after:
            new_end[n - 1] = high[k]
        else:
            new_end[n] = high[k]
            new_value[n] = after
            n += 1
        after = min(after, low[k])
    for a in range(steps):
        if end[a] <= top:
            continue
        v = min(value[a], bottom)
        if n and new_value[n - 1] == v:
            new_end[n - 1] = end[a]
        else:
            new_end[n] = end[a]
            new_value[n] = v
            n += 1
    for k in range(n):
        end[k] = new_end[k]
        value[k] = new_value[k]
    return n


@compiled
def _push(
    rank: Any, begins: Any, ends: Any, kinds: Any, hidden: Any, opens: Any, closes: Any, levels: int,
    onsets: Any, pieces: Any, quiet: Any, held: Any, end: Any, value: Any, steps: int, work: Any, tp: Any,
    dense_entry: Any, dense_had: Any,
) -> int:  # fmt: skip
    width = onsets.shape[1]
    flat_onsets, flat_quiet = onsets.reshape(-1), quiet.reshape(-1)
    high, low, pmin, fp, fl, new_end, new_value = work[0], work[1], work[2], work[3], work[4], work[5], work[6]
    for p in range(begins.size):
        kind = int(kinds[p]) & 3
        held_of = held[int(kinds[p]) >> 2]  # passes that touch the one before have a table of their own
        depth = top = 0
        bottom = lead = trail = _NEVER
        if ends[p] > begins[p]:
            y = rank[begins[p] : ends[p]]
            lead = y[0]
            trail = y[y.size - 1]
            n = _turning(y, tp)
            depth, _, bottom = _cycles(tp, n, lead, kind, flat_onsets, width, high, low, pmin, fp, fl)
            bottom = min(bottom, trail)
            top = high[0]
        if hidden[p]:
            lead = _NEVER
        whole = opens[p] and closes[p]
        _walk(
            top, lead, kind, whole, levels, end, value, fp, fl, high, pmin, depth, flat_onsets, flat_quiet,
            held_of.reshape(-1), dense_entry, dense_had, opens[p],
        )  # fmt: skip
        pieces[kind] += 1
        if closes[p] and not whole and kind < 3:
            _close(kind, levels, dense_entry, dense_had, quiet, held_of)
        steps = _next_state(top, bottom, trail, high, low, depth, end, value, steps, new_end, new_value)
    return steps


@compiled
def _sum_onsets(onsets: Any, kind: int, taken_off: int, out: Any) -> None:
    n = out.shape[0]
    row = np.zeros(n, np.int64)
    row[0] = -taken_off
    for i in range(n - 1, -1, -1):
        total = 0
        for j in range(n):
            row[j] += onsets[4 * (i + 1) + kind, j]
            total += row[j]
            out[i, j] = total


@compiled
def _sum_spans(histogram: Any, plus: int, out: Any) -> None:
    n = out.shape[0]
    row = np.zeros(n + 2, np.int64)
    for i in range(n):
        total = plus
        for j in range(n + 1, 0, -1):
            row[j] += histogram[i, j]
            total += row[j]
            if j <= n:
                out[i, j - 1] = total


class CompiledSums:
    """Running sums, compiled by numba."""

    onsets = staticmethod(_sum_onsets)
    spans = staticmethod(_sum_spans)


class CompiledCounting:
    """The counting engine, compiled by numba; its counts equal those of `PlainEngine` exactly."""

    sums: Sums = CompiledSums()
    note = " (compiled)"

    def __init__(self, state: Ranks, tallies: Tallies) -> None:
        self._tallies = tallies
        n = state.size
        change = np.flatnonzero(np.diff(state)) + 1
        self._end = np.zeros(n + 2, np.int64)
        self._value = np.zeros(n + 2, np.int64)
        self._steps = change.size + 1
        self._end[: self._steps] = np.append(change, n)
        self._value[: self._steps] = state[np.append(0, change)]
        self._work = np.zeros((7, n + 3), np.int32)
        self._tp = np.zeros(2, np.int16)
        self._dense = np.zeros((2, n), np.int64)

    def rank(self, ranker: Ranker, light: Light) -> Ranks:
        """Rank light in the same way as the ranker."""
        if not ranker.placed or light.dtype != ranker.work:
            return ranker.rank(light)
        out = np.empty(light.size, np.int16)
        _rank(
            light, ranker.padded, ranker.below, ranker.levels[0], ranker.levels[-1], ranker.scale, ranker.steps, out
        )  # fmt: skip
        if ranker.mirrored:
            np.subtract(np.int16(ranker.count), out, out=out)
        return out

    def push(
        self, rank: Ranks, begins: Where, ends: Where, kind: Kinds, hidden: Flags, opens: Flags, closes: Flags
    ) -> None:
        """Take the next pieces."""
        if self._tp.size < rank.size + 2:
            self._tp = np.zeros(rank.size + 2, np.int16)
        t = self._tallies
        self._steps = _push(
            rank, begins, ends, kind, hidden, opens, closes, t.levels, t.onsets, t.pieces, t.without, t.active,
            self._end, self._value, self._steps, self._work, self._tp, self._dense[0], self._dense[1],
        )  # fmt: skip
