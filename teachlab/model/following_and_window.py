"""Settings of schema 2 (levels that follow the background, windows of two thresholds) and 3 (turning points).

All are settings: filter, polarity, delays and evaluation rate mean the same as in schema 1, and `on_level` and
`off_level` exist. Code that works with fixed levels only must call `fixed_levels` first.
"""

from __future__ import annotations

from dataclasses import dataclass, field, fields
from enum import StrEnum
from typing import Any, ClassVar, Self

from teachlab.errors import SettingError
from teachlab.model.bounds import hold_choice, hold_levels
from teachlab.model.recording import Direction
from teachlab.model.setting import Setting

SCHEMA = 2
TURNING_SCHEMA = 3
MAX_UPDATE_EVALUATIONS = 65_536
MAX_TIME_MS = 1e9
"""Longest time constant, about 11 days."""


class SettingKind(StrEnum):
    """The kinds of setting of schema 2 and 3."""

    FOLLOWING = "following"
    WINDOW = "window"
    TURNING_POINT = "turning-point"


class Follow(StrEnum):
    """How levels move with the reference: in proportion to it above dark, or by the same amount."""

    GAIN = "gain"
    OFFSET = "offset"


@dataclass(frozen=True, slots=True, kw_only=True)
class FollowingSetting(Setting):
    """Levels that follow a reference: the background light, tracked while no object is there (schema 2).

    `on_level` and `off_level` are the levels at the taught `reference`. The switching rules are in
    ``teachlab/switching/SWITCHING.md``.

    `reference`, `low_limit`, `high_limit` (recording units): background light when taught, where following starts, and
    its limits. An update that would cross a limit starts the alarm. ``low_limit <= reference <= high_limit``.
    `follow`: gain: levels keep their ratio to the reference, both above `dark_level`; offset: they keep their distance
    from it.
    `dark_level` (recording units): level without light; for gain ``dark_level < low_limit``.
    `time_constant_ms`: time in which the reference covers 63 % of a step of the background.
    `update_evaluations`: the reference is updated once in this many evaluations, 1 … 65,536.
    `freeze`: whether evaluations in the state of an object leave the reference unchanged.
    `freeze_hold_ms`: how long the reference stays frozen after the state of an object.
    `guard` (share of the distance between active level and reference): evaluations at least this far from the reference
    do not count. None: all count.
    `slew_per_s` (recording units per second): the reference moves no faster than this. None: no limit.
    `release_after_ms`: if no evaluation has counted for this time, the reference is set to the present light.
    None: never.
    Raises `SettingError` if an invariant does not hold; both levels must lie on the objects' side of the reference.
    """

    SCHEMA: ClassVar[int] = SCHEMA
    KIND: ClassVar[str] = SettingKind.FOLLOWING

    reference: float
    low_limit: float
    high_limit: float
    follow: Follow = field(default=Follow.OFFSET, metadata={"stated": True})
    dark_level: float = 0.0
    time_constant_ms: float = field(default=1000.0, metadata={"gt": 0, "le": MAX_TIME_MS})
    update_evaluations: int = field(default=32, metadata={"ge": 1, "le": MAX_UPDATE_EVALUATIONS})
    freeze: bool = True
    freeze_hold_ms: float = field(default=0.0, metadata={"ge": 0})
    guard: float | None = field(default=None, metadata={"gt": 0})
    slew_per_s: float | None = field(default=None, metadata={"gt": 0})
    release_after_ms: float | None = field(default=None, metadata={"gt": 0})

    def __post_init__(self) -> None:
        Setting.__post_init__(self)
        hold_choice(self, "follow", Follow, SettingError)
        hold_levels(self, ("reference", "low_limit", "high_limit", "dark_level"), SettingError)
        self._check_reference()

    def _check_reference(self) -> None:
        if not self.low_limit <= self.reference <= self.high_limit:
            raise SettingError(
                f"reference ({self.reference:g} {self.unit}) must lie within low_limit and high_limit "
                f"({self.low_limit:g} … {self.high_limit:g} {self.unit}). Widen the limits, or teach again."
            )
        if self.follow is Follow.GAIN and not self.low_limit > self.dark_level:
            raise SettingError(
                f"low_limit ({self.low_limit:g} {self.unit}) must be above dark_level ({self.dark_level:g}) for levels "
                "that follow by gain: without light there is no ratio to keep. Raise low_limit, or follow by offset."
            )
        light_on = self.light_on
        if not (self.reference < self.off_level if light_on else self.reference >= self.on_level):
            name, side = ("off_level", "above") if light_on else ("on_level", "at or below")
            raise SettingError(
                f"{name} ({getattr(self, name):g} {self.unit}) must be {side} the reference ({self.reference:g}): "
                "else the background itself would hold the output active, and freeze the reference without end. "
                "Narrow the hysteresis, or move the level away from the background."
            )

    @classmethod
    def of(cls, setting: Setting, **following: Any) -> Self:
        """Return a setting that follows, with levels, filter and delays of a fixed one."""
        return cls(**{f.name: getattr(setting, f.name) for f in fields(Setting)}, **following)


