"""The public face: every name loads, nothing heavy loads before it is used; verbs and their tidy frames."""

from __future__ import annotations

import copy
import importlib
import inspect
import json
import pickle
import pkgutil
import re
import subprocess
import sys
import xml.etree.ElementTree as ET
from pathlib import Path
from typing import Any, get_args, get_type_hints

import numpy as np
import pytest
import shell
from scipy.stats import beta

import teachlab
from teachlab.cli.commands import COMMANDS
from teachlab.errors import InputError, TruthError
from teachlab.model.json_values import plain
from teachlab.model.recording import Recording, RecordingInfo
from teachlab.model.setting import Setting
from teachlab.model.truth import Truth
from teachlab.studies.family.study_plan import StudyKeywords, StudyOptions
from teachlab.wording.rates import percent
from teachlab.wording.verdict import first_text, verdict_lines

VERBS = (
    "read_recording", "inspect", "align", "label", "timing",
    "teach", "design", "replay", "score", "evaluate", "bench", "study", "surface", "stress",
    "repeatability", "coverage", "stale", "compare", "plan", "report", "verify", "conformance",
)  # fmt: skip
FIGURES = {"inspect", "align", "design", "bench", "study", "surface", "stress", "repeatability", "coverage"}
SETTING = Setting(unit="counts", on_level=60, off_level=40)
RATE = 1000.0
HEAVY = ("numpy", "scipy", "sklearn", "pandas", "pyarrow", "matplotlib", "pydantic", "jinja2", "joblib")


@pytest.fixture(scope="module")
def line() -> tuple[Recording, Truth]:
    """30 passes of 40 samples; the 25th is weak, and one gap has a glint."""
    rng = np.random.default_rng(3)
    start = 60 + 100 * np.arange(30)
    light = np.rint(rng.normal(20, 1, 3100))
    for k, at in enumerate(start):
        light[at : at + 40] += 15 if k == 24 else 80
    light[2120:2126] += 80
    info = RecordingInfo(sample_rate_hz=RATE, unit="counts", full_scale=4095.0)
    return Recording.from_array(light.astype(np.int32), info), Truth.from_arrays(start, start + 40)


@pytest.fixture(scope="module")
def answers(line: tuple[Recording, Truth]) -> dict[str, Any]:
    """What every verb with a frame says of the line."""
    recording, truth = line
    options = teachlab.DrawOptions(draws=4)
    return {
        "inspect": teachlab.inspect(recording, truth),
        "align": teachlab.align(recording, truth),
        "label": teachlab.label(recording),
        "timing": teachlab.timing(recording, SETTING, truth, scan_ms=4),
        "design": teachlab.design(recording, truth, strategy=teachlab.resolve("designed", {"levels": 9, "delays": 2})),
        "replay": teachlab.replay(recording, SETTING),
        "score": teachlab.score(recording, SETTING, truth),
        "evaluate": teachlab.evaluate(recording, "balanced-guard", truth),
        "bench": teachlab.bench(recording, ["two-sample-midpoint", "sweep-minmax"], truth, options=options),
        "study": teachlab.study((recording, truth), {"two-sample-midpoint": {"hysteresis_share": [0.1, 0.2]}}, draws=4),
        "surface": teachlab.surface(recording, None, truth, levels=[30, 60, 90]),
        "stress": teachlab.stress(recording, SETTING, truth, gain=[1, 0.5], ambient=[0, 30], pedestal=[0]),
        "repeatability": teachlab.repeatability(recording, "two-sample-midpoint", truth, options=options),
        "coverage": teachlab.coverage(recording, ["belt=0.5s"], truth),
        "stale": teachlab.stale(recording, SETTING, truth),
        "compare": teachlab.compare(recording, [SETTING, SETTING.with_levels(30, 28)], truth),
        "plan": teachlab.plan(0.01, events=1),
        "conformance": teachlab.conformance("single-sample"),
    }


