"""A chain of settings, whose two levels never fall from one to the next, in one reading, with any filter and delays.

Along a chain the states of all comparators at any time are one number S: the first S of them are light. Light that
reaches the on-levels of the first p settings and the off-levels of the first q ones (p <= q) changes it to ``clip(S, p,
q)``: the play operator of hysteresis. Filter and delays act on S itself, see `teachlab.sensor.steps`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Protocol

import numpy as np

from teachlab.model.arrays import Flags, Integers, Where
from teachlab.model.recording import Light, Recording
from teachlab.model.score import USUAL_RULES, Rules
from teachlab.model.setting import Setting
from teachlab.model.truth import Truth
from teachlab.questions.surface.given_settings.onsets import OnsetCounter
from teachlab.questions.surface.values.ranks import Ranker, Ranks
from teachlab.questions.surface.values.spans import Spans
from teachlab.sensor.evaluated_blocks import evaluated
from teachlab.sensor.output import onset_lag
from teachlab.sensor.steps import At, EvaluatedStretch, SteppedSignal, SteppedSwitching, clamped

if TYPE_CHECKING:
    from teachlab.questions.surface.values.levels import Evaluations, Levels

# One number for all. Five settings with on-levels o1 <= … <= o5 and off-levels below them; light moves along x:
#
#     on      o1  o2      o3  o4  o5       p: on-levels that are reached; the first p must be light
#     off   f1  f2  f3      f4  f5         q: off-levels that are reached; none beyond the first q can stay light
#     light -----------x-----------------
#                  p = 2, q = 3            S before: 5 becomes min(5, q) = 3, 0 becomes max(0, p) = 2, 3 stays 3
#
# Which are light is always "the first S", since the chain only rises. `clip(S, p, q)` is associative: clipping by one
# window and then by another is clipping by a third, so a whole block is one running composition (`sensor/steps.py`).
BLOCK = 1 << 18
CELL = 64
"""So many valid evaluations are passed over at a time where none of the chain can switch."""
FEW_PASSED_OVER = 0.25
"""Where fewer cells than this share are passed over, it is no gain."""


class Play:
    """Converts light to the number of settings of a chain that are light.

    `on`, `off` (shape (n,), recording units): levels of the chain; neither falls, and ``off <= on``.
    `mirrored`: whether to return the number that are dark.
    """

    def __init__(self, on: Levels, off: Levels, dtype: np.dtype[Any], *, mirrored: bool = False) -> None:
        self.count = int(on.size)
        self.mirrored = mirrored
        self.watched = False
        self.looked_at = 0
        self.rises = self.falls = np.empty((2, 0), np.int64)
        """Stretches ``[from, to)`` of valid evaluations, shape (2, m), in which, if watched, the last counts may have
        risen, or fallen, even between two settings without passing one."""
        levels = np.unique(np.concatenate((on, off)))
        self._ranker = Ranker(levels, dtype)
        zero = np.zeros(1, np.intp)
        # p and q as tables over the rank of the light among all levels of the chain: one look-up for each change of
        # rank.
        self._low, self._high = (
            np.concatenate((zero, np.searchsorted(own, levels, side="right"))).astype(np.int16) for own in (on, off)
        )
        self._state: int | None = None

    def begin(self, light: float) -> int:
        """Start as at the first valid evaluation: light if and only if it reaches the on-level."""
        rank = self._ranker.rank(np.array([light], np.float64).astype(self._ranker.work))
        self._state = int(self._low[rank[0]])
        return self.count - self._state if self.mirrored else self._state

    def steps(self, light: Light, begin: int) -> SteppedSignal | None:
        """Return the number of settings that are light, or dark, from valid evaluation `begin` on; None without any."""
        if self._state is None or light.size == 0:
            self.rises = self.falls = np.empty((2, 0), np.int64)
            return None
        some = self._not_passed_over(light, self._state)
        rank = self._ranker.rank(light[some])
        self.looked_at += rank.size
        # The state can change only where the rank changes: most samples are dropped here.
        new = np.append(True, (rank[1:] != rank[:-1]) | (some[1:] > some[:-1] + 1))[: rank.size]
        at = np.flatnonzero(new)
        low, high = self._low[rank[at]], self._high[rank[at]]
        before = np.int16(self._state)
        state = clamped(low, high, self._state)
        begins = some[at] + begin
        if self.watched:
            self._watch(low, high, state, begins, some[np.append(at[1:], rank.size)[: at.size] - 1] + (begin + 1))
        self._state = int(state[-1]) if at.size else self._state
        if not at.size or begins[0] > begin:
            begins, state = np.append(begin, begins), np.append(before, state)
        return SteppedSignal(begins, np.int16(self.count) - state if self.mirrored else state).compressed()

    def _not_passed_over(self, light: Light, lighted: int) -> Where:
        """Return where light must be looked at: without cells in which the state stays as it is, if these are many.

        `light`: shape (n,), recording units.
        `lighted`: how many settings are light, before it.
        """
        whole = light.size // CELL * CELL
        cells, cuts = light[:whole], np.arange(0, whole, CELL)
        if not cuts.size:
            return np.arange(light.size)
        # As rows of a table their extremes take more than twice the time.
        reached = self._low[self._ranker.rank(np.maximum.reduceat(cells, cuts))]
        held = self._high[self._ranker.rank(np.minimum.reduceat(cells, cuts))]
        # Where no on-level is reached, settings only become dark, and only where the light falls further than before;
        # where every off-level is, they only become light, where it rises further.
        below, above = reached == 0, held == self.count
        skip = below & above
        skip |= self._no_further(self.count - held, ~below, self.count - lighted, strict=self.watched)
        skip |= self._no_further(reached, ~above, lighted, strict=self.watched)
        if np.count_nonzero(skip) < FEW_PASSED_OVER * skip.size:
            return np.arange(light.size)
        return np.append(np.flatnonzero(np.repeat(~skip, CELL)), np.arange(whole, light.size))

    def _no_further(self, switched: Ranks, cut: Flags, first: int, *, strict: bool) -> Flags:
        """Return the cells that switch no more settings than were switched since the last cut, or before all cells.

        `switched` (shape (cells,)): how many settings the cell switches.
        `cut` (shape (cells,)): where settings may be switched back.
        `first`: how many are switched before the first cell.
        `strict`: whether a cell must switch fewer of them, unless all are: light that meets the bound of a count is
        watched.
        """
        # After a cut all numbers are larger than before it, so that the largest so far begins anew.
        base = (self.count + 2) * np.cumsum(cut)
        number = base + np.where(cut, -1, switched)
        before = np.maximum.accumulate(np.append(first, number))[:-1]
        out: Flags = ~cut & ((before == base + self.count) | (number + strict <= before))
        return out

    def _watch(self, low: Ranks, high: Ranks, state: Ranks, begin: At, end: At) -> None:
        before = np.concatenate((np.array([self._state], np.int16), state[:-1]))

        def moved(bound: Ranks, passed: Flags) -> At:
            # The count lies in the same interval between two settings as the bound that the light sets: while that
            # lasts, and at its first evaluation also if it did before, or if the count itself passes a setting there.
            inner = (bound > 0) & (bound < self.count)  # beyond the ends of the chain settings do not differ
            first = np.where((inner & (bound == before)) | passed, begin, begin + 1)
            last = np.where(inner & (bound == state), end, begin + 1)
            return np.stack((first, last))[:, last > first]

        up, down = moved(low, state > before), moved(high, state < before)
        self.rises, self.falls = (down, up) if self.mirrored else (up, down)


class Watcher(Protocol):
    """Reads the signals while they are counted."""

    def push(self, spans: Spans, stretch: EvaluatedStretch, output: SteppedSignal, before: int, play: Play) -> None:
        """Take the output's signal over a block, its value before, and what the play read at valid evaluations."""


