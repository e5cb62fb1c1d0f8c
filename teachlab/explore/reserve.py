"""How far one stress can go before the first trial comes out wrong, exactly.

Along one axis of stress the levels seen from the unstressed light move one way (`Receiver.levels_before`): a
chain of settings, counted in one reading with any filter and delays (`surface.chain`). The counts change only
where a sample that occurs meets a level. Where such points are many, some are tried first; between two of
them the counting itself tells where nothing can have happened, and only the other stretches are looked into.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

import numpy as np
from numpy.typing import NDArray

from teachlab.explore.stress_light import Floats, Receiver, first_true
from teachlab.explore.surface.chain import Play, count_chain
from teachlab.explore.surface.levels import FirstReading
from teachlab.explore.surface.ranks import Ranks
from teachlab.explore.surface.spans import Kind, Spans
from teachlab.model.recording import Recording
from teachlab.model.setting import Setting
from teachlab.model.truth import Truth
from teachlab.replay.evaluating import evaluated
from teachlab.signal.evaluation import Clock

TRIED = 1000
"""Points tried at first, and in a stretch with too many samples to try them all."""
VALUES = 3000
"""So many distinct samples in the stretches in question are all tried."""
ROUNDS = 12


class Axis(StrEnum):
    """What is stressed: the gain, falling from 1, or the ambient light, rising from 0."""

    GAIN = "gain"
    AMBIENT = "ambient"


@dataclass(frozen=True, slots=True)
class Reserve:
    """How far a stress can go.

    Parameters
    ----------
    value : float or None
        Loss of gain, or ambient light in recording units, up to which every trial comes out right; None if
        one does not even without stress.
    last : float or None
        The gain, or the ambient light, that still comes out right.
    resolution : float
        0 if the value is exact: the next float64 beyond it makes a trial go wrong. Else how far beyond it
        that happens at the latest.
    """

    value: float | None
    last: float | None
    resolution: float = 0.0

    @classmethod
    def up_to(cls, last: float, start: float, resolution: float = 0.0) -> Reserve:
        """Say what lies between the start of the axis and the last point that comes out right."""
        return cls(abs(last - start), last, resolution)


@dataclass(frozen=True, slots=True)
class _Path:
    """One axis of stress for one setting."""

    axis: Axis
    receiver: Receiver
    setting: Setting
    start: float
    end: float

    def stressed(self, light: Floats, at: Floats) -> Floats:
        gain, ambient = (at, 0.0) if self.axis is Axis.GAIN else (1.0, at)
        out: Floats = self.receiver.stressed(light, gain, ambient, 0.0)
        return out

    def levels(self, points: Floats, reading: FirstReading) -> tuple[Floats, Floats]:
        """Return the on-levels and off-levels on unstressed light at points of the axis."""
        gain, ambient = (points, 0.0) if self.axis is Axis.GAIN else (1.0, points)
        # Beyond all light one level is as good as another; near it the ranking of samples is faster.
        top = float(np.nextafter(reading.high, np.inf))
        on, off = (
            np.clip(self.receiver.levels_before(level, gain, ambient), reading.low, top)
            for level in (self.setting.on_level, self.setting.off_level)
        )
        return on, off

    def breaks(self, level: float, light: Floats) -> Floats:
        """Return the points from which on samples compare otherwise with a level than just below."""
        low, high = (np.full(light.size, f(self.start, self.end)) for f in (min, max))
        above = self._reaches(light, high, level)
        some = above != self._reaches(light, low, level)
        light, above, low, high = light[some], above[some], low[some], high[some]
        return first_true(lambda at: self._reaches(light, at, level) == above, low, high)

    def _reaches(self, light: Floats, at: Floats, level: float) -> NDArray[np.bool_]:
        out: NDArray[np.bool_] = self.stressed(light, at) >= level
        return out


class _Between:
    """Finds the stretches between two settings of a chain in which a gap may have been tripped unseen."""

    def __init__(self, size: int, setting: Setting, clock: Clock) -> None:
        self.found = np.zeros(size + 1, bool)
        self._memory = min(setting.consecutive - 1, clock.count)
        self._memory += clock.delay(setting.on_delay_ms) + clock.delay(setting.off_delay_ms)
        self._rise = -(2**62)

    def push(
        self, spans: Spans, start: int, output: Ranks, before: Ranks, play: Play, invalid: NDArray[np.bool_] | None
    ) -> None:
        """Look at gaps where the output's signal stays between two settings but may have risen there."""
        stays = (output == before) & (output > 0) & (output < self.found.size - 1)
        rises = play.rises
        if invalid is not None:
            rises = np.zeros(invalid.size, bool)
            rises[~invalid] = play.rises
        if self._memory:
            # What filter and delays make of a signal rises only if it rose within their memory; the filter counts
            # valid evaluations only.
            places = np.arange(1, output.size + 1) if invalid is None else np.cumsum(~invalid)
            last = np.maximum.accumulate(np.where(rises, places, self._rise))
            self._rise = int(last[-1] - places[-1])
            rises = places - last <= self._memory + 1
        at = np.flatnonzero(stays & rises)
        kind = spans.kind[np.searchsorted(spans.stop, at + start, side="right")]
        at = at[(kind == Kind.GAP) | (kind == Kind.IGNORE)]
        self.found[output[at]] = True


