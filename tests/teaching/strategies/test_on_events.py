"""Strategies on labelled events: every rule worked by hand in both directions, every refusal with its numbers."""

from __future__ import annotations

import dataclasses
import math
from typing import Any

import numpy as np
import pytest
from teach_views import acts_and_releases
from teach_views import in_turn as view

from teachlab.errors import Abstained, ParameterError
from teachlab.model.recording import Direction
from teachlab.model.setting import Polarity, Setting
from teachlab.model.teaching import TeachView
from teachlab.teaching.strategies.contamination_aware import ContaminationAware
from teachlab.teaching.strategies.filtered_guard import FilteredGuard, cost_shown
from teachlab.teaching.strategies.minimax_regret import MinimaxRegret
from teachlab.teaching.strategies.neyman_pearson import NeymanPearson, events_needed, smallest_rank
from teachlab.teaching.strategies.noise_weighted import NoiseWeightedMidpoint
from teachlab.teaching.strategies.quantile_guard import QuantileGuard
from teachlab.teaching.strategies.ratio_midpoint import RatioMidpoint
from teachlab.teaching.strategies.stepped_trim import SteppedTrim
from teachlab.teaching.strategies.tail_balanced import Tail, TailBalanced, least_cost

RISE, DIP = Direction.RISE, Direction.DIP
LENGTH = 10


def evidence(setting: Setting) -> Any:
    assert setting.taught is not None
    return setting.taught.evidence


OBJECTS = [400.0 + k for k in range(10)]  # 400 … 409, median 404.5
GAPS = [100.0 - k for k in range(11)]  # 90 … 100, median 95


def test_quantile_guard_by_hand() -> None:
    # S = 400 + 0.09 (between the two lowest), B = 100 − 0.1; the middle of the two.
    middle = (400.09 + 99.9) / 2
    acts, releases = acts_and_releases(QuantileGuard().teach(view(OBJECTS, GAPS)))
    assert acts == pytest.approx(middle)
    assert releases < acts
    acts, _ = acts_and_releases(QuantileGuard(share=0.0, position=0.25).teach(view(OBJECTS, GAPS)))
    assert acts == pytest.approx(100 + 0.25 * 300)


def test_quantile_guard_of_dips_by_hand() -> None:
    # Objects darken from about 100 (90 … 100) to about 400 below 1000.
    setting = QuantileGuard(share=0.0).teach(view([500 - x for x in OBJECTS], [500 - x for x in GAPS], direction=DIP))
    acts, releases = acts_and_releases(setting)
    assert (acts, setting.polarity) == (250.0, Polarity.DARK_ON)
    assert releases > acts


def test_the_weakest_kind_and_the_strongest_background_decide() -> None:
    labels = ["white"] * 5 + ["dark"] * 5 + ["wall"] * 5
    setting = QuantileGuard(share=0.0).teach(
        view([400.0] * 5 + [300.0] * 5 + [200.0] * 5, [100.0] * 16, labels=labels, detect=[True] * 10 + [False] * 5)
    )
    assert acts_and_releases(setting)[0] == 250.0
    assert evidence(setting)["weakest"] == "dark"
    assert evidence(setting)["strongest"] == "the passes to be ignored 'wall'"


def test_labels_that_never_repeat_name_pieces_and_not_kinds() -> None:
    setting = QuantileGuard().teach(view(OBJECTS, GAPS, labels=[f"piece {k}" for k in range(10)]))
    assert evidence(setting)["weakest"] == "all"


def test_an_on_delay_keeps_the_release_above_the_background() -> None:
    """The comparator stays set down to the release: with a delay T = B + H + phi (S − B − H)."""
    noisy = view(OBJECTS, GAPS, on_delay_ms=4.0)
    setting = QuantileGuard(share=0.0).teach(noisy)
    acts, releases = acts_and_releases(setting)
    wanted = evidence(setting)["hysteresis"]["wanted"]
    assert acts == pytest.approx(100 + wanted + 0.5 * (300 - wanted))
    assert releases >= 100.0