@dataclass(frozen=True, slots=True, eq=False)
class ChainCounts:
    """Counts of every setting of a chain, in its order.

    `sums` (mapping of str to ndarray of int64, shape (n,)): keyed by the names of the tables of a surface.
    `meeting` (shape (n + 1,)): at c: in some pass, the onsets just below and just above the interval between settings c
    − 1 and c come from different rises.
    """

    sums: dict[str, Integers]
    meeting: Flags
    spans: Spans


def count_chain(
    recording: Recording,
    truth: Truth,
    base: Setting,
    reading: Evaluations,
    on: Levels,
    off: Levels,
    *,
    rules: Rules = USUAL_RULES,
    watcher: Watcher | None = None,
    progress: Callable[[float], None] | None = None,
) -> ChainCounts:
    """Count every setting of a chain, exactly, in one reading.

    `base`: polarity, filter, delays and rate of all.
    `reading`: of the same recording at that rate.
    `on`, `off` (shape (n,), recording units): neither falls from one setting to the next.

    References
    ----------
    Krasnosel'skii & Pokrovskii, *Systems with Hysteresis*, 1989 (the play operator); Fitch, Coyle & Gallagher,
    "Median filtering by threshold decomposition", IEEE Trans. ASSP 32 (1984); Wendt, Coyle & Gallagher,
    "Stack filters", IEEE Trans. ASSP 34 (1986).
    """
    clock = reading.clock
    spans = Spans.of(truth, clock, reading.invalid, rules=rules, lag=onset_lag(base, clock))
    dips = not base.light_on
    play = Play(on, off, recording.dtype, mirrored=dips)
    play.watched = watcher is not None
    settled = None if base.has_memory else spans.settled_before(recording, clock, off[0], on[-1])
    start, light = (0, reading.first) if settled is None else settled
    first = play.begin(light)
    switching, counter, valid_so_far = SteppedSwitching(base, clock, first), OnsetCounter(on.size, first), 0
    for block in evaluated(recording.blocks(start, size=BLOCK), clock):
        if block.light.size == 0:
            continue
        invalid = block.invalid_mask()
        valid = None if invalid is None else np.flatnonzero(~invalid)
        seen, begin = block.light if valid is None else block.light[valid], valid_so_far
        valid_so_far += seen.size
        stretch = EvaluatedStretch(block.start, block.stop, begin, valid_so_far, valid)
        # Two signals: at index k the output is active if and only if the signal exceeds k. Mirrored for dark-on, so
        # that active is always up: index k is then setting n − 1 − k.
        undelayed, output = switching.push(stretch, play.steps(seen, begin))
        before = counter.push(spans, stretch.start, stretch.stop, undelayed, output)
        if watcher is not None:
            watcher.push(spans, stretch, output, before, play)
        if progress is not None:
            progress(stretch.stop / clock.count)
    sums, meeting = counter.sums(spans), counter.meeting
    if dips:
        sums, meeting = {name: values[::-1] for name, values in sums.items()}, meeting[::-1]
    return ChainCounts(sums, meeting, spans)
