"""A setting or a record from a stranger names a strategy; no file is run for it."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest
import shell

from teachlab.data.shipped import datasets_root
from teachlab.evidence.identity import json_digest

EVIL = """
from pathlib import Path

Path({marker!r}).touch()


class X:
    name = "x"
    needs = frozenset()

    def teach(self, view): ...
"""


@pytest.fixture
def line(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    for file in datasets_root().glob("demo_tubs.*"):
        shutil.copy(file, tmp_path)
    (tmp_path / "evil.py").write_text(EVIL.format(marker=str(tmp_path / "marker")))
    monkeypatch.chdir(tmp_path)
    monkeypatch.syspath_prepend(str(tmp_path))
    return tmp_path


def names(folder: Path) -> list[str]:
    return ["./evil.py:X", f"{folder}/evil.py:X", "evil:X"]


def test_report_and_verify_run_no_file_that_a_setting_names(line: Path) -> None:
    shell.run("teach", "demo_tubs.parquet", "--strategy", "two-sample-midpoint", "--out", "setting.json")
    setting = json.loads((line / "setting.json").read_text())
    for name in names(line):
        setting["taught"]["strategy"] = name
        (line / "setting.json").write_text(json.dumps(setting))
        words = ("--setting", "setting.json", "--teach-share", "0.3", "--draws", "2", "--out", "record")
        told = shell.invoke("report", "demo_tubs.parquet", *words)
        assert told.exit_code in (0, 1, 3), told.output
        record = json.loads((line / "record" / "result.json").read_text())
        assert "no strategy is named" in json.dumps(record)
        assert record["setting_source"]["strategy_source_sha256"] is None
        shell.run("verify", "record/result.json")
        assert not (line / "marker").exists(), name


def test_neither_does_an_abstention(line: Path) -> None:
    told = shell.run("teach", "demo_tubs.parquet", "--strategy", "contamination-aware", "--json", code=3)
    document = json.loads(told.stdout)
    (line / "setting.json").write_text(json.dumps(document))
    report = ("report", "demo_tubs.parquet", "--setting", "setting.json", "--draws", "2", "--out", "record")
    shell.invoke(*report)
    record = json.loads((line / "record" / "result.json").read_text())
    for name in names(line):
        document["abstained"]["strategy"] = record["abstained"]["strategy"] = name
        (line / "setting.json").write_text(json.dumps(document))
        record["record_sha256"] = json_digest({k: v for k, v in record.items() if k != "record_sha256"})
        (line / "record" / "result.json").write_text(json.dumps(record))
        for words in (report, ("verify", "record/result.json")):
            told = shell.invoke(*words)
            assert told.exit_code in (1, 2)
            assert "no strategy is named" in told.output
        assert not (line / "marker").exists(), name
    # The file is run where the user names it.
    shell.invoke("teach", "demo_tubs.parquet", "--strategy", "./evil.py:X")
    assert (line / "marker").exists()
