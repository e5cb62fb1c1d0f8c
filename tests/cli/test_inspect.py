"""The command `inspect`, as a user runs it."""

from __future__ import annotations

import json
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from unittest import mock

import numpy as np
import pytest
import shell
from numpy.typing import NDArray

from teachlab.data.quality.trace_figure import envelope
from teachlab.data.recording_files import write_recording
from teachlab.data.truth_files import write_truth
from teachlab.model.printable_text import wrong_text
from teachlab.model.recording import Direction, Origin, Recording, RecordingInfo
from teachlab.model.truth import Truth, TruthSource
from teachlab.questions.quality import inspected
from teachlab.questions.quality.answer import WiderBorders
from teachlab.scoring.scoring import score
from teachlab.switching.run import replay

KEYS = {
    "samples", "sample_rate_hz", "seconds", "invalid", "saturated", "direction", "passes", "noise", "contrast",
    "separable",
}  # fmt: skip


def write(
    folder: Path, *, weak: bool = False, truth: bool = True, source: TruthSource = TruthSource.INDEPENDENT
) -> Path:
    """Write 40 passes of 100 ms every 250 ms; with `weak`, pass 7 is as dark as the belt."""
    rng = np.random.default_rng(8)
    light = rng.normal(10, 1, 40 * 250 + 100)
    start = 100 + 250 * np.arange(40)
    for k, a in enumerate(start):
        light[a : a + 100] = 9 if weak and k == 7 else light[a : a + 100] + 60
    info = RecordingInfo(
        sample_rate_hz=1000.0, unit="counts", full_scale=4095, title="Skarnhollow Crates", origin=Origin.SYNTHETIC
    )
    path = folder / "line.parquet"
    write_recording(path, [light.astype(np.float32)], info)
    if truth:
        labels = ["crate"] * 40
        write_truth(folder / "line.passes.parquet", Truth.from_arrays(start, start + 100, label=labels, source=source))
    return path


def invoke(*words: object):
    return shell.invoke(*words, *(["--details"] if words[0] == "inspect" else []))


def test_json_holds_every_key_of_the_contract(tmp_path: Path) -> None:
    done = invoke("inspect", write(tmp_path), "--json")
    assert done.exit_code == 0, done.output
    document = json.loads(done.stdout)
    assert document.keys() >= KEYS
    assert {"object", "background"} <= document["noise"].keys()
    assert (document["samples"], document["seconds"], document["passes"]) == (10_100, 10.1, 40)
    assert (document["direction"], document["separable"], document["invalid"], document["saturated"]) == (
        "rise",
        True,
        0,
        0,
    )
    assert document["noise"]["background"] == pytest.approx(1.0, rel=0.05)
    assert document["contrast"] == pytest.approx(62.5, abs=1)


def test_without_passes_what_needs_them_is_null(tmp_path: Path) -> None:
    path = write(tmp_path, truth=False)
    document = json.loads(invoke("inspect", path, "--json").stdout)
    assert [document[k] for k in ("passes", "contrast", "separable", "direction")] == [None] * 4
    assert document["noise"]["object"] is None
    said = invoke("inspect", path).stdout
    assert f"teachlab label {path}" in said.replace("\n", " ")


def test_people_are_told_who_is_in_the_way(tmp_path: Path) -> None:
    path = write(tmp_path, weak=True)
    done = invoke("inspect", path)
    assert done.exit_code == 0, done.output
    said = " ".join(done.stdout.split())
    assert "has 1 of 40 passes and 0 of 41 gaps on the wrong side" in said
    assert "pass 7 'crate' at 1.85 s after the start (samples 1850 to 1949), strongest light" in said
    assert f"teachlab bench {path}" in done.stdout
    assert "counts" in done.stdout


def test_self_labelled_passes_carry_their_note(tmp_path: Path) -> None:
    done = invoke("inspect", write(tmp_path, source=TruthSource.SELF_LABELLED), "--json")
    assert json.loads(done.stdout)["truth_source"] == "self-labelled"
    assert "support no claim" in " ".join(done.stderr.split())