def test_ratio_midpoint_has_equal_excess_gain_on_both_sides() -> None:
    setting = RatioMidpoint().teach(view(OBJECTS, GAPS, dark=20.0))
    acts, _ = acts_and_releases(setting)
    assert acts == pytest.approx(20 + math.sqrt((404.5 - 20) * (95 - 20)))
    assert (404.5 - 20) / (acts - 20) == pytest.approx((acts - 20) / (95 - 20))
    assert evidence(setting)["excess_gain"] == pytest.approx((404.5 - 20) / (acts - 20))
    # Light does not know which of the two is the object.
    mirrored = RatioMidpoint().teach(view(GAPS[:10], [*OBJECTS, 404.5], dark=20.0, direction=DIP))
    assert acts_and_releases(mirrored)[0] == pytest.approx(20 + math.sqrt((404.5 - 20) * (95.5 - 20)))


def test_noise_weighted_midpoint_by_hand() -> None:
    # MAD of 400 … 409 is 2.5, of 90 … 100 it is 3; the floor of 1 % of 309.5 is below both.
    s1, s0 = 1.4826 * 2.5, 1.4826 * 3
    acts, _ = acts_and_releases(NoiseWeightedMidpoint().teach(view(OBJECTS, GAPS)))
    assert acts == pytest.approx((s0 * 404.5 + s1 * 95) / (s0 + s1))


def test_costs_move_the_level_away_from_the_dearer_error() -> None:
    shown = view(OBJECTS, GAPS)
    levels = [
        acts_and_releases(NoiseWeightedMidpoint(balance="costs", cost_miss=c).teach(shown))[0] for c in (1e-6, 1.0, 1e6)
    ]
    assert levels[0] > levels[1] > levels[2]


def test_a_floor_keeps_a_class_without_spread_from_drawing_the_level() -> None:
    setting = NoiseWeightedMidpoint(floor_share=0.05).teach(view([400.0] * 10, [100.0] * 11))
    # Both spreads are at the floor of the step over √12 or of 5 %: the middle.
    assert acts_and_releases(setting)[0] == pytest.approx(250.0)


def test_neyman_pearson_by_hand() -> None:
    # 29 gaps, 10 % at 95 %: the largest of them; sigma of flat gaps is the step over √12.
    gaps = [100.0 + (7 * k) % 29 for k in range(29)]
    setting = NeymanPearson(limit=0.1, clearance=0.0).teach(view([400.0] * 28, gaps))
    # Just above it: at its own light it would trip.
    assert acts_and_releases(setting)[0] == math.nextafter(128.0, math.inf)
    assert (evidence(setting)["rank"], evidence(setting)["bounded_events"]) == (29, 29)
    objects = [400.0 + k for k in range(29)]
    setting = NeymanPearson(limit=0.1, clearance=0.0, bound="misses").teach(view(objects, [100.0] * 30))
    assert acts_and_releases(setting)[0] == 400.0


@pytest.mark.parametrize("direction", [RISE, DIP])
@pytest.mark.parametrize("bound", ["false-trips", "misses"])
def test_neyman_pearson_bounds_events_that_repeat(direction: Direction, bound: str) -> None:
    # Without clearance the level is at the light of half of the events: none of them may come out wrong.
    objects, gaps = [400.0, 401.0] * 10, [100.0, 101.0] * 10 + [100.0]
    if direction is DIP:
        objects, gaps = [1000 - x for x in objects], [1000 - x for x in gaps]
    shown = view(objects, gaps, direction=direction)
    setting = NeymanPearson(bound=bound, limit=0.2, confidence=0.9, clearance=0).teach(shown)
    acts = acts_and_releases(setting)[0]
    active = [x >= acts if direction is RISE else x < acts for x in (*objects, *gaps)]
    assert active == [True] * 20 + [False] * 21
    assert acts == pytest.approx(gaps[1] if bound == "false-trips" else objects[0])


def test_neyman_pearson_takes_as_many_events_as_it_asks_for() -> None:
    # 0.9³ is 0.729 but for rounding.
    assert smallest_rank(events_needed(0.1, 1 - 0.271), 0.1, 1 - 0.271) == 3
    for limit in (0.001, 0.01, 0.05, 0.1, 0.2, 0.5):
        for few in (1, 2, 3, 7, 40):
            needed = events_needed(limit, 1 - (1 - (1 - limit) ** few))
            assert needed == few
            assert smallest_rank(needed, limit, 1 - (1 - (1 - limit) ** few)) == few


