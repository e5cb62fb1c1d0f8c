"""Balanced guard and guard-or-window, worked by hand; what they do on lines with lots, rare kinds and dips."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from teach_views import in_turn

from teachlab.data.split import split
from teachlab.errors import Abstained
from teachlab.model.draws import Costs
from teachlab.model.following_and_window import WindowSetting
from teachlab.model.recording import Direction
from teachlab.model.score import Rules
from teachlab.model.setting import Setting
from teachlab.model.teaching import TeachView
from teachlab.questions.surface.given_settings.pairs import score_pairs
from teachlab.synthetic import generate, load_scenario
from teachlab.teaching import TeachBlock, resolve, teach_once
from teachlab.teaching.registry import BUILT_IN, RECOMMENDED
from teachlab.teaching.rules.independence import independent
from teachlab.teaching.strategies.balanced_guard import BalancedGuard
from teachlab.teaching.strategies.guard_or_window import GuardOrWindow
from teachlab.teaching.strategies.quantile_guard import QuantileGuard

RISE, DIP = Direction.RISE, Direction.DIP
LENGTH = 10
HYSTERESIS = 6 / math.sqrt(12)
"""Six standard deviations of light that is only rounded to whole counts."""


def view(objects: Sequence[Any], *, gap: float = 10.0, **more: Any) -> TeachView:
    """Objects before a flat background."""
    return in_turn(objects, [gap] * (len(objects) + 1), **more)


def test_passes_and_gaps_known_equally_well_meet_in_the_middle() -> None:
    setting = BalancedGuard(share=0.0).teach(view([60.0, 61.0] * 10))
    # u of 20 passes 1/21, of 21 gaps 1/22: w = 21/43 of the 50 counts from 10 to 60.
    assert setting.on_level == pytest.approx(10 + 50 * 21 / 43)
    assert setting.hysteresis == pytest.approx(HYSTERESIS)
    assert setting.light_on


def test_a_held_onset_keeps_room_for_the_width_above_the_background() -> None:
    setting = BalancedGuard(share=0.0).teach(view([60.0, 61.0] * 10, on_delay_ms=3.0))
    assert setting.on_level == pytest.approx(10 + HYSTERESIS + (50 - HYSTERESIS) * 21 / 43)
    low = BalancedGuard(share=0.0).teach(view([12.0, 13.0] * 10, on_delay_ms=3.0))
    # No room for 1.7 counts between 10 and 12: half of it.
    assert low.on_level == pytest.approx(10 + 1 + 1 * 21 / 43)
    assert low.off_level >= 10


def test_the_level_lies_above_all_background_and_below_the_weakest_pass_shown() -> None:
    # One gap of 26 in 201 and one pass of 30 in 200 lie beyond the guards, 10 and 60.
    shown = view([60.0] * 100 + [30.0] + [60.0] * 99)
    light = shown.events.light.copy()
    light[400:404] = 26.0
    seen = replace(shown, events_=replace(shown.events, light=light))
    assert QuantileGuard().teach(seen).on_level == pytest.approx(35)
    assert BalancedGuard(position=0.2).teach(seen).on_level == pytest.approx(26 + 0.2 * 4)


def test_dips_are_placed_as_rises() -> None:
    setting = BalancedGuard(share=0.0).teach(view([40.0, 39.0] * 10, gap=90.0, direction=DIP))
    assert setting.off_level == pytest.approx(90 - 50 * 21 / 43)
    assert setting.on_level == pytest.approx(setting.off_level + HYSTERESIS)
    assert not setting.light_on


def test_objects_in_lots_count_as_few() -> None:
    lots = np.repeat([60.0, 80.0, 61.0, 79.0], 10)
    setting = BalancedGuard(share=0.0).teach(view(lots))
    assert setting.taught is not None
    few = setting.taught.evidence["independent_passes"]
    assert few == independent(lots)
    assert few < 8
    assert setting.on_level == pytest.approx(10 + 50 * (few + 1) / (few + 1 + 42))
    assert setting.on_level < QuantileGuard(share=0.0).teach(view(lots)).on_level


def test_a_rare_kind_gets_the_level_below_it_and_no_more() -> None:
    objects = [60.0, 61.0] * 20
    labels = ["tub"] * 40
    for k in (9, 30):
        objects[k], labels[k] = 25.0, "dark tub"
    setting = BalancedGuard(share=0.0).teach(view(objects, labels=labels))
    # That the next pass is a dark tub weaker than both has probability 2/40 · 1/3, less than 1/41: the 40
    # passes count, not the 2, and w = 41/83 of the 15 counts from 10 to 25.
    assert setting.on_level == pytest.approx(10 + 15 * 41 / 83)
    with pytest.raises(Abstained, match="too few passes of the kind 'dark tub'"):
        QuantileGuard(share=0.0).teach(view(objects, labels=labels))


def test_kinds_in_lots_count_by_their_changes() -> None:
    """Two kinds in turn, six at a time: correlations alone see more of them than the changes tell of."""
    labels = (["tub"] * 6 + ["dark tub"] * 6) * 4
    objects = [60.0 + k % 2 if label == "tub" else 40.0 for k, label in enumerate(labels)]
    setting = BalancedGuard(share=0.0).teach(view(objects, labels=labels))
    assert setting.taught is not None
    # Seven changes among kinds of equal shares tell of 1 + 7/(1 − 1/2) lots.
    few = min(15.0, independent(np.array(objects)))
    assert setting.taught.evidence["independent_passes"] == few
    assert setting.on_level == pytest.approx(10 + 30 * (few + 1) / (few + 1 + 50))


def test_objects_to_be_ignored_count_by_their_own_number() -> None:
    """Four lids are known less well than gaps as strong as they are: the level keeps more distance from them."""
    height = np.where(np.arange(44) % 11 < 10, 100.0, 40.0) + np.random.default_rng(2).normal(0, 2, 44)
    tubs = height > 70
    with_lids = view(height, labels=np.where(tubs, "tub", "lid").tolist())
    with_lids = replace(with_lids, events_=replace(with_lids.events, detect=tubs))
    strong_gaps = view(height[tubs], gap=float(height[~tubs].max()))
    assert BalancedGuard().teach(with_lids).on_level > BalancedGuard().teach(strong_gaps).on_level + 5


def test_the_level_clears_what_the_tail_of_the_background_says() -> None:
    """Few lots alone would put the level just above the background guard, below a seam that was seen."""
    shown = view(np.repeat([60.0, 80.0, 61.0, 79.0], 10))
    light = shown.events.light.copy()
    for k, peak in enumerate((14.0, 16.0, 21.0)):
        light[20 * (9 * k + 3) + 4] = peak
    setting = BalancedGuard(share=0.1).teach(replace(shown, events_=replace(shown.events, light=light)))
    # The highest gap peak 21 lies 7 above the third highest: the level is at least as far above it.
    assert setting.on_level == pytest.approx(28.0)


def test_valleys_inside_the_passes_must_not_release_the_output() -> None:
    slats = [60.0] * 4 + [30.0] * 2 + [60.0] * 4
    setting = BalancedGuard(share=0.0).teach(view([slats, [61.0] * LENGTH] * 10))
    assert setting.on_level == pytest.approx(10 + (30 + HYSTERESIS - 10) * 21 / 43)
    # With a filter that such a valley does not pass, it does not count.
    filtered = BalancedGuard(share=0.0).teach(view([slats, [61.0] * LENGTH] * 10, consecutive=3))
    assert filtered.on_level == pytest.approx(10 + HYSTERESIS + (50 - HYSTERESIS) * 21 / 43)


def test_valleys_as_deep_as_the_background_are_left_to_the_delays() -> None:
    walls = [60.0] * 3 + [2.0] * 4 + [60.0] * 3
    setting = BalancedGuard(share=0.0).teach(view([walls, [61.0] * LENGTH] * 10))
    assert setting.on_level == pytest.approx(10 + 50 * 21 / 43)


@pytest.mark.parametrize(
    ("strategy", "objects"), [(BalancedGuard(), [60.0, 10.0] * 10), (GuardOrWindow(), [10.0] * 20)]
)
def test_contrast_that_is_not_there_is_refused(strategy: Any, objects: list[float]) -> None:
    with pytest.raises(Abstained, match="the contrast is too small"):
        strategy.teach(view(objects))


def test_a_gap_that_does_not_release_is_refused_and_not_handed_over() -> None:
    with pytest.raises(Abstained, match="the gaps are too bright or too short"):
        GuardOrWindow().teach(view([60.0, 61.0] * 10, off_delay_ms=50.0))


def test_passes_that_touch_have_no_gap_that_must_release() -> None:
    """Every second pass touches the next, and the light stays at 60 between them: the other gaps are released."""
    shown = view([60.0, 61.0] * 10)
    events, light = shown.events, shown.events.light.copy()
    end = events.end.copy()
    for k in range(0, 20, 2):
        light[end[k] : events.start[k + 1]] = 60.0
        end[k] = events.start[k + 1]
    setting = GuardOrWindow().teach(replace(shown, events_=replace(events, light=light, end=end)))
    assert 10 < setting.off_level < setting.on_level < 60


def test_one_level_where_it_suffices() -> None:
    shown = view([60.0, 61.0] * 10)
    setting = GuardOrWindow().teach(shown)
    plain = BalancedGuard().teach(shown)
    assert type(setting) is Setting
    assert (setting.on_level, setting.off_level) == (plain.on_level, plain.off_level)
    assert setting.taught is not None
    assert setting.taught.strategy == "guard-or-window"
    assert setting.taught.evidence["handed_to"] == "balanced-guard"


def test_two_levels_where_objects_are_brighter_and_darker() -> None:
    setting = GuardOrWindow().teach(view([60.0, 2.0] * 10, gap=20.0))
    assert isinstance(setting, WindowSetting)
    assert (setting.on_level, setting.off_level) == (40.0, 11.0)
    assert setting.taught is not None
    assert setting.taught.evidence["handed_to"] == "two-threshold"


@pytest.mark.parametrize(
    ("values", "expected"),
    [
        ([], 0.0),
        ([1.0, 2, 3], 3.0),
        ([5.0] * 20, 20.0),
        # Ranks −1 and 1 about their middle in two runs of ten: the correlations of ranks i apart are
        # (20 − 3i)/20 for i up to 10, of which 17, 14 and 11 twentieths lie above 2/√20 = 0.447.
        ([1.0] * 10 + [2.0] * 10, 20 / (1 + 2 * 42 / 20)),
    ],
)
def test_independent_events(values: list[float], expected: float) -> None:
    assert independent(np.array(values)) == pytest.approx(expected)


def test_the_recommended_strategy_is_built_in() -> None:
    assert RECOMMENDED in BUILT_IN


CLASSICS = ("single-sample", "background-referenced", "sweep-minmax", "two-sample-midpoint")


@pytest.mark.parametrize("seed", [11, 21, 31])
@pytest.mark.parametrize(("name", "passes"), [("a09", 400), ("a09", 2000), ("a10", 400), ("a02", 400)])
def test_the_recommended_strategy_is_not_beaten_by_a_classic(name: str, passes: int, seed: int) -> None:
    """Lots of which few were shown, a seam that comes once in fifteen gaps, and next to no contrast."""
    recording, truth = generate(load_scenario(name), passes, seed=seed)
    cut = split(truth, recording.samples)
    block = TeachBlock(recording, truth, stop_sample=cut.teach_end)

    def median_cost(strategy: str) -> float:
        settings = [teach_once(resolve(strategy), block, 0, draw) for draw in range(9)]
        found = score_pairs(recording, truth, settings, rules=Rules(first_pass=cut.first_scored))
        return sorted(counts.cost(Costs()) for counts in found)[4]

    assert median_cost(RECOMMENDED) <= min(map(median_cost, CLASSICS)) + 0.0005


def test_one_pass_is_enough_and_trusted_less_than_two_gaps() -> None:
    setting = GuardOrWindow().teach(view([60.0]))
    # u of one pass 1/2, of two gaps 1/3; light of two levels 50 apart is noise of 6 · 50/√12 to the hysteresis.
    assert setting.on_level == pytest.approx(max(10 + 50 * 2 / 5, 10 + min(6 * 50 / math.sqrt(12), 25)))


def overlapping(errors: int) -> list[float]:
    """Forty objects of which some are as dark as the gaps."""
    return [60.0 + k % 3 if k >= errors else 10.0 for k in range(40)]


def test_where_classes_overlap_the_level_of_least_errors_is_placed() -> None:
    setting = GuardOrWindow().teach(view(overlapping(3)))
    assert 10 < setting.on_level < 60
    assert setting.taught is not None
    assert setting.taught.evidence["handed_to"] == "least-errors"
    assert setting.taught.evidence["errors_shown"] == 3


def test_errors_as_many_as_of_no_switching_at_all_are_refused_with_their_number() -> None:
    with pytest.raises(Abstained, match="the contrast is too small") as refusal:
        GuardOrWindow().teach(view([10.0, 60.0, 10.0, 61.0]))
    assert "at best 2 errors in 4 passes" in refusal.value.measured


def test_a_direction_in_doubt_is_refused_where_no_window_does() -> None:
    objects = overlapping(4)
    objects[1::2] = [-45.0] * 20
    with pytest.raises(Abstained, match="the contrast is too small") as refusal:
        GuardOrWindow().teach(view(objects))
    assert "at best" not in refusal.value.measured


def test_kinds_that_contradict_each_other_are_refused() -> None:
    shown = view([60.0, 61.0] * 10, labels=["tub", "lid"] * 10)
    events = replace(shown.events, detect=np.arange(20) % 2 == 0)
    with pytest.raises(Abstained, match="no fixed level can separate the passes 'tub' from the passes to be ignored"):
        GuardOrWindow().teach(replace(shown, events_=events))
