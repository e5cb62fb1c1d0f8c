"""Proposed passes: by hand, and against passes known from elsewhere."""

import numpy as np
import pytest

from teachlab.data.quality.labelling import propose_passes, two_levels
from teachlab.data.quality.pass_doubts import doubts_and_places, reconcile
from teachlab.errors import ParameterError, RecordingError
from teachlab.model.recording import Direction, Recording, RecordingInfo
from teachlab.model.truth import TruthSource

INFO = RecordingInfo(sample_rate_hz=1000.0, unit="mV")


def line(seed=1, background=10.0, level=60.0, noise=2.0, passes=40):
    rng = np.random.default_rng(seed)
    light = [np.full(300, background)]
    borders, at = [], 300
    for _ in range(passes):
        length, gap = int(rng.integers(80, 120)), int(rng.integers(200, 400))
        borders.append((at, at + length))
        light += [np.full(length, level), np.full(gap, background)]
        at += length + gap
    clean = np.concatenate(light)
    return clean + rng.normal(0, noise, clean.size), np.array(borders)


@pytest.mark.parametrize(("background", "level", "direction"), [(10, 60, "rise"), (80, 15, "dip")])
def test_passes_are_found_in_both_directions(background, level, direction):
    light, borders = line(background=background, level=level)
    found = propose_passes(Recording.from_array(light, INFO))
    assert (found.direction, found.direction_from) == (direction, "the rarer level")
    assert found.truth.source is TruthSource.SELF_LABELLED
    assert np.array_equal(np.column_stack([found.truth.start, found.truth.end]), borders)
    assert (found.levels.low, found.levels.high) == pytest.approx(sorted([background, level]), abs=0.5)


def test_borders_lie_at_half_of_an_edge():
    ramp = np.linspace(0, 100, 21)[1:-1]  # reaches 50 at its 10th sample
    light = np.concatenate([np.zeros(500), ramp, np.full(100, 100.0), ramp[::-1], np.zeros(500)])
    found = propose_passes(Recording.from_array(light, INFO))
    assert (found.truth.start.tolist(), found.truth.end.tolist()) == ([509], [629])
    assert found.truth.uncertainty_samples == 2  # from 50 % to the switch at 60 % of the edge: two samples


def test_noise_on_slow_edges_widens_the_doubt_of_borders():
    """Edges of 24 samples, noise of 7 % of their height: half of the borders lie 2 samples off, some 4."""
    clean, borders = line(noise=0.0)
    slow = np.convolve(np.pad(clean, 12, mode="edge"), np.full(25, 1 / 25), "valid")
    for seed in range(4):
        light = slow + np.random.default_rng(seed).normal(0, 3.5, slow.size)
        for values in (light, 100 - light):
            found = propose_passes(Recording.from_array(values, INFO)).truth
            off = np.abs(np.column_stack([found.start, found.end]) - borders)
            assert np.mean(off <= found.uncertainty_samples) >= 0.95
            assert found.uncertainty_samples <= 6


def test_light_that_begins_between_two_levels_is_no_object_yet():
    """Of objects that dip as of those that raise the light: from 0 to 100, at 55 and at 10 at the begin."""
    gap, object_ = np.zeros(200), np.full(50, 100.0)
    for begin in (55.0, 10.0):
        light = np.concatenate([np.full(30, begin), gap, object_, gap, object_, gap])
        for values, direction in ((light, Direction.RISE), (100 - light, Direction.DIP)):
            found = propose_passes(Recording.from_array(values, INFO), direction=direction)
            assert (found.truth.start.tolist(), found.faint.tolist()) == ([230, 480], [[0, 30]] if begin > 50 else [])


def test_spikes_and_holes_are_smoothed_away():
    light, borders = line(noise=1.0)
    light[borders[3, 0] - 100 : borders[3, 0] - 95] = 60  # a spike of 5 ms in a gap
    light[borders[5, 0] + 20 : borders[5, 0] + 24] = 10  # a hole of 4 ms in a pass
    recording = Recording.from_array(light, INFO)
    found = propose_passes(recording)
    assert (found.truth.passes, found.shortest_samples >= 7) == (40, True)
    assert found.dropped == 2
    assert propose_passes(recording, min_ms=2).truth.passes == 42
    assert propose_passes(recording, min_ms=4.5).truth.passes == 41


def test_what_was_nearly_a_pass_is_a_likelier_product_than_the_longest_gap():
    """9 of 10 samples of light score 0.95; a gap without two products 0.9 at most, however long it is."""
    light, borders = line(noise=1.0)
    light[borders[20, 0] : borders[22, 1]] = 10
    light[borders[30, 0] - 100 : borders[30, 0] - 91] = 60
    recording = Recording.from_array(light, INFO)
    found = propose_passes(recording, min_ms=10)
    check = reconcile(recording, found, *doubts_and_places(recording, found), 39)
    assert [round(one.score, 2) for one in check.places] == [0.95, 0.9]
    assert [one.sample for one in check.places] == [borders[30, 0] - 100, borders[19, 1]]
    assert check.places[0].text == "9 ms of light, smoothed away as too short"


def test_the_stored_direction_and_a_given_one_win():
    light, _ = line(passes=10)
    stored = RecordingInfo(sample_rate_hz=1000.0, unit="mV", direction=Direction.DIP)
    found = propose_passes(Recording.from_array(light, stored))
    assert (found.direction, found.direction_from, found.truth.passes) == (Direction.DIP, "stored", 11)
    found = propose_passes(Recording.from_array(light, stored), direction=Direction.RISE)
    assert (found.direction, found.direction_from, found.truth.passes) == (Direction.RISE, "given", 10)


def test_a_direction_that_is_not_clear_is_asked_for():
    light = np.tile(np.repeat([10.0, 60.0], 100), 10)
    with pytest.raises(ParameterError, match=r"50 % .* 50 % of the time. Give --direction"):
        propose_passes(Recording.from_array(light, INFO))


@pytest.mark.parametrize(
    ("light", "message"),
    [
        (np.full(100, 7.0), "every sample is 7 mV"),
        (np.full(100, np.nan), "no valid sample"),
        (np.random.default_rng(1).normal(50, 5, 20_000), "times the sum of their spreads apart"),
        (np.random.default_rng(1).uniform(0, 100, 20_000), "times the sum of their spreads apart"),
        (np.random.default_rng(1).exponential(5, 20_000), "times the sum of their spreads apart"),
        (np.array([3.0]), "every sample is 3 mV"),
    ],
)
def test_light_without_two_levels_is_refused(light, message):
    with pytest.raises(RecordingError, match=message):
        propose_passes(Recording.from_array(light, INFO))


def test_a_few_wild_samples_do_not_decide():
    light, _ = line(noise=1.0)
    light[[5, 105]] = 1e6
    assert propose_passes(Recording.from_array(light, INFO)).truth.passes == 40


def test_the_split_is_that_of_scikit_image():
    filters = pytest.importorskip("skimage.filters")
    rng = np.random.default_rng(4)
    counts = np.concatenate([rng.normal(60, 8, 8000), rng.normal(150, 12, 1500)]).round().clip(0, 255)
    expected = filters.threshold_otsu(counts.astype(np.uint8))  # the largest level of the lower side
    kept = np.sort(counts)[2:-2]
    assert two_levels(counts, "counts").split == kept[kept > expected].min()


def test_min_ms_must_not_be_negative():
    with pytest.raises(ParameterError, match="at least 0 ms"):
        propose_passes(Recording.from_array(line()[0], INFO), min_ms=-1)