def test_contamination_aware_by_hand() -> None:
    # Rise: half of 380 above dark is 190 against 80: geometric mean.
    rise = ContaminationAware(least_gain=0.5, share=0.0).teach(view([400.0] * 5, [100.0] * 6, dark=20.0))
    assert acts_and_releases(rise)[0] == pytest.approx(20 + math.sqrt(190 * 80))
    assert evidence(rise)["largest_loss"] == pytest.approx(1 - 80 / 380)
    dip = ContaminationAware(least_gain=0.5, share=0.0).teach(view([100.0] * 5, [400.0] * 6, dark=20.0, direction=DIP))
    acts, releases = acts_and_releases(dip)
    assert acts == pytest.approx(20 + math.sqrt(190 * 80))
    assert releases <= 20 + 190  # the clear light that is left releases it


def test_minimax_regret_takes_the_common_window() -> None:
    # Today 100 … 400; with +60 of ambient light 160 … 460; at half the light 50 … 200.
    setting = MinimaxRegret(stress="1,0; 1,60; 0.5,0").teach(view([400.0] * 5, [100.0] * 6))
    assert acts_and_releases(setting)[0] == pytest.approx((160 + 200) / 2)
    assert evidence(setting)["regret"] == 0
    assert evidence(setting)["price_today"] == 0


def test_minimax_regret_names_the_two_stresses_that_contradict_each_other() -> None:
    with pytest.raises(Abstained) as refusal:
        MinimaxRegret(stress="1,200;0.5,0").teach(view([400.0] * 5, [100.0] * 6))
    assert "gain 1, ambient +200 asks for a level beyond 300" in refusal.value.reason
    assert "gain 0.5, ambient +0 for one before 200" in refusal.value.reason
    assert refusal.value.required == "at most 0.05"


def test_minimax_regret_tells_the_price_of_a_level_that_a_gap_just_reaches() -> None:
    # One of 5 passes and one of 6 gaps peak at 200: losing the one costs what the trip of the other does, so that every
    # level from 0 to 400 costs 0.2. The middle is 200, which the gap reaches, and at which the pass is still seen.
    setting = MinimaxRegret(stress="1,0", cost_miss=1.0, cost_false=1.2).teach(
        view([400.0] * 4 + [200], [0.0] * 5 + [200])
    )
    assert acts_and_releases(setting)[0] == 200.0
    assert evidence(setting)["price_today"] == pytest.approx(0.2)


def test_pedestal_is_light_that_the_loss_throws_back() -> None:
    # g = 0.5 with a pedestal of 100: 400 → 250, 100 → 100.
    setting = MinimaxRegret(stress="0.5,0,100").teach(view([400.0] * 5, [100.0] * 6))
    assert acts_and_releases(setting)[0] == pytest.approx(175.0)


def test_stepped_trim_by_hand() -> None:
    # Background 95, strongest of the first five 404: steps of 30.9; 400 is passed after 9 of them.
    setting = SteppedTrim(steps=10).teach(view(OBJECTS, GAPS))
    assert acts_and_releases(setting)[0] == pytest.approx(95 + 9 * 30.9)
    # From above: 404 − 30.9 k stays above the highest gap of 100 for k up to 9.
    setting = SteppedTrim(steps=10, flip="background").teach(view(OBJECTS, GAPS))
    assert acts_and_releases(setting)[0] == pytest.approx(404 - 9 * 30.9)


@pytest.mark.parametrize("direction", [RISE, DIP])
@pytest.mark.parametrize("unit", [1.0, 0.1, 0.3])
@pytest.mark.parametrize("flip", ["object", "background"])
def test_stepped_trim_detects_every_piece_and_no_gap_where_a_step_ends_at_their_light(
    direction: Direction, unit: float, flip: str
) -> None:
    for steps in range(3, 30):
        # Upwards: all pieces at the last step, or all gaps at a step on the way down.
        up = [40.0 * steps] * 5, [float(k) for k in (0, 0, 0, 40, 0, 0)]
        objects, gaps = ([unit * (x if direction is RISE else 2000 - x) for x in values] for values in up)
        setting = SteppedTrim(flip=flip, steps=steps).teach(view(objects, gaps, direction=direction, full_scale=None))
        active = [x >= setting.on_level if direction is RISE else x < setting.off_level for x in (*objects, *gaps)]
        assert active[:5] == [True] * 5, steps
        assert active[5:] == [False] * 6, steps


