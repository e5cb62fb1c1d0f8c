"""The set of all settings that reproduce a logged output."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field, replace
from fractions import Fraction
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from teachlab.device.identified import Identification, IdentifiedClass, Interval
from teachlab.device.level_counts import (
    EXACT_DENOMINATOR,
    EvaluationGrid,
    SharedLevel,
    crossing_intervals,
    fewest_missed,
    shared_level,
)
from teachlab.device.logged_edges import LoggedEdges, Samples, logged_edges
from teachlab.device.matching import ContradictedEdge, MatchedEdges, swallowed_count, unmatched_count
from teachlab.device.rates import Lateness, even_multiples, even_places, hidden_ratios, proposed_ratios
from teachlab.device.timing_classes import TimingClass, output_of, timing_classes
from teachlab.errors import ParameterError
from teachlab.light.noise import PART, local_noise
from teachlab.light.usable_light import bounded
from teachlab.model.arrays import Integers
from teachlab.model.memory import need_memory
from teachlab.model.printable_text import number_of
from teachlab.model.recording import Light, Origin, Recording
from teachlab.sensor.comparator import Comparator
from teachlab.sensor.edges import TwoState

SEARCH_SAMPLES = 200_000
FEWEST_EDGES = 8
MOST_JITTER = 1000
"""Samples; a larger jitter would blur every pulse of a line."""
MOST_CONTRADICTED = 0.1
"""Share of contradicted edges above which the law of switching does not fit."""
PHASE_EDGES = 60
"""Of so many edges one may be misplaced where the phase of the evaluations is never known exactly."""
MOST_READINGS = 90
"""Number of replays over a whole log after which the set is returned as known so far."""
SCREEN_EDGES = 60
"""Edges of each direction by which latencies are screened before all edges are counted."""
SCREEN_ROOM = 2
NEARLY, CLOSER = 3, 96
"""A box with up to so many contradictions more than those kept is replayed at so many more levels."""
ACROSS = 5
"""Levels across a box, on each side, at which it is replayed."""
MOST_LEVELS_A_SIDE = 20
"""Levels on each side, in all combinations, at which a kept box is replayed to find fewer contradictions."""
FEW_LEVELS = 5
"""The same, if only the question is whether there are fewer."""
MORE_LEVELS = 2
"""Number of other levels of a class that are also replayed on a whole log."""
STEPS = 7
"""Number of halvings towards each bound of a level."""
MOST_WORK = 1e9
"""Limit of the work of a search, in samples read: about ten seconds. Then it ends with what it has found."""
WORK_OF_A_CALL = 20_000
"""Work of a call in addition to its samples."""


def slack(contradictions: int) -> int:
    """Return how many more contradictions than the fewest a setting of the set may have."""
    return math.ceil(2 * math.sqrt(contradictions)) + 1


class _Fit(NamedTuple):
    contradictions: int
    timing: TimingClass
    levels: tuple[float, float]


def most_contradicted(edges: LoggedEdges) -> int:
    """Return the largest number of contradictions with which the law of switching is still accepted."""
    return int(MOST_CONTRADICTED * edges.count)


@dataclass(slots=True)
class _Box:
    """One polarity, grid and pair of latencies, with the levels that its edges share."""

    light_on: bool
    grid: EvaluationGrid
    active: int
    inactive: int
    on: SharedLevel
    off: SharedLevel
    contradictions: int = 0
    levels: tuple[float, float] = (0.0, 0.0)
    fits: list[_Fit] = field(default_factory=list)
    replayed: set[tuple[int, int]] = field(default_factory=set)
    """Ranks of the levels at which it was replayed."""

    @property
    def missed(self) -> int:
        return self.on.missed + self.off.missed

    @property
    def difference(self) -> int:
        return round((self.inactive - self.active) / self.grid.ratio)


class _Screened(NamedTuple):
    """How many of a few edges share no level, for every latency, on one grid."""

    grid: EvaluationGrid
    light_on: bool
    up: Integers
    down: Integers

    @property
    def fewest(self) -> int:
        return int(self.up.min() + self.down.min())


@dataclass(slots=True)
class _Stretch:
    """The light and the logged edges that are searched, and how often the light was read."""

    light: Light
    edges: LoggedEdges
    jitter: int
    readings: int = 0
    work: float = 0.0
    left: int = 0
    """Number of boxes that were not searched because the limit of work was reached."""
    values: NDArray[Any] = field(default_factory=lambda: np.empty(0))
    """Distinct values of the light, after they were first needed."""
    swallows: int | None = None
    """Jitter that may have swallowed pulses; by default the jitter of the edges."""

    def ranks(self, on: float, off: float) -> tuple[int, int]:
        """Return how much of the light lies below each level: with the same ranks every replay is the same."""
        if self.values.size == 0:
            self.values = np.unique(self.light)
        up, down = np.searchsorted(self.values, (on, min(on, off)))
        return int(up), int(down)

    @property
    def exhausted(self) -> bool:
        """Whether the search must end with what it has found."""
        return self.work > MOST_WORK

    def tolerance(self, grid: EvaluationGrid) -> int:
        # If evaluations lie between samples, the latency of the crossing differs by one sample from edge to edge.
        return self.jitter + (not grid.whole)

    def room(self, box: _Box) -> int:
        """Return how many more contradictions pass where the phase of the evaluations is never known exactly."""
        return 0 if box.grid.exact else self.edges.count // PHASE_EDGES

    def state(self, grid: EvaluationGrid, on: float, off: float) -> tuple[TwoState, TwoState, int]:
        """Read the light once: state of the comparator, validity, evaluations."""
        self.readings += 1
        self.work += self.light.size + WORK_OF_A_CALL
        seen = grid.seen(self.light)
        comparator = Comparator(on, min(on, off), seen.dtype)
        comparator.push(seen)
        if comparator.first is None:
            none = TwoState(False, np.empty(0, np.int64))
            return none, none, seen.size
        return comparator.light_state(), comparator.validity(), seen.size

    def contradicted(
        self, box: _Box, output: TwoState, hold_back: int, most: int, later: int = 0, more_jitter: int = 0
    ) -> int:
        """Count edges without a partner on both sides; stops when there must be more than `most`.

        If jitter may have swallowed a pulse or gap, its two edges are no contradiction. `later`: evaluations by which a
        longer on-delay moves every edge. `more_jitter`: samples.
        """
        jitter = self.jitter + more_jitter
        shift = box.active - hold_back
        at = box.grid.samples_of(output.edges + later) + shift
        at = at[at < self.edges.samples]
        swallows = self.jitter if self.swallows is None else self.swallows
        forgiven = 2 * int(np.count_nonzero(np.diff(at) <= 2 * swallows))
        total, first = 0, int(output.first)
        logged_edges = self.edges.active, self.edges.inactive
        for logged, edges in zip(logged_edges, (at[first::2], at[1 - first :: 2]), strict=True):
            apart = abs(logged.size - edges.size)
            # Edges at the very ends may have their partner outside.
            if total + apart > most + 2 + forgiven:
                return total + apart
            total += unmatched_count(logged, edges, jitter)
        if forgiven and 0 < total <= most + forgiven:
            total -= 2 * swallowed_count(logged_edges, at, not first, jitter, swallows)
        return total

    def unexplained(self, box: _Box, filtered: TwoState, consecutive: int) -> int:
        """Count logged edges that no delay can explain: none of the filtered light comes at their latency.

        `filtered`: active where the light is beyond the level, after so many evaluations in a row, without delays.
        """
        # Between samples, latencies of the box and of the filter are rounded ones.
        jitter = self.jitter + (0 if box.grid.whole else 2)
        held = round((consecutive - 1) * box.grid.ratio)
        total = 0
        for logged, edges, latency in (
            (self.edges.active, filtered.rises(), box.active), (self.edges.inactive, filtered.falls(), box.inactive),
        ):  # fmt: skip
            at = box.grid.samples_of(edges) + latency - held
            total += int(
                np.count_nonzero(np.searchsorted(at, logged - jitter) == np.searchsorted(at, logged + jitter, "right"))
            )
        return total

    def classes(self, box: _Box, on: float, off: float, most: int) -> Iterator[tuple[int, TimingClass]]:
        """Yield the classes with at most so many contradictions, and the room of the grid, at a pair of levels."""
        state, invalid, size = self.state(box.grid, on, off)
        least = int(self.edges.active.size) - most - 1
        latency = most_held_back(box)

        def possible(filtered: TwoState, consecutive: int) -> bool:
            # No work is counted: beside what the state took it is little, and it saves much.
            return self.unexplained(box, filtered, consecutive) <= most + self.room(box)

        for one, output in timing_classes(
            state, invalid, size, light_on=box.light_on, latency=latency, difference=box.difference, least=least,
            possible=possible,
        ):  # fmt: skip
            # Between samples a longer on-delay is more than a shorter lag: every edge falls on the grid again.
            room = self.room(box)
            delays = range(one.on_delay, one.longest_on_delay + 1)
            each = [one] if box.grid.whole else [replace(one, on_delay=d, longest_on_delay=d) for d in delays]
            self.work += WORK_OF_A_CALL
            if len(each) > 1:
                self.work += 20 * output.edges.size
                # On the grid again, no edge moves by more than a sample: what contradicts then, contradicts with each.
                if self.contradicted(box, output, held_back(box.grid, one), most + room, 0, 1) > most + room:
                    continue
            for timing in each:
                self.work += 20 * output.edges.size
                later = timing.on_delay - one.on_delay
                found = self.contradicted(box, output, held_back(box.grid, timing), most + room, later)
                if found <= most + room:
                    yield found, timing


def held_back(grid: EvaluationGrid, one: TimingClass) -> int:
    """Return the delay of an onset by filter and on-delay, samples, if evaluations read output at their own sample.

    The edge of the output is already late by so many evaluations; the rest of the latency is lag.
    """
    return round((one.consecutive - 1 + one.on_delay) * grid.ratio)


def most_held_back(box: _Box) -> int:
    """Return the most evaluations of filter and on-delay that leave no negative lag.

    Between whole ratios the latency in samples is a rounded one: 12 samples may be 5 evaluations of 2.5. Where the
    places of the evaluations are never known exactly, it may be a whole sample too short.
    """
    most = int(box.active / box.grid.ratio)
    return most + (round((most + 1) * box.grid.ratio) <= box.active + (not box.grid.exact))


def identify(recording: Recording, *, jitter: int = 1, longest_ms: float | None = None) -> Identification:
    """Find the settings that explain the sensor's own output, logged beside the light.

    Raises RecordingError without a logged output, or where it never changes.
    Raises ParameterError if the jitter is negative, or no latency is left to try.

    Notes
    -----
    The latency to active is ``lag + ratio · (n − 1 + d1)``, to inactive ``lag + ratio · (n − 1 + d2)``. A pulse comes
    through if it lasts at least ``max(n, d1 + 1)`` evaluations, a gap if it lasts at least ``max(n, d2 − d1 + 1)``.
    Every edge bounds a level by the light around the place where it must have crossed. The levels, latencies and grids
    that most edges share are replayed, with every filter and delay that the latencies allow. The answer is all of them
    within ``⌈2√c⌉ + 1`` contradictions of the fewest, c. The search uses the first 200,000 samples; what is left is
    replayed on all samples.
    """
    edges = logged_edges(recording)
    need_memory(10.0 * recording.samples * 8, f"{recording.name}: the light of an identification", PART)
    light = whole_light(recording)
    found = identify_edges(
        light, edges, sample_rate_hz=recording.info.sample_rate_hz, unit=recording.info.unit, name=recording.name,
        jitter=jitter, longest_ms=longest_ms,
    )  # fmt: skip
    return replace(found, rehearsal=recording.info.origin is Origin.SYNTHETIC)


def whole_light(recording: Recording) -> Light:
    """Return all samples in the stored type with infinite ones bounded; as float with NaN if some are invalid."""
    block = bounded(recording.read(0, recording.samples), recording.name)
    return block.light if block.invalid_mask() is None else block.as_float()


def identify_edges(
    light: Light, edges: LoggedEdges, *, sample_rate_hz: float, unit: str, name: str = "recording", jitter: int = 1,
    longest_ms: float | None = None,
) -> Identification:  # fmt: skip
    """Find all settings that reproduce logged edges, as `identify`, from an array of light with NaN where invalid."""
    if not 0 <= jitter <= MOST_JITTER:
        raise ParameterError(f"the jitter of logged edges must be 0 to {MOST_JITTER} samples, got {jitter}.")
    longest = 200 if longest_ms is None else int(longest_ms * sample_rate_hz / 1000)
    if longest < 0:
        raise ParameterError(f"the longest latency must be at least 0 ms, got {longest_ms:g} ms.")
    empty = Identification(recording=name, unit=unit, sample_rate_hz=sample_rate_hz, edges=edges.count, jitter=jitter)
    if edges.active.size < FEWEST_EDGES or edges.inactive.size < FEWEST_EDGES:
        return replace(
            empty,
            refused=f"the log holds {number_of(edges.active.size, 'onset')} and "
            f"{number_of(edges.inactive.size, 'release')}; at least "
            f"{FEWEST_EDGES} of each are needed. Log more objects.",
        )
    part = edges.until(min(edges.samples, SEARCH_SAMPLES))
    if part.active.size < FEWEST_EDGES or part.inactive.size < FEWEST_EDGES:
        part = edges
    late = Lateness.of(light, edges, jitter, longest)
    search, boxes = _with_least_jitter(light[: part.samples], part, edges, jitter, longest, late)
    needed, readings, left = search.jitter, search.readings, search.left
    if part.samples < edges.samples and boxes:
        search = _Stretch(light, edges, needed)
        boxes = _confirmed(search, boxes)
        readings, left = search.readings, left + search.left
    if not boxes or min(box.contradictions for box in boxes) > most_contradicted(edges):
        return replace(
            empty,
            refused="no setting that was tried reproduces this output: each contradicts more than 1 in 10 of the "
            f"{edges.count} logged edges. The light may not be what the sensor saw, levels may follow, the sensor may "
            "evaluate at a rate that its edges do not show, or edges are late by more than "
            f"{jitter} sample{'' if jitter == 1 else 's'}.",
        )
    return _answer(replace(empty, jitter_needed=needed, groups_left=left), search, boxes, readings)


def _with_least_jitter(
    light: Light, part: LoggedEdges, edges: LoggedEdges, jitter: int, longest: int, late: Lateness
) -> tuple[_Stretch, list[_Box]]:
    """Search with more and more jitter, until more jitter explains no further edge.

    More jitter than the edges need would leave latencies and levels without a bound.
    """
    both = np.sort(np.concatenate((edges.active, edges.inactive)))
    by_lateness = late.ratios()
    for allowed in range(jitter + 2):
        # If evaluations lie between samples at places that are never known exactly, one more sample may be needed.
        last = allowed > jitter
        search = _Stretch(light, part, allowed)
        suggested = dict.fromkeys([*proposed_ratios(both, edges.samples, allowed), *by_lateness])
        own = min(allowed, jitter)
        ratios = dict.fromkeys([*suggested, *even_multiples(suggested, both, edges.samples, own)])
        grids = [grid for ratio in ratios for grid in _grids(ratio, late, both, own, longest)]
        grids = [grid for grid in grids if not (last and grid.exact)]
        boxes = _replayed(search, _boxes(search, grids, longest))
        if last:
            break
        more = bool(boxes) and _explained_by_more(search, boxes)
        if (boxes and not more) or (allowed == jitter and any(box.grid.exact for box in boxes)):
            break
    for per in range(3, EXACT_DENOMINATOR + 1 if jitter else 3):
        if min((box.contradictions for box in boxes), default=edges.count) <= most_contradicted(part):
            break
        # No rate that the edges suggest fits: jitter may hide a rate between whole ratios.
        search = _Stretch(light, part, jitter)
        grids = [grid for ratio in hidden_ratios(jitter, per) for grid in _grids(ratio, late, both, jitter, longest)]
        boxes = _replayed(search, _boxes(search, grids, longest))
    return search, boxes


def _explained_by_more(search: _Stretch, boxes: list[_Box]) -> bool:
    """Whether one more sample of jitter would explain a further edge, under any setting found."""
    fewest = min(box.contradictions for box in boxes)
    # Where the phase is never known exactly, a few edges are misplaced whatever the jitter.
    if any(box.contradictions <= search.room(box) for box in boxes):
        return False
    # More jitter may also swallow more pulses, but that explains no edge.
    wider = _Stretch(search.light, search.edges, search.jitter + 1, work=search.work, swallows=search.jitter)
    for box in boxes:
        pairs = dict.fromkeys([box.levels, *(fit.levels for fit in box.fits), *_every_level(search, box, FEW_LEVELS)])
        for on, off in pairs:
            if any(found < fewest for found, _ in wider.classes(box, on, off, fewest - 1)):
                return True
            if wider.exhausted:
                return False
    return False


def _grids(ratio: Fraction, late: Lateness, edges: Samples, jitter: int, longest: int) -> list[EvaluationGrid]:
    """Return the grids of a ratio: all there are, or those whose phase explains how late edges are."""
    place = None
    if ratio.denominator > EXACT_DENOMINATOR and (even := even_places(edges, ratio, late.samples, jitter)) is not None:
        ratio, place = even
    if ratio.denominator > EXACT_DENOMINATOR:
        return [EvaluationGrid.of(ratio, phase) for phase in late.phases(ratio, place, longest)]
    step = Fraction(1, ratio.denominator)
    return [EvaluationGrid.of(ratio, step * k) for k in range(math.ceil(ratio / step))]


def _boxes(search: _Stretch, grids: list[EvaluationGrid], longest: int) -> list[_Box]:
    """Return boxes whose edges share a level about as well as in the best box, fewest misses first."""
    part = search.edges
    screened: list[_Screened] = []
    for grid in grids:
        for light_on in (True, False):
            begins, ends = (part.active, part.inactive) if light_on else (part.inactive, part.active)
            up = _screened(search, grid, begins, longest, begins=True)
            down = _screened(search, grid, ends, longest, begins=False)
            screened.append(_Screened(grid, light_on, up, down))
    bound = min((one.fewest for one in screened), default=part.count)
    fewest = most_contradicted(part)
    if bound > fewest:
        return []
    # What a few edges miss, all of them miss: beyond the limit of the law of switching nothing is counted.
    bound = min(bound + slack(bound) + SCREEN_ROOM, fewest + slack(fewest))
    found: list[_Box] = []
    # The most promising ones first: what they miss makes it unnecessary to count the others.
    for one in sorted(screened, key=lambda one: one.fewest):
        grid, light_on = one.grid, one.light_on
        rises = np.flatnonzero(one.up + one.down.min() <= bound)
        falls = np.flatnonzero(one.down + one.up.min() <= bound)
        if not (rises.size and falls.size):
            continue
        if search.exhausted and found:
            search.left += 1
            continue
        begins, ends = (part.active, part.inactive) if light_on else (part.inactive, part.active)
        sides = (
            _counted(search, grid, begins, rises, begins=True),
            _counted(search, grid, ends, falls, begins=False),
        )
        most = fewest + slack(fewest)
        for rise, on in sides[0].items():
            for fall, off in sides[1].items():
                missed_now = on.missed + off.missed
                if missed_now > most:
                    continue
                active, inactive = (rise, fall) if light_on else (fall, rise)
                # On a whole grid, delays differ by whole evaluations.
                rest = (inactive - active) * grid.per % grid.step
                if 2 * min(rest, grid.step - rest) > (0 if grid.whole else grid.per):
                    continue
                # A setting cannot have an off-level above its on-level.
                if off.low >= on.high:
                    continue
                if missed_now < fewest:
                    fewest, most = missed_now, missed_now + slack(missed_now)
                found.append(_Box(light_on, grid, active, inactive, on, off))
    kept = (b for b in found if b.missed <= fewest + slack(fewest))
    # The simplest rates first: if the work is not enough for all, these are known.
    return sorted(kept, key=lambda b: (not b.grid.whole, not b.grid.exact, b.missed))


def _screened(search: _Stretch, grid: EvaluationGrid, edges: Samples, longest: int, *, begins: bool) -> Integers:
    """Return how many of a few edges share no level, for every latency."""
    few = edges[:: -(-edges.size // SCREEN_EDGES)]
    places = few - np.arange(longest + 1)[:, None]
    low, high = crossing_intervals(search.light, places.ravel(), 0, grid, search.tolerance(grid), begins=begins)
    return fewest_missed(low.reshape(places.shape), high.reshape(places.shape))


def _counted(
    search: _Stretch, grid: EvaluationGrid, edges: Samples, latencies: Samples, *, begins: bool
) -> dict[int, SharedLevel]:
    """Return the levels that all edges share, for some latencies."""
    out: dict[int, SharedLevel] = {}
    for latency in latencies.tolist():
        search.work += 40 * edges.size * (1 + search.tolerance(grid)) + WORK_OF_A_CALL
        low, high = crossing_intervals(search.light, edges, latency, grid, search.tolerance(grid), begins=begins)
        level = shared_level(low, high)
        if level is not None:
            out[latency] = shared_level(low, high, level.missed + slack(level.missed)) or level
    return out


def _replayed(search: _Stretch, boxes: list[_Box]) -> list[_Box]:
    """Replay boxes at levels across them; keep those near the fewest contradictions, with tight levels."""
    fewest = most_contradicted(search.edges)
    tried: list[_Box] = []
    for k, box in enumerate(boxes):
        # Edges that no level explains stay contradictions under any filter.
        if box.missed > fewest + slack(fewest):
            continue
        if search.exhausted and tried:
            search.left += len(boxes) - k
            break
        _fit(search, box, _across(box), fewest + slack(fewest) + NEARLY)
        if box.fits:
            fewest = min(fewest, box.contradictions)
            tried.append(box)
    most = fewest + slack(fewest)
    for box in tried:
        # The levels that fit may be few: a box that is nearly good enough is replayed at more levels.
        if most < box.contradictions - search.room(box) <= most + NEARLY:
            _fit(search, box, _between(box), most)
    fewest = min((box.contradictions for box in tried), default=fewest)
    most = fewest + slack(fewest)
    kept = [box for box in tried if box.contradictions <= most + search.room(box)]
    for box in kept:
        _keep(box, most + search.room(box))
        # If the limit of work is reached, the levels stay as wide as the edges alone bound them.
        if not search.exhausted:
            _tighten(search, box, most)
            # One level may separate classes that another cannot: filters and delays are looked for at levels across the
            # box.
            _fit(search, box, _across(box), most, enough=-1)
        # The replay may still match an edge that its level does not explain.
        if box.contradictions and not search.exhausted:
            _fit(search, box, _every_level(search, box), most, enough=0)
    fewest = min((box.contradictions for box in kept), default=fewest)
    most = fewest + slack(fewest)
    kept = [box for box in kept if box.contradictions <= most + search.room(box)]
    for box in kept:
        _keep(box, most + search.room(box))
    return kept


def _across(box: _Box) -> list[tuple[float, float]]:
    """Return levels across a box: its best ones first, then a grid, then those without hysteresis."""
    on, off = box.on.best, box.off.best
    if on < off:
        on = off = min(max((on + off) / 2, box.on.low), box.on.high)
    pairs = [(on, off)]
    if np.isfinite([box.on.low, box.on.high, box.off.low, box.off.high]).all():
        ups, downs = (np.linspace(side.low, side.high, 2 * ACROSS + 1)[1::2].tolist() for side in (box.on, box.off))
        pairs += [(up, down) for up in ups for down in downs if down <= up]
        low, high = max(box.on.low, box.off.low), min(box.on.high, box.off.high)
        if low < high:
            pairs += [(one, one) for one in np.linspace(low, high, 2 * ACROSS + 1)[1::2].tolist()]
    return pairs


def _every_level(search: _Stretch, box: _Box, most: int = MOST_LEVELS_A_SIDE) -> list[tuple[float, float]]:
    """Return the distinct levels in a box, in all combinations; evenly thinned if there are many."""
    seen = np.unique(search.light)
    sides = []
    for shared in (box.on, box.off):
        inside = seen[(seen > shared.low) & (seen <= shared.high)].astype(np.float64)
        thin = np.linspace(0, inside.size - 1, min(inside.size, most)).round().astype(np.int64)
        sides.append(inside[thin].tolist() if inside.size else [])
    return [(up, down) for up in sides[0] for down in sides[1] if down <= up]


def _between(box: _Box) -> list[tuple[float, float]]:
    """Return levels spread evenly over a box, between those of the grid (R2 sequence)."""
    k = np.arange(1, CLOSER + 1)
    sides = ((box.on, 0.7548776662466927), (box.off, 0.5698402909980532))
    if not np.isfinite([box.on.low, box.on.high, box.off.low, box.off.high]).all():
        return []
    ups, downs = ((side.low + (0.5 + k * turn) % 1 * (side.high - side.low)).tolist() for side, turn in sides)
    return [(up, down) for up, down in zip(ups, downs, strict=True) if down <= up]


def _fit(
    search: _Stretch, box: _Box, pairs: list[tuple[float, float]], most: int, *, enough: int | None = None
) -> None:
    """Replay a box at pairs of levels until no more than `enough` edges are contradicted, and keep what fits.

    By default, until all edges are explained that its levels can explain.
    """
    enough = box.missed if enough is None else enough
    box.contradictions = box.contradictions if box.fits else search.edges.count
    fits = {fit.timing: fit for fit in box.fits}
    for up, down in pairs:
        if (ranks := search.ranks(up, down)) in box.replayed:
            continue
        box.replayed.add(ranks)
        for found, one in search.classes(box, up, down, most):
            if one not in fits or found < fits[one].contradictions:
                fits[one] = _Fit(found, one, (up, down))
            if found < box.contradictions:
                box.contradictions, box.levels = found, (up, down)
        if box.contradictions <= enough:
            break
    box.fits = list(fits.values())


def _keep(box: _Box, most: int) -> None:
    near = [fit for fit in box.fits if fit.contradictions <= most]
    box.fits = [fit for fit in near if not _contained(fit, near)]


def _contained(fit: _Fit, others: Iterable[_Fit]) -> bool:
    """Whether another class, as good as this one, contains all of it: at other levels the log separates less."""
    one = fit.timing
    return any(
        other.timing != one and other.contradictions <= fit.contradictions
        and (other.timing.consecutive, other.timing.extends_first) == (one.consecutive, one.extends_first)
        and other.timing.on_delay <= one.on_delay and one.longest_on_delay <= other.timing.longest_on_delay
        for other in others
    )  # fmt: skip


def _joined(fits: list[_Fit]) -> list[_Fit]:
    """Return classes with those joined whose on-delays follow each other and that contradict as many edges."""

    def apart(fit: _Fit) -> tuple[int, bool, int, int, int, tuple[float, float]]:
        t = fit.timing
        return t.consecutive, t.extends_first, t.delay_difference, t.on_delay, fit.contradictions, fit.levels

    out: list[_Fit] = []
    first: list[int] = []
    for place, fit in sorted(enumerate(fits), key=lambda row: apart(row[1])):
        before = out[-1].timing if out else None
        if (
            before is not None
            and fit.timing == replace(
                before, on_delay=before.longest_on_delay + 1, longest_on_delay=fit.timing.longest_on_delay
            )
            and (fit.contradictions, fit.levels) == (out[-1].contradictions, out[-1].levels)
        ):  # fmt: skip
            out[-1] = out[-1]._replace(timing=replace(before, longest_on_delay=fit.timing.longest_on_delay))
            first[-1] = min(first[-1], place)
        else:
            out.append(fit)
            first.append(place)
    # Of classes that are as good and as simple, the one found first is the representative.
    return [out[k] for k in np.argsort(first, kind="stable")]


def _tighten(search: _Stretch, box: _Box, most: int) -> None:
    """Bound both levels by replay: outwards from the levels found, until too many edges are contradicted."""
    known: dict[tuple[int, int], bool] = {}
    for side in (0, 1):
        shared = (box.on, box.off)[side]
        bounds = [shared.low, shared.high]
        for end in (0, 1):
            good, bad = box.levels[side], bounds[end]
            for _ in range(STEPS):
                if not np.isfinite(bad):
                    break
                tried = list(box.levels)
                tried[side] = (good + bad) / 2
                if side == 0:
                    tried[1] = min(tried[1], tried[0])
                else:
                    tried[0] = max(tried[0], tried[1])
                ranks = search.ranks(*tried)
                if ranks not in known:
                    known[ranks] = next(search.classes(box, tried[0], tried[1], most + 1), None) is not None
                if known[ranks]:
                    good = tried[side]
                else:
                    bad = tried[side]
            bounds[end] = bad
        tight = replace(shared, low=bounds[0], high=bounds[1])
        if side == 0:
            box.on = tight
        else:
            box.off = tight


def _confirmed(whole: _Stretch, boxes: list[_Box]) -> list[_Box]:
    """Count and replay what is left on the whole recording."""
    kept: list[_Box] = []
    fewest = most_contradicted(whole.edges)
    for k, box in enumerate(sorted(boxes, key=lambda b: b.contradictions)):
        if whole.readings >= MOST_READINGS:
            whole.left += len(boxes) - k
            break
        levels = []
        for shared, begins in ((box.on, True), (box.off, False)):
            up = begins == box.light_on
            low, high = crossing_intervals(
                whole.light, whole.edges.active if up else whole.edges.inactive,
                box.active if up else box.inactive, box.grid, whole.tolerance(box.grid), begins=begins,
            )  # fmt: skip
            found = shared_level(low, high)
            if found is None:
                break
            found = shared_level(low, high, found.missed + slack(found.missed)) or found
            narrow = max(shared.low, found.low), min(shared.high, found.high)
            inside = narrow[0] < found.best <= narrow[1]
            if not narrow[0] < narrow[1]:
                break
            best = found.best if inside else sum(narrow) / 2
            levels.append(replace(found, low=narrow[0], high=narrow[1], best=best))
        if len(levels) < 2:
            continue
        box.on, box.off = levels
        known = [fit.levels for fit in box.fits]
        found_at, box.fits, box.replayed = box.levels, [], set()
        inside = box.on.low < found_at[0] <= box.on.high and box.off.low < found_at[1] <= box.off.high
        others = [pair for pair in dict.fromkeys(known) if pair != found_at][:MORE_LEVELS]
        pairs = ([found_at] if inside else []) + _across(box)[:1]
        _fit(whole, box, pairs, fewest + slack(fewest))
        if box.fits and others:
            _fit(whole, box, others, fewest + slack(fewest), enough=-1)
        if box.fits:
            fewest = min(fewest, box.contradictions)
            kept.append(box)
    most = fewest + slack(fewest)
    kept = [box for box in kept if box.contradictions <= most + whole.room(box)]
    for box in kept:
        _keep(box, most + whole.room(box))
    return kept


def _answer(empty: Identification, search: _Stretch, boxes: list[_Box], readings: int) -> Identification:
    fewest = min(box.contradictions for box in boxes)
    classes = [
        IdentifiedClass(
            timing=fit.timing,
            light_on=box.light_on,
            grid=box.grid,
            latency_active=box.active,
            latency_inactive=box.inactive,
            lag=box.active - held_back(box.grid, fit.timing),
            contradictions=fit.contradictions,
            levels=fit.levels,
            on_level=Interval(box.on.low, box.on.high),
            off_level=Interval(box.off.low, box.off.high),
        )
        for box in boxes
        for fit in _joined(box.fits)
        if fit.contradictions <= fewest + slack(fewest) + search.room(box)
    ]
    classes.sort(key=lambda one: one.simplicity)
    differences = np.diff(search.light[:SEARCH_SAMPLES].astype(np.float64))
    return replace(
        empty,
        classes=tuple(classes),
        contradictions=_contradictions(search, classes[0]),
        readings=readings,
        noise=local_noise(differences[np.isfinite(differences)], None) or 0.0,
    )


def _contradictions(search: _Stretch, best: IdentifiedClass) -> tuple[ContradictedEdge, ...]:
    """List the edges without a partner under the representative, in time order."""
    state, invalid, size = search.state(best.grid, *best.levels)
    output = output_of(best.timing, state, invalid, size, light_on=best.light_on)
    up, down = (best.grid.samples_of(side) + best.lag for side in (output.rises(), output.falls()))
    replayed = up[up < search.edges.samples], down[down < search.edges.samples]
    return MatchedEdges.of((search.edges.active, search.edges.inactive), replayed, search.jitter).unmatched()
