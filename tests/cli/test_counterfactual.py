"""The command `counterfactual`: keys, what it cannot tell, the best settings, and what it refuses."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shell

from teachlab.data.recording_files import write_recording
from teachlab.data.truth_files import write_truth
from teachlab.model.recording import Direction, Recording, RecordingInfo
from teachlab.model.truth import Truth

NAMES = [
    "as it is", "twice the evaluation rate", "filter of three evaluations", "average over one flicker of 50 Hz mains",
    "matched filter",
]  # fmt: skip


@pytest.fixture(scope="module")
def line(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Forty passes of 60 ms in white noise, 1 kHz."""
    folder = tmp_path_factory.mktemp("line")
    rng = np.random.default_rng(5)
    start = np.arange(40) * 150 + 80
    light = rng.normal(400, 30, 6100)
    for a in start:
        light[a : a + 60] += 250
    info = RecordingInfo(sample_rate_hz=1000, unit="counts")
    write_recording(folder / "line.parquet", Recording.from_array(np.rint(light).astype(np.uint16), info))
    write_truth(folder / "line.passes.parquet", Truth.from_arrays(start, start + 60))
    for name, changes in (
        ("slow", {"evaluation_rate_hz": 500.0}),
        ("three", {"consecutive": 3}),
        ("volts", {"unit": "V"}),
    ):
        setting = {"schema": 1, "unit": "counts", "on_level": 500, "off_level": 490, "polarity": "light-on", **changes}
        (folder / f"{name}.json").write_text(json.dumps(setting))
    return folder / "line.parquet"


def document(*arguments: object) -> list[dict[str, Any]]:
    return shell.document("counterfactual", *arguments)["sensors"]


def test_keys_and_what_the_log_cannot_tell(line: Path) -> None:
    found = document(line)
    assert [one["sensor"] for one in found] == NAMES
    for one in found:
        assert one.keys() >= {
            "average_evaluations", "consecutive", "evaluation_rate_hz", "objects", "background", "noise", "margin",
            "needed", "clean_levels", "times", "best", "missing",
        }  # fmt: skip
    assert found[1]["margin"] is None
    assert "the log holds 1000 samples per second" in found[1]["missing"]
    assert [one["average_evaluations"] for one in found] == [1, 1, 1, 10, 60]
    assert found[4]["margin"] > found[3]["margin"] > found[0]["margin"]
    assert found[0]["times"] == 1
    assert found[0]["best"] is None


def test_a_slower_sensor_on_a_faster_log(line: Path) -> None:
    found = document(line, "--setting", line.parent / "slow.json", "--mains-hz", 60)
    assert found[1]["evaluation_rate_hz"] == 1000
    assert found[1]["margin"] is not None
    assert found[3]["sensor"] == "average over one flicker of 60 Hz mains"
    assert found[3]["average_evaluations"] == 4