@pytest.mark.parametrize("ending", ["svg", "png"])
def test_the_picture_is_written_and_repeats(tmp_path: Path, ending: str) -> None:
    path = write(tmp_path)
    pictures = []
    for name in ("a", "b"):
        done = invoke("inspect", path, "--plot", tmp_path / f"{name}.{ending}", "--json")
        assert done.exit_code == 0, done.output
        pictures.append((tmp_path / f"{name}.{ending}").read_bytes())
    assert pictures[0] == pictures[1]
    if ending == "svg":
        text = pictures[0].decode()
        for word in ("Skarnhollow Crates", "synthetic", "light, counts", "its first passes"):
            assert word in text


def test_the_picture_has_a_row_for_the_sensors_own_output(tmp_path: Path) -> None:
    light = np.tile(np.repeat([10, 90], [20, 10]), 3).astype(np.uint16)
    info = RecordingInfo(sample_rate_hz=1000.0, unit="counts")
    for name, output in (("sensed", light > 50), ("bare", None)):
        write_recording(tmp_path / f"{name}.parquet", Recording.from_array(light, info, output=output))
        plot = tmp_path / f"{name}.svg"
        assert invoke("inspect", tmp_path / f"{name}.parquet", "--plot", plot).exit_code == 0
        assert ("sensor's own output active" in plot.read_text()) == (name == "sensed")


def test_the_picture_draws_no_level_while_the_passes_lie_beside_the_light(tmp_path: Path) -> None:
    path, plot = write(tmp_path), tmp_path / "light.svg"
    seen, start = [], 100 + 250 * np.arange(40)
    for late in (0, 120):
        write_truth(tmp_path / "line.passes.parquet", Truth.from_arrays(start + late, start + late + 100))
        shell.run("inspect", path, "--plot", plot)
        text = plot.read_text()
        seen.append(("on-level of the best pair" in text, "No level is drawn: align the passes first." in text))
    assert seen == [(True, False), (False, True)]


def test_the_picture_draws_the_pair_of_levels_that_the_answer_names(tmp_path: Path) -> None:
    """Double walls: one level between all gaps and all passes switches twice for each product; it was drawn as good."""
    start = 300 + 400 * np.arange(100)
    light = np.random.default_rng(3).normal(1000, 3, 41_000).round()
    for a in start:
        light[a : a + 100] -= 200
        light[np.r_[a : a + 20, a + 80 : a + 100]] -= 400
    info = RecordingInfo(sample_rate_hz=1000.0, unit="counts", direction=Direction.DIP)
    recording, truth = Recording.from_array(light.astype(np.int16), info), Truth.from_arrays(start, start + 100)
    write_recording(tmp_path / "walls.parquet", recording)
    write_truth(tmp_path / "walls.passes.parquet", truth)
    best = inspected(recording, truth).best
    assert best is not None
    assert best.cost == 0
    one = replace(best.setting, on_level=600.0, off_level=600.0)
    assert score(replay(recording, one), truth).counts.extra == 100
    with mock.patch("matplotlib.axes.Axes.axhline") as drawn:
        shell.run("inspect", tmp_path / "walls.parquet", "--plot", tmp_path / "light.svg")
    assert [call.args[0] for call in drawn.call_args_list] == [best.setting.on_level, best.setting.off_level] * 2


