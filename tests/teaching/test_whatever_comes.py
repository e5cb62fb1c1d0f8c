"""Strange teach blocks: every strategy teaches or abstains, and nothing is computed that is no number."""

from __future__ import annotations

import json
import math
from dataclasses import fields
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from teachlab.errors import Abstained, InputError
from teachlab.model.recording import Direction, Recording, RecordingInfo
from teachlab.model.setting import Setting
from teachlab.model.truth import Truth
from teachlab.teaching import TeachBlock, resolve, teach_once
from teachlab.teaching.registry import BUILT_IN

RISE = Direction.RISE
PARAMETERS: dict[str, list[dict[str, object]]] = {
    "contamination-aware": [{"least_gain": 0.8}],
    "minimax-regret": [{"stress": "1,0;0.6,5;1.2,-3"}],
    "background-follower": [{}, {"follow": "gain"}, {"follow": "gain", "distance": 0.1}],
    "turning-point-follower": [{}, {"form": "offset", "steps": 5, "delays": 2}],
    "noise-weighted-midpoint": [{}, {"balance": "costs", "cost_miss": 20}],
    "ratio-midpoint": [{}, {"weight": "noise"}],
    "neyman-pearson": [{}, {"limit": 0.3, "confidence": 0.6}],
    "quantile-guard": [{}, {"position": 0.3, "share": 0.1}, {"strict": True}],
    "balanced-guard": [{}, {"position": 0.3, "share": 0.1}],
    "stepped-trim": [{}, {"flip": "background"}],
    "tail-balanced": [{"tail_share": 0.5}],
    "designed": [{}, {"levels": 5, "delays": 2, "expect_flashes": False}],
    "background-referenced": [{}, {"distance": "standard-deviations"}, {"distance": "extreme-offset", "offset": 3}],
}
EVERY = [(name, more) for name in BUILT_IN for more in PARAMETERS.get(name, [{}])]


def block(light: NDArray[Any], start: Any, end: Any, direction: Direction | None = RISE, **more: Any) -> TeachBlock:
    info = RecordingInfo(
        sample_rate_hz=1000.0,
        unit="counts",
        direction=direction,
        full_scale=more.pop("full_scale", None),
        dark_level=more.pop("dark", 0.0),
    )
    base = Setting(unit="counts", on_level=0, off_level=0, **more.pop("base", {}))
    return TeachBlock(Recording.from_array(light, info), Truth.from_arrays(start, end, **more), base=base)


def passes(count: int, length: int = 10) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    start = length + 2 * length * np.arange(count, dtype=np.int64)
    return start, start + length


def line(count: int, gap: float, objects: float) -> NDArray[np.float64]:
    light = np.full((2 * count + 1) * 10, gap)
    for a in passes(count)[0]:
        light[a : a + 10] = objects
    return light


def test_a_follower_needs_a_gap_with_valid_light() -> None:
    """Gaps of up to five invalid evaluations hold the light before them, but show none of their own."""
    start = 1 + 10 * np.arange(8, dtype=np.int64)
    light = np.full(82, np.nan)
    for k, a in enumerate(start):
        light[a : a + 6] = 50.0 + k
    with pytest.raises(Abstained, match="no gap has valid light"):
        teach_once(resolve("background-follower"), block(light, start, start + 6), 0, 0)


def test_a_distance_lost_in_rounding_is_refused() -> None:
    light = line(6, 2.0**52, 2.0**52 + 1)
    with pytest.raises(Abstained, match="lost in the rounding"):
        teach_once(resolve("background-follower"), block(light, *passes(6)), 0, 0)


def test_a_ratio_to_next_to_no_light_is_refused() -> None:
    light = line(6, 5e-324, 100.0)
    with pytest.raises(Abstained, match="no distance from the local background"):
        teach_once(resolve("background-follower", {"follow": "gain"}), block(light, *passes(6)), 0, 0)


@pytest.mark.parametrize("name", ["stepped-trim", "turning-point-follower"])
def test_steps_too_small_for_a_number_are_refused(name: str) -> None:
    light = line(6, 0.0, 5e-324)
    with pytest.raises(Abstained, match="steps are too small"):
        teach_once(resolve(name), block(light, *passes(6)), 0, 0)


