"""The record: what it holds, that it repeats, and that every change in its inputs is found and named."""

from __future__ import annotations

import hashlib
import json
import re
import shutil
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow.parquet as pq
import pytest
import shell

from teachlab.data.recording_files import read_recording, write_recording
from teachlab.data.truth_files import write_truth
from teachlab.errors import InputError
from teachlab.evidence import verify_record
from teachlab.evidence.identity import json_digest, samples_digest
from teachlab.evidence.record_parts import record_text
from teachlab.evidence.sealing import SEALS
from teachlab.evidence.verify import _differences
from teachlab.evidence.wording import brief_rows
from teachlab.model.recording import Recording, RecordingInfo
from teachlab.model.truth import Truth, TruthSource

TITLE = 'Line <script>alert("1")</script> & Co, $x^2$'
CRITERIA = """
schema = 1
title = "before the run"
[[criterion]]
measure = "lost_rate"
max = 0.2
[[criterion]]
measure = "margin_to_noise"
min = 2
content = 0.7
"""


def _line(folder: Path, *, source: TruthSource = TruthSource.INDEPENDENT, losses: int = 1) -> Path:
    rng = np.random.default_rng(8)
    passes = 300
    start = np.arange(passes) * 50 + 20
    light = rng.normal(20, 1, passes * 50 + 40)
    for k, a in enumerate(start):
        light[a : a + 20] += 60 if k >= losses + 200 or k < 200 else 10
    info = RecordingInfo(sample_rate_hz=1000, unit="counts <b>", title=TITLE)
    path = folder / "line.parquet"
    write_recording(path, Recording.from_array(light.astype(np.float32), info))
    lots = [f"lot {k // 12}" for k in range(passes)]
    label = ["<i>box</i>"] * passes
    write_truth(
        folder / "line.passes.parquet", Truth.from_arrays(start, start + 20, lot=lots, label=label, source=source)
    )
    setting = {"schema": 1, "unit": "counts <b>", "on_level": 50, "off_level": 40, "polarity": "light-on"}
    (folder / "setting.json").write_text(json.dumps(setting))
    (folder / "criteria.toml").write_text(CRITERIA)
    return path


