"""Every keyword of every verb does something: read from the signatures, so that none can be forgotten."""

from __future__ import annotations

import inspect
from collections.abc import Callable
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shell

import teachlab
from teachlab.device.device_file import DeviceDocument, DisplayReading, DisplayTable
from teachlab.model.recording import Recording, RecordingInfo
from teachlab.model.score import Rules
from teachlab.model.setting import Setting
from teachlab.model.truth import Truth
from teachlab.questions.repeatability.study import Question
from teachlab.wording.notebook import Told

SETTING = Setting(unit="counts", on_level=60, off_level=40)
HIGH = SETTING.with_levels(99, 95)
SLOW = replace(SETTING, consecutive=3)
WIDE, SURE = Rules(tolerance_ms=8.0), Rules(confidence=0.8)
FEW = teachlab.DrawOptions(draws=2)


def made(seed: int, late: int = 0) -> tuple[Recording, Truth]:
    """Return 30 passes of 40 samples; the 25th is weak, and one gap has a glint."""
    rng = np.random.default_rng(seed)
    start = 60 + 100 * np.arange(30)
    light = np.rint(rng.normal(20, 1, 3100))
    for k, at in enumerate(start):
        light[at : at + 40] += 15 if k == 24 else rng.integers(70, 90)
    light[2120:2126] += 80
    info = RecordingInfo(sample_rate_hz=1000.0, unit="counts", full_scale=4095.0)
    truth = Truth.from_arrays(start + late, start + 40 + late, lot=[f"lot {k // 5}" for k in range(30)])
    return Recording.from_array(light.astype(np.int32), info), truth


