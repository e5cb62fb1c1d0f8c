"""Reserves of a design: a plain replay makes no further error up to each told number, and one just beyond it."""

from __future__ import annotations

from dataclasses import replace
from types import ModuleType

import numpy as np
import pytest
from numpy.typing import NDArray

from teachlab.model.following_and_window import WindowSetting
from teachlab.model.recording import Direction, Recording, RecordingInfo
from teachlab.model.score import USUAL_RULES
from teachlab.model.setting import Polarity, Setting
from teachlab.model.truth import Truth
from teachlab.questions.design.answer import _reserve
from teachlab.questions.design.reserves import last_without, reserves_of

RATE, PASSES = 1000.0, 8
SPLIT = 40
"""Places up to a told number at which the line is replayed, too."""


def line(seed: int) -> tuple[NDArray[np.float64], Truth, Setting]:
    """A line with noise, flashes in gaps, dips in passes and, in every third, a pass that nobody sees."""
    rng = np.random.default_rng(seed)
    rise, start = bool(seed % 2), 30 + 60 * np.arange(PASSES) + rng.integers(0, 5, PASSES)
    end = start + 24 + rng.integers(-6, 7, PASSES)
    light = 20 + rng.normal(0, 1, int(end[-1]) + 30)
    for k, (a, b) in enumerate(zip(start.tolist(), end.tolist(), strict=True)):
        light[a:b] += 0 if seed % 3 == 0 and k == 3 else 100
        flash, dip = b + 8 + int(rng.integers(6)), a + 5 + int(rng.integers(6))
        if rng.random() < 0.6:
            light[flash : flash + int(rng.integers(1, 6))] += rng.uniform(5, 100)
        if rng.random() < 0.4:
            light[dip : dip + int(rng.integers(1, 4))] -= rng.uniform(20, 90)
    levels = {"on_level": 70.0, "off_level": 60.0} if rise else {"on_level": 340.0, "off_level": 330.0}
    setting = Setting(
        unit="mV", **levels, polarity=Polarity.LIGHT_ON if rise else Polarity.DARK_ON,
        consecutive=1 + 2 * int(rng.integers(2)), on_delay_ms=float(rng.integers(0, 8)),
        off_delay_ms=float(rng.integers(0, 8)),
    )  # fmt: skip
    light = light.clip(1)  # below dark, a share of the light has no meaning
    return light if rise else 400 - light, Truth.from_arrays(start, end), setting


def recording_of(light: NDArray[np.float64], setting: Setting) -> Recording:
    direction = Direction.RISE if setting.light_on else Direction.DIP
    return Recording.from_array(light, RecordingInfo(sample_rate_hz=RATE, unit="mV", direction=direction))


def errors(twin: ModuleType, light: NDArray[np.float64], truth: Truth, setting: Setting) -> int:
    passes = [(a, b, "detect") for a, b in zip(truth.start.tolist(), truth.end.tolist(), strict=True)]
    n = twin.plain_score(twin.plain_replay(light.tolist(), RATE, setting.as_dict()), passes)
    return int(n["misses"] + n["merged"] + n["extra"] + n["false_trips"])


@pytest.mark.parametrize("seed", range(12))
def test_light_moved_up_to_a_told_number_adds_no_error(seed: int, twin: ModuleType) -> None:
    light, truth, setting = line(seed)
    base = errors(twin, light, truth, setting)
    found = reserves_of(recording_of(light, setting), truth, setting, None, rules=USUAL_RULES)
    told = [(x, light + x, light + 1.0000001 * x, lambda q, x=x: light + q * x)
            for x in (-found["ambient"]["low"], found["ambient"]["high"])]  # fmt: skip
    told += [(x - 1, light * x, light * (x + 1e-7 * (x - 1)), lambda q, x=x: light * (1 + q * (x - 1)))
             for x in (found["gain"]["low"], found["gain"]["high"])]  # fmt: skip
    for far, at, beyond, part in told:
        assert errors(twin, at, truth, setting) <= base
        if far:
            assert errors(twin, beyond, truth, setting) > base
        assert max(errors(twin, part(k / SPLIT), truth, setting) for k in range(SPLIT)) <= base


@pytest.mark.parametrize("seed", range(12))
def test_delays_moved_up_to_a_told_number_add_no_error(seed: int, twin: ModuleType) -> None:
    light, truth, setting = line(seed)
    base = errors(twin, light, truth, setting)
    found = reserves_of(recording_of(light, setting), truth, setting, None, rules=USUAL_RULES)
    for name in ("on_delay", "off_delay"):
        own = getattr(setting, f"{name}_ms")
        for side, way in (("low", -1), ("high", 1)):
            told = found[name][side]
            # Without a limit nothing that is tried adds an error: up to no delay, or a delay as long as the record.
            far = int(own if side == "low" else 60) if told is None else round(told)
            made = [
                errors(twin, light, truth, replace(setting, **{f"{name}_ms": own + way * k})) for k in range(far + 1)
            ]
            assert max(made) <= base
            if told is not None:
                assert errors(twin, light, truth, replace(setting, **{f"{name}_ms": own + way * (far + 1)})) > base


@pytest.mark.parametrize(("first", "most"), [(1, 9), (5, 9), (300, 10_000), (9_999, 10_000), (70, 70)])
def test_the_last_step_before_the_first_error_is_found(first: int, most: int) -> None:
    tried: list[int] = []

    def more(steps: list[int]) -> list[bool]:
        tried.extend(steps)
        return [step >= first for step in steps]

    assert last_without(more, most) == first - 1
    assert len(tried) < 1000
    assert last_without(lambda steps: [False] * len(steps), most) is None


def test_told_numbers_are_cut_and_never_rounded_beyond_the_limit() -> None:
    assert _reserve("ambient", {"low": 884.96, "high": 193.98, "unit": "counts"}) == (
        "ambient light −884 counts or +193 counts"
    )
    assert _reserve("gain", {"low": 0.3912, "high": 1.4999, "unit": "share"}) == (
        "light down to 40 % and up to 149 % of today's"
    )
    # A small contrast on much light: to the whole percent both ends were 100 %.
    assert _reserve("gain", {"low": 0.999931, "high": 1.000079, "unit": "share"}) == (
        "light down to 99.994 % and up to 100.007 % of today's"
    )
    assert _reserve("gain", {"low": 1.0, "high": None, "unit": "share"}).startswith("light down to 100")
    assert _reserve("off_delay", {"low": None, "high": 7049.0, "unit": "ms"}) == "off-delay 7.04 s longer"


def test_light_is_not_moved_for_two_thresholds() -> None:
    light, truth, setting = line(1)
    window = WindowSetting.of(
        setting, off_level=60.0, low_release=70.0, high_release=180.0, on_level=200.0, polarity=Polarity.DARK_ON
    )
    found = reserves_of(recording_of(light, setting), truth, window, None, rules=USUAL_RULES)
    assert found["ambient"] == {"low": None, "high": None, "unit": "mV"}
    assert found["on_delay"]["high"] is not None
