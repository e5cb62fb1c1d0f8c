"""Count onsets, spans with an onset and spans held, at every index of a signal of ranks at once, span by span."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from teachlab.model.arrays import Integers
from teachlab.questions.surface.all_pairs.tallies import KINDS
from teachlab.questions.surface.values.kinds import OWN, TOUCHING, Kind
from teachlab.sensor.edges import merged
from teachlab.sensor.steps import STEPS_EVERY, SteppedSignal

if TYPE_CHECKING:
    from teachlab.questions.surface.values.ranks import Ranks
    from teachlab.questions.surface.values.spans import Spans


@dataclass(frozen=True, slots=True, eq=False)
class Rises:
    """Stretches in which the signal only rises: the output has one onset at every index in ``[low, high)``.

    `piece`, `low`, `high` (shape (n,)): number of the span, and the signal before and after.
    """

    piece: Integers
    low: Integers
    high: Integers

    @classmethod
    def of(cls, before: Ranks, after: Ranks, begins: Integers) -> Rises:
        """Find the stretches of a signal, cut at the starts of the spans; the first start is 0."""
        at = np.flatnonzero(after != before)
        up = after[at] > before[at]
        piece = np.searchsorted(begins, at, side="right") - 1
        follows = np.zeros(at.size, bool)
        follows[1:] = up[1:] & up[:-1] & (piece[1:] == piece[:-1])
        first = np.flatnonzero(up & ~follows)
        ends = np.ones(at.size, bool)
        ends[:-1] = ~follows[1:]
        last = np.flatnonzero(up & ends)
        return cls(piece[first], before[at[first]].astype(np.int64), after[at[last]].astype(np.int64))

    def joined(self, other: Rises) -> Rises:
        """Return both sets of stretches as one."""
        return Rises(*(np.concatenate(pair) for pair in zip(self._parts(), other._parts(), strict=True)))

    def of_piece(self, piece: int) -> Rises:
        """Select the rises that belong to one span and renumber it 0."""
        some = self.piece == piece
        return Rises(np.zeros(np.count_nonzero(some), np.int64), self.low[some], self.high[some])

    def united(self, width: int) -> tuple[Rises, Integers, Integers]:
        """Return the union per span as disjoint stretches, and where two of them only met.

        Returned: disjoint within a span, and not touching.
        `piece`, `met` (shape (m,)): spans and indices at which one stretch ended and the next began.
        """
        # Sorted as one number: by span, then by the lower end. In a span several rises may pass one setting. It has an
        # onset if any rise does, hence the union.
        key = (self.piece * width + self.low) * width + self.high
        key.sort()
        at, high = np.divmod(key, width)
        storey = at - at % width
        reach = np.maximum.accumulate(high + storey)
        new = np.ones(key.size, bool)
        new[1:] = at[1:] > reach[:-1]
        just = np.flatnonzero(~new)
        just = just[at[just] == reach[just - 1]]
        first = np.flatnonzero(new)
        last = np.append(first[1:], key.size)[: first.size] - 1
        low = at - storey
        found = Rises(storey[first] // width, low[first], reach[last] - storey[last])
        return found, storey[just] // width, low[just]

    def _parts(self) -> tuple[Integers, Integers, Integers]:
        return self.piece, self.low, self.high


class OnsetCounter:
    """Adds spans of a signal: at index k the output is active if and only if the signal exceeds k.

    `size`: indices.
    `first`: value of the signal before the record.
    """

    def __init__(self, size: int, first: int) -> None:
        self.size = size
        self.meeting = np.zeros(size + 1, bool)
        """Indices at which, in a detect span, two stretches of onsets only met."""
        self._width = size + 1
        self._last = first
        self._onsets = np.zeros((KINDS, self._width), np.int64)  # differences along the index, as all below
        self._with = np.zeros((KINDS, self._width), np.int64)
        # First of passes that stand apart, then of those that touch the pass before.
        self._held = np.zeros((2, self._width), np.int64)
        self._open: Rises | None = None
        self._top = self._seen = 0

    def push(self, spans: Spans, start: int, stop: int, undelayed: SteppedSignal, output: SteppedSignal) -> int:
        """Take the evaluations ``[start, stop)`` of both signals; return the output before them."""
        p = int(np.searchsorted(spans.stop, start, side="right"))
        q = int(np.searchsorted(spans.start, stop, side="left"))
        borders, before = np.maximum(spans.start[p:q], start), self._last
        signals = (output,) if undelayed is output else (output, undelayed)
        if STEPS_EVERY * max(one.at.size for one in signals) > stop - start:
            begins, values = borders - start, [one.since(start, stop) for one in signals]
        else:
            at = merged(*(one.at for one in signals), borders)
            begins, values = np.searchsorted(at, borders), [one.values_at(at) for one in signals]
        told = spans.told[p:q].astype(np.int64)
        self.take(begins, told, values[-1], values[0], goes_on=bool(spans.stop[q - 1] > stop))
        return before

    def take(self, begins: Integers, told: Integers, undelayed: Ranks, output: Ranks, *, goes_on: bool) -> None:
        """Take the next values of both signals, with every value in between.

        `begins`, `told` (shape (spans,)): where the spans begin among the values (the first is 0), and the kind of each
        with its mark.
        `undelayed`, `output`: shape (n,).
        `goes_on`: whether the last span continues after them.
        """
        # A rise of the signal from a to b is an onset of the settings a … b − 1 at once: booked by its ends, as
        # differences.
        before = np.concatenate((np.array([self._last], np.int16), output[:-1]))
        self._last = int(output[-1])
        kind = told & OWN
        rises = Rises.of(before, output, begins)
        self._add(self._onsets, kind[rises.piece], rises.low, rises.high)
        top = np.maximum.reduceat(output, begins).astype(np.int64)
        seen = np.maximum.reduceat(undelayed, begins).astype(np.int64)
        if self._open is not None:  # the rest of a span that began before
            rises = self._open.joined(rises)
            top[0], seen[0] = max(int(top[0]), self._top), max(int(seen[0]), self._seen)
            self._open = None
        whole = kind.size
        if goes_on:
            whole -= 1
            self._open, _, met = rises.of_piece(whole).united(self._width)
            self.meeting[met] |= kind[whole] == Kind.DETECT
            self._top, self._seen = int(top[-1]), int(seen[-1])
            done = rises.piece < whole
            rises = Rises(rises.piece[done], rises.low[done], rises.high[done])
        self._close(rises, told, np.minimum(top, seen)[:whole])

    def _close(self, rises: Rises, told: Integers, held: Integers) -> None:
        """Book complete spans; `held` is the limit of the indices at which they are active."""
        united, piece, met = rises.united(self._width)
        kind, base = told & OWN, told // TOUCHING * self._width
        self.meeting[met[kind[piece] == Kind.DETECT]] = True
        of = kind[united.piece]
        self._add(self._with, of, united.low, united.high)
        # Held: active, minus those with an onset.
        detect = np.flatnonzero(kind[: held.size] == Kind.DETECT)
        # For a pass: all settings below `held`, minus those from low to high of each stretch with an onset, as
        # differences.
        some = of == Kind.DETECT
        of_pass, limit = base[united.piece[some]], held[united.piece[some]]
        flat = self._held.reshape(-1)
        for sign, at in (
            (1, base[detect]), (-1, base[detect] + held[detect]),
            (-1, of_pass + np.minimum(united.low[some], limit)), (1, of_pass + np.minimum(united.high[some], limit)),
        ):  # fmt: skip
            flat += sign * np.bincount(at, minlength=flat.size)

    def _add(self, into: Integers, kind: Integers, low: Integers, high: Integers) -> None:
        flat = into.reshape(-1)
        flat += np.bincount(kind * self._width + low, minlength=flat.size)
        flat -= np.bincount(kind * self._width + high, minlength=flat.size)

    def sums(self, spans: Spans) -> dict[str, Integers]:
        """Return the counts at every index by the names of the tables of a surface, shape (size,)."""
        onsets, some, held = (np.cumsum(x, axis=1)[:, : self.size] for x in (self._onsets, self._with, self._held))
        out: dict[str, NDArray[Any]] = {
            "lost": spans.detect - some[Kind.DETECT],
            "merged": held.sum(axis=0),
            "touching": held[1],
            "extra": onsets[Kind.DETECT] - some[Kind.DETECT],
            "false_trips": onsets[Kind.GAP],
            "gaps_tripped": some[Kind.GAP],
            "ignore_trips": onsets[Kind.IGNORE],
            "ignore_tripped": some[Kind.IGNORE],
        }
        return out