def test_tail_balanced_lies_between_the_tails() -> None:
    random = np.random.default_rng(0)
    shown = view(400 + 5 * random.standard_normal(200), 100 + random.standard_normal(201))
    acts, _ = acts_and_releases(TailBalanced().teach(shown))
    assert 101 < acts < 394
    dear = acts_and_releases(TailBalanced(cost_miss=1e6).teach(shown))[0]
    assert dear < acts


@pytest.mark.parametrize("apart", [20.0, 200.0, 2000.0, 60_000.0])
@pytest.mark.parametrize("cost_miss", [0.01, 1.0, 50.0])
def test_exponential_tails_balance_by_their_formula_also_where_their_costs_vanish(
    apart: float, cost_miss: float
) -> None:
    # Sixty thousand counts apart with tails of one and ten counts: either cost is below 1e-300.
    gaps, below = Tail(100.0, 0.1, 0.0, 1.0), Tail(-100.0 - apart, 0.2, 0.0, 10.0)
    level = least_cost(gaps, below, 1.0, cost_miss)
    wanted = ((100 + apart) / 10 + 100 / 1 + math.log(0.1 * 10 / (cost_miss * 0.2 * 1))) / (1 / 10 + 1)
    assert level == pytest.approx(min(max(wanted, 100.0), 100 + apart), abs=1e-6)
    # Heavy tails: a little to either side costs more.
    gaps, below = Tail(100.0, 0.1, 0.4, 1.0), Tail(-100.0 - apart, 0.2, 0.1, 10.0)
    level = least_cost(gaps, below, 1.0, cost_miss)

    def cost(at: float) -> float:
        return gaps.beyond(at - 100) + cost_miss * below.beyond(100 + apart - at)

    near = [at for at in (level - 0.1, level + 0.1) if 100 <= at <= 100 + apart]
    assert all(cost(level) <= cost(at) for at in near)


def spiked(height: float, *, length: int = 2) -> TeachView:
    """A line whose gaps spike for two evaluations, and whose passes drop out for as long."""
    shown = view([400.0] * 20, [100.0] * 21)
    light = shown.events.light.copy()
    for k in range(0, 20, 3):
        light[2 * LENGTH * k + 4 : 2 * LENGTH * k + 4 + length] += height
        light[2 * LENGTH * k + LENGTH + 4 : 2 * LENGTH * k + LENGTH + 4 + length] -= height
    return dataclasses.replace(shown, events_=dataclasses.replace(shown.events, light=light))


def test_the_filtered_guard_lengthens_the_filter_only_where_errors_ask_for_it() -> None:
    clean = FilteredGuard().teach(view([400.0] * 20, [100.0] * 21))
    assert (clean.consecutive, evidence(clean)["filters_tried"]) == (1, {"1": 0.0})
    # Spikes of two evaluations up to the objects: no level can do it without three in a row.
    setting = FilteredGuard().teach(spiked(300.0))
    assert setting.consecutive == 3
    assert "1" not in evidence(setting)["filters_tried"]  # there the quantile guard abstains
    assert evidence(setting)["filters_tried"]["3"] == 0
    assert 100 < setting.off_level <= setting.on_level < 400


def test_the_filtered_guard_takes_no_more_than_its_share_of_the_shortest_event() -> None:
    # Passes and gaps of 10: a share of 0.2 allows 2 in a row, which does not help against 2.
    with pytest.raises(Abstained) as refusal:
        FilteredGuard(longest=0.2).teach(spiked(300.0))
    assert "the contrast is too small" in refusal.value.reason
    base = dataclasses.replace(spiked(300.0), base=dataclasses.replace(spiked(300.0).base, consecutive=4))
    assert FilteredGuard(longest=0.2).teach(base).consecutive == 4  # that of the base is always tried


def test_cost_shown_counts_every_kind_of_error() -> None:
    shown = view([200.0, 400.0, 400.0, 400.0], [100.0, 100.0, 350.0, 100.0, 100.0])
    setting = dataclasses.replace(shown.base, on_level=300.0, off_level=280.0)
    # One of four passes lost, one of five gaps tripped, one of three gaps between passes not released.
    assert cost_shown(shown, setting) == pytest.approx(1 / 4 + 1 / 5 + 1 / 3)


