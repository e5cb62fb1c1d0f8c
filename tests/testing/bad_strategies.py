"""Strategies that each do one thing wrong, for the check that is meant to find it."""

from __future__ import annotations

import os
import statistics
import sys
import time
from dataclasses import dataclass, replace
from typing import Any, ClassVar

import numpy as np

from teachlab.errors import Abstained
from teachlab.model.setting import Polarity, Setting, Taught
from teachlab.model.teaching import Shown, TeachView

READINGS = frozenset({Shown.OBJECT, Shown.BACKGROUND})


def midpoint(view: TeachView, shift: float = 0.0) -> Setting:
    """A sound rule on two readings, moved by a shift."""
    product, background = view.object.light, view.background.reading.light
    if product.size == 0 or background.size == 0:
        raise Abstained("nothing was shown", "0 evaluations", "1 evaluation")
    s, b = float(np.mean(product)), float(np.mean(background))
    if s == b:
        raise Abstained("object and background read the same", "0 counts apart", "a difference")
    return view.place((s + b) / 2 + shift, abs(s - b) / 10, Taught(strategy="bad"))


class OnReadings:
    """What the bad strategies on readings share."""

    name: ClassVar[str] = "bad"
    needs: ClassVar[frozenset[Shown]] = READINGS
    equivariant: ClassVar[frozenset[str]] = frozenset()


@dataclass(frozen=True)
class Sound(OnReadings):
    equivariant: ClassVar[frozenset[str]] = frozenset({"gain", "offset"})

    def teach(self, view: TeachView) -> Setting:
        return midpoint(view)


@dataclass(frozen=True)
class Unsteady(OnReadings):
    """Draws at random, from a generator without a seed."""

    def teach(self, view: TeachView) -> Setting:
        return midpoint(view, float(np.random.default_rng().normal()))


@dataclass(frozen=True)
class GloballyRandom(OnReadings):
    def teach(self, view: TeachView) -> Setting:
        return midpoint(view, float(np.random.normal()))  # noqa: NPY002


@dataclass
class Mutable(OnReadings):
    """Keeps what it taught last."""

    last: float = 0.0

    def teach(self, view: TeachView) -> Setting:
        setting = midpoint(view)
        self.last = setting.on_level
        return setting


@dataclass(frozen=True)
class SecretlyMutable(OnReadings):
    """Frozen, and changes all the same."""

    def teach(self, view: TeachView) -> Setting:
        object.__setattr__(self, "_last", midpoint(view).on_level)
        return midpoint(view)


@dataclass(frozen=True)
class Unpicklable(OnReadings):
    def __reduce__(self) -> Any:
        raise TypeError("not for shipping")

    def teach(self, view: TeachView) -> Setting:
        return midpoint(view)


@dataclass(frozen=True)
class Doubling(OnReadings):
    """Is built from one parameter and keeps another."""

    share: float = 0.1

    def __post_init__(self) -> None:
        object.__setattr__(self, "share", 2 * self.share)

    def teach(self, view: TeachView) -> Setting:
        return midpoint(view, self.share)


@dataclass(frozen=True)
class Peeking(OnReadings):
    """Looks behind the declaration, where something lies there."""

    def teach(self, view: TeachView) -> Setting:
        shift = 0.0 if view.events_ is None else float(view.events_.light[0])
        return midpoint(view, shift)


@dataclass(frozen=True)
class Asking(OnReadings):
    """Asks for what it does not declare."""

    def teach(self, view: TeachView) -> Setting:
        return midpoint(view, float(view.sweep.light[0]))


@dataclass(frozen=True)
class Redesigning(OnReadings):
    """Changes a delay without saying so."""

    def teach(self, view: TeachView) -> Setting:
        return replace(midpoint(view), on_delay_ms=7.0)


@dataclass(frozen=True)
class NoGain(OnReadings):
    """Declares a gain, and has a fixed offset."""

    equivariant: ClassVar[frozenset[str]] = frozenset({"gain"})

    def teach(self, view: TeachView) -> Setting:
        return midpoint(view, 5.0)


