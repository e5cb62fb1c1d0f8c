"""Laws that switching and scoring obey whatever the recording: symmetries, orders, invariances."""

from __future__ import annotations

import functools
import math
from dataclasses import replace
from fractions import Fraction
from types import ModuleType
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from teachlab.errors import InputError
from teachlab.model.score import Rules
from teachlab.scoring import score
from teachlab.switching import replay

SEEDS = range(200)


@functools.cache
def usable(cases: ModuleType) -> list[Any]:
    """Cases in which at least one evaluation is valid."""
    return [case for case in map(cases.make, SEEDS) if evaluated(case).size]


def evaluated(case: Any) -> NDArray[np.float64]:
    """The valid evaluations, as float64."""
    rate = case.setting["evaluation_rate_hz"]
    values = case.light.astype(np.float64)
    values[case.null] = np.nan
    if rate is not None:
        ratio = (Fraction(repr(case.sample_rate)) / Fraction(repr(rate))).limit_denominator(10**6)
        reads: list[int] = []
        while (at := len(reads) * ratio.numerator // ratio.denominator) < values.size:
            reads.append(at)
        values = values[reads]
    return values[~np.isnan(values)]


def with_setting(case: Any, **changes: Any) -> Any:
    return replace(case, setting={**case.setting, **changes})


def found(cases: ModuleType, case: Any) -> tuple[bool, list[int], list[int], dict[str, Any]]:
    output = replay(cases.recording_of(case), cases.setting_of(case))
    counts = score(output, cases.truth_of(case), rules=Rules(tolerance_ms=case.tolerance_ms)).as_dict()
    return output.active_at_start, output.onsets.tolist(), output.releases.tolist(), counts


def light_state(cases: ModuleType, case: Any, on_level: float, off_level: float) -> NDArray[np.bool_]:
    """The comparator alone: light-on, no filter, no delay."""
    plain = with_setting(
        case,
        on_level=on_level,
        off_level=off_level,
        polarity="light-on",
        consecutive=1,
        on_delay_ms=0.0,
        off_delay_ms=0.0,
    )
    output = replay(cases.recording_of(plain), cases.setting_of(plain))
    return output.output.dense(output.clock.count)


def edges(state: NDArray[np.bool_]) -> int:
    return int(np.count_nonzero(state[1:] != state[:-1]))


def test_wider_hysteresis_never_adds_edges(cases: ModuleType) -> None:
    """A wider band changes state only where the narrow one has changed since.

    The two may begin in different states (a first sample between the two on-levels); that is worth one edge.
    """
    fewer = 0
    for case in usable(cases):
        rng = np.random.default_rng([case.seed, 1])
        values = evaluated(case)
        on, off = case.setting["on_level"], case.setting["off_level"]
        wider_on = max(on, float(rng.choice(values)))
        wider_off = min(off, float(rng.choice(values)))
        narrow = light_state(cases, case, on, off)
        wide = light_state(cases, case, wider_on, wider_off)
        assert edges(wide) <= edges(narrow) + int(narrow[0] != wide[0]), case.seed
        fewer += edges(wide) < edges(narrow)
    assert fewer > 7


@pytest.mark.parametrize("name", ["on_level", "off_level"])
def test_raising_a_level_never_adds_light(name: str, cases: ModuleType) -> None:
    less = 0
    for case in usable(cases):
        rng = np.random.default_rng([case.seed, 2 if name == "on_level" else 3])
        levels = {one: case.setting[one] for one in ("on_level", "off_level")}
        higher = max(levels[name], float(rng.choice(evaluated(case))))
        raised = levels | {name: higher if name == "on_level" else min(levels["on_level"], higher)}
        low, high = light_state(cases, case, *levels.values()), light_state(cases, case, *raised.values())
        assert not (high & ~low).any(), case.seed
        less += bool((low & ~high).any())
    assert less > 7


def test_dark_on_is_the_complement_of_light_on_before_delays(cases: ModuleType) -> None:
    for case in usable(cases):
        outputs = []
        for polarity in ("light-on", "dark-on"):
            polar = with_setting(case, polarity=polarity)
            output = replay(cases.recording_of(polar), cases.setting_of(polar))
            outputs.append(output.undelayed.dense(output.clock.count))
        assert np.array_equal(outputs[0], ~outputs[1]), case.seed


def test_without_delays_onsets_of_one_polarity_are_releases_of_the_other(cases: ModuleType) -> None:
    for case in usable(cases):
        plain = with_setting(case, on_delay_ms=0.0, off_delay_ms=0.0)
        light = found(cases, with_setting(plain, polarity="light-on"))
        dark = found(cases, with_setting(plain, polarity="dark-on"))
        assert light[:3] == (not dark[0], dark[2], dark[1]), case.seed


def test_zero_delays_change_nothing(cases: ModuleType) -> None:
    for case in usable(cases):
        plain = with_setting(case, on_delay_ms=0.0, off_delay_ms=0.0)
        output = replay(cases.recording_of(plain), cases.setting_of(plain))
        size = output.clock.count
        assert np.array_equal(output.output.dense(size), output.undelayed.dense(size)), case.seed
        on_output, on_light = (found(cases, with_setting(plain, delays_act_on=a)) for a in ("output", "light"))
        assert on_output == on_light, case.seed


def test_an_on_delay_only_takes_and_an_off_delay_only_adds(cases: ModuleType) -> None:
    for case in usable(cases):
        states = {}
        for name, changes in (
            ("on", {"off_delay_ms": 0.0}),
            ("off", {"on_delay_ms": 0.0}),
            ("none", {"on_delay_ms": 0.0, "off_delay_ms": 0.0}),
        ):
            delayed = with_setting(case, delays_act_on="output", **changes)
            output = replay(cases.recording_of(delayed), cases.setting_of(delayed))
            states[name] = output.output.dense(output.clock.count)
        assert not (states["on"] & ~states["none"]).any(), case.seed
        assert not (states["none"] & ~states["off"]).any(), case.seed


def test_evaluating_at_the_sample_rate_is_evaluating_every_sample(cases: ModuleType) -> None:
    for case in usable(cases):
        every, same = (with_setting(case, evaluation_rate_hz=rate) for rate in (None, case.sample_rate))
        assert found(cases, every) == found(cases, same), case.seed


@pytest.mark.parametrize("step", [2, 3, 7])
def test_a_slow_sensor_sees_every_nth_sample(step: int, cases: ModuleType) -> None:
    """Evaluating a 2,520 Hz log at a whole fraction of its rate is replaying the thinned log."""
    for case in usable(cases):
        slow = replace(with_setting(case, evaluation_rate_hz=2520.0 / step), sample_rate=2520.0)
        thinned = replace(
            with_setting(case, evaluation_rate_hz=None),
            light=case.light[::step],
            null=case.null[::step],
            sample_rate=2520.0 / step,
        )
        try:
            few = replay(cases.recording_of(thinned), cases.setting_of(thinned))
        except InputError:
            with pytest.raises(InputError):
                replay(cases.recording_of(slow), cases.setting_of(slow))
            continue
        many = replay(cases.recording_of(slow), cases.setting_of(slow))
        assert many.onsets.tolist() == (few.onsets * step).tolist(), case.seed
        assert many.releases.tolist() == (few.releases * step).tolist(), case.seed


def test_an_invalid_sample_acts_as_the_valid_one_before_it(cases: ModuleType) -> None:
    """With no filter to count it; before the first valid sample, as the first."""
    some = 0
    for case in usable(cases):
        plain = with_setting(case, consecutive=1, evaluation_rate_hz=None)
        values = plain.light.astype(np.float64)
        bad = plain.null | np.isnan(values)
        some += bool(bad.any())
        at = np.maximum.accumulate(np.where(bad, -1, np.arange(values.size)))
        at = np.where(at < 0, int(np.argmin(bad)), at)
        filled = replace(plain, light=plain.light[at], null=np.zeros(values.size, bool))
        assert found(cases, plain)[:3] == found(cases, filled)[:3], case.seed
    assert some > 70


def first_float_above(value: Fraction) -> float:
    """The smallest float64 that is strictly above an exact number."""
    near = float(value)
    while Fraction(near) <= value:
        near = math.nextafter(near, math.inf)
    return near


def on_a_lattice(case: Any) -> Any | None:
    """The case with light that can be mirrored and scaled without rounding, or None."""
    if case.light.dtype.kind != "f":
        return case if np.abs(case.light.astype(np.float64)).max() < 2**52 else None
    light = np.where(np.isinf(case.light), np.array(40, case.light.dtype), case.light)
    return replace(case, light=(np.round(light.astype(np.float64) * 8) / 8).astype(case.light.dtype))


def mirrored(case: Any) -> Any:
    """``x → C − x``, polarity flipped, every level moved to the first value outside the mirrored band."""
    finite = case.light[~np.isnan(case.light)] if case.light.dtype.kind == "f" else case.light
    if case.light.dtype.kind == "f":
        centre = float(finite.min()) + float(finite.max())
        light = (centre - case.light.astype(np.float64)).astype(case.light.dtype)
    else:
        centre = int(finite.min()) + int(finite.max())
        light = np.array([centre - int(x) for x in case.light.tolist()], case.light.dtype)

    def above(level: float) -> float:
        exact = Fraction(centre) - Fraction(level)
        return first_float_above(exact) if case.light.dtype.kind == "f" else float(math.floor(exact) + 1)

    setting = case.setting
    other = {"light-on": "dark-on", "dark-on": "light-on"}[setting["polarity"]]
    levels = {"on_level": above(setting["off_level"]), "off_level": above(setting["on_level"])}
    return replace(with_setting(case, polarity=other, **levels), light=light)


def begins_inside_the_band(case: Any) -> bool:
    return bool(case.setting["off_level"] <= evaluated(case)[0] < case.setting["on_level"])


def test_a_mirrored_recording_gives_the_same_output(cases: ModuleType) -> None:
    """Except when the first valid evaluation lies between the levels: it counts as dark on either side."""
    tried = 0
    for seen in usable(cases):
        case = on_a_lattice(seen)
        if case is None or begins_inside_the_band(case):
            continue
        case = with_setting(case, delays_act_on="output")
        tried += 1
        assert found(cases, case) == found(cases, mirrored(case)), case.seed
    assert tried > 100


def test_a_mirrored_recording_swaps_delays_that_act_on_light(cases: ModuleType) -> None:
    """What delays the beginning of light delays the end of dark. With both delays their order matters."""
    tried = 0
    for seen in usable(cases):
        case = on_a_lattice(seen)
        if case is None or begins_inside_the_band(case):
            continue
        name, other = ("on_delay_ms", "off_delay_ms") if case.seed % 2 else ("off_delay_ms", "on_delay_ms")
        delay = case.setting[name] or case.setting[other]
        case = with_setting(case, delays_act_on="light", **{name: delay, other: 0.0})
        turned = with_setting(mirrored(case), **{name: 0.0, other: delay})
        tried += 1
        assert found(cases, case) == found(cases, turned), case.seed
    assert tried > 100


@pytest.mark.parametrize("factor", [0.25, 4.0])
def test_scaling_light_and_levels_changes_nothing(factor: float, cases: ModuleType) -> None:
    tried = 0
    for seen in usable(cases):
        case = on_a_lattice(seen)
        if case is None:
            continue
        if case.light.dtype.kind == "f":
            light = case.light * np.array(factor, case.light.dtype)
        else:
            light = case.light.astype(np.float64) * factor
        levels = {name: case.setting[name] * factor for name in ("on_level", "off_level")}
        if any(Fraction(levels[name]) != Fraction(case.setting[name]) * Fraction(factor) for name in levels):
            continue  # the level itself would be rounded
        tried += 1
        assert found(cases, case) == found(cases, replace(with_setting(case, **levels), light=light)), case.seed
    assert tried > 130


def test_shifting_light_and_levels_changes_nothing(cases: ModuleType) -> None:
    tried = 0
    for seen in usable(cases):
        case = on_a_lattice(seen)
        if case is None:
            continue
        levels = {name: case.setting[name] + 1000.0 for name in ("on_level", "off_level")}
        if any(Fraction(levels[name]) != Fraction(case.setting[name]) + 1000 for name in levels):
            continue
        light = case.light.astype(np.float64) + 1000.0
        tried += 1
        assert found(cases, case) == found(cases, replace(with_setting(case, **levels), light=light)), case.seed
    assert tried > 50