@pytest.mark.parametrize(
    ("strategy", "shown", "reason", "measured", "required"),
    [
        (QuantileGuard(), view([400.0] * 2, [100.0] * 3), "too few passes", "2 usable", "at least 3"),
        (
            QuantileGuard(),
            view([100.0] * 5, [100.0] * 6),
            "the contrast is too small",
            "100 counts",
            "further from the background than all gaps",
        ),
        (
            QuantileGuard(),
            view([400.0] * 20 + [300.0] * 3, [100.0] * 24, labels=["white"] * 20 + ["dark"] * 3),
            "too few passes of the kind 'dark'",
            "3 of 23",
            "at least 5",
        ),
        (
            QuantileGuard(),
            view(
                [400.0] * 5 + [300.0] * 5,
                [100.0] * 11,
                labels=["box"] * 5 + ["far wall"] * 5,
                detect=[False] * 5 + [True] * 5,
            ),
            "no fixed level can separate the passes 'far wall' from the passes to be ignored 'box'",
            "300 counts",
            "further from the background than all gaps",
        ),
        # Every quarter has a level, but the light rose by 300 in between.
        (
            QuantileGuard(),
            view(
                [200.0] * 4 + [300.0] * 4 + [400.0] * 4 + [500.0] * 4,
                [100.0] * 5 + [200.0] * 4 + [300.0] * 4 + [400.0] * 4,
            ),
            "the light moved while it was shown: a level suits every quarter of the passes, but that of quarter 4 and "
            "that of quarter 1 do not meet (200 and 400)",
            "200 counts",
            "further from the background than all gaps",
        ),
        (QuantileGuard(), view([400.0] * 5, [100.0] * 6, off_delay_ms=30.0), "shorten them", "100 %", "at most 10 %"),
        (NoiseWeightedMidpoint(), view([1000.0] * 10, GAPS), "not certainty", "100 % of the passes", "less than 50 %"),
        (NoiseWeightedMidpoint(), view([0.0] * 10, [*OBJECTS, 400.0], direction=DIP), "not certainty", "100 %", "50 %"),
        (TailBalanced(), view([1000.0] * 200, [100.0] * 201), "not certainty", "100 % of the passes", "less than 50 %"),
        (TailBalanced(), view(OBJECTS, GAPS), "too few gaps", "1 of 11 gaps", "at least 10"),
        (NeymanPearson(), view(OBJECTS, GAPS), "too few gaps", "11 gaps", "at least 299 gaps"),
        (RatioMidpoint(), view(OBJECTS, [20.0] * 11, dark=20.0), "not above the dark level", "20 counts", "above 20"),
        (
            RatioMidpoint(),
            view(GAPS[:10], [*OBJECTS, 400.0]),
            "the contrast is too small",
            "above dark",
            "object's side",
        ),
        (ContaminationAware(), view(OBJECTS, GAPS), "no loss of light was stated", "no least_gain", "the gain"),
        (ContaminationAware(least_gain=0.2), view(OBJECTS, GAPS), "survives", "at most 75 %", "80 %"),
        (MinimaxRegret(), view(OBJECTS, GAPS), "no stress set", "no stress", "gain,ambient"),
        (SteppedTrim(), view([100.0] * 5, [100.0] * 6), "no level can be placed", "0 counts", "other than 0"),
        (SteppedTrim(), view([50.0] * 5, [100.0] * 6), "first step", "0 steps", "at least 1"),
    ],
)
def test_refusals_tell_reason_measured_and_required(
    strategy: Any, shown: TeachView, reason: str, measured: str, required: str
) -> None:
    with pytest.raises(Abstained) as refusal:
        strategy.teach(shown)
    assert reason in refusal.value.reason
    assert measured in refusal.value.measured
    assert required in refusal.value.required


@pytest.mark.parametrize("text", ["", "1", "1,2,3,4", "a,b", "1,nan", "-0.1,0", "1,0;;2,0"])
def test_a_stress_set_that_is_none_is_refused(text: str) -> None:
    with pytest.raises(ParameterError, match=r"strategy 'minimax-regret': parameter 'stress'.* must be gain,ambient"):
        MinimaxRegret(stress=text)
