"""A setting: everything that decides the output of the sensor."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, fields, replace
from enum import StrEnum
from typing import Any, ClassVar, Self

from teachlab.errors import SettingError
from teachlab.model.bounds import hold_bounds, hold_choice, hold_levels

MOST_CONSECUTIVE = 2**53
"""Up to here, numbers of evaluations are exact as floating-point numbers too, which times are."""


class Polarity(StrEnum):
    """When the output is active: while light is received, or while it is not."""

    LIGHT_ON = "light-on"
    DARK_ON = "dark-on"


class DelaysActOn(StrEnum):
    """Whether the delays work on the output, or on the light state before polarity."""

    OUTPUT = "output"
    LIGHT = "light"


@dataclass(frozen=True, slots=True, kw_only=True)
class Taught:
    """How a setting came about.

    `parameters`, `evidence`: its parameters and what it was shown, as plain JSON values.
    """

    strategy: str
    parameters: Mapping[str, Any] = field(default_factory=dict)
    evidence: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Switching:
    """What a sensor makes of the comparator's state: everything in a setting except its levels.

    Settings with the same value, ``a.switching == b.switching``, differ in their levels only.

    `polarity`: light-on: active when light; dark-on: active when dark.
    `consecutive`: evaluations in a row that must disagree before the state changes, at least 1.
    `on_delay_ms`, `off_delay_ms`: delays, at least 0.
    `evaluation_rate_hz`: None evaluates every recorded sample.
    Raises `SettingError` if an invariant does not hold.
    """

    # Bounds in the metadata hold for values and for files; a file must state the fields that are marked so.
    polarity: Polarity = field(default=Polarity.LIGHT_ON, metadata={"stated": True})
    consecutive: int = field(default=1, metadata={"ge": 1, "le": MOST_CONSECUTIVE, "unit": "evaluations"})
    on_delay_ms: float = field(default=0.0, metadata={"ge": 0, "unit": "ms"})
    off_delay_ms: float = field(default=0.0, metadata={"ge": 0, "unit": "ms"})
    delays_act_on: DelaysActOn = DelaysActOn.OUTPUT
    evaluation_rate_hz: float | None = field(
        default=None, metadata={"gt": 0, "unit": "Hz", "advice": "Use null to evaluate every sample."}
    )

    def __post_init__(self) -> None:
        hold_choice(self, "polarity", Polarity, SettingError)
        hold_choice(self, "delays_act_on", DelaysActOn, SettingError)
        hold_bounds(self, SettingError)

    @property
    def switching(self) -> Switching:
        """Everything except the levels, as a value of its own."""
        return Switching(**{f.name: getattr(self, f.name) for f in fields(Switching)})

    @property
    def light_on(self) -> bool:
        """Whether the output is active when light."""
        return self.polarity is Polarity.LIGHT_ON

    @property
    def sign(self) -> float:
        """Factor that turns light so that active is up: 1 for light-on, −1 for dark-on."""
        return 1.0 if self.light_on else -1.0

    @property
    def delays_swap_roles(self) -> bool:
        """Whether the off-delay delays an onset: if delays act on the light and objects are dark."""
        return not self.light_on and self.delays_act_on is DelaysActOn.LIGHT

    @property
    def holds_back_ms(self) -> float:
        """The delay before an onset, ms."""
        return self.off_delay_ms if self.delays_swap_roles else self.on_delay_ms

    @property
    def holds_on_ms(self) -> float:
        """The delay that keeps the output active after an object, ms."""
        return self.on_delay_ms if self.delays_swap_roles else self.off_delay_ms

    @property
    def has_memory(self) -> bool:
        """Whether filter or delays make the output depend on more than the comparator's present state."""
        return self.consecutive > 1 or self.on_delay_ms > 0 or self.off_delay_ms > 0

    def undelayed(self) -> Self:
        """Return the same without delays."""
        return replace(self, on_delay_ms=0.0, off_delay_ms=0.0)

    def holding_back(self, delay_ms: float) -> Self:
        """Return the same with another delay before an onset."""
        if self.delays_swap_roles:
            return replace(self, off_delay_ms=delay_ms)
        return replace(self, on_delay_ms=delay_ms)


@dataclass(frozen=True, slots=True, kw_only=True)
class Setting(Switching):
    """Levels, and the switching of the sensor above and below them (schema 1).

    Parameters
    ----------
    unit : str
        Unit of the levels; must equal the recording's.
    on_level, off_level : float, recording units
        Light begins at ``x >= on_level`` and ends at ``x < off_level``; ``off_level <= on_level``.
    polarity, consecutive, on_delay_ms, off_delay_ms, delays_act_on, evaluation_rate_hz
        See `Switching`.
    taught : Taught, optional
        How the setting came about.

    Raises
    ------
    SettingError
        If an invariant does not hold.
    """

    SCHEMA: ClassVar[int] = 1
    KIND: ClassVar[str] = ""
    """As documents name it; without one, levels are fixed."""

    unit: str = field(metadata={"min_length": 1})
    on_level: float
    off_level: float
    taught: Taught | None = None

    def __post_init__(self) -> None:
        Switching.__post_init__(self)
        hold_levels(self, ("on_level", "off_level"), SettingError)
        if self.off_level > self.on_level:
            raise SettingError(
                f"off_level ({self.off_level:g} {self.unit}) must not exceed on_level ({self.on_level:g} {self.unit}): "
                f"the hysteresis would be {self.on_level - self.off_level:g}. Swap the two levels."
            )

    @property
    def hysteresis(self) -> float:
        """Distance between the two levels, recording units."""
        return self.on_level - self.off_level

    @property
    def activation(self) -> float:
        """Level at which the output becomes active, recording units: on-level for light-on, off-level for dark-on."""
        return self.on_level if self.light_on else self.off_level

    @property
    def release(self) -> float:
        """Level at which the output is released, recording units."""
        return self.off_level if self.light_on else self.on_level

    def with_levels(self, on_level: float, off_level: float, polarity: Polarity | None = None) -> Setting:
        """Return the same filter, delays and rate with other levels, and with another polarity if one is given."""
        kept = self.polarity if polarity is None else polarity
        return replace(self, on_level=on_level, off_level=off_level, polarity=kept, taught=None)

    def activating_at(self, level: float, hysteresis: float) -> Setting:
        """Return the same switching with another level of activation, released `hysteresis` below or above it."""
        if self.light_on:
            return self.with_levels(level, level - hysteresis)
        return self.with_levels(level + hysteresis, level)

    def as_dict(self) -> dict[str, Any]:
        """Return the plain JSON form of the setting: unit, levels and switching first, its history last."""
        values = {name: str(value) if isinstance(value, StrEnum) else value for name, value in asdict(self).items()}
        order = "unit", "on_level", "off_level", *(f.name for f in fields(Switching))
        first = {name: values.pop(name) for name in order}
        kind, taught = {"kind": str(self.KIND)} if self.KIND else {}, values.pop("taught")
        return {"schema": self.SCHEMA, **first, **values, **kind, "taught": taught}


def bare(setting: Setting) -> Setting:
    """Return the setting without its history, so that equal settings are counted once."""
    return setting if setting.taught is None else replace(setting, taught=None)
