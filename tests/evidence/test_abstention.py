"""The record of an abstention: written, recomputed, and refused where the strategy does not abstain."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shell

from teachlab.data.recording_files import read_recording, write_recording
from teachlab.data.truth_files import read_truth, write_truth
from teachlab.errors import Abstained, InputError
from teachlab.evidence import Abstention, RecordOptions, build_abstention, read_released, verify_record
from teachlab.evidence.page import abstention_html
from teachlab.evidence.record_parts import Sources
from teachlab.evidence.wording import setting_rows
from teachlab.model.recording import Recording, RecordingInfo
from teachlab.model.setting import Setting
from teachlab.model.truth import Truth, TruthSource
from teachlab.teaching import TeachBlock, resolve, teach_once
from teachlab.teaching.parameters import parameters_of


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Forty passes that stand out by one standard deviation, an abstention on them, and its record."""
    folder, rng = tmp_path_factory.mktemp("abstained"), np.random.default_rng(2)
    start = np.arange(40) * 200 + 50
    light = rng.normal(100, 6, 40 * 200 + 100)
    for a in start:
        light[a : a + 80] += 6
    info = RecordingInfo(sample_rate_hz=1000, unit="counts", title="Grey lids")
    write_recording(folder / "flat.parquet", Recording.from_array(np.round(light).astype(np.uint16), info))
    write_truth(folder / "flat.passes.parquet", Truth.from_arrays(start, start + 80, source=TruthSource.INDEPENDENT))
    base = {"schema": 1, "unit": "counts", "on_level": 0, "off_level": 0, "polarity": "light-on", "on_delay_ms": 2.0}
    (folder / "base.json").write_text(json.dumps(base))
    taught = shell.run("teach", folder / "flat.parquet", "--strategy", "quantile-guard", "--set", "share=0.02",
                       "--seed", 4, "--base", folder / "base.json", "--json", code=3)  # fmt: skip
    (folder / "abstained.json").write_text(taught.stdout)
    shell.run("report", folder / "flat.parquet", "--setting", folder / "abstained.json", "--out", folder, "--draws", 12,
              "--title", "Grey <b>lids</b>", code=3)  # fmt: skip
    return folder


def _record(folder: Path) -> dict[str, Any]:
    return json.loads((folder / "result.json").read_text())


def test_the_verdict_says_why_with_its_numbers(written: Path) -> None:
    record = _record(written)
    told = json.loads((written / "abstained.json").read_text())["abstained"]
    assert record["verdict"]["overall"] == "no setting"
    for key in ("reason", "measured", "required"):
        assert told[key] in record["verdict"]["because"]
        assert told[key] in record["claims"][0]
    assert record["abstained"] == told
    assert told["parameters"]["share"] == 0.02
    assert (told["seed"], told["base"]["on_delay_ms"]) == (4, 2.0)
    assert record["offers"]["separable"] is False
    assert record["offers"]["contrast"] > 0
    for absent in ("score", "margin", "reserves"):
        assert absent not in record


def test_other_showings_are_counted_as_they_fall(written: Path) -> None:
    recording = read_recording(written / "flat.parquet")
    truth = read_truth(written / "flat.passes.parquet", samples=recording.samples)
    told = _record(written)["abstained"]
    base = read_released(written / "base.json")
    assert isinstance(base, Setting)
    block = TeachBlock(recording, truth, base=base)
    strategy = resolve("quantile-guard", {"share": 0.02})
    abstained = 0
    for draw in range(12):
        try:
            teach_once(strategy, block, told["seed"], draw)
        except Abstained:
            abstained += 1
    assert _record(written)["draws"]["abstained"]["events"] == abstained
    assert _record(written)["draws"]["abstained"]["trials"] == 12
    assert _record(written)["claims"][1].endswith(
        f" 12 times on other showings of this recording, it abstained {abstained} times."
    )