@dataclass(frozen=True, slots=True, kw_only=True)
class WindowSetting(Setting):
    """Two thresholds, for objects that may be brighter or darker than the background (schema 2).

    Where schema 1 has *light*, a window has *beyond*: light-on is active while the light is beyond the window, dark-on
    while it is within. `on_level` is the upper threshold: beyond begins at ``x >= on_level`` and ends at ``x <
    high_release``. `off_level` is the lower one: beyond begins at ``x < off_level`` and ends at ``x >= low_release``.

    `low_release`, `high_release` (recording units): ``off_level <= low_release <= high_release <= on_level``.

    Raises `SettingError` if an invariant does not hold.
    """

    SCHEMA: ClassVar[int] = SCHEMA
    KIND: ClassVar[str] = SettingKind.WINDOW

    low_release: float
    high_release: float

    def __post_init__(self) -> None:
        Setting.__post_init__(self)
        hold_levels(self, ("low_release", "high_release"), SettingError)
        if not self.off_level <= self.low_release <= self.high_release <= self.on_level:
            raise SettingError(
                "the levels of a window must ascend, off_level <= low_release <= high_release <= on_level, got "
                f"{self.off_level:g}, {self.low_release:g}, {self.high_release:g}, {self.on_level:g} {self.unit}. "
                "Narrow the hysteresis of the two sides, or move them apart."
            )

    @classmethod
    def of(cls, setting: Setting, **window: Any) -> Self:
        """Return a window with filter and delays of another setting; `window` gives the other fields."""
        return cls(**({f.name: getattr(setting, f.name) for f in fields(Setting)} | window))


