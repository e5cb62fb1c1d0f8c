"""The teach cloud and the cycles in the record: what they hold, that they repeat, and that verify recomputes them."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shell

from teachlab.data.recording_files import read_recording, write_recording
from teachlab.data.split import Split, split
from teachlab.data.truth_files import read_truth, write_truth
from teachlab.evidence import RecordOptions, judged_record, verify_record
from teachlab.evidence.identity import json_digest
from teachlab.evidence.page import page_html
from teachlab.evidence.record_parts import Sources, record_text
from teachlab.evidence.sections.repeat_section import shown_too_much
from teachlab.evidence.sections.repeat_wording import cloud_lines, divided_rows
from teachlab.model.recording import Recording, RecordingInfo
from teachlab.model.setting import Setting, Taught
from teachlab.model.truth import Truth
from teachlab.statistics.intervals import proportion
from teachlab.teaching import TeachBlock, resolve, teach_once

CRITERIA = "[[criterion]]\nmeasure = 'lost_rate'\nmax = 0.03\n"


def _report(folder: Path, *more: str) -> Any:
    words = ["report", str(folder / "line.parquet"), "--setting", str(folder / "setting.json"), "--out", str(folder)]
    return shell.invoke(*words, "--teach-share", "0.3", *more)


def _line(folder: Path) -> None:
    """Write 400 passes in eight lots, from 25 counts above the background to 95, and a setting taught on the first."""
    rng = np.random.default_rng(12)
    start = 60 + 80 * np.arange(400)
    light = rng.normal(20, 1, 400 * 80 + 60)
    for k, a in enumerate(start):
        light[a : a + 30] += rng.uniform(25, 95) + (k // 50) % 2
    info = RecordingInfo(sample_rate_hz=1000, unit="counts", line_speed_m_s=0.5)
    write_recording(folder / "line.parquet", Recording.from_array(light.astype(np.float32), info))
    truth = Truth.from_arrays(start, start + 30, lot=[f"lot {k // 50}" for k in range(400)])
    write_truth(folder / "line.passes.parquet", truth)
    recording = read_recording(folder / "line.parquet")
    block = TeachBlock(recording, truth, stop_sample=split(truth, recording.samples).teach_end)
    setting = teach_once(resolve("two-sample-midpoint"), block, 0, 3)
    (folder / "setting.json").write_text(json.dumps(setting.as_dict()))
    (folder / "criteria.toml").write_text(CRITERIA)


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A line with its report."""
    folder = tmp_path_factory.mktemp("line")
    _line(folder)
    result = _report(folder, "--cycle", "belt=1500mm", "--criteria", str(folder / "criteria.toml"))
    assert result.exit_code in (0, 1, 3), result.output
    return folder


def _record(folder: Path) -> dict[str, Any]:
    return json.loads((folder / "result.json").read_text(encoding="utf-8"))


def test_the_released_setting_is_one_of_its_draws(written: Path) -> None:
    """It was taught by draw 3 of the same block: its measures are those of that draw."""
    record = _record(written)
    cloud = record["teach_cloud"]
    assert (cloud["strategy"], cloud["draws"]) == ("two-sample-midpoint", 200)
    third = {name: values[3] for name, values in cloud["points"].items()}
    assert cloud["points"]["draw"][3] == 3
    for name in ("on_level", "off_level", "lost_rate", "cost", "regret"):
        assert cloud["released"][name] == third[name]
    assert cloud["released"]["lost_rate"] == pytest.approx(record["score"]["lost_rate"]["estimate"])
    on = np.array(cloud["points"]["on_level"])
    assert cloud["released"]["below"] == pytest.approx((on <= third["on_level"]).mean())
    cost = np.array(cloud["points"]["cost"])
    assert cloud["released"]["dearer"] == pytest.approx((cost > third["cost"]).mean())
    assert cloud["best"]["cost"] <= cost.min()
    # 120 teach passes hold two whole lots of 50, and twenty passes of the third: 10, 10 and 4 teachings of five.
    assert cloud["between"]["components"]["values"] == 24


def test_limits_are_those_of_the_criteria(written: Path) -> None:
    cloud = _record(written)["teach_cloud"]
    (worse,) = cloud["worse"]
    expected = proportion(sum(x > 0.03 for x in cloud["points"]["lost_rate"]), 200, 0.95)
    assert (worse["measure"], worse["limit_high"]) == ("lost_rate", 0.03)
    assert (worse["events"], worse["low"], worse["high"]) == (expected.events, expected.low, expected.high)
    assert 0 < worse["events"] < 200


