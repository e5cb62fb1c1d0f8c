"""Every built-in conforms; every bad strategy is caught, and by the check that is meant for it."""

from __future__ import annotations

import importlib
import json
import re
from pathlib import Path
from types import ModuleType
from unittest import SkipTest

import numpy as np
import pytest
from typer.testing import CliRunner

from teachlab.errors import ParameterError
from teachlab.teaching import resolve
from teachlab.teaching.registry import BUILT_IN
from teachlab.testing import CHECKS, CheckVerdict, StrategyCheck, checks, conformance, suite

# What a built-in needs to be told before it teaches at all.
STATED = {"contamination-aware": {"least_gain": 0.9}, "minimax-regret": {"stress": "1,0;0.9,0"}}
EXPECTED: dict[str, dict[str, str]] = {}
MAY_SKIP = {"gain", "offset"}
"""Not demanded of a strategy that does not declare them; everything else must be judged."""

ONLY = {
    "determinism": "Unsteady",
    "global-random-state": "GloballyRandom",
    "immutability": "Mutable",
    "pickling": "Unpicklable",
    "parameters": "Doubling",
    "declared-only": "Peeking",
    "gain": "NoGain",
    "offset": "NoOffset",
    "mirror": "WrongPolarity",
    "no-look-ahead": "Ahead",
    "writes-nothing": "Writing",
    "fresh-process": "Local",
    "nothing": "CrashingOnEmpty",
    "one-sample": "CrashingOnOne",
    "constant": "DividingByNoise",
    "saturated": "BeyondScale",
    "object-equals-background": "TeachingNothingApart",
    "invalid": "CrashingOnInvalid",
    "million-samples": "Slow",
}


@pytest.mark.parametrize("name", BUILT_IN)
def test_every_built_in_conforms(name: str) -> None:
    report = conformance(resolve(name, STATED.get(name)), expected_failures=EXPECTED.get(name))
    assert report.ok, report.text()
    assert set(report.skipped) <= MAY_SKIP, report.text()
    assert [r.check for r in report.results] == list(CHECKS)


def test_every_check_has_a_strategy_that_only_it_catches() -> None:
    assert list(ONLY) == list(CHECKS)


@pytest.mark.parametrize(("check", "name"), ONLY.items())
def test_caught_by_the_check_meant_for_it_alone(
    check: str, name: str, bad: ModuleType, monkeypatch: pytest.MonkeyPatch
) -> None:
    if check == "million-samples":
        monkeypatch.setattr(suite, "TIME_LIMIT_S", 0.3)
    report = conformance(getattr(bad, name)())
    assert report.failed == (check,), report.text()
    assert not report.ok
    assert "DOES NOT CONFORM" in report.text()
    assert "1 failed" in report.text()


@pytest.mark.parametrize(
    ("name", "check", "told"),
    [
        ("OfUnknownKind", "determinism", "returns a Latching, a kind of setting that is not known here"),
        ("SecretlyMutable", "immutability", "teaching changes it"),
        ("Asking", "declared-only", "looked at 'sweep' without declaring it"),
        ("Redesigning", "declared-only", "changed on_delay_ms from 1.0 to 7.0 without declaring"),
        ("Climbing", "no-look-ahead", "samples after the teach block change the answer"),
        ("PlainlyWriting", "writes-nothing", "read-only"),
        ("MovingBorders", "writes-nothing", "it changes what it is shown"),
        ("Exiting", "determinism", "SystemExit: 3 (line "),
        ("Unwritable", "determinism", "evidence must be plain JSON values and finite numbers"),
        ("Misnamed", "parameters", "words of small letters and digits, joined by dashes, got 'Mine at the belt'"),
    ],
)
def test_other_ways_of_the_same(name: str, check: str, told: str, bad: ModuleType) -> None:
    report = conformance(getattr(bad, name)())
    assert check in report.failed, report.text()
    assert told in report[check].told


def test_a_sound_strategy_passes_every_check(bad: ModuleType) -> None:
    report = conformance(bad.Sound())
    assert {r.verdict for r in report.results} == {CheckVerdict.PASSED}, report.text()


@pytest.mark.parametrize("name", ["Printing", "OfFloat32"])
def test_what_is_no_fault_passes_every_check(name: str, bad: ModuleType) -> None:
    report = conformance(getattr(bad, name)())
    assert {r.verdict for r in report.results} == {CheckVerdict.PASSED}, report.text()


def test_what_never_teaches_is_not_judged(bad: ModuleType) -> None:
    report = conformance(bad.Declining())
    assert report.ok
    assert not report.taught
    assert report.text().startswith("bad CANNOT BE JUDGED, it never taught: ")
    assert conformance(bad.Sound()).taught


def test_what_failed_is_told_first(bad: ModuleType) -> None:
    report = conformance(bad.Mutable())
    lines = report.text().splitlines()
    assert report.failed
    assert [one.split()[0] for one in lines[1 : 1 + len(report.failed)]] == list(report.failed)
    assert len(lines) == 1 + len(report.results)


