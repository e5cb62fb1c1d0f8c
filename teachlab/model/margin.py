"""Margin values: four sides, population figure and excess gain of one setting on one recording."""

from __future__ import annotations

from dataclasses import dataclass, field, fields
from typing import Any, ClassVar

from teachlab.model.arrays import Floats
from teachlab.model.json_values import Document, picked

SIDE_WORDS = {
    "detect": ("weakest passes", "level"),
    "trip": ("strongest gaps", "level"),
    "release": ("gaps that come back least", "level of release"),
    "hold": ("weakest moments inside passes", "level of release"),
}
"""Of each margin, the light that is near and the level it is near to."""


def wrong_side_text(side: str, margin: float) -> str:
    """Say how far the nearest light of a margin below 0 lies from its level; `margin`: noise.

    Examples
    --------
    >>> wrong_side_text("release", -34.97)
    'the gaps that come back least lie 35 times the noise on the wrong side of the level of release'
    """
    of, what = SIDE_WORDS[side]
    return f"the {of} lie {-margin:.3g} times the noise on the wrong side of the {what}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Sides:
    """Distances to the levels in units of the local noise; None if it was not measured.

    `detect`: from the level of activation to the weakest passes.
    `trip`: from the strongest gaps to the level of activation.
    `release`: from the gap whose light falls least to the level of release.
    `hold`: from the level of release to the deepest valley inside a pass.
    """

    detect: float | None
    trip: float | None
    release: float | None
    hold: float | None

    def smallest(self) -> tuple[str, float] | None:
        """Return the smallest one with its name, the first of equal ones; None if nothing was measured."""
        known = [(name, value) for name in self.__slots__ if (value := getattr(self, name)) is not None]
        return min(known, key=lambda item: item[1]) if known else None


@dataclass(frozen=True, slots=True)
class _Two(Document):
    """Two figures, with the smaller of those that were measured."""

    ALSO: ClassVar[tuple[str, ...]] = ("smallest",)

    @property
    def smallest(self) -> float | None:
        """The smaller of the two."""
        known = (getattr(self, one.name) for one in fields(self))
        return min((value for value in known if value is not None), default=None)


@dataclass(frozen=True, slots=True, kw_only=True)
class Population(_Two):
    """How many standard deviations lie between the mean of the whole population and the level.

    `detect`, `trip`: ``(mean P − T) / sd P`` and ``(T − mean G) / sd G``; None with fewer than two passes or gaps.
    """

    detect: float | None
    trip: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class ExcessGain(_Two):
    """Ratios of light above the dark level.

    `light`: light of the light state divided by the level of activation.
    `dark`: that level divided by the light of the dark state; None if the dark state has no light at all.
    """

    light: float | None
    dark: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class EqualCost(Document):
    """How far both levels of a setting may be moved together at the same cost.

    `down`, `up` (recording units): every tried shift from ``−down`` to ``up`` has the same cost as the setting.
    `resolution` (recording units): distance between the tried shifts.
    `on_low`, `on_high` (recording units): the same range, as on-levels.
    `cost`: cost per scored pass.
    """

    down: float
    up: float
    resolution: float
    on_low: float
    on_high: float
    cost: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Margin:
    """How far a setting is from its first error on this recording.

    `population`: the same distance in standard deviations of passes and gaps.
    `noise_object`, `noise_background` (recording units): local noise.
    `weakest_pass`, `strongest_gap`, `highest_valley`, `lowest_hold` (recording units): the quantiles used for the four
    sides: of the sustained peaks of passes and of gaps, of the sustained valleys of gaps, and of the valleys inside
    passes.
    `edge_range` (recording units): 99 % quantile of the range of the background within the time of one edge; the
    hysteresis must be larger.
    `hysteresis_to_noise`: hysteresis divided by that range; below 1 a slow edge may switch more than once.
    `hysteresis_to_sigma`: hysteresis divided by the larger local noise.
    `sustained_evaluations`: how long a peak must last: lag + 1.
    `passes`, `gaps`: how many passes and gaps were measured.
    `no_variance`: sides whose light is at an end of the scale in most passes, or gaps. There no variance is visible, so
    no distance in noise can be given, and the sides are None.
    `step` (recording units): smallest step between the levels that occur; None if only one level occurs.
    `peak_of_pass` (shape (passes of the truth,)): sustained peak of every pass, turned so that active is up; NaN
    without one.
    `hold_of_pass` (shape (passes of the truth,)): valley inside every pass, turned in the same way; NaN for a pass that
    is never active.
    `gap_top`, `gap_valley` (shape (passes of the truth,)): sustained peak and valley of the gap after every pass,
    turned in the same way; NaN where no gap was measured.
    """

    sides: Sides
    population: Population
    excess_gain: ExcessGain
    noise_object: float | None
    noise_background: float | None
    weakest_pass: float | None
    strongest_gap: float | None
    highest_valley: float | None
    lowest_hold: float | None
    edge_range: float | None
    hysteresis_to_noise: float | None
    hysteresis_to_sigma: float | None
    quantile_share: float
    sustained_evaluations: int
    passes: int
    gaps: int
    no_variance: tuple[str, ...] = ()
    step: float | None = None
    peak_of_pass: Floats | None = field(default=None, compare=False, repr=False)
    hold_of_pass: Floats | None = field(default=None, compare=False, repr=False)
    gap_top: Floats | None = field(default=None, compare=False, repr=False)
    gap_valley: Floats | None = field(default=None, compare=False, repr=False)

    @property
    def to_noise(self) -> float | None:
        """Margin to noise: the smallest of the four sides."""
        found = self.sides.smallest()
        return None if found is None else found[1]

    @property
    def limited_by(self) -> str | None:
        """Name of the smallest side."""
        found = self.sides.smallest()
        return None if found is None else found[0]

    def as_dict(self) -> dict[str, Any]:
        """Return the plain JSON form."""
        own = [one.name for one in fields(self) if one.compare]
        return {"margin_to_noise": self.to_noise, **picked(self, "limited_by", *own)}
