"""Whether any one level can work under several conditions or for several kinds of object, and what would help."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from teachlab.model.json_values import picked, plain
from teachlab.model.recording import Recording
from teachlab.model.score import USUAL_RULES, Rules
from teachlab.model.setting import Setting
from teachlab.model.truth import Truth
from teachlab.questions.feasibility.cures import Helps, follows, on_delay
from teachlab.questions.feasibility.demands import Demands, DemandsReading, demands_of
from teachlab.questions.feasibility.windows import AS_RECORDED, Contradiction, Window, contradictions
from teachlab.questions.stress.light import Receiver, Stress

MOST_LOTS = 200
"""Up to this number of lots, each gets a window; with more, the search for pairs would take too long."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Feasibility:
    """Windows of levels per condition and kind of object, and which of them exclude each other.

    `windows`: by condition and label; lots as recorded only.
    `common`: ``(above, up to)`` of the levels that work for all; None if there is none.
    `contradictions`: widest first, at most 50.
    `survivable_loss`: largest share of light whose loss any fixed level survives: ``1 − dark_hi / light_lo`` above the
    dark level, with the strongest dark side and the weakest light side; None if they already overlap.
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
            "common_window": plain(self.common),
            **picked(self, "survivable_loss", "windows", "contradictions", "helps"),
        }


def feasibility(
    recording: Recording,
    truth: Truth,
    setting: Setting,
    *,
    stresses: Sequence[Stress] = (),
    rules: Rules = USUAL_RULES,
    reading: DemandsReading | None = None,
) -> Feasibility:
    """Find the on-levels that can lose nothing, for each kind of object and condition, and the demands that conflict.

    The demands on a level (``demands.py``) hold for every fixed setting with this filter and these delays and any
    hysteresis: windows that exclude each other prove that no fixed setting works for both. An open window does not
    prove that a setting works: count the surface. A kind of object, or a lot, is compared with the gaps beside its own
    passes. For objects that dip, levels are off-levels.

    `setting`: gives polarity, filter, delays and rate.
    `stresses`: conditions in addition to the unstressed one.
    `rules`: their tolerance is added to every border of every pass.
    `reading`: of the same, after it took the recording.
    """
    reach = demands_of(recording, truth, setting, rules=rules) if reading is None else reading.demands()
    receiver, dark = Receiver.of(recording, reach.lowest, reach.highest), recording.info.dark_level
    conditions = [(AS_RECORDED, Stress(1.0, receiver=receiver))]
    conditions += [(_named(s), replace(s, receiver=receiver)) for s in stresses]
    # The light is looked at once a kind: a condition moves what was found.
    labels, lots = dict.fromkeys(reach.labels), list(dict.fromkeys(reach.lots))
    whole = reach.ends()
    by_label = {label: reach.ends(label=label) if len(labels) > 1 else whole for label in labels}
    windows = [
        _window(name, stress, reach, ends, label=label)
        for name, stress in conditions
        for label, ends in by_label.items()
    ]  # fmt: skip
    by_lot = (
        [_window(*conditions[0], reach, reach.ends(lot=lot), lot=lot) for lot in lots]
        if 2 <= len(lots) <= MOST_LOTS
        else []
    )
    # Gaps between `ignore` objects count for every window; they could be missing in all of them.
    everyone = [_window(name, stress, reach, whole) for name, stress in conditions]
    above, up_to = max(w.low for w in everyone), min(w.high for w in everyone)
    common = (above, up_to) if above < up_to else None
    top, bottom = everyone[0].low - dark, everyone[0].high - dark
    # Windows come condition by condition, and the first condition is the light as recorded.
    helps = _helps(reach, everyone, windows[: len(windows) // len(conditions)], by_lot, dark)
    if not everyone[0].open:
        gain, offset = follows(reach, dark)
        late = None if helps.window else on_delay(recording, truth, setting, rules=rules)
        helps = replace(
            helps, local_gain=gain, local_offset=offset, on_delay_ms=late and late[0], on_delay_level=late and late[1]
        )
    return Feasibility(
        windows=(*windows, *by_lot),
        common=common,
        contradictions=() if common else contradictions([*windows, *by_lot], everyone, helps),
        survivable_loss=1 - max(top, 0.0) / bottom if bottom > 0 and top < bottom else None,
        helps=helps,
    )


def _named(s: Stress) -> str:
    parts = [f"gain {s.gain:g}"]
    parts += [f"{name} {value:g}" for name, value in (("ambient", s.ambient), ("pedestal", s.pedestal)) if value]
    return ", ".join(parts)


def _window(
    name: str, stress: Stress, reach: Demands, ends: tuple[float, float], *, label: str = "", lot: str = ""
) -> Window:
    moved = stress.apply(np.array([*ends, reach.median])).tolist()
    return Window(name, label, moved[0], moved[1], reach.rise, lot, moved[2])


def _helps(
    reach: Demands, everyone: Sequence[Window], labels: Sequence[Window], lots: Sequence[Window], dark: float
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
