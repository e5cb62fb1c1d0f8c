"""Invented situations, each with a near twin whose decision differs; what is printed stands in situations.md.

That page is written by ``python tests/wording/test_situations.py``, and read by a person before it is committed.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import partial
from pathlib import Path

import numpy as np
import pytest
from invented_lines import BELT, LEVEL, PERIOD, Line

from teachlab.model.draws import Costs
from teachlab.model.following_and_window import Follow, FollowingSetting, WindowSetting
from teachlab.model.recording import Recording
from teachlab.model.score import Rules
from teachlab.model.setting import Polarity, Setting, Taught
from teachlab.model.truth import Truth, TruthSource
from teachlab.model.verdict import Verdict
from teachlab.questions.stress.setting_reading import SettingReading
from teachlab.questions.verdict import FilesJudged, JudgedBy, setting_verdict
from teachlab.scoring import score
from teachlab.statistics.claims.decisions import Decision
from teachlab.studies.bench_verdict import bench_verdict
from teachlab.wording.verdict import verdict_lines

PRINTED = Path(__file__).with_name("situations.md")
USE, LIMIT, NONE, OPEN = "use", "use with a limit", "none of these works", "cannot be decided"
CLEAN = Line()
HIGH = replace(LEVEL, on_level=560, off_level=540)
WINDOW = WindowSetting.of(LEVEL, off_level=100, low_release=120, high_release=280, on_level=300)
FOLLOWER = FollowingSetting.of(
    LEVEL, reference=200.0, low_limit=0.0, high_limit=4000.0, follow=Follow.OFFSET, time_constant_ms=500.0, guard=0.9
)


def judged(recording: Recording, truth: Truth, rules: Rules, files: FilesJudged | None = None) -> Verdict:
    reading = SettingReading(recording, truth, LEVEL, rules=rules)
    result = score(reading.output, truth, rules=rules)
    return setting_verdict(reading, LEVEL, result, by=JudgedBy(files=files))


def some(*rows: int, of: int = 120, value: float, rest: float = 600.0) -> np.ndarray:
    out = np.full(of, rest)
    out[list(rows)] = value
    return out


def taught(first_pass: int, passes: int) -> Setting:
    drawn = {"sweep": {"at_sample": first_pass * PERIOD, "evaluations": passes * PERIOD, "passes": passes}}
    return replace(LEVEL, taught=Taught(strategy="sweep-minmax", evidence={"drawn": drawn}))


DARK = Setting(unit="counts", on_level=140, off_level=120, polarity=Polarity.DARK_ON)
RARE = np.where(np.arange(120) % 10 == 0, "matt", "bright").astype(object)
SELDOM = np.where(np.arange(120) % 24 == 0, "matt", "bright").astype(object)
IGNORED = np.arange(120) % 4 == 3
EVERY = tuple((k, 1) for k in range(119))

# name: what it is, the decision, the same line with one difference, and the decision then
SITUATIONS: dict[str, tuple[Callable[[], Verdict], str, Callable[[], Verdict], str]] = {
    "lots named": (lambda: CLEAN.judged(), USE, lambda: CLEAN.but(lots=0).judged(), LIMIT),
    "five lots": (lambda: CLEAN.but(lots=5).judged(), USE, lambda: CLEAN.but(lots=4).judged(), LIMIT),
    "enough passes": (
        lambda: CLEAN.but(lots=0, passes=60).judged(), LIMIT,
        lambda: CLEAN.but(lots=0, passes=40).judged(), OPEN,
    ),
    "level below the dull caps": (
        lambda: CLEAN.but(cap=some(*range(0, 120, 3), value=550)).judged(), USE,
        lambda: CLEAN.but(cap=some(*range(0, 120, 3), value=550)).judged(HIGH), NONE,
    ),
    "half a lot lost": (
        lambda: CLEAN.but(cap=some(*range(60, 65), value=300)).judged(), USE,
        lambda: CLEAN.but(cap=some(*range(60, 70), value=300)).judged(), OPEN,
    ),
    "two weak lots": (
        lambda: CLEAN.but(cap=some(*range(20, 22), *range(90, 92), value=300)).judged(), USE,
        lambda: CLEAN.but(cap=some(*range(20, 25), *range(90, 95), value=300)).judged(), OPEN,
    ),
    "polarity": (
        lambda: CLEAN.judged(), USE,
        lambda: CLEAN.judged(replace(LEVEL, polarity=Polarity.DARK_ON)), NONE,
    ),
    "never switches": (
        lambda: CLEAN.judged(), USE,
        lambda: CLEAN.judged(replace(LEVEL, on_level=900, off_level=880)), NONE,
    ),
    "trips in one gap": (
        lambda: CLEAN.but(spikes=((17, 3),)).judged(), USE,
        lambda: CLEAN.but(spikes=((17, 10),)).judged(), OPEN,
    ),
    "trips in every gap": (
        lambda: CLEAN.but(spikes=EVERY).judged(replace(LEVEL, consecutive=3)), USE,
        lambda: CLEAN.but(spikes=EVERY).judged(), NONE,
    ),
    "objects on both sides, one level": (
        lambda: CLEAN.but(cap=some(*range(0, 120, 2), value=450)).judged(), USE,
        lambda: CLEAN.but(cap=some(*range(0, 120, 2), value=20)).judged(), NONE,
    ),
    "a few darker caps": (
        lambda: CLEAN.but(cap=some(7, value=20)).judged(), USE,
        lambda: CLEAN.but(cap=some(7, 50, 99, value=20)).judged(), OPEN,
    ),
    "objects on both sides, a window": (
        lambda: CLEAN.but(cap=some(*range(0, 120, 2), value=20)).judged(WINDOW), USE,
        lambda: CLEAN.but(cap=some(*range(0, 120, 2), value=20)).judged(replace(WINDOW, off_level=-90)), NONE,
    ),
    "touching caps": (
        lambda: CLEAN.but(touching=True).judged(), USE,
        lambda: CLEAN.judged(replace(LEVEL, off_delay_ms=40)), NONE,
    ),
    "labels from the light": (
        lambda: CLEAN.judged(), USE,
        lambda: CLEAN.but(source=TruthSource.SELF_LABELLED).judged(), LIMIT,
    ),
    "copies in the log": (
        lambda: CLEAN.judged(), USE,
        lambda: CLEAN.but(width=40, copies_of=30).judged(), LIMIT,
    ),
    "borders in doubt": (
        lambda: CLEAN.but(uncertainty=4).judged(), USE,
        lambda: CLEAN.but(uncertainty=30).judged(), OPEN,
    ),
    "shown while teaching": (
        lambda: CLEAN.judged(taught(10, 5)), USE,
        lambda: CLEAN.judged(taught(10, 100)), OPEN,
    ),
    "pieces to be ignored": (
        lambda: CLEAN.but(detect=~IGNORED, cap=np.where(IGNORED, 300.0, 600.0)).judged(), USE,
        lambda: CLEAN.but(detect=~IGNORED).judged(), NONE,
    ),
    "counted twice": (
        lambda: CLEAN.but(dips=np.arange(0, 120, 2)).judged(replace(LEVEL, off_level=300)), USE,
        lambda: CLEAN.but(dips=np.arange(0, 120, 2)).judged(), NONE,
    ),
    "a belt that grows brighter": (
        lambda: CLEAN.but(drift=500.0).judged(FOLLOWER), USE,
        lambda: CLEAN.but(drift=500.0).judged(), NONE,
    ),
    "what is accepted": (
        lambda: CLEAN.but(cap=some(*range(0, 120, 10), value=300)).judged(accepted=0.1), USE,
        lambda: CLEAN.but(cap=some(*range(0, 120, 10), value=300)).judged(), NONE,
    ),
    "copies cut elsewhere and amplified": (
        lambda: CLEAN.judged(), USE,
        lambda: CLEAN.but(pasted=True).judged(), LIMIT,
    ),
    "caps darker than the belt": (
        lambda: CLEAN.but(cap=50).judged(DARK), USE,
        lambda: CLEAN.but(cap=50).judged(), NONE,
    ),
    "nothing passes": (
        lambda: CLEAN.judged(), USE,
        lambda: CLEAN.but(cap=BELT).judged(), OPEN,
    ),
    "light that falls over the recording": (
        lambda: CLEAN.but(cap=np.linspace(600, 430, 120)).judged(), USE,
        lambda: CLEAN.but(cap=np.linspace(600, 300, 120)).judged(), NONE,
    ),
    "a delay longer than the caps": (
        lambda: CLEAN.judged(replace(LEVEL, on_delay_ms=10)), USE,
        lambda: CLEAN.judged(replace(LEVEL, on_delay_ms=40)), NONE,
    ),
    "just what is accepted": (
        lambda: CLEAN.but(passes=100, lots=10, cap=some(*range(0, 100, 20), of=100, value=300)).judged(), USE,
        lambda: CLEAN.but(passes=100, lots=10, cap=some(*range(0, 100, 20), 99, of=100, value=300)).judged(), OPEN,
    ),
    "a lot like the belt": (
        lambda: CLEAN.but(cap=some(*range(30, 35), value=210)).judged(), USE,
        lambda: CLEAN.but(cap=some(*range(30, 40), value=210)).judged(), OPEN,
    ),
    "people at the belt": (
        lambda: CLEAN.but(spikes=((40, 2), (41, 2))).judged(), USE,
        lambda: CLEAN.but(spikes=((40, 8), (41, 8), (42, 8))).judged(), OPEN,
    ),
    "a level in the noise of the caps": (
        lambda: CLEAN.judged(replace(LEVEL, on_level=560, off_level=520)), USE,
        lambda: CLEAN.judged(replace(LEVEL, on_level=600, off_level=596)), NONE,
    ),
    "a rare kind": (
        lambda: CLEAN.but(label=RARE, cap=np.where(RARE == "matt", 440.0, 600.0)).judged(), USE,
        lambda: CLEAN.but(label=RARE, cap=np.where(RARE == "matt", 300.0, 600.0)).judged(), NONE,
    ),
    "two darker caps of no kind": (
        lambda: CLEAN.but(cap=some(7, 50, value=20)).judged(), USE,
        lambda: CLEAN.but(cap=some(*range(7, 120, 8), value=20)).judged(), NONE,
    ),
    "two caps near the level": (
        lambda: CLEAN.but(cap=some(7, 50, value=440)).judged(), USE,
        lambda: CLEAN.but(cap=some(7, 50, value=440), lots=0).judged(), LIMIT,
    ),
    "a lamp that flickers near the level": (
        lambda: CLEAN.but(spikes=((40, 1),)).judged(replace(LEVEL, on_level=530)), USE,
        lambda: CLEAN.but(spikes=EVERY).judged(replace(LEVEL, on_level=470)), NONE,
    ),
    "what losses cost": (
        lambda: CLEAN.but(spikes=tuple((k, 1) for k in range(0, 119, 24))).judged(costs=Costs(miss=1, false=1)), USE,
        lambda: CLEAN.but(spikes=tuple((k, 1) for k in range(0, 119, 24))).judged(costs=Costs(miss=0.01, false=10)),
        OPEN,
    ),
    "a kind that is always lost": (
        lambda: CLEAN.but(label=SELDOM, cap=np.where(SELDOM == "matt", 460.0, 600.0)).judged(), USE,
        lambda: CLEAN.but(label=SELDOM, cap=np.where(SELDOM == "matt", 300.0, 600.0)).judged(), LIMIT,
    ),
    "a cap that stands for six seconds": (
        lambda: CLEAN.but(stands=6000).judged(), USE,
        lambda: CLEAN.but(stands=6000, told=False).judged(), OPEN,
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", SITUATIONS)
def test_the_decision_is_right_and_its_twin_differs(name: str) -> None:
    made, wanted, twin, other = SITUATIONS[name]
    assert wanted != other
    assert (made().decision, twin().decision) == (wanted, other)


def test_what_is_printed_is_what_was_read() -> None:
    assert printed() == PRINTED.read_text(encoding="utf-8")


@pytest.mark.parametrize("level", [420, 380, 300])
def test_caps_near_the_level_are_named_and_like_caps_are_not(level: float) -> None:
    setting = replace(LEVEL, on_level=level, off_level=level - 20)
    near = CLEAN.but(cap=some(7, 50, value=level + 30)).judged(setting).near
    assert near is not None
    assert near.count == 2
    assert near.first_at_s in {0.45, 3.03}  # passes 7 and 50 begin there
    assert "2 of 120 passes come near the level" in near.text
    assert CLEAN.judged(setting).near is None
    # Objects that vary evenly have none that stands apart.
    assert CLEAN.but(cap=np.random.default_rng(5).uniform(480, 720, 120)).judged(setting).near is None


def test_light_from_the_passes_before_pasted_among_those_claimed_on_is_found() -> None:
    recording, truth = CLEAN.but(pasted=True).made()
    rules = Rules(first_pass=45)  # passes 60 to 69 are copies of 20 to 29
    verdict = judged(recording, truth, rules)
    assert verdict.claim is not None
    assert "copies of earlier ones (pass 60 of pass 20)" in verdict.claim.text
    verdict = judged(recording, truth, Rules(first_pass=75))
    assert verdict.claim is not None
    assert "copies" not in verdict.claim.text


def test_one_amount_decides_and_the_others_stand_in_the_details() -> None:
    """In a claim half of 40 of 120 passes 10 more take 30 more in all; a recording of its own takes 50, or 5 lots."""
    recording, truth = CLEAN.but(lots=3).made()
    rules = Rules(first_pass=80)
    files = FilesJudged(recording="caps.parquet", setting="my caps.json")
    verdict = judged(recording, truth, rules, files)
    assert verdict.reasons[0].text == "40 passes are too few to decide."
    assert verdict.conditions == ("For this recording alone: only 1 of 3 lots is left to claim on.",)
    assert verdict.next_step == (
        "Log a new recording with 5 lots of at least 5 passes each, and name the lot of every pass. "
        "Then: teachlab replay NEW.parquet --setting 'my caps.json'"
    )
    assert verdict.claim is not None
    assert verdict.claim.more[0] == (
        "To decide for this recording alone, record 10 more passes (30 if it is taught again) in it."
    )
    short, long = (" ".join(verdict_lines(verdict, details=details)) for details in (False, True))
    for amount in ("10 more passes", "To halve the bound"):
        assert amount not in short
        assert amount in " ".join(long.split())
    unkept = FilesJudged(recording="caps.parquet", keep="teachlab teach caps.parquet --out setting.json")
    step = judged(recording, truth, rules, unkept).next_step
    assert step.endswith("Save this setting for it: teachlab teach caps.parquet --out setting.json")


@pytest.mark.parametrize(("passes", "lots", "decided"), [(50, 0, LIMIT), (49, 0, OPEN), (25, 5, USE), (25, 4, OPEN)])
def test_the_amount_that_is_told_decides(passes: int, lots: int, decided: str) -> None:
    """As many passes, or lots of 5 passes, as the next step asks for, and none lost: decided; with one less it is not.

    Where there are lots of 5 passes but one fewer, the 10 stretches of a decision without lots are missing, too.
    """
    assert CLEAN.but(passes=passes, lots=lots).judged().decision == decided


def test_too_few_passes_to_choose_and_to_claim_are_told_with_how_many_it_takes() -> None:
    """Of 143 passes 30 % teach, and half of the other 100 is claimed on: 50 passes, which decide."""
    by = JudgedBy(files=FilesJudged(recording="my caps.parquet"))
    few = bench_verdict(*CLEAN.made(), None, {}, [["designed"]], [], by=by)
    assert few.next_step == "Log a new recording with at least 143 passes, and run this again on it."
    untaught = bench_verdict(*CLEAN.made(), None, {}, [], [], by=by)
    assert untaught.next_step == "teachlab inspect 'my caps.parquet'"


def test_what_is_better_says_which_command_comes_next() -> None:
    """The kind of the best change leads to the command that makes it; a design does not lead to itself."""
    files = FilesJudged(recording="r.parquet", setting="s.json")
    step = partial(files.next_step, Decision.NONE)
    assert step(cure="filter") == step(cure="designed") == "teachlab design r.parquet"
    for cure, name in (("turning points", "turning-point-follower"), ("following", "background-follower")):
        assert step(cure=cure) == f"teachlab bench r.parquet --strategy {name}"
        # Where it was on the bench already, another one shows nothing new.
        for given in (name, "all"):
            tried = replace(files, keep=f"teachlab bench r.parquet --strategy {given} --draws 9 --out results")
            assert tried.next_step(Decision.NONE, cure=cure) == "teachlab surface r.parquet --setting s.json"
    # A design led to it: that does not come next once more.
    tried = replace(files, keep="teachlab bench r.parquet --strategy background-follower --out results")
    assert (
        tried.next_step(Decision.NONE, cure="designed") == "teachlab counterfactual r.parquet --setting s.json --best"
    )
    assert step(cure="level") == step(cure=None) == "teachlab surface r.parquet --setting s.json"
    assert step(cure="") == "teachlab counterfactual r.parquet --setting s.json --best"
    assert step(cure="filter", borders=True) == "teachlab align r.parquet"
    designed = FilesJudged(recording="r.parquet", keep="teachlab design r.parquet --out setting.json")
    assert designed.next_step(Decision.NONE, cure="filter") == "teachlab surface r.parquet"
    assert files.next_step(Decision.USE) == "teachlab report r.parquet --setting s.json --out record"
    # Only fixed levels can have a record.
    then = "Log a new recording on another day. Then: teachlab replay NEW.parquet --setting s.json"
    assert files.next_step(Decision.USE, fixed=False) == then
    kept = replace(files, keep="teachlab bench r.parquet --out results")
    assert kept.next_step(Decision.USE, fixed=False) == "teachlab replay r.parquet --setting s.json --details"


def test_kinds_that_come_out_the_other_way_may_be_swapped_in_the_table() -> None:
    cap = np.where(IGNORED, 600.0, 300.0)
    told = [reason.text for reason in CLEAN.but(detect=~IGNORED, cap=cap).judged().reasons]
    assert told[0] == (
        "30 of 30 passes to be ignored switch, and 90 of 90 to be detected do not: detect and ignore may be swapped in "
        "the table of passes."
    )
    right = CLEAN.but(detect=IGNORED, cap=cap).judged()
    assert right.decision == USE
    assert not any("swapped" in reason.text for reason in right.reasons)


def test_two_darker_caps_are_named_before_they_are_a_side() -> None:
    told = [reason.text for reason in CLEAN.but(cap=some(7, 50, value=20)).judged().reasons]
    assert told == [
        "1.7 errors per 100 passes were counted, 5 are accepted. Whether other lots make more is not shown.",
        "2 passes lost: darker than the background, and no level above the background sees them. First at 0.45 s "
        "after the start, pass 7.",
    ]
    assert not CLEAN.judged().reasons


def test_a_log_that_stands_still_over_short_passes_and_gaps_is_named_and_left_to_be_decided() -> None:
    """30 of 120 passes of 24 evaluations each, with the gaps between them: no pass alone is long enough to say so."""
    stopped = CLEAN.but(frozen=(60, 90)).judged()
    assert stopped.decision == OPEN
    assert any("the logger or the sensor had stopped" in one.text and one.count == 30 for one in stopped.reasons)
    # The same losses in light that goes on.
    assert CLEAN.but(cap=some(*range(60, 90), value=200)).judged().decision == NONE


def test_a_kind_that_is_never_seen_is_a_limit_with_what_would_mend_it() -> None:
    dull = CLEAN.but(label=SELDOM, cap=np.where(SELDOM == "matt", 300.0, 600.0)).judged()
    assert dull.conditions == ("Not for the kind 'matt': 5 of 5 passes lost.",)
    assert any(reason.text.startswith("Better: ") or reason.better for reason in dull.reasons)
    # The same losses without a name, or of a kind of which others are seen, are what is accepted.
    assert CLEAN.but(cap=np.where(SELDOM == "matt", 300.0, 600.0)).judged().decision == USE
    half = np.where(np.arange(120) % 2 == 0, "matt", "bright").astype(object)
    assert CLEAN.but(label=half, cap=np.where(SELDOM == "matt", 300.0, 600.0)).judged().decision == USE


def test_the_one_gap_in_which_a_cap_stands_is_named() -> None:
    """Pass 60 begins at 3.63 s and ends in the table 24 ms later."""
    untold = CLEAN.but(stands=6000, told=False).judged()
    assert untold.reasons[0].text == (
        "That gap is after pass 60, from 3.65 s after the start on. If a product stands there, correct the end of its "
        "pass; else leave the stretch out."
    )
    assert untold.claim is not None
    assert "nearly all of it in one gap" in untold.claim.text
    # A level below the belt is active in every gap.
    below = CLEAN.judged(replace(LEVEL, on_level=100, off_level=80))
    assert below.decision == NONE
    assert below.claim is not None
    assert "polarity is inverted" in below.claim.text


def test_every_verdict_fits_a_terminal() -> None:
    for block in printed().split("```")[1::2]:
        lines = block.strip("\n").splitlines()
        assert len(lines) <= 12, block
        assert max(map(len, lines)) <= 100, block


def printed() -> str:
    """Return what every situation and its twin print."""
    out = ["# What is printed in the situations of test_situations.py", ""]
    for name, (made, _, twin, _) in SITUATIONS.items():
        for title, verdict in ((name, made()), (f"{name}: the twin", twin())):
            out += [f"## {title}", "", "```", *verdict_lines(verdict), "```", ""]
    return "\n".join(out)


if __name__ == "__main__":
    PRINTED.write_text(printed(), encoding="utf-8")