def test_cycles_are_certified_in_time_and_length(written: Path) -> None:
    record = _record(written)
    (belt,) = record["cycles"]["cycles"]
    assert belt["period_s"] == 3
    assert set(belt["blocks"]) == {"shown", "teach", "scored"}
    assert belt["blocks"]["teach"]["revolutions"] == pytest.approx(record["split"]["teach_end"] / 3000)
    assert [found["what"] for found in record["cycles"]["found"]] == ["false trips", "peaks of the gaps"]
    assert record["options"]["cycles"] == ["belt=1500mm"]


def test_same_inputs_same_bytes(written: Path, tmp_path: Path) -> None:
    _line(tmp_path)
    _report(tmp_path, "--cycle", "belt=1500mm", "--criteria", str(tmp_path / "criteria.toml"))
    for name in ("result.json", "report.html"):
        assert (tmp_path / name).read_bytes() == (written / name).read_bytes()


def test_verify_recomputes_cloud_and_cycles(written: Path, tmp_path: Path) -> None:
    assert [f for f in verify_record(written / "result.json") if f.serious] == []
    record = _record(written)
    record["teach_cloud"]["points"]["on_level"][7] = 1.0
    record["teach_cloud"]["released"]["below"] = 0.5
    record["cycles"]["cycles"][0]["blocks"]["teach"]["sure"] = 99
    record["record_sha256"] = json_digest({k: v for k, v in record.items() if not k.endswith("_sha256")})
    path = written / "forged.json"
    path.write_text(record_text(record), encoding="utf-8")
    found = {f.where for f in verify_record(path)}
    assert found >= {
        "teach_cloud.points.on_level[7]", "teach_cloud.released.below", "cycles.cycles[0].blocks.teach.sure",
    }  # fmt: skip


def test_the_page_shows_cloud_and_cycles(written: Path) -> None:
    html = (written / "report.html").read_text(encoding="utf-8")
    assert 'id="figure-cloud"' in html
    assert "Repeatability of the teaching" in html
    assert "In an open gap" in html
    assert "200 draws of the evidence" in html
    text = html[html.index('id="cloud-desc"') :]
    assert "200 draws of two-sample-midpoint: on-level" in text


def _built(folder: Path, setting: Setting, **options: Any) -> dict[str, Any]:
    recording = read_recording(folder / "line.parquet")
    truth = read_truth(folder / "line.passes.parquet", samples=recording.samples)
    sources = Sources(recording=str(folder / "line.parquet"), truth=str(folder / "line.passes.parquet"))
    how = RecordOptions(**{"teach_share": 0.3, "draws": 5, **options})
    return judged_record(recording, truth, setting, sources, options=how)[0]


def _by(strategy: str, parameters: dict[str, Any] | None = None, **evidence: Any) -> Setting:
    taught = Taught(strategy=strategy, parameters=parameters or {}, evidence=evidence)
    return Setting(unit="counts", on_level=40, off_level=36, taught=taught)


@pytest.mark.parametrize(
    ("setting", "options", "why"),
    [
        (_by("single-sample"), {"draws": 0}, "no draws were asked for"),
        (_by("single-sample"), {"teach_share": None}, "not stated on which share"),
        (Setting(unit="counts", on_level=40, off_level=36), {}, "does not say by which strategy"),
        (_by("luck"), {}, "no strategy is named 'luck'"),
        (_by("single-sample", {"colour": 3}), {}, "cannot be used here"),
    ],
)
def test_why_there_is_no_cloud(written: Path, setting: Setting, options: dict[str, Any], why: str) -> None:
    record = _built(written, setting, **options)
    assert why in record["teach_cloud"]["refused"]
    assert f"Not shown: {record['teach_cloud']['refused']}" in page_html(record).replace("&#39;", "'")


def test_a_strategy_that_abstains_has_an_empty_cloud(written: Path) -> None:
    record = _built(written, _by("contamination-aware"))
    assert record["teach_cloud"]["abstained"]["events"] == 5
    assert record["teach_cloud"]["spreads"] == {}
    html = page_html(record)
    assert "5 of 5 draws gave no setting" in html
    assert 'id="figure-cloud"' not in html


