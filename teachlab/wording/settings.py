"""A setting in words: its kind first, so that a window is never read as a pair of levels."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from teachlab.model.following_and_window import FollowingSetting, TurningPointSetting, WindowSetting
from teachlab.model.printable_text import FUZZ, level_text

if TYPE_CHECKING:
    from teachlab.model.margin import EqualCost
    from teachlab.model.setting import Setting


def setting_text(setting: Setting, step: float | None = None) -> str:
    """Return kind, levels, polarity, filter and delays of a setting, levels to the smallest step of the light.

    Examples
    --------
    >>> from teachlab.model.setting import Setting
    >>> setting_text(Setting(unit="counts", on_level=1306.2, off_level=1108, on_delay_ms=5))
    'fixed levels, on 1306.2, off 1108 counts, light-on, on-delay 5 ms'
    >>> setting_text(Setting(unit="mV", on_level=620, off_level=550, polarity="dark-on"))
    'fixed levels, on 620, off 550 mV, dark-on (active below 550)'
    >>> at = Setting(unit="mV", on_level=84, off_level=20, polarity="dark-on")
    >>> setting_text(WindowSetting.of(at, low_release=22, high_release=77))
    'two thresholds, active between 22 and 77 mV (until below 20 or above 84), dark-on'
    """
    way, dark_on = str(setting.polarity), not setting.light_on
    on, off, unit = level_text(setting.on_level, step), level_text(setting.off_level, step), setting.unit
    if isinstance(setting, WindowSetting):
        low, high = level_text(setting.low_release, step), level_text(setting.high_release, step)
        if dark_on:
            levels = f"two thresholds, active between {low} and {high} {unit} (until below {off} or above {on})"
        else:
            levels = f"two thresholds, active below {off} and above {on} {unit} (until {low} or below {high})"
    elif isinstance(setting, FollowingSetting):
        levels = (
            f"levels that follow the background, on {on}, off {off} {unit} at a background of "
            f"{level_text(setting.reference, step)}"
        )
    elif isinstance(setting, TurningPointSetting):
        levels = _turning_text(setting, step)
    else:
        levels = f"fixed levels, on {on}, off {off} {unit}"
        # The levels are those of the light: a dark-on output begins at the lower one.
        way += f" (active below {off})" if dark_on else ""
    return ", ".join([levels, way, *_rest(setting)])


def equal_cost_text(room: EqualCost, unit: str, step: float | None = None) -> str:
    """Say which on-levels cost the same as the setting.

    Examples
    --------
    >>> from teachlab.model.margin import EqualCost
    >>> room = EqualCost(down=80, up=60, resolution=0.5, on_low=340.2, on_high=480, cost=0)
    >>> equal_cost_text(room, "counts")
    'Any on-level from 340.2 to 480.0 counts costs the same here, with this hysteresis.'
    >>> equal_cost_text(room, "counts", step=1)
    'Any on-level from 341 to 480 counts costs the same here, with this hysteresis.'
    """
    # No finer than the tried shifts, and rounded inwards: everything that is stated was tried.
    digits = max(0, -math.floor(math.log10(max(room.resolution, step or 0.0))))
    low = math.ceil(room.on_low * 10**digits - FUZZ) / 10**digits
    high = math.floor(room.on_high * 10**digits + FUZZ) / 10**digits
    if high <= low:
        fine = max(room.resolution, step or 0.0)
        return f"No other on-level costs the same here (checked in steps of {fine:.2g} {unit})."
    return f"Any on-level from {low:.{digits}f} to {high:.{digits}f} {unit} costs the same here, with this hysteresis."


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


def _rest(setting: Setting) -> list[str]:
    out = []
    if setting.consecutive > 1:
        out.append(f"filter of {setting.consecutive} evaluations")
    if setting.on_delay_ms:
        out.append(f"on-delay {setting.on_delay_ms:g} ms")
    if setting.off_delay_ms:
        out.append(f"off-delay {setting.off_delay_ms:g} ms")
    return out
