"""A level that makes no error yet, but lies at the rim of the light, is named with its distance in units and noise."""

from __future__ import annotations

import numpy as np
import pytest

from teachlab.model.recording import Recording, RecordingInfo
from teachlab.model.setting import Polarity, Setting
from teachlab.model.truth import Truth
from teachlab.verbs import replay

INFO = RecordingInfo(sample_rate_hz=1000.0, unit="counts")
NOISE, GAP, PASS = 12.0, 300.0, 1500.0


def line(sign: int, dent: float = 0.0) -> tuple[Recording, Truth]:
    rng = np.random.default_rng(4)
    start = 300 + 160 * np.arange(120)
    light = rng.normal(0, NOISE, start[-1] + 400)
    for at in start:
        light[at : at + 60] += PASS - GAP
        light[at + 28 : at + 33] -= dent
    return Recording.from_array(2000 + sign * light, INFO), Truth.from_arrays(start, start + 60, lot=["L"] * 120)


def setting(sign: int, above_gaps: float, hysteresis: float = 100.0) -> Setting:
    """Active from this distance to the middle of the gaps on."""
    if sign > 0:
        return Setting(unit="counts", on_level=2000 + above_gaps, off_level=2000 + above_gaps - hysteresis)
    return Setting(
        unit="counts", on_level=2000 - above_gaps + hysteresis, off_level=2000 - above_gaps, polarity=Polarity.DARK_ON
    )


@pytest.mark.parametrize("sign", [1, -1])
@pytest.mark.parametrize(
    ("above_gaps", "hysteresis", "dent", "told"),
    [
        (1205.0, 100.0, 0.0, "The weakest passes keep "),
        (60.0, 40.0, 0.0, "The strongest gaps keep "),
        (600.0, 606.0, 0.0, "The gaps that come back least keep "),
        (900.0, 250.0, 500.0, "The weakest moments inside passes keep "),
        (1160.0, 2.0, 0.0, None),
        (600.0, 100.0, 0.0, None),
    ],
)
def test_the_rim_is_named(sign: int, above_gaps: float, hysteresis: float, dent: float, told: str | None) -> None:
    """In words that fit light that rises and light that dips."""
    recording, truth = line(sign, dent)
    found = replay(recording, setting(sign, above_gaps, hysteresis), truth, margins=True)
    assert found.worth.score.counts.lost == found.worth.score.counts.false_trips == 0
    near = found.verdict.near
    if told is None:
        assert near is None or "times the noise" not in near.text
        return
    assert near.text.startswith(told)
    smallest = found.worth.margin.to_noise
    assert 0 <= smallest < 5
    assert f", {smallest:.2g} times the noise; 5 times is the least for long use." in near.text


@pytest.mark.parametrize(
    ("level", "decision"), [(4095.0, "use with a limit"), (4080.0, "use with a limit"), (2000.0, "use")]
)
def test_a_level_at_the_end_of_the_scale_is_used_with_a_limit(level: float, decision: str) -> None:
    """All passes are clipped at 4095: nothing is seen of how far their light may vary."""
    rng = np.random.default_rng(5)
    start = 300 + 160 * np.arange(120)
    light = rng.normal(600, NOISE, start[-1] + 400)
    for at in start:
        light[at : at + 60] += 5000
    info = RecordingInfo(sample_rate_hz=1000.0, unit="counts", full_scale=4095)
    recording = Recording.from_array(np.clip(light.round(), 0, 4095), info)
    truth = Truth.from_arrays(start, start + 60, lot=[f"L{k // 10}" for k in range(120)])
    found = replay(recording, Setting(unit="counts", on_level=level, off_level=level - 20), truth, margins=True)
    verdict = found.verdict
    assert found.worth.score.counts.errors == 0
    assert verdict.decision == decision
    assert ("The level lies at an end of the scale" in "".join(verdict.conditions)) == (decision != "use")
    assert ("In the middle of the room the on-level is 23" in verdict.near.text) == (decision != "use")
