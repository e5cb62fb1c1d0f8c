"""A complete setting from one showing: judged on what was not shown, with a reason and a reserve for each part."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from teachlab.model.following_and_window import WindowSetting
from teachlab.model.json_values import picked
from teachlab.model.printable_text import cut, in_figures, time_text
from teachlab.model.score import USUAL_RULES, Rules
from teachlab.questions.design.reserves import reserves_of
from teachlab.questions.teach.answer import TeachAnswer, taught_and_judged
from teachlab.teaching.registry import built, installed_class

if TYPE_CHECKING:
    from teachlab.model.recording import Recording
    from teachlab.model.setting import Setting
    from teachlab.model.teaching import Strategy
    from teachlab.model.truth import Truth
    from teachlab.questions.verdict import JudgedBy

MOST_PLACES = 6


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DesignAnswer:
    """A designed setting.

    `taught`: the setting, and its results on the passes that were not shown.
    `teach_cost` (errors per pass): errors per pass of the setting on what was shown; no counted combination has fewer.
    `cells`: number of combinations counted.
    `reserves`: ``{axis: {"low", "high", "unit"}}``: how far levels, light and delays may move without a further error,
    on all passes of the recording (`teachlab.questions.design.reserves`). It holds for what was recorded and is no
    confidence.
    `reasons`: one line for each part of the setting.
    """

    taught: TeachAnswer
    teach_cost: float
    cells: int
    reserves: Mapping[str, Mapping[str, Any]]
    reasons: Mapping[str, str]

    def as_dict(self) -> dict[str, Any]:
        """Return the plain JSON form: that of `teach`, and the evidence for the design."""
        return self.taught.as_dict() | picked(self, "teach_cost", "cells", "reserves", "reasons")

    def keyed_in(self, recording: Recording, truth: Truth, keyed: TeachAnswer, rules: Rules) -> DesignAnswer:
        """Return the answer for the setting as it can be keyed in, with its own reserves."""
        reserves = reserves_of(recording, truth, keyed.setting, keyed.verdict.equal_cost, rules=rules)
        return replace(self, taught=keyed, reserves=reserves)

    def part_lines(self) -> list[str]:
        """Return the parts of the setting with their reasons, the reserves, and the number of counted cells.

        The reasons rest on the passes that were shown, the claim on the others, the reserves on all.
        """
        names = {part: part.replace("_", " ", 1).replace(" delay", "-delay").capitalize() for part in self.reasons}
        told = [text for axis, ends in self.reserves.items() if (text := _reserve(axis, ends))]
        return [
            "How it was chosen, on the passes shown (the claim: on the others; errors, Better and Reserve: on all):",
            *(f"{names[part]}: {why}" for part, why in self.reasons.items()),
            f"Reserve without a further error: {'; '.join(told) or 'no limit was found'}.",
            *self._two_thresholds(),
            self._counted(),
        ]

    def _two_thresholds(self) -> list[str]:
        if isinstance(self.taught.setting, WindowSetting):
            return ["Not searched with two thresholds: how far the light may move."]
        return []

    def _counted(self) -> str:
        made = self.taught.setting.taught
        full = self.cells if made is None else int(made.evidence.get("cells_in_full", self.cells))
        if full == self.cells:
            return f"Counted: {self.cells:,} combinations, each exactly."
        return (
            f"Counted: {self.cells:,} combinations, {full:,} of them on all that was shown; the others make more "
            "errors or have less reserve."
        )


def _reserve(axis: str, ends: Mapping[str, Any]) -> str:
    """Return the reserve of one axis in words; an empty text if no end was found."""
    low, high, unit = ends["low"], ends["high"], ends["unit"]
    if axis == "level":
        return ""  # that is the room
    if axis == "gain":
        # Told numbers are cut so that at each of them there is no further error yet.
        parts = [] if low is None else [f"down to {_percent(low, math.ceil)} %"]
        parts += [] if high is None else [f"up to {_percent(high, math.floor)} %"]
        return f"light {' and '.join(parts)} of today's" if parts else ""
    if axis == "ambient":
        parts = [f"{mark}{in_figures(cut(a), 3)} {unit}" for mark, a in (("−", low), ("+", high)) if a is not None]
        return f"ambient light {' or '.join(parts)}" if parts else ""
    parts = [f"{time_text(t, down=True)} {way}" for way, t in (("shorter", low), ("longer", high)) if t is not None]
    return f"{axis.replace('_', '-')} {' or '.join(parts)}" if parts else ""


def _percent(share: float, cut_to: Callable[[float], int]) -> str:
    """Return a share of today's light in %, with as many decimals as tell it from today's."""
    for places in range(MOST_PLACES + 1):
        told = cut_to(100 * share * 10**places) / 10**places
        if told != 100:
            break
    return f"{told:.{places}f}"


def designed_and_judged(
    recording: Recording,
    truth: Truth,
    strategy: Strategy | None = None,
    *,
    base: Setting | None = None,
    seed: int = 0,
    rules: Rules = USUAL_RULES,
    by: JudgedBy | None = None,
) -> DesignAnswer:
    """Design one setting from one showing of the whole recording, and judge it on what was not shown.

    `strategy`: a strategy with other steps or prices than the usual ones.
    `base`, `seed`, `rules`, `by`: as in `taught_and_judged`; of the base only the evaluation rate is kept.
    Raises Abstained if passes do not stand out, or no combination works on what was shown.
    Raises InputError if the pieces do not fit together.
    """
    taught = taught_and_judged(
        recording, truth, strategy or built(installed_class("designed"), {}), base=base, seed=seed, rules=rules, by=by
    )
    told: Mapping[str, Any] = {} if taught.setting.taught is None else taught.setting.taught.evidence
    return DesignAnswer(
        taught=taught, teach_cost=told["teach_cost"], cells=told["cells"], reasons=told["reasons"],
        reserves=reserves_of(recording, truth, taught.setting, taught.verdict.equal_cost, rules=rules),
    )  # fmt: skip
