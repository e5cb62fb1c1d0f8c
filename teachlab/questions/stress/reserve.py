"""How far one stress can go before the first trial is wrong, exactly.

Along one axis of stress the levels seen from the unstressed light move in one direction (`Receiver.levels_before`): a
chain of settings, counted in one reading with any filter and delays (`surface.chain`). The counts change only where an
existing sample meets a level. If there are many such points, some are tried first. Between two of them the counting
itself shows where nothing can have happened, and only the other stretches are examined.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from teachlab.errors import InputError
from teachlab.model.arrays import Flags, Floats
from teachlab.model.recording import Recording
from teachlab.questions.stress.reserve_path import Path, Reserve
from teachlab.questions.surface.given_settings.chain import Play, count_chain
from teachlab.questions.surface.values.kinds import Kind
from teachlab.questions.surface.values.levels import FirstReading, read_first
from teachlab.questions.surface.values.spans import Spans
from teachlab.sensor.delays import delay_stages
from teachlab.sensor.edges import merged

if TYPE_CHECKING:
    from teachlab.model.score import Rules
    from teachlab.model.setting import Setting
    from teachlab.model.truth import Truth
    from teachlab.sensor.clock import Clock
    from teachlab.sensor.steps import EvaluatedStretch, SteppedSignal

# The search. Right (.) and wrong (x) along the axis; what matters is the first x, which an island may hide:
#
#     gain 1 ............xx..........xxxxxxxxxx 0
#     tried  .         .         .         x          tried points: wrong from the fourth on
#     found            |suspect  |                    the counting saw something move between two right ones
#     finer            . . x                          that stretch is looked into, with every break in it
#
# A bisection would have stopped at the second x. A stretch is closed once all its breaks were tried, or once the count
# proves that no output can have switched and no pass can have lost its onset in between.
TRIED = 1000
"""Points tried at first, and in a stretch with too many samples to try them all."""
ROUNDS, LOOKED_AT = 12, 20_000_000
"""The search ends after so many rounds, or once it looked at so many evaluations: the light of a long recording that is
noise at the levels is not gone through again for a thousandth of a reserve. What is told is then a bound from below."""
PART = 1 << 17
"""Samples that are looked at first, for how far the walk goes at all."""


class _Between:
    """Finds the stretches between two settings of a chain in which an output may have switched unnoticed."""

    def __init__(self, size: int, setting: Setting, clock: Clock) -> None:
        self.found = np.zeros(size + 1, bool)
        self._memory = min(setting.consecutive - 1, clock.count)
        self._memory += sum(stage.evaluations for stage in delay_stages(setting, clock))
        self._rise = self._fell = -(2**62)
        self.looked_at = 0

    def push(self, spans: Spans, stretch: EvaluatedStretch, output: SteppedSignal, before: int, play: Play) -> None:
        """Examine where the signal of the output stays between two settings but may have risen there."""
        # A rise that passes a setting is counted anyway; one that stays between two settings would be unnoticed.
        begins, ends = play.rises
        self.looked_at = play.looked_at
        fallen, up_to = (stretch.borders(side) for side in play.falls)
        # Where evaluations are invalid, falls are delayed by more than the memory.
        up_to = np.append(self._fell, up_to if stretch.valid is None else np.full(up_to.size, stretch.stop))
        self._fell = int(up_to[-1]) if stretch.valid is None else stretch.stop
        if self._memory:
            # After filter and delays, a signal rises only if it rose within their memory; the filter counts valid
            # evaluations only.
            last, self._rise = self._rise, int(ends[-1]) - 1 if ends.size else self._rise
            begins, ends = np.append(stretch.begin, begins), np.append(last + 1, ends) + self._memory + 1
        if ends.size == 0 or ends[-1] <= stretch.begin:
            return
        begins, ends = stretch.borders(begins), stretch.borders(ends) if self._memory else stretch.borders(ends - 1) + 1
        at = merged(output.at, spans.start[slice(*np.searchsorted(spans.start, (stretch.start, stretch.stop)))])
        value = output.values_at(at)
        # Where the signal stays: from a step on without its first evaluation, from a border on with it.
        stays = at + (value != np.append(np.int16(before), value[:-1]))
        until = np.append(at[1:], stretch.stop)
        row = np.searchsorted(spans.stop, at, side="right")
        kind = spans.kind[row]
        some = (value > 0) & (value < self.found.size - 1) & (kind != Kind.UNCOUNTED)
        some &= until > stays
        # In a pass to be detected an output switches twice only if it was released in between.
        fell = up_to[np.searchsorted(fallen, until)] + self._memory > spans.start[row]
        some &= (kind != Kind.DETECT) | fell | (stretch.valid is not None)
        # The last stretch of rises that begins before it ends reaches furthest.
        near = np.searchsorted(begins, until) - 1
        some &= (near >= 0) & (ends[near] > stays)
        self.found[value[some]] = True


class _Tried(NamedTuple):
    """Which points are right, between which of them more may have happened, and how many evaluations were looked at."""

    right: Flags
    suspect: Flags
    looked_at: int


@dataclass(frozen=True, slots=True, eq=False)
class ChainSearch:
    """The search for the first point of an axis with more wrong trials than are accepted.

    A trial is right if a detect pass has one onset, and a gap or an `ignore` pass has none. Further onsets are looked
    for at every point tried: exact if the light has few enough levels to try all. Every point that is left out is
    proven to be like its neighbours: between two neighbouring points the state can have changed unnoticed only where a
    sample lies between their levels, too.
    """

    recording: Recording
    truth: Truth
    path: Path
    reading: FirstReading
    rules: Rules
    accepted: int = 0

    def run(self) -> Reserve | None:
        """Walk from the start of the axis to the first wrong trial; None if the levels are no chain."""
        walk, closed = self._begin()
        reach = self._reach(walk)
        looked_at = 0
        for round_ in range(ROUNDS):
            tried = self._try(walk[:reach])
            if tried is not None and tried.right.all():
                tried = self._try(walk) if reach < walk.size else tried
            if tried is None:
                return None
            right, suspect, more = tried
            looked_at += more
            if not right[0]:
                return Reserve(None, None)
            wrong = int(np.argmin(right)) if not right.all() else walk.size
            asked = suspect & ~closed[: suspect.size]
            if wrong < walk.size:
                asked[wrong - 1] = not closed[wrong - 1]
            asked[wrong:] = False
            if not asked.any():
                return self.path.up_to(walk, wrong)
            if looked_at > LOOKED_AT or round_ + 1 == ROUNDS:
                break
            # Points beyond the first wrong one do not matter: the walk ends there, and becomes denser before it.
            walk, closed = self._finer(walk[: wrong + 1], asked)
            reach = walk.size
        first = int(np.argmax(asked))
        return Reserve.up_to(float(walk[first]), self.path.start, abs(float(walk[first + 1] - walk[first])))

    def _begin(self) -> tuple[Floats, Flags]:
        p, light = self.path, self.reading.distinct
        if light is not None:
            points = p.with_breaks(light, light, np.array([p.start, p.end]))
            return points, np.ones(points.size - 1, bool)
        points = np.linspace(p.start, p.end, TRIED)
        return points, np.zeros(points.size - 1, bool)

    def _reach(self, walk: Floats) -> int:
        """Return how many points matter: those beyond one that a few passes show to be wrong do not."""
        truth, first = self.truth, self.rules.first_pass
        if self.reading.distinct is not None or self.recording.samples < 4 * PART:
            return walk.size
        begin = (int(truth.end[first - 1]) + int(truth.start[first])) // 2 if 0 < first < truth.passes else 0
        some = truth.within(begin, begin + PART)
        if not some.passes:
            return walk.size
        part = self.recording.between(begin, begin + PART)
        try:
            reading = read_first(part, self.path.setting.evaluation_rate_hz, inner_range=False)
        except InputError:
            return walk.size
        reading = replace(reading, low=self.reading.low, high=self.reading.high)
        tried = replace(
            self, recording=part, truth=some, reading=reading, rules=replace(self.rules, first_pass=0)
        )._try(walk)
        return walk.size if tried is None or tried.right.all() else int(np.argmin(tried.right)) + 1

    def _try(self, walk: Floats) -> _Tried | None:
        """Try the points of a walk; None if their levels are no chain."""
        on, off = self.path.levels(walk, self.reading)
        if walk.size > 1 and not all((np.diff(x) >= 0).all() for x in (on, off)):
            # Light below dark moves the two levels apart: then it is no chain, and `search_apart` is used.
            if not all((np.diff(x) <= 0).all() for x in (on, off)):
                return None
            backwards = True
        else:
            backwards = False
        turn = slice(None, None, -1 if backwards else 1)
        setting = self.path.setting
        between = _Between(walk.size, setting, self.reading.clock)
        counts = count_chain(
            self.recording, self.truth, setting, self.reading, on[turn], off[turn], rules=self.rules, watcher=between,
        )  # fmt: skip
        n = counts.sums
        right = n["lost"] + n["false_trips"] + n["ignore_trips"] + n["extra"] <= self.accepted
        suspect = counts.meeting | (between.found if setting.light_on else between.found[::-1])
        return _Tried(right[turn], suspect[1:-1][turn], between.looked_at)

    def _begin_of(self, walk: Floats) -> int:
        """Return the sample from which on light has an effect on the trials, at all points of a walk."""
        if self.path.setting.has_memory:
            return 0
        clock, (on, off) = self.reading.clock, self.path.levels(walk, self.reading)
        spans = Spans.of(self.truth, clock, self.reading.invalid, rules=self.rules)
        settled = spans.settled_before(self.recording, clock, float(off.min()), float(on.max()))
        return 0 if settled is None else settled[0]

    def _finer(self, walk: Floats, asked: Flags) -> tuple[Floats, Flags]:
        """Return the walk from the first open stretch on, with more points in it, and what is settled."""
        asked = asked[: walk.size - 1]
        first = int(np.argmax(asked))
        # All open stretches at once if their samples are few enough; otherwise only the first; otherwise an even
        # division.
        begin = self._begin_of(walk)
        for stretches in (np.flatnonzero(asked), np.array([first])):
            samples = self.path.samples(self.recording, self.reading, walk, stretches, begin)
            if samples is not None:
                points = self.path.with_breaks(*samples, walk[first:])
                sign = 1.0 if self.path.start < self.path.end else -1.0
                inside = np.searchsorted(sign * walk, sign * points, side="right") - 1
                left = asked.copy()
                left[stretches] = False
                return points, ~left[inside[:-1]]
        more = np.linspace(walk[first], walk[first + 1], TRIED)
        more = more[np.append(True, np.diff(more) != 0)]
        closed = np.concatenate((np.full(more.size - 1, more.size <= 2), ~asked[first + 1 :]))
        return np.concatenate((more, walk[first + 2 :])), closed