@dataclass(frozen=True, slots=True, eq=False)
class _Search:
    """One recording and what is asked of it."""

    recording: Recording
    truth: Truth
    path: _Path
    reading: FirstReading
    tolerance_ms: float
    first_pass: int

    def run(self) -> Reserve | None:
        """Walk from the start of the axis to the first trial that goes wrong; None if the levels are no chain."""
        walk, closed = self._begin()
        for _ in range(ROUNDS):
            tried = self._try(walk)
            if tried is None:
                return None
            right, suspect = tried
            if not right[0]:
                return Reserve(None, None)
            wrong = int(np.argmin(right)) if not right.all() else walk.size
            asked = suspect & ~closed
            if wrong < walk.size:
                asked[wrong - 1] = not closed[wrong - 1]
            asked[wrong:] = False
            if not asked.any():
                return self._found(walk, wrong)
            walk, closed = self._finer(walk[: wrong + 1], asked)
        first = int(np.argmax(~closed))
        return Reserve.up_to(float(walk[first]), self.path.start, abs(float(walk[first + 1] - walk[first])))

    def _begin(self) -> tuple[Floats, NDArray[np.bool_]]:
        p, light = self.path, self.reading.distinct
        if light is not None:
            points = self._with_breaks(light, light, np.array([p.start, p.end]))
            return points, np.ones(points.size - 1, bool)
        points = np.linspace(p.start, p.end, TRIED)
        return points, np.zeros(points.size - 1, bool)

    def _with_breaks(self, on: Floats, off: Floats, points: Floats) -> Floats:
        """Return points in the order of the walk, with all those at which samples meet a level."""
        p, setting = self.path, self.path.setting
        breaks = p.breaks(setting.on_level, on), p.breaks(setting.off_level, off)
        every = np.unique(np.concatenate((points, *breaks)))
        inside: Floats = every[(every >= points.min()) & (every <= points.max())]
        return inside if p.start < p.end else inside[::-1]

    def _try(self, walk: Floats) -> tuple[NDArray[np.bool_], NDArray[np.bool_]] | None:
        """Return which points come out right, and between which points more may have happened."""
        on, off = self.path.levels(walk, self.reading)
        if walk.size > 1 and not all((np.diff(x) >= 0).all() for x in (on, off)):
            if not all((np.diff(x) <= 0).all() for x in (on, off)):
                return None
            backwards = True
        else:
            backwards = False
        turn = slice(None, None, -1 if backwards else 1)
        setting = self.path.setting
        between = _Between(walk.size, setting, self.reading.clock)
        counts = count_chain(
            self.recording, self.truth, setting, self.reading, on[turn], off[turn], tolerance_ms=self.tolerance_ms,
            first_pass=self.first_pass, watcher=between,
        )  # fmt: skip
        n = counts.sums
        right = (n["lost"] == 0) & (n["false_trips"] == 0) & (n["ignore_trips"] == 0)
        suspect = counts.touching | (between.found[::-1] if setting.polarity == "dark-on" else between.found)
        return right[turn], suspect[1:-1][turn]

    def _finer(self, walk: Floats, asked: NDArray[np.bool_]) -> tuple[Floats, NDArray[np.bool_]]:
        """Return the walk from the first stretch in question on, with more points in it, and what is settled."""
        asked = asked[: walk.size - 1]
        first = int(np.argmax(asked))
        for stretches in (np.flatnonzero(asked), np.array([first])):
            samples = self._samples(walk, stretches)
            if samples is not None:
                points = self._with_breaks(*samples, walk[first:])
                sign = 1.0 if self.path.start < self.path.end else -1.0
                inside = np.searchsorted(sign * walk, sign * points, side="right") - 1
                left = asked.copy()
                left[stretches] = False
                return points, ~left[inside[:-1]]
        more = np.linspace(walk[first], walk[first + 1], TRIED)
        more = more[np.append(True, np.diff(more) != 0)]
        closed = np.concatenate((np.full(more.size - 1, more.size <= 2), ~asked[first + 1 :]))
        return np.concatenate((more, walk[first + 2 :])), closed

    def _samples(self, walk: Floats, stretches: NDArray[np.intp]) -> tuple[Floats, Floats] | None:
        """Return the distinct samples that meet the on-level, and the off-level, in stretches; None if too many."""
        ranges = []
        for levels in self.path.levels(walk, self.reading):
            ends = np.sort(np.stack((levels[stretches], levels[stretches + 1])), axis=0)
            ranges.append(np.sort(ends.T, axis=0))
        found = [np.empty(0), np.empty(0)]
        for block in evaluated(self.recording.blocks(), self.reading.clock):
            invalid = block.invalid_mask()
            light = block.light if invalid is None else block.light[~invalid]
            for k, ends in enumerate(ranges):
                found[k] = np.union1d(found[k], _inside(light, ends))
                if found[k].size > VALUES:
                    return None
        return found[0], found[1]

    def _found(self, walk: Floats, wrong: int) -> Reserve:
        p = self.path
        if wrong == walk.size:
            last = p.end
        elif p.axis is Axis.GAIN:
            last = float(walk[wrong - 1])
        else:
            last = float(np.nextafter(walk[wrong], -math.inf))
        return Reserve.up_to(last, p.start)