LINE, OTHER, LATE = made(3), made(4), made(3, late=6)
RECORDING, TRUTH = LINE
# verb: a call, then for each keyword the value that must change its document or its frame
SENSED = Recording.from_array(
    np.tile(np.repeat([10.0, 90.0, 10.0], [20, 12, 8]), 20),
    RecordingInfo(sample_rate_hz=1000.0, unit="counts"),
    output=np.roll(np.tile(np.repeat([False, True, False], [20, 13, 7]), 20), 2),
)
"""Its output comes 2 samples late, and stays a sample longer than the light."""
DEVICE = DeviceDocument(
    unit="counts", display=DisplayTable(step=4.0, low=0.0, high=400.0, resolution=1.0), light_noise=0.3,
    pairs=[DisplayReading(light=u, display=2 * u) for u in (10.0, 50.0, 90.0, 130.0)],
)  # fmt: skip
FAST = Recording(replace(RECORDING.info, sample_rate_hz=2000.0), RECORDING.source)
TAUGHT = teachlab.teach(RECORDING, "two-sample-midpoint", TRUTH)
CALLS: dict[str, tuple[Callable[..., Any], dict[str, Any]]] = {
    "inspect": (partial(teachlab.inspect, RECORDING, TRUTH), {"rules": WIDE}),
    "align": (partial(teachlab.align, RECORDING, LATE[1]), {"whole_periods": 1}),
    "label": (
        partial(teachlab.label, RECORDING),
        {"direction": "dip", "min_ms": 10.0, "count": 31, "corrected": None, "against": None},
    ),
    "timing": (
        partial(teachlab.timing, recording=RECORDING, passes=TRUTH),
        {
            "recording": FAST, "setting": SLOW, "speed_mm_s": 500.0, "length_mm": None, "gap_mm": None, "beam_mm": 2.0,
            "on_share": 0.3, "off_share": 0.2, "evaluation_rate_hz": 500.0, "consecutive": 3, "on_delay_ms": 5.0,
            "off_delay_ms": 5.0, "scan_ms": 4.0, "input_filter_ms": 4.0, "speed_change": 0.1,
        },
    ),
    "counterfactual": (
        partial(teachlab.counterfactual, RECORDING, passes=TRUTH),
        {"setting": SLOW, "mains_hz": 60.0, "costs": teachlab.Costs(), "rules": WIDE},
    ),
    "teach": (
        partial(teachlab.teach, RECORDING, "two-sample-midpoint", TRUTH),
        {"base": SLOW, "seed": 1, "draw": 1, "rules": WIDE},
    ),
    "design": (
        partial(teachlab.design, RECORDING, TRUTH, strategy=teachlab.resolve("designed", {"levels": 9, "delays": 2})),
        {
            "strategy": teachlab.resolve("designed", {"levels": 5, "delays": 0}),
            "base": replace(SETTING, evaluation_rate_hz=500.0), "seed": 2, "rules": SURE,
        },
    ),
    "replay": (
        partial(teachlab.replay, RECORDING, SETTING, TRUTH),
        {"margins": False, "reserves": True, "rules": SURE},
    ),
    "score": (partial(teachlab.score, RECORDING, SETTING, TRUTH), {"rules": SURE}),
    "evaluate": (
        partial(teachlab.evaluate, RECORDING, "two-sample-midpoint", TRUTH),
        {"base": SLOW, "seed": 1, "draw": 1, "teach_share": 0.5, "rules": SURE},
    ),
    "bench": (
        partial(teachlab.bench, RECORDING, ["two-sample-midpoint"], TRUTH), {"options": FEW, "device": DEVICE},
    ),
    "card": (
        partial(teachlab.card, RECORDING, TAUGHT, TRUTH, draws=3),
        {"device": DEVICE, "cycles": ["belt=0.5s"], "draws": 4, "rules": SURE},
    ),
    "surface": (
        partial(teachlab.surface, RECORDING, None, TRUTH),
        {
            "levels": [30, 60, 90],
            "settings": [HIGH],
            "strategy": "two-sample-midpoint",
            "options": replace(FEW, costs=teachlab.Costs(miss=7)),
        },
    ),
    "stress": (
        partial(teachlab.stress, RECORDING, SETTING, TRUTH),
        {"gain": [1, 0.8], "ambient": [0, 9], "pedestal": [0, 7], "speeds": [1, 2], "rules": WIDE},
    ),
    "repeatability": (
        partial(teachlab.repeatability, RECORDING, "two-sample-midpoint", TRUTH),
        {"options": FEW, "question": Question(average=(2,))},
    ),
    "coverage": (
        partial(teachlab.coverage, RECORDING, ["belt=0.5s"], TRUTH),
        {"setting": SETTING.with_levels(21, 20), "teach_share": 0.5, "rules": SURE, "times": 2},
    ),
    "stale": (
        partial(teachlab.stale, RECORDING, SETTING, TRUTH),
        {"before": OTHER[0], "least_margin": 60.0, "horizon_hours": 1e6, "rules": SURE},
    ),
    "compare": (
        partial(teachlab.compare, RECORDING, [SETTING, HIGH], TRUTH),
        {"other": OTHER[0], "margins": False, "rules": SURE},
    ),
    "plan": (
        partial(teachlab.plan, 0.01),
        {
            "confidence": 0.9, "events": 2, "best_of": 5, "lot_size": 20, "lots": 5, "icc": 0.1, "hours": True,
            "true_rate": 0.001, "seen": 100, "lost": 1, "values": 300, "figure": 4.0,
        },
    ),
    "agree": (partial(teachlab.agree, SENSED, SETTING), {"tolerance": 0, "lag": 9, "confidence": 0.8}),
    "identify": (partial(teachlab.identify, SENSED, longest_ms=2), {"jitter": 0, "longest_ms": 1}),
    "conformance": (
        partial(teachlab.conformance, "single-sample"),
        {"expected_failures": {"determinism": "shown here"}},
    ),
}  # fmt: skip
NEEDS: dict[tuple[str, str], dict[str, Any]] = {
    ("stale", "before"): {"before_passes": OTHER[1]},
    ("compare", "other"): {"other_passes": OTHER[1]},
    ("timing", "beam_mm"): {"speed_mm_s": 500.0},
    ("timing", "on_share"): {"speed_mm_s": 500.0, "beam_mm": 2.0},
    ("timing", "off_share"): {"speed_mm_s": 500.0, "beam_mm": 2.0},
    ("timing", "speed_change"): {"speed_mm_s": 500.0, "on_delay_ms": 5.0},
    ("plan", "icc"): {"lot_size": 20},
    ("plan", "lost"): {"seen": 100},
    ("plan", "figure"): {"values": 300},
}
"""What is given with a keyword, since it means nothing alone."""
ON_FILES = ("shipped", "report", "verify", "study")
"""Verbs on files have tests of their own: below, and in tests/studies."""
BELOW = {
    ("stale", "horizon_hours"), ("stale", "least_margin"), ("label", "corrected"), ("label", "against"),
    ("align", "whole_periods"), ("timing", "length_mm"), ("timing", "gap_mm"),
}  # fmt: skip
"""Shown below: on a line that fades and loses nothing yet, on corrected tables in files, and by the moved passes."""


