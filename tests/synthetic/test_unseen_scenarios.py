"""Lines that do not ship, written in TOML alone: what they claim is in the light."""

from pathlib import Path

import numpy as np
import pytest

from teachlab.model.setting import Polarity, Setting
from teachlab.scoring import score
from teachlab.switching import replay
from teachlab.synthetic import explain, generate, load_scenario

FOLDER = Path(__file__).parent / "unseen"
PERCENT = 40.95  # counts per percent of full scale


def make(name, passes, seed=1, **stress):
    return generate(load_scenario(FOLDER / f"{name}.toml"), passes, seed=seed, **stress)


def peaks(recording, truth, reduce=np.nanmax):
    x = recording.read(0, recording.samples).as_float()
    return np.array([reduce(x[a:b]) for a, b in zip(truth.start, truth.end, strict=True)])


def scored(recording, truth, on, off, **how):
    setting = Setting(unit="counts", on_level=on * PERCENT, off_level=off * PERCENT, **how)
    return score(replay(recording, setting), truth)


def test_bright_lids_saturate_and_the_scuffed_ones_are_rare():
    recording, truth = make("bright_lids", 3000)
    scuffed = truth.label == "scuffed lid"
    top = peaks(recording, truth)
    assert scuffed.mean() == pytest.approx(0.03, abs=0.012)
    assert np.mean(top[~scuffed] == 4095) > 0.98
    assert np.median(top[scuffed]) / PERCENT == pytest.approx(38, rel=0.1)
    # halfway between belt and saturation: the lids are seen, the scuffed class is lost
    outcome = scored(recording, truth, 56, 50)
    assert outcome.counts.misses == pytest.approx(scuffed.sum(), abs=6)


def test_no_single_threshold_for_product_on_both_sides_of_the_belt():
    recording, truth = make("brighter_and_darker", 600)
    assert recording.info.direction is None
    white, black = truth.label == "white", truth.label == "black"
    assert peaks(recording, truth)[white].min() > 45 * PERCENT
    assert peaks(recording, truth, np.nanmin)[black].max() < 15 * PERCENT
    for on, polarity in ((45, Polarity.LIGHT_ON), (16, Polarity.DARK_ON)):
        outcome = scored(recording, truth, on, on - 1, polarity=polarity)
        assert 0.4 < outcome.lost_rate.estimate < 0.6
        assert outcome.counts.false_trips == 0


def test_misses_arrive_in_lots():
    recording, truth = make("misses_in_lots", 6000)
    lost = peaks(recording, truth) < 17 * PERCENT
    by_lot = lost.reshape(-1, 50).mean(axis=1)
    p = lost.mean()
    assert 0.005 < p < 0.2
    # the spread between lots is many times what independent passes would give
    assert by_lot.var() > 20 * p * (1 - p) / 50
    assert np.mean(by_lot == 0) > 0.5
    assert truth.lot is not None
    assert len(set(truth.lot)) == 120


def test_cleats_trip_in_gaps_and_can_be_ignore_passes():
    recording, truth = make("cleated_belt", 800)
    cleat = truth.label == "cleat"
    assert not truth.detect[cleat].any()
    assert cleat.sum() > 200
    # 8 + 11 percent
    assert np.median(peaks(recording, truth)[cleat]) / PERCENT == pytest.approx(19, abs=0.5)
    low, high = scored(recording, truth, 13, 12.5), scored(recording, truth, 21.5, 21)
    assert low.counts.ignore_false_trips > 0.8 * cleat.sum()
    # a cleat that all but touches a bag shares the window in which the bag's edge crosses
    assert high.counts.ignore_false_trips <= 0.01 * cleat.sum()
    assert high.lost_rate.estimate < 0.05


def test_condensation_lowers_objects_and_raises_the_belt():
    recording, truth = make("condensation", 400)
    seconds = truth.start / 1000
    dew = (seconds > 85) & (seconds < 125)
    dry = seconds < 55
    top = peaks(recording, truth, np.nanmedian) / PERCENT
    x = recording.light[0 : recording.samples] / PERCENT
    between = np.array([np.median(x[a - 60 : a - 20]) for a in truth.start])
    assert np.median(top[dry]) == pytest.approx(30, abs=0.6)
    assert np.median(top[dew]) == pytest.approx(30 * 0.45 + 6, abs=0.6)
    assert np.median(between[dew]) == pytest.approx(9 * 0.45 + 6, abs=0.2)
    outcome = scored(recording, truth, 24, 22)
    late = outcome.counts.misses
    assert late == pytest.approx(((seconds > 75) & (seconds < 135)).sum(), abs=30)


def test_touching_products_dropouts_and_a_slow_controller():
    recording, truth = make("slow_controller", 1500)
    assert "scan 20 ms" in recording.info.notes
    touching = truth.end[:-1] == truth.start[1:]
    assert touching.mean() == pytest.approx(0.06, abs=0.02)
    invalid = recording.read(0, recording.samples).invalid
    assert invalid.mean() == pytest.approx(0.008, rel=0.2)
    outcome = scored(recording, truth, 45, 40, polarity=Polarity.DARK_ON)
    counts = outcome.counts
    # a product that touches the one before has no onset of its own
    assert counts.merged == pytest.approx(touching.sum(), abs=12)
    assert counts.excluded_passes > 0
    # shorter than scan and filter: many gaps are invisible to the controller
    gaps_ms = (truth.start[1:] - truth.end[:-1])[~touching]
    assert np.mean(gaps_ms < 25) > 0.2


@pytest.mark.parametrize("path", sorted(FOLDER.glob("*.toml")), ids=lambda p: p.stem)
def test_each_can_be_explained(path):
    words = explain(load_scenario(path))
    assert words.splitlines()[0]
    assert "Object" in words
