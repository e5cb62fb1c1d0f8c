"""Rows of settings that differ in where their levels lie: counted beforehand where no table of all pairs is."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from teachlab.errors import SettingError
from teachlab.model.following_and_window import FollowingSetting, TurningPointSetting, WindowSetting
from teachlab.model.recording import Recording
from teachlab.model.score import Rules
from teachlab.model.setting import Setting, bare
from teachlab.model.truth import Truth
from teachlab.page.packing import PackedArray
from teachlab.questions.surface.count_settings import count_settings
from teachlab.questions.surface.given_settings.pairs import PairCounts
from teachlab.questions.surface.values.table import COUNTED

MOST_LEVELS = 400
"""Levels of a row: a picture tells hardly more apart."""
MOST_FOLLOWED = 5e7
"""Samples times settings that follow, which are replayed side by side: about 20 s."""


@dataclass(frozen=True, slots=True, eq=False)
class Chain:
    """Settings in the order of one level, and what each counts.

    `moves`: which level goes along the row: ``on``, ``off``, or ``both`` at one distance.
    """

    moves: str
    settings: tuple[Setting, ...]
    counts: tuple[PairCounts, ...]

    def arrays(self) -> dict[str, PackedArray]:
        """Return levels and counts for the page."""
        out = {
            f"chain_{self.moves}_{name}": np.array([getattr(one, f"{name}_level") for one in self.settings], np.float64)
            for name in ("on", "off")
        }
        for name in COUNTED:
            out[f"chain_{self.moves}_{name}"] = np.array([getattr(one, name) for one in self.counts], np.int32)
        return {name: PackedArray.of(one, differences=int(one.dtype.kind == "i")) for name, one in out.items()}


def chains_of(
    recording: Recording, truth: Truth, hand: Setting, levels: NDArray[np.float64], *, rules: Rules,
    progress: Callable[[float], None] | None = None,
) -> list[Chain]:  # fmt: skip
    """Count the rows along which the levels of a setting move; none where every pair of levels is counted.

    Fixed levels with a filter or delays move together at their hysteresis, and so do levels that follow; of a window
    one threshold moves while the other stands, each with its release. Turning points have no levels.
    """
    if isinstance(hand, TurningPointSetting) or (
        type(hand) is Setting and not (hand.has_memory and hand.hysteresis > 0)
    ):
        return []
    most = MOST_LEVELS
    if isinstance(hand, FollowingSetting):
        most = int(min(most, MOST_FOLLOWED / recording.samples))
    if levels.size > most:
        levels = levels[np.linspace(0, levels.size - 1, most).round().astype(int)] if most else levels[:0]
    rows = {name: row_of(hand, name, levels) for name in moves_of(hand)}
    found = count_settings(
        recording, truth, [one for row in rows.values() for one in row], rules=rules, progress=progress
    )
    return [Chain(name, row, tuple(found[bare(one)] for one in row)) for name, row in rows.items() if row]


def moved(setting: Setting, on: float, off: float) -> Setting | None:
    """Return the setting with other levels, releases of a window at their distances; None where it cannot be.

    The page does the same in script: ``Hand.settingAt``.
    """
    try:
        if isinstance(setting, WindowSetting):
            high, low = on - (setting.on_level - setting.high_release), off + (setting.low_release - setting.off_level)
            return replace(setting, on_level=on, off_level=off, high_release=high, low_release=low, taught=None)
        return replace(setting, on_level=on, off_level=off, taught=None)
    except SettingError:
        return None


def moves_of(hand: Setting) -> tuple[str, ...]:
    """Return which levels move along the rows of a setting: ``on`` and ``off`` apart, or ``both``."""
    return ("on", "off") if isinstance(hand, WindowSetting) else ("both",)


def row_of(hand: Setting, moves: str, levels: NDArray[np.float64]) -> tuple[Setting, ...]:
    """Return the settings of one row, that of the hand among them."""
    if moves == "both":
        pairs = [(level, level - hand.hysteresis) for level in np.union1d(levels, [hand.on_level]).tolist()]
    elif moves == "on":
        pairs = [(level, hand.off_level) for level in np.union1d(levels, [hand.on_level]).tolist()]
    else:
        pairs = [(hand.on_level, level) for level in np.union1d(levels, [hand.off_level]).tolist()]
    return tuple(one for on, off in pairs if (one := moved(hand, on, off)) is not None)
