"""Reasons blame a delay exactly where a delay is at fault."""

from __future__ import annotations

import numpy as np
import pytest

from teachlab.model.recording import Recording, RecordingInfo
from teachlab.model.setting import DelaysActOn, Polarity, Setting
from teachlab.model.truth import Truth
from teachlab.scoring import score
from teachlab.studies.reasons import Extremes, reasons
from teachlab.switching import replay
from teachlab.synthetic import generate, load_scenario

INFO = RecordingInfo(sample_rate_hz=1000.0, unit="counts")


def why(recording: Recording, truth: Truth, setting: Setting) -> str:
    extremes = Extremes.of(recording, truth, evaluation_rate_hz=setting.evaluation_rate_hz)
    return "; ".join(reasons(setting, score(replay(recording, setting), truth), truth, extremes, "counts"))


def dark_objects(gap: int, lasts: int = 20) -> tuple[Recording, Truth]:
    start = np.arange(4) * (lasts + gap) + 30
    light = np.full(int(start[-1]) + lasts + 60, 90.0)
    for a in start:
        light[a : a + lasts] = 10.0
    return Recording.from_array(light, INFO), Truth.from_arrays(start, start + lasts)


@pytest.mark.parametrize("delay", ["on", "off"])
def test_delays_on_the_light_change_roles_for_dark_objects(delay: str) -> None:
    """Light for 15 ms between objects of 20 ms: an on-delay of 15 never sees it, an off-delay of 20 no object."""
    recording, truth = dark_objects(gap=15)
    setting = Setting(
        unit="counts", on_level=50, off_level=50, polarity=Polarity.DARK_ON, delays_act_on=DelaysActOn.LIGHT,
        **{f"{delay}_delay_ms": 15.0 if delay == "on" else 20.0},
    )  # fmt: skip
    expected = {
        "on": "3 passes merged: the on-delay of 15 ms bridges the gap",
        "off": "4 passes lost: the off-delay of 20 ms is longer than they last",
    }
    assert expected[delay] in why(recording, truth, setting)


def test_one_evaluation_less_and_nothing_is_lost() -> None:
    recording, truth = dark_objects(gap=15)
    dark = Setting(unit="counts", on_level=50, off_level=50, polarity=Polarity.DARK_ON, delays_act_on=DelaysActOn.LIGHT)
    for held in ({"on_delay_ms": 14.0}, {"off_delay_ms": 19.0}):
        kept = Setting(**{**{n: getattr(dark, n) for n in dark.__slots__}, **held})
        assert why(recording, truth, kept) == ""


def test_a_filter_that_bridges_the_gap_is_named() -> None:
    recording, truth = dark_objects(gap=3)
    setting = Setting(unit="counts", on_level=50, off_level=50, polarity=Polarity.DARK_ON, consecutive=4)
    assert "3 passes merged: the gap before them is too short for 4 evaluations in a row" in why(
        recording, truth, setting
    )


def test_touching_objects_are_nobodys_delay() -> None:
    light = np.full(200, 10.0)
    light[50:110] = 90.0
    truth = Truth.from_arrays([50, 80], [80, 110])
    found = why(
        Recording.from_array(light, INFO), truth, Setting(unit="counts", on_level=50, off_level=50, off_delay_ms=9)
    )
    assert "1 pass merged: the output was still active from before" in found
    assert "delay" not in found


def test_short_gaps_under_an_off_delay() -> None:
    """Wrapped bars, gaps of about 10 mm at 1.2 m/s, off-delay 8 ms: about half merges, and the delay is blamed."""
    recording, truth = generate(load_scenario("wrapped-bars"), 300, seed=3)
    setting = Setting(unit=recording.info.unit, on_level=27.5, off_level=24.0, off_delay_ms=8.0)
    found = why(recording, truth, setting)
    assert "merged: the off-delay of 8 ms bridges the gap before them, whatever the level" in found
    assert "still active from before" not in found
