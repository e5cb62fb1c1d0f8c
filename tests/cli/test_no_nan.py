"""What cannot be told is told in words: no screen of any command prints nan or inf."""

import re
import shlex
from pathlib import Path

import documents
import pytest
from typer.testing import CliRunner

from teachlab.cli import app

NOT_A_NUMBER = re.compile(r"(?<![\w/.'\"-])[-+]?(nan|inf|NaN|Infinity)(?![\w/.'\"-])")
MORE = """
inspect bare.parquet --details
replay a.parquet --setting short.json --details
replay a.parquet --setting never.json --details
stale a.parquet --setting never.json
coverage a.parquet --cycle belt=1s --setting never.json
compare a.parquet --setting never.json --setting good.json
counterfactual a.parquet --setting never.json
stress a.parquet --setting never.json --gain 1,0
timing a.parquet --setting never.json
"""
"""With a setting that never switches, so that no rate, no position and no margin can be told."""


def test_no_screen_prints_what_is_no_number(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    documents.files(tmp_path)
    good = (tmp_path / "good.json").read_text()
    (tmp_path / "never.json").write_text(re.sub(r'("on_level|"off_level)": [\d.]+', r'\1": 900', good))
    (tmp_path / "short.json").write_text(re.sub(r'"on_level": [\d.]+', '"on_level": 199', good))
    told, codes = {}, set()
    # Documents are read by their own test, with the same commands.
    for text in [line for line in (documents.COMMANDS + MORE).splitlines() if line]:
        words = shlex.split(text)
        if "follow.json" in words:
            continue
        done = CliRunner().invoke(app, words)
        codes.add(done.exit_code)
        found = NOT_A_NUMBER.search(done.output)
        if found:
            told[text] = done.output[max(0, found.start() - 60) : found.end() + 20]
        assert done.exit_code in (0, 1, 2, 3), (text, done.exception)
    assert told == {}
    assert codes >= {0, 3}


def test_the_search_finds_them() -> None:
    assert all(NOT_A_NUMBER.search(text) for text in ("rate nan %", "-inf mV", "ratio inf", "(nan …"))
    assert not any(NOT_A_NUMBER.search(text) for text in ("information", "banana", "'nan'", "inf.parquet"))
