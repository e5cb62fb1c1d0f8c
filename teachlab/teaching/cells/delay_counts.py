"""Counts under every pair of an on-delay and an off-delay, from the undelayed output of many comparators.

Delays depend only on the runs ``[start, end)`` in which the undelayed output is active, not on the light:

- an on-delay of d keeps the runs longer than d, and each switches on at ``start + d`` under any off-delay;
- an off-delay of e swallows an onset that comes no more than e after the run before it ended.

So under one on-delay, one number decides about an onset: its distance from the end of the run before. The onset is
there for every off-delay below this distance. One count of distances gives all off-delays at once.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from teachlab.light.excluded import excluded_trials
from teachlab.light.windows import Windows
from teachlab.model.truth import Truth
from teachlab.sensor.clock import Clock
from teachlab.sensor.delays import JoinedStates
from teachlab.sensor.edges import LONG_AGO, Edges, TwoState

Counts = NDArray[np.int64]
"""Shape (pairs, on-delays, off-delays)."""
NEVER_SWALLOWED = np.iinfo(np.int64).max
Runs = tuple[Edges, Edges, Edges]
"""Begins and ends of runs, and the comparator of each."""
TABLE_NAMES = "lost", "merged", "extra", "false_trips", "gaps_tripped", "ignore_trips", "ignore_tripped", "touching"
COUNTED = "lost", "extra", "false_trips", "ignore_trips", "touching"
DETECT, IGNORE, GAP, EXCLUDED = range(4)
KINDS = 4
EDGES_TOGETHER = 1 << 16
"""Comparators of about so many edges are filtered together."""


@dataclass(frozen=True, slots=True, eq=False)
class DelayCounts:
    """Counts of every comparator under every pair of delays, equal to those of a scored replay.

    `lost`, `extra`, `false_trips`, `ignore_trips` (shape (comparators, on-delays, off-delays)): `lost` contains missed
    and merged passes.
    `touching` (shape (comparators, on-delays, off-delays)): those of them that merged with the pass that they touch.
    `detect_trials` (shape (on-delays,)): scored passes. A longer on-delay may leave out more passes beside invalid
    light.
    """

    lost: Counts
    extra: Counts
    false_trips: Counts
    ignore_trips: Counts
    touching: Counts
    detect_trials: NDArray[np.int64]

    @property
    def errors(self) -> Counts:
        """Lost passes, but not those that merged with the pass that they touch, and every switching too many."""
        return self.lost - self.touching + self.extra + self.false_trips + self.ignore_trips

    def __add__(self, other: DelayCounts) -> DelayCounts:
        """Return the sum of counts of the same comparators and delays over different light."""
        return DelayCounts(*(getattr(self, f.name) + getattr(other, f.name) for f in fields(self)))


@dataclass(frozen=True, slots=True, eq=False)
class DelayTables:
    """Counts of every comparator under every pair of delays, as in the tables of a surface.

    `counts` (shape (comparators, on-delays, off-delays)): keys: names of the tables of a surface, and `touching`:
    merged passes that touch the one before.
    `detect_trials`, `ignore_trials`, `gap_trials` (shape (on-delays,)): scored passes and gaps.
    """

    counts: dict[str, Counts]
    detect_trials: NDArray[np.int64]
    ignore_trials: NDArray[np.int64]
    gap_trials: NDArray[np.int64]


@dataclass(frozen=True, slots=True, eq=False)
class _TrialSpans:
    """Windows and gaps in time order, each with its kind of trial."""

    start: Edges
    stop: Edges
    kind: NDArray[np.int8]
    touching: NDArray[np.bool_]
    detect_trials: int
    ignore_trials: int

    @property
    def gap_trials(self) -> int:
        return int(np.count_nonzero(self.kind == GAP))

    def of(self, at: Edges) -> Edges:
        """Return the number of the span in which each evaluation lies."""
        step = int(np.min(self.stop - self.start, initial=int(self.stop[-1])))
        if at.size < self.stop[-1] // step:
            return np.searchsorted(self.start, at, side="right") - 1
        # Many are looked up on a ruler with marks as far apart as the shortest span: between marks one span can begin.
        shift = step.bit_length() - 1
        ruler = np.searchsorted(self.start, np.arange(0, int(self.stop[-1]) + 1, 1 << shift), side="right") - 1
        out: Edges = ruler[at >> shift]
        out += np.append(self.start[1:], self.stop[-1])[out] <= at
        return out


class DelayCounter:
    """Counts comparators under many delays against the passes of one stretch of light.

    `truth`: passes of the stretch, in samples of `clock`.
    `border` (evaluations): distance by which windows are wider than their passes, on either side.
    `first_pass`, `last_pass`: passes and gaps before the first, and from the last one on, are not scored.
    """

    def __init__(
        self, truth: Truth, clock: Clock, invalid: TwoState, *, border: int = 0, first_pass: int = 0,
        last_pass: int | None = None,
    ) -> None:  # fmt: skip
        self._truth, self._clock, self._invalid = truth, clock, invalid
        self._border, self._first_pass = border, first_pass
        self._last_pass = truth.start.size if last_pass is None else last_pass
        self._spans: dict[int, _TrialSpans] = {}

    def count(
        self,
        light: Sequence[TwoState],
        *,
        light_on: bool,
        consecutive: int,
        on_delays: Sequence[int],
        off_delays: Sequence[int],
    ) -> DelayCounts:
        """Count every comparator under every pair of delays that act on the output.

        `light`: states of the comparators: true is light, or beyond the thresholds of a window.
        `light_on`: whether the output is active when light.
        `consecutive`: evaluations in a row that must disagree, at least 1.
        `on_delays`, `off_delays`: evaluations, ascending.

        Notes
        -----
        Rules: SWITCHING.md and SCORING.md. Memory grows with the edges of all comparators together.
        """
        # What merged is told by all runs, for other counts those that the shortest delay drops are not needed.
        merges = bool(self._truth.touching.any())
        starts, ends, owner = runs = self._runs(light, light_on, consecutive, 0 if merges else on_delays[0])
        shape = len(light), len(on_delays), len(off_delays)
        out = {name: np.zeros(shape, np.int64) for name in COUNTED}
        trials = np.zeros(len(on_delays), np.int64)
        waits = np.asarray(off_delays, np.int64)
        for k, delay in enumerate(on_delays):
            long = np.flatnonzero(ends - starts > delay)
            # A longer delay drops everything that a shorter one drops: after the first few, chatter is gone.
            if long.size < starts.size:
                starts, ends, owner = starts[long], ends[long], owner[long]
            spans = self._laid(consecutive - 1 + delay)
            trials[k] = spans.detect_trials
            onsets = _StandingOnsets.of(starts, ends, owner, delay, spans, waits, len(light))
            found = onsets.counts()
            if merges:
                kept = starts, ends, owner
                found["touching"] = _merged(onsets, runs, kept, delay, spans, waits, among=spans.touching)
            for name, values in found.items():
                out[name][:, k, :] = values
        return DelayCounts(**out, detect_trials=trials)

    def tables(
        self, undelayed: Sequence[TwoState], *, lag: int, on_delays: Sequence[int], off_delays: Sequence[int]
    ) -> DelayTables:
        """Count everything in the tables of a surface, including merged passes and tripped gaps.

        `undelayed`: undelayed outputs, after filter and polarity: true is active.
        `lag` (evaluations): by how much the filter holds back an onset.
        `on_delays`, `off_delays`: evaluations, ascending.

        Memory grows with the runs of all outputs, and with outputs times passes.
        """
        starts, ends, owner = runs = JoinedStates.of(undelayed).runs(self._clock.count)
        shape = len(undelayed), len(on_delays), len(off_delays)
        out = {name: np.zeros(shape, np.int64) for name in TABLE_NAMES}
        laid = []
        waits = np.asarray(off_delays, np.int64)
        for k, delay in enumerate(on_delays):
            long = ends - starts > delay
            starts, ends, owner = starts[long], ends[long], owner[long]
            spans = self._laid(lag + delay)
            laid.append((spans.detect_trials, spans.ignore_trials, spans.gap_trials))
            onsets = _StandingOnsets.of(starts, ends, owner, delay, spans, waits, len(undelayed))
            found = onsets.counts() | onsets.spans_with(GAP, "gaps_tripped") | onsets.spans_with(
                IGNORE, "ignore_tripped"
            )  # fmt: skip
            kept = starts, ends, owner
            for name, among in (("merged", spans.kind == DETECT), ("touching", spans.touching)):
                found[name] = _merged(onsets, runs, kept, delay, spans, waits, among=among)
            for name, values in found.items():
                out[name][:, k, :] = values
        trials = np.array(laid, np.int64).reshape(-1, 3)
        return DelayTables(out, trials[:, 0], trials[:, 1], trials[:, 2])

    def errors_of_onsets(
        self, onsets: Sequence[Edges], distances: Sequence[Edges], *, lag: int, waits: Edges
    ) -> NDArray[np.int64]:
        """Return the errors of comparators whose onsets under one on-delay are known, shape (comparators, off-delays).

        Onsets do not tell which passes merged with the pass that they touch: those are errors here.

        `onsets`, `distances` (evaluations): of each comparator, and how far each onset is from the end of the run
        before it. Onsets that stand under no off-delay may be left out.
        `lag` (evaluations): how far filter and on-delay hold back an onset.
        `waits` (evaluations, ascending): the off-delays.
        """
        owner = np.repeat(np.arange(len(onsets)), [at.size for at in onsets])
        spans, at = self._laid(lag), np.concatenate(onsets)
        standing = _standing(np.concatenate(distances), waits)
        found = _StandingOnsets(owner, spans.of(at), standing, spans, len(onsets), waits.size).counts()
        return sum(found.values(), start=np.zeros((), np.int64))

    def spans_under(self, lag: int) -> tuple[Edges, NDArray[np.int8], int]:
        """Return begins and kinds of windows and gaps under a lag, in time order, and how many passes are scored."""
        spans = self._laid(lag)
        return spans.start, spans.kind, spans.detect_trials

    def _runs(self, light: Sequence[TwoState], light_on: bool, consecutive: int, delay: int) -> Runs:
        """Return the active runs of all undelayed outputs that are longer than a delay, and the comparator of each."""
        size, parts = self._clock.count, []
        # A few at a time, so that their edges stay near the processor.
        upto = np.cumsum([state.edges.size for state in light])
        cuts = np.flatnonzero(np.diff(upto // EDGES_TOGETHER)) + 1
        for a, b in zip([0, *cuts.tolist()], [*cuts.tolist(), len(light)], strict=True):
            states = JoinedStates.of(light[a:b]).filtered(self._invalid, consecutive, size)
            starts, ends, owner = (states if light_on else states.inverted()).runs(size)
            if delay:
                long = np.flatnonzero(ends - starts > delay)
                starts, ends, owner = starts[long], ends[long], owner[long]
            parts.append((starts, ends, owner + a))
        starts, ends, owner = (np.concatenate(one) for one in zip(*parts, strict=True))
        return starts, ends, owner

    def _laid(self, lag: int) -> _TrialSpans:
        """Return windows and gaps under a lag, made once for all comparators."""
        if lag not in self._spans:
            self._spans[lag] = self._lay(lag)
        return self._spans[lag]

    def _lay(self, lag: int) -> _TrialSpans:
        truth, first, last = self._truth, self._first_pass, self._last_pass
        windows = Windows.of(truth, self._clock, border=self._border, lag=lag)
        no_pass, no_gap = excluded_trials(truth, windows, self._clock, self._invalid, lag=lag)
        kinds = np.where(truth.detect, DETECT, IGNORE).astype(np.int8)
        kinds[no_pass] = EXCLUDED
        kinds[:first] = kinds[last:] = EXCLUDED
        gaps = np.full(windows.gap_start.size, GAP, np.int8)
        after = windows.gap_after
        gaps[no_gap | ((after < first) & (first > 0)) | ((after >= last) & (last < kinds.size))] = EXCLUDED
        start = np.concatenate((windows.start, windows.gap_start))
        stop = np.concatenate((windows.stop, windows.gap_stop))
        kind = np.concatenate((kinds, gaps))
        touching = np.concatenate((truth.touching & (kinds == DETECT), np.zeros(gaps.size, bool)))
        real = stop > start
        order = np.argsort(start[real], kind="stable")
        # A pass that covers no evaluation has an empty window, but it is a trial, and lost.
        return _TrialSpans(
            start[real][order], stop[real][order], kind[real][order], touching[real][order],
            *(int(np.count_nonzero(kinds == one)) for one in (DETECT, IGNORE)),
        )  # fmt: skip


@dataclass(frozen=True, slots=True, eq=False)
class _StandingOnsets:
    """Onsets under one on-delay, and the number of off-delays under which each is left.

    `owner`, `span`, `standing` (shape (onsets,)): comparator, number of the span, and the number of first off-delays
    under which it is left (it stands).
    `comparators`, `waits`: numbers of comparators and of off-delays.
    """

    owner: Edges
    span: Edges
    standing: Edges
    spans: _TrialSpans
    comparators: int
    waits: int

    @classmethod
    def of(
        cls, starts: Edges, ends: Edges, owner: Edges, delay: int, spans: _TrialSpans, waits: Edges, comparators: int
    ) -> _StandingOnsets:
        at = starts + delay
        #     undelayed output   __|#####|____|########|__      runs of one comparator
        #     on-delay d              |##|       |#####|        each begins later by d
        #     distance                   |-------|              the onset stands under every off-delay below it
        distance = np.empty_like(at)
        np.subtract(at[1:], ends[:-1], out=distance[1:])
        firsts = np.unique(np.searchsorted(owner, np.arange(comparators)))
        firsts = firsts[firsts < owner.size]
        distance[firsts] = NEVER_SWALLOWED
        # A run that began before the record is no onset, but the next run has its distance from it.
        before = firsts[starts[firsts] <= LONG_AGO]
        if before.size:
            at, distance, owner = (np.delete(one, before) for one in (at, distance, owner))
        return cls(owner, spans.of(at), _standing(distance, waits), spans, comparators, waits.size)

    def table(self, rows: Edges, standing: Edges) -> Counts:
        """Return how many of some onsets stand, shape (comparators, off-delays)."""
        return self._summed(np.bincount(rows * (self.waits + 1) + standing, minlength=self._columns))

    @property
    def _columns(self) -> int:
        return self.comparators * (self.waits + 1)

    def _summed(self, counted: Edges) -> Counts:
        """Return how many onsets stand under each off-delay, from how many have each number of off-delays."""
        # An onset that stands under s off-delays is there under the first s: for each off-delay, onsets with a larger s
        # are added, from the last column on. The first column, of onsets that stand under none, is left out.
        return counted.reshape(-1, self.waits + 1)[:, ::-1].cumsum(axis=1)[:, ::-1][:, 1:]

    def first_of(self, kind: int) -> tuple[Edges, Edges, Edges]:
        """Return comparator, span and standing of every span with an onset; one standing onset is enough."""
        own = np.flatnonzero(self.spans.kind[self.span] == kind)
        owner, span, standing = self.owner[own], self.span[own], self.standing[own]
        # Onsets are in time order, so onsets of one span are neighbours.
        begins = np.flatnonzero(np.append(own[:1] >= 0, (span[1:] != span[:-1]) | (owner[1:] != owner[:-1])))
        return owner[begins], span[begins], np.maximum.reduceat(standing, begins) if begins.size else standing

    def spans_with(self, kind: int, name: str) -> dict[str, Counts]:
        """Return how many spans of a kind have an onset."""
        of, _, standing = self.first_of(kind)
        return {name: self.table(of, standing)}

    def counts(self) -> dict[str, Counts]:
        """Count passes lost, and onsets of every kind."""
        of, _, standing = self.first_of(DETECT)
        hits = self.table(of, standing)
        # All kinds in one count: each is a block of columns.
        block = self.spans.kind.astype(np.int64) * self._columns
        key = block[self.span]
        key += self.owner * (self.waits + 1)
        key += self.standing
        onsets = np.bincount(key, minlength=KINDS * self._columns).reshape(KINDS, -1)
        return {
            "lost": self.spans.detect_trials - hits,
            "extra": self._summed(onsets[DETECT]) - hits,
            "false_trips": self._summed(onsets[GAP]),
            "ignore_trips": self._summed(onsets[IGNORE]),
        }


def _standing(distance: Edges, waits: Edges) -> Edges:
    """Return under how many of the first off-delays onsets stand: those below their distance."""
    top = int(waits[-1]) + 1
    if top > distance.size:
        return np.searchsorted(waits, distance, side="left")
    # For many onsets, each distance is looked up in a table; all distances above its end count as the first of them.
    of = np.searchsorted(waits, np.arange(top + 1), side="left")
    return of[np.minimum(distance, top)]


def _merged(
    onsets: _StandingOnsets, undelayed: Runs, kept: Runs, delay: int, spans: _TrialSpans, waits: Edges, *,
    among: NDArray[np.bool_],
) -> Counts:  # fmt: skip
    """Count some of the passes to be detected without an onset, during which output and undelayed output are active.

    If an off-delay holds the output at the start of a window, every longer off-delay does so too. If an onset was
    swallowed, the output was held. So each pass is merged from one off-delay on.
    """
    detect = np.flatnonzero(among)
    start, stop = spans.start[detect], spans.stop[detect]
    # For each pass: the off-delay from which on no onset stands; not yet known for passes without an onset.
    of, where, standing = onsets.first_of(DETECT)
    begin = np.full((onsets.comparators, detect.size), -1)
    some = among[where]
    begin[of[some], np.searchsorted(detect, where[some])] = standing[some]
    out = np.zeros((onsets.comparators, waits.size), np.int64)
    every, long = (np.searchsorted(runs[2], np.arange(onsets.comparators + 1)) for runs in (undelayed, kept))
    for c in range(onsets.comparators):
        starts, ends = (one[every[c] : every[c + 1]] for one in undelayed[:2])
        held, left = (one[long[c] : long[c + 1]] for one in kept[:2])
        # Runs are in time order and do not overlap: the last run that begins before an end decides.
        last = np.searchsorted(starts, stop, side="left") - 1
        seen = (last >= 0) & (ends[last] > start) if ends.size else np.zeros(start.size, bool)
        own = begin[c]
        quiet = np.flatnonzero(own < 0)
        own[quiet] = waits.size
        if held.size:
            before = np.searchsorted(held + delay, start[quiet], side="left") - 1
            needed = np.searchsorted(waits, start[quiet] - left[before] + 1, side="left")
            own[quiet] = np.where(before >= 0, needed, waits.size)
        out[c] = np.bincount(own[seen], minlength=waits.size + 1).cumsum()[:-1]
    return out