def test_passes_in_which_nothing_is_seen_are_no_fault_of_a_level(tmp_path: Path) -> None:
    """600 products pass after the 600 passes, too far away to be found."""
    start = 300 + 400 * np.arange(600)
    light = np.random.default_rng(3).normal(100, 3, 481_000)
    for a in start + 240_200:
        light[a : a + 25] += 400
    info = RecordingInfo(sample_rate_hz=1000.0, unit="counts", direction=Direction.RISE)
    write_recording(tmp_path / "far.parquet", Recording.from_array(light.round().astype(np.int16), info))
    write_truth(tmp_path / "far.passes.parquet", Truth.from_arrays(start, start + 25))
    plot = tmp_path / "light.svg"
    told = shell.invoke("inspect", tmp_path / "far.parquet", "--plot", plot).stdout
    assert told.startswith("Nothing is seen in most passes.\nWhy: In 584 of 600 passes the light is that of the gaps: ")
    assert "No fixed level works" not in told
    assert "on-level of the best pair" not in plot.read_text()


def test_an_empty_table_of_passes_is_named(tmp_path: Path) -> None:
    path = write(tmp_path, truth=False)
    write_truth(tmp_path / "line.passes.parquet", Truth.from_arrays([], []))
    told = shell.invoke("inspect", path).stdout
    assert told.startswith("No passes are known.\nWhy: The table of passes is empty.\n")
    assert f"Or take it away, then: teachlab label {path}" in " ".join(told.split())


def test_the_envelope_leaves_no_sample_out() -> None:
    light = np.zeros(1_000_000, np.uint16)
    light[[3, 777_777]] = [900, 55]
    light[500_000:600_000] = 7
    info = RecordingInfo(sample_rate_hz=1000.0, unit="counts")
    found = envelope(Recording.from_array(light, info), 0, light.size, columns=999)
    for value in (900, 55):
        k = int(np.flatnonzero(found.high == value)[0])
        assert found.edges[k] <= np.flatnonzero(light == value)[0] < found.edges[k + 1]
    assert found.low.max() == 7
    assert (found.edges[0], found.edges[-1], found.low.size) == (0, 1_000_000, 999)


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["--plot", "trace.pdf"], "--plot needs a name that ends in .svg or .png"),
        (["--tolerance-ms", "-1"], "tolerance-ms must be a number from 0"),
        (["--truth", "none.csv"], "none.csv: there is no such file"),
        (["--plot", "no/such/folder/a.svg"], "there is no folder"),
    ],
)
def test_bad_options_exit_with_2(tmp_path: Path, words: list[str], says: str) -> None:
    done = invoke("inspect", write(tmp_path), *words)
    assert (done.exit_code, done.stdout) == (2, "")
    assert says in done.stderr


def test_nothing_valid_exits_with_2(tmp_path: Path) -> None:
    write_recording(tmp_path / "r.parquet", [np.full(10, np.nan)], RecordingInfo(sample_rate_hz=1.0, unit="mV"))
    done = invoke("inspect", tmp_path / "r.parquet")
    assert (done.exit_code, done.stdout) == (2, "")
    assert "none of the 10 samples is valid" in done.stderr


def test_whether_levels_work_is_counted(tmp_path: Path) -> None:
    """Peaks lie apart, but the light of every tenth object comes back inside it: it switches twice, or is lost."""
    light = np.full(60 * 250 + 100, 10.0)
    start = 100 + 250 * np.arange(60)
    for k, a in enumerate(start):
        light[a : a + 100] = 80
        if k % 10 == 0:
            light[a + 40 : a + 60] = 10
    write_recording(tmp_path / "line.parquet", [light], RecordingInfo(sample_rate_hz=1000.0, unit="counts"))
    truth = Truth.from_arrays(start, start + 100, uncertainty_samples=2.0)
    write_truth(tmp_path / "line.passes.parquet", truth)
    document = json.loads(invoke("inspect", tmp_path / "line.parquet", "--json").stdout)
    assert (document["separable"], document["works"]) == (True, False)
    assert document["best_fixed"]["counts"]["extra"] == 6
    told = invoke("inspect", tmp_path / "line.parquet").stdout
    assert "none works: the best pair" in told
    assert "still has 6 extra switchings" in told
    assert "every pair of levels makes errors" in told
    assert "has all 60 passes on one side" not in told


