"""A setting in words: its kind first, so that a window is never read as a pair of levels."""

from __future__ import annotations

from typing import TYPE_CHECKING

from teachlab.model.following_and_window import FollowingSetting, WindowSetting

if TYPE_CHECKING:
    from teachlab.model.setting import Setting


def setting_text(setting: Setting) -> str:
    """Return kind, levels, polarity, filter and delays of a setting.

    Examples
    --------
    >>> setting_text(Setting(unit="counts", on_level=1306.2, off_level=1108, on_delay_ms=5))
    'fixed levels, on 1306.2, off 1108 counts, light-on, on-delay 5 ms'
    """
    on, off, unit = level_text(setting.on_level), level_text(setting.off_level), setting.unit
    if isinstance(setting, WindowSetting):
        low, high = level_text(setting.low_release), level_text(setting.high_release)
        levels = f"two thresholds, below {off} and above {on} {unit} (released at {low} and {high})"
    elif isinstance(setting, FollowingSetting):
        levels = (
            f"levels that follow the background, on {on}, off {off} {unit} at a background of "
            f"{level_text(setting.reference)}"
        )
    else:
        levels = f"fixed levels, on {on}, off {off} {unit}"
    return ", ".join([levels, str(setting.polarity), *_rest(setting)])


def level_text(level: float) -> str:
    """Return a level with at most five significant digits, whole numbers as they are."""
    return f"{level:.0f}" if level == round(level) and abs(level) < 1e9 else f"{level:.5g}"


def _rest(setting: Setting) -> list[str]:
    out = []
    if setting.consecutive > 1:
        out.append(f"filter of {setting.consecutive} evaluations")
    if setting.on_delay_ms:
        out.append(f"on-delay {setting.on_delay_ms:g} ms")
    if setting.off_delay_ms:
        out.append(f"off-delay {setting.off_delay_ms:g} ms")
    return out