def test_light_of_0_beside_light_that_is_next_to_none_has_a_logarithm() -> None:
    light = line(12, 2e-323, 2e-322)
    light[80:90] = 0.0
    teach_once(resolve("ratio-midpoint", {"weight": "noise"}), block(light, *passes(12)), 0, 0)


@pytest.mark.parametrize("name", ["between-class-variance", "iterative-mean"])
def test_levels_of_a_sweep_with_no_number_between_them_are_refused(name: str) -> None:
    light = line(6, 0.0, 5e-324)
    with pytest.raises(Abstained, match="too close to each other"):
        teach_once(resolve(name), block(light, *passes(6)), 0, 0)


def test_a_background_that_swings_faster_than_the_output_answers_leaves_no_window() -> None:
    light = np.tile([0.0, 100.0], 65)
    for a in passes(6)[0]:
        light[a : a + 10] = 120.0
    shown = block(light, *passes(6), base={"consecutive": 3})
    with pytest.raises(Abstained, match="swings faster"):
        teach_once(resolve("two-threshold", {"position": 0.1}), shown, 0, 0)


def test_a_background_outside_its_own_window_is_refused() -> None:
    """Gaps that are mostly dark, but never for three evaluations in a row: the window would lie above them."""
    light = np.full(130, 120.0)
    for a in [0, *(passes(6)[1])]:
        light[a : a + 10] = [0, 0, 90, 0, 0, 90, 0, 0, 90, 0]
    shown = block(light, *passes(6), base={"consecutive": 3})
    with pytest.raises(Abstained, match="swings faster"):
        teach_once(resolve("two-threshold", {"position": 0.1}), shown, 0, 0)


@pytest.mark.parametrize("name", BUILT_IN)
def test_light_too_strong_to_be_squared_is_not_shown(name: str) -> None:
    strategy = resolve(name, PARAMETERS.get(name, [{}])[0])
    with pytest.raises(Abstained, match="too strong to be calculated with"):
        teach_once(strategy, block(line(6, 1e300, -1e300), *passes(6)), 0, 0)


LIGHTS = ("constant", "full", "walk", "levels", "noise", "tail", "huge", "tiny", "least", "ends", "negative")


