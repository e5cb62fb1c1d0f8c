"""Counts by lot against a plain loop, trials left out of claims, and where errors lie."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import beta

from teachlab.light.repeats import repeated_stretches
from teachlab.model.draws import Costs
from teachlab.model.recording import Recording, RecordingInfo
from teachlab.model.score import Outcome, Trials
from teachlab.model.setting import Setting
from teachlab.model.truth import Truth, TruthSource
from teachlab.questions.stress.reserves import reserves
from teachlab.questions.verdict.claim_words import few_lots_text
from teachlab.scoring.claimable import joined_where, touching_merges
from teachlab.scoring.claims import LotCounts, errors_claim, lot_counts, paired_costs, trips_claim
from teachlab.scoring.error_places import error_places
from teachlab.scoring.scoring import score
from teachlab.statistics.lots import Source
from teachlab.switching.run import replay

H, M, G, X, Q, T = (int(o) for o in (
    Outcome.HIT, Outcome.MISS, Outcome.MERGED, Outcome.EXCLUDED, Outcome.QUIET, Outcome.TRIPPED,
))  # fmt: skip


def passes_of(count: int, lots: int = 0, labels: list[str] | None = None) -> Truth:
    start = 10 + 20 * np.arange(count)
    lot = [f"L{k * lots // count}" for k in range(count)] if lots else None
    return Truth.from_arrays(start, start + 10, lot=lot, label=labels)


def trials_of(outcomes: list[int], gap_onsets: list[int], first: int = 0) -> Trials:
    passes = np.array(outcomes, np.int8)
    gaps = np.array(gap_onsets)
    return Trials(
        passes=passes, pass_onsets=(passes == H).astype(np.int64), gaps=np.where(gaps > 0, T, Q).astype(np.int8),
        gap_onsets=gaps.astype(np.int64), gap_after=first - 1 + np.arange(gaps.size) + (first > 0), first_pass=first,
    )  # fmt: skip


@given(st.lists(st.tuples(st.sampled_from([H, M, G, X]), st.integers(0, 3)), min_size=30, max_size=80))
def test_counts_by_lot_are_those_of_a_plain_loop(rows: list[tuple[int, int]]) -> None:
    outcomes, onsets = [o for o, _ in rows], [0, *(n for _, n in rows)]
    truth = passes_of(len(rows), lots=6)
    found = lot_counts(truth, trials_of(outcomes, onsets))
    if found.source is not Source.LOTS:
        return  # too many were excluded for five lots
    assert truth.lot is not None
    for k in range(6):
        mine = [j for j in range(len(rows)) if truth.lot[j] == f"L{k}"]
        assert found.passes[k] == sum(outcomes[j] != X for j in mine)
        assert found.lost[k] == sum(outcomes[j] in (M, G) for j in mine)
        # A gap is that of the pass before it; the first gap is that of the first pass.
        assert found.trips[k] == sum(onsets[j + 1] for j in mine) + (onsets[0] if k == 0 else 0)
    assert found.errors(Costs(miss=2, false=3)).sum() == 2 * found.lost.sum() + 3 * found.trips.sum()


@given(st.sets(st.integers(0, 59), max_size=20), st.integers(0, 59), st.integers(0, 25))
def test_a_pass_that_is_no_trial_on_losses_needs_no_lot(ignored: set[int], unscored: int, first: int) -> None:
    named = passes_of(60, lots=6)
    assert named.lot is not None
    lot, detect = named.lot.copy(), np.ones(60, bool)
    detect[sorted(ignored)] = False
    lot[~detect] = lot[unscored] = ""
    truth = Truth.from_arrays(named.start, named.end, detect=detect, lot=lot)
    outcomes = [X if k == unscored else H for k in range(first, 60)]
    found = lot_counts(truth, trials_of(outcomes, [0] * (60 - first), first=first))
    scored = [k for k in range(first, 60) if detect[k] and k != unscored]
    lots = list(dict.fromkeys(str(lot[k]) for k in scored))
    if found.source is not Source.LOTS:
        # Too few are left of some lots.
        assert sum(sum(lot[k] == name for k in scored) >= 5 for name in lots) < 6
        return
    assert found.passes.tolist() == [sum(lot[k] == name for k in scored) for name in lots]
    assert [str(lot[k]) for k in found.first_pass] == lots
    assert found.whole.tolist() == [name not in lot[:first] for name in lots]


def test_a_missing_lot_is_told_as_such() -> None:
    named = passes_of(60, lots=6)
    assert named.lot is not None
    lot = named.lot.copy()
    lot[7] = ""
    truth = Truth.from_arrays(named.start, named.end, lot=lot)
    counts = lot_counts(truth, trials_of([H] * 60, [0] * 61))
    assert counts.source is Source.BLOCKS
    assert few_lots_text(counts, truth) == (
        "For this recording alone: 1 pass has no lot, so none counts. "
        "To claim more, name the lot of every pass in the table of passes."
    )
    assert "no lots are named" in few_lots_text(counts, passes_of(60))
    # Lots of self-labelled passes support no claim: "To claim more, name 5" was no help.
    assert few_lots_text(counts, passes_of(60)).endswith(" in the table of passes.")
    labelled = replace(passes_of(60), source=TruthSource.SELF_LABELLED)
    assert few_lots_text(counts, labelled) == "For this recording alone: no lots are named."


def test_without_a_pass_there_is_no_lot_and_nothing_is_counted() -> None:
    found = lot_counts(passes_of(3), trials_of([], [], first=3))
    assert (found.passes.size, found.lost.size, found.trips.size, found.named_lots) == (0, 0, 0, 0)
    assert found.bound().mean is None


def test_stretches_stand_in_for_lots_that_nobody_named() -> None:
    found = lot_counts(passes_of(60), trials_of([H] * 59 + [M], [0] * 61))
    assert (found.source, found.named_lots, found.passes.tolist()) == (Source.BLOCKS, 0, [6] * 10)
    assert found.lost.tolist() == [0] * 9 + [1]
    few = lot_counts(passes_of(60, lots=4), trials_of([H] * 60, [0] * 61))
    assert (few.source, few.named_lots) == (Source.BLOCKS, 4)


def test_a_lot_that_began_before_the_scored_passes_is_not_whole() -> None:
    truth = passes_of(60, lots=12)
    late = trials_of([H] * 37, [0] * 37, first=23)
    found = lot_counts(truth, late)
    assert found.whole.tolist() == [False] + [True] * 7
    lost = trials_of([M, M] + [H] * 35, [0] * 37, first=23)
    # Both losses lie in the lot that is cut, which orders nothing.
    assert paired_costs(truth, lost, late).values.tolist() == [0.0] * 7


def _counts(lost: np.ndarray, trips: np.ndarray, size: int) -> LotCounts:
    none, of = np.zeros_like(lost), np.full(lost.size, size)
    return LotCounts(
        source=Source.LOTS, named_lots=lost.size, first_pass=size * np.arange(lost.size), whole=of > 0, passes=of,
        lost=lost, gaps=of, tripped=np.minimum(trips, 1), trips=trips, extra=none, ignore_trips=none,
    )  # fmt: skip


def test_errors_are_bounded_by_lots_and_a_lot_with_more_than_passes_is_lost() -> None:
    found = errors_claim(_counts(np.array([1, 0, 0, 0, 2]), np.array([0, 0, 30, 0, 1]), 20))
    assert found.upper == pytest.approx(float(beta.ppf(0.95, 1 / 20 + 1 + 3 / 20 + 1, 5 - 1 - 4 / 20)))


@pytest.mark.parametrize("lots", [20, 40, 80])
def test_errors_in_bursts_are_seldom_bounded_below_what_they_are(lots: int) -> None:
    """6 % in bursts of 50 on average: Student's bound lay below 5 % in 15 to 22 of 100 lines."""
    rng = np.random.default_rng(lots)
    low = student = 0
    for _ in range(400):
        bad, outcomes = bool(rng.random() < 0.06), []
        for chance in rng.random(50 * lots).tolist():
            bad = chance >= 1 / 50 if bad else chance < 0.06 / 0.94 / 50
            outcomes.append(bad)
        counts = _counts(np.array(outcomes).reshape(lots, 50).sum(axis=1), np.zeros(lots, np.int64), 50)
        low += sum(outcomes) > 0 and errors_claim(counts).upper <= 0.05
        student += sum(outcomes) > 0 and counts.bound().upper <= 0.05
    assert low <= 20
    assert student > 40