def test_it_verifies_and_repeats_to_the_byte(written: Path, tmp_path: Path) -> None:
    assert [f for f in verify_record(written / "result.json") if f.serious] == []
    shell.run("verify", written / "result.json")
    shell.run("report", written / "flat.parquet", "--setting", written / "abstained.json", "--out", tmp_path,
              "--draws", 12, "--title", "Grey <b>lids</b>", code=3)  # fmt: skip
    for name in ("result.json", "report.html"):
        assert (tmp_path / name).read_bytes() == (written / name).read_bytes()
    html = (written / "report.html").read_text(encoding="utf-8")
    assert "<b>lids" not in html
    assert "No setting" in html
    best = _record(written)["offers"]["separability"]
    told = " ".join(html.split())
    assert (
        f"{best['lost']} of {best['passes']} passes do not reach it, {best['tripped']} of {best['gaps']} gaps do"
        in told
    )
    for name in ("document number", "revision", "asset", "product", "conditions"):
        assert f'<th scope="row">{name}</th><td><bdi>not stated</bdi></td>' in html
    assert "Approval" in html


@pytest.mark.parametrize(
    ("key", "value", "where"),
    [("measured", "nothing", "abstained"), ("seed", 5, "record"), ("parameters", {"share": 0.2}, "abstained")],
)
def test_what_was_changed_is_found(written: Path, tmp_path: Path, key: str, value: object, where: str) -> None:
    record = _record(written)
    record["abstained"][key] = value
    path = tmp_path / "result.json"
    path.write_text(json.dumps(record, indent=1, ensure_ascii=False) + "\n")
    names = ("flat.parquet", "flat.passes.parquet", "abstained.json")
    found = verify_record(
        path, **dict(zip(("recording", "truth", "setting"), (str(written / n) for n in names), strict=True))
    )
    places = {f.where.split(".")[0] for f in found if f.serious}
    assert "record" in places
    assert where in places


def test_a_strategy_that_teaches_here_is_no_abstention(written: Path) -> None:
    recording = read_recording(written / "flat.parquet")
    truth = read_truth(written / "flat.passes.parquet", samples=recording.samples)
    refusal = Abstained("no light", "0 counts", "1 count")
    sources = Sources(recording=str(written / "flat.parquet"), truth=str(written / "flat.passes.parquet"))
    for name, words in (("two-sample-midpoint", "does not abstain"), ("quantile-guard", "another reason")):
        claimed = Abstention.of(resolve(name), refusal, seed=0, tolerance_ms=0.0, base=None)
        with pytest.raises(InputError, match=words):
            build_abstention(recording, truth, claimed, sources, options=RecordOptions(draws=1))


def test_an_abstention_is_no_setting_to_replay(written: Path) -> None:
    result = shell.run("replay", written / "flat.parquet", "--setting", written / "abstained.json", code=2)
    assert "abstained here, so there is no setting" in result.stderr
    (written / "wrong.json").write_text('{"abstained": {"strategy": 5}}')
    result = shell.run("report", written / "flat.parquet", "--setting", written / "wrong.json", code=2)
    assert "'reason' is missing" in result.stderr.replace("abstained.reason", "reason")


def test_parameters_that_may_be_anything_are_not_printed(written: Path) -> None:
    """Five ranges of a device that no one stated stood there as "[]", and its hysteresis as "None"."""
    given = parameters_of(resolve("designed"))
    record = _record(written)
    record["abstained"] |= {"strategy": "designed", "parameters": given}
    page = abstention_html(record)
    assert "<bdi>filters</bdi></th><td><bdi>[1, 3]</bdi>" in page
    for absent in ("[]", "None", "level steps", "hysteresis"):
        assert f"<bdi>{absent}</bdi>" not in page
    taught = {"strategy": "designed", "parameters": given | {"level_steps": [0.0, 9.0, 0.5]}}
    told = dict(setting_rows({"setting": {"taught": taught}}))["taught by"]
    assert told == (
        "designed (levels = 41, delays = 14, price = 0.06, expect_flashes = true, filters = [1, 3], "
        "level_steps = [0.0, 9.0, 0.5], level_doubt = 0.0)"
    )
