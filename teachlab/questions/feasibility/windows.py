"""Windows of levels, pairs of windows that exclude each other, and the sentences about them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import TYPE_CHECKING, Any

from teachlab.model.json_values import picked
from teachlab.questions.timing.line import in_words

if TYPE_CHECKING:
    from teachlab.questions.feasibility.cures import Helps

AS_RECORDED = "as recorded"
MOST_CONTRADICTIONS = 50


@dataclass(frozen=True, slots=True)
class Window:
    """Levels at which nothing is lost and nothing trips, for one condition and one kind of object or lot.

    `background`, `objects` (recording units): what the background beside these objects demands, and the weakest of the
    objects: a rise needs ``background < on <= objects``, a dip ``objects < off <= background``.
    `lot`: name of the lot, if the window is one of a lot.
    `reference` (recording units): median of the background under that condition.
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
        """Whether any such level exists."""
        return self.low < self.high

    @property
    def name(self) -> str:
        """Name of the condition and objects, in words."""
        of = f"lot '{self.lot}'" if self.lot else f"'{self.label}'" if self.label else "all objects"
        return f"{of} {self.condition}" if self.condition == AS_RECORDED else f"{of} at {self.condition}"

    def as_dict(self) -> dict[str, Any]:
        """Return the plain JSON form."""
        return {
            "condition": self.condition, "label": self.label, "lot": self.lot, "above": self.low, "up_to": self.high,
            "feasible": self.open,
        }  # fmt: skip


@dataclass(frozen=True, slots=True)
class Contradiction:
    """Two demands that no level meets together, or one demand that no level meets (`second` is None).

    `apart` is the distance between the end of one window and the start of the other, in recording units.
    """

    first: Window
    second: Window | None
    apart: float
    helps: str

    def as_dict(self) -> dict[str, Any]:
        """Return the plain JSON form."""
        return picked(self, "first", "second", "apart") | {"what_would_help": self.helps}


def contradictions(windows: Sequence[Window], everyone: Sequence[Window], helps: Helps) -> tuple[Contradiction, ...]:
    """Return windows that are closed, and pairs that exclude each other, widest apart first."""
    found = [Contradiction(w, None, w.low - w.high, _help_alone(w, helps)) for w in windows if not w.open]
    for a, b in combinations([w for w in windows if w.open], 2):
        apart = max(a.low, b.low) - min(a.high, b.high)
        if apart >= 0:
            found.append(Contradiction(a, b, apart, _help_pair(a, b, helps)))
    if not found:
        # Only gaps that are beside no object of any kind cause the conflict.
        found = [Contradiction(w, None, w.low - w.high, _help_alone(w, helps)) for w in everyone if not w.open]
    found.sort(key=lambda one: -one.apart)
    return tuple(found[:MOST_CONTRADICTIONS])


def _tried(helps: Helps) -> list[str]:
    """Return what was tried on the recorded light and found to help."""
    out = []
    if helps.window:
        out.append("a window comparator, which catches every pass here as recorded")
    if helps.on_delay_ms is not None and helps.on_delay_level is not None:
        out.append(
            f"an on-delay of {in_words(helps.on_delay_ms)}, with which the level {helps.on_delay_level:.5g} replays "
            "without a fault here"
        )
    followed = {"in proportion": helps.local_gain, "at a distance": helps.local_offset}
    if ways := " or ".join(text for text, serves in followed.items() if serves):
        out.append(
            f"a level that follows the background {ways} from gap to gap, which separates every pass from every gap"
        )
    return out


def _help_alone(w: Window, helps: Helps) -> str:
    cures = _tried(helps)
    if helps.setting_per_lot and not w.lot:
        cures.append("teaching again between the lots, each of which has levels of its own")
    cures.append("more contrast by mounting, background or another sensing mode")
    if helps.on_delay_ms is None and helps.window is not True:
        cures.append("averaging, if the peaks of the background are shorter than the objects")
    negative = "(Two thresholds would not either: some passes stay within the background.) "
    return (
        "the background reaches as far as the weakest of them: no fixed level separates them. "
        f"{'' if helps.window is not False else negative}What would help: {'; '.join(cures)}."
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
        cures = [*_tried(helps), "teaching again between the lots", "finding what changed on the line"]
        return f"each lot has levels of its own, none serves both. What would help: {'; '.join(cures)}."
    cures = [
        *_tried(helps), "a setting per kind of object", "a sensing mode that depends less on colour",
        "one background for both",
    ]  # fmt: skip
    return f"each kind of object has levels of its own, none serves both. What would help: {'; '.join(cures)}."