def _report(folder: Path, *more: str) -> Any:
    arguments = ["report", str(folder / "line.parquet"), "--setting", str(folder / "setting.json"), "--title", TITLE]
    return shell.invoke(*arguments, "--out", folder, *more)


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A line with its report."""
    folder = tmp_path_factory.mktemp("line")
    _line(folder)
    result = _report(folder, "--criteria", str(folder / "criteria.toml"), "--teach-share", "0.3")
    assert result.exit_code == 0, result.output
    return folder


@pytest.fixture
def folder(written: Path, tmp_path: Path) -> Path:
    """A copy of it, to be damaged."""
    shutil.copytree(written, tmp_path / "copy")
    return tmp_path / "copy"


def _record(folder: Path) -> dict[str, Any]:
    return json.loads((folder / "result.json").read_text(encoding="utf-8"))


def test_counts_bound_and_verdict(written: Path) -> None:
    record = _record(written)
    assert record["verdict"]["overall"] == "met"
    assert (record["score"]["misses"], record["score"]["detect_passes"]) == (1, 209)
    assert record["split"]["teach_passes"] == 90
    assert record["split"]["scored_from"] > record["split"]["teach_end"]
    assert record["split"]["exposure"]["lot lot 0"] == {"teach": 12, "scored": 0}
    assert record["worst"][0]["outcome"] == "miss"
    assert record["worst"][0]["pass"] == 200
    assert record["sensitivity"][10]["shift"] == 0
    assert record["sensitivity"][10]["lost"] == 1
    assert "refused" in record["tail"]
    # One pass is lost already: there is no reserve.
    assert record["reserves"]["contamination_reserve"] is None


def test_reserves_of_a_line_without_faults(tmp_path: Path) -> None:
    _line(tmp_path, losses=0)
    (tmp_path / "criteria.toml").write_text(
        "[[criterion]]\nmeasure = 'contamination_reserve'\nmin = 0.1\n"
        "[[criterion]]\nmeasure = 'ambient_reserve'\nmin = 40.0\n"
    )
    assert _report(tmp_path, "--criteria", str(tmp_path / "criteria.toml")).exit_code == 1
    record = _record(tmp_path)
    # Passes reach some 81 counts and more, the level is 50: about 38 % of the light may go.
    assert record["reserves"]["contamination_reserve"] == pytest.approx(0.38, abs=0.02)
    # Released at 40 counts. Of 300 gaps of 30 samples around 20 +- 1 the highest valley lies where the chance
    # of 30 samples above it is 1 in 300: 0.94 below 20.
    assert record["reserves"]["ambient_reserve"] == pytest.approx(40 - (20 - 0.94), abs=0.4)
    assert [c["verdict"] for c in record["verdict"]["criteria"]] == ["met", "not met"]


def test_same_inputs_same_bytes_and_no_path_or_host(written: Path, tmp_path: Path) -> None:
    import platform

    _line(tmp_path)
    assert _report(tmp_path, "--criteria", str(tmp_path / "criteria.toml"), "--teach-share", "0.3").exit_code == 0
    for name in ("result.json", "report.html"):
        content = (tmp_path / name).read_bytes()
        assert content == (written / name).read_bytes()
        assert str(tmp_path).encode() not in content
        assert (platform.node() or "no host").encode() not in content


def test_a_record_verifies(folder: Path) -> None:
    assert verify_record(folder / "result.json") == []
    assert shell.document("verify", folder / "result.json") == {
        "schema": 1,
        "record": "result.json",
        "verified": True,
        "findings": [],
    }


def _places(folder: Path) -> set[str]:
    return {finding.where for finding in verify_record(folder / "result.json") if finding.serious}


def test_a_changed_sample_is_found(folder: Path) -> None:
    path = folder / "line.parquet"
    recording = read_recording(path)
    light = recording.light[:].copy()
    light[5] += np.float32(1e-3)
    write_recording(path, Recording.from_array(light, recording.info))
    findings = verify_record(folder / "result.json")
    assert findings[0].where == "data"
    assert "its samples differ" in findings[0].message


def test_the_same_samples_in_another_encoding_are_named_as_such(folder: Path) -> None:
    path = folder / "line.parquet"
    table = pq.read_table(path)
    pq.write_table(table, path, compression="none", row_group_size=700)
    findings = verify_record(folder / "result.json")
    assert [f.where for f in findings if f.serious] == ["data"]
    assert "holds the same samples" in findings[0].message


def test_a_changed_setting_and_a_changed_truth_are_found(folder: Path) -> None:
    path = folder / "setting.json"
    path.write_text(path.read_text().replace("50", "51"))
    assert _places(folder) == {"setting"}
    shutil.copy(folder / "line.passes.parquet", folder / "kept")
    truth = Truth.from_arrays([20], [40])
    write_truth(folder / "line.passes.parquet", truth)
    with pytest.raises(InputError):
        verify_record(folder / "result.json")


def test_every_byte_of_the_record_counts(folder: Path) -> None:
    path = folder / "result.json"
    text = path.read_text(encoding="utf-8")
    rng = np.random.default_rng(0)
    for at in rng.integers(0, len(text), 12):
        changed = text[at] in "0123456789abcdef"
        other = ("1" if text[at] != "1" else "2") if changed else text[at]
        path.write_text(text[:at] + other + text[at + 1 :] + ("" if changed else " "), encoding="utf-8")
        assert _noticed(path), (at, text[max(0, at - 20) : at + 20])


def _noticed(path: Path) -> bool:
    try:
        return any(f.serious for f in verify_record(path))
    except InputError:
        return True


def test_a_forged_count_is_recomputed(folder: Path) -> None:
    record = _record(folder)
    record["score"]["misses"] = 0
    content = {key: value for key, value in record.items() if key not in SEALS}
    record["record_sha256"] = json_digest(content)
    (folder / "result.json").write_text(record_text(record), encoding="utf-8")
    assert _places(folder) == {"score.misses", "page"}


@pytest.mark.parametrize(
    ("part", "name"),
    [
        ("data", "recording_sha256"), ("data", "samples_sha256"), ("data", "truth_file_sha256"),
        ("data", "truth_sha256"), ("setting_source", "setting_sha256"), ("setting_source", "file_sha256"),
        ("split", "scored_samples_sha256"),
    ],
)  # fmt: skip
def test_a_forged_digest_is_found(folder: Path, part: str, name: str) -> None:
    """Also where the digest of the record is made to fit, and no page is left to tell."""
    record = {key: value for key, value in _record(folder).items() if key not in SEALS}
    record[part][name] = "0" * 64
    record["record_sha256"] = json_digest({key: value for key, value in record.items() if key not in SEALS})
    (folder / "result.json").write_text(record_text(record), encoding="utf-8")
    assert [f.serious for f in verify_record(folder / "result.json")] == [True]


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("1 / 209", "0 / 209", "reads"),  # a count
        ("stroke-width: 0.8", "stroke-width: 0.9", "figures"),  # a line of a figure
        ("</html>", "</html> ", "reads"),
    ],
)
def test_a_changed_byte_of_the_page_is_found_and_named(folder: Path, old: str, new: str, words: str) -> None:
    path = folder / "report.html"
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new, 1), encoding="utf-8", newline="\n")
    findings = [f for f in verify_record(folder / "result.json") if f.serious]
    assert [f.where for f in findings] == ["page", "page"]
    assert "SHA-256 differs" in findings[0].message
    assert words in findings[1].message
    # Who changes page and seal together is found by rendering the record again.
    record = _record(folder)
    record["page_sha256"] = hashlib.sha256(path.read_bytes()).hexdigest()
    (folder / "result.json").write_text(record_text(record), encoding="utf-8")
    assert [f.where for f in verify_record(folder / "result.json") if f.serious] == ["page"]


def test_a_missing_page_and_a_changed_pdf(folder: Path) -> None:
    (folder / "report.html").unlink()
    record = _record(folder) | {"pdf_sha256": hashlib.sha256(b"%PDF-1").hexdigest()}
    (folder / "result.json").write_text(record_text(record), encoding="utf-8")
    (folder / "report.pdf").write_bytes(b"%PDF-1")
    assert [(f.where, f.serious) for f in verify_record(folder / "result.json")] == [("page", False)]
    (folder / "report.pdf").write_bytes(b"%PDF-2")
    assert _places(folder) == {"pdf"}


def test_other_versions_are_listed_but_not_serious(folder: Path) -> None:
    record = _record(folder)
    record["software"]["numpy"] = "0.1"

    def rewrite() -> None:
        record["record_sha256"] = json_digest({key: value for key, value in record.items() if key not in SEALS})
        (folder / "result.json").write_text(record_text(record), encoding="utf-8")

    rewrite()
    findings = verify_record(folder / "result.json")
    assert [(f.where, f.serious) for f in findings] == [("page", False), ("software", False)]
    assert "another version of numpy" in findings[0].message
    # Differences under other software: the first line says so, and what may explain them comes before them.
    record["score"]["counts"] = {}
    rewrite()
    told = shell.run("verify", folder / "result.json", code=1)
    # A sentence goes on in lines that are set in.
    lines = [line for line in told.output.splitlines() if not line.startswith(" ")]
    kinds = [line.partition(":")[0] for line in lines[1:-1]]
    assert kinds == sorted(kinds, key=lambda kind: kind == "Differs")
    assert {"Note", "Differs"} == set(kinds)
    assert lines[0].startswith("Not verified: other software made the record")
    assert lines[-1].startswith("Next: Do not use this record.")
    # What was changed by hand is no matter of software.
    (folder / "result.json").write_text(record_text(record | {"title": "Another"}), encoding="utf-8")
    told = shell.invoke("verify", folder / "result.json")
    assert told.output.splitlines()[0] == "Not verified: the record does not follow from these files."


def test_a_difference_under_the_same_software_is_told_plainly(folder: Path) -> None:
    record = _record(folder)
    record["score"]["counts"] = {}
    (folder / "result.json").write_text(record_text(record), encoding="utf-8")
    told = shell.invoke("verify", folder / "result.json")
    assert told.output.splitlines()[0] == "Not verified: the record does not follow from these files."


def test_verify_refuses_what_is_no_record(tmp_path: Path) -> None:
    (tmp_path / "x.json").write_text('{"schema": 1}')
    result = shell.run("verify", tmp_path / "x.json", code=2)
    assert "no evidence record" in result.stderr


def test_a_number_beyond_all_numbers_is_a_damaged_record(folder: Path) -> None:
    text = (folder / "result.json").read_text()
    (folder / "result.json").write_text(text.replace('"confidence": 0.95', '"confidence": 1e400', 1))
    with pytest.raises(InputError, match="the record is damaged: a number in it is too large"):
        verify_record(folder / "result.json")


def test_missing_data_is_named(folder: Path) -> None:
    (folder / "line.parquet").unlink()
    with pytest.raises(InputError, match=r"'line\.parquet' is neither"):
        verify_record(folder / "result.json")


def test_the_page_keeps_markup_as_text_and_needs_no_network(written: Path) -> None:
    html = (written / "report.html").read_text(encoding="utf-8")
    assert "<script" not in html
    assert "<i>box" not in html
    assert "&lt;script&gt;" in html
    urls = set(re.findall(r'https?://[^"\s<>)]+', html))
    # Names of vocabularies, which nothing fetches.
    assert urls <= {"http://www.w3.org/2000/svg", "http://www.w3.org/1999/xlink"}
    identifiers = re.findall(r'\bid="([^"]+)"', html)
    assert len(identifiers) == len(set(identifiers))
    references = set(re.findall(r'(?:href="#|url\(#)([^")]+)', html))
    assert references <= set(identifiers)
    assert html.count('role="img"') == 5


def test_samples_digest_knows_type_holes_and_order_but_not_blocks() -> None:
    info = RecordingInfo(sample_rate_hz=1, unit="x")

    def digest(values: list[float], dtype: str = "float32", invalid: list[bool] | None = None) -> str:
        hole = None if invalid is None else np.array(invalid)
        return samples_digest(Recording.from_array(np.array(values, dtype), info, invalid=hole))

    base = digest([1, 2, 3])
    assert base == digest([1, 2, 3])
    others = [
        digest([1, 3, 2]),
        digest([1, 2]),
        digest([1, 2, 3], "float64"),
        digest([1, 2, 3], invalid=[False, False, True]),
    ]
    assert base not in others
    assert digest([1, 2, 99], invalid=[False, False, True]) == others[3]
    assert digest([1, 2, np.nan]) == others[3]


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        ({}, "light-on; every sample"),
        ({"consecutive": 3, "evaluation_rate_hz": 250.0}, "light-on, filter of 3 evaluations; evaluated at 250 Hz"),
        ({"on_delay_ms": 5.0}, "light-on, on-delay 5 ms; delays act on the output; every sample"),
        (
            {"off_delay_ms": 2.5, "delays_act_on": "light"},
            "light-on, off-delay 2.5 ms; delays act on the light; every sample",
        ),
        (
            {"schema": 2, "kind": "window", "on_level": 84.0, "off_level": 20.0, "low_release": 22.0,
             "high_release": 77.0, "polarity": "dark-on"},
            "two thresholds, active between 22 and 77 counts <b> (until below 20 or above 84), dark-on; every sample",
        ),
    ],
)  # fmt: skip
def test_the_first_sheet_tells_kind_filter_delays_and_rate_of_the_setting(
    written: Path, changes: dict[str, Any], told: str
) -> None:
    record = _record(written)
    plain = {
        "polarity": "light-on",
        "consecutive": 1,
        "evaluation_rate_hz": None,
        "on_delay_ms": 0.0,
        "off_delay_ms": 0.0,
    }
    record["setting"] |= plain | changes
    assert dict(brief_rows(record))["setting"].endswith(told)


def test_what_differs_from_a_record_is_told_with_both_values() -> None:
    theirs = {"counts": [1, 2], "rate": 0.25, "here": 1, "same": 1.0}
    ours = {"counts": [1, 3, 4], "rate": 0.25 + 1e-6, "there": 2, "same": 1.0 + 1e-15}
    assert dict(_differences("", theirs, ours)) == {
        "counts": "has 2 entries in the record, 3 when recomputed",
        "counts[1]": "is 2 in the record, 3 when recomputed",
        "rate": "is 0.25 in the record, 0.250001 when recomputed",
        "here": "is in the record only",
        "there": "is missing from the record",
    }
