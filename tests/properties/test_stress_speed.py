"""A faster line against plain resampling of the light, and the speed at which the first pass is lost."""

from __future__ import annotations

import math
from dataclasses import replace
from fractions import Fraction
from types import ModuleType

import numpy as np
import pytest

from teachlab.errors import InputError
from teachlab.model.recording import Recording, RecordingInfo
from teachlab.model.score import Counts, Rules
from teachlab.model.setting import Setting
from teachlab.model.truth import Truth
from teachlab.questions.stress.map import at_speed, stress_map
from teachlab.questions.timing.dwelling import line_of, predict, spans_at_levels
from teachlab.scoring import score
from teachlab.switching import replay

INFO = RecordingInfo(sample_rate_hz=1000.0, unit="counts", line_speed_m_s=0.5)


def counts(recording: Recording, truth: Truth, setting: Setting, tolerance_ms: float = 0.0) -> Counts:
    return score(replay(recording, setting), truth, rules=Rules(tolerance_ms=tolerance_ms), tables=False).counts


def _at(recording: Recording, truth: Truth, setting: Setting, factor: float) -> tuple[Recording, Truth, Setting]:
    faster, same = at_speed(recording, setting, factor)
    return faster, truth, same


@pytest.mark.parametrize("factor", ["1", "3/2", "2", "3", "5"])
def test_a_faster_line_equals_light_resampled_by_a_plain_loop(factor: str, cases: ModuleType) -> None:
    """Evaluation i of the sensor sees sample ⌊i · factor⌋; passes begin at the first evaluation not before them."""
    times, compared = Fraction(factor), 0
    for seed in range(0, 160, 2):
        case = cases.make(seed)
        recording, truth = cases.recording_of(case), cases.truth_of(case)
        setting = replace(cases.setting_of(case), evaluation_rate_hz=None)
        try:
            found = counts(*_at(recording, truth, setting, float(times)))
        except InputError:
            continue
        rows = [math.floor(i * times) for i in range(math.ceil(recording.samples / times))]
        start = [math.ceil(a / times) for a in truth.start.tolist()]
        end = [math.ceil(b / times) for b in truth.end.tolist()]
        if any(b > len(rows) or a >= b for a, b in zip(start, end, strict=True)):
            continue  # a pass between two evaluations cannot be written down as samples
        if any((a > 0) != (c > 0) for a, c in zip(start, truth.start.tolist(), strict=True)):
            continue
        if any((b < len(rows)) != (c < recording.samples) for b, c in zip(end, truth.end.tolist(), strict=True)):
            continue
        slow = Recording.from_array(
            case.light[rows], replace(recording.info), invalid=case.null[rows] if case.null.any() else None
        )
        moved = Truth(
            np.array(start, np.int64), np.array(end, np.int64), truth.detect, truth.label, truth.lot, truth.source,
            truth.uncertainty_samples / float(times),
        )  # fmt: skip
        assert found == counts(slow, moved, setting), seed
        compared += 1
    assert compared > 20


def passes_of(dwell: int) -> tuple[Recording, Truth]:
    """Twelve passes of one dwell in evaluations, 200 apart; whole multiples of all speeds tried."""
    start = 840 + 840 * np.arange(12)
    light = np.full(840 * 14, 10.0)
    for a in start:
        light[a : a + dwell] = 50.0
    return Recording.from_array(light, INFO), Truth.from_arrays(start, start + dwell)


@pytest.mark.parametrize("needs", [{"consecutive": 5}, {"on_delay_ms": 4.0}, {"consecutive": 3, "on_delay_ms": 2.5}])
def test_the_speed_at_which_passes_are_lost(needs: dict[str, float]) -> None:
    """A dwell of 60 evaluations and n needed: kept up to 60 / n times as fast, lost just beyond.

    In phase with the clock (passes begin at whole multiples of the factor) ⌈60 / factor⌉ evaluations see an object.
    """
    recording, truth = passes_of(60)
    setting = Setting(unit="counts", on_level=30, off_level=20, **needs)  # type: ignore[arg-type]
    delay = math.ceil(needs.get("on_delay_ms", 0.0))
    n = max(int(needs.get("consecutive", 1)), delay + 1)
    kept, lost = 60 / n, 60 / (n - 1)
    assert counts(*_at(recording, truth, setting, kept)).lost == 0
    assert counts(*_at(recording, truth, setting, lost)).lost == 12
    for factor in (1.0, 2.0, kept, lost, 30.0):
        faster, same = at_speed(recording, setting, factor)
        spans = spans_at_levels(faster, truth, same)
        found = predict(spans, line_of(faster, same, spans))
        replayed = counts(faster, truth, same)
        assert (found.missed, found.merged) == (replayed.misses, replayed.merged)


def test_reserves_of_a_faster_line_are_those_of_its_replay() -> None:
    """Passes of 50 with a narrow middle of 80: three in a row at twice the speed need the broad part."""
    light = np.full(400, 10.0)
    start = np.arange(40, 360, 40)
    for a in start:
        light[a : a + 12], light[a + 4 : a + 8] = 50.0, 80.0
    recording, truth = (
        Recording.from_array(light, replace(INFO, full_scale=100.0)),
        Truth.from_arrays(start, start + 12),
    )
    setting = Setting(unit="counts", on_level=30, off_level=30, consecutive=3)
    for factor, weakest in ((1.0, 80.0), (2.0, 50.0)):
        faster, same = at_speed(recording, setting, factor)
        found = stress_map(faster, truth, same, gain=(1.0, 0.59, 0.61, 0.37, 0.38))
        assert found.contamination_reserve == pytest.approx(1 - 30 / weakest)
        right = dict(zip(found.gain, found.lost[:, 0, 0].tolist(), strict=True))
        assert right == {1.0: 0, 0.61: 0, 0.59: 0 if factor == 1 else 8, 0.38: 0 if factor == 1 else 8, 0.37: 8}
