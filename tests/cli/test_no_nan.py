"""What cannot be told is told in words: no screen of any command prints nan or inf."""

import re
import shlex
from pathlib import Path

import documents
import numpy as np
import pytest
import shell

from teachlab.data.recording_files import write_recording
from teachlab.data.setting_files import write_setting
from teachlab.data.truth_files import write_truth
from teachlab.model.recording import Direction, Recording, RecordingInfo
from teachlab.model.setting import Setting
from teachlab.model.truth import Truth

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
        done = shell.invoke(*words)
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


EXPONENT = re.compile(r"\d[eE][-+]\d")
WIDE = """
inspect wide.parquet --details
align wide.parquet --details
label wide.parquet --out proposed.csv
teach wide.parquet --strategy two-sample-midpoint --details
bench wide.parquet --draws 5 --details
surface wide.parquet --setting wide.json --details
design wide.parquet --details
repeatability wide.parquet --strategy two-sample-midpoint --details
replay wide.parquet --setting wide.json --details --reserves
stress wide.parquet --setting wide.json --speed 1,2 --details
counterfactual wide.parquet --setting wide.json --best
timing wide.parquet --setting wide.json
coverage wide.parquet --cycle belt=0.1s --setting wide.json
compare wide.parquet --setting wide.json --setting low.json
stale wide.parquet --setting wide.json --details
card wide.parquet --setting wide.json
surroundings lamp --evaluation-rate-hz 100000 --swing 30000 --hysteresis 12000
surroundings target --measured 52000 --other-reflectance 0.45
report wide.parquet --setting wide.json --draws 0 --no-levels --out record
"""
"""Commands on light of 24 bits and two seconds: all levels are large, and all hours are small."""


def test_no_number_has_an_exponent(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    rng = np.random.default_rng(6)
    start = 60 + np.cumsum(rng.integers(60, 120, 24))
    light = rng.normal(1_200_000, 3000, int(start[-1]) + 200)
    for a in start:
        light[a : a + 30] += rng.normal(9_000_000, 300_000)
    info = RecordingInfo(sample_rate_hz=1000, unit="counts", full_scale=float(2**24), direction=Direction.RISE)
    write_recording("wide.parquet", Recording.from_array(np.rint(light).astype(np.uint32), info))
    write_truth("wide.passes.parquet", Truth.from_arrays(start, start + 30, lot=[f"{k // 4}" for k in range(24)]))
    for name, level in (("wide", 5_123_456.0), ("low", 3_000_000.0)):
        write_setting(f"{name}.json", Setting(unit="counts", on_level=level, off_level=level - 234_567))
    told = {}
    for text in WIDE.split("\n")[1:-1]:
        done = shell.invoke(*shlex.split(text))
        assert done.exit_code in (0, 1, 3), (text, done.output, done.exception)
        if found := EXPONENT.search(done.output):
            told[text] = done.output[max(0, found.start() - 60) : found.end() + 20]
    page = re.sub(r"<(style|script|svg).*?</\1>", "", Path("record/report.html").read_text(), flags=re.DOTALL)
    said = re.sub(r"<[^>]+>", " ", page)
    if found := EXPONENT.search(said):
        told["page"] = said[max(0, found.start() - 60) : found.end() + 20]
    assert told == {}
