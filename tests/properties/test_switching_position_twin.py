"""Switching positions on random small recordings equal a plain reading of their definition; and their laws."""

from __future__ import annotations

import math
from itertools import pairwise
from types import ModuleType
from typing import Any

import numpy as np
import pytest
from scoring.margins import measure_margin

from teachlab.errors import RecordingError
from teachlab.model.recording import Recording, RecordingInfo
from teachlab.model.score import Rules
from teachlab.model.setting import Setting
from teachlab.model.truth import Truth
from teachlab.questions.surface.position_figure import median_steps
from teachlab.scoring import score
from teachlab.scoring.switching_position import SwitchingPosition, switching_position
from teachlab.switching import replay


def _plain(case: Any, twin: ModuleType) -> dict[int, tuple[float, float | None]]:
    """Return onset and release, in evaluations from the borders, of every hit; one evaluation at a time."""
    did = twin.plain_replay(case.values, case.sample_rate, case.setting)
    output, spans = did["output"], [(a, b) for a, b, _ in case.passes]
    covers, found = twin.windows(did, spans, case.tolerance_ms, case.uncertainty_samples)
    out: dict[int, tuple[float, float | None]] = {}
    for k, ((a, b, expect), cover, window) in enumerate(zip(case.passes, covers, found, strict=True)):
        onsets = [i for i in did["onset_evaluations"] if i in window]
        if expect == "ignore" or not onsets or twin.is_excluded(did, (a, b), cover, window):
            continue
        begins = [later.start for later in covers[k + 1 :] if len(later)]
        limit = begins[0] if begins else len(output)
        end = onsets[-1]
        while end < len(output) and output[end]:
            end += 1
        out[k] = onsets[0] - cover.start, end - cover.stop if end < limit else None
    return out


@pytest.mark.parametrize("seed", range(150))
def test_positions_equal_the_plain_reading(seed: int, cases: ModuleType, twin: ModuleType) -> None:
    case = cases.make(seed)
    recording, truth = cases.recording_of(case), cases.truth_of(case)
    try:
        output = replay(recording, cases.setting_of(case))
    except RecordingError:  # no valid sample: nothing to be measured
        with pytest.raises(ValueError, match="no valid evaluation"):
            twin.plain_replay(case.values, case.sample_rate, case.setting)
        return
    trials = score(output, truth, rules=Rules(tolerance_ms=case.tolerance_ms)).trials
    found = switching_position(output, truth, trials, recording.info, rules=Rules(tolerance_ms=case.tolerance_ms))
    plain = _plain(case, twin)
    assert found.rows.tolist() == list(plain)
    ms = 1000 / output.clock.rate_hz
    for row, onset, release in zip(found.rows.tolist(), found.onset_ms, found.release_ms, strict=True):
        assert onset == pytest.approx(plain[row][0] * ms)
        expected = plain[row][1]
        assert math.isnan(release) if expected is None else release == pytest.approx(expected * ms)
    assert found.held == sum(1 for _, release in plain.values() if release is None)


def ramps(heights: np.ndarray, *, edge: int = 20, length: int = 100, gap: int = 100) -> tuple[Recording, Truth]:
    """Passes whose edges rise in `edge` samples to their height; borders at half of it."""
    shape = np.interp(np.arange(length + edge), [0, edge, length, length + edge], [0, 1, 1, 0])
    rest = np.zeros(gap)
    light = np.concatenate([rest, *(np.concatenate((h * shape, rest)) for h in heights)])
    start = gap + edge // 2 + np.arange(heights.size) * (length + edge + gap)
    info = RecordingInfo(sample_rate_hz=1000.0, unit="mV", line_speed_m_s=0.5)
    return Recording.from_array(light, info), Truth.from_arrays(start, start + length)


def position_at(level: float, recording: Recording, truth: Truth, **changes: Any) -> SwitchingPosition:
    setting = Setting(unit="mV", on_level=level, off_level=level, **changes)
    output = replay(recording, setting)
    trials = score(output, truth, rules=Rules(tolerance_ms=20.0)).trials
    return switching_position(output, truth, trials, recording.info, rules=Rules(tolerance_ms=20.0))


def test_by_hand_a_level_at_half_the_height_switches_at_the_borders() -> None:
    found = position_at(50.0, *ramps(np.full(4, 100.0)))
    assert found.onset_ms.tolist() == [0.0] * 4
    # At the sample that is half the height the light is still there: it is dark one sample later.
    assert found.release_ms.tolist() == [1.0] * 4


@pytest.mark.parametrize("delay", [3.0, 7.0])
def test_delays_move_their_own_edge_and_no_other(delay: float) -> None:
    line = ramps(np.full(4, 100.0))
    plain, late, long = (position_at(50.0, *line, **kw) for kw in ({}, {"on_delay_ms": delay}, {"off_delay_ms": delay}))
    assert late.onset_ms - plain.onset_ms == pytest.approx(delay)
    assert late.release_ms.tolist() == plain.release_ms.tolist()
    assert long.release_ms - plain.release_ms == pytest.approx(delay)
    assert long.onset_ms.tolist() == plain.onset_ms.tolist()