def test_the_best_setting_of_each(line: Path) -> None:
    found = document(line, "--best", "--cost-miss", 2)
    costs = {one["sensor"]: None if one["best"] is None else one["best"]["cost"] for one in found}
    assert costs["twice the evaluation rate"] is None
    assert costs["matched filter"] == 0
    assert costs["as it is"] >= 0
    assert found[0]["best"]["cost_miss"] == 2
    text = shell.invoke("counterfactual", line, "--best").output
    assert "Cost: of the best fixed levels in hindsight" in text
    assert "twice the evaluation rate: unknown, the log holds" in text


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["nowhere.parquet"], "nowhere.parquet"),
        (["line.parquet", "--mains-hz", "0"], "mains-hz must be a number from 1 to 10,000, got 0"),
        (["line.parquet", "--setting", "volts.json"], "volts.json"),
        (["line.parquet", "--setting", "none.json"], "none.json"),
        (["line.parquet", "--best", "--cost-miss", "-1"], "cost"),
    ],
)
def test_refusals(line: Path, arguments: list[str], message: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(line.parent)
    result = shell.run("counterfactual", *arguments, "--json", code=2)
    assert result.stdout == ""
    assert message in result.stderr
    assert "Traceback" not in result.stderr


def test_the_answer_comes_first_and_names_who_has_most(line: Path) -> None:
    told, found = shell.invoke("counterfactual", line).stdout, document(line)
    best = max((one for one in found[1:] if one["times"] is not None), key=lambda one: one["times"])
    assert found[0]["margin"] < found[0]["needed"]
    assert told.startswith("Too little margin: the present sensor.")
    assert f"Present margin: {found[0]['margin']:.3g} times the noise; against white noise alone it must be" in told
    assert f"Most margin: {best['sensor']}, {best['margin']:.3g} times its noise" in told
    assert f"Next: teachlab design {line}" in told
    assert "\n\n\n" not in re.sub(" +\n", "\n", told)
    # With another sensor as it is, the margin is enough.
    sensor = line.parent / "three.json"
    now, told = document(line, "--setting", sensor)[0], shell.invoke("counterfactual", line, "--setting", sensor).stdout
    assert now["margin"] >= now["needed"]
    assert told.startswith("Enough margin: the present sensor.")
    assert " ".join(f"Next: teachlab bench {line} --base {sensor} --out results".split()) in " ".join(told.split())


@pytest.mark.parametrize("gap_peak", [0, 900])
def test_enough_margin_is_not_said_alone_where_no_level_separates(tmp_path: Path, gap_peak: int) -> None:
    """200 strong passes in little noise; one gap may hold a glint above all of them."""
    rng = np.random.default_rng(3)
    start = np.arange(200) * 100 + 50
    light = rng.normal(100, 5, 20_100)
    for a in start:
        light[a : a + 40] += 500
    if gap_peak:
        light[1030] = gap_peak
    path = tmp_path / "line.parquet"
    info = RecordingInfo(sample_rate_hz=1000, unit="counts")
    write_recording(path, Recording.from_array(np.rint(light).astype(np.uint16), info))
    write_truth(tmp_path / "line.passes.parquet", Truth.from_arrays(start, start + 40))
    now, told = document(path)[0], " ".join(shell.invoke("counterfactual", path).stdout.split())
    assert now["margin"] >= now["needed"]
    if not gap_peak:
        assert now["clean_levels"] is not None
        assert told.startswith("Enough margin: the present sensor. ")
        assert "no level" not in told
        assert f"Next: teachlab bench {path}" in told
        return
    assert now["clean_levels"] is None
    assert told.startswith("Noise is small enough, but no level is reached by all passes and by no gap. ")
    assert "Why: No fixed level without hysteresis is reached by every pass and by no gap." in told
    able = [one["sensor"] for one in document(path)[1:] if one["clean_levels"] is not None]
    assert able
    assert f"Such a level exists with: {', '.join(able)}." in told
    assert f"Next: teachlab design {path}" in told


def test_where_light_overlaps_under_every_sensor_the_light_must_change(tmp_path: Path) -> None:
    """100 passes that change nothing: no design can mend that."""
    rng = np.random.default_rng(5)
    start = np.arange(100) * 100 + 50
    info = RecordingInfo(sample_rate_hz=1000, unit="counts", direction="rise")
    light = np.rint(rng.normal(100, 5, 10_100)).astype(np.uint16)
    write_recording(tmp_path / "line.parquet", Recording.from_array(light, info))
    write_truth(tmp_path / "line.passes.parquet", Truth.from_arrays(start, start + 40))
    told = " ".join(shell.invoke("counterfactual", tmp_path / "line.parquet").stdout.split())
    assert told.startswith("No margin: light of passes and of gaps overlaps.")
    assert "change distance, angle, background or kind of sensor, log again. Next: teachlab inspect" in told


def test_where_only_a_level_that_follows_works_the_light_need_not_change(tmp_path: Path) -> None:
    """The ground rises by more than a product: fixed levels fail with every sensor, `inspect` names what follows."""
    rng = np.random.default_rng(5)
    start = np.arange(100) * 100 + 50
    light = rng.normal(100, 5, 10_100) + np.linspace(0, 600, 10_100)
    for a in start:
        light[a : a + 40] += 200
    path = saved(tmp_path, light, start.tolist(), (start + 40).tolist())
    lines = shell.invoke("counterfactual", path, "--best").stdout.splitlines()
    step = next(line for line in lines if line.startswith("Next: "))
    assert step == f"Next: teachlab inspect {path}"
    told = " ".join(shell.invoke(*step.split()[2:]).stdout.split())
    assert told.startswith("No fixed level works here; a setting that follows turning points leaves no error.")


def saved(folder: Path, light: np.ndarray, start: list[int], end: list[int]) -> Path:
    info = RecordingInfo(sample_rate_hz=1000, unit="counts", full_scale=65535.0, direction=Direction.RISE)
    write_recording(folder / "other.parquet", Recording.from_array(light.astype(np.uint16), info))
    write_truth(folder / "other.passes.parquet", Truth.from_arrays(start, end))
    return folder / "other.parquet"


def test_large_numbers_are_told_without_exponents_and_levels_to_the_step(tmp_path: Path) -> None:
    light = np.resize([20_000, 20_001, 20_002, 20_001], 1000)
    start = list(range(100, 900, 100))
    for k, a in enumerate(start):
        light[a : a + 40] = 49_449 + 100 * k
    text = shell.invoke("counterfactual", saved(tmp_path, light, start, [a + 40 for a in start]), "--best").output
    assert "e+0" not in text
    assert re.search(r"as it is .* 20002 … 49449 ", text)


def test_a_background_that_does_not_vary_is_no_fault_where_a_level_separates(tmp_path: Path) -> None:
    light = np.full(400, 100)
    light[50:90], light[150:190], light[250:290] = 400, 410, 420
    text = shell.invoke("counterfactual", saved(tmp_path, light, [50, 150, 250], [90, 190, 290])).output
    assert "The background does not vary" in text
    assert "Next: teachlab bench" in text
    assert "change distance" not in text


def test_a_pass_cut_by_the_begin_of_the_record_leaves_nothing_to_compare(tmp_path: Path) -> None:
    light = np.where(np.arange(200) < 150, 400, 100 + np.arange(200) % 3)
    found = shell.invoke("counterfactual", saved(tmp_path, light, [0], [150]), "--json")
    document = json.loads(found.stdout)
    assert document["verdict"]["reasons"][0]["text"] == "No pass or no gap is left to compare."
    assert document["verdict"]["next_step"].startswith("Log more passes")
    # An average delays the pass, but it stays cut.
    assert {one["missing"] for one in document["sensors"] if "evaluation" not in one["sensor"]} == {
        "no pass or no gap is left to compare"
    }


def test_the_next_step_keeps_filter_and_delays_of_the_present_sensor(line: Path) -> None:
    three = line.parent / "three.json"
    text = " ".join(shell.invoke("counterfactual", line, "--setting", three, "--tolerance-ms", 2).output.split())
    assert re.search(
        rf"Next: teachlab (bench|design) \S+ --base {re.escape(str(three))} (--out results )?--tolerance-ms 2", text
    )