@st.composite
def strange(draw: st.DrawFn) -> TeachBlock | None:
    random = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    size = draw(st.sampled_from([1, 2, 3, 7, 20, 40, 100]))
    light = {
        "constant": lambda: np.full(size, 7.0),
        "full": lambda: np.full(size, 4095.0),
        "walk": lambda: np.cumsum(random.normal(0, 1, size)),
        "levels": lambda: random.integers(0, 3, size).astype(np.float64),
        "noise": lambda: random.normal(100, 5, size),
        "tail": lambda: random.pareto(0.5, size),
        "huge": lambda: random.normal(0, 1e120, size),
        "tiny": lambda: random.normal(0, 1e-200, size),
        "least": lambda: 5e-324 * random.integers(0, 3, size),
        "ends": lambda: np.where(random.random(size) < 0.5, 0.0, 4095.0),
        "negative": lambda: -random.exponential(10, size),
    }[draw(st.sampled_from(LIGHTS))]()
    cuts = np.sort(random.choice(size + 1, min(2 * draw(st.integers(1, 20)), (size + 1) // 2 * 2), replace=False))
    start, end = cuts[: cuts.size // 2 * 2 : 2], cuts[1::2]
    for a, b in zip(start, end, strict=True):
        light[a:b] += draw(st.sampled_from([0.0, 1.0, 60.0, 4000.0, -60.0]))
    kind = draw(st.sampled_from(["float64", "float64", "float32", "uint16", "int8"]))
    if kind == "float64":
        hole = draw(st.sampled_from(["none", "some", "most", "gaps", "passes"]))
        inside = np.zeros(size, bool)
        for a, b in zip(start, end, strict=True):
            inside[a:b] = True
        light[
            {
                "none": np.zeros(size, bool),
                "some": random.random(size) < 0.1,
                "most": random.random(size) < 0.9,
                "gaps": ~inside,
                "passes": inside,
            }[hole]
        ] = np.nan
    elif kind != "float32":
        light = np.clip(np.nan_to_num(light), np.iinfo(kind).min, np.iinfo(kind).max)
    elif float(np.abs(light).max()) > 1e38:
        return None
    try:
        return block(
            light.astype(kind),
            start,
            end,
            draw(st.sampled_from([None, RISE, Direction.DIP])),
            full_scale=draw(st.sampled_from([None, 4095.0])),
            dark=draw(st.sampled_from([0.0, -10.0, 50.0])),
            detect=random.random(start.size) < draw(st.sampled_from([1.0, 0.7])),
            label=[draw(st.sampled_from("ab")) for _ in start],
            uncertainty_samples=draw(st.sampled_from([0.0, 2.0])),
            base={
                "consecutive": draw(st.sampled_from([1, 3])),
                "on_delay_ms": draw(st.sampled_from([0.0, 4.0])),
                "off_delay_ms": draw(st.sampled_from([0.0, 4.0, 4000.0])),
                "delays_act_on": draw(st.sampled_from(["output", "light"])),
                "evaluation_rate_hz": draw(st.sampled_from([None, 500.0])),
            },
        )
    except InputError:  # no valid sample at all
        return None


@settings(max_examples=80, deadline=None)
@given(strange())
def test_every_strategy_teaches_or_abstains(found: TeachBlock | None) -> None:
    """A setting with plain evidence, or why not. Warnings are errors: no mean of nothing, no division by zero.

    `teach_once` refuses a setting that does not keep what the base says of delays, filter, rate and unit.
    """
    if found is None:
        return
    for name, more in EVERY:
        try:
            setting = teach_once(resolve(name, more), found, 0, 0)
        except Abstained as refusal:
            lacking = [part for part in (refusal.reason, refusal.measured, refusal.required) if not part]
            assert not lacking
            continue
        assert math.isfinite(setting.on_level)
        assert -math.inf < setting.off_level <= setting.on_level
        assert setting.taught is not None
        json.dumps(dict(setting.taught.evidence), allow_nan=False)


def ends_of_ranges() -> list[tuple[str, dict[str, object]]]:
    """Every number of every strategy, but of the two that count whole grids, at either end of what it may be."""
    out: list[tuple[str, dict[str, object]]] = [
        ("noise-weighted-midpoint", {"balance": "costs", "cost_miss": 1e-12, "prior_object": 5e-324}),
        ("noise-weighted-midpoint", {"balance": "costs", "cost_miss": 1e300, "cost_false": 1e-300}),
    ]
    for name in (one for one in BUILT_IN if one not in ("designed", "turning-point-follower")):
        for f in fields(type(resolve(name))):
            limits = f.metadata.get("limits", {})
            if not limits:
                continue
            whole = isinstance(f.default, int)
            low = limits.get("at_least", math.nextafter(limits.get("above", 0), math.inf))
            high = limits.get("at_most", math.nextafter(limits.get("below", 1e9), 0))
            for end in (low, high):
                out.append((name, {**PARAMETERS.get(name, [{}])[0], f.name: int(end) if whole else float(end)}))
    return out


@pytest.mark.parametrize(("name", "parameters"), ends_of_ranges())
@pytest.mark.parametrize("direction", Direction)
def test_at_the_ends_of_its_parameters_it_teaches_or_abstains(
    name: str, parameters: dict[str, object], direction: Direction
) -> None:
    """A limit of 5e-324 asked for infinitely many events, and costs of 1e-12 times 5e-324 had no logarithm."""
    sign = 1 if direction is Direction.RISE else -1
    light = 500 + sign * (line(60, 0, 200) + np.round(np.random.default_rng(1).normal(0, 5, 1210)))
    for more in ({}, {"bound": "misses"}) if name == "neyman-pearson" else ({},):
        try:
            # A setting holds finite levels only.
            told = str(teach_once(resolve(name, {**parameters, **more}), block(light, *passes(60), direction), 0, 0))
        except Abstained as refusal:
            told = str(refusal)
        assert "nan" not in told
