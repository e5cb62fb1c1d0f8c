"""Demands on a level against a plain loop over every rest, and stretches in one reading against each read alone."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import fields
from types import ModuleType
from typing import Any

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from teachlab.errors import InputError, RecordingError, TruthError
from teachlab.light.stretches import Evaluated
from teachlab.model.recording import Recording, RecordingInfo
from teachlab.model.score import Rules
from teachlab.model.setting import DelaysActOn, Polarity, Setting
from teachlab.model.truth import Truth
from teachlab.questions.feasibility import demands
from teachlab.questions.feasibility.demands import Demands, DemandsReading, demands_of
from teachlab.questions.stress import setting_reading
from teachlab.questions.stress.setting_reading import SettingReading
from teachlab.scoring.scoring import score
from teachlab.sensor.clock import Clock
from teachlab.switching.run import replay

INFO = RecordingInfo(sample_rate_hz=1000.0, unit="counts")


def trips_up_to(
    light: Sequence[float], valley: float, lasting: float, sustained: int, held: int, *, begins: bool
) -> float:
    """Highest level above `lasting` at which light trips that came down to the valley, let go, and rises again."""
    if begins and light and light[0] <= lasting:
        rises = [min(light[k : k + sustained]) for k in range(len(light) - sustained + 1)]
        return max((x for x in rises if x > lasting), default=-math.inf)
    begin = next((i for i, x in enumerate(light) if x <= valley), None)
    if begin is None:
        return -math.inf
    for i in range(begin, len(light) - held):
        if all(x <= lasting for x in light[i : i + held + 1]):
            rises = [min(light[k : k + sustained]) for k in range(i + held + 1, len(light) - sustained + 1)]
            return max((x for x in rises if x > lasting), default=-math.inf)
    return -math.inf


def plain_demand(found: Demands, own: list[bool]) -> float:
    valley = max(v for v, mine in zip(found.valley.tolist(), own, strict=True) if mine)
    lasting = max(
        valley, *(max(*two) for *two, mine in zip(found.lasting, found.entered, own, strict=True) if mine)
    )  # fmt: skip
    out = lasting
    between = max((v for v, mine in zip(found.valley[1:].tolist(), own[1:], strict=True) if mine), default=-math.inf)
    between = between if found.valley.size > 1 else valley
    for k in range(found.start.size):
        beside = [bool(own[p]) for p in found.beside[k].tolist() if p >= 0]
        if found.everyone[k] or any(beside) or all(own):
            light = found.evaluated.read(int(found.start[k]), int(found.stop[k]))
            up = (light[~np.isnan(light)] * (1 if found.rise else -1)).tolist()
            begins = int(found.start[k]) == 0
            out = max(out, trips_up_to(up, between, lasting, found.sustained, found.held, begins=begins))
    return float(out)


@pytest.mark.parametrize("alone", [0, 1, 64])
@given(seed=st.integers(0, 10**6))
@settings(max_examples=80, deadline=None)
def test_the_highest_rests_demand_as_much_as_all(alone: int, seed: int, ragged: Callable[..., Any]) -> None:
    rng = np.random.default_rng(seed)
    passes = int(rng.integers(2, 8))
    light = rng.integers(0, 7, 16 * passes + 12).astype(np.float32)
    start = 8 + 16 * np.arange(passes)
    for a in start:
        light[a : a + 6] += rng.integers(2, 9)
    null = rng.random(light.size) < rng.choice([0.0, 0.1])
    rise = bool(rng.integers(2))
    case = type("Case", (), {"light": light if rise else 20 - light, "null": null})
    recording = Recording(INFO, ragged(case, (7, 3, 11)))
    truth = Truth.from_arrays(
        start, start + 6, label=rng.choice(["a", "b"], passes), lot=[str(k // 2) for k in range(passes)],
        detect=rng.random(passes) < 0.9,
    )  # fmt: skip
    setting = Setting(
        unit="counts", on_level=9, off_level=9, polarity=Polarity.LIGHT_ON if rise else Polarity.DARK_ON,
        consecutive=int(rng.choice([1, 2])), on_delay_ms=float(rng.choice([0, 2])),
        off_delay_ms=float(rng.choice([0, 3])), evaluation_rate_hz=float(rng.choice([1000.0, 700.0])),
    )  # fmt: skip
    try:
        found = demands_of(recording, truth, setting)
    except TruthError:  # no pass to be detected is left
        return
    kinds: list[dict[str, str]] = [{}, *({"label": x} for x in set(found.labels)), *({"lot": x} for x in found.lots)]
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(demands, "READ_ALONE", alone)
        for kind in kinds:
            own = [
                kind.get("label", label) == label and kind.get("lot", lot) == lot
                for label, lot in zip(found.labels, found.lots, strict=True)
            ]
            demand, weakest = (x if rise else -x for x in found.ends(**kind))
            assert demand == plain_demand(found, own)
            assert weakest == min(x for x, mine in zip(found.peak.tolist(), own, strict=True) if mine)


@given(seed=st.integers(0, 10**6))
@example(seed=0)
@settings(max_examples=150, deadline=None)
def test_no_pair_of_levels_without_an_error_lies_outside(seed: int) -> None:
    """Every pair of levels is replayed: what the demands exclude makes an error, or never lets go."""
    rng = np.random.default_rng(seed)
    passes, step = int(rng.integers(1, 4)), int(rng.integers(8, 16))
    size = step * passes + int(rng.integers(13, 20))
    light = rng.integers(0, int(rng.choice([2, 4])), size).astype(np.float32)
    start = int(rng.integers(1, 9)) + step * np.arange(passes)
    for a in start:
        begins = max(0, a - int(rng.integers(0, 4)))
        light[begins : begins + int(rng.integers(1, 6))] += rng.integers(1, 6)
    light[rng.random(size) < rng.choice([0.0, 0.1, 0.3])] = np.nan
    rise = bool(rng.integers(2))
    if np.isnan(light).all():
        return
    recording = Recording.from_array(light if rise else 8 - light, INFO)
    truth = Truth.from_arrays(start, start + 4, detect=rng.random(passes) < 0.8)
    base = Setting(
        unit="counts", on_level=4, off_level=4, polarity=Polarity.LIGHT_ON if rise else Polarity.DARK_ON,
        consecutive=int(rng.choice([1, 2, 3])), on_delay_ms=float(rng.choice([0, 0, 1, 2])),
        off_delay_ms=float(rng.choice([0, 0, 2, 5])), delays_act_on=DelaysActOn(rng.choice(["output", "light"])),
    )  # fmt: skip
    try:
        found = demands_of(recording, truth, base)
    except (TruthError, RecordingError):  # no trial is left, or no light
        return
    for level in np.arange(-0.5, 10, 0.5).tolist():
        if found.ends()[not rise] < level <= found.ends()[rise]:
            continue
        for hysteresis in np.arange(0, 9, 0.5).tolist():
            tried = base.activating_at(level, hysteresis)
            output = replay(recording, tried)
            scored = score(output, truth, tables=False)
            assert scored.counts.errors or not output.output.falls().size, (level, hysteresis)


@pytest.mark.parametrize("at_once", [1 << 20, 23])
def test_demands_beside_another_reading_are_those_of_their_own(
    cases: ModuleType, monkeypatch: pytest.MonkeyPatch, at_once: int
) -> None:
    monkeypatch.setattr(setting_reading, "AT_ONCE", at_once)
    monkeypatch.setattr(setting_reading, "CELLS", (5,))
    compared = 0
    for seed in range(5000, 5120):
        case = cases.make(seed)
        recording, truth, setting = cases.recording_of(case), cases.truth_of(case), cases.setting_of(case)
        rules = Rules(tolerance_ms=case.tolerance_ms)
        try:
            alone = demands_of(recording, truth, setting, rules=rules)
        except InputError:
            continue
        reading = DemandsReading(recording, truth, setting, rules)
        SettingReading(recording, truth, setting, rules=rules, beside=[reading])
        found = reading.demands()
        for field in fields(Demands):
            if field.name != "evaluated":
                mine, theirs = (np.asarray(getattr(one, field.name)) for one in (found, alone))
                assert np.array_equal(mine, theirs), (seed, field.name)
        compared += 1
    assert compared > 60


@given(
    stretches=st.lists(st.tuples(st.integers(0, 90), st.integers(-2, 60)), max_size=8),
    rate=st.sampled_from([None, 1000.0, 700.0]),
)
def test_stretches_in_one_reading_are_those_read_alone(
    stretches: list[tuple[int, int]], rate: float | None, ragged: Callable[..., Any]
) -> None:
    light = np.arange(100.0)
    case = type("Case", (), {"light": light, "null": light % 13 == 5})
    recording = Recording(INFO, ragged(case, (7, 1, 11)))
    clock = Clock.of(100, 1000.0, rate)
    start = np.sort(np.array([a for a, _ in stretches], np.int64)).clip(max=clock.count - 1)
    stop = np.minimum(start + np.array([size for _, size in stretches], np.int64), clock.count)
    evaluated = Evaluated(recording, clock, clock.count, left_out=[(30, 40), (77, 78)], keep=False)
    assert evaluated._kept is None
    found = list(evaluated.each(start, stop))
    assert len(found) == start.size
    for one, a, b in zip(found, start.tolist(), stop.tolist(), strict=True):
        assert np.array_equal(one, evaluated.read(a, b), equal_nan=True)
