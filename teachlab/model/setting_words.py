"""A setting in words: its kind first, so that a window is never read as a pair of levels."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from teachlab.model.following_and_window import FollowingSetting, TurningPointSetting, WindowSetting
from teachlab.model.printable_text import FUZZ, in_figures, level_text, number_of
from teachlab.model.setting import Setting

if TYPE_CHECKING:
    from teachlab.model.margin import EqualCost

DELAY_DIGITS = 6
"""A delay is entered as it is printed: so many digits of it are told."""


def setting_in_words(setting: Setting, step: float | None = None, *, brief: bool = False) -> str:
    """Return kind, levels, polarity, filter and delays of a setting, levels to the smallest step of the light.

    `brief`: whether to leave out what stands in brackets, for use within brackets.

    Examples
    --------
    >>> from teachlab.model.setting import Setting
    >>> setting_in_words(Setting(unit="counts", on_level=1306.2, off_level=1108, on_delay_ms=5))
    'fixed levels, on 1306.2, off 1108 counts, light-on, on-delay 5 ms'
    >>> setting_in_words(Setting(unit="mV", on_level=620, off_level=550, polarity="dark-on"))
    'fixed levels, on 620, off 550 mV, dark-on (active below 550)'
    >>> at = Setting(unit="mV", on_level=84, off_level=20, polarity="dark-on")
    >>> setting_in_words(WindowSetting.of(at, low_release=22, high_release=77))
    'two thresholds, active between 22 and 77 mV (until below 20 or above 84), dark-on'
    >>> setting_in_words(WindowSetting.of(at, low_release=22, high_release=77), brief=True)
    'two thresholds, active between 22 and 77 mV, dark-on'
    """
    way, dark_on = str(setting.polarity), not setting.light_on
    on, off, unit = level_text(setting.on_level, step), level_text(setting.off_level, step), setting.unit
    levels, beside = f"fixed levels, on {on}, off {off} {unit}", ""
    if isinstance(setting, WindowSetting):
        low, high = level_text(setting.low_release, step), level_text(setting.high_release, step)
        if dark_on:
            where, beside = f"between {low} and {high}", f" (until below {off} or above {on})"
        else:
            where, beside = f"below {off} and above {on}", f" (until {low} or below {high})"
        levels = f"two thresholds, active {where} {unit}"
    elif isinstance(setting, FollowingSetting):
        levels = (
            f"levels that follow the background, on {on}, off {off} {unit} at a background of "
            f"{level_text(setting.reference, step)}"
        )
    elif isinstance(setting, TurningPointSetting):
        levels = _turning_text(setting, step)
    elif dark_on and not brief:
        # The levels are those of the light: a dark-on output begins at the lower one.
        way += f" (active below {off})"
    return ", ".join([levels if brief else levels + beside, way, *_timings(setting)])


def timings_in_words(setting: Setting) -> str:
    """Return the filter and delays of a setting that are in use."""
    return ", ".join(_timings(setting)) or "no filter, no delay"


def equal_cost_text(room: EqualCost, setting: Setting, step: float | None = None) -> str:
    """Say which levels of activation cost the same as that of the setting: on-levels, or off-levels if it is dark-on.

    Examples
    --------
    >>> from teachlab.model.margin import EqualCost
    >>> room = EqualCost(down=80, up=60, resolution=0.5, on_low=340.2, on_high=480, cost=0)
    >>> from teachlab.model.setting import Polarity, Setting
    >>> at = {"unit": "counts", "on_level": 420, "off_level": 400}
    >>> equal_cost_text(room, Setting(**at))
    'Any on-level from 340.2 to 480.0 counts costs the same here, with this hysteresis.'
    >>> equal_cost_text(room, Setting(**at), step=1)
    'Any on-level from 341 to 480 counts costs the same here, with this hysteresis.'
    >>> equal_cost_text(room, Setting(**at, polarity=Polarity.DARK_ON), step=1)
    'Any off-level from 321 to 460 counts costs the same here, with this hysteresis.'
    """
    # No finer than the tried shifts, and rounded inwards: everything that is stated was tried.
    digits = max(0, -math.floor(math.log10(max(room.resolution, step or 0.0))))
    below, name = (0.0, "on-level") if setting.light_on else (setting.on_level - setting.off_level, "off-level")
    low = math.ceil((room.on_low - below) * 10**digits - FUZZ) / 10**digits
    high = math.floor((room.on_high - below) * 10**digits + FUZZ) / 10**digits
    if high <= low:
        fine = max(room.resolution, step or 0.0)
        return f"No other {name} costs the same here (checked in steps of {fine:.2g} {setting.unit})."
    return (
        f"Any {name} from {low:.{digits}f} to {high:.{digits}f} {setting.unit} costs the same here, with this "
        "hysteresis."
    )


def _turning_text(setting: TurningPointSetting, step: float | None) -> str:
    share = setting.share
    distance = (
        f"{level_text(setting.taught_distance, step)} {setting.unit}" if share is None else f"{100 * share:.3g} %"
    )
    way = f"{'rises' if setting.rise else 'falls'} {distance} {'above' if setting.rise else 'below'}"
    furthest = "lowest" if setting.rise else "highest"
    return (
        f"turning points, an object where the light {way} its {furthest} since the last one, until it has come back by "
        f"{100 * setting.return_share:.3g} % of that, from a background of {level_text(setting.background, step)} "
        f"{setting.unit}"
    )


def _timings(setting: Setting) -> list[str]:
    parts = [f"filter of {number_of(setting.consecutive, 'evaluation')}"] if setting.consecutive > 1 else []
    delays = (("on-delay", setting.on_delay_ms), ("off-delay", setting.off_delay_ms))
    return parts + [f"{name} {in_figures(ms, DELAY_DIGITS)} ms" for name, ms in delays if ms]
