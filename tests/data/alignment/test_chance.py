"""Passes that meet edges of the light by chance, as those of another recording do, and passes that do not."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import norm

from teachlab.data.alignment import measure_alignment
from teachlab.data.alignment.chance import SPREADS, STRAYS, evidence
from teachlab.data.alignment.crossings import Crossings, Reaches
from teachlab.data.alignment.finding import finding
from teachlab.data.alignment.lags import Lags, fit_lags
from teachlab.data.alignment.shift import ClockShift
from teachlab.model.recording import Direction, Recording, RecordingInfo
from teachlab.model.truth import Truth

INFO = RecordingInfo(sample_rate_hz=1000.0, unit="counts", direction=Direction.RISE)


def passes(rng: np.random.Generator, count: int) -> tuple[np.ndarray, np.ndarray, int]:
    length, gap = rng.uniform(60, 110, count), rng.uniform(90, 220, count + 1)
    start = np.cumsum(gap[:-1]) + np.concatenate(([0], np.cumsum(length[:-1])))
    return start, start + length, int(start[-1] + length[-1] + gap[-1])


def strange_light(rng: np.random.Generator, kind: str, samples: int, count: int) -> np.ndarray:
    if kind == "steps of a count":
        return rng.normal(100, 0.4, samples).round()
    if kind == "wander":
        return 2000 + np.cumsum(rng.normal(0, 3, samples))
    if kind == "waves":
        return 2000 + 50 * np.sin(np.arange(samples) / rng.uniform(30, 80)) + rng.normal(0, 5, samples)
    light = rng.normal(2000, 10, samples)
    if kind == "sparks":
        light[rng.integers(0, samples, count)] += 500
    return light


@pytest.mark.parametrize("kind", ["steps of a count", "wander", "waves", "sparks", "noise"])
@pytest.mark.parametrize("count", [5, 8, 20, 40, 100])
def test_light_without_these_passes_does_not_carry_them(kind: str, count: int) -> None:
    for seed in range(10):
        rng = np.random.default_rng([seed, count])
        start, end, samples = passes(rng, count)
        light = strange_light(rng, kind, samples, count)
        truth = Truth.from_arrays(np.rint(start).astype(int), np.rint(end).astype(int), uncertainty_samples=1)
        found = measure_alignment(Recording.from_array(light, INFO), truth)
        assert found is None or not found.belongs, seed


@pytest.mark.parametrize(
    ("count", "jitter", "missing"),
    [(3, 1, 0), (3, 3, 0), (4, 5, 0), (5, 6, 0), (6, 7, 0), (8, 5, 0), (20, 8, 0), (60, 2, 0.6), (60, 8, 0.3)],
)
def test_passes_of_this_light_are_not_taken_for_chance(count: int, jitter: float, missing: float) -> None:
    """`missing`: the share of products that the light does not show."""
    for seed in range(10):
        rng = np.random.default_rng([seed, count])
        start, end, samples = passes(rng, count)
        light = rng.normal(2000, 10, samples)
        for a, b in zip(np.rint(start).astype(int), np.rint(end).astype(int), strict=True):
            light[a:b] += 800 * (rng.random() >= missing)
        borders = [np.rint(side + rng.normal(0, jitter, count) - 12).astype(int) for side in (start, end)]
        truth = Truth.from_arrays(*borders, uncertainty_samples=1)
        found = measure_alignment(Recording.from_array(light, INFO), truth)
        assert found is not None
        assert not found.by_chance, seed


def lags_of(start: np.ndarray, end: np.ndarray, crossings: Crossings, reach: Reaches) -> Lags:
    found = fit_lags(start, end, crossings, reach, ClockShift(20_000))
    assert found is not None
    return found


def test_evidence_by_hand() -> None:
    """Ten passes of 100 every 200 samples, an edge on each border: the narrowest spread, and the fewest strays."""
    start = 100.0 + 200 * np.arange(10)
    end = start + 100
    reach = replace(Reaches.of(start, end, 2100), before=np.full(10, 50.0), after=np.full(10, 50.0))
    edges = Crossings(start, end, np.array([1.0]), 10)
    own = 1 / (0.5 * np.sqrt(2 * np.pi))
    assert evidence(start, end, edges, reach, lags_of(start, end, edges, reach)) == pytest.approx(
        20 * np.log(0.97 * 100 * own + 0.03)
    )


@pytest.mark.parametrize("seed", range(5))
def test_evidence_equals_a_plain_loop(seed: int) -> None:
    rng = np.random.default_rng(seed)
    start, end, samples = passes(rng, 20)
    reach = Reaches.of(start, end, samples)
    begins, ends = (
        np.sort(np.append((side + rng.normal(0, 4, 20))[rng.random(20) > 0.2], rng.uniform(0, samples, 20)))
        for side in (start, end)
    )
    edges = Crossings(begins, ends, np.array([1.0]), 20)
    lags = lags_of(start, end, edges, reach)
    best = -np.inf
    for spread in SPREADS:
        for stray in STRAYS:
            total = 0.0
            for k in range(20):
                for place, seen, back, forth, left in (
                    (start[k], begins, reach.before[k], reach.inside[k], lags.begins[k]),
                    (end[k], ends, reach.inside[k], reach.after[k], lags.ends[k]),
                ):
                    here = sum(place - back <= one <= place + forth for one in seen)
                    near = 0.0 if np.isnan(left) else norm.pdf(left, 0, spread) / (max(1, here) / (back + forth))
                    total += np.log((1 - stray) * near + stray)
            best = max(best, total)
    assert evidence(start, end, edges, reach, lags) == pytest.approx(best)


def test_few_passes_are_told_apart_from_many() -> None:
    rng = np.random.default_rng(0)
    said = {}
    for count in (5, 40):
        start, end, samples = passes(rng, count)
        truth = Truth.from_arrays(np.rint(start).astype(int), np.rint(end).astype(int), uncertainty_samples=1)
        light = strange_light(rng, "steps of a count", samples, count)
        found = measure_alignment(Recording.from_array(light, INFO), truth)
        assert found is not None
        said[count] = finding(found)[0]
        assert found.as_dict()["by_chance"] is True
        assert found.as_dict()["turned"] is False
    assert said[40] == (
        "Your passes do not follow this light: edges lie about their borders as they would by chance. Do they belong "
        "to this recording? Trust no count below before that is settled."
    )
    assert said[5] == (
        "Whether your passes follow this light is not known: edges would lie as near to the borders of only 5 passes "
        "by chance. Take a longer recording. Trust no count below before that is settled."
    )


@pytest.mark.parametrize(("stored", "does"), [(Direction.RISE, "lower"), (Direction.DIP, "raise")])
def test_a_direction_that_is_stored_wrong_is_named(stored: Direction, does: str) -> None:
    rng = np.random.default_rng(5)
    start, end, samples = passes(rng, 80)
    borders = [np.rint(side).astype(int) for side in (start, end)]
    light = rng.normal(2000, 10, samples)
    for a, b in zip(*borders, strict=True):
        light[a:b] += 800 if stored is Direction.DIP else -800
    truth = Truth.from_arrays(*borders, uncertainty_samples=1)
    found = measure_alignment(Recording.from_array(light, replace(INFO, direction=stored)), truth)
    assert found is not None
    assert not found.belongs
    assert found.as_dict()["turned"] is True
    assert finding(found) == [
        f"Your passes follow this light only if products {does} it, but its direction is stored as {stored.value}. "
        "Then they agree with it within 1 ms and scatter by ±16 µs; as stored, they do not follow it. Correct the "
        "direction, or the passes if they mark the gaps. Trust no count below before that is settled."
    ]