def _inside(light: NDArray[Any], ends: NDArray[np.float64]) -> Floats:
    """Return the light that lies in one of some ranges ``[low, high)``, shape (n, 2), ascending."""
    x: Floats = light[(light >= ends[0, 0]) & (light < ends[-1, 1])].astype(np.float64)
    if ends.shape[0] > 1:
        x = x[np.searchsorted(ends[:, 0], x, side="right") > np.searchsorted(ends[:, 1], x, side="right")]
    return x


def reserve(
    recording: Recording,
    truth: Truth,
    setting: Setting,
    axis: Axis,
    *,
    receiver: Receiver,
    reading: FirstReading,
    most: float,
    tolerance_ms: float = 0.0,
    first_pass: int = 0,
) -> Reserve | None:
    """Find how far one stress can go before the first trial comes out wrong.

    Parameters
    ----------
    recording, truth
        Scored from `first_pass` on.
    setting : Setting
        With any filter and delays.
    axis : Axis
        Loss of gain, or ambient light.
    receiver : Receiver
    reading : FirstReading
        Of the same recording at the setting's evaluation rate.
    most : float
        Where the search ends: at most 1 for a loss of gain; recording units for ambient light.
    tolerance_ms, first_pass
        As in `teachlab.score.score`.

    Returns
    -------
    Reserve or None
        None where no theorem helps: the levels move apart, since light below dark was logged and the dark level
        lies between them.

    Notes
    -----
    A trial comes out right if a pass to be detected has an onset, and a gap or a pass to be ignored has none.
    Every point that the search leaves out is proven to be like its neighbours: between two points next to each
    other the state can have moved unseen only where a sample lies between their levels, too.
    """
    start = 1.0 if axis is Axis.GAIN else 0.0
    end = start - most if axis is Axis.GAIN else most
    path = _Path(axis, receiver, setting, start, end)
    return _Search(recording, truth, path, reading, tolerance_ms, first_pass).run()