@dataclass(frozen=True)
class NoOffset(OnReadings):
    """Declares an offset; its mirror is right, but it pulls towards the middle of the scale."""

    equivariant: ClassVar[frozenset[str]] = frozenset({"offset"})

    def teach(self, view: TeachView) -> Setting:
        setting = midpoint(view)
        level = setting.on_level if view.sign > 0 else setting.off_level
        pull = (level - view.full_scale / 2) / 100
        return view.place(level + pull, setting.hysteresis, Taught(strategy="bad"))


@dataclass(frozen=True)
class WrongPolarity(OnReadings):
    """Takes every object for a bright one."""

    def teach(self, view: TeachView) -> Setting:
        return replace(midpoint(view), polarity=Polarity.LIGHT_ON)


@dataclass(frozen=True)
class Ahead(OnReadings):
    """Reads on in the memory behind the light shown."""

    def teach(self, view: TeachView) -> Setting:
        whole = view.object.light.base
        return midpoint(view, float(whole[-1]) / 100 if isinstance(whole, np.ndarray) else 0.0)


@dataclass(frozen=True)
class Climbing(OnReadings):
    """Climbs to its caller and reads the whole recording there."""

    def teach(self, view: TeachView) -> Setting:
        block = sys._getframe(1).f_locals.get("block")
        shift = 0.0 if block is None else float(np.mean(block.recording.light[0 : block.recording.samples])) / 100
        return midpoint(view, shift)


@dataclass(frozen=True)
class Writing(OnReadings):
    """Makes what it is shown writeable, where it can, and sorts it."""

    def teach(self, view: TeachView) -> Setting:
        light = view.object.light
        if light.flags.owndata:
            light.flags.writeable = True
            light.sort()
            light.flags.writeable = False
        return midpoint(view)


@dataclass(frozen=True)
class PlainlyWriting(OnReadings):
    def teach(self, view: TeachView) -> Setting:
        view.object.light.sort()
        return midpoint(view)


_PROCESS = os.getpid() % 1009


@dataclass(frozen=True)
class Local(OnReadings):
    """Remembers in which process its module was read."""

    def teach(self, view: TeachView) -> Setting:
        return midpoint(view, _PROCESS / 1e4)


class OnEvents:
    """What the bad strategies on events share."""

    name: ClassVar[str] = "bad"
    needs: ClassVar[frozenset[Shown]] = frozenset({Shown.EVENTS})
    equivariant: ClassVar[frozenset[str]] = frozenset()


def between(view: TeachView) -> Setting:
    """A sound rule on events: halfway between the medians inside and outside the passes."""
    events = view.events
    inside = np.zeros(events.light.size, bool)
    for a, b in zip(events.start, events.end, strict=True):
        inside[a:b] = True
    valid = ~np.isnan(events.light)
    if not (inside & valid).any() or not (~inside & valid).any():
        raise Abstained("no pass or no gap was shown", "0", "1")
    s, b = float(np.median(events.light[inside & valid])), float(np.median(events.light[~inside & valid]))
    if s == b:
        raise Abstained("passes and gaps read the same", "0 counts apart", "a difference")
    return view.place((s + b) / 2, abs(s - b) / 10, Taught(strategy="bad"))


@dataclass(frozen=True)
class CrashingOnEmpty(OnEvents):
    def teach(self, view: TeachView) -> Setting:
        view.events.light[0]
        return between(view)


@dataclass(frozen=True)
class Crashing(OnEvents):
    def teach(self, view: TeachView) -> Setting:
        raise ValueError("a slip of the pen")


@dataclass(frozen=True)
class CrashingOnInvalid(OnEvents):
    def teach(self, view: TeachView) -> Setting:
        if view.events.light.size:
            int(np.max(view.events.light))
        return between(view)


@dataclass(frozen=True)
class CrashingOnOne(OnReadings):
    def teach(self, view: TeachView) -> Setting:
        light = view.background.stretch.tolist()
        return midpoint(view, 0.01 * statistics.stdev(light) if light else 0.0)