def test_a_burst_counts_as_one_lot_with_trips() -> None:
    onsets = [0] * 61
    onsets[5] = 67
    found = trips_claim(lot_counts(passes_of(60, lots=12), trials_of([H] * 60, onsets)))
    assert (found.events, found.trials) == (1, 12)


def test_errors_that_lie_in_one_place_are_named_the_largest_first() -> None:
    onsets = [0] * 61
    onsets[18], onsets[40] = 65, 2
    outcomes = [H] * 60
    for k in (30, 31, 33):
        outcomes[k] = M
    trips, losses = error_places(passes_of(60), trials_of(outcomes, onsets))
    assert (trips.what, trips.where, trips.count, trips.of, trips.first_pass) == ("trips", "gap", 65, 67, 17)
    assert trips.first_sample == 10 + 20 * 17 + 10
    assert (losses.where, losses.count, losses.first_pass, losses.last_pass) == ("stretch", 3, 30, 33)


@pytest.mark.parametrize(("where", "name"), [("lot", "L2"), ("label", "dull")])
def test_errors_of_one_lot_or_kind_are_named_so(where: str, name: str) -> None:
    labels = ["dull" if k % 5 == 0 else "bright" for k in range(60)]
    truth = passes_of(60, lots=3 if where == "lot" else 0, labels=labels)
    struck = range(40, 60, 4) if where == "lot" else range(0, 60, 5)
    outcomes = [M if k in struck else H for k in range(60)]
    (place,) = error_places(truth, trials_of(outcomes, [0] * 61))
    assert (place.where, place.name, place.count) == (where, name, len(struck))


