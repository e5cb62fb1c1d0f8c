"""How near the light of a recording comes to the levels of a setting that makes no error there."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from teachlab.model.margin import SIDE_WORDS, EqualCost, Margin
from teachlab.model.printable_text import in_figures, level_text, moment, number_of, printable
from teachlab.model.recording import Recording
from teachlab.model.setting import Setting
from teachlab.model.truth import Truth
from teachlab.model.verdict import VerdictReason
from teachlab.scoring.clearance import near_misses
from teachlab.scoring.margin import LEAST_MARGIN

if TYPE_CHECKING:
    from teachlab.scoring.claimable import Claimable

FINEST, FIVE_DIGITS = 1e-6, 1e-5
"""A step below the one share of a level is the rounding of a float signal; five digits tell a level to the other."""
FEWEST_STEPS = 64
"""With fewer steps from background to objects, what looks like a step of the converter may be none."""


def near_reason(
    recording: Recording, truth: Truth, setting: Setting, margin: Margin, found: Claimable, *,
    room: EqualCost | None = None, step: float | None = None,
) -> VerdictReason | None:  # fmt: skip
    """Name the passes or gaps that were right but far nearer to the level than the others; None if there are none."""
    if clipped := {"detect", "trip"} & set(margin.no_variance):
        what = "passes" if "detect" in clipped else "gaps"
        text = (
            f"The light of the {what} stands at an end of the scale: nothing is seen of how it varies, so how near it "
            "may come to the level is not known."
        )
        return VerdictReason(text=text + (_middle(setting, room, step) if at_scale_end(setting, margin, step) else ""))
    near = near_misses(truth, setting, margin, found.trials)
    if not near:
        return None
    side, info = near[0], recording.info
    row = side.rows[0]
    gap = side.side == "trip" and bool(truth.detect[row])
    names = {str(truth.label[k]) for k in side.rows}
    kind = f" ('{printable(names.pop(), most=24)}')" if not gap and len(names) == 1 and "" not in names else ""
    at = (int(truth.end[row]) if gap else int(truth.start[row])) / info.sample_rate_hz
    which = f"after pass {row}" if gap else f"pass {row}"
    things = "gap" if gap else "pass"
    many = f"{len(side.rows)} of {number_of(side.count, things, 'gaps' if gap else 'passes')}{kind}"
    if side.side == "trip" and not gap:
        many += " to be ignored"
    one = len(side.rows) == 1
    least, usual = in_figures(side.least, 3), in_figures(side.usual, 3)
    come = "comes near the level:" if one else "come near the level: the nearest"
    text = (
        f"{many} {come} {least} {info.unit} from it "
        f"({which}, {moment(round(at * info.sample_rate_hz), recording)}); half of all keep {usual} or more."
    )
    return VerdictReason(text=text, count=len(side.rows), first_at_s=at)


def rim_reason(setting: Setting, margin: Margin, room: EqualCost | None, step: float | None) -> VerdictReason | None:
    """Say so if the light comes nearer to a level than noise allows in the long run, and where the middle is."""
    side = margin.sides.smallest()
    if side is None or not 0 <= side[1] < LEAST_MARGIN:
        return None
    of, what = SIDE_WORDS[side[0]]
    level, light = {
        "detect": (setting.activation, margin.weakest_pass),
        "trip": (setting.activation, margin.strongest_gap),
        "release": (setting.release, margin.highest_valley),
        "hold": (setting.release, margin.lowest_hold),
    }[side[0]]
    if light is None:
        return None
    held = margin.sustained_evaluations
    # Only their highest light is held so long; hysteresis may carry an output further than that.
    long = f" for {held} evaluations in a row" if held > 1 and side[0] in ("detect", "trip") else ""
    text = (
        f"The {of} keep {in_figures(abs(light - level), 3)} {setting.unit} from the {what}{long}, "
        f"{in_figures(side[1], 2)} times the noise; {LEAST_MARGIN:g} times is the least for long use."
    )
    return VerdictReason(text=text + (_middle(setting, room, step) if what == "level" else ""))


def at_scale_end(setting: Setting, margin: Margin, step: float | None) -> bool:
    """Whether passes or gaps are clipped, and their light lies nearer to the level than noise allows in the long run.

    The noise of clipped light is not seen; that of the other side is taken for it.
    """
    for side, light, noise in (
        ("detect", margin.weakest_pass, margin.noise_background),
        ("trip", margin.strongest_gap, margin.noise_object),
    ):
        least = max(step or 0.0, LEAST_MARGIN * (noise or 0.0))
        if side in margin.no_variance and light is not None and abs(light - setting.activation) <= least:
            return True
    return False


def _middle(setting: Setting, room: EqualCost | None, step: float | None) -> str:
    """Say which level lies in the middle of the room; empty if there is none."""
    if room is None:
        return ""
    at, name = (room.on_low + room.on_high) / 2, "on-level"
    if not setting.light_on:
        at, name = at - (setting.on_level - setting.off_level), "off-level"
    middle = in_figures(at, 4) if step is None else level_text(at, step)
    return f" In the middle of the room the {name} is {middle} {setting.unit}."


def light_step(recording: Recording, margin: Margin | None) -> float | None:
    """Return the smallest step of the light: 1 for whole numbers, otherwise as it occurs; None if it is not visible.

    The smallest difference between levels that occur is a step only if there are many steps between background and
    objects. Where no step is visible and five digits of a level are coarser than the noise, it is a power of ten below
    the noise and the distance of passes and gaps: levels that differ must not be told alike.
    """
    if recording.whole_step is not None:
        return recording.whole_step
    if margin is None or margin.weakest_pass is None or margin.strongest_gap is None:
        return None
    apart, largest = abs(margin.weakest_pass - margin.strongest_gap), abs(margin.strongest_gap)
    if margin.step is not None and FINEST * largest < margin.step and FEWEST_STEPS * margin.step <= apart:
        return margin.step
    noise = max(margin.noise_object or 0.0, margin.noise_background or 0.0)
    fine = max(noise / 10, apart / 1000)
    return 10.0 ** math.floor(math.log10(fine)) if 0 < fine < FIVE_DIGITS * largest else None
