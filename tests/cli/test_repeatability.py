"""The command `repeatability`: its document, its files, its refusals."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shell

from teachlab.data.recording_files import write_recording
from teachlab.data.truth_files import write_truth
from teachlab.model.printable_text import in_figures
from teachlab.model.recording import Recording, RecordingInfo
from teachlab.model.truth import Truth

INFO = RecordingInfo(sample_rate_hz=1000.0, unit="counts", full_scale=4095)


@pytest.fixture(scope="module")
def line(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Write 60 passes in six lots, and the same line 15 counts brighter."""
    folder = tmp_path_factory.mktemp("line")
    for name, seed, offset in (("early", 1, 0), ("late", 2, 15)):
        rng = np.random.default_rng(seed)
        start = 100 + 150 * np.arange(60)
        light = rng.normal(20 + offset, 2, 60 * 150 + 100)
        for k, a in enumerate(start):
            light[a : a + 60] += 40 + 5 * (k // 10 % 3) + rng.normal(0, 2)
        write_recording(folder / f"{name}.parquet", Recording.from_array(light.round().astype(np.uint16), INFO))
        lots = [f"lot {k // 10}" for k in range(60)]
        write_truth(folder / f"{name}.passes.parquet", Truth.from_arrays(start, start + 60, lot=lots))
    return folder


def run(*words: str | Path, code: int = 0) -> Any:
    return shell.run("repeatability", *words, "--details", code=code)


def test_what_every_teaching_does_alike_is_no_matter_of_what_was_shown(line: Path) -> None:
    words = (line / "early.parquet", "--strategy", "sweep-minmax", "--draws", "30", "--json")
    out = json.loads(run(*words, "--limit", "on_level=0:1").stdout)["verdict"]
    assert out["decision"] == "wrong every time"
    # 30 of 30: 0.05^(1/30) is 0.905.
    assert "30 of 30 teachings" in out["reasons"][0]["text"]
    assert "at least 90 % of teachings" in out["reasons"][0]["text"]
    assert (
        "on 41 scored passes of this recording"
        in json.loads(run(*words, "--limit", "on_level=0:100").stdout)["verdict"]["about"]
    )
    # One teaching that fails does not say that all do: 1 − 0.05 of them may not.
    told = " ".join(run(*words[:-2], "1", "--limit", "on_level=0:1").stdout.split())
    assert told.startswith("Too few teachings: all fail alike, and up to 95 % of others may not.")
    assert "1 of 1 teaching gives an on-level outside 0 to 1;" in told


def test_the_same_pass_lost_every_time_is_named_with_what_to_look_at(tmp_path: Path) -> None:
    """60 passes of 60 counts above the background; pass 49 has 2. A level taught from others never reaches it."""
    rng = np.random.default_rng(4)
    start = 100 + 150 * np.arange(60)
    light = rng.normal(20, 1, 60 * 150 + 100)
    for k, a in enumerate(start):
        light[a : a + 60] += 2 if k == 49 else 60
    path = tmp_path / "weak.parquet"
    write_recording(path, Recording.from_array(light.round().astype(np.uint16), INFO))
    write_truth(tmp_path / "weak.passes.parquet", Truth.from_arrays(start, start + 60))
    words = ("repeatability", str(path), "--strategy", "sweep-minmax", "--draws", "10")
    told = " ".join(shell.invoke(*words).output.split())
    when = f"{start[49] / 1000:.3g} s after the start"
    # 10 of 10: up to 26 % of others may not lose it.
    assert f"Same pass lost every time: pass 49 ({when}), in every teaching tried." in told
    assert f"Next: Look at pass 49 ({when}) in the light: is a product there, and is it weaker than the others?" in told
    assert f"Compare the others: teachlab bench {path} --out results" in told
    # A limit that has nothing to do with losses is told as such, and the same strategy is not benched again.
    words = (*words[:-1], "30")
    told = " ".join(shell.invoke(*words).output.split())
    assert f"Same pass lost every time: pass 49 ({when}), whichever passes are shown." in told
    told = " ".join(shell.invoke(*(*words, "--limit", "on_level=0:1")).output.split())
    assert "Wrong every time: every teaching fails alike" in told
    assert f"Next: teachlab bench {path} --out results" in told


def test_several_recordings_tell_what_varies_between_them_at_once(line: Path) -> None:
    """The same line 15 counts brighter: levels of the two differ by about 15, so by 11 as a standard deviation."""
    words = (line / "early.parquet", line / "late.parquet", "--strategy", "sweep-minmax", "--draws", "30", "--json")
    found = json.loads(run(*words).stdout)
    (told,) = (r["text"] for r in found["verdict"]["reasons"] if "between recordings" in r["text"])
    assert "sweep-minmax: the on-level varies by 1" in told
    assert found["verdict"]["about"].endswith("these recordings") or "shown" in found["verdict"]["about"]


def test_document(line: Path) -> None:
    done = run(
        line / "early.parquet", "--strategy", "sweep-minmax", "--draws", "30", "--average", "3", "--vary",
        "sweep_passes=1,4", "--limit", "lost_rate=0.01", "--limit", "on_level=30:60", "--teach-share", "0.6", "--json",
    )  # fmt: skip
    found = json.loads(done.stdout)
    (recording,) = found["recordings"]
    assert (recording["teach_passes"], recording["scored_passes"]) == (36, 23)
    (one,) = recording["strategies"]
    assert (one["strategy"], one["draws"], len(one["points"]["cost"])) == ("sweep-minmax", 30, 30)
    assert [(v["parameter"], v["value"]) for v in one["varied"]] == [("sweep_passes", 1), ("sweep_passes", 4)]
    assert [v["average"] for v in one["averaged"]] == [3]
    assert [w["measure"] for w in one["worse"]] == ["lost_rate", "on_level"]
    assert {"estimate", "low", "high", "upper", "confidence"} <= set(one["worse"][0])
    assert one["between"]["components"]["groups"] == 4
    assert one["agreement"]["passes"] == 23
    assert recording["best"]["cost"] == 0


def test_same_words_same_bytes_and_a_table_for_people(line: Path, tmp_path: Path) -> None:
    words = [line / "early.parquet", "--strategy", "two-sample-midpoint", "--set", "hysteresis_share=0.2"]
    names = [tmp_path / f"{k}.{kind}" for k in "ab" for kind in ("json", "svg")]
    first = run(*words, "--draws", "20", "--out", names[0], "--out", names[1])
    run(*words, "--draws", "20", "--out", names[2], "--out", names[3])
    assert names[0].read_bytes() == names[2].read_bytes()
    assert names[1].read_bytes() == names[3].read_bytes()
    assert json.loads(names[0].read_text())["recordings"][0]["strategies"][0]["parameters"]["hysteresis_share"] == 0.2
    assert "two-sample-midpoint" in first.stdout
    assert "In hindsight nothing is lost or false" in first.stdout


def test_people_and_shifts(line: Path, tmp_path: Path) -> None:
    words: list[str | Path] = []
    for name, level in (("anna", 40), ("anna", 42), ("ben", 60), ("ben", 61)):
        path = tmp_path / f"{name}{level}.json"
        setting = {"schema": 1, "unit": "counts", "on_level": level, "off_level": level - 5, "polarity": "light-on"}
        path.write_text(json.dumps(setting))
        words += ["--taught", f"{name}={path}"]
    both = (line / "early.parquet", line / "late.parquet")
    done = run(*both, "--strategy", "two-sample-midpoint", "--draws", "10", *words, "--json")
    found = json.loads(done.stdout)
    (between,) = found["between_recordings"]
    assert set(between["on_levels"]) == {"early", "late"}
    assert between["components"]["share"] > 0.5
    people = found["recordings"][0]["people"]
    assert people["on_levels"] == {"anna": [40, 42], "ben": [60, 61]}
    # Within: (1² + 1² + 0.5² + 0.5²) / 2 degrees of freedom.
    assert people["components"]["within_ms"] == pytest.approx(1.25)
    assert "between people" in run(*both[:1], "--strategy", "two-sample-midpoint", "--draws", "5", *words).stdout


@pytest.mark.parametrize(
    "words",
    [
        ["--limit", "lost_rate"],
        ["--limit", "luck=1"],
        ["--vary", "sweep_passes=0"],
        ["--vary", "pieces=2"],
        ["--average", "x"],
        ["--by", "colour"],
        ["--taught", "anna"],
        ["--out", "x.pdf"],
        ["--draws", "0"],
    ],
)
def test_bad_input_is_refused_in_one_message(line: Path, words: list[str]) -> None:
    done = run(line / "early.parquet", "--strategy", "sweep-minmax", *words, code=2)
    assert done.stdout == ""
    assert done.stderr.startswith("teachlab: ")
    assert "Traceback" not in done.output


def test_rates_are_told_per_minute_where_seconds_were_observed(line: Path) -> None:
    """A level in the noise trips in every gap of 90 ms, some thousand times an hour; documents tell it per hour."""
    told = run(line / "early.parquet", "--strategy", "background-referenced", "--draws", "5").stdout
    found = json.loads(
        run(line / "early.parquet", "--strategy", "background-referenced", "--draws", "5", "--json").stdout
    )
    rate = found["recordings"][0]["strategies"][0]["spreads"]["false_trips_per_running_hour"]["median"]
    assert rate > 1000
    assert 6 < 3600 * found["recordings"][0]["scored_hours"] < 7  # ten times as long is a minute, but no hour
    assert f" {in_figures(rate / 60, 3)} " in told
    assert "per h" not in told
    assert "e+0" not in told
