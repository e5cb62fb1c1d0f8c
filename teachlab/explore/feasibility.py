"""Whether any one level can work under several conditions or for several kinds of object, and what would help."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Any

import numpy as np

from teachlab.explore.reach import Reach, reach_of
from teachlab.explore.stress_light import Stress, receiver_range
from teachlab.model.recording import Recording
from teachlab.model.setting import Setting
from teachlab.model.truth import Truth

AS_RECORDED = "as recorded"
MOST_LOTS = 200
"""So many lots get a window each; with more the search for pairs would take over."""
MOST_CONTRADICTIONS = 50


@dataclass(frozen=True, slots=True)
class Window:
    """Levels at which nothing is lost and nothing trips, for one condition and one kind of object or lot.

    Parameters
    ----------
    condition, label : str
    background, objects : float, recording units
        What the background beside these objects demands, and the weakest of them: a rise needs
        ``background < on <= objects``, a dip ``objects < off <= background``.
    rise : bool
    lot : str
        Of what lot, where the window is one of a lot.
    reference : float, recording units
        Median of the background under that condition.
    """

    condition: str
    label: str
    background: float
    objects: float
    rise: bool
    lot: str = ""
    reference: float = 0.0

    @property
    def low(self) -> float:
        """Levels must lie above it."""
        return self.background if self.rise else self.objects

    @property
    def high(self) -> float:
        """Levels must not lie above it."""
        return self.objects if self.rise else self.background

    @property
    def open(self) -> bool:
        """Whether there is any such level."""
        return self.low < self.high

    @property
    def name(self) -> str:
        """Whose window it is, in words."""
        of = f"lot '{self.lot}'" if self.lot else f"'{self.label}'" if self.label else "objects"
        return f"{of} {self.condition}" if self.condition == AS_RECORDED else f"{of} at {self.condition}"

    def as_dict(self) -> dict[str, Any]:
        """Return the plain JSON form."""
        return {
            "condition": self.condition, "label": self.label, "lot": self.lot, "above": self.low, "up_to": self.high,
            "feasible": self.open,
        }  # fmt: skip


@dataclass(frozen=True, slots=True)
class Contradiction:
    """Two demands that no level meets together, or one that no level meets (`second` is None).

    `apart` is how far the end of one lies beyond that of the other, in recording units.
    """

    first: Window
    second: Window | None
    apart: float
    helps: str

    def as_dict(self) -> dict[str, Any]:
        """Return the plain JSON form."""
        return {
            "first": self.first.as_dict(),
            "second": None if self.second is None else self.second.as_dict(),
            "apart": self.apart,
            "what_would_help": self.helps,
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class Helps:
    """What the light itself says about other kinds of sensor; None where there was nothing to try.

    Parameters
    ----------
    following_gain, following_offset : bool or None
        Whether one ratio to the median background above dark, or one distance from it, serves every
        condition: a level that follows the background.
    window : bool or None
        Whether two thresholds with the background between them catch every pass as recorded.
    setting_per_label, setting_per_lot : bool or None
        Whether every kind of object, or every lot, has levels of its own as recorded.
    """

    following_gain: bool | None
    following_offset: bool | None
    window: bool | None
    setting_per_label: bool | None
    setting_per_lot: bool | None

    def as_dict(self) -> dict[str, bool | None]:
        """Return the plain JSON form."""
        return {name: getattr(self, name) for name in self.__slots__}


@dataclass(frozen=True, slots=True, kw_only=True)
class Feasibility:
    """Windows of levels per condition and kind of object, and where they exclude each other.

    Parameters
    ----------
    windows : tuple of Window
        By condition and label; lots as recorded only.
    common : tuple of float or None
        ``(above, up to)`` of the levels that serve all; None if there is none.
    contradictions : tuple of Contradiction
        Widest first, at most 50.
    survivable_loss : float or None
        Largest share of light that any fixed level survives: ``1 − dark_hi / light_lo`` above the dark
        level, with the strongest dark side and the weakest light side; None where they overlap already.
    helps : Helps
    """

    windows: tuple[Window, ...]
    common: tuple[float, float] | None
    contradictions: tuple[Contradiction, ...]
    survivable_loss: float | None
    helps: Helps

    def as_dict(self) -> dict[str, Any]:
        """Return the plain JSON form."""
        return {
            "feasible": self.common is not None,
            "common_window": None if self.common is None else list(self.common),
            "survivable_loss": self.survivable_loss,
            "windows": [w.as_dict() for w in self.windows],
            "contradictions": [c.as_dict() for c in self.contradictions],
            "helps": self.helps.as_dict(),
        }


def feasibility(
    recording: Recording,
    truth: Truth,
    setting: Setting,
    *,
    stresses: Sequence[Stress] = (),
    tolerance_ms: float = 0.0,
) -> Feasibility:
    """Find the on-levels that can lose nothing, per kind of object and per condition, and the demands that conflict.

    What is demanded of a level (``reach.py``) holds for every fixed setting with this filter and these
    delays, whatever its hysteresis: windows that exclude each other prove that no fixed setting serves both.
    An open window does not prove that one works: count the surface. A kind of object, and a lot, is held
    against the gaps beside its own passes. For objects that dip, levels are off-levels.

    Parameters
    ----------
    recording, truth, setting
        The setting gives polarity, filter, delays and rate.
    stresses : sequence of Stress
        Conditions beside the unstressed one.
    tolerance_ms : float, ms
    """
    reach = reach_of(recording, truth, setting, tolerance_ms=tolerance_ms)
    low, high = receiver_range(recording, reach.lowest, reach.highest)
    dark = recording.info.dark_level
    conditions = [(AS_RECORDED, Stress(1.0, dark=dark, low=low, high=high))]
    conditions += [(_named(s), Stress(s.gain, s.ambient, s.pedestal, dark, low, high)) for s in stresses]
    windows = [
        _window(name, stress, reach, label=label)
        for name, stress in conditions
        for label in dict.fromkeys(reach.labels)
    ]  # fmt: skip
    lots = list(dict.fromkeys(reach.lots))
    by_lot = [_window(*conditions[0], reach, lot=lot) for lot in lots] if 2 <= len(lots) <= MOST_LOTS else []
    # Gaps between objects to be ignored count for everyone: all windows together may miss them.
    everyone = [_window(name, stress, reach) for name, stress in conditions]
    above, up_to = max(w.low for w in everyone), min(w.high for w in everyone)
    common = (above, up_to) if above < up_to else None
    top, bottom = everyone[0].low - dark, everyone[0].high - dark
    helps = _helps(reach, everyone, windows[: len(windows) // len(conditions)], by_lot, dark)
    return Feasibility(
        windows=(*windows, *by_lot),
        common=common,
        contradictions=() if common else _contradictions([*windows, *by_lot], everyone, helps),
        survivable_loss=1 - max(top, 0.0) / bottom if bottom > 0 and top < bottom else None,
        helps=helps,
    )


def _named(s: Stress) -> str:
    parts = [f"gain {s.gain:g}"]
    parts += [f"{name} {value:g}" for name, value in (("ambient", s.ambient), ("pedestal", s.pedestal)) if value]
    return ", ".join(parts)


def _window(name: str, stress: Stress, reach: Reach, *, label: str | None = None, lot: str | None = None) -> Window:
    background, objects = reach.ends(label=label, lot=lot)
    moved = stress.apply(np.array([background, objects, reach.median])).tolist()
    return Window(name, label or "", moved[0], moved[1], reach.rise, lot or "", moved[2])


def _helps(
    reach: Reach, everyone: Sequence[Window], labels: Sequence[Window], lots: Sequence[Window], dark: float
) -> Helps:
    several = len(everyone) > 1
    above = [(w, w.reference - dark) for w in everyone]
    return Helps(
        following_gain=_serves([(w.low - dark) / b for w, b in above], [(w.high - dark) / b for w, b in above])
        if several and all(b > 0 for _, b in above)
        else None,
        following_offset=_serves([w.low - w.reference for w in everyone], [w.high - w.reference for w in everyone])
        if several
        else None,
        window=None if everyone[0].open else reach.window_catches(),
        setting_per_label=all(w.open for w in labels) if len(labels) > 1 else None,
        setting_per_lot=all(w.open for w in lots) if lots else None,
    )


def _serves(lows: Sequence[float], highs: Sequence[float]) -> bool:
    return max(lows) < min(highs)


def _contradictions(windows: Sequence[Window], everyone: Sequence[Window], helps: Helps) -> tuple[Contradiction, ...]:
    found = [Contradiction(w, None, w.low - w.high, _help_alone(w, helps)) for w in windows if not w.open]
    for a, b in combinations([w for w in windows if w.open], 2):
        apart = max(a.low, b.low) - min(a.high, b.high)
        if apart >= 0:
            found.append(Contradiction(a, b, apart, _help_pair(a, b, helps)))
    if not found:
        # Only gaps beside no object of any kind stand in the way.
        found = [Contradiction(w, None, w.low - w.high, _help_alone(w, helps)) for w in everyone if not w.open]
    found.sort(key=lambda one: -one.apart)
    return tuple(found[:MOST_CONTRADICTIONS])


def _help_alone(w: Window, helps: Helps) -> str:
    window = {
        True: "a window comparator, which catches every pass here as recorded; ",
        False: "(a window comparator would not: some passes stay within the background;) ",
        None: "",
    }[helps.window]
    return (
        f"the background reaches as far as the weakest of {w.name}: no fixed level tells them apart. What would help: "
        f"{window}more contrast by mounting, background or another sensing mode; an average or an on-delay if the "
        "background peaks are shorter than the objects."
    )


def _help_pair(a: Window, b: Window, helps: Helps) -> str:
    if a.condition != b.condition:
        follows = [
            text
            for text, serves in (
                ("in proportion to the background", helps.following_gain),
                ("at a distance from the background", helps.following_offset),
            )
            if serves
        ]
        track = (
            f"a level that follows {' or '.join(follows)}, which serves every condition here; "
            if follows
            else "(a level that follows the background would not serve every condition here;) "
        )
        return (
            f"each condition has levels of its own, none serves both. What would help: {track}cleaning or teaching "
            "again between the two; a shield against ambient light; a mounting that stays cleaner."
        )
    if a.lot or b.lot:
        return (
            "each lot has levels of its own, none serves both. What would help: a level that follows the background, "
            "teaching again between the lots, or finding what changed on the line."
        )
    return (
        "each kind of object has levels of its own, none serves both. What would help: a setting per kind of object, a "
        "sensing mode that depends less on colour, or one background for both."
    )
