"""A setting: all that decides the output of the sensor."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, replace
from enum import StrEnum
from typing import Any

from teachlab.errors import SettingError

MOST_CONSECUTIVE = 2**53
"""Evaluations up to here are exact as floating-point numbers too, with which times are reckoned."""


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

    Parameters
    ----------
    strategy : str
        Name of the strategy.
    parameters, evidence : mapping
        Its parameters and what it was shown, as plain JSON values.
    """

    strategy: str
    parameters: Mapping[str, Any] = field(default_factory=dict)
    evidence: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Setting:
    """Levels, polarity, filter and delays of the sensor (schema 1).

    Parameters
    ----------
    unit : str
        Unit of the levels; must equal the recording's.
    on_level, off_level : float, recording units
        Light begins at ``x >= on_level`` and ends at ``x < off_level``; ``off_level <= on_level``.
    polarity : Polarity
        light-on: active when light; dark-on: active when dark.
    consecutive : int
        Evaluations in a row that must disagree before the state changes, at least 1.
    on_delay_ms, off_delay_ms : float, ms
        Delays, at least 0.
    delays_act_on : DelaysActOn
        Output, or light state.
    evaluation_rate_hz : float, Hz, optional
        None evaluates every recorded sample.
    taught : Taught, optional
        How the setting came about.

    Raises
    ------
    SettingError
        If an invariant does not hold.
    """

    unit: str
    on_level: float
    off_level: float
    polarity: Polarity = Polarity.LIGHT_ON
    consecutive: int = 1
    on_delay_ms: float = 0.0
    off_delay_ms: float = 0.0
    delays_act_on: DelaysActOn = DelaysActOn.OUTPUT
    evaluation_rate_hz: float | None = None
    taught: Taught | None = None

    def __post_init__(self) -> None:
        object.__setattr__(self, "polarity", Polarity(self.polarity))
        object.__setattr__(self, "delays_act_on", DelaysActOn(self.delays_act_on))
        for name in ("on_level", "off_level"):
            value = float(getattr(self, name))
            object.__setattr__(self, name, value)
            if not math.isfinite(value):
                raise SettingError(f"{name} must be a finite number of {self.unit}, got {value}.")
        if self.off_level > self.on_level:
            raise SettingError(
                f"off_level ({self.off_level:g} {self.unit}) must not exceed on_level ({self.on_level:g} {self.unit}): "
                f"the hysteresis would be {self.on_level - self.off_level:g}. Swap the two levels."
            )
        if not 1 <= self.consecutive <= MOST_CONSECUTIVE:
            raise SettingError(
                f"consecutive must be 1 to {MOST_CONSECUTIVE} evaluations, got {str(self.consecutive)[:20]}."
            )
        for name in ("on_delay_ms", "off_delay_ms"):
            value = getattr(self, name)
            if not (math.isfinite(value) and value >= 0):
                raise SettingError(f"{name} must be a finite number of at least 0 ms, got {value}.")
        rate = self.evaluation_rate_hz
        if rate is not None and not (math.isfinite(rate) and rate > 0):
            raise SettingError(
                f"evaluation_rate_hz must be a finite number above 0, got {rate}. Use null to evaluate every sample."
            )

    @property
    def hysteresis(self) -> float:
        """Distance between the two levels, recording units."""
        return self.on_level - self.off_level

    def with_levels(self, on_level: float, off_level: float, polarity: Polarity) -> Setting:
        """Return the same filter, delays and rate with other levels."""
        return replace(self, on_level=on_level, off_level=off_level, polarity=polarity, taught=None)

    def as_dict(self) -> dict[str, Any]:
        """Return the plain JSON form of the setting, schema 1."""
        out: dict[str, Any] = {"schema": 1, **asdict(self)}
        out["polarity"] = str(self.polarity)
        out["delays_act_on"] = str(self.delays_act_on)
        return out
