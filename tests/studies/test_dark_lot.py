"""A lot with little light, early or late: what bench recommends, and between which levels it may be moved."""

from __future__ import annotations

import numpy as np
import pytest

from teachlab.model.draws import DrawOptions
from teachlab.model.recording import Recording, RecordingInfo
from teachlab.model.score import Rules
from teachlab.model.truth import Truth
from teachlab.questions.stress.equal_cost import equal_cost
from teachlab.studies import bench_recording
from teachlab.studies.result import RecordingBench
from teachlab.teaching import resolve
from teachlab.verbs import replay
from teachlab.wording.verdict import verdict_lines

INFO = RecordingInfo(sample_rate_hz=1000.0, unit="counts")
LOW, DARK, BRIGHT = 300.0, 700.0, 1500.0


def line(
    lots: int, dark: int, *, per_lot: int = 30, dark_passes: int | None = None, level: float = DARK
) -> tuple[Recording, Truth]:
    """Lots of passes of 60 samples every 160; of one lot, the first `dark_passes` have a third of the light."""
    rng = np.random.default_rng(2026)
    passes = lots * per_lot
    start = 300 + 160 * np.arange(passes)
    light = rng.normal(LOW, 12, start[-1] + 400)
    lot = np.repeat(np.arange(lots), per_lot)
    few = per_lot if dark_passes is None else dark_passes
    is_dark = (lot == dark) & (np.arange(passes) % per_lot < few)
    for at, height in zip(start, np.where(is_dark, level, BRIGHT), strict=True):
        light[at : at + 60] += height * rng.normal(1, 0.05) - LOW
    recording = Recording.from_array(light.round().astype(np.int32), INFO, name="line")
    return recording, Truth.from_arrays(start, start + 60, lot=[f"L{k}" for k in lot])


def bench(
    recording: Recording, truth: Truth, names: tuple[str, ...] = ("guard-or-window", "two-sample-midpoint", "designed")
) -> RecordingBench:
    return bench_recording(recording, truth, [resolve(name) for name in names], options=DrawOptions(draws=8))


@pytest.mark.parametrize("lots", [2, 5, 10, 20])
def test_a_setting_that_loses_a_late_lot_is_not_recommended_if_another_one_does_not(lots: int) -> None:
    recording, truth = line(lots, lots - 1)
    found = bench(recording, truth)
    chosen = found.recommendation
    assert chosen is not None
    lost = chosen.worth.score.counts.lost
    if lots == 2:  # half of the lot was among the passes by which the setting was chosen
        assert (chosen.strategy, lost) == ("designed", 0)
        return
    assert lost == 30
    assert found.verdict.decision == "cannot be decided"
    said = " ".join(text.strip() for text in verdict_lines(found.verdict))
    told = (
        f"Limit: {chosen.strategy} was chosen on earlier passes. On the {chosen.worth.score.counts.scored_passes} "
        f"passes of the claim it makes 30 errors, designed none. Teach with passes like those of lot 'L{lots - 1}', "
        "record more lots, then bench again."
    )
    assert told in said
    assert said.index("Limit:") < said.index("Claim:")


def test_a_small_part_of_a_late_lot_forbids_the_setting_even_below_the_accepted_share() -> None:
    """Ten of 209 passes are fewer than one in twenty, but a third of their lot."""
    found = bench(*line(20, 19, dark_passes=10))
    assert found.recommendation is not None
    counts = found.recommendation.worth.score.counts
    assert counts.lost == 10 < 0.05 * counts.scored_passes
    assert found.verdict.decision == "cannot be decided"


def test_a_single_loss_that_another_setting_avoids_is_a_limit() -> None:
    found = bench(*line(20, 19, dark_passes=1))
    assert found.recommendation is not None
    assert found.recommendation.worth.score.counts.lost == 1
    assert found.verdict.decision == "use with a limit"
    assert "it makes 1 error, designed none" in found.verdict.conditions[0]


@pytest.mark.parametrize("dark", [0, 9, 13])
def test_an_early_dark_lot_is_seen_by_the_choice(dark: int) -> None:
    found = bench(*line(20, dark))
    assert found.recommendation is not None
    assert found.recommendation.worth.score.counts.lost == 0
    # The first lot is among the passes of teaching: none of the 8 draws showed it.
    lost_while_taught = dark == 0
    assert found.verdict.decision == ("use with a limit" if lost_while_taught else "use")
    if lost_while_taught:
        assert found.verdict.conditions == ("Not for products like those of the lot 'L0': 30 of 30 passes lost.",)


@pytest.mark.parametrize("names", [("guard-or-window", "designed"), ("background-follower",)])
def test_a_lot_that_every_setting_loses_before_the_claim_is_told(names: tuple[str, ...]) -> None:
    """One lot in eight looks like the background: the passes of the claim show nothing of it."""
    recording, truth = line(8, 3, level=LOW + 15)
    found = bench(recording, truth, names)
    assert found.recommendation is not None
    assert found.recommendation.worth.score.counts.lost == 0
    assert found.verdict.decision == "cannot be decided"
    said = found.verdict.reasons[0].text
    assert said.startswith(
        "It makes 30 errors on all 240 passes, 12 per 100; 5 are accepted. 30 lie outside the claim."
    )
    assert said.endswith(
        "All 30 losses lie in one stretch, passes 90 to 119 of lot 'L3', from 14.7 s after the start on."
    )
    again = replay(recording, found.recommendation.setting, truth).answer.verdict
    assert (again.decision, again.reasons[0].text) == (found.verdict.decision, said)


def test_bench_and_replay_give_the_same_room_whichever_passes_are_dark() -> None:
    """The levels that cost the same over the claim half alone would lose the dark lot of the choosing half."""
    recording, truth = line(20, 11)
    found = bench(recording, truth)
    chosen, room = found.recommendation, found.verdict.equal_cost
    assert chosen is not None
    assert room is not None
    assert replay(recording, chosen.setting, truth, margins=True).answer.verdict.equal_cost == room
    assert DARK * 0.8 < room.on_high < DARK
    middle = truth.passes * 13 // 20
    claim = equal_cost(recording, truth, chosen.setting, reach=BRIGHT - LOW, rules=Rules().scored_from(middle))
    assert claim.on_high > DARK


@pytest.mark.parametrize("after", [75, 165])
def test_bench_and_replay_judge_alike_where_a_product_stands_beyond_its_pass(after: int) -> None:
    """Among the passes by which it was chosen, or among those of the claim: the table ends the pass too early."""
    recording, truth = line(20, 0, per_lot=10)
    at, stands = int(truth.end[after]), 40_000
    light = recording.read(0, recording.samples).light
    held = np.full(stands, BRIGHT, light.dtype)
    recording = Recording.from_array(np.concatenate((light[:at], held, light[at:])), INFO, name="line")
    late = stands * (np.arange(truth.passes) > after)
    truth = Truth.from_arrays(truth.start + late, truth.end + late, lot=truth.lot)
    found = bench(recording, truth)
    assert found.recommendation is not None
    seen = replay(recording, found.recommendation.setting, truth, margins=True).answer.verdict
    assert found.verdict.decision == seen.decision == "cannot be decided"
    assert found.verdict.claim == seen.claim
    assert found.verdict.reasons[0] == seen.reasons[0]
    assert found.verdict.reasons[0].text.startswith(f"That gap is after pass {after}")
    assert found.verdict.equal_cost is seen.equal_cost is None