def test_a_skipped_check_says_why(bad: ModuleType) -> None:
    report = conformance(resolve("contamination-aware"))
    assert report.ok
    assert {"gain", "offset", "mirror", "million-samples"} <= set(report.skipped)
    assert "no loss of light was stated" in report["mirror"].told
    assert f"{len(report.skipped)} skipped" in report.text()
    unsteady = conformance(bad.Unsteady())
    assert "see determinism" in unsteady["no-look-ahead"].told


def test_a_crash_is_told_with_its_line_and_is_no_lack_of_determinism(bad: ModuleType) -> None:
    report = conformance(bad.Crashing())
    text = Path(str(bad.__file__)).read_text(encoding="utf-8").splitlines()
    line = 1 + next(k for k, one in enumerate(text) if "a slip of the pen" in one)
    assert report["determinism"].told.endswith(f"ValueError: a slip of the pen (line {line} of bad_strategies.py)")
    assert report["gain"].told == "not judged: the strategy fails on an ordinary line, see determinism"


def test_expected_failures(bad: ModuleType) -> None:
    report = conformance(bad.Mutable(), expected_failures={"immutability": "keeps a note for its author"})
    assert report.ok
    assert report["immutability"].verdict is CheckVerdict.EXPECTED_FAILURE
    assert "keeps a note for its author" in report["immutability"].told
    passing = conformance(bad.Sound(), expected_failures={"pickling": "never tried"})
    assert passing.failed == ("pickling",)
    with pytest.raises(ParameterError, match="no conformance check is named 'speed'"):
        conformance(bad.Sound(), expected_failures={"speed": "slow"})
    with pytest.raises(ParameterError, match="must have a reason"):
        conformance(bad.Sound(), expected_failures={"mirror": " "})


@pytest.mark.parametrize("check", checks(resolve("two-sample-midpoint"))[:3])
def test_checks_are_the_cases_of_a_parametrized_test(check: StrategyCheck, request: pytest.FixtureRequest) -> None:
    assert request.node.callspec.id == f"two-sample-midpoint-{check.name}"
    check()


def test_a_check_raises_what_a_test_raises(bad: ModuleType) -> None:
    known = {c.name: c for c in checks(bad.Mutable())}
    known["determinism"]()
    with pytest.raises(AssertionError, match="bad-immutability: it must be a frozen dataclass"):
        known["immutability"]()
    with pytest.raises(SkipTest, match="skipped: `equivariant` is not declared"):
        checks(bad.OfNothing())[list(CHECKS).index("gain")]()


def test_a_check_of_a_parametrized_test_takes_an_expected_failure(bad: ModuleType) -> None:
    known = {c.name: c for c in checks(bad.Mutable(), expected_failures={"immutability": "keeps a note"})}
    assert list(known) == list(CHECKS)
    with pytest.raises(SkipTest, match="expected failure: keeps a note"):
        known["immutability"]()


def test_the_global_random_state_is_given_back(bad: ModuleType) -> None:
    np.random.seed(5)  # noqa: NPY002
    before = np.random.get_state()[1].tolist()  # noqa: NPY002
    conformance(bad.GloballyRandom())
    assert np.random.get_state()[1].tolist() == before  # noqa: NPY002


def test_the_command(tmp_path: Path) -> None:
    app = importlib.import_module("teachlab.cli").app
    run = CliRunner().invoke
    good = run(app, ["conform", "two-threshold"])
    assert good.exit_code == 0, good.output
    assert "conforms: 19 passed" in good.stdout
    # Levels are told as anywhere else: at most five digits.
    told = re.search(r"the same answer: on (\S+), off (\S+), light-on", " ".join(good.stdout.split()))
    assert told is not None
    assert all(len(level.replace(".", "")) <= 5 for level in told.groups())
    told = run(app, ["conform", "contamination-aware", "--set", "least_gain=0.8", "--json"])
    document = json.loads(told.stdout)
    assert (told.exit_code, document["strategy"], document["ok"]) == (0, "contamination-aware", True)
    assert [one["check"] for one in document["checks"]] == list(CHECKS)
    file = tmp_path / "mine.py"
    file.write_text((Path(__file__).with_name("bad_strategies.py")).read_text())
    broken = run(app, ["conform", f"{file}:WrongPolarity", "--json"])
    assert broken.exit_code == 1
    failed = [c["check"] for c in json.loads(broken.stdout)["checks"] if c["verdict"] == "failed"]
    assert failed == ["mirror"]
    assert run(app, ["conform", f"{file}:Sound"]).exit_code == 0
    declined = run(app, ["conform", f"{file}:Declining", "--json"])
    assert (declined.exit_code, json.loads(declined.stdout)["taught"]) == (3, False)
    printing = run(app, ["conform", f"{file}:Printing", "--json"])
    assert (printing.exit_code, json.loads(printing.stdout)["ok"]) == (0, True)
    assert "readings 40 40" in printing.stderr
    assert run(app, ["conform", "no-such-strategy"]).exit_code == 2
