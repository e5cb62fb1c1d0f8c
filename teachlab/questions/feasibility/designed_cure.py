"""A setting designed with all passes known, and a disturbance tried both ways: left out, and designed against."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from teachlab.errors import Abstained, SettingError
from teachlab.light.noise import DESIGNED, memory_for_light
from teachlab.model.memory import allowed_memory
from teachlab.model.printable_text import wrong_text
from teachlab.model.recording import Recording
from teachlab.model.score import USUAL_RULES, Rules
from teachlab.model.setting import Setting
from teachlab.model.setting_words import setting_in_words
from teachlab.model.teaching import Strategy
from teachlab.model.truth import Truth, joined
from teachlab.scoring.claimable import wrong_apart
from teachlab.scoring.scoring import score
from teachlab.switching.run import replay
from teachlab.teaching.block import TeachBlock
from teachlab.teaching.registry import built, installed_class

if TYPE_CHECKING:
    from teachlab.scoring.error_places import ErrorPlace

MOST_DESIGNED = 5_000_000
"""Longer recordings are not held in memory for a design."""


def can_be_held(recording: Recording, truth: Truth) -> bool:
    """Whether a setting can be designed on the whole of a recording: memory for all of its light is left."""
    if recording.samples > MOST_DESIGNED:
        return False
    return memory_for_light(recording, DESIGNED, beside=truth.start) <= allowed_memory()


def all_shown(recording: Recording, truth: Truth, base: Setting | None, rules: Rules) -> TeachBlock | None:
    """Return a block of the whole recording, which can be held, read once for all that is taught; None without one."""
    try:
        return TeachBlock(recording, truth, base=base, rules=rules)
    except Abstained:
        return None


def taught_in_hindsight(block: TeachBlock | None, rules: Rules, *strategies: Strategy) -> Iterator[Setting]:
    """Teach strategies on every scored pass; strategies that cannot be taught there are left out.

    `block`: from `all_shown`.
    """
    if block is None:
        return
    for strategy in strategies:
        try:
            yield replace(strategy.teach(block.in_hindsight(rules.first_pass)), taught=None)
        except (Abstained, SettingError):
            continue


def designed_in_hindsight(
    recording: Recording, truth: Truth, *, base: Setting | None = None, rules: Rules = USUAL_RULES
) -> Setting | None:
    """Design a setting on a recording that can be held, with every scored pass shown; None if nothing works.

    `base`: setting whose evaluation rate is kept.
    """
    block = all_shown(recording, truth, base, rules)
    return next(taught_in_hindsight(block, rules, built(installed_class("designed"), {})), None)


@dataclass(frozen=True, slots=True, kw_only=True)
class TriedBothWays:
    """A stretch with most errors of a setting: the result without it, and the result of a design with it.

    `first_sample`, `last_sample`: the stretch ``[first, last)`` that was left out.
    `left_out`: lost passes, and unwanted onsets, of the setting without the stretch.
    `designed`: setting designed with the stretch; None if none was found.
    `against`: the same counts of the designed setting, with the stretch.
    `searched`: whether a design was searched at all.
    """

    first_sample: int
    last_sample: int
    left_out: tuple[int, int]
    designed: Setting | None
    against: tuple[int, int] | None
    searched: bool = True
    step: float | None = None

    def sentence(self) -> str:
        """Say both results, with the stretch in samples, as a table of stretches needs it."""
        text = (
            f"Tried{' both ways' if self.searched else ''}: with samples {self.first_sample} to {self.last_sample} "
            f"left out (import --except): {wrong_text(*self.left_out)}; "
        )
        if not self.searched:
            return text + "a setting designed against it was not tried on so much light (teachlab design does)."
        if self.designed is None or self.against is None:
            return text + "no setting of levels, filter and delays was found that works with it."
        design = setting_in_words(self.designed, self.step, brief=True)
        return (
            f"{text}designed against it ({design}): {wrong_text(*self.against)}. The design knew these passes: "
            "check it on a new recording."
        )


def tried_both_ways(
    recording: Recording,
    truth: Truth,
    setting: Setting,
    place: ErrorPlace,
    *,
    rules: Rules = USUAL_RULES,
    step: float | None = None,
) -> TriedBothWays | None:
    """Try both ways a gap, or a stretch of passes, with most errors; None for errors of a lot or kind.

    `place`: of the score of that setting.
    """
    if place.where == "gap":
        begin = int(truth.end[place.first_pass]) if place.first_pass >= 0 else 0
        after = place.first_pass + 1
        end = int(truth.start[after]) if after < truth.passes else recording.samples
        # One sample of a gap excludes all of it; its ends belong to the windows of its neighbours.
        quarter = (end - begin) // 4
        begin, end = begin + quarter, end - quarter
    elif place.where == "stretch":
        begin, end = int(truth.start[place.first_pass]), int(truth.end[place.last_pass])
    else:
        return None
    if not begin < end:
        return None
    without = replace(truth, except_=joined((*truth.except_, (begin, end))))
    searched = can_be_held(recording, truth)
    designed = designed_in_hindsight(recording, truth, base=setting, rules=rules) if searched else None
    return TriedBothWays(
        first_sample=begin,
        last_sample=end,
        left_out=_wrong(recording, without, setting, rules),
        designed=designed,
        against=None if designed is None else _wrong(recording, truth, designed, rules),
        searched=searched,
        step=step if step is not None else recording.whole_step,
    )


def _wrong(recording: Recording, truth: Truth, setting: Setting, rules: Rules) -> tuple[int, int]:
    return wrong_apart(truth, score(replay(recording, setting), truth, rules=rules, tables=False))