def test_bright_pieces_switch_earlier_and_millimetres_are_speed_times_time() -> None:
    heights = np.linspace(80.0, 160.0, 41)
    recording, truth = ramps(heights)
    setting = Setting(unit="mV", on_level=40.0, off_level=40.0)
    output = replay(recording, setting)
    trials = score(output, truth, rules=Rules(tolerance_ms=20.0)).trials
    margin = measure_margin(recording, output, truth, trials, rules=Rules(tolerance_ms=20.0))
    found = switching_position(output, truth, trials, recording.info, rules=Rules(tolerance_ms=20.0), margin=margin)
    assert found.peak == pytest.approx(heights)
    # The level is reached at 40/h of the edge of 20 ms, half of which lies before the border.
    assert found.onset_ms == pytest.approx(np.ceil(20 * 40 / heights - 1e-9) - 10)
    onset, release = found.onset_slope, found.release_slope
    assert onset is not None
    assert release is not None
    assert onset.high < 0 < release.low
    answer = found.as_dict()["onset"]
    assert answer["mm"]["spread"] == pytest.approx(0.5 * answer["ms"]["spread"])


def test_passes_of_two_lights_that_switch_alike_have_no_slope() -> None:
    """Ten passes, all ties: there is no interval to take, and no warning."""
    heights = np.repeat([80.0, 160.0], 5)
    recording, truth = ramps(heights, edge=2)
    setting = Setting(unit="mV", on_level=40.0, off_level=40.0)
    output = replay(recording, setting)
    trials = score(output, truth).trials
    margin = measure_margin(recording, output, truth, trials)
    found = switching_position(output, truth, trials, recording.info, margin=margin)
    assert found.as_dict()["hits"] == 10
    assert found.onset_slope is None or not found.onset_slope.established


def test_a_spread_within_twice_the_doubt_of_the_borders_is_not_told_apart() -> None:
    heights = np.linspace(80.0, 160.0, 41)
    recording, truth = ramps(heights)
    setting = Setting(unit="mV", on_level=40.0, off_level=40.0)
    output = replay(recording, setting)
    trials = score(output, truth, rules=Rules(tolerance_ms=20.0)).trials
    for jitter, apart in ((0.1, True), (1.9, True), (2.1, False)):
        found = switching_position(
            output, truth, trials, recording.info, rules=Rules(tolerance_ms=20.0), jitter_ms=jitter
        )
        spread = found.onset
        assert spread is not None
        assert spread.spread == 4.0
        assert found.told_apart(spread) is apart


def test_mirrored_light_has_the_same_positions() -> None:
    recording, truth = ramps(np.linspace(80.0, 160.0, 41))
    light = recording.read(0, recording.samples).as_float()
    mirrored = Recording.from_array(-light, recording.info)
    setting = Setting(unit="mV", on_level=40.0, off_level=40.0)
    turned = Setting(unit="mV", on_level=np.nextafter(-40.0, 0), off_level=np.nextafter(-40.0, 0), polarity="dark-on")
    one, other = replay(recording, setting), replay(mirrored, turned)
    a, b = (
        switching_position(
            o,
            truth,
            score(o, truth, rules=Rules(tolerance_ms=20.0)).trials,
            recording.info,
            rules=Rules(tolerance_ms=20.0),
        )
        for o in (one, other)
    )
    assert a.onset_ms.tolist() == b.onset_ms.tolist()
    assert a.release_ms.tolist() == b.release_ms.tolist()


def _chosen(seed: int, passes: int = 150) -> tuple[Any, Any]:
    """Peaks, some of them equal as of clipped light, and positions in whole evaluations."""
    rng = np.random.default_rng(seed)
    return np.minimum(np.round(rng.normal(2000, 300, passes)), 2300.0), np.round(rng.normal(0, 1, passes))


def _limits(values: Any) -> tuple[float, float]:
    """Return the order statistics about the median by their binomial probabilities, summed one by one."""
    n, ascending = len(values), sorted(values)
    below, k = 0.0, -1
    while below + math.comb(n, k + 1) * 0.5**n <= 0.025:
        k += 1
        below += math.comb(n, k) * 0.5**n
    return (ascending[k], ascending[n - 1 - k]) if k >= 0 else (-math.inf, math.inf)


@pytest.mark.parametrize("seed", range(40))
def test_medians_of_the_picture_are_steps_that_differ(seed: int) -> None:
    peak, values = _chosen(seed, 20 + 10 * seed)
    values = values + np.where(peak < 1800, seed % 5, 0)
    steps = median_steps(peak, values, 0.95)
    inside = [values[(peak >= low) & (peak <= high)] for low, high, _ in steps]
    assert sum(map(len, inside)) == len(peak), "every pass lies in one range"
    assert all(a[1] < b[0] for a, b in pairwise(steps))
    assert [middle for _, _, middle in steps] == [np.median(some) for some in inside]
    for (low, high), (least, most) in pairwise(map(_limits, inside)):
        assert high < least or most < low


def test_chance_makes_no_step_and_few_weak_passes_make_one() -> None:
    """Of 100 lines on which nothing changes; and of the same with one pass in ten weak and 4 evaluations later."""
    chance = weak = 0
    for seed in range(100):
        peak, values = _chosen(seed)
        chance += len(median_steps(peak, values, 0.95)) > 1
        late = np.zeros(150)
        late[np.argsort(peak, kind="stable")[:15]] = 4
        weak += len(median_steps(peak, values + late, 0.95)) > 1
    assert chance <= 5
    assert weak == 100
