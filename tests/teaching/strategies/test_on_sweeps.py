"""Strategies on an unlabelled sweep: levels by hand, three levels handed over, and every refusal."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from scipy.stats import norm
from teach_views import teach_view

from teachlab.errors import Abstained
from teachlab.model.recording import Direction
from teachlab.model.setting import Polarity, Setting
from teachlab.model.teaching import Sweep, TeachView
from teachlab.teaching.strategies.between_class_variance import BetweenClassVariance
from teachlab.teaching.strategies.iterative_mean import IterativeMean
from teachlab.teaching.strategies.minimum_error import MinimumError, least_error
from teachlab.teaching.strategies.two_component_mixture import GATE, TwoComponentMixture, _steady, groups

RISE, DIP = Direction.RISE, Direction.DIP
ON_SWEEPS = (BetweenClassVariance, IterativeMean, MinimumError, TwoComponentMixture)


def view(light: Any, direction: Direction = RISE) -> TeachView:
    return teach_view(
        direction=direction,
        full_scale=4095.0,
        base=Setting(unit="counts", on_level=0, off_level=0, off_delay_ms=3.0),
        sweep_=Sweep(np.asarray(light, np.float64), 5),
    )


def line(*levels: float, sd: float = 1.0, length: int = 100, repeats: int = 6, seed: int = 0) -> Any:
    """Stretches at the given levels in turn, with white noise."""
    random = np.random.default_rng(seed)
    return np.concatenate([x + sd * random.standard_normal(length) for _ in range(repeats) for x in levels])


@pytest.mark.parametrize("strategy", [made() for made in ON_SWEEPS], ids=lambda s: s.name)
@pytest.mark.parametrize("direction", [RISE, DIP])
def test_two_clear_levels_are_separated(strategy: Any, direction: Direction) -> None:
    setting = strategy.teach(view(line(100.0, 400.0), direction))
    assert setting.polarity is (Polarity.LIGHT_ON if direction is RISE else Polarity.DARK_ON)
    assert 105 < setting.off_level < setting.on_level < 395
    assert setting.off_delay_ms == 3.0
    assert setting.taught is not None
    assert setting.taught.evidence["sweep_passes"] == 5


def test_the_cut_lies_in_the_middle_of_the_hole_it_found() -> None:
    light = [10.0] * 30 + [50.0] * 30
    assert BetweenClassVariance().teach(view(light)).on_level == 30.0
    assert IterativeMean().teach(view(light)).on_level == 30.0
    assert BetweenClassVariance().teach(view(light, DIP)).off_level == 30.0


def test_three_levels_are_handed_over_with_their_numbers() -> None:
    with pytest.raises(Abstained) as refusal:
        TwoComponentMixture().teach(view(line(100.0, 200.0, 100.0, 400.0)))
    assert "3 levels" in refusal.value.reason
    for text in ("3 levels: ", "(50 %)", "(25 %)", "counts"):
        assert text in refusal.value.measured
    assert "quantile-guard" in refusal.value.required
    assert "minimax-regret" in refusal.value.required


def test_otsu_cuts_three_levels_in_the_wrong_place() -> None:
    """What the mixture hands over, the others decide: the weakest kind is lost."""
    setting = BetweenClassVariance().teach(view(line(100.0, 180.0, 100.0, 400.0)))
    assert setting.off_level > 200


def test_overlapping_components_are_one_level() -> None:
    """Texture is no normal class: several components, one level."""
    random = np.random.default_rng(2)
    textured = 400 + 10 * np.sin(np.arange(100) / 3) + random.standard_normal(100)
    light = np.concatenate([np.concatenate([100 + random.standard_normal(100), textured]) for _ in range(6)])
    setting = TwoComponentMixture().teach(view(light))
    assert setting.taught is not None
    assert setting.taught.evidence["levels"] == pytest.approx([100, 400], rel=0.02)


def test_the_gate_lies_at_its_deviations_of_the_noise_and_above_a_step() -> None:
    noise = np.random.default_rng(5).standard_normal(200_000)
    steep = np.abs(np.diff(noise)) > GATE * math.sqrt(2)
    edge = np.append(steep, False) | np.append(False, steep)
    assert _steady(noise, 0.0).size / noise.size == pytest.approx(1 - edge.mean(), abs=1e-3)
    # Without noise a step of the converter, now and then, is no edge; the two edges of the object are.
    flicker = np.tile([100.0] * 9 + [101.0], 50)
    flicker[205:305] += 300
    assert _steady(flicker, 1 / math.sqrt(12)).size == flicker.size - 4


def test_edges_are_no_level() -> None:
    ramp = np.linspace(100, 400, 30)
    flat = np.random.default_rng(1).standard_normal
    light = np.concatenate([np.concatenate([100 + flat(80), ramp, 400 + flat(80), ramp[::-1]]) for _ in range(6)])
    assert 110 < TwoComponentMixture().teach(view(light)).off_level < 390


@pytest.mark.parametrize(
    ("strategy", "light", "reason", "measured"),
    [
        (BetweenClassVariance(), [7.0] * 50, "no span", "0 counts"),
        (IterativeMean(), [float("nan")] * 50, "too little light", "0 valid"),
        (BetweenClassVariance(), [1.0, 2.0], "too little light", "2 valid"),
        (MinimumError(), line(100.0), "one class", "least criterion"),
        # 99 without spread, and 101, 102.5 and 104.5: 3.667 apart, √(2.056 / 2) = 1.014 wide.
        (
            MinimumError(),
            [99.0, 101.0] * 50 + [102.5, 104.5] * 50,
            "the contrast is too small",
            "means 99 counts and 102.667 counts are 3.6 standard deviations apart",
        ),
        (TwoComponentMixture(), line(100.0), "one level only", "1 level: "),
        (TwoComponentMixture(), line(100.0, 102.0), "one level only", "1 level: "),
        (TwoComponentMixture(), [0.0] * 10, "too little light", "10 valid"),
    ],
)
def test_refusals_tell_reason_and_measured(strategy: Any, light: Any, reason: str, measured: str) -> None:
    with pytest.raises(Abstained) as refusal:
        strategy.teach(view(light))
    assert reason in refusal.value.reason
    assert measured in refusal.value.measured
    assert refusal.value.required


def test_saturated_light_is_not_certain() -> None:
    """Objects at the end of the scale have no variance; the level does not stick to them."""
    random = np.random.default_rng(3)
    light = np.concatenate(
        [np.concatenate([1000 + 20 * random.standard_normal(100).round(), np.full(100, 4095.0)]) for _ in range(6)]
    )
    setting = MinimumError().teach(view(light))
    assert setting.taught is not None
    assert 1000 < setting.on_level <= 4095


def test_two_classes_that_explain_a_sweep_no_better_than_one_are_none() -> None:
    """Two levels 4 floors apart: 1 + ln(floor²) + 2 ln 2 with a cut is 1 + ln(4 floor²) without one."""
    assert least_error(np.repeat([0.0, 2.0], 50), 0.5, 0.01) is None
    found = least_error(np.repeat([0.0, 2.1], 50), 0.5, 0.01)
    assert found is not None
    assert found[0] == pytest.approx(1.05)


@pytest.mark.parametrize(
    ("means", "spreads", "counts"),
    [
        ([100, 200, 800], [10, 2, 7], [180, 600, 340]),
        ([150, 250, 800], [20, 28, 4], [470, 390, 490]),
        ([300, 500, 900], [16, 13, 3], [50, 90, 400]),
        ([200, 800], [18, 2], [300, 110]),
    ],
)
def test_a_mixture_finds_levels_that_lie_near_each_other_beside_a_far_one(
    means: list[float], spreads: list[float], counts: list[int]
) -> None:
    """Normal quantiles about each level; the mixture may see further ones between them, but none of them is missed."""
    parts = zip(means, spreads, counts, strict=True)
    heights = np.concatenate([norm.ppf((np.arange(n) + 0.5) / n, mean, sd) for mean, sd, n in parts])
    found = np.array([group.mean for group in groups(heights, 4, 0.3)])
    assert all(np.abs(found - mean).min() < 0.01 * (means[-1] - means[0]) for mean in means)