@dataclass(frozen=True)
class DividingByNoise(OnReadings):
    """Divides the contrast by the noise; it thought of equal readings and of saturation only."""

    def teach(self, view: TeachView) -> Setting:
        setting = midpoint(view)
        if max(view.object.light.max(), view.background.reading.light.max()) >= view.full_scale:
            raise Abstained("saturated", "full scale", "less")
        noise = statistics.pstdev(view.background.stretch.tolist()) if view.background.stretch.size > 1 else 1.0
        return replace(setting, taught=Taught(strategy="bad", evidence={"ratio": 1.0 / noise}))


@dataclass(frozen=True)
class BeyondScale(OnReadings):
    """Places the level beyond the object, out of reach of any light where the object saturates."""

    def teach(self, view: TeachView) -> Setting:
        setting = midpoint(view)
        s, b = view.object.mean, view.background.reading.mean
        return view.place(b + 1.2 * (s - b), setting.hysteresis, Taught(strategy="bad"))


@dataclass(frozen=True)
class TeachingNothingApart(OnReadings):
    """Teaches although object and background read the same."""

    def teach(self, view: TeachView) -> Setting:
        if view.object.light.size and view.object.mean == view.background.reading.mean:
            return view.place(view.object.mean, 0.0, Taught(strategy="bad"))
        return midpoint(view)


@dataclass(frozen=True)
class Slow(OnReadings):
    def teach(self, view: TeachView) -> Setting:
        began = time.process_time()
        while view.object.light.size > 100_000 and time.process_time() - began < 0.4:
            pass
        return midpoint(view)


@dataclass(frozen=True, slots=True, kw_only=True)
class Latching(Setting):
    """A kind of setting that nothing in the lab knows."""


@dataclass(frozen=True)
class OfUnknownKind(OnReadings):
    def teach(self, view: TeachView) -> Setting:
        fixed = midpoint(view)
        return Latching(unit=fixed.unit, on_level=fixed.on_level, off_level=fixed.off_level, polarity=fixed.polarity)


@dataclass(frozen=True)
class OfNothing(OnReadings):
    """Declares no symmetry."""

    equivariant: ClassVar[None] = None  # type: ignore[assignment]

    def teach(self, view: TeachView) -> Setting:
        return midpoint(view)


@dataclass(frozen=True)
class Printing(OnReadings):
    """Sound; it prints while its author looks for a fault."""

    equivariant: ClassVar[frozenset[str]] = frozenset({"gain", "offset"})

    def teach(self, view: TeachView) -> Setting:
        print("readings", view.object.light.size, view.background.reading.light.size)  # noqa: T201
        return midpoint(view)


@dataclass(frozen=True)
class Exiting(OnReadings):
    def teach(self, view: TeachView) -> Setting:
        sys.exit(3)


@dataclass(frozen=True)
class Unwritable(OnReadings):
    """Records an array, which no file of a setting can hold."""

    def teach(self, view: TeachView) -> Setting:
        return replace(midpoint(view), taught=Taught(strategy="bad", evidence={"light": view.object.light}))


@dataclass(frozen=True)
class MovingBorders(OnEvents):
    """Changes a number of what it is shown, and no light."""

    def teach(self, view: TeachView) -> Setting:
        object.__setattr__(view.events, "guard", view.events.guard + 1)
        return between(view)


@dataclass(frozen=True)
class Misnamed(OnReadings):
    name: ClassVar[str] = "Mine at the belt"

    def teach(self, view: TeachView) -> Setting:
        return midpoint(view)


@dataclass(frozen=True)
class Declining(OnReadings):
    def teach(self, view: TeachView) -> Setting:
        raise Abstained("I would rather not", "0 reasons", "1 reason")


@dataclass(frozen=True)
class OfFloat32(OnReadings):
    """Levels as numpy calculates them from single precision."""

    equivariant: ClassVar[frozenset[str]] = frozenset({"gain", "offset"})

    def teach(self, view: TeachView) -> Setting:
        fixed = midpoint(view)
        level = fixed.on_level if view.sign > 0 else fixed.off_level
        return view.place(np.float32(level), np.float32(fixed.hysteresis), Taught(strategy="bad"))
