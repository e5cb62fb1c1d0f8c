"""The four classic strategies: every formula worked by hand, in both directions, and every refusal."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from teach_views import acts_and_releases, teach_view

from teachlab.errors import Abstained, ParameterError
from teachlab.model.recording import Direction
from teachlab.model.setting import Polarity, Setting
from teachlab.model.teaching import Background, Reading, Shown, Sweep, TeachView
from teachlab.teaching.strategies.background_referenced import BackgroundReferenced
from teachlab.teaching.strategies.single_sample import SingleSample
from teachlab.teaching.strategies.sweep_minmax import SweepMinmax
from teachlab.teaching.strategies.two_sample_midpoint import TwoSampleMidpoint

RISE, DIP = Direction.RISE, Direction.DIP


def view(
    direction: Direction,
    *,
    product: Any = None,
    background: Any = None,
    stretch: Any = None,
    sweep: Any = None,
    dark: float = 0.0,
    base: Setting | None = None,
) -> TeachView:
    """A view that shows what it was given."""

    def levels(values: Any) -> Any:
        return np.asarray(values, np.float64).reshape(-1)

    has_background = background is not None or stretch is not None
    reading = levels(background if background is not None else stretch) if has_background else None
    return teach_view(
        direction=direction,
        full_scale=4095.0,
        dark_level=dark,
        base=base,
        shown=frozenset(Shown),
        object_=None if product is None else Reading(levels(product)),
        background_=Background(Reading(reading), levels(stretch if stretch is not None else background))
        if reading is not None
        else None,
        sweep_=None if sweep is None else Sweep(levels(sweep), 3),
    )


@pytest.mark.parametrize(
    ("strategy", "direction", "level", "hysteresis"),
    [
        # 20 + 380 * 0.75 = 305; 2 % of 285 = 5.7
        (SingleSample(), RISE, 305.0, 5.7),
        # 20 + 380 / 0.75 = 526.67; 2 % of 506.67
        (SingleSample(), DIP, 20 + 380 / 0.75, 0.02 * 380 / 0.75),
        (SingleSample(reduction=0.5, hysteresis_share=0.05), RISE, 210.0, 9.5),
        # on the background: 20 + 80 * 1.25 = 120; 20 + 80 * 0.75 = 80
        (SingleSample(sample="background"), RISE, 120.0, 2.0),
        (SingleSample(sample="background"), DIP, 80.0, 1.2),
        # 20 + 80 * 1.3 = 124; 20 + 80 * 0.7 = 76
        (BackgroundReferenced(), RISE, 124.0, 2.08),
        (BackgroundReferenced(), DIP, 76.0, 1.12),
        (BackgroundReferenced(share=2.0), RISE, 260.0, 4.8),
        (BackgroundReferenced(distance="fixed-offset", offset=30.0), RISE, 130.0, 6.0),
        (BackgroundReferenced(distance="fixed-offset", offset=30.0), DIP, 70.0, 6.0),
        # midpoint 250, 10 % of 300
        (TwoSampleMidpoint(), RISE, 250.0, 30.0),
        (TwoSampleMidpoint(), DIP, 250.0, 30.0),
        (TwoSampleMidpoint(hysteresis_share=0.2), RISE, 250.0, 60.0),
        (TwoSampleMidpoint(band="centred"), RISE, 265.0, 30.0),
        (TwoSampleMidpoint(band="centred"), DIP, 235.0, 30.0),
    ],
)
def test_rules_on_readings(strategy: Any, direction: Direction, level: float, hysteresis: float) -> None:
    setting = strategy.teach(view(direction, product=400.0, background=100.0, dark=20.0))
    acts, releases = acts_and_releases(setting)
    assert acts == pytest.approx(level, rel=1e-12)
    assert abs(acts - releases) == pytest.approx(hysteresis, rel=1e-9)
    assert setting.polarity is (Polarity.LIGHT_ON if direction is RISE else Polarity.DARK_ON)
    assert (releases <= acts) is (direction is RISE)


# 8, 10, 12, 14, 16: mean 12, squared deviations 16 + 4 + 0 + 4 + 16 = 40, sd = sqrt(40 / 4)
STRETCH = [12.0, 8.0, 16.0, 10.0, 14.0]


@pytest.mark.parametrize(
    ("strategy", "direction", "level", "hysteresis"),
    [
        (BackgroundReferenced(distance="standard-deviations"), RISE, 12 + 6 * math.sqrt(10), 2 * math.sqrt(10)),
        (BackgroundReferenced(distance="standard-deviations"), DIP, 12 - 6 * math.sqrt(10), 2 * math.sqrt(10)),
        (
            BackgroundReferenced(distance="standard-deviations", deviations=4, hysteresis_deviations=1),
            RISE,
            12 + 4 * math.sqrt(10),
            math.sqrt(10),
        ),
        (BackgroundReferenced(distance="extreme-offset", offset=5.0), RISE, 21.0, 1.0),
        (BackgroundReferenced(distance="extreme-offset", offset=5.0), DIP, 3.0, 1.0),
        (
            BackgroundReferenced(distance="extreme-offset", offset=5.0, hysteresis_of_offset=0.5),
            RISE,
            21.0,
            2.5,
        ),
    ],
)
def test_rules_on_a_stretch_of_background(strategy: Any, direction: Direction, level: float, hysteresis: float) -> None:
    # The static reading lies far away: these two rules must not look at it.
    acts, releases = acts_and_releases(strategy.teach(view(direction, background=1000.0, stretch=STRETCH)))
    assert acts == pytest.approx(level, rel=1e-12)
    assert abs(acts - releases) == pytest.approx(hysteresis, rel=1e-12)


def test_percent_and_fixed_offset_look_at_the_static_reading() -> None:
    shown = view(RISE, background=[90.0, 110.0], stretch=STRETCH)
    assert BackgroundReferenced().teach(shown).on_level == pytest.approx(130.0)
    assert BackgroundReferenced(distance="fixed-offset", offset=7.0).teach(shown).on_level == 107.0


# Three passes with peaks 50, 60 and 40 on a background of 10; one dropout in between.
SWEEP = [10, 10, 50, 48, 10, 10, 60, 10, float("nan"), 10, 40, 39, 10, 10]


@pytest.mark.parametrize(
    ("strategy", "direction", "level", "hysteresis"),
    [
        (SweepMinmax(), RISE, 35.0, 5.0),
        (SweepMinmax(), DIP, 35.0, 5.0),
        # a fifth of the way from the background: from 10 up to 60, or from 60 down to 10
        (SweepMinmax(weight=0.2), RISE, 20.0, 5.0),
        (SweepMinmax(weight=0.2), DIP, 50.0, 5.0),
        (SweepMinmax(hysteresis_share=0.2), RISE, 35.0, 10.0),
        # mean of the peaks is 50; (10 + 50) / 2
        (SweepMinmax(extremes="pass-peaks"), RISE, 30.0, 4.0),
        (SweepMinmax(extremes="pass-peaks", weight=0.25), RISE, 20.0, 4.0),
    ],
)
def test_rules_on_a_sweep(strategy: Any, direction: Direction, level: float, hysteresis: float) -> None:
    acts, releases = acts_and_releases(strategy.teach(view(direction, sweep=SWEEP)))
    assert (acts, abs(acts - releases)) == (pytest.approx(level), pytest.approx(hysteresis))


def test_pass_peaks_of_dips_are_their_bottoms() -> None:
    mirrored = [100 - x for x in SWEEP]  # dips to 50, 40 and 60 from a background of 90: mean 50
    setting = SweepMinmax(extremes="pass-peaks").teach(view(DIP, sweep=mirrored))
    assert acts_and_releases(setting) == (pytest.approx(70.0), pytest.approx(74.0))
    assert setting.taught is not None
    assert setting.taught.evidence == {"low": 50.0, "high": 90.0, "passes": 3, "passes_found": 3}


def test_pass_peaks_need_the_hysteresis_of_their_switch() -> None:
    # One pass that dips to 33 inside. The middle of the trimmed extremes is just below 35; with the default
    # hysteresis the pass ends below 30, without one the dip splits it into peaks 60 and 50.
    light = [10] * 20 + [60] * 5 + [33] + [50] * 5 + [10] * 20
    whole = SweepMinmax(extremes="pass-peaks").teach(view(RISE, sweep=light))
    split = SweepMinmax(extremes="pass-peaks", hysteresis_share=0).teach(view(RISE, sweep=light))
    assert (whole.on_level, split.on_level) == (35.0, 32.5)


def test_pass_peaks_find_passes_at_both_ends_of_the_sweep() -> None:
    # Peaks 50 and 70: (10 + 60) / 2.
    setting = SweepMinmax(extremes="pass-peaks").teach(view(RISE, sweep=[50, 10, 10, 10, 70]))
    assert setting.on_level == 35.0


def test_one_glint_owns_the_raw_extremes_but_not_the_others() -> None:
    light = ([10.0] * 300 + [40.0] * 100) * 3
    light[350] = 400.0  # the first pass glints once
    raw = SweepMinmax().teach(view(RISE, sweep=light)).on_level
    trimmed = SweepMinmax(extremes="trimmed").teach(view(RISE, sweep=light)).on_level
    peaks = SweepMinmax(extremes="pass-peaks").teach(view(RISE, sweep=light)).on_level
    # peaks 400, 40, 40: mean 160
    assert (raw, trimmed, peaks) == (205.0, 25.0, 85.0)


def test_trimmed_extremes_are_quantiles() -> None:
    light = np.arange(101.0)  # quantiles 0.05 and 0.95 are 5 and 95
    acts, releases = acts_and_releases(SweepMinmax(extremes="trimmed", trim=0.05).teach(view(RISE, sweep=light)))
    assert (acts, releases) == (pytest.approx(50.0), pytest.approx(41.0))


def test_readings_in_the_wrong_order_are_placed_all_the_same() -> None:
    """Rise, but the object reads darker: the sensor would have taught this, and the score shows it."""
    setting = TwoSampleMidpoint().teach(view(RISE, product=100.0, background=400.0))
    assert (setting.on_level, setting.off_level, setting.polarity) == (250.0, 220.0, Polarity.LIGHT_ON)
    setting = TwoSampleMidpoint().teach(view(DIP, product=400.0, background=100.0))
    assert (setting.off_level, setting.on_level, setting.polarity) == (250.0, 280.0, Polarity.DARK_ON)


@pytest.mark.parametrize(
    ("strategy", "shown", "reason", "measured", "required"),
    [
        (SingleSample(), {"product": []}, "too little light", "0 valid", "at least 1"),
        (SingleSample(sample="background"), {"background": []}, "too little light", "0 valid", "at least 1"),
        (SingleSample(), {"product": 20.0}, "not above the dark level", "20 counts", "above 20 counts"),
        (SingleSample(), {"product": 3.0}, "not above the dark level", "3 counts", "above 20 counts"),
        (BackgroundReferenced(), {"background": 20.0}, "not above the dark level", "20 counts", "above 20 counts"),
        (BackgroundReferenced(share=1.0), {"background": 90.0}, "level 1 of its light", "20 counts", "above 20"),
        (
            BackgroundReferenced(distance="standard-deviations"),
            {"stretch": [0.1] * 40},
            "no spread",
            "0 counts",
            "other than 0 counts",
        ),
        (
            BackgroundReferenced(distance="standard-deviations"),
            {"stretch": [5.0]},
            "too little",
            "1 valid",
            "at least 2",
        ),
        (
            BackgroundReferenced(distance="extreme-offset", offset=1),
            {"stretch": []},
            "too little",
            "0 valid",
            "1 valid",
        ),
        (
            BackgroundReferenced(distance="fixed-offset", offset=1),
            {"background": []},
            "too little",
            "0 valid",
            "1 valid",
        ),
        (SweepMinmax(), {"sweep": [math.nan] * 9}, "too little", "0 valid", "at least 1"),
        (SweepMinmax(), {"sweep": [7.0] * 9}, "no span", "0 counts", "other than 0"),
        (SweepMinmax(extremes="pass-peaks"), {"sweep": [7.0]}, "no span", "0 counts", "other than 0"),
        (SweepMinmax(extremes="trimmed"), {"sweep": [7.0] * 500 + [9.0]}, "no span", "0 counts", "other than 0"),
        (TwoSampleMidpoint(), {"product": [], "background": 5.0}, "on the object", "0 valid", "at least 1"),
        (TwoSampleMidpoint(), {"product": 5.0, "background": []}, "on the background", "0 valid", "at least 1"),
        # Equal values of an awkward fraction: the sums of 40 and of 21 of them round differently.
        (
            TwoSampleMidpoint(),
            {"product": [0.1] * 21, "background": [0.1] * 40},
            "read the same",
            "0 counts",
            "other than 0 counts",
        ),
    ],
)
def test_abstentions_tell_reason_measured_and_required(
    strategy: Any, shown: dict[str, Any], reason: str, measured: str, required: str
) -> None:
    with pytest.raises(Abstained) as refusal:
        strategy.teach(view(DIP, dark=20.0, **shown))
    assert reason in refusal.value.reason
    assert measured in refusal.value.measured
    assert required in refusal.value.required


def test_offset_and_midpoint_rules_do_not_care_about_the_dark_level() -> None:
    shown = view(DIP, product=-50.0, background=[-10.0, -12.0], dark=20.0)
    assert BackgroundReferenced(distance="fixed-offset", offset=4.0).teach(shown).off_level == -15.0
    assert TwoSampleMidpoint().teach(shown).off_level == -30.5


@pytest.mark.parametrize(
    ("made", "wrong"),
    [
        (SingleSample, {"reduction": 0.0}),
        (SingleSample, {"reduction": 1.0}),
        (SingleSample, {"reduction": 25}),
        (SingleSample, {"reduction": math.nan}),
        (SingleSample, {"reduction": True}),
        (SingleSample, {"sample": "gap"}),
        (SingleSample, {"hysteresis_share": -0.1}),
        (BackgroundReferenced, {"share": 0.0}),
        (BackgroundReferenced, {"deviations": -6.0}),
        (BackgroundReferenced, {"offset": 0.0}),
        (BackgroundReferenced, {"distance": "fixed-offset"}),
        (BackgroundReferenced, {"distance": "extreme-offset"}),
        (SweepMinmax, {"sweep_passes": 0}),
        (SweepMinmax, {"sweep_passes": 2.5}),
        (SweepMinmax, {"trim": 0.5}),
        (SweepMinmax, {"weight": 1.0}),
        (TwoSampleMidpoint, {"hysteresis_share": 1.1}),
        (TwoSampleMidpoint, {"band": "above"}),
    ],
)
def test_parameters_out_of_range_are_refused_by_name(made: Any, wrong: dict[str, Any]) -> None:
    name = "offset" if "distance" in wrong else next(iter(wrong))
    with pytest.raises(ParameterError, match=rf"strategy '{made.name}': parameter '{name}'.* must .*, got"):
        made(**wrong)


def test_reference_settings_are_the_defaults() -> None:
    """Object 25 %, H 2 %; background 30 %, H 2 %, or 6 sd with 2 sd; sweep of 5, 10 %; midpoint 10 %."""
    assert (SingleSample().sample, SingleSample().reduction, SingleSample().hysteresis_share) == ("object", 0.25, 0.02)
    background = BackgroundReferenced()
    assert (background.distance, background.share, background.hysteresis_share) == ("percent", 0.3, 0.02)
    assert (background.deviations, background.hysteresis_deviations) == (6.0, 2.0)
    sweep = SweepMinmax()
    assert (sweep.extremes, sweep.weight, sweep.sweep_passes, sweep.hysteresis_share) == ("raw", 0.5, 5, 0.1)
    assert (TwoSampleMidpoint().hysteresis_share, TwoSampleMidpoint().band) == (0.1, "release")