COUNTS = {"align", "label", "replay", "score", "evaluate", "conformance"}
"""Verbs that count, and judge nothing; the replay is one without passes."""


def test_an_answer_that_judges_begins_with_its_verdict(answers: dict[str, Any]) -> None:
    """What the notebook shows is what the command says first: decision, limit, claim, reason."""
    for name in answers.keys() - COUNTS:
        found = answers[name]
        verdict = found.taught.verdict if name == "design" else found.verdict
        told = [first_text(verdict), *verdict.conditions[:1], *(r.told for r in verdict.reasons[:1])]
        told += [] if verdict.claim is None else [verdict.claim.text]
        text = repr(found)
        assert text.startswith(verdict_lines(verdict)[0][:60]), name
        assert all(one in text for one in told), name


def test_a_notebook_calls_synthetic_light_a_rehearsal_as_the_command_does() -> None:
    found = teachlab.replay(teachlab.shipped("demo_tubs"), Setting(unit="counts", on_level=1000, off_level=900))
    assert repr(found).startswith("Rehearsal on synthetic light, no evidence about a real line. Use: ")
    assert "At 95 % confidence, at most 14 % are lost on average over independent lots." in repr(found)


def test_verbs_are_functions_whatever_is_imported() -> None:
    for found in pkgutil.walk_packages(teachlab.__path__, "teachlab."):
        if not found.name.endswith("__main__"):
            importlib.import_module(found.name)
    for name in VERBS:
        assert inspect.isfunction(getattr(teachlab, name)), name
        assert name in teachlab.__all__
        assert ">>>" in (getattr(teachlab, name).__doc__ or "")


def test_no_room_bears_the_name_of_a_verb() -> None:
    assert not {found.name for found in pkgutil.iter_modules(teachlab.__path__)} & set(VERBS)


def test_importing_the_package_loads_no_verb() -> None:
    code = "import sys, teachlab; print([n for n in sys.modules if n.startswith('teachlab')])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "['teachlab']"


def test_every_answer_prints_as_a_sentence_and_gives_a_frame(answers: dict[str, Any]) -> None:
    for name, found in answers.items():
        assert len(repr(found).splitlines()) <= 2, name
        assert len(repr(found)) > 20, name
        frame = found.to_pandas()
        assert len(frame) > 0, name
        assert not any(isinstance(cell, dict | list) for cell in frame.to_numpy().ravel()), name
        assert copy.copy(found).answer is found.answer


def test_times_in_a_frame_are_samples_by_the_rate(answers: dict[str, Any]) -> None:
    pairs = {"label": ("start", "end"), "replay": ("onset_sample", "release_sample")}
    for name, columns in pairs.items():
        frame = answers[name].to_pandas()
        for column in columns:
            assert np.array_equal(frame[f"{column.removesuffix('_sample')}_s"], frame[column] / RATE)


def test_every_answer_comes_back_from_a_worker_process(answers: dict[str, Any]) -> None:
    """Before: "Can't pickle local object 'replay.<locals>.rows'"."""
    for name, found in answers.items():
        back = pickle.loads(pickle.dumps(found))
        assert repr(back) == repr(found), name
        assert back.to_pandas().equals(found.to_pandas()), name
        with pytest.raises(InputError, match="A pickle keeps no figure"):
            back.plot()
        assert copy.deepcopy(found).plot().content == found.plot().content if name in FIGURES else True, name


def test_those_with_a_figure_draw_it_and_the_others_say_that_they_have_none(answers: dict[str, Any]) -> None:
    for name, found in answers.items():
        if name in FIGURES:
            picture = found.plot()
            ET.fromstring(picture._repr_svg_())
            assert picture._repr_png_() is None
        else:
            with pytest.raises(InputError, match="has no figure"):
                found.plot()
    assert answers["stress"].plot("png")._repr_png_().startswith(b"\x89PNG")
    with pytest.raises(InputError, match="svg or png, got 'gif'"):
        answers["stress"].plot("gif")