@pytest.mark.parametrize(("lots", "name"), [(6, "L3"), (0, "")])
def test_a_stretch_reaches_as_far_as_its_errors_and_names_its_lot(lots: int, name: str) -> None:
    outcomes = [M if 30 <= k < 40 else H for k in range(60)]
    (place,) = error_places(passes_of(60, lots=lots), trials_of(outcomes, [0] * 61))
    assert (place.where, place.count, place.first_pass, place.last_pass, place.name) == ("stretch", 10, 30, 39, name)


def test_a_long_stretch_is_a_place_where_nearly_every_pass_of_it_goes_wrong() -> None:
    """From pass 36 on, 24 of 60: a place; every second one of them, and three in all: none."""
    late = [M if k >= 36 else H for k in range(60)]
    (place,) = error_places(passes_of(60), trials_of(late, [0] * 61))
    assert (place.where, place.count, place.first_pass, place.last_pass) == ("stretch", 24, 36, 59)
    half = [M if k >= 36 and k % 2 else H for k in range(60)]
    assert error_places(passes_of(60), trials_of(half, [0] * 61)) == []


def test_errors_that_lie_everywhere_have_no_place() -> None:
    outcomes = [M if k % 7 == 0 else H for k in range(60)]
    assert error_places(passes_of(60), trials_of(outcomes, [0] * 61)) == []


def test_only_a_merge_with_the_pass_that_is_touched_is_left_out() -> None:
    truth = Truth.from_arrays([0, 10, 30, 50], [10, 20, 40, 60])
    assert touching_merges(truth, trials_of([H, G, G, M], [0] * 5)).tolist() == [False, True, False, False]


def test_passes_that_touch_are_one_pass_to_a_reserve() -> None:
    truth = Truth.from_arrays([0, 10, 20, 50], [10, 20, 30, 60], label=["a", "b", "c", "d"])
    found = joined_where(truth, np.array([1, 2]))
    assert (found.start.tolist(), found.end.tolist(), found.label.tolist()) == ([0, 50], [30, 60], ["a", "d"])
    # Pairs of touching tiles: the second always merges, and that is no reason to have no reserve.
    start = np.array([50, 90, 250, 290, 450, 490])
    light = np.full(700, 10.0)
    light[50:130] = light[250:330] = light[450:530] = 50.0
    light += np.random.default_rng(2).normal(0, 0.1, light.size)
    tiles = Truth.from_arrays(start, start + 40)
    recording = Recording.from_array(light, RecordingInfo(sample_rate_hz=100.0, unit="V"))
    setting = Setting(unit="V", on_level=30, off_level=28)
    scored = score(replay(recording, setting), tiles)
    assert scored.counts.merged == 3
    reserve = reserves(recording, tiles, setting, scored=scored)["contamination_reserve"]
    # The pass falls to the on-level of 30 at 30/50 of its light.
    assert reserve == pytest.approx(0.4, abs=0.01)


def test_copies_are_found_and_flat_light_is_none() -> None:
    rng = np.random.default_rng(3)
    light = rng.integers(100, 4000, 400).astype(np.uint16)
    light[200:250] = light[100:150]
    light[300:400] = 7
    recording = Recording.from_array(light, RecordingInfo(sample_rate_hz=1.0, unit="counts", full_scale=4095))
    start, stop = np.array([0, 100, 200, 300, 350]), np.array([50, 150, 250, 350, 400])
    assert repeated_stretches(recording, start, stop) == [(2, 1)]
    # One sample less of it is another stretch; a clipped one tells nothing.
    assert repeated_stretches(recording, start, np.array([50, 150, 249, 350, 400])) == []
    light[[120, 220]] = 4095
    clipped = Recording.from_array(light, RecordingInfo(sample_rate_hz=1.0, unit="counts", full_scale=4095))
    assert repeated_stretches(clipped, start, stop) == []
