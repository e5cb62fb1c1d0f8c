"""Pairs of corresponding edges: as many as possible, then with the smallest sum of distances."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from dataclasses import dataclass

import numpy as np

from teachlab.device.logged_edges import Samples
from teachlab.model.json_values import Document

BothWays = tuple[Samples, Samples]
"""Edges to active, and to inactive."""


@dataclass(frozen=True, slots=True)
class ContradictedEdge(Document):
    """An edge of log or replay that the other does not have.

    `edge`: active or inactive: the state after the edge.
    `side`: logged: the sensor switched, the replay did not; replayed: the replay switched, the sensor did not.
    """

    sample: int
    edge: str
    side: str


@dataclass(frozen=True, slots=True, eq=False)
class MatchedEdges:
    """Edges of log and replay, matched separately in each direction.

    `logged`, `replayed` ((ndarray, ndarray) of int64, samples): to active, and to inactive; the replayed ones are
    already moved by the lag.
    `pairs`: positions in `logged` and in `replayed`, for each direction.
    `lag`, `tolerance`: samples.
    """

    logged: BothWays
    replayed: BothWays
    pairs: tuple[BothWays, BothWays]
    lag: int
    tolerance: int

    @classmethod
    def of(cls, logged: BothWays, replayed: BothWays, tolerance: int, *, lag: int = 0) -> MatchedEdges:
        """Match the edges of both directions."""
        ups, downs = (matched_edges(a, b, tolerance) for a, b in zip(logged, replayed, strict=True))
        return cls(logged, replayed, (ups, downs), lag, tolerance)

    def apart(self) -> BothWays:
        """Return logged edges with a partner, and how much later each one is than its partner."""
        at = [ours[i] for ours, (i, _) in zip(self.logged, self.pairs, strict=True)]
        theirs = [side[j] for side, (_, j) in zip(self.replayed, self.pairs, strict=True)]
        return np.concatenate(at), np.concatenate(at) - np.concatenate(theirs)

    @property
    def longer(self) -> float:
        """How much longer logged pulses are than replayed ones, samples: the lag of releases beyond that of onsets.

        Of the medians of the matched edges; 0 if one direction has none.
        """
        late = [
            ours[i] - theirs[j] for ours, theirs, (i, j) in zip(self.logged, self.replayed, self.pairs, strict=True)
        ]
        return float(np.median(late[1]) - np.median(late[0])) if all(side.size for side in late) else 0.0

    def unmatched(self) -> tuple[ContradictedEdge, ...]:
        """Return the edges without a partner on either side, in time order."""
        out = []
        for word, ours, theirs, (i, j) in zip(
            ("active", "inactive"), self.logged, self.replayed, self.pairs, strict=True
        ):
            out += [ContradictedEdge(int(s), word, "logged") for s in np.delete(ours, i)]
            out += [ContradictedEdge(int(s), word, "replayed") for s in np.delete(theirs, j)]
        return tuple(sorted(out, key=lambda c: (c.sample, c.side)))


def matched_edges(logged: Samples, replayed: Samples, tolerance: int) -> tuple[Samples, Samples]:
    """Match edges of one direction, in order, no further apart than the tolerance.

    `logged`, `replayed`: ascending, samples.
    `tolerance`: samples.
    Returned: positions in `logged` and in `replayed` of every pair: the most pairs, and among those the smallest sum of
    distances.

    Examples
    --------
    >>> [side.tolist() for side in matched_edges(np.array([10, 13, 40]), np.array([12, 14, 90]), 3)]
    [[0, 1], [0, 1]]
    """
    at = np.concatenate((logged, replayed))
    if not at.size:
        return np.empty(0, np.int64), np.empty(0, np.int64)
    order = np.argsort(at, kind="stable")
    # No pair crosses a distance larger than the tolerance: the groups between such places are matched separately.
    group = np.empty(at.size, np.int64)
    group[order] = np.concatenate(([0], np.cumsum(np.diff(at[order]) > tolerance)))
    ours, theirs = group[: logged.size], group[logged.size :]
    groups = int(group.max()) + 1
    many = np.bincount(ours, minlength=groups), np.bincount(theirs, minlength=groups)
    single = (many[0] == 1) & (many[1] == 1)
    left, right = [np.flatnonzero(single[ours])], [np.flatnonzero(single[theirs])]
    for g in np.flatnonzero((many[0] > 0) & (many[1] > 0) & ~single):
        a, b = (int(np.searchsorted(side, g)) for side in (ours, theirs))
        pairs = _in_order(logged[a : a + many[0][g]].tolist(), replayed[b : b + many[1][g]].tolist(), tolerance)
        left.append(np.array([a + i for i, _ in pairs], np.int64))
        right.append(np.array([b + j for _, j in pairs], np.int64))
    first, second = np.concatenate(left), np.concatenate(right)
    return np.sort(first), np.sort(second)


def _in_order(a: list[int], b: list[int], tolerance: int) -> list[tuple[int, int]]:
    """Match one group by dynamic programming over the edges left on either side."""
    # Only pairs within the tolerance have a cell: elsewhere the value is that of the next cell that can still pair.
    low = [bisect_left(b, x - tolerance) for x in a]
    first = [bisect_left(a, y - tolerance) for y in b]
    best: dict[tuple[int, int], tuple[int, int]] = {}

    def cell(i: int, j: int) -> tuple[int, int]:
        while i < len(a) and j < len(b):
            if b[j] < a[i] - tolerance:
                j = low[i]
            elif b[j] > a[i] + tolerance:
                i = first[j]
            else:
                break
        return i, j

    # From the end: the best of a[i:] and b[j:] leaves out the first edge of either side, or pairs both. More pairs come
    # first, then nearer ones: tuples of both compare in that order.
    for i in range(len(a) - 1, -1, -1):
        for j in range(bisect_right(b, a[i] + tolerance) - 1, low[i] - 1, -1):
            pairs, near = best.get(cell(i + 1, j + 1), (0, 0))
            best[i, j] = max(
                best.get(cell(i + 1, j), (0, 0)),
                best.get(cell(i, j + 1), (0, 0)),
                (pairs + 1, near - abs(a[i] - b[j])),
            )
    out = []
    i, j = cell(0, 0)
    while (i, j) in best:
        if best[i, j] == best.get(cell(i + 1, j), (0, 0)):
            i, j = cell(i + 1, j)
        elif best[i, j] == best.get(cell(i, j + 1), (0, 0)):
            i, j = cell(i, j + 1)
        else:
            out.append((i, j))
            i, j = cell(i + 1, j + 1)
    return out


SWALLOWED = 2
"""So many short pulses of one width may be missing beyond those logged: jitter loses each with odds below even."""


def swallowed_count(logged: BothWays, replayed: Samples, first: bool, tolerance: int, jitter: int) -> int:
    """Return how many replayed pulses and gaps jitter may have swallowed, because both edges were logged at one place.

    Of the stretches of one width, at most twice the jitter, as many may be missing as were logged, and `SWALLOWED`
    more: if jitter is as likely in either direction, each stretch is lost with a probability below one half.

    `logged` ((ndarray, ndarray) of int64, samples): to active, and to inactive.
    `replayed` (samples): all edges, ascending.
    `first`: whether the first edge becomes active.
    `tolerance` (samples): how far apart two edges may be and still match.
    `jitter` (samples): jitter that may have swallowed a pulse.
    """
    width = np.diff(replayed)
    short = width <= 2 * jitter
    if not short.any():
        return 0
    known = np.zeros(replayed.size, bool)
    for side, ours in zip((0, 1) if first else (1, 0), logged, strict=True):
        known[side::2][matched_edges(ours, replayed[side::2], tolerance)[1]] = True
    lost, kept = (short & one[:-1] & one[1:] for one in (~known, known))
    # A stretch and the next one share an edge: of a row of stretches, take every other one.
    at = np.arange(lost.size)
    begins = np.maximum.accumulate(np.where(lost & ~np.concatenate(([False], lost[:-1])), at, 0))
    lost &= (at - begins) % 2 == 0
    gone, seen = (np.bincount(width[one], minlength=2 * jitter + 1) for one in (lost, kept))
    return int(np.minimum(gone, seen + SWALLOWED).sum())


def unmatched_count(logged: Samples, replayed: Samples, tolerance: int) -> int:
    """Return how many edges on either side have no partner: the most pairs, without naming them."""
    if not logged.size or not replayed.size:
        return int(logged.size + replayed.size)
    apart = min(int(np.diff(side).min(initial=4 * tolerance + 2)) for side in (logged, replayed))
    if apart > 2 * tolerance:
        # No edge has two possible partners: looking at its neighbour is enough.
        k = np.searchsorted(replayed, logged - tolerance)
        near = replayed[np.minimum(k, replayed.size - 1)]
        pairs = int(np.count_nonzero((k < replayed.size) & (near <= logged + tolerance)))
    else:
        pairs = int(matched_edges(logged, replayed, tolerance)[0].size)
    return int(logged.size + replayed.size - 2 * pairs)