def test_a_picture_is_saved_under_its_kind(answers: dict[str, Any], tmp_path: Path) -> None:
    picture = answers["stress"].plot()
    picture.save(tmp_path / "map.svg")
    assert (tmp_path / "map.svg").read_bytes() == picture.content
    with pytest.raises(InputError, match=r"ends in \.svg"):
        picture.save(tmp_path / "map.png")
    assert "svg" in repr(picture)


def test_a_plan_in_python_says_what_the_command_says() -> None:
    """No loss in 59 lots shows 5 % (1 − 0.05^(1/59) < 5 %); 59 passes do so only if they are independent."""
    told = repr(teachlab.plan(0.05))
    assert told.startswith("Record: 59 lots.")
    assert "59 passes are enough only if passes are independent" in told


def test_frames_say_what_was_worked_by_hand(answers: dict[str, Any]) -> None:
    onsets = answers["replay"].to_pandas()
    # 29 strong passes and the glint; a pass from sample 60 to 100 is on at 60 and released at 100.
    assert len(onsets) == 30
    assert onsets.iloc[0].tolist() == [60, 0.06, 100, 0.1]
    assert 2120 in onsets["onset_sample"].tolist()
    rates = answers["score"].to_pandas().set_index("rate")
    assert (rates.loc["lost_rate", "events"], rates.loc["lost_rate", "trials"]) == (1, 30)
    assert rates.loc["false_trips_per_running_hour", "events"] == 1
    low, high = beta.ppf([0.025, 0.975], [1, 2], [30, 29])
    assert (
        f"1 of 30 passes lost ({percent(low)} to {percent(high)} at 95 % confidence if passes are independent), "
        "1 false trip."
    ) in repr(answers["score"])
    cells = answers["surface"].to_pandas()
    assert len(cells) == 6
    pair = cells[(cells["on_level"] == 60) & (cells["off_level"] == 30)].iloc[0]
    assert (pair["lost"], pair["false_trips"]) == (1, 1)
    worse = answers["stress"].to_pandas().set_index(["gain", "ambient"])
    # Half of 100 counts stays below the level of 60; 30 more lift it above, and the background to 40 at most.
    assert worse.loc[(0.5, 0.0), "lost"] == 30
    assert worse.loc[(0.5, 30.0), "lost"] == 1
    assert "no reserve" in repr(answers["stress"])
    sides = answers["compare"].to_pandas().set_index("setting")
    assert sides["lost"].to_dict() == {"setting 1": 1, "setting 2": 0}
    assert sides["false_trips"].tolist() == [1, 1]
    assert answers["plan"].to_pandas()["events"].tolist() == [0, 1]
    # ln(0.05) / ln(0.99) = 298.07; with one loss 0.99^473 + 473 * 0.01 * 0.99^472 = 0.0498.
    assert answers["plan"].to_pandas()["passes"].tolist() == [299, 473]


def test_frames_of_draws_are_the_draws(answers: dict[str, Any]) -> None:
    frame = answers["bench"].to_pandas()
    for result in answers["bench"].results:
        mine = frame[frame["strategy"] == result.strategy]
        assert mine["draw"].tolist() == [d.draw for d in result.draws]
        assert mine["on_level"].tolist() == [d.setting.on_level for d in result.draws]
    assert answers["repeatability"].to_pandas()["draw"].tolist() == [0, 1, 2, 3]
    assert answers["evaluate"].to_pandas()["events"].tolist()[0] == answers["evaluate"].score.lost_rate.events


def test_checks_are_the_rows_of_conformance(answers: dict[str, Any]) -> None:
    frame = answers["conformance"].to_pandas()
    assert frame["check"].tolist()[:2] == ["determinism", "global-random-state"]
    assert set(frame["verdict"]) <= {"passed", "skipped"}


