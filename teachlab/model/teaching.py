"""Teach evidence: what a strategy is shown, and the protocol that it implements."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import ClassVar, Protocol, TypeVar, runtime_checkable

import numpy as np
from numpy.typing import NDArray

from teachlab.errors import Abstained, StrategyError
from teachlab.model.bounds import LARGEST_LEVEL
from teachlab.model.recording import Direction
from teachlab.model.setting import Polarity, Setting, Taught

Levels = NDArray[np.float64]
"""Evaluated light as float64, shape (n,), recording units; NaN is an invalid evaluation."""
Held = TypeVar("Held")


class Shown(StrEnum):
    """The kinds of evidence a strategy may ask for."""

    BACKGROUND = "background"
    OBJECT = "object"
    SWEEP = "sweep"
    EVENTS = "events"


@dataclass(frozen=True, slots=True, eq=False)
class Reading:
    """A static reading: consecutive evaluations with the belt stopped in front of one object or gap.

    `light` (shape (n,), recording units): valid evaluations only.
    `at_sample`, `to_sample`: samples ``[at, to)`` within which the reading was taken, for the record; `to_sample` 0
    where it is not known.
    """

    light: Levels
    at_sample: int = 0
    to_sample: int = 0

    @property
    def mean(self) -> float:
        """Mean light, recording units; for equal values exactly that value."""
        # # Summation rounds, so the mean of a constant could differ from it in the last bit.
        return float(np.clip(np.mean(self.light), self.light.min(), self.light.max()))


@dataclass(frozen=True, slots=True, eq=False)
class Background:
    """The empty sensor: one static reading, and a longer stretch for its statistics.

    `reading`: mean of about 40 valid evaluations in one gap.
    `stretch` (shape (n,), recording units): valid evaluations of consecutive gap samples, at least the longer of 2 s
    and 40 where available.
    `stretch_at_sample`, `stretch_to_sample`: samples ``[at, to)`` within which the stretch was taken, for the record; 0
    where it is not known.
    """

    reading: Reading
    stretch: Levels
    stretch_at_sample: int = 0
    stretch_to_sample: int = 0


@dataclass(frozen=True, slots=True, eq=False)
class Sweep:
    """An unlabelled stretch of running product.

    `light` (shape (n,), recording units): all evaluations in time order; NaN is an invalid evaluation.
    `passes`: number of passes that went by.
    `at_sample`: first sample of the stretch, for the record.
    """

    light: Levels
    passes: int
    at_sample: int = 0

    @property
    def valid(self) -> Levels:
        """The valid evaluations."""
        return self.light[~np.isnan(self.light)]


@dataclass(frozen=True, slots=True, eq=False)
class Events:
    """Labelled passes and gaps of a stretch of the teach block.

    `light` (shape (n,), recording units): all evaluations of the stretch; NaN is an invalid evaluation.
    `start`, `end` (shape (k,), evaluations): passes ``[start, end)`` as indices into `light`.
    `detect` (shape (k,)): false for passes that must be ignored.
    `label` (shape (k,)): kind of object.
    `guard` (evaluations): border uncertainty: a gap lies outside every pass widened by this much.
    `at_sample`: first sample of the stretch, for the record.
    """

    light: Levels
    start: NDArray[np.int64]
    end: NDArray[np.int64]
    detect: NDArray[np.bool_]
    label: NDArray[np.object_]
    guard: int
    at_sample: int = 0

    @property
    def evaluations(self) -> int:
        """How many evaluations the stretch has."""
        return int(self.light.size)

    def parts(self) -> Iterator[Levels]:
        """Iterate over the light in parts, one after the other; where it is long it is not held."""
        yield self.light


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TeachView:
    """Evidence that a strategy may read; evidence that it did not declare raises an error.

    Parameters
    ----------
    direction : Direction
        What objects do to the light: stored, or found in the teach block.
    unit : str
        Unit of the light.
    full_scale : float, recording units, optional
        Level at which the receiver saturates.
    dark_level : float, recording units
        Level without light.
    rate_hz : float, Hz
        Evaluations per second of everything shown.
    base : Setting
        Delays, filter and evaluation rate to keep; its levels are not used.
    shown : frozenset of Shown
        What the strategy declared.
    """

    direction: Direction
    unit: str
    full_scale: float | None
    dark_level: float
    rate_hz: float
    base: Setting
    shown: frozenset[Shown]
    background_: Background | None = None
    object_: Reading | None = None
    sweep_: Sweep | None = None
    events_: Events | None = None

    def _shown(self, kind: Shown, value: Held | None) -> Held:
        if kind not in self.shown:
            raise StrategyError(
                f"the strategy looked at '{kind}' without declaring it; it declares "
                f"{sorted(str(s) for s in self.shown)}. Add Shown.{kind.name} to its `needs`."
            )
        if value is None:
            raise StrategyError(f"no '{kind}' evidence was drawn for this view.")
        return value

    @property
    def background(self) -> Background:
        """The empty sensor."""
        return self._shown(Shown.BACKGROUND, self.background_)

    @property
    def object(self) -> Reading:
        """A static reading on one object."""
        return self._shown(Shown.OBJECT, self.object_)

    @property
    def sweep(self) -> Sweep:
        """An unlabelled stretch of running product."""
        return self._shown(Shown.SWEEP, self.sweep_)

    @property
    def events(self) -> Events:
        """Labelled passes and gaps."""
        return self._shown(Shown.EVENTS, self.events_)

    @property
    def sign(self) -> int:
        """+1 where objects raise the light, −1 where they lower it."""
        return 1 if self.direction is Direction.RISE else -1

    def place(self, level: float, hysteresis: float, taught: Taught) -> Setting:
        """Return the base setting with its levels placed for objects to be active.

        The output becomes active at `level`; `hysteresis` is the distance to the release. Rise:
        ``on = level, off = level − hysteresis``, light-on. Dip: ``off = level, on = level + hysteresis``,
        dark-on.

        Parameters
        ----------
        level, hysteresis : float, recording units
            Active level, and the distance of the release from it (at least 0).
        taught : Taught
            For the record.

        Raises
        ------
        Abstained
            If the level is finite but beyond the range of light.
        """
        if self.direction is Direction.RISE:
            on, off = level, level - hysteresis
        else:
            on, off = level + hysteresis, level
        strongest = float(max(abs(on), abs(off)))  # beside a float32 the limit would overflow
        if LARGEST_LEVEL < strongest < float("inf"):
            raise Abstained("the level lies beyond any light", f"{strongest:.3g}", f"at most {LARGEST_LEVEL:g}")
        return replace(self.base, on_level=on, off_level=off, polarity=polarity_of(self.direction), taught=taught)


def polarity_of(direction: Direction) -> Polarity:
    """Return the polarity that makes objects active: light-on where they raise the light, else dark-on."""
    return Polarity.LIGHT_ON if direction is Direction.RISE else Polarity.DARK_ON


@runtime_checkable
class Strategy(Protocol):
    """A rule that turns teach evidence into a setting, or abstains.

    Built-ins and plug-ins are frozen dataclasses; their fields are the parameters. Field metadata may hold
    the texts `unit` and `help`, which listings show. Further attributes are understood where present:

    - `sweep_passes`, int: how many passes its sweep holds (5 if absent);
    - `either_direction`, bool: it does not use the direction of the objects, and is shown evidence where none can
      be told (the view then says rise);
    - `designs`, frozenset of str: fields of the base setting, besides the levels and the polarity, that the
      strategy may change. A change to any other is refused;
    - `equivariant`, frozenset of str, a class variable or a property where it depends on a parameter: which
      changes of all the light move the taught levels along, as the conformance checks then demand.
      ``"gain"``: ``x → dark + g·(x − dark)`` moves a level L to ``dark + g·(L − dark)`` (rules on ratios and
      differences; not a fixed offset). ``"offset"``: ``x → x + a`` at the same dark level moves L to ``L + a``,
      and mirrored light, ``x → C − x`` with the other direction, mirrors L to ``C − L`` (rules on differences;
      not shares of the light above dark). Empty: neither. Absent: nothing is said, and the checks are skipped.
    """

    name: ClassVar[str]
    """Kebab-case; equals the entry-point name."""

    @property
    def needs(self) -> frozenset[Shown]:
        """What the strategy must be shown: a class variable, or a property where it depends on a parameter."""
        ...

    def teach(self, view: TeachView) -> Setting:
        """Return a setting, or raise `teachlab.errors.Abstained`."""
        ...