def told(found: Any) -> str:
    """Return all that an answer says: its document, its sentence and its frame."""
    if not isinstance(found, Told):
        return repr(found)
    document = found.as_dict() if hasattr(found.answer, "as_dict") else found.answer
    return f"{document}\n{found!r}\n{found.to_pandas().to_csv()}"


PAIRS = [(verb, word) for verb, (_, words) in CALLS.items() for word in words if (verb, word) not in BELOW]


@pytest.mark.parametrize(("verb", "word"), PAIRS, ids=[f"{verb} {word}" for verb, word in PAIRS])
def test_a_keyword_changes_what_a_verb_says(verb: str, word: str) -> None:
    (call, words), beside = CALLS[verb], NEEDS.get((verb, word), {})
    assert told(call(**{word: words[word]}, **beside)) != told(call(**beside))


def test_no_keyword_is_left_out() -> None:
    given = {name for _, more in NEEDS.items() for name in more}
    for verb in teachlab.__all__:
        function = getattr(teachlab, verb)
        if not inspect.isfunction(function) or function.__module__ != "teachlab.verbs" or verb in ON_FILES:
            continue
        assert verb in CALLS, verb
        kinds = inspect.signature(function).parameters.values()
        named = {p.name for p in kinds if p.default is not p.empty} - {"passes"}
        assert named - given <= {*CALLS[verb][1], "base"}, verb


def test_a_surface_keeps_the_base_it_is_given() -> None:
    found = teachlab.surface(RECORDING, SLOW, TRUTH, levels=[30, 60, 90])
    assert found.best.setting.consecutive == 3
    assert teachlab.surface(RECORDING, None, TRUTH, levels=[30, 60, 90]).best.setting.consecutive == 1


def test_tolerance_and_first_pass_reach_every_verb_that_takes_rules() -> None:
    """Passes told 6 ms late lose nothing once their borders are as uncertain as that."""
    for verb in (teachlab.score, teachlab.compare, teachlab.replay):
        given: Any = [SETTING, HIGH] if verb is teachlab.compare else SETTING
        strict, wide = (verb(RECORDING, given, LATE[1], rules=rules) for rules in (Rules(), WIDE))
        assert told(strict) != told(wide), verb


def test_horizon_and_least_margin_reach_the_verdict_on_a_line_that_fades() -> None:
    start = 60 + 60 * np.arange(300)
    light = np.random.default_rng(1).normal(11, 1, 18_100)
    for n, at in enumerate(start):
        light[at : at + 20] += 50 - n / 25
    truth = Truth.from_arrays(start, start + 20, lot=[f"lot {n // 10}" for n in range(300)])
    recording = Recording.from_array(light, RecordingInfo(sample_rate_hz=1000.0, unit="counts", full_scale=200.0))
    used = Setting(unit="counts", on_level=40, off_level=30)
    assert "cleaning may be due" in " ".join(teachlab.stale(recording, used, truth, horizon_hours=1e6).because)
    assert "cleaning may be due" not in " ".join(teachlab.stale(recording, used, truth).because)
    assert "less than 1e+06" in repr(teachlab.stale(recording, used, truth, least_margin=1e6))