def test_paths_and_values_give_the_same(line: tuple[Recording, Truth], tmp_path: Path) -> None:
    recording, truth = line
    teachlab.write_recording(tmp_path / "line.parquet", recording, recording.info)
    teachlab.write_truth(tmp_path / "line.passes.parquet", truth)
    teachlab.write_setting(tmp_path / "setting.json", SETTING)
    by_path = teachlab.score(tmp_path / "line.parquet", tmp_path / "setting.json")
    by_name = teachlab.score(str(tmp_path / "line.parquet"), SETTING, tmp_path / "line.passes.parquet")
    by_value = teachlab.score(recording, SETTING, truth)
    assert by_path.as_dict() == by_name.as_dict() == by_value.as_dict()
    mine = teachlab.resolve("two-sample-midpoint")
    taught = [teachlab.teach(recording, one, truth) for one in ("two-sample-midpoint", mine, type(mine))]
    assert taught[0] == taught[1] == taught[2]


def test_what_is_missing_is_said(line: tuple[Recording, Truth], tmp_path: Path) -> None:
    recording, truth = line
    with pytest.raises(InputError, match="its passes are needed too"):
        teachlab.score(recording, SETTING)
    teachlab.write_recording(tmp_path / "line.parquet", recording, recording.info)
    with pytest.raises(TruthError, match="no table of passes lies beside it"):
        teachlab.score(tmp_path / "line.parquet", SETTING)
    with pytest.raises(InputError, match=r"given as a list, such as \['single-sample'\]"):
        teachlab.bench(recording, "single-sample", truth)
    with pytest.raises(InputError, match=r"settings are given as a list, such as \[setting\]"):
        teachlab.compare(recording, SETTING, truth)  # type: ignore[arg-type]
    with pytest.raises(InputError, match="horizon_hours must be above 0"):
        teachlab.stale(recording, SETTING, truth, horizon_hours=-1.0)
    with pytest.raises(InputError, match="no recording 'nothing' ships"):
        teachlab.shipped("nothing")
    with pytest.raises(AttributeError):
        teachlab.score(recording, SETTING, truth).treshold  # noqa: B018


def test_every_public_name_loads_and_is_no_module() -> None:
    for name in teachlab.__all__:
        assert type(getattr(teachlab, name)).__name__ != "module", name
    assert teachlab.__all__ == sorted(teachlab.__all__)
    assert {name for name in teachlab.__all__ if name not in teachlab._MODULE_OF} == set()


def test_unknown_names_are_refused() -> None:
    assert not hasattr(teachlab, "treshold")


def test_help_loads_nothing_heavy_and_no_command() -> None:
    words = [sys.executable, "-X", "importtime", "-m", "teachlab", "--help"]
    done = subprocess.run(words, capture_output=True, text=True, check=True)
    assert "bench" in done.stdout
    loaded = {line.rpartition("|")[2].strip() for line in done.stderr.splitlines() if line.startswith("import time:")}
    assert "typer" in loaded
    assert not {name.partition(".")[0] for name in loaded} & set(HEAVY)
    commands = {f"teachlab.cli.{listed.module}" for listed in COMMANDS.values()}
    assert not loaded & (commands | {"teachlab.cli.frame", "teachlab.cli.console", "teachlab.verbs"})
    ours = {name for name in loaded if name.startswith("teachlab")}
    assert len(ours) < 10, ours


def test_a_replay_in_python_decides_as_the_command_does() -> None:
    """Light at the end of the scale, and the level just below it: without a margin it said "use"."""
    rng = np.random.default_rng(3)
    start = np.cumsum(rng.integers(150, 260, 60))
    light = rng.normal(200, 5, int(start[-1]) + 400)
    for at in start:
        light[at : at + 40] = 4095
    info = RecordingInfo(sample_rate_hz=1000.0, unit="counts", full_scale=4095)
    clipped = Recording.from_array(np.round(light), info)
    truth = Truth.from_arrays(start, start + 40, lot=[f"L{k // 6}" for k in range(60)])
    found = teachlab.replay(clipped, Setting(unit="counts", on_level=4094.0, off_level=4000.0), truth)
    assert found.verdict.decision == "use with a limit"


