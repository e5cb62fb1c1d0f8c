"""The designed width: what it must beat, what it must not cross, and who is blamed."""

from __future__ import annotations

from functools import partial

import numpy as np
import pytest
from teach_views import in_turn, teach_view

from teachlab.errors import Abstained
from teachlab.model.recording import Direction
from teachlab.teaching.rules.hysteresis import WidthReason, design, wanted_width
from teachlab.teaching.rules.labelled_events import statistics_of
from teachlab.teaching.strategies.quantile_guard import QuantileGuard

LENGTH = 40
view = partial(in_turn, length=LENGTH, full_scale=None)


RIPPLE = np.tile([100.0, 110.0], LENGTH // 2)
QUIET = np.tile([100.0, 101.0, 100.0, 100.0], LENGTH // 4)


def test_texture_within_one_edge_time_asks_for_its_range() -> None:
    found = statistics_of(view([400.0] * 5, [QUIET + 8 * (np.arange(LENGTH) % 10 == 5)] * 6))
    width, cause = wanted_width(found)
    # Steps of one evaluation: an edge takes less than one, and the range of two neighbours reaches 9.
    assert (width, cause) == (pytest.approx(9.0, abs=1.0), WidthReason.TEXTURE)


def test_noise_asks_for_six_deviations() -> None:
    random = np.random.default_rng(4)
    gaps = [100 + random.standard_normal(LENGTH) for _ in range(21)]
    found = statistics_of(view([400.0] * 20, gaps))
    width, cause = wanted_width(found)
    assert cause is WidthReason.NOISE
    assert width == pytest.approx(6 * found.noise)
    assert found.noise == pytest.approx(1.0, rel=0.2)


def test_the_release_stays_above_the_valleys() -> None:
    shown = view([400.0] * 5, [RIPPLE] * 6)
    found = statistics_of(shown)
    width = design(shown, found, 150.0)
    assert 150.0 - width.width >= 100.0
    assert width.limited_by is WidthReason.GAP
    # So close above the valleys that the width wanted does not fit: it is cut, or refused.
    tight = design(shown, found, 105.0)
    assert tight.width < tight.wanted
    with pytest.raises(Abstained) as refusal:
        design(shown, found, 105.0, strict=True)
    assert "more hysteresis than the gap allows" in refusal.value.reason
    assert "wanted" in refusal.value.measured


def test_the_release_stays_two_deviations_of_the_noise_above_the_valleys() -> None:
    random = np.random.default_rng(4)
    shown = view([400.0] * 20, [100 + random.standard_normal(LENGTH) for _ in range(21)])
    found = statistics_of(shown)
    valleys = float(np.quantile(found.gap_valleys, 0.999))
    assert design(shown, found, 150.0).widest == pytest.approx(150.0 - valleys - 2 * found.noise)


def test_a_valley_inside_the_passes_widens_the_hysteresis_where_it_fits() -> None:
    hollow = np.full(LENGTH, 400.0)
    hollow[15:25] = 220.0
    shown = view([hollow] * 5, [QUIET] * 6)
    found = statistics_of(shown)
    width = design(shown, found, 250.0)
    assert (width.width, width.wanted_by) == (pytest.approx(30.0), WidthReason.TEXTURE)
    # An off-delay of 10 evaluations bridges the valley, and nothing has to be widened for it.
    patient = view([hollow] * 5, [QUIET] * 6, off_delay_ms=10.0)
    assert design(patient, statistics_of(patient), 250.0).width < 30.0


def test_a_valley_deeper_than_the_gaps_cannot_be_bridged() -> None:
    hollow = np.full(LENGTH, 400.0)
    hollow[15:25] = 90.0
    shown = view([hollow] * 5, [QUIET] * 6)
    # The valley would take 160 of the 150 there are: the width stays that of the background.
    found = statistics_of(shown)
    assert design(shown, found, 250.0).width == pytest.approx(wanted_width(found)[0])
    with pytest.raises(Abstained, match="the texture needs more hysteresis than the gap allows"):
        design(shown, statistics_of(shown), 250.0, strict=True)


def test_with_an_on_delay_the_release_stays_above_the_background_too() -> None:
    shown = view([400.0] * 5, [RIPPLE] * 6, on_delay_ms=3.0)
    found = statistics_of(shown)
    width = design(shown, found, 104.0, guard=102.0)
    assert width.limited_by is WidthReason.CONTRAST
    assert width.width <= 2.0
    with pytest.raises(Abstained, match="the noise needs more hysteresis than the contrast allows"):
        design(shown, found, 104.0, guard=102.0, strict=True)


def test_gaps_that_do_not_let_the_output_go_are_blamed_on_the_delay() -> None:
    shown = view([400.0] * 5, [QUIET] * 6, off_delay_ms=60.0)
    with pytest.raises(Abstained) as refusal:
        QuantileGuard().teach(shown)
    assert "the gaps are too bright or too short" in refusal.value.reason
    assert "off-delay" in refusal.value.reason
    assert refusal.value.measured.startswith("100 % of the gaps")


def test_consecutive_evaluations_count_as_delay_on_both_sides() -> None:
    found = statistics_of(view([400.0] * 5, [QUIET] * 6, consecutive=4))
    assert (found.hold, found.gap_hold, found.release_hold) == (4, 4, 4)


def test_delays_on_the_light_state_change_sides_for_dips() -> None:
    rise = view([400.0] * 5, [QUIET] * 6, on_delay_ms=5.0, off_delay_ms=9.0, delays_act_on="light")
    found = statistics_of(rise)
    assert (found.gap_hold, found.release_hold) == (6, 10)
    base = rise.base
    dip = teach_view(direction=Direction.DIP, base=base, shown=rise.shown, events_=rise.events)
    found = statistics_of(dip)
    assert (found.gap_hold, found.release_hold) == (10, 6)


def test_width_is_free_as_long_as_the_release_clears_the_valleys_as_the_level_clears_the_peaks() -> None:
    shown = view([400.0] * 5, [RIPPLE] * 6)
    found = statistics_of(shown)
    plain = design(shown, found, 250.0)
    assert plain.width == pytest.approx(wanted_width(found)[0])
    # The background reaches from 100 to 140: a release 40 below the level clears 100 as the level clears 140.
    assert design(shown, found, 250.0, guard=140.0).width == pytest.approx(40.0)
    # ... but not beyond half of the way from the level to the valleys, and never less than is wanted.
    assert design(shown, found, 250.0, guard=240.0).width == pytest.approx(75.0)
    assert design(shown, found, 250.0, guard=101.0).width == plain.width


def test_what_is_wanted_and_does_not_fit_is_cut_to_half_of_the_way() -> None:
    """One gap with a swing that no valley allows for: the release stays well above the valleys."""
    swing = np.where(np.arange(LENGTH) % 2 == 0, 95.0, 240.0)
    shown = view([400.0] * 5, [swing, *[QUIET] * 5])
    found = statistics_of(shown)
    width = design(shown, found, 200.0, guard=150.0)
    assert width.wanted > width.widest
    assert width.width == pytest.approx(50.0, abs=0.5)
    # Valleys at 100: from the level 200 the light has to fall by 50, and the gaps have to rise by 50.


def test_valleys_as_deep_as_the_background_do_not_widen() -> None:
    hollow = np.full(LENGTH, 400.0)
    hollow[15:25] = 120.0
    shown = view([hollow] * 5, [QUIET] * 6)
    found = statistics_of(shown)
    assert design(shown, found, 250.0, guard=115.0).width == pytest.approx(130.0)
    assert design(shown, found, 250.0, guard=125.0).width == pytest.approx(25.0)