@pytest.mark.parametrize(
    ("lost", "told"), [(3, "A fixed level makes few errors here."), (4, "No fixed level works here.")]
)
def test_levels_with_no_more_errors_than_are_accepted_may_serve(tmp_path: Path, lost: int, told: str) -> None:
    """3 of 60 passes are one in twenty, which bench accepts; both commands that count every pair say the same."""
    light = np.full(60 * 250 + 100, 10.0)
    start = 100 + 250 * np.arange(60)
    for k, a in enumerate(start):
        light[a : a + 100] = 10 if k < lost else 80
    path = tmp_path / "line.parquet"
    write_recording(path, [light], RecordingInfo(sample_rate_hz=1000.0, unit="counts", direction=Direction.RISE))
    write_truth(tmp_path / "line.passes.parquet", Truth.from_arrays(start, start + 100, uncertainty_samples=2.0))
    done = shell.invoke("inspect", path)
    assert done.stdout.startswith(told)
    assert f"leaves {wrong_text(lost, 0)} on 60 passes" in " ".join(done.stdout.split())
    assert shell.invoke("surface", path).stdout.startswith(told.rstrip("."))


@pytest.mark.parametrize(
    ("holes", "knock", "told"),
    [
        (True, 0, "No fixed level works here; a filter of 33 evaluations leaves no error."),
        (False, 0, "No fixed level works here; a filter of 5 evaluations leaves no error."),
        (False, 100, "No fixed level works here; a filter of 5 evaluations leaves 1 error."),
    ],
)
def test_a_filter_that_mends_what_no_level_does_is_told_first(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, holes: bool, knock: int, told: str
) -> None:
    """Products with holes of 20 samples; a plate that shakes in every third gap, and longer after the last product."""
    monkeypatch.chdir(tmp_path)
    light = np.full(60 * 250 + 500, 10.0)
    start = 100 + 250 * np.arange(60)
    for k, a in enumerate(start):
        light[a : a + 100] += 70
        if k % 3 == 1:
            light[a + 125 : a + 125 + 3] += 0 if holes else 110
            light[a + 40 : a + 60] -= 70 if holes else 0
    light[-150 : -150 + knock] += 70
    info = RecordingInfo(sample_rate_hz=1000.0, unit="counts", direction=Direction.RISE)
    write_recording(tmp_path / "line.parquet", [light], info)
    write_truth(tmp_path / "line.passes.parquet", Truth.from_arrays(start, start + 100, uncertainty_samples=2.0))
    said = shell.invoke("inspect", "line.parquet").stdout
    assert said.splitlines()[0] == told
    assert said.splitlines()[-1] == "Next: teachlab design line.parquet"
    shell.run("design", "line.parquet", "--out", "made.json")
    scored = json.loads(shell.invoke("replay", "line.parquet", "--setting", "made.json", "--json").stdout)["score"]
    wrong = sum(scored[name] for name in ("misses", "merged", "extra", "false_trips"))
    assert wrong == ("1 error" in told)


def test_a_pass_that_merges_with_the_one_before_is_lost_once(tmp_path: Path) -> None:
    """Ten of 60 gaps stay light, so no level parts their passes: 10 lost, not 20."""
    light = np.full(60 * 250 + 100, 10.0)
    start = 100 + 250 * np.arange(60)
    for k, a in enumerate(start):
        light[a : a + (250 if k % 6 == 0 else 100)] = 80
    write_recording(tmp_path / "line.parquet", [light], RecordingInfo(sample_rate_hz=1000.0, unit="counts"))
    write_truth(tmp_path / "line.passes.parquet", Truth.from_arrays(start, start + 100, uncertainty_samples=2.0))
    told = " ".join(invoke("inspect", tmp_path / "line.parquet").stdout.split())
    assert "still has 10 lost passes" in told
    assert "noise 20.2 in gaps, 20.2 counts in passes" in told  # one step of 70, over √12