def without_step(document: Any) -> Any:
    """Return a document without its next step, which names files, and without the files that were written."""

    def without(value: Any) -> Any:
        if isinstance(value, list):
            return [without(one) for one in value]
        left = value.items() if isinstance(value, dict) else ()
        return {k: without(v) for k, v in left if k not in ("next_step", "out", "sheets")} if left else value

    return without(json.loads(json.dumps(plain(document))))


@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize(
    ("clip", "late", "info", "first"),
    [
        (999, 0, {"full_scale": 600.0}, "Light of {high:g} counts lies above the full scale of 600 counts: one of"),
        (700, 0, {}, "700 counts: something clips before the log."),
        (999, 0, {"direction": "dip"}, "only if products raise it, but its direction is stored as dip."),
        (999, 25, {}, "Your passes lag the light by 25"),
    ],
)
def test_doubts_of_a_recording_are_reasons_in_python_and_in_the_document(
    tmp_path: Path, seed: int, clip: int, late: int, info: dict[str, Any], first: str
) -> None:
    """Light above the full scale, clipped light and a contradicted direction were told by the command alone."""
    rng = np.random.default_rng(seed)
    start = 100 + np.cumsum(rng.integers(220, 330, 60))
    light = rng.normal(200, 10, start[-1] + 300)
    for at in start:
        light[at : at + 60] += rng.integers(450, 600)
    light = np.minimum(np.rint(light), clip).astype(np.int32)
    known = RecordingInfo(sample_rate_hz=RATE, unit="counts", **info)
    teachlab.write_recording(tmp_path / "line.parquet", Recording.from_array(light, known))
    teachlab.write_truth(tmp_path / "line.passes.parquet", Truth.from_arrays(start + late, start + 60 + late))
    found = teachlab.inspect(tmp_path / "line.parquet")
    said = first.format(high=light.max())
    texts = [reason.text for reason in found.verdict.reasons]
    assert sum(said in text for text in texts) == 1
    assert said in (texts[-1] if clip == 700 else repr(found))
    assert without_step(shell.document("inspect", tmp_path / "line.parquet")) == without_step(found.as_dict())
    assert said in " ".join(shell.run("inspect", tmp_path / "line.parquet").stdout.split())


@pytest.mark.parametrize("late", [0, 25])
def test_what_can_be_asked_of_a_recording_is_answered_as_by_the_commands(tmp_path: Path, late: int) -> None:
    """Inspect, align, label and timing: the document but for next steps and files, and the first words."""
    rng = np.random.default_rng(5)
    start = 100 + np.cumsum(rng.integers(120, 190, 60))
    light = np.rint(rng.normal(20, 1, start[-1] + 300))
    for at in start:
        light[at : at + 60] += rng.integers(70, 90)
    info = RecordingInfo(sample_rate_hz=RATE, unit="counts", full_scale=4095.0)
    place, setting = tmp_path / "line.parquet", tmp_path / "s.json"
    teachlab.write_recording(place, Recording.from_array(light.astype(np.int32), info))
    teachlab.write_truth(tmp_path / "line.passes.parquet", Truth.from_arrays(start + late, start + 60 + late))
    teachlab.write_setting(setting, SETTING)
    asked = {
        "inspect": ((place,), teachlab.inspect(place)),
        "align": ((place,), teachlab.align(place)),
        "label": ((place, "--force", "--out", tmp_path / "new.csv"), teachlab.label(place)),
        "timing": ((place, "--setting", setting, "--scan-ms", 4), teachlab.timing(place, setting, scan_ms=4)),
    }
    for name, (words, found) in asked.items():
        assert without_step(shell.document(name, *words)) == without_step(found.as_dict()), name
        first = " ".join(shell.run(name, *words).stdout.split()).replace(f", written to {tmp_path / 'new.csv'}", "")
        assert first.startswith(repr(found).partition(". ")[0]), name
    assert "lag the light by 25" in repr(asked["inspect"][1]) if late else "Any on-level" in repr(asked["inspect"][1])
    assert np.abs(asked["align"][1].moved.start - start).max() <= 1


