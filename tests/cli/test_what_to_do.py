"""What a screen tells to do next mends the cause that it names, and errors are counted alike by every command."""

from __future__ import annotations

import importlib.util
import json
import re
import shlex
from pathlib import Path
from typing import Any

import pytest
import shell

from teachlab.model.setting import Switching
from teachlab.questions.timing.budget import timing
from teachlab.questions.timing.line import line_from_lengths

TESTS = Path(__file__).parents[1]


@pytest.fixture(scope="module")
def lines(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The lines of the stored documents: 39 passes and one to be ignored, which switches as high as they do."""
    spec = importlib.util.spec_from_file_location("lines_to_do", TESTS / "documents.py")
    assert spec is not None
    assert spec.loader is not None
    made = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(made)
    folder = tmp_path_factory.mktemp("lines")
    made.files(folder)
    return folder


@pytest.fixture
def here(lines: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(lines)
    return lines


def told(line: str, code: int = 0) -> str:
    """Return a screen as one line of text."""
    done = shell.run(*shlex.split(line), code=code, env={"COLUMNS": "100"})
    return re.sub(r"\s+", " ", done.stdout)


def test_a_pass_to_be_ignored_that_switches_is_an_error_for_every_command(here: Path) -> None:
    """On 40: pass 33 is lost, one gap trips, and the pass to be ignored switches: three errors, by hand."""
    assert "makes 3 errors on 39 passes here" in told("stale a.parquet --setting good.json")
    assert "Errors on 39 passes of good: 3, of high: 17" in told(
        "compare a.parquet --setting good.json --setting high.json"
    )
    assert "good.json: 1 pass lost and 2 switchings too many;" in told("surface a.parquet --setting good.json")
    assert "7.7 errors per 100 passes" in told("replay a.parquet --setting good.json")  # 3 of 39
    assert "1 false trip in 41 gaps, 2.49 s; 1 switching on 1 pass to be ignored" in told(
        "replay a.parquet --setting good.json"
    )


@pytest.mark.parametrize(
    ("asked", "code", "step"),
    [
        (
            "study a.parquet d2.parquet --strategy single-sample --draws 2 --jobs 1", 0,
            "Log 3 more recordings of other lines or days, and study all of them together.",
        ),
        (
            "study a.parquet --strategy single-sample --draws 2 --criteria lost.toml --jobs 1", 3,
            "Log 4 more recordings of other lines or days, and study all of them together.",
        ),
        ("study good.json --draws 2 --jobs 1", 0, "Mend what failed, as the reason above says, and run"),
        (
            "identify lawless.parquet --longest-ms 2", 3,
            "Log light and output of one sensor with fixed levels, by one clock, and identify again. If edges are only "
            "late: --jitter 3.",
        ),
        (
            "card a.parquet --setting good.json --device coarse.toml", 3,
            "teachlab surface a.parquet --device coarse.toml",
        ),
        ("card a.parquet --setting good.json --draws 2", 0, "teachlab design a.parquet"),
        (
            "compare a.parquet --setting good.json --setting high.json", 0,
            "Log a new recording with 10 lots of at least 5 passes each, and name the lot of every pass. "
            "Then: teachlab compare NEW.parquet --setting good.json --setting high.json",
        ),
        ("stale a.parquet --setting good.json", 0, "teachlab replay a.parquet --setting good.json"),
        (
            "timing --speed-mm-s 500 --length-mm 9 --gap-mm 3 --evaluation-rate-hz 100 --scan-ms 20", 0,
            "Evaluate at least 167 times a second, or separate the objects. Then run this again.",
        ),
    ],
)  # fmt: skip
def test_the_next_step_mends_the_cause(here: Path, asked: str, code: int, step: str) -> None:
    screen = told(asked, code)
    assert f"Next: {step}" in screen
    assert screen.count("Next: ") == 1


def test_the_pair_that_can_be_keyed_in_is_counted_at_the_steps_of_the_device(here: Path) -> None:
    """The step of a refused card, as printed: the pair it names is one that the device can be set to."""
    screen = told("surface a.parquet --device coarse.toml")
    on, off = (float(v) for v in re.search(r"on ([\d.]+), off ([\d.]+) counts", screen).groups())  # type: ignore[union-attr]
    counted = json.loads(shell.invoke(*shlex.split("surface a.parquet --device coarse.toml --json")).stdout)["levels"]
    assert {on, off} <= set(counted)


@pytest.mark.parametrize("consecutive", [2, 3, 7])
@pytest.mark.parametrize(("length", "gap"), [(9.0, 40.0), (40.0, 3.0)])
def test_the_rate_that_a_step_names_is_just_fast_enough(consecutive: int, length: float, gap: float) -> None:
    """At the named rate nothing is missed or merged at any phase; at 1 Hz less something may be."""
    given: dict[str, Any] = {"speed_mm_s": 500.0, "length_mm": length, "gap_mm": gap}
    given["switching"] = Switching(consecutive=consecutive)
    slow = timing(line_from_lengths(evaluation_rate_hz=50.0, **given))
    rate = float(re.search(r"Evaluate at least ([\d,]+) times a second", slow.because)[1].replace(",", ""))  # type: ignore[index]
    assert timing(line_from_lengths(evaluation_rate_hz=rate, **given)).fits == "fine"
    assert timing(line_from_lengths(evaluation_rate_hz=rate - 1, **given)).fits == "at risk"


def test_a_record_of_a_setting_that_may_not_be_used_leads_to_its_losses(here: Path, tmp_path: Path) -> None:
    screen = told(f"report a.parquet --setting high.json --draws 0 --no-levels --out {tmp_path / 'record'}")
    assert "This setting does not work: " in screen
    assert "Next: teachlab replay a.parquet --setting high.json To check the record: teachlab verify " in screen
    wrong = told(f"verify {tmp_path / 'record/result.json'} --recording a.parquet --setting low.json", 1)
    assert wrong.startswith("Not verified: the record does not follow from these files. Differs: ")
    assert wrong.endswith("or write a new record with teachlab report. ")
    assert wrong.count("Next: Do not use this record.") == 1


def test_what_was_as_bad_before_is_not_cleaned(here: Path) -> None:
    screen = told("stale a.parquet --setting high.json --before d2.parquet", 1)
    assert screen.startswith("Teach again: the setting in use was poor from the start: 10 errors on 39 passes before, ")
    assert "and no change since is shown. Cleaning is not the cure." in " ".join(screen.split())
    assert "Clean or" not in screen


def test_remarks_on_the_passes_of_several_recordings_name_them(here: Path) -> None:
    done = shell.invoke(*shlex.split("stale a.parquet --setting good.json --before d2.parquet"))
    assert done.stderr.count("not tied to the recording") == 1
    assert done.stderr == "Note: a, d2: Passes not tied to the recording: check that they belong to it.\n"


@pytest.mark.parametrize(
    ("line", "code"),
    [
        ("inspect a.parquet", 0),
        ("align a.parquet", 3),
        ("teach a.parquet --strategy sweep-minmax", 0),
        ("replay a.parquet --setting good.json", 0),
        ("stale a.parquet --setting high.json --before d2.parquet", 1),
        ("explore a.parquet --setting good.json --out noted.html", 0),
    ],
)
def test_a_command_answers_before_it_remarks_on_its_input(here: Path, line: str, code: int) -> None:
    done = shell.run(*shlex.split(line), code=code)
    assert done.output.count("Note: ") == 1
    assert done.output.index("Note: ") > done.output.index(done.stdout[-40:])


def test_a_refusal_remarks_on_nothing_else(here: Path) -> None:
    done = shell.run(*shlex.split("replay a.parquet --setting good.json --plot nowhere/where.svg"), code=2)
    assert "Note: " not in done.output


@pytest.mark.parametrize("more", ["", " --seen 100 --lost 1 --events 1", " --icc 0.1 --lot-size 50 --seen 100"])
def test_a_plan_says_every_sentence_once(more: str) -> None:
    done = shell.invoke(*shlex.split(f"plan --max-rate 0.01 --details{more}"), env={"COLUMNS": "100"})
    said = re.sub(r"\s+", " ", done.stdout).replace("Why: ", "").split(". ")
    assert len(said) > 4
    assert sorted(said) == sorted(set(said))
    assert done.stdout.splitlines()[-1 if "Next: " in done.stdout.splitlines()[-1] else -2].startswith("Next: ")


def test_of_several_cycles_the_longest_says_how_long_to_record(here: Path) -> None:
    """The teach block lasts as long for all of them: 8 revolutions of 250 ms end before 8 of 333 ms."""
    screen = told("coverage a.parquet --cycle belt=500mm --cycle lamp=3Hz --line-speed 2 --times 2")
    assert "Not seen often enough: belt and lamp." in screen
    assert screen.count("Record until") == 1
    assert "Record until the teach block holds 8 revolutions of 'lamp' (2.67 s), then run this again." in screen
    alone = told("coverage a.parquet --cycle belt=500mm --line-speed 2 --times 2")
    assert "Record until the teach block holds 8 revolutions of 'belt' (2 s), then run this again." in alone


def test_numbers_of_one_are_told_as_one(here: Path) -> None:
    speeds = told("stress a.parquet --setting good.json --gain 1 --speed 1 --details")
    assert "lost 1 of 39 passes, 2 false trips, " in speeds  # one in a gap, one on an object to be ignored
    assert "1 false trips" not in told("surface a.parquet --setting good.json --details")
    before = told("stale a.parquet --setting good.json --before a2.parquet")
    assert "Before, 1 of 39 passes was lost." in before


def test_a_log_that_taught_the_setting_shows_no_change_and_asks_for_another(here: Path) -> None:
    shell.run(*shlex.split("synth demo --passes 200 --out own.parquet"))
    taught = "teach own.parquet --strategy two-sample-midpoint --out own.json"
    shell.run(*shlex.split(taught))
    own = told("stale own.parquet --setting own.json")
    assert "The setting was taught or chosen on this recording, which cannot show a change since." in own
    assert own.endswith(
        "Next: Log the line again in some weeks, and compare. Then: teachlab stale NEW.parquet --setting own.json "
        "--before own.parquet "
    )
    shell.run(*shlex.split("synth demo --passes 200 --seed 1 --out later.parquet"))
    later = told("stale later.parquet --setting own.json --before own.parquet")
    assert "Next: teachlab report later.parquet --setting own.json --out record" in later


@pytest.mark.parametrize("asked", ["inspect a.parquet", "surface a.parquet", "timing a.parquet --setting good.json"])
def test_a_document_holds_the_next_step_of_the_screen(here: Path, asked: str) -> None:
    done = shell.invoke(*shlex.split(asked), "--json")
    step = json.loads(done.stdout)["verdict"]["next_step"]
    assert step
    assert f"Next: {step}" in told(asked)
