"""Quality of a recording: worked by hand."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from teachlab.data.quality import scan
from teachlab.data.quality.report import inspect_recording
from teachlab.data.quality.separability import best_level
from teachlab.data.recording_files import read_recording, write_recording
from teachlab.errors import ParameterError, RecordingError, TruthError
from teachlab.light.noise import Selection
from teachlab.model.recording import Block, Direction, Recording, RecordingInfo
from teachlab.model.score import Rules
from teachlab.model.truth import Truth

INFO = RecordingInfo(sample_rate_hz=1000.0, unit="counts", full_scale=100)


def line(objects=(50, 60, 55), background=10, length=10, info=INFO, dtype=np.uint16):
    """Passes of `length` samples with gaps as long, beginning with a gap."""
    parts = [np.full(length, background)]
    for level in objects:
        parts += [np.full(length, level), np.full(length, background)]
    start = length * (1 + 2 * np.arange(len(objects)))
    light = np.concatenate(parts).astype(dtype)
    return Recording.from_array(light, info), Truth.from_arrays(start, start + length)


def test_a_clean_rise():
    recording, truth = line()
    quality = inspect_recording(recording, truth)
    assert (quality.samples, quality.seconds, quality.sample_rate_hz) == (70, 0.07, 1000.0)
    assert (quality.invalid, quality.saturated, quality.low, quality.high) == (0.0, 0.0, 10.0, 60.0)
    assert (quality.direction, quality.direction_stored) == (Direction.RISE, False)
    assert (quality.passes, quality.detect_passes, quality.ignore_passes, quality.gaps) == (3, 3, 0, 4)
    assert (quality.background, quality.contrast) == (10.0, 45.0)
    assert quality.noise.step == 5.0
    assert quality.noise.object == quality.noise.background == pytest.approx(5 / math.sqrt(12))
    parts = quality.separability
    assert quality.separable is True
    assert (parts.level, parts.lost, parts.tripped, parts.passes, parts.gaps) == (30.0, 0, 0, 3, 4)
    assert (parts.weakest_pass.row, parts.weakest_pass.peak, parts.strongest_gap.peak) == (0, 50.0, 10.0)


def test_a_dip_has_a_negative_contrast():
    recording, truth = line(objects=(20, 5, 30), background=80)
    quality = inspect_recording(recording, truth)
    assert (quality.direction, quality.contrast, quality.separable) == (Direction.DIP, -60.0, True)
    assert (quality.separability.weakest_pass.peak, quality.separability.level) == (30.0, 55.0)


def test_the_stored_direction_wins():
    recording, truth = line(info=RecordingInfo(sample_rate_hz=1000.0, unit="counts", direction=Direction.DIP))
    quality = inspect_recording(recording, truth)
    assert (quality.direction, quality.direction_stored, quality.separable) == (Direction.DIP, True, False)
    assert quality.contrasts.direction is Direction.RISE
    assert quality.saturated is None


def test_ambiguous_direction_claims_nothing():
    light = np.array([10, 10, 20, 0, 10, 10, 20, 0, 10, 10])
    quality = inspect_recording(Recording.from_array(light, INFO), Truth.from_arrays([2, 6], [4, 8]))
    assert (quality.direction, quality.contrast, quality.separable) == (None, None, None)
    assert quality.contrasts.ratio == 1.0


def test_who_is_in_the_way():
    recording, truth = line(objects=(50, 12, 55))
    light = recording.read(0, 70).light.copy()
    light[45] = 14  # in the gap after the second pass
    quality = inspect_recording(Recording.from_array(light, INFO), truth)
    parts = quality.separability
    assert quality.separable is False
    assert (parts.lost, parts.tripped) == (1, 0)
    assert [(p.row, p.start, p.stop, p.peak) for p in parts.lost_passes] == [(1, 30, 40, 12.0)]
    assert (parts.strongest_gap.start, parts.strongest_gap.stop, parts.strongest_gap.peak) == (40, 50, 14.0)
    assert parts.level == 32.0


def test_passes_to_ignore_count_as_gaps():
    recording, truth = line(objects=(50, 52, 55))
    seam = Truth.from_arrays(truth.start, truth.end, detect=[True, False, True], label=["jar", "seam", "jar"])
    quality = inspect_recording(recording, seam)
    parts = quality.separability
    assert (quality.separable, parts.lost, parts.tripped) == (False, 0, 1) or (parts.lost, parts.tripped) == (1, 0)
    assert (parts.strongest_gap.row, parts.strongest_gap.label, parts.strongest_gap.peak) == (1, "seam", 52.0)
    assert quality.contrast == 42.5


def test_what_scoring_leaves_out_is_left_out_here():
    recording, _ = line(objects=(50, 60, 55))
    cut = Truth.from_arrays([0, 30, 50], [20, 40, 60])  # the first pass is cut by the record
    assert inspect_recording(recording, cut).separability.passes == 2
    light = np.ma.masked_array(recording.read(0, 70).light)
    light[31:38] = np.ma.masked  # seven in a row: the 6th and 7th are void
    _, truth = line()
    parts = inspect_recording(Recording.from_array(light, INFO), truth).separability
    assert (parts.passes, parts.gaps) == (2, 4)
    light.mask[31:38] = [1, 1, 1, 1, 1, 0, 0]
    assert inspect_recording(Recording.from_array(light, INFO), truth).separability.passes == 3


def test_tolerance_widens_the_windows():
    recording, truth = line()
    late = Truth.from_arrays(truth.start + 4, truth.end + 4)
    assert inspect_recording(recording, late).separable is False
    assert inspect_recording(recording, late, rules=Rules(tolerance_ms=4)).separable is True
    with pytest.raises(ParameterError, match="at least 0 ms"):
        inspect_recording(recording, truth, rules=Rules(tolerance_ms=-1))


def test_invalid_and_saturated_shares():
    light = np.array([0.0, -1.0, 50.0, 100.0, 101.0, np.nan, 20.0, 30.0])
    quality = inspect_recording(Recording.from_array(light, INFO, invalid=np.arange(8) == 7))
    assert (quality.invalid, quality.saturated) == (0.25, 0.5)
    assert (quality.passes, quality.separable, quality.contrast, quality.direction) == (None, None, None, None)
    assert (quality.noise.object, quality.noise.background) == (None, None)


def test_nothing_valid_or_passes_outside_are_errors():
    with pytest.raises(RecordingError, match="none of the 3 samples is valid"):
        inspect_recording(Recording.from_array(np.full(3, np.nan), INFO))
    with pytest.raises(TruthError, match="outside the recording of 70 samples"):
        inspect_recording(line()[0], Truth.from_arrays([60], [71]))


def test_infinite_samples_are_samples():
    light = np.array([1.0, np.inf, np.inf, 1.0, -np.inf, 2.0])
    quality = inspect_recording(Recording.from_array(light, INFO), Truth.from_arrays([1], [3]))
    assert (quality.high, quality.low, quality.separable) == (np.inf, -np.inf, True)


def test_drift_is_found_with_its_slope():
    n = 200_000
    light = 100 + np.linspace(0, 20, n)
    start = np.arange(500, n - 500, 1000)
    for a in start:
        light[a : a + 200] += 50
    info = RecordingInfo(sample_rate_hz=1000.0, unit="mV")
    quality = inspect_recording(Recording.from_array(light, info), Truth.from_arrays(start, start + 200))
    drift = quality.drift
    assert len(drift.blocks) == 20
    per_hour = 20 / (200 / 3600)  # 20 mV in 200 s
    assert drift.background_per_hour == pytest.approx(per_hour, rel=0.01)
    assert drift.object_per_hour == pytest.approx(per_hour, rel=0.01)
    assert drift.blocks[0].background == pytest.approx(100.5, abs=0.1)
    assert drift.blocks[19].stop_s == 200.0


def test_a_file_and_an_array_say_the_same(tmp_path):
    rng = np.random.default_rng(3)
    n = 300_000
    light = rng.normal(20, 2, n).astype(np.float32)
    start = np.arange(700, n - 700, 1000)
    for a in start:
        light[a : a + 300] += 40
    light[rng.integers(0, n, 500)] = np.nan
    truth = Truth.from_arrays(start, start + 300)
    recording = Recording.from_array(light, INFO, name="r")
    write_recording(tmp_path / "r.parquet", recording)
    assert inspect_recording(read_recording(tmp_path / "r.parquet"), truth) == inspect_recording(recording, truth)


def test_best_level_prefers_the_widest_room():
    assert best_level(np.array([20.0, 60.0]), np.array([10.0, 25.0])) == (42.5, 1, 0)
    assert best_level(np.array([5.0]), np.array([10.0]))[1:] in {(1, 0), (0, 1)}


@settings(deadline=None, max_examples=200)
@given(st.integers(0, 2**32 - 1))
def test_levels_and_steps_of_stretches_equal_plain_loops(seed: int) -> None:
    """What is invalid or infinite is left out, and so are the steps to and from it, also across blocks."""
    rng = np.random.default_rng(seed)
    size = int(rng.integers(1, 60))
    light = rng.normal(0, 1, size)
    light[rng.random(size) < rng.choice([0.0, 0.1, 0.5])] = np.inf
    invalid = rng.random(size) < rng.choice([0.0, 0.1, 0.9])
    borders = (
        np.sort(rng.choice(size + 1, 2 * int(rng.integers(0, 1 + (size + 1) // 2)), replace=False)).reshape(-1, 2).T
    )
    levels, steps = Selection(), Selection()
    last = np.nan
    for part in np.array_split(np.arange(size), int(rng.integers(1, 5))):
        if part.size:
            some = invalid[part] if invalid[part].any() else None
            block = Block(int(part[0]), light[part], some)
            sound = some is None and bool(np.isfinite(light[part]).all())
            seen = scan._Light(block, some, last, sound=sound)
            last = seen.last
            seen.select(levels, borders)
            seen.select(steps, borders, steps=True)
    fine = np.isfinite(light) & ~invalid
    inside = [k for a, b in borders.T.tolist() for k in range(a, b)]
    assert levels.values().tolist() == [light[k] for k in inside if fine[k]]
    assert steps.values().tolist() == [light[k] - light[k - 1] for k in inside if k and fine[k] and fine[k - 1]]