def test_levels_that_work_are_named(tmp_path: Path) -> None:
    told = invoke("inspect", write(tmp_path)).stdout
    assert "work: on " in told
    assert "loses no pass and trips in no gap" in told


def test_a_level_that_trips_is_not_told_as_good(tmp_path: Path) -> None:
    """The weakest pass reaches 60 counts, the strongest gap 59: it said "from 59 to 60 counts is as good"."""
    light, start = np.full(3100, 10, np.uint16), np.arange(30) * 100 + 50
    for k, a in enumerate(start):
        light[a : a + 40] = 60 if k == 7 else 90
    light[1005:1015] = 59
    path = tmp_path / "close.parquet"
    write_recording(path, Recording.from_array(light, RecordingInfo(sample_rate_hz=1000, unit="counts")))
    write_truth(tmp_path / "close.passes.parquet", Truth.from_arrays(start, start + 40))
    said = " ".join(invoke("inspect", path).stdout.split())
    assert (
        "leaves no error on 30 passes. Any on-level above 59, up to 60 counts, is as good with this off-level." in said
    )


def test_one_level_is_no_range(tmp_path: Path) -> None:
    """Of light with many levels some are counted: it said "from 858 to 858 counts is as good"."""
    rng = np.random.default_rng(0)
    start = np.arange(300) * 100 + 50
    light = rng.normal(200, 125, 30_100)
    for a in start:
        light[a : a + 40] = rng.normal(rng.uniform(300, 2300), 5, 40)
    light = np.clip(light, 0, 4095).round().astype(np.uint16)
    path = tmp_path / "mixed.parquet"
    write_recording(path, Recording.from_array(light, RecordingInfo(sample_rate_hz=1000, unit="counts")))
    write_truth(tmp_path / "mixed.passes.parquet", Truth.from_arrays(start, start + 40))
    said = " ".join(invoke("inspect", path).stdout.split())
    assert "leaves 45 passes lost and 1 switching too many on 300 passes. No other on-level tried is as good." in said


@pytest.mark.parametrize(("seconds", "told"), [(359, False), (361, True)])
def test_a_trend_is_told_from_six_minutes_on(tmp_path: Path, seconds: int, told: bool) -> None:
    """A change per hour is extrapolated ten times at most; the light rises by 36 counts an hour."""
    light = 100 + np.arange(10 * seconds) / 1000
    path = tmp_path / "slow.parquet"
    write_recording(path, Recording.from_array(light, RecordingInfo(sample_rate_hz=10.0, unit="counts")))
    row = " ".join(shell.invoke("inspect", path, "--details").output.replace("│", " ").split())
    # As on every other screen: a recording below ten minutes is read in seconds.
    assert f" {seconds} s at 10 Hz, " in f" {row}"
    assert ("counts/h" in row) == told
    if told:
        assert "drift level +3.6" in row
        assert "(+36 counts/h)" in row
    else:
        assert "drift not known: 359 s are too short for a trend. Log at least 6 minutes" in row


def test_touching_products_are_no_fault_of_the_level(tmp_path, monkeypatch):
    """A third of them touch the one before without a dip; a level just between the two may separate a few by chance."""
    rng = np.random.default_rng(10)
    monkeypatch.chdir(tmp_path)
    lasts, gap = rng.integers(50, 70, 90), np.where(rng.random(90) < 0.33, 0, 100)
    gap[0] = 400
    end = np.cumsum(gap + lasts)
    start = end - lasts
    light = rng.normal(300, 12, int(end[-1]) + 400)
    for a, b in zip(start, end, strict=True):
        light[a:b] += 1200 * rng.normal(1, 0.04)
    write_recording("line.parquet", [light], RecordingInfo(sample_rate_hz=1000.0, unit="mV"))
    write_truth("line.passes.parquet", Truth.from_arrays(start, end, uncertainty_samples=1.0))
    touch = int((gap == 0).sum())
    told = shell.invoke("inspect", "line.parquet").stdout.splitlines()
    assert told[0] == "A fixed level can work here, but it counts touching products as one."
    assert told[1].startswith(
        f"Why: {touch} of 90 passes touch the one before, and the light does not come back between"
    )
    assert any(f"leaves no error on {90 - touch} passes" in f"{a} {b}" for a, b in pairwise(told))
    told = shell.invoke("bench", "line.parquet", "--strategy", "two-sample-midpoint", "--draws", "4").stdout
    assert not told.startswith("None of these works")


