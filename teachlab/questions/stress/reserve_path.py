"""One axis of stress for one setting: the levels seen from unstressed light along it, and where they meet samples."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from teachlab.model.arrays import Flags, Floats, Where
from teachlab.questions.stress.light import Receiver, first_true
from teachlab.sensor.evaluated_blocks import evaluated

if TYPE_CHECKING:
    from teachlab.model.recording import Recording
    from teachlab.model.setting import Setting
    from teachlab.questions.surface.values.levels import FirstReading

VALUES = 3000
"""Up to this number of distinct samples in the open stretches, all are tried."""


class Axis(StrEnum):
    """The stressed quantity: the gain, from 1 on, or the ambient light, from 0 on."""

    GAIN = "gain"
    AMBIENT = "ambient"


@dataclass(frozen=True, slots=True)
class Reserve:
    """How far a stress can go.

    `value`: loss of gain, or ambient light in recording units, up to which every trial is right; None if one is wrong
    even without stress.
    `last`: the last gain, or ambient light, at which every trial is right.
    `resolution`: 0 if the value is exact: the next float64 beyond it gives an error. Otherwise the largest distance to
    an error beyond it.
    """

    value: float | None
    last: float | None
    resolution: float = 0.0

    @classmethod
    def up_to(cls, last: float, start: float, resolution: float = 0.0) -> Reserve:
        """Say what lies between the start of the axis and the last right point."""
        value = abs(last - start)
        # The difference is rounded: taken from the start again, it must not lead beyond the last right point.
        if last < start and start - value < last:
            value = float(np.nextafter(value, 0.0))
        return cls(value, last, resolution)


@dataclass(frozen=True, slots=True)
class Path:
    """One axis of stress for one setting, from `start` to `end`."""

    axis: Axis
    receiver: Receiver
    setting: Setting
    start: float
    end: float

    def stressed(self, light: Floats, at: Floats) -> Floats:
        """Return the light at points of the axis."""
        gain, ambient = (at, 0.0) if self.axis is Axis.GAIN else (1.0, at)
        out: Floats = self.receiver.stressed(light, gain, ambient, 0.0)
        return out

    def levels(self, points: Floats, reading: FirstReading) -> tuple[Floats, Floats]:
        """Return the on-levels and off-levels on unstressed light at points of the axis."""
        gain, ambient = (points, 0.0) if self.axis is Axis.GAIN else (1.0, points)
        # Beyond all light, levels are equivalent; near the light, the ranking of samples is faster.
        top = float(np.nextafter(reading.high, np.inf))
        on, off = (
            np.clip(self.receiver.levels_before(level, gain, ambient), reading.low, top)
            for level in (self.setting.on_level, self.setting.off_level)
        )
        return on, off

    def breaks(self, level: float, light: Floats) -> Floats:
        """Return the points at which the comparison of samples with a level changes."""
        # By bisection over the float64 numbers themselves: the point is exact to the last bit, including the rounding
        # of the stress.
        low, high = (np.full(light.size, f(self.start, self.end)) for f in (min, max))
        above = self._reaches(light, high, level)
        some = above != self._reaches(light, low, level)
        light, above, low, high = light[some], above[some], low[some], high[some]
        dark = self.receiver.dark
        with np.errstate(all="ignore"):
            if self.axis is Axis.GAIN:
                near, per = (level - dark) / (light - dark), np.abs(light - dark)
            else:
                near, per = level - light, np.ones(light.size)
            size = (abs(level) + abs(dark) + np.abs(light)) / per
        return first_true(lambda at: self._reaches(light, at, level) == above, low, high, near, size)

    def _reaches(self, light: Floats, at: Floats, level: float) -> Flags:
        out: Flags = self.stressed(light, at) >= level
        return out

    def with_breaks(self, on: Floats, off: Floats, points: Floats) -> Floats:
        """Return points in the order of the walk, with all those at which samples meet a level."""
        breaks = self.breaks(self.setting.on_level, on), self.breaks(self.setting.off_level, off)
        every = np.unique(np.concatenate((points, *breaks)))
        inside: Floats = every[(every >= points.min()) & (every <= points.max())]
        return inside if self.start < self.end else inside[::-1]

    def samples(
        self, recording: Recording, reading: FirstReading, walk: Floats, stretches: Where, begin: int = 0
    ) -> tuple[Floats, Floats] | None:
        """Return the distinct samples from `begin` on that meet the on-level, and the off-level, in stretches.

        None if they are too many.
        """
        ranges = []
        for levels in self.levels(walk, reading):
            ends = np.sort(np.stack((levels[stretches], levels[stretches + 1])), axis=0)
            ranges.append(np.sort(ends.T, axis=0))
        found = [np.empty(0), np.empty(0)]
        for block in evaluated(recording.blocks(begin), reading.clock):
            invalid = block.invalid_mask()
            light = block.light if invalid is None else block.light[~invalid]
            for k, ends in enumerate(ranges):
                # Distinct samples only, and no more than can be tried: memory does not grow with the recording.
                found[k] = np.union1d(found[k], _inside(light, ends))
                if found[k].size > VALUES:
                    return None
        return found[0], found[1]

    def up_to(self, walk: Floats, wrong: int) -> Reserve:
        """Return the exact reserve if a walk over every break is first wrong at a point."""
        # A break is the first number, upwards, at which a comparison comes out otherwise. On the way down (less light)
        # it still belongs to what lies before the change, on the way up (more light) already to what comes after it:
        #
        #     down      1 .......b|xxxx 0       the last right point is the break itself
        #     up        0 ......|bxxxxxxx       the last right point is the number just below it
        if wrong == walk.size:
            last = self.end
        elif self.end < self.start:
            last = float(walk[wrong - 1])
        else:
            last = float(np.nextafter(walk[wrong], -np.inf))
        return Reserve.up_to(last, self.start)


def _inside(light: NDArray[Any], ends: Floats) -> Floats:
    """Return the light in any of some ranges ``[low, high)``, shape (n, 2), ascending."""
    x: Floats = light[(light >= ends[0, 0]) & (light < ends[-1, 1])].astype(np.float64)
    if ends.shape[0] > 1:
        x = x[np.searchsorted(ends[:, 0], x, side="right") > np.searchsorted(ends[:, 1], x, side="right")]
    return x