def test_a_setting_shown_more_than_the_teach_block_is_cautioned(written: Path) -> None:
    for at, cautioned in ((9000, False), (20_000, True)):
        record = _built(written, _by("single-sample", drawn={"object": {"at_sample": at, "evaluations": 30}}), draws=0)
        assert any("may have been taught on" in c for c in record["cautions"]) is cautioned


def test_what_a_strategy_designs_is_not_kept_from_the_setting(written: Path) -> None:
    """The filter was found by the strategy: every draw finds its own, from none."""
    setting = Setting(
        unit="counts", on_level=40, off_level=36, consecutive=4, taught=Taught(strategy="filtered-guard", parameters={})
    )
    found = _built(written, setting)["teach_cloud"]
    assert found["abstained"]["events"] + len(found["points"]["cost"]) == 5
    again = _built(written, Setting(unit="counts", on_level=40, off_level=36, taught=setting.taught))["teach_cloud"]
    assert found["points"] == again["points"]


def test_a_bound_beyond_the_data_stands_on_the_page(written: Path) -> None:
    record = _built(written, Setting(unit="counts", on_level=40, off_level=36), draws=0)
    bound = {"bound": 0.004, "label": "model-based"}
    assert "at most 0.4 % (model-based)" in page_html(record | {"tail": bound})


@pytest.mark.parametrize("words", [["--cycle", "belt"], ["--cycle", "belt=3furlongs"], ["--draws", "-1"]])
def test_bad_input_is_refused(written: Path, words: list[str]) -> None:
    result = _report(written, *words)
    assert result.exit_code == 2
    assert "Traceback" not in result.output


@pytest.mark.parametrize(
    ("at", "told"), [(99, ""), (100, "light from sample 100 on, but the teach block ends at sample 100")]
)
def test_light_from_the_end_of_the_teach_block_on_was_not_to_be_shown(at: int, told: str) -> None:
    cut = Split(teach_end=100, teach_passes=3, first_scored=5)
    drawn = {"object": {"at_sample": 40}, "background": {"at_sample": at}, "seed": 3}
    setting = Setting(
        unit="x", on_level=5.0, off_level=4.0, taught=Taught(strategy="x", parameters={}, evidence={"drawn": drawn})
    )
    said = shown_too_much(setting, cut)
    assert told in said
    assert bool(said) == bool(told)
    assert shown_too_much(setting, None) == shown_too_much(setting.with_levels(5, 4), None) == ""


def test_what_a_cloud_says_beside_its_figures_is_what_was_counted() -> None:
    cloud = {
        "abstained": {"events": 3}, "draws": 40, "reasons": {"weak": 2, "few": 1},
        "worse": [
            {"trials": 37, "events": 1, "measure": "regret", "low": 0.012, "high": 0.138},
            {"trials": 37, "events": 4, "measure": "lost_rate", "limit_high": 0.05, "low": 0.03, "high": 0.254},
            {"trials": 0, "measure": "regret"},
        ],
        "released": {"below": 0.415, "dearer": 0.2, "cheaper": 0.05},
        "between": {"components": {"values": 36, "groups": 9}},
    }  # fmt: skip
    assert cloud_lines(cloud) == [
        "3 of 40 draws gave no setting: weak (2); few (1).",
        "1 of 37 draws cost more than the best fixed setting in hindsight: between 1.2 and 13.8 % of draws from this "
        "block.",
        "4 of 37 draws lie above 0.05 in lost rate: between 3 and 25.4 % of draws from this block.",
        "41.5 % of the draws have an on-level at or below that of the setting; 20 % cost more, 5 % less.",
        "Taught on single lots: 36 teachings on 9 lots.",
    ]


def test_how_a_spread_divides_between_lots_is_told_with_its_interval() -> None:
    some = {"between_ss": 2.0, "within_ss": 1.0, "mean": 3.0, "between_sd": 1.2345, "repeatability_sd": 0.5,
            "share": 0.42, "share_low": 0.1, "share_high": 0.789}  # fmt: skip
    same = some | {"between_ss": 0.0, "within_ss": 0.0}
    figures = {"on_level": {"components": some}, "cost": {"components": same}, "lost_rate": {"components": None}}
    assert divided_rows({"between": {"components": {}, "figures": figures}}, "mV") == [
        ("on level, mV", "1.23", "0.5", "42 % (10 to 78.9 %)"),
        ("lost and false per pass", "0", "0", "3 every time"),
    ]