def _line(
    folder: Path, rise: float, *, passes: int = 60, weak: float = 90.0, every: int = 9
) -> tuple[Path, NDArray[np.float64]]:
    """Write products with edges of so many samples, one in so many weak; the borders are exact to ±2 samples."""
    rng = np.random.default_rng(11)
    start = 150 + 200 * np.arange(passes)
    at = np.arange(200 * passes + 200) + 0.5
    light = 300 + rng.normal(0, 4, at.size)
    for k, a in enumerate(start):
        shape = np.clip((at - a) / rise + 0.5, 0, 1) * np.clip((a + 60 - at) / rise + 0.5, 0, 1)
        light += (weak if k % every == 4 else 900) * shape
    path = folder / "lids.parquet"
    write_recording(path, [light], RecordingInfo(sample_rate_hz=2000.0, unit="mV", direction=Direction.RISE))
    write_truth(folder / "lids.passes.parquet", Truth.from_arrays(start, start + 60, uncertainty_samples=2))
    return path, light


def test_borders_that_are_sharper_than_the_light_are_named_before_no_level_is_said_to_work(tmp_path: Path) -> None:
    """Weak lids need a level that strong ones cross before the border: only the borders are in the way of it."""
    path, _ = _line(tmp_path, 12)
    said = shell.invoke("inspect", path).stdout
    assert said.startswith("Allow for the edges of the light first.\n")
    assert "With a tolerance of 4 ms the best pair of levels makes no error." in said.replace("\n  ", " ")
    step = said.splitlines()[-1].removeprefix("Next: teachlab ").split()
    assert step == ["inspect", str(path), "--tolerance-ms", "4"]
    again = shell.invoke(*step).stdout
    assert again.startswith("A fixed level can work here.\n")
    assert again.splitlines()[-1] == f"Next: teachlab bench {path} --tolerance-ms 4"
    told = json.loads(shell.invoke("inspect", path, "--json").stdout)["wider_borders"]
    assert (told["tolerance_ms"], told["errors"], told["errors_now"] >= 7) == (4, 0, True)
    # With edges as sharp as the borders nothing of it is said: a level works as it is.
    sharp, _ = _line(tmp_path, 2)
    assert shell.invoke("inspect", sharp).stdout.startswith("A fixed level can work here.\n")


def test_few_errors_are_told_before_wider_borders(tmp_path: Path) -> None:
    """2 of 60 lids are weak, 3 errors are accepted: `bench` uses such a setting, so nothing has to come first."""
    path, _ = _line(tmp_path, 12, every=30)
    said = shell.invoke("inspect", path).stdout
    assert said.startswith("A fixed level makes few errors here.\n")
    assert "With a tolerance of 4 ms the best pair of levels makes no error." in said.replace("\n  ", " ")
    assert said.splitlines()[-1] == f"Next: teachlab bench {path}"


@pytest.mark.parametrize(
    ("edge", "scatter", "errors", "told"),
    [
        (4.0, 1.0, 0, "the edges of the light take 4 ms: low levels switch before the border"),
        (1.0, 4.0, 3, "they scatter by ±4 ms about the light"),
        (1.5, 1.8, 0, "they scatter by ±1.8 ms about edges that take 1.5 ms"),
    ],
)
def test_wider_borders_name_what_exceeds_their_doubt(edge: float, scatter: float, errors: int, told: str) -> None:
    wider = WiderBorders(tolerance_ms=3, errors=errors, errors_now=5, edge_ms=edge, scatter_ms=scatter, doubt_ms=2)
    assert wider.reason.text == (
        f"Borders were taken as exact to ±2 ms, but {told}. With a tolerance of 3 ms the best pair of levels makes "
        f"{'3 errors' if errors else 'no error'}."
    )
    assert wider.reason.count == 5