def bench_of(found: Any) -> dict[str, Any]:
    """Return the document of the command, which holds several recordings."""
    from teachlab.studies.document import bench_document

    return bench_document([found.answer])


@pytest.fixture(scope="module")
def three_lines(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A good line, a bad one of weak passes, and one whose passes were told 25 ms late; with settings in files."""
    folder = tmp_path_factory.mktemp("lines")
    for seed, (name, late) in enumerate({"good": 0, "bad": 0, "late": 25}.items()):
        rng = np.random.default_rng(seed)
        start = 100 + np.cumsum(rng.integers(120, 190, 60))
        light = rng.normal(20, 1, start[-1] + 300)
        for k, at in enumerate(start):
            light[at : at + 60] += 9 if name == "bad" and k % 5 == 4 else rng.integers(70, 90)
        known = RecordingInfo(sample_rate_hz=RATE, unit="counts", full_scale=4095.0)
        teachlab.write_recording(folder / f"{name}.parquet", Recording.from_array(np.rint(light).astype(int), known))
        lots = [f"lot {k // 5}" for k in range(60)]
        truth = Truth.from_arrays(start + late, start + 60 + late, lot=lots)
        teachlab.write_truth(folder / f"{name}.passes.parquet", truth)
    teachlab.write_setting(folder / "s.json", SETTING)
    teachlab.write_setting(folder / "low.json", SETTING.with_levels(23, 22))
    teachlab.write_setting(folder / "other.json", Setting(unit="mV", on_level=60, off_level=40))
    return folder


def test_a_checker_of_types_knows_every_option_of_a_study() -> None:
    known = StudyKeywords.__annotations__.keys()
    assert known == StudyOptions.model_fields.keys() | {"bases", "conditions", "criteria"}


FOUR = teachlab.DrawOptions(draws=4)
SAID_ALIKE: dict[str, tuple[str, Any]] = {
    "replay": ("replay R --setting s.json", lambda r: teachlab.replay(r, "s.json")),
    "stress": (
        "stress R --setting s.json --gain 1,0.5 --ambient 0 --pedestal 0",
        lambda r: teachlab.stress(r, "s.json", gain=[1, 0.5], ambient=[0], pedestal=[0]),
    ),
    "compare": (
        "compare R --setting s.json --setting low.json", lambda r: teachlab.compare(r, ["s.json", "low.json"]),
    ),
    "stale": (
        "stale R --setting s.json --before before.parquet",
        lambda r: teachlab.stale(r, "s.json", before="before.parquet"),
    ),
    "card": ("card R --setting s.json --draws 2", lambda r: teachlab.card(r, "s.json", draws=2)),
    "surface": (
        "surface R --setting s.json --levels 20:100:5",
        lambda r: teachlab.surface(r, settings=["s.json"], levels=[20, 40, 60, 80, 100]),
    ),
    "design": (
        "design R --set levels=9 --set delays=2",
        lambda r: teachlab.design(r, strategy=teachlab.resolve("designed", {"levels": 9, "delays": 2})),
    ),
    "repeatability": (
        "repeatability R --strategy single-sample --draws 4",
        lambda r: teachlab.repeatability(r, "single-sample", options=FOUR),
    ),
    "bench": (
        "bench R --strategy single-sample --draws 4", lambda r: teachlab.bench(r, ["single-sample"], options=FOUR),
    ),
    "coverage": (
        "coverage R --cycle belt=1s --setting low.json",
        lambda r: teachlab.coverage(r, ["belt=1s"], setting="low.json"),
    ),
    "counterfactual": ("counterfactual R --setting s.json", lambda r: teachlab.counterfactual(r, "s.json")),
    "timing": ("timing R --setting s.json --scan-ms 4", lambda r: teachlab.timing(r, "s.json", scan_ms=4)),
}  # fmt: skip


@pytest.mark.parametrize("line", ["good", "bad", "late"])
@pytest.mark.parametrize("verb", SAID_ALIKE)
def test_a_verb_says_what_its_command_says(
    three_lines: Path, monkeypatch: pytest.MonkeyPatch, verb: str, line: str
) -> None:
    """The documents but for the next step, and the words with which both begin."""
    monkeypatch.chdir(three_lines)
    command, call = SAID_ALIKE[verb]
    before = "bad" if line == "good" else "good"
    for end in ("parquet", "passes.parquet"):
        Path(f"before.{end}").write_bytes(Path(f"{before}.{end}").read_bytes())
    words = command.replace("R", f"{line}.parquet").split()
    found, shown = call(f"{line}.parquet"), shell.invoke(*words).stdout
    mine = bench_of(found) if verb == "bench" else found.as_dict()
    theirs = json.loads(shell.invoke(*words, "--json").stdout)
    assert without_step(mine) == without_step(theirs)
    first = re.sub(r"\s+", " ", shown)
    verdict = found.taught.verdict if verb == "design" else found.verdict
    said = repr(found)
    assert first.startswith(said[: said.index(first_text(verdict)) + len(first_text(verdict))])
    assert ("lag the light by 25" in said) == ("lag the light by 25" in first)
    assert all(reason.told in said for reason in verdict.reasons[:1])


REFUSED_ALIKE: dict[str, tuple[str, Any, str]] = {
    "other unit": ("replay R --setting other.json", lambda r: teachlab.replay(r, "other.json"), ""),
    "other unit, compared": (
        "compare R --setting other.json --setting s.json", lambda r: teachlab.compare(r, ["other.json", "s.json"]), "",
    ),
    "other unit, looked up": (
        "surface R --setting other.json", lambda r: teachlab.surface(r, settings=["other.json"]), "",
    ),
    "other unit, as base": (
        "teach R --strategy single-sample --base other.json",
        lambda r: teachlab.teach(r, "single-sample", base="other.json"), "",
    ),
    "one setting": ("compare R --setting s.json", lambda r: teachlab.compare(r, ["s.json"]), "settings other"),
    "a setting twice": (
        "compare R --setting s.json --setting s.json", lambda r: teachlab.compare(r, ["s.json", "s.json"]), "settings",
    ),
    "the same light": (
        "stale R --setting s.json --before R", lambda r: teachlab.stale(r, "s.json", before=r), "before",
    ),
    "no numbers": ("timing", lambda r: teachlab.timing(), "speed_mm_s length_mm gap_mm evaluation_rate_hz"),
    "lengths and a recording": (
        "timing R --length-mm 5", lambda r: teachlab.timing(r, length_mm=5), "length_mm gap_mm",
    ),
    "shares and a setting": (
        "timing R --setting s.json --on-share 0.3", lambda r: teachlab.timing(r, "s.json", on_share=0.3),
        "setting beam_mm on_share off_share",
    ),
    "lots and their size": (
        "plan --max-rate 0.01 --lots 3 --lot-size 3", lambda r: teachlab.plan(0.01, lots=3, lot_size=3),
        "lots lot_size",
    ),
    "a figure alone": ("plan --max-rate 0.01 --figure 3", lambda r: teachlab.plan(0.01, figure=3), "figure values"),
    "against nothing": ("label R --against x.csv", lambda r: teachlab.label(r, against="x.csv"), "against corrected"),
    "a pdf of nothing": (
        "report R --setting s.json --pdf", lambda r: teachlab.report(r, "s.json", None, pdf=True), "folder",
    ),
}  # fmt: skip


@pytest.mark.parametrize("what", REFUSED_ALIKE)
def test_a_refusal_names_keywords_where_the_command_names_options(
    three_lines: Path, monkeypatch: pytest.MonkeyPatch, what: str
) -> None:
    """It said "missing: --speed-mm-s" to people who type speed_mm_s, and took one setting twice or the same light."""
    monkeypatch.chdir(three_lines)
    command, call, words = REFUSED_ALIKE[what]
    with pytest.raises(InputError) as fault:
        call("good.parquet")
    told = shell.run(*command.replace("R", "good.parquet").split(), code=2).stderr
    mine = re.sub(r"\s+", " ", str(fault.value))
    assert "--" not in mine
    assert {word for word in words.split() if re.search(rf"\b{word}\b", mine)} == set(words.split())
    if not words:  # without an option in it, both are the same
        assert mine in re.sub(r"\s+", " ", told)


def test_a_count_of_products_is_at_least_one(line: tuple[Recording, Truth]) -> None:
    with pytest.raises(InputError, match="count must be at least 1, got -2"):
        teachlab.label(line[0], count=-2)


def test_what_label_and_conform_say_is_said_in_python(three_lines: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """It left out what the count shows, and said that a strategy conforms that never taught."""
    monkeypatch.chdir(three_lines)
    told = repr(teachlab.label("good.parquet", count=61))
    assert "61 products were counted, 60 passes are proposed: 1 is likely missing." in told
    told = repr(teachlab.conformance("contamination-aware"))
    assert told.startswith("contamination-aware CANNOT BE JUDGED, it never taught: ")
    assert shell.run("conform", "contamination-aware", code=3).stdout.startswith(told)


def test_what_surrounds_a_sensor_is_calculated_as_by_the_commands() -> None:
    asked = {
        "neighbour --width-us 4 --period-us 100 --period-us 93 --consecutive 3": teachlab.neighbours_apart(
            [100, 93], width_us=4, consecutive=3
        ),
        "beat --own-hz 10000 --other-hz 10400 --amplitude 80 --integration-us 500 --hysteresis 20":
            teachlab.neighbour_beat(own_hz=10000, other_hz=10400, amplitude=80, integration_us=500, hysteresis=20),
        "lamp --evaluation-rate-hz 1000 --swing 30 --hysteresis 10": teachlab.lamp(
            evaluation_rate_hz=1000, swing=30, hysteresis=10
        ),
        "ambient --limit-lx 5000": teachlab.ambient_light(limit_lx=5000),
        "target --measured 2000 --other-reflectance 0.06": teachlab.other_target(measured=2000, other_reflectance=0.06),
    }  # fmt: skip
    for words, found in asked.items():
        assert shell.document("surroundings", *words.split()) == json.loads(json.dumps(plain(found.as_dict()))), words
        assert re.sub(r"\s+", " ", shell.run("surroundings", *words.split()).stdout).startswith(repr(found)), words


def test_passes_that_cannot_be_moved_are_not_moved(line: tuple[Recording, Truth]) -> None:
    recording, _ = line
    with pytest.raises(InputError, match="nothing can be measured"):
        teachlab.align(recording, Truth.from_arrays([5], [30]))
    with pytest.raises(InputError, match="direction must be one of rise, dip, got 'up'"):
        teachlab.label(recording, direction="up")


@pytest.mark.parametrize("value", ["Setting", "RecordingInfo", "Truth", "Rules", "Costs", "DrawOptions"])
def test_what_a_public_value_is_made_of_is_public_too(value: str) -> None:
    """With ``mypy --strict`` a choice is written as ``teachlab.Polarity.LIGHT_ON``; before, it had no public name."""
    made = getattr(teachlab, value)
    for one in get_type_hints(made.__init__, vars(sys.modules[made.__module__])).values():
        for part in (one, *get_args(one)):
            if isinstance(part, type) and part.__module__.startswith("teachlab."):
                assert getattr(teachlab, part.__name__) is part
