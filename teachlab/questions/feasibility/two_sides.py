"""Objects brighter and darker than the background: the result of two thresholds, tried by replay."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from teachlab.light.pass_and_gap_extremes import PassAndGapExtremes
from teachlab.light.sides import SidesOfBackground, sides_of
from teachlab.model.following_and_window import WindowSetting
from teachlab.model.json_values import picked
from teachlab.model.printable_text import level_text, number_of, round_level
from teachlab.model.recording import Recording
from teachlab.model.score import USUAL_RULES, Rules
from teachlab.model.setting import Polarity, Setting
from teachlab.model.truth import Truth
from teachlab.scoring.claimable import wrong_apart
from teachlab.scoring.scoring import score
from teachlab.switching.run import replay

RELEASE_SHARE = 0.25
"""Each threshold releases at this share of its distance from the background."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TwoSides:
    """Objects on both sides of the background, and the result of a window.

    `above`, `below`: numbers of passes brighter, and darker, than the background.
    `window`: two thresholds, each midway between the background and the weakest objects of its side.
    `lost`, `false`, `passes`: its lost passes and unwanted onsets, and the number of scored passes.
    """

    above: int
    below: int
    window: WindowSetting
    lost: int
    false: int
    passes: int
    step: float | None = None

    def sentence(self) -> str:
        """Return the sentence about a single threshold."""
        unit, w = self.window.unit, self.window
        low, high = level_text(w.off_level, self.step), level_text(w.on_level, self.step)
        many = "" if not self.false else f" and switches {number_of(self.false, 'time')} too often"
        return (
            f"{number_of(self.above, 'pass is', 'passes are')} brighter than the background and {self.below} are "
            f"darker: no single threshold sees both. A window of two thresholds, below {low} or above {high} {unit}, "
            f"loses {self.lost or 'none'} of {self.passes}{many}, by replay."
        )

    def as_dict(self) -> dict[str, Any]:
        """Return the plain JSON form."""
        return picked(self, "above", "below", "window", "lost", "false", "passes") | {"text": self.sentence()}


def two_sides(
    recording: Recording,
    truth: Truth,
    base: Setting | None = None,
    *,
    rules: Rules = USUAL_RULES,
    extremes: PassAndGapExtremes | None = None,
    step: float | None = None,
) -> TwoSides | None:
    """Return the result of a window if objects lie on both sides of the background; otherwise None.

    `base`: filter, delays and rate.
    """
    base = base or Setting(unit=recording.info.unit, on_level=0.0, off_level=0.0)
    found = extremes or PassAndGapExtremes.of(recording, truth, evaluation_rate_hz=base.evaluation_rate_hz, rules=rules)
    sides = sides_of(truth, found)
    if sides is None or not sides.both:
        return None
    step = step if step is not None else recording.whole_step
    window = _window(sides, base, step)
    scored = score(replay(recording, window), truth, rules=rules, tables=False)
    lost, false = wrong_apart(truth, scored)
    return TwoSides(
        above=int(sides.above.size),
        below=int(sides.below.size),
        window=window,
        lost=lost,
        false=false,
        passes=scored.counts.scored_passes,
        step=step,
    )


def _window(sides: SidesOfBackground, base: Setting, step: float | None) -> WindowSetting:
    top, bottom = sides.background
    upper = (top + (top if sides.weakest_above is None else sides.weakest_above)) / 2
    lower = (bottom + (bottom if sides.weakest_below is None else sides.weakest_below)) / 2
    upper, lower = round_level(upper, 2 * (upper - top), step), round_level(lower, 2 * (bottom - lower), step)
    middle = (top + bottom) / 2
    return WindowSetting.of(
        base,
        on_level=upper,
        high_release=upper - RELEASE_SHARE * (upper - middle),
        low_release=lower + RELEASE_SHARE * (middle - lower),
        off_level=lower,
        polarity=Polarity.LIGHT_ON,
        taught=None,
    )
