"""Extras are faults of a reserve; and a share of the light means nothing where light lies below dark."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from teachlab.evidence.criteria import Criteria, Judged, Judgement, judge
from teachlab.model.recording import Recording, RecordingInfo
from teachlab.model.setting import Setting
from teachlab.model.truth import Truth
from teachlab.questions.stress.map import stress_map
from teachlab.questions.stress.reserves import reserves
from teachlab.scoring.claimable import claimable
from teachlab.scoring.scoring import score
from teachlab.switching.run import replay


def line(shift: float = 0.0, dark: float = 0.0, passes: int = 12, lots: int = 0) -> tuple[Recording, Truth]:
    """Crates of 90 on a belt of 10 counts, the whole shifted; noise of 1."""
    rng = np.random.default_rng(2)
    start = np.arange(passes) * 60 + 20
    light = rng.normal(10.0, 1.0, passes * 60 + 40)
    for a in start:
        light[a : a + 20] += 80
    info = RecordingInfo(sample_rate_hz=1000.0, unit="counts", dark_level=dark)
    lot = [f"load {k * lots // passes}" for k in range(passes)] if lots else None
    truth = Truth.from_arrays(start, start + 20, lot=lot, uncertainty_samples=2)
    return Recording.from_array(light + shift, info), truth


def setting_at(level: float) -> Setting:
    return Setting(unit="counts", on_level=level + 5, off_level=level - 5)


def test_light_below_dark_is_refused_and_says_what_to_give() -> None:
    recording, truth = line(shift=-500.0)
    found = reserves(recording, truth, setting_at(-450.0))
    assert found["contamination_reserve"] is None
    assert found["share_of_light_refused"] is True
    # Added light needs no dark level: it is told all the same.
    assert found["ambient_reserve"] == pytest.approx(reserves(*line(), setting_at(50.0))["ambient_reserve"], abs=1e-6)
    refused = stress_map(recording, truth, setting_at(-450.0), gain=(1.0,)).share_refused
    assert refused.endswith("Give the level that is logged without any light: import --dark-level")
    assert "off-level of -455 counts does not lie above the dark level of 0" in refused


def test_the_same_light_with_its_dark_level_has_its_reserve() -> None:
    moved = reserves(*line(shift=-500.0, dark=-500.0), setting_at(-450.0))
    plain = reserves(*line(), setting_at(50.0))
    assert moved["share_of_light_refused"] is plain["share_of_light_refused"] is False
    assert moved["contamination_reserve"] == pytest.approx(plain["contamination_reserve"], abs=1e-3)


def test_noise_that_dips_below_dark_is_no_reason() -> None:
    recording, truth = line(shift=-10.0)  # the belt lies at the dark level, its noise on either side
    assert reserves(recording, truth, setting_at(40.0))["share_of_light_refused"] is False
    low = replace(recording.info, dark_level=20.0)
    assert reserves(Recording(low, recording.source, "low"), truth, setting_at(40.0))["share_of_light_refused"] is True


def test_a_piece_counted_twice_leaves_no_reserve_and_its_near_twin_has_one() -> None:
    recording, truth = line()
    light = recording.read(0, recording.samples).as_float()
    light[int(truth.start[5]) + 8 : int(truth.start[5]) + 11] = 48.0  # a dip between the levels of 45 and 55
    setting = setting_at(50.0)
    whole = Recording.from_array(light, recording.info)
    found = reserves(whole, truth, setting)
    # Below 45/48 of the light it crosses the off-level, and the crate is counted twice.
    assert found["contamination_reserve"] == pytest.approx(1 - 45 / 48, abs=1e-6)
    light[int(truth.start[5]) + 8 : int(truth.start[5]) + 11] = 40.0
    twice = Recording.from_array(light, recording.info)
    scored = score(replay(twice, setting), truth)
    assert (scored.counts.extra, scored.counts.lost) == (1, 0)
    for given in (None, scored):
        assert reserves(twice, truth, setting, scored=given)["contamination_reserve"] is None


def test_a_criterion_on_a_meaningless_share_is_not_decided_and_its_twin_is() -> None:
    criteria = Criteria.model_validate({"schema": 1, "criterion": [{"measure": "contamination_reserve", "min": 0.1}]})

    def judged(dark: float) -> Judged:
        recording, truth = line(shift=-500.0, dark=dark, passes=60, lots=6)
        setting = setting_at(-450.0)
        result = score(replay(recording, setting), truth)
        found = claimable(recording, truth, setting, result)
        return judge(criteria, result, None, truth, found, reserves=reserves(recording, truth, setting))[0]

    refused = judged(0.0)
    assert refused.verdict is Judgement.NOT_ENOUGH
    assert "--dark-level" in refused.because
    assert judged(-500.0).verdict is Judgement.MET
