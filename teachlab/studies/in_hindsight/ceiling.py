"""The limit of all teaching: the best fixed levels, complete setting, two thresholds and levels that follow."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from teachlab.data.alignment.answer import Alignment
from teachlab.model.arrays import Integers
from teachlab.model.following_and_window import Follow, WindowSetting
from teachlab.model.json_values import picked, plain
from teachlab.model.recording import Recording
from teachlab.model.score import USUAL_RULES, Rules, Score
from teachlab.model.setting import Setting
from teachlab.model.setting_words import setting_in_words
from teachlab.model.truth import Truth
from teachlab.model.verdict import VerdictCure
from teachlab.questions.feasibility.designed_cure import all_shown, can_be_held, taught_in_hindsight
from teachlab.questions.feasibility.tried_cures import averaging_cure
from teachlab.questions.surface.count_settings import MOVING
from teachlab.scoring.claimable import joined_where, touching_rows, touching_text, without_touching, wrong_apart
from teachlab.scoring.scoring import score
from teachlab.sensor.output import Output
from teachlab.studies.in_hindsight.unsolved import UnsolvedTrial, causes_text, unsolved_text, unsolved_trials
from teachlab.switching.run import replay_together
from teachlab.teaching.strategies.background_follower import BackgroundFollower
from teachlab.teaching.strategies.designed import Designed
from teachlab.teaching.strategies.turning_point_follower import TurningPointFollower

FIXED, COMPLETE, FOLLOWING = "best fixed levels", "best complete setting", "best following setting"
TWO = "best two thresholds"
_BRIEFLY = {
    FIXED: "fixed levels", COMPLETE: "filter and delays too", TWO: "two thresholds", FOLLOWING: "levels that follow",
}  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class HindsightSetting:
    """One kind of setting, chosen with full knowledge of the passes, and its result on them.

    `lost`, `false`: passes lost, without those that touch; trips, further onsets and onsets on `ignore` passes.
    `lost_rows`: rows of these lost passes in the truth.
    `touching`: passes that touch the one before and merge with it: both are counted as one.
    """

    kind: str
    setting: Setting
    lost: int
    false: int
    lost_rows: tuple[int, ...]
    touching: int = 0

    @property
    def errors(self) -> int:
        """Lost passes and unwanted onsets."""
        return self.lost + self.false


@dataclass(frozen=True, slots=True, kw_only=True)
class Ceiling:
    """The best results of settings of each kind on some passes.

    `found`: one setting of each kind; kinds that cannot be designed here are left out.
    `unsolved`: the errors of the best of them.
    `reached`: for each kind, the strategies whose median setting makes no more errors; empty if nothing was compared.
    `averaged`: an average before fixed levels, if that leaves fewer errors than every setting.
    `searched`: whether designs were searched, or only the fixed levels and the settings of the strategies are known.
    """

    passes: int
    found: tuple[HindsightSetting, ...]
    unsolved: tuple[UnsolvedTrial, ...] = ()
    reached: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    averaged: VerdictCure | None = None
    searched: bool = True

    @property
    def least(self) -> HindsightSetting:
        """The kind with the fewest errors; of equal ones the simplest."""
        return min(self.found, key=lambda one: one.errors)

    def against(self, errors: Mapping[str, int]) -> Ceiling:
        """Return the same with the strategies that reach each kind, from the errors of each; fewest first."""
        ordered = sorted(errors, key=lambda name: errors[name])
        return replace(
            self,
            reached={one.kind: tuple(n for n in ordered if errors[n] <= one.errors) for one in self.found},
        )

    def brief(self) -> str:
        """Say in a line or two what each kind achieves, whether a strategy does, and which errors none avoids."""
        least = self.least
        told = ", ".join(f"{one.errors} with {_BRIEFLY[one.kind]}" for one in self.found) + self._by(least)
        if all(one.errors == least.errors for one in self.found):
            told = f"{least.errors} with {_BRIEFLY[least.kind]}{self._by(least)}"
            told += ", no fewer with any other kind" if least.errors and self.searched else ""
        against = f" {causes_text(self.unsolved, all_tried=self.searched)}" if self.unsolved else ""
        return f"{self._best}, errors: {told}{self._by_averaging()}.{self._unsearched()}{self._joined()}{against}"

    def sentence(self) -> str:
        """Say what each kind achieves, and which passes and gaps all of them get wrong."""
        told = "; ".join(
            f"{one.kind} {one.errors} ({one.lost} lost, {one.false} too many){self._by(one)}" for one in self.found
        )
        text = f"{self._best}, errors on the {self.passes} scored passes: {told}."
        text += self._unsearched() + self._joined()
        best = self.least
        if best.kind != FIXED:
            text += f" That is {setting_in_words(best.setting)}."
        if self.unsolved:
            text += f" None of them is free of errors. {unsolved_text(self.unsolved)}"
        if self.averaged is not None:
            lost, false = self.averaged.lost, self.averaged.false
            text += f" With {self.averaged.text}: {lost + false} ({lost} lost, {false} too many)."
        return text

    @property
    def _best(self) -> str:
        return f"Best {'possible' if self.searched else 'found'} in hindsight"

    def _unsearched(self) -> str:
        return "" if self.searched else " Other designs were not searched in so much light: teachlab design does."

    def _joined(self) -> str:
        """Say how many passes are counted with the one that they touch."""
        joined = self.least.touching
        return f" {touching_text(joined, 'scored ')} here." if joined else ""

    def _by_averaging(self) -> str:
        mean = self.averaged
        return "" if mean is None else f", {mean.lost + mean.false} with {mean.text}"

    def _by(self, one: HindsightSetting) -> str:
        """Return which strategies reach it; an empty text if nothing was compared."""
        if not self.reached:
            return ""
        names = self.reached[one.kind]
        if not names:
            return " (no strategy reaches it)"
        return f" (reached by {f'{len(names)} strategies' if len(names) > 1 else names[0]})"

    def as_dict(self) -> dict[str, Any]:
        """Return the plain JSON form."""
        return {
            "passes": self.passes,
            "found": [{**plain(one), "reached_by": list(self.reached.get(one.kind, ()))} for one in self.found],
            "unsolved": [one.as_dict() for one in self.unsolved],
            **picked(self, "averaged", "searched"),
        }


def ceiling(
    recording: Recording,
    truth: Truth,
    fixed: Setting,
    *,
    base: Setting | None = None,
    rules: Rules = USUAL_RULES,
    alignment: Alignment | None = None,
    taught: Iterable[Setting] = (),
    outputs: Mapping[Setting, Output] | None = None,
) -> Ceiling:
    """Find the best result of each kind of setting on the scored passes, each tried by replay.

    `fixed`: the best fixed levels, from the surface.
    `base`: setting whose evaluation rate is kept.
    `taught`: settings of the strategies; what they reach is possible, too.
    `outputs`: what is known of some settings.

    The complete setting is that of `designed` with every scored pass shown, or the fixed levels if these make fewer
    errors. Two thresholds are those that a strategy taught. The one that follows is `turning-point-follower` or
    `background-follower`, in both forms, with every scored pass shown. All are settings that were found, so their
    results can be reached. That no other setting that follows is better is not claimed.
    """
    # Asked once: the memory that is free changes.
    searched = can_be_held(recording, truth)
    block = all_shown(recording, truth, base, rules) if searched else None
    settings = [(FIXED, fixed)]
    for kind, strategies in (
        (COMPLETE, (Designed(),)),
        (FOLLOWING, (TurningPointFollower(), BackgroundFollower(), BackgroundFollower(follow=Follow.GAIN))),
    ):
        settings += [(kind, setting) for setting in taught_in_hindsight(block, rules, *strategies)]
    del block
    # No plain levels do better than the fixed ones.
    more = [one for one in taught if type(one) is not Setting or one.has_memory]
    for one in more:
        kind = FOLLOWING if isinstance(one, MOVING) else TWO if isinstance(one, WindowSetting) else COMPLETE
        settings.append((kind, one))
    known = dict(outputs or {})
    more = [setting for _, setting in settings if setting not in known]
    known.update(zip(more, replay_together(recording, more), strict=True))
    tried = [
        (kind, known[setting], score(known[setting], truth, rules=rules, tables=False)) for kind, setting in settings
    ]
    found = [_tried(truth, *one) for one in tried]
    # Without delays, a complete setting is as good as the best fixed levels.
    first, least = found[0], [found[0]]
    complete = [one for one in found if one.kind == COMPLETE]
    least.append(min([*complete, replace(first, kind=COMPLETE)], key=lambda one: one.errors))
    for kind in (TWO, FOLLOWING):
        if of_kind := [one for one in found if one.kind == kind]:
            least.append(min(of_kind, key=lambda one: one.errors))
    made = Ceiling(passes=tried[0][2].counts.scored_passes, found=tuple(least), searched=searched)
    if not made.least.errors:
        return made
    at = next(k for k, one in enumerate(found) if one.setting == made.least.setting)
    _, output, scored = tried[at]
    # No setting averages, but some sensors do: the result of an average is given beside those of the settings.
    joined = joined_where(truth, _rows_joined(truth, tried[0][2], rules))
    mean = averaging_cure(recording, joined, replace(fixed, taught=None), rules=rules)
    return replace(
        made,
        unsolved=unsolved_trials(
            recording,
            truth,
            output,
            replace(scored, trials=without_touching(truth, scored.trials)),
            alignment=alignment,
            rules=rules,
        ),
        averaged=mean.told if mean is not None and mean.errors < made.least.errors else None,
    )


def _rows_joined(truth: Truth, found: Score, rules: Rules) -> Integers:
    """Return the rows of the passes that merge with the scored pass that they touch."""
    rows = touching_rows(truth, found.trials)
    return rows[rows > rules.first_pass]


def _tried(truth: Truth, kind: str, output: Output, found: Score) -> HindsightSetting:
    """Return a setting with what it lost and tripped."""
    (lost, false), n = wrong_apart(truth, found), found.counts
    apart = without_touching(truth, found.trials)
    rows = apart.rows(apart.lost)
    return HindsightSetting(
        kind=kind, setting=replace(output.setting, taught=None), lost=lost,
        false=false, lost_rows=tuple(rows.tolist()), touching=n.lost - lost,
    )  # fmt: skip