def test_on_a_regular_line_passes_move_only_with_a_word_on_whole_passes() -> None:
    assert teachlab.align(*LATE).moved is None
    for whole in (0, 1):
        moved = teachlab.align(*LATE, whole_periods=whole).moved
        assert moved.start[:3].tolist() == (TRUTH.start[:3] + 100 * whole).tolist()


def test_a_corrected_table_is_read_back_by_label(tmp_path: Path) -> None:
    proposed = teachlab.label(RECORDING)
    teachlab.write_truth(tmp_path / "p.csv", proposed.truth.select(slice(1, None)))
    found = teachlab.label(RECORDING, corrected=tmp_path / "p.csv")
    assert (found.truth.passes, found.correction.taken_out) == (proposed.truth.passes - 1, 1)
    assert repr(found).startswith(f"{proposed.truth.passes - 1} passes taken from the corrected table. The passes are")
    teachlab.write_truth(tmp_path / "other.csv", proposed.truth.select(slice(2, None)))
    found = teachlab.label(RECORDING, corrected=tmp_path / "p.csv", against=tmp_path / "other.csv")
    few, many = proposed.truth.passes - 2, proposed.truth.passes - 1
    assert (found.agreement.both, found.agreement.only_first) == (few, (0,))
    assert repr(found).startswith(f"Both tables have {few} of {many} products; 1 only the first, 0 only the second.")


def test_every_row_of_a_plan_is_planned_as_the_whole() -> None:
    """The row of the events that are allowed says what the answer says, whatever else is asked."""
    for more in ({"best_of": 5}, {"confidence": 0.9}, {"icc": 0.1, "lot_size": 20}, {"true_rate": 0.001}):
        found = teachlab.plan(0.01, events=2, **more)
        frame = found.to_pandas()
        assert frame["events"].tolist() == [0, 1, 2]
        assert frame["passes"].tolist()[2] == found.as_dict()["passes"]
        assert frame["passes"].tolist()[0] == teachlab.plan(0.01, events=0, **more).as_dict()["passes"]


def test_a_report_holds_all_that_it_is_given(tmp_path: Path) -> None:
    teachlab.write_recording(tmp_path / "line.parquet", RECORDING, RECORDING.info)
    teachlab.write_truth(tmp_path / "line.passes.parquet", TRUTH)
    teachlab.write_truth(tmp_path / "late.parquet", LATE[1])
    teachlab.write_setting(tmp_path / "setting.json", SETTING)
    (tmp_path / "criteria.toml").write_text("[[criterion]]\nmeasure = 'lost_rate'\nmax = 0.5\n")
    found = teachlab.report(
        tmp_path / "line.parquet", tmp_path / "setting.json", tmp_path, tmp_path / "late.parquet",
        criteria=tmp_path / "criteria.toml", title="Trial", teach_share=0.5, deviations=["belt cleaned"],
        cycles=["belt=1s"], draws=0, rules=Rules(tolerance_ms=8.0, confidence=0.8),
    )  # fmt: skip
    record = found.answer
    assert record["title"] == "Trial"
    assert record["options"]["deviations"] == ["belt cleaned"]
    assert [cycle["name"] for cycle in record["cycles"]["cycles"]] == ["belt"]
    assert record["score"]["lost_rate"]["confidence"] == 0.8
    assert record["score"]["detect_passes"] < 30
    assert [row["measure"] for row in record["verdict"]["criteria"]] == ["lost_rate"]
    assert found.to_pandas()["measure"].tolist() == ["lost_rate"]
    assert "Written to" in repr(found)
    where = {"recording": tmp_path / "line.parquet", "setting": tmp_path / "setting.json"}
    assert "Verified: " in repr(teachlab.verify(tmp_path / "result.json", passes=tmp_path / "late.parquet", **where))
    other = teachlab.verify(tmp_path / "result.json", passes=tmp_path / "line.passes.parquet", **where)
    assert "Not verified" in repr(other)
    assert set(other.to_pandas().columns) == {"where", "message", "serious"}