@dataclass(frozen=True, slots=True, kw_only=True)
class TurningPointSetting(Setting):
    """Switch when the light has moved a distance from its last turning point, as in SWITCHING.md (schema 3).

    An object begins when the light has moved by `distance` from its furthest value since the last object, towards the
    objects' side. It ends when the light has come back from its furthest value within the object by `return_share` of
    that distance.

    `form`: offset: a distance in recording units; gain: a share of the turning point above dark, for dips only.
    `direction`: dip: objects lower the light and are its dark state; rise: they raise it and are its light state.
    `background` (recording units): the turning point assumed before the first evaluation.
    `distance` (recording units): for the offset form, above 0.
    `share`: for the gain form, above 0 and at most 1.
    `return_share` (share of the distance): above 0.
    `dark_level` (recording units): level without light; below the background for the gain form.
    `on_level`, `off_level` (recording units): levels at which the state changes while the background is the taught one:
    for tables, computed, not given.
    Raises `SettingError` if an invariant does not hold.

    Examples
    --------
    >>> dip = TurningPointSetting(unit="mV", form="gain", direction="dip", background=60, share=0.1, polarity="dark-on")
    >>> dip.off_level, round(dip.on_level, 6)
    (54.0, 57.6)
    """

    SCHEMA: ClassVar[int] = TURNING_SCHEMA
    KIND: ClassVar[str] = SettingKind.TURNING_POINT

    on_level: float = field(init=False)
    off_level: float = field(init=False)
    form: Follow = field(default=Follow.OFFSET, metadata={"stated": True})
    direction: Direction = field(default=Direction.DIP, metadata={"stated": True})
    background: float
    distance: float | None = field(default=None, metadata={"gt": 0})
    share: float | None = field(default=None, metadata={"gt": 0, "le": 1})
    return_share: float = field(default=0.6, metadata={"gt": 0})
    dark_level: float = 0.0

    def __post_init__(self) -> None:
        hold_choice(self, "form", Follow, SettingError)
        hold_choice(self, "direction", Direction, SettingError)
        own = ("background", "dark_level", "return_share", "distance", "share")
        hold_levels(self, (name for name in own if getattr(self, name) is not None), SettingError)
        wanted, other = ("share", "distance") if self.form is Follow.GAIN else ("distance", "share")
        if getattr(self, wanted) is None or getattr(self, other) is not None:
            raise SettingError(f"the form {self.form} needs {wanted} and no {other}. Give {wanted} alone.")
        if self.form is Follow.GAIN and not (self.direction is Direction.DIP and self.background > self.dark_level):
            raise SettingError(
                f"the form gain is for objects that dip from a background above dark_level ({self.dark_level:g}), got "
                f"{self.direction} from {self.background:g} {self.unit}. Use the form offset."
            )
        up = self.rise
        away = self.background + self.taught_distance if up else self.background - self.taught_distance
        back = self.return_share * self.taught_distance
        object.__setattr__(self, "on_level", away if up else away + back)
        object.__setattr__(self, "off_level", away - back if up else away)
        Setting.__post_init__(self)

    @property
    def rise(self) -> bool:
        """Whether objects raise the light."""
        return self.direction is Direction.RISE

    @property
    def taught_distance(self) -> float:
        """How far the light of an object must be from the taught background, recording units."""
        if self.distance is not None:
            return self.distance
        return (self.share or 0.0) * (self.background - self.dark_level)

    def as_dict(self) -> dict[str, Any]:
        """Return the plain JSON form of the setting, without levels."""
        left_out = ("on_level", "off_level", "share" if self.share is None else "distance")
        return {name: value for name, value in Setting.as_dict(self).items() if name not in left_out}


def without_kind(setting: Setting) -> Setting:
    """Return filter, polarity, delays, rate and both levels of any setting as one of schema 1."""
    if type(setting) is Setting:
        return setting
    return Setting(**{f.name: getattr(setting, f.name) for f in fields(Setting)})


def unknown_kind(setting: Setting) -> str:
    """Return why nothing here can switch by a setting of this kind; otherwise an empty text.

    A class derived from a setting would be switched as its parent, whatever its own fields mean.
    """
    if type(setting) in (Setting, FollowingSetting, WindowSetting, TurningPointSetting):
        return ""
    return (
        f"it returns a {type(setting).__name__}, a kind of setting that is not known here. "
        "Return a Setting, a FollowingSetting, a WindowSetting or a TurningPointSetting."
    )


def fixed_levels(setting: Setting, what: str) -> Setting:
    """Return a setting of schema 1 unchanged; refuse one that is not fully described by its levels (`what` needs them).

    Raises `SettingError` if the setting follows the background or turning points, or has two thresholds.
    """
    if type(setting) is not Setting:
        raise SettingError(
            f"{what} needs one pair of fixed levels (schema 1), got a setting of kind '{setting.KIND}' (schema "
            f"{setting.SCHEMA}). What it does is counted by replay, on light as it is and on light logged under "
            "other conditions: teachlab replay RECORDING --setting SETTING. Or use a setting of fixed levels."
        )
    return setting