def test_a_log_that_stands_still_is_named_and_is_no_fault_of_a_setting(tmp_path: Path) -> None:
    path, light = _line(tmp_path, 2, weak=900)
    setting = tmp_path / "s.json"
    setting.write_text('{"schema": 1, "unit": "mV", "on_level": 700, "off_level": 600, "polarity": "light-on"}')
    info = RecordingInfo(sample_rate_hz=2000.0, unit="mV", direction=Direction.RISE)
    stopped = light.copy()
    stopped[7320:] = stopped[7320]
    write_recording(path, [stopped], info)
    said = shell.invoke("inspect", path).stdout.replace("\n  ", " ")
    assert said.startswith("Part of the log stands still.\n")
    assert "does not change by a single step in 24 passes, first 3.67 s after the start" in said
    judged = shell.invoke("replay", path, "--setting", setting).stdout.replace("\n  ", " ")
    assert judged.startswith("Cannot be decided:")
    assert "24 passes lost: the light does not change by a single step in them" in judged
    # The twin: as many pieces are there and too weak, and that is the setting's.
    weak = light.copy()
    weak[7320:] = 300 + (weak[7320:] - 300) / 4
    write_recording(path, [weak], info)
    judged = shell.invoke("replay", path, "--setting", setting).stdout
    assert judged.startswith("This setting does not work:")


def test_too_few_passes_are_said_first_and_the_next_step_works(tmp_path: Path) -> None:
    path, _ = _line(tmp_path, 2, passes=2)
    said = shell.invoke("inspect", path).stdout
    assert said.startswith("Record more passes.\nWhy: 2 passes are to be detected. bench needs at least 3,")
    step = said.splitlines()[-1].removeprefix("Next: teachlab ").split()
    shell.run(*step)
    enough, _ = _line(tmp_path, 2, passes=3)
    assert shell.invoke("inspect", enough).stdout.startswith("A fixed level can work here.\n")


def test_light_above_the_full_scale_is_told_first(tmp_path: Path) -> None:
    """A full scale of 10 counts under light of 70 was taken silently: all passes counted as saturated."""
    light = np.resize(np.repeat([10.0, 70.0], [150, 100]), 10_000)
    for full, told in ((60.0, True), (70.0, False)):
        info = RecordingInfo(sample_rate_hz=1000.0, unit="counts", full_scale=full)
        write_recording(tmp_path / "high.parquet", [light], info)
        lines = shell.run("inspect", tmp_path / "high.parquet").stdout.splitlines()
        said = "Why: Light of 70 counts lies above the full scale of 60 counts: one of them is wrong."
        assert lines[1].startswith(said) == told


@pytest.mark.parametrize("sigma", [1.0, 8.0])
def test_progress_goes_on_while_levels_are_counted(sigma: float) -> None:
    """The first reading was told as half of the work, and the rest, most of the time, without a word."""
    rng = np.random.default_rng(1)
    start = np.arange(500, 780_000, 4000)
    light = np.rint(rng.normal(200, sigma, 786_432))
    for at in start:
        light[at : at + 1500] += 900
    recording = Recording.from_array(light.astype(np.int32), RecordingInfo(sample_rate_hz=1e4, unit="counts"))
    shares: list[float] = []
    inspected(recording, Truth.from_arrays(start, start + 1500), progress=shares.append)
    assert shares == sorted(shares)
    assert shares[-1] == 1
    assert max(b - a for a, b in pairwise([0.0, *shares])) <= 0.25