def test_lengths_reach_the_budget_of_a_line() -> None:
    line = {"speed_mm_s": 500.0, "length_mm": 60.0, "gap_mm": 40.0, "evaluation_rate_hz": 1000.0}
    first = teachlab.timing(**line).budget
    assert (first.dwell_ms, first.gap_ms) == (120, 80)
    assert teachlab.timing(**line | {"length_mm": 30.0}).budget.dwell_ms == 60
    assert teachlab.timing(**line | {"gap_mm": 30.0}).budget.gap_ms == 60


def test_a_report_in_python_is_that_of_the_command(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    teachlab.write_recording("line.parquet", RECORDING, replace(RECORDING.info, origin=teachlab.Origin.SYNTHETIC))
    teachlab.write_truth("line.passes.parquet", TRUTH)
    teachlab.write_setting("setting.json", SETTING)
    teachlab.write_setting("sensor.json", HIGH)
    Path("criteria.toml").write_text("[[criterion]]\nmeasure = 'lost_rate'\nmax = 0.9\n")
    Path("about.toml").write_text("asset = 'Line 4'\n")
    words = (
        "report line.parquet --setting setting.json --out one --criteria criteria.toml --title Trial --deviation none "
        "--cycle belt=1s --draws 0 --sensor-setting sensor.json --rehearsal --about about.toml --bundle one.zip "
        "--no-levels --tolerance-ms 2"
    )
    done = shell.invoke(*words.split())
    found = teachlab.report(
        "line.parquet", "setting.json", "two", criteria="criteria.toml", title="Trial", deviations=["none"],
        cycles=["belt=1s"], draws=0, sensor_setting="sensor.json", rehearsal=True, about="about.toml",
        bundle="two.zip", levels=False, rules=Rules(tolerance_ms=2.0),
    )  # fmt: skip
    assert Path("one/result.json").read_bytes() == Path("two/result.json").read_bytes()
    assert [path.name for path in sorted(Path("two").iterdir())] == ["report.html", "result.json"]
    assert found.answer["about"]["asset"] == "Line 4"
    assert found.answer["options"]["rehearsal"]
    assert done.stdout.startswith(repr(found).partition(". ")[0])
    assert teachlab.verify("two.zip").verified
    assert teachlab.report("line.parquet", "setting.json", None, draws=0).answer["title"] == ""


def test_what_declined_has_a_record_in_python_too(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The command alone took what a strategy left that declined."""
    monkeypatch.chdir(tmp_path)
    teachlab.write_recording("line.parquet", RECORDING, RECORDING.info)
    teachlab.write_truth("line.passes.parquet", TRUTH)
    told = shell.invoke("teach", "line.parquet", "--strategy", "contamination-aware", "--json").stdout
    Path("declined.json").write_text(told)
    found = teachlab.report("line.parquet", "declined.json", "out", draws=0)
    assert repr(found).startswith("Criteria: no setting. No setting: contamination-aware abstained because")
    assert found.to_pandas().empty


def test_draws_of_a_report_are_those_asked_for(tmp_path: Path) -> None:
    teachlab.write_recording(tmp_path / "line.parquet", RECORDING, RECORDING.info)
    teachlab.write_truth(tmp_path / "line.passes.parquet", TRUTH)
    taught = teachlab.teach(tmp_path / "line.parquet", "two-sample-midpoint")
    teachlab.write_setting(tmp_path / "setting.json", taught)
    found = teachlab.report(
        tmp_path / "line.parquet", tmp_path / "setting.json", tmp_path / "out", teach_share=0.5, draws=3
    )
    assert found.answer["teach_cloud"]["draws"] == 3
