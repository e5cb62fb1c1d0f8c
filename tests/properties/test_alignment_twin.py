"""Alignment equals a reading of its rules in plain loops, and obeys what follows from them."""

import math
from dataclasses import replace
from itertools import pairwise
from statistics import median

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from teachlab.data.alignment import measure, measure_alignment
from teachlab.data.alignment.crossings import Crossings, Reaches, rises
from teachlab.data.alignment.lags import fit_lags
from teachlab.data.alignment.shift import ClockShift, shifted
from teachlab.data.alignment.stretches import Bins, NearLight
from teachlab.model.recording import Block, Direction, Recording, RecordingInfo
from teachlab.model.truth import Truth

INFO = RecordingInfo(sample_rate_hz=1000.0, unit="counts", direction=Direction.RISE)


# --- twins -----------------------------------------------------------------------------------------


def plain_rising(light, border):
    """Every rise through half of the step between once below .35 and once at .65 of it."""
    outside = [x for x in light[:border] if not math.isnan(x)]
    behind = [x for x in light[border:] if not math.isnan(x)]
    if min(len(outside), len(behind)) < 2 or 2 * (len(outside) + len(behind)) < len(light):
        return []

    def step_of(outside, behind):
        base = median(outside)
        spread = 1.4826 * median(abs(x - base) for x in outside)
        top = median(behind)
        return base, spread, (top if 2 * (top - base) >= max(behind) - base else max(behind)) - base

    base, spread, step = step_of(outside, behind)
    if step <= 0:
        return []
    last = next(x for x in light if not math.isnan(x))
    held = []
    for x in light:
        last = last if math.isnan(x) else x
        held.append(last)
    width = min(int((spread / step / 0.08) ** 2), min(border, len(light) - border) // 8) // 2 * 2 + 1
    if width > 1:
        padded = [held[0]] * (width // 2) + held + [held[-1]] * (width // 2)
        held = [sum(padded[k : k + width]) / width for k in range(len(held))]
        base, spread, step = step_of(held[:border], held[border:])
    if step <= 0 or step <= 4 * spread:
        return []
    height = [(x - base) / step for x in held]
    # A mean that lies on a limit but for rounding may fall on either side of it.
    assume(width == 1 or not any(abs(h - limit) < 1e-9 for h in height for limit in (0.35, 0.5, 0.65)))
    found, low = [], None
    for k, h in enumerate(height):
        if h < 0.35:
            low = True
        elif h >= 0.65:
            if low:
                j = k
                while not height[j - 1] < 0.5:
                    j -= 1
                found.append(j - 1 + (0.5 - height[j - 1]) / (height[j] - height[j - 1]) + 0.5)
            low = False
    return found


def plain_nearest(crossings, place, back, forth):
    known = [(abs(c - place), c - place) for c in crossings]
    off = min(known)[1] if known else math.nan
    return off if -back <= off <= forth else math.nan


def plain_lags(start, end, begins, ends, reach, middle):
    """Four rounds of nearest crossings, median slope of all pairs of passes, and medians."""

    def pairs(points):
        return [(b[1] - a[1]) / (b[0] - a[0]) for k, a in enumerate(points) for b in points[k + 1 :]]

    def offsets(shift_begin, shift_end, rate):
        return (
            [
                plain_nearest(begins, p + shift_begin + rate * (p - middle), reach.before[k], reach.inside[k])
                for k, p in enumerate(start)
            ],
            [
                plain_nearest(ends, p + shift_end + rate * (p - middle), reach.inside[k], reach.after[k])
                for k, p in enumerate(end)
            ],
        )

    def mid(values):
        return median(v for v in values if not math.isnan(v))

    def rounds(shift, rate, drift):
        begin = finish = shift
        for _ in range(4):
            shift = (begin + finish) / 2
            a, b = offsets(shift, shift, rate)
            slope = 0.0
            if drift:
                points = []
                for k in range(len(start)):
                    both = [v for v in (a[k] - mid(a), b[k] - mid(b)) if not math.isnan(v)]
                    if both:
                        points.append(((start[k] + end[k]) / 2 - middle, sum(both) / len(both)))
                slope = median(pairs(points)) if len(points) >= 8 else 0.0
            begin = shift + mid([v - slope * (p - middle) for v, p in zip(a, start, strict=True)])
            finish = shift + mid([v - slope * (p - middle) for v, p in zip(b, end, strict=True)])
            rate += slope
        return begin, finish, rate

    return rounds, offsets


@settings(deadline=None)
@given(st.integers(0, 2**32 - 1))
def test_crossings_equal_plain_loops(seed):
    rng = np.random.default_rng(seed)
    borders = []
    for _ in range(rng.integers(1, 5)):
        size, border = int(rng.integers(4, 120)), int(rng.integers(1, 100))
        border = min(border, size - 1)
        edge = border + rng.normal(0, 3)
        light = 100 + 500 / (1 + np.exp(-(np.arange(size) - edge) / rng.uniform(0.2, 4)))
        light += rng.normal(0, rng.choice([0.0, 5.0, 60.0]), size)
        light[rng.random(size) < rng.choice([0.0, 0.1, 0.5])] = np.nan
        if rng.random() < 0.3:
            light = np.rint(light / 100) * 100
        borders.append((light.astype(rng.choice([np.float32, np.float64])), border))
    for (light, border), (places, _) in zip(borders, rises(borders), strict=True):
        assert places.tolist() == pytest.approx(plain_rising(light.tolist(), border), abs=1e-9)


@settings(deadline=None, max_examples=50)
@given(st.integers(0, 2**32 - 1))
def test_lags_equal_plain_loops(seed):
    rng = np.random.default_rng(seed)
    passes, samples = int(rng.integers(8, 25)), 10_000
    start = np.cumsum(rng.integers(150, 400, passes)).astype(float)
    end = start + rng.integers(40, 120, passes)
    rate, shift = rng.uniform(-1e-3, 1e-3), rng.uniform(-15, 15)
    true = ClockShift(samples, shift, rate)
    begins = np.sort((true.of(start) + rng.normal(0, 0.5, passes))[rng.random(passes) > 0.1])
    ends = np.sort((true.of(end) + 1 + rng.normal(0, 0.5, passes))[rng.random(passes) > 0.1])
    reach = Reaches.of(start, end, samples)
    found = fit_lags(start, end, Crossings(begins, ends, np.array([3.0]), passes), reach, ClockShift(samples))
    rounds, offsets = plain_lags(start, end, begins, ends, reach, samples / 2)
    begin, finish, slope = rounds(0.0, 0.0, True)
    assert found.rate == pytest.approx(slope, abs=1e-12)
    if found.shift.rate == 0.0:
        there = (begin + finish) / 2 + slope * (median(start) - samples / 2)
        begin, finish, _ = rounds(there, 0.0, False)
        slope = 0.0
    assert (found.begin, found.end) == pytest.approx((begin, finish), abs=1e-9)
    rest = [v for side in offsets(begin, finish, slope) for v in side if not math.isnan(v)]
    assert found.jitter == pytest.approx(1.4826 * median(abs(v - median(rest)) for v in rest), abs=1e-9)
    assert found.borders == len(rest)


# --- laws ------------------------------------------------------------------------------------------


def line(seed, passes=30, samples_before=300):
    rng = np.random.default_rng(seed)
    start = samples_before + np.cumsum(rng.integers(180, 320, passes)).astype(float) + rng.random(passes)
    end = start + rng.integers(60, 110, passes)
    samples = int(end[-1]) + 500
    at = np.arange(samples) + 0.5
    corners = np.stack([start - 3, start + 3, end - 3, end + 3], 1).ravel()
    light = 100 + np.interp(at, corners, np.tile([0.0, 800, 800, 0], passes)) + rng.normal(0, 8, samples)
    truth = Truth.from_arrays(np.rint(start), np.rint(end), uncertainty_samples=1.0)
    return light, truth


def facts(found):
    lags = found.lags
    return [
        lags.shift.shift,
        lags.rate,
        lags.begin,
        lags.end,
        lags.low,
        lags.high,
        lags.jitter,
        lags.borders,
        found.edge,
    ]


@settings(deadline=None, max_examples=20)
@given(st.integers(0, 1000), st.floats(0.1, 50), st.floats(-1000, 1000))
def test_gain_offset_and_mirror_change_nothing(seed, gain, offset):
    light, truth = line(seed)
    plain = facts(measure_alignment(Recording.from_array(light, INFO), truth))
    other = facts(measure_alignment(Recording.from_array(gain * light + offset, INFO), truth))
    assert other == pytest.approx(plain, rel=1e-6, abs=1e-6)
    dip = replace(INFO, direction=Direction.DIP)
    assert facts(measure_alignment(Recording.from_array(-light, dip), truth)) == pytest.approx(plain, abs=1e-6)
    unknown = measure_alignment(Recording.from_array(-light, replace(INFO, direction=None)), truth)
    assert unknown.direction is Direction.DIP
    assert facts(unknown) == pytest.approx(plain, abs=1e-6)


@pytest.mark.parametrize("kind", ["float32", "uint16", "int32"])
@pytest.mark.parametrize("direction", list(Direction))
def test_every_stored_type_is_measured_alike(kind, direction):
    light, truth = line(5)
    stored = np.rint(light if direction is Direction.RISE else 2000 - light).astype(kind)
    info = replace(INFO, direction=direction)
    plain = facts(measure_alignment(Recording.from_array(stored.astype(float), info), truth))
    assert facts(measure_alignment(Recording.from_array(stored, info), truth)) == pytest.approx(plain, abs=1e-6)


@settings(deadline=None, max_examples=20)
@given(st.integers(0, 1000), st.integers(-60, 60))
def test_truth_moved_by_whole_samples_lags_by_as_many(seed, by):
    light, truth = line(seed)
    recording = Recording.from_array(light, INFO)
    plain = measure_alignment(recording, truth)
    moved, left = shifted(truth, ClockShift(light.size, by))
    assert left == 0
    found = measure_alignment(recording, moved)
    assert found.lags.shift.shift == pytest.approx(plain.lags.shift.shift - by, abs=0.1)
    assert found.lags.jitter == pytest.approx(plain.lags.jitter, abs=0.05)


@settings(deadline=None, max_examples=25)
@given(st.integers(0, 1000), st.integers(-400, 400), st.sampled_from([1, -1]))
def test_a_shift_into_the_gaps_is_found_where_no_direction_is_stored(seed, by, side):
    """Late passes lie on gaps, and gaps turned over look like passes: the shift came out one pass length off."""
    light, truth = line(seed, samples_before=600)
    truth, left = shifted(truth, ClockShift(light.size, by))
    assume(left == 0)
    unknown = replace(INFO, direction=None)
    found = measure_alignment(Recording.from_array(side * light, unknown), truth)
    assert found.direction is (Direction.RISE if side > 0 else Direction.DIP)
    assert found.lags.shift.shift == pytest.approx(-by, abs=0.6)


def test_stretches_are_moved_with_the_passes_and_back():
    truth = replace(Truth.from_arrays([20, 60], [30, 70]), except_=((40, 50), (80, 98)))
    late, _ = shifted(truth, ClockShift(100, 5))
    assert late.except_ == ((0, 5), (45, 55), (85, 100))
    back, _ = shifted(late, ClockShift(100, -5))
    assert (back.except_, back.start.tolist()) == (((40, 50), (80, 100)), [20, 60])


@given(st.integers(0, 2**32 - 1))
def test_shifted_passes_stay_a_truth(seed):
    rng = np.random.default_rng(seed)
    cuts = np.unique(rng.integers(0, 400, 2 * int(rng.integers(1, 40))))
    cuts = cuts[: cuts.size // 2 * 2]
    truth = Truth.from_arrays(cuts[::2], cuts[1::2])
    shift = ClockShift(400, float(rng.uniform(-200, 200)), float(rng.uniform(-1e-2, 1e-2)))
    moved, left = shifted(truth, shift)
    assert moved.passes + left == truth.passes
    moved.check_inside(400)


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_light_near_a_pass_is_the_same_kept_or_read_again(sign: float) -> None:
    light = np.random.default_rng(0).normal(50, 5, 400)
    light[[7, 250]] = np.nan
    near = NearLight(Recording.from_array(light, RecordingInfo(sample_rate_hz=1000.0, unit="mV")), sign)
    for kept in (None, (100, 300), (0, 400)):
        if kept is not None:
            near.keep(*kept)
        for a, b in ((0, 10), (120, 280), (90, 110), (390, 400)):
            np.testing.assert_array_equal(near.read(a, b), sign * light[a:b])


@settings(deadline=None, max_examples=8)
@given(st.integers(0, 1000), st.integers(-40, 40))
def test_a_part_of_the_runs_tells_the_shift_of_a_long_recording(seed, by):
    light, truth = line(seed, passes=700)
    recording = Recording.from_array(light, INFO)
    moved, _ = shifted(truth, ClockShift(light.size, by))
    found = measure_alignment(recording, moved)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(measure, "KNOWN", 0.0)
        whole = measure_alignment(recording, moved)
    assert found.passes in (64, 128)
    assert whole.passes == 512
    assert abs(found.lags.shift.shift - whole.lags.shift.shift) < measure.KNOWN
    assert abs(whole.lags.shift.shift + by) < 1
    assert found.ambiguous == whole.ambiguous


def test_passes_that_scatter_are_examined_in_full():
    light, truth = line(3, passes=700)
    rng = np.random.default_rng(4)
    early = (truth.start + rng.integers(-12, 13, 700)).clip(0)
    found = measure_alignment(Recording.from_array(light, INFO), replace(truth, start=early))
    assert found.passes == 512


@pytest.mark.parametrize("seed", range(30))
def test_means_of_bins_are_those_of_a_plain_loop_in_whatever_blocks(seed: int) -> None:
    rng = np.random.default_rng(seed)
    light = rng.normal(100, 20, 90).astype(rng.choice([np.float32, np.float64]))
    invalid = rng.random(90) < rng.choice([0, 0.3, 0.9])
    start, stop = np.sort(rng.choice(91, 2, replace=False)).tolist()
    bins = Bins(start, stop, width := int(rng.integers(1, 12)))
    for a, b in pairwise([0, *np.sort(rng.choice(np.arange(1, 90), 4, replace=False)).tolist(), 90]):
        bins.push(Block(a, light[a:b].copy(), invalid[a:b] if invalid.any() else None))
    for k, found in enumerate(bins.means().tolist()):
        of = [light[j] for j in range(start + k * width, min(start + (k + 1) * width, stop)) if not invalid[j]]
        assert np.isnan(found) if not of else found == pytest.approx(sum(map(float, of)) / len(of), rel=1e-5)
