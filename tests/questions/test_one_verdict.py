"""One setting on one recording gets one verdict, whoever asks: replay, card, page, stress."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest

from teachlab.device.card import card
from teachlab.model.draws import DrawOptions
from teachlab.model.recording import LoggedOutput, Recording, RecordingInfo
from teachlab.model.setting import Setting
from teachlab.model.truth import Truth
from teachlab.model.verdict import Verdict
from teachlab.page.contents import page_contents
from teachlab.questions.replay import replayed
from teachlab.questions.stress import stress
from teachlab.questions.verdict import FilesJudged, JudgedBy
from teachlab.scoring.claimable import chosen_before
from teachlab.studies.run import bench_recording
from teachlab.teaching import resolve
from teachlab.wording.verdict import verdict_lines

SETTING = Setting(unit="counts", on_level=600.0, off_level=550.0)
PASSES = 60


def line(shift: int = 0, level: float = 1000.0) -> tuple[Recording, Truth]:
    """Irregular passes of 40 samples in noise; the table of passes is `shift` samples late."""
    rng = np.random.default_rng(5)
    start = np.cumsum(rng.integers(150, 260, PASSES))
    light = rng.normal(200, 5, int(start[-1]) + 400)
    for at in start:
        light[at : at + 40] += level - 200
    return (
        Recording.from_array(np.round(light), RecordingInfo(sample_rate_hz=1000.0, unit="counts", full_scale=4095)),
        Truth.from_arrays(start + shift, start + shift + 40, lot=[f"L{k // 6}" for k in range(PASSES)]),
    )


def verdicts(recording: Recording, truth: Truth) -> list[Verdict | None]:
    return [
        replayed(recording, truth, SETTING).verdict,
        card(recording, truth, SETTING, options=DrawOptions(draws=1)).verdict,
        page_contents(recording, truth, SETTING).verdict,
        stress(recording, truth, SETTING, gain=(1.0,), ambient=(0.0,), pedestal=(0.0,)).verdict,
    ]


@pytest.mark.parametrize(
    ("shift", "level", "decision"),
    [(0, 1000.0, "use"), (70, 1000.0, "cannot be decided"), (0, 500.0, "none of these works")],
)
def test_whoever_asks_gets_the_same_decision(shift: int, level: float, decision: str) -> None:
    found = verdicts(*line(shift, level))
    assert [one is not None and one.decision for one in found] == [decision] * 4
    assert len({one.claim.text for one in found if one is not None and one.claim is not None}) == 1


def test_passes_beside_the_light_condemn_no_setting_on_a_card_or_a_page() -> None:
    """Card and page judged by passes that lay 70 ms beside the light, where replay asked to align them."""
    for one in verdicts(*line(70)):
        assert one is not None
        assert any(reason.text.startswith("The passes do not lie where the light is") for reason in one.reasons)


def test_reasons_are_told_where_only_passes_to_be_ignored_switch() -> None:
    recording, truth = line()
    detect = np.arange(PASSES) % 3 > 0
    ignored = Truth.from_arrays(truth.start, truth.end, detect=detect)
    found = replayed(recording, ignored, SETTING)
    assert found.worth is not None
    n = found.worth.score.counts
    assert (n.lost, n.gaps_tripped, n.extra, n.ignore_tripped) == (0, 0, 0, 20)
    assert found.reasons is not None
    assert found.reasons.lines() == [
        "20 of 20 passes to be ignored switched the output: their light reaches the level of 600 counts"
    ]


@pytest.mark.parametrize("shift", [70, 0])
def test_where_passes_lie_beside_the_light_no_claim_room_or_reserve_is_told(shift: int) -> None:
    recording, truth = line(shift)
    for one in verdicts(recording, truth):
        assert one is not None
        assert one.claim is not None
        assert (one.claim.text == "Nothing is claimed.") == (shift > 0)
        assert (one.equal_cost is None) == (one.near is None) == (one.conditions == ()) == (shift > 0) or shift == 0
        assert any("as recorded" in reason.text for reason in one.reasons) is False
    made = card(recording, truth, SETTING, options=DrawOptions(draws=1))
    assert (made.room is None) == (made.reserves == {}) == (shift > 0)


def test_a_setting_that_only_fits_passes_beside_the_light_is_not_used() -> None:
    """A reflection 60 ms before every product, passes 65 ms early: an output held from one to the other fits them."""
    rng = np.random.default_rng(8)
    start = np.cumsum(rng.integers(280, 320, PASSES))
    light = rng.normal(200, 5, int(start[-1]) + 400)
    for at in start:
        light[at : at + 40] += 800
        light[at - 60 : at - 40] += 200
    recording = Recording.from_array(np.round(light), RecordingInfo(sample_rate_hz=1000.0, unit="counts"))
    early = Truth.from_arrays(start - 65, start - 25, lot=[f"L{k // 6}" for k in range(PASSES)])
    held = Setting(unit="counts", on_level=300.0, off_level=250.0, off_delay_ms=45.0)
    found = replayed(recording, early, held)
    assert found.worth is not None
    assert found.verdict is not None
    assert found.worth.score.counts.errors == 0
    assert found.verdict.decision == "cannot be decided"
    assert found.verdict.reasons[0].text.startswith("The passes do not lie where the light is")


def test_passes_in_which_nothing_is_seen_show_nothing_about_a_setting() -> None:
    for one in verdicts(*line(level=200.0)):
        assert one is not None
        assert one.decision == "cannot be decided"
        assert one.claim is not None
        assert one.claim.text == "Nothing is claimed."
        assert one.equal_cost is None
        (reason,) = one.reasons
        assert PASSES / 2 < (reason.count or 0) <= PASSES
        assert reason.text.startswith(f"In {reason.count} of {PASSES} passes the light is that of the gaps: ")


def test_passes_that_show_nothing_show_no_reserve() -> None:
    kept, nothing = (stress(*line(shift), SETTING) for shift in (0, 70))
    told = re.fullmatch(r"On this recording it makes no error until (\S+) % of the light is lost, or (\S+) counts of "
                        r"ambient light are added\.", kept.bears)  # fmt: skip
    assert told is not None
    lost, added = kept.stressed.contamination_reserve, kept.stressed.ambient_reserve
    # Cut, never rounded up.
    assert float(told[1]) == pytest.approx(100 * lost, abs=0.1)
    assert float(told[1]) <= 100 * lost
    assert float(told[2]) == pytest.approx(added, rel=1e-3)
    assert float(told[2]) <= added
    assert nothing.bears == ""


def test_passes_by_which_a_setting_was_chosen_may_show_that_it_does_not_work() -> None:
    """A bench counts both halves for that: a replay of its setting had 19 passes and could not decide."""
    recording, truth = line()
    light = next(recording.blocks()).light.copy()
    for k in range(0, PASSES, 3):
        light[truth.start[k] : truth.end[k]] -= 700
    dark = Recording.from_array(light, recording.info)
    taught = chosen_before(SETTING, dark, int(truth.end[40]))
    files = FilesJudged(recording="line.parquet", setting="setting.json")
    found = replayed(dark, truth, taught, by=JudgedBy(files=files)).verdict
    assert found is not None
    assert found.decision == "none of these works"
    assert found.claim is not None
    assert found.claim.passes == 19
    said = [one.text for one in found.reasons if one.text.startswith("It makes at least")]
    assert "(10 lots, with those by which it was taught or chosen)" in said[0]
    assert not found.next_step.startswith("Log a new recording")
    # Where they do not show it, it is not said that the passes of the claim are too few.
    light = next(recording.blocks()).light.copy()
    for k in range(43, PASSES, 2):
        light[truth.start[k] : truth.end[k]] -= 700
    late = replayed(
        Recording.from_array(light, recording.info), truth, chosen_before(SETTING, dark, int(truth.end[30]))
    )
    assert late.verdict is not None
    assert late.verdict.decision == "cannot be decided"
    assert late.verdict.reasons[0].text == (
        "31 errors per 100 passes, 5 are accepted. With those by which it was taught or chosen it is not sure that it "
        "makes too many."
    )


def test_a_replay_says_that_a_report_looks_at_the_logged_output_too() -> None:
    """It said "use" where the report of the same setting limited its use, without a word of why."""
    recording, truth = line()
    info = replace(recording.info, output=LoggedOutput())
    light = next(recording.blocks()).light
    logged = Recording.from_array(light, info, output=np.zeros(light.size, bool))
    for one, said in ((recording, False), (logged, True)):
        verdict = replayed(one, truth, SETTING).verdict
        assert verdict is not None
        assert verdict.decision == "use"
        lines = verdict_lines(verdict)
        assert (
            "Sensor: Its own output was logged too; agree and report compare it, which may set a limit." in lines
        ) is said


@pytest.mark.parametrize(("dark", "said"), [((), False), ((7, 40), True)])
def test_errors_that_are_only_counted_are_told_so(dark: tuple[int, ...], said: bool) -> None:
    """2 errors on 60 passes are 3.3 per 100; by 10 lots at most 31 are shown, so the screen said "use" too plainly."""
    recording, truth = line()
    light = next(recording.blocks()).light.copy()
    for k in dark:
        light[truth.start[k] : truth.end[k]] -= 700
    verdict = replayed(Recording.from_array(light, recording.info), truth, SETTING).verdict
    assert verdict is not None
    assert verdict.decision == "use"
    told = "Why: 3.3 errors per 100 passes were counted, 5 are accepted. Whether other lots make more is not shown."
    assert (told in " ".join(line.strip() for line in verdict_lines(verdict))) is said


@pytest.mark.parametrize(("short", "upper"), [(3, 1 - 0.05 ** (1 / 10)), (4, None)])
def test_nothing_is_claimed_where_more_than_one_pass_in_twenty_is_in_doubt(short: int, upper: float | None) -> None:
    """4 of 60 passes are shorter than the doubt of their borders: a study claimed nothing there, a replay did."""
    recording, truth = line()
    light, end = next(recording.blocks()).light.copy(), truth.end.copy()
    for k in range(short):
        end[10 * k] = truth.start[10 * k] + 20
        light[end[10 * k] : truth.end[10 * k]] -= 800
    doubted = replace(truth, end=end, uncertainty_samples=30)
    verdict = replayed(Recording.from_array(light, recording.info), doubted, SETTING).verdict
    assert verdict is not None
    assert verdict.claim is not None
    assert verdict.claim.upper == (None if upper is None else pytest.approx(upper))
    assert verdict.decision == ("use" if upper else "use with a limit")
    refused = verdict.claim.text.startswith("Nothing is claimed. 4 of 60 passes are shorter than the doubt")
    assert refused is (upper is None)


@pytest.mark.parametrize("seed", range(12))
def test_a_replay_of_the_setting_of_a_bench_decides_as_the_bench_did(seed: int) -> None:
    """With teaching passes counted, too, a replay could not decide where the bench said that none works."""
    rng = np.random.default_rng(seed)
    recording, truth = line()
    light = next(recording.blocks()).light.copy()
    for k in np.flatnonzero(rng.random(PASSES) < rng.choice([0.02, 0.15, 0.4])):
        light[truth.start[k] : truth.end[k]] -= rng.integers(300, 800)
    some = Recording.from_array(light, recording.info, name="some")
    found = bench_recording(some, truth, [resolve("two-sample-midpoint")], options=DrawOptions(draws=5))
    assert found.recommendation is not None
    again = replayed(some, truth, found.recommendation.setting).verdict
    assert again is not None
    assert again.decision == found.verdict.decision
    assert again.claim == found.verdict.claim
