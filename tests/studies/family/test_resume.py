"""A study that was killed, interrupted or extended goes on where it was, and ends with the bytes of one run through."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import pyarrow.parquet as pq
import pytest

import teachlab
from teachlab.errors import InputError
from teachlab.studies.code_fingerprint import code_fingerprint
from teachlab.studies.family import study_piece
from teachlab.teaching.strategy_files import strategy_class
from tests.studies.family.made_lines import content, write_line

REPOSITORY = Path(teachlab.__file__).parents[1]
OWN = """
from dataclasses import dataclass
from typing import ClassVar
from placed_where import SHARE
from teachlab.model.setting import Taught
from teachlab.model.teaching import Shown

@dataclass(frozen=True, slots=True, kw_only=True)
class Mine:
    name: ClassVar[str] = "mine"
    needs: ClassVar[frozenset] = frozenset({Shown.OBJECT})

    def teach(self, view):
        return view.place(SHARE * view.object.mean, 0.0, Taught(strategy=self.name, parameters={}))
"""
SMALL = {"quantile-guard": {"position": [0.6]}}
WHOLE: dict[str, Any] = {"quantile-guard": {"position": [0.3, 0.6]}, "single-sample": None}


@pytest.fixture(scope="module")
def lines(tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("lines")
    for seed in range(4):
        write_line(place / f"l{seed}.parquet", seed, weak=0.1)
    shutil.copy(place / "l0.parquet", place / "copy.parquet")
    shutil.copy(place / "l0.passes.parquet", place / "copy.passes.parquet")
    (place / "cut.parquet").write_bytes((place / "l0.parquet").read_bytes()[:150])
    return place


@pytest.fixture(scope="module")
def through(lines: Path, tmp_path_factory: pytest.TempPathFactory) -> dict[str, bytes]:
    out = tmp_path_factory.mktemp("through")
    teachlab.study(lines, WHOLE, draws=4, out=out)
    return content(out)


@pytest.fixture
def worked(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Names of the recordings whose rows are worked from here on."""
    seen: list[str] = []
    rows = study_piece._rows

    def noted(recording: Any, truth: Any, piece: Any, keys: Any) -> Any:
        seen.append(recording.name)
        return rows(recording, truth, piece, keys)

    monkeypatch.setattr(study_piece, "_rows", noted)
    return seen


def test_a_folder_may_be_named_by_its_address(lines: Path, through: dict[str, bytes], tmp_path: Path) -> None:
    out = tmp_path / "not yet" / "there"
    for _ in range(2):
        teachlab.study(lines, WHOLE, draws=4, out=out.as_uri())
        assert content(tmp_path / "not yet" / "there") == through


def test_an_interrupted_study_goes_on(
    lines: Path, through: dict[str, bytes], tmp_path: Path, worked: list[str]
) -> None:
    def interrupt(done: int, of: int) -> None:
        if done == 3:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        teachlab.study(lines, WHOLE, draws=4, out=tmp_path, progress=interrupt)
    first = list(worked)
    teachlab.study(lines, WHOLE, draws=4, out=tmp_path)
    assert content(tmp_path) == through
    assert sorted(worked) == ["copy", "l0", "l1", "l2", "l3"]
    assert 0 < len(first) < 5
    teachlab.study(lines, WHOLE, draws=4, out=tmp_path)
    assert len(worked) == 5
    assert content(tmp_path) == through


def test_an_extended_study_works_what_is_new_alone(
    lines: Path, through: dict[str, bytes], tmp_path: Path, worked: list[str]
) -> None:
    teachlab.study([lines / "l2.parquet", lines / "l1.parquet"], WHOLE, draws=4, out=tmp_path)
    teachlab.study(lines, SMALL, draws=4, out=tmp_path)
    assert sorted(worked) == ["copy", "l0", "l1", "l2", "l3"]  # l1 and l2 held the smaller grid already
    teachlab.study(lines, WHOLE, draws=4, out=tmp_path)
    assert content(tmp_path) == through


def test_a_smaller_study_leaves_nothing_of_the_larger_one(lines: Path, tmp_path: Path, worked: list[str]) -> None:
    some = [lines / "l2.parquet", lines / "copy.parquet"]
    teachlab.study(lines, WHOLE, draws=4, out=tmp_path / "a")
    count = len(worked)
    teachlab.study(some, SMALL, draws=4, out=tmp_path / "a")
    assert len(worked) == count
    teachlab.study(some, SMALL, draws=4, out=tmp_path / "b")
    assert content(tmp_path / "a") == content(tmp_path / "b")


def test_lines_that_moved_are_known_and_those_that_changed_are_not(tmp_path: Path, worked: list[str]) -> None:
    place = write_line(tmp_path / "rec" / "l.parquet", 5)
    teachlab.study(place.parent, SMALL, draws=3, out=tmp_path / "out")
    moved = tmp_path / "moved"
    place.parent.rename(moved)
    found = teachlab.study(moved, SMALL, draws=3, out=tmp_path / "out")
    assert found.to_pandas().path.tolist() == [str(moved / "l.parquet")]
    for ending in ("parquet", "passes.parquet"):
        (moved / f"l.{ending}").rename(moved / f"renamed.{ending}")
    found = teachlab.study(moved, SMALL, draws=3, out=tmp_path / "out")
    assert worked == ["l"]
    assert found.to_pandas().recording.tolist() == ["renamed"]
    write_line(moved / "renamed.parquet", 6)
    teachlab.study(moved, SMALL, draws=3, out=tmp_path / "out")
    assert worked == ["l", "renamed"]
    assert len(list((tmp_path / "out" / "rows").iterdir())) == 1


def test_rows_with_one_wrong_bit_are_refused_or_worked_anew(lines: Path, tmp_path: Path) -> None:
    def again() -> None:
        teachlab.study(lines / "l1.parquet", SMALL, draws=3, out=tmp_path)

    again()
    whole, (place,) = content(tmp_path), tmp_path.rglob("rows.parquet")
    raw, group = place.read_bytes(), pq.ParquetFile(place).metadata.row_group(0)
    parts = {part.path_in_schema: part for part in map(group.column, range(group.num_columns))}
    for name in ("key", "strategy", "on_level", "lost_rate", "setting", "draw_costs.list.element"):
        part = parts[name]
        first = part.dictionary_page_offset if part.has_dictionary_page else part.data_page_offset
        at = first + part.total_compressed_size - 1  # the last byte of its last page
        place.write_bytes(raw[:at] + bytes([raw[at] ^ 1]) + raw[at + 1 :])
        if name in ("key", "strategy"):
            again()
        else:
            with pytest.raises(InputError, match="rows of a study that cannot be read"):
                again()
            place.write_bytes(raw)
        assert content(tmp_path) == whole, name


def test_other_options_and_other_code_are_worked_anew(
    lines: Path, tmp_path: Path, worked: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    one = lines / "l1.parquet"
    teachlab.study(one, SMALL, draws=3, out=tmp_path)
    for more in ({"draws": 4}, {"draws": 4, "seeds": [1]}, {"draws": 4, "cost_miss": 2.0}):
        before = len(worked)
        teachlab.study(one, SMALL, out=tmp_path, **more)
        assert len(worked) == before + 1, more
    before = len(worked)
    # Confidence is no part of a row: what is claimed changes, not what was measured.
    teachlab.study(one, SMALL, out=tmp_path, draws=4, cost_miss=2.0, confidence=0.9)
    assert len(worked) == before
    monkeypatch.setattr(study_piece, "code_fingerprint", lambda module: "other")
    monkeypatch.setattr("teachlab.studies.family.study_run.piece_code", lambda: "other")
    teachlab.study(one, SMALL, out=tmp_path, draws=4, cost_miss=2.0)
    assert len(worked) == before + 1


def test_a_strategy_in_a_file_is_worked_anew_when_it_or_what_it_imports_beside_it_is_changed(
    lines: Path, tmp_path: Path, worked: list[str]
) -> None:
    helper, other = tmp_path / "placed_where.py", tmp_path / "unrelated.py"
    file = tmp_path / "mine.py"
    file.write_text(OWN)
    for text, expected in (("SHARE = 0.5", 1), ("SHARE = 0.5", 1), ("SHARE = 0.4", 2)):
        helper.write_text(text)
        other.write_text(text)
        sys.modules.pop("placed_where", None)
        teachlab.study(lines / "l1.parquet", [f"{file}:Mine"], draws=1, out=tmp_path / "out")
        assert len(worked) == expected, text
    other.write_text("")
    teachlab.study(lines / "l1.parquet", [f"{file}:Mine"], draws=1, out=tmp_path / "out")
    assert len(worked) == 2
    made = strategy_class(f"{file}:Mine")
    file.write_text(OWN + "# changed while the study runs\n")
    found = teachlab.study(lines / "l1.parquet", [made], draws=1, out=tmp_path / "out")
    assert found.to_pandas().reason.tolist() == [
        "the file of strategy 'mine' was changed while the study ran. Run it again."
    ]


def test_a_worker_of_another_version_is_told(lines: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("teachlab.studies.family.study_run.piece_code", lambda: "other")
    found = teachlab.study(lines / "l1.parquet", SMALL, draws=1)
    assert "another version of teachlab" in found.to_pandas().reason.iloc[0]


def test_the_fingerprint_is_that_of_the_code_behind_the_number() -> None:
    code = code_fingerprint.__wrapped__
    piece = "teachlab.studies.family.study_piece"
    module = sys.modules["teachlab.studies.code_fingerprint"]
    closure = module._closure(piece)  # type: ignore[attr-defined]
    assert {"teachlab.switching.run", "teachlab.scoring.scoring", "teachlab.teaching.once"} <= set(closure)
    assert not {name for name in closure if name.startswith(("teachlab.cli", "teachlab.evidence.templates"))}
    assert code(piece) != code("teachlab.scoring.scoring")


def test_rows_that_cannot_be_read_are_worked_anew(lines: Path, tmp_path: Path) -> None:
    one = lines / "l1.parquet"
    teachlab.study(one, SMALL, draws=3, out=tmp_path)
    whole = content(tmp_path)
    (kept,) = (tmp_path / "rows").glob("*/rows.parquet")
    kept.write_bytes(b"PAR1 no more")
    teachlab.study(one, SMALL, draws=3, out=tmp_path)
    assert content(tmp_path) == whole


def test_ten_kills_leave_the_bytes_of_one_run_through() -> None:
    words = [sys.executable, "benchmarks/kills.py", "--study", "--kills", "10", "--lines", "5", "--seed", "3"]
    done = subprocess.run(words, cwd=REPOSITORY, capture_output=True, text=True, timeout=300)
    assert done.returncode == 0, done.stdout + done.stderr
    assert "10 kills" in done.stdout
    kept = [int(line.split()[2]) for line in done.stdout.splitlines() if line.startswith("kill ")]
    assert any(0 < count < 5 for count in kept), "no kill fell on a study under way"


def test_a_second_run_into_the_same_folder_is_refused_while_the_first_one_writes(lines: Path, tmp_path: Path) -> None:
    """Otherwise each would remove the rows of the other, and one document would stand beside the rows of the other."""
    refused: list[str] = []

    def second(done: int, of: int) -> None:
        with pytest.raises(InputError, match="another run is writing a study there") as told:
            teachlab.study(lines / "l1.parquet", SMALL, draws=1, out=tmp_path)
        refused.append(str(told.value))

    teachlab.study(lines / "l2.parquet", SMALL, draws=1, out=tmp_path, progress=second)
    assert len(refused) == 1
    teachlab.study(lines / "l1.parquet", SMALL, draws=1, out=tmp_path)


def test_what_a_killed_run_left_beside_rows_is_removed(lines: Path, tmp_path: Path) -> None:
    """Nothing is written into these folders again: the rows of one are complete, the other left the study."""
    teachlab.study(lines / "l2.parquet", SMALL, draws=1, out=tmp_path)
    whole = content(tmp_path)
    (kept,) = (tmp_path / "rows").iterdir()
    other = tmp_path / "rows" / "recording_id=0123456789abcdef"
    other.mkdir()
    for folder in (kept, other):
        (folder / ".teachlab-0123456789abcdef.part").write_bytes(b"PAR1")
    teachlab.study(lines / "l2.parquet", SMALL, draws=1, out=tmp_path)
    assert content(tmp_path) == whole
    assert [*(tmp_path / "rows").iterdir()] == [kept]


def test_an_out_that_is_a_file_is_refused_before_any_work(lines: Path, tmp_path: Path, worked: list[str]) -> None:
    (tmp_path / "out").write_text("notes")
    with pytest.raises(InputError, match="it is a file"):
        teachlab.study(lines, SMALL, draws=3, out=tmp_path / "out")
    assert worked == []


def test_a_complete_study_that_can_only_be_read_is_told_and_nothing_is_written(
    lines: Path, through: dict[str, bytes], tmp_path: Path, worked: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    shutil.copytree(_written(lines, tmp_path), tmp_path / "kept")
    # Root may write anywhere: what the system answers other users is given here.
    monkeypatch.setattr("os.access", lambda place, mode, **more: False)
    count = len(worked)
    found = teachlab.study(lines, WHOLE, draws=4, out=tmp_path / "kept")
    assert (found.written, len(worked)) == (False, count)
    assert found.verdict == teachlab.study(lines, WHOLE, draws=4).verdict
    fewer = teachlab.study(lines / "l1.parquet", SMALL, draws=4, confidence=0.8, out=tmp_path / "kept")
    assert fewer.to_pandas().recording.tolist() == ["l1"]
    assert content(tmp_path / "kept") == through
    count = len(worked)
    with pytest.raises(InputError, match=r"cannot write to '.*kept', and 5 of 6 recordings are not complete there"):
        teachlab.study(lines, WHOLE, draws=5, out=tmp_path / "kept")
    assert len(worked) == count
    assert content(tmp_path / "kept") == through


def _written(lines: Path, place: Path) -> Path:
    assert teachlab.study(lines, WHOLE, draws=4, out=place / "out").written
    return place / "out"


def test_a_renamed_recording_is_known_where_another_has_its_old_name(tmp_path: Path, worked: list[str]) -> None:
    for seed, folder in enumerate("abc"):
        write_line(tmp_path / "rec" / folder / "line.parquet", seed)
    pattern = tmp_path / "rec" / "*" / "*.parquet"
    teachlab.study(pattern, SMALL, draws=2, out=tmp_path / "out")
    assert worked == ["line"] * 3
    for ending in ("parquet", "passes.parquet"):
        (tmp_path / "rec" / "b" / f"line.{ending}").rename(tmp_path / "rec" / "b" / f"other.{ending}")
    found = teachlab.study(pattern, SMALL, draws=2, out=tmp_path / "out")
    assert found.to_pandas().recording.tolist() == ["line", "other", "line"]
    assert worked == ["line"] * 3


@pytest.mark.parametrize("fails", ["raise MemoryError", "os.kill(os.getpid(), 9)"])
def test_what_failed_is_kept_and_tried_again_when_that_is_asked(lines: Path, tmp_path: Path, fails: str) -> None:
    """What the computer lacked, and not the strategy, may be there at the next run."""
    lacks = tmp_path / "lacks"
    file = tmp_path / "mine.py"
    fault = f"if os.path.exists({str(lacks)!r}): {fails}\n        "
    file.write_text(OWN.replace("from placed_where import SHARE", "import os").replace("return", fault + "return"))
    file.write_text(file.read_text().replace("SHARE", "0.5"))
    asked: dict[str, Any] = {f"{file}:Mine": None, "single-sample": None}
    some = [lines / "l1.parquet", lines / "l2.parquet"]
    lacks.touch()
    before = teachlab.study(some, asked, draws=2, out=tmp_path / "out", jobs=2)
    assert before.failed == 2
    told = before.verdict.reasons[0].text
    assert told.startswith("mine fails on 2 of 2 recordings: ")
    assert "MemoryError." in told or "there is not enough memory." in told
    lacks.unlink()
    assert teachlab.study(some, asked, draws=2, out=tmp_path / "out").failed == 2
    again = teachlab.study(some, asked, draws=2, out=tmp_path / "out", retry=True)
    assert (again.failed, again.to_pandas().taught.tolist()) == (0, [2] * 4)
    teachlab.study(some, asked, draws=2, out=tmp_path / "through")
    assert content(tmp_path / "out") == content(tmp_path / "through")


def test_a_retry_survives_what_ends_its_process_again(lines: Path, tmp_path: Path) -> None:
    file = tmp_path / "mine.py"
    file.write_text(OWN.replace("from placed_where import SHARE", "import os").replace("return", "os._exit(1)  #"))
    asked = {f"{file}:Mine": None, "single-sample": None}
    teachlab.study(lines / "l1.parquet", asked, draws=2, out=tmp_path / "out", jobs=2)
    before = content(tmp_path / "out")
    found = teachlab.study(lines / "l1.parquet", asked, draws=2, out=tmp_path / "out", retry=True)
    assert found.to_pandas().taught.tolist() == [0, 2]
    assert content(tmp_path / "out") == before


def test_a_base_setting_goes_by_its_name(tmp_path: Path) -> None:
    """Two of one delay had the rows of the second alone, so the first "did not teach"; a new name was a KeyError."""
    lines = [write_line(tmp_path / f"l{k}.parquet", k) for k in range(2)]

    def studied(*names: str) -> list[tuple[str, float | None, int]]:
        bases = {name: {"on_delay_ms": 2.0} for name in names}
        found = teachlab.study(lines, ["single-sample"], draws=1, bases=bases, out=tmp_path / "out")
        return [(one.base, one.cost, one.unranked) for one in found.ranking]

    ((_, cost, _),) = studied("slow")
    assert cost is not None
    assert studied("late") == [("late", cost, 0)]
    assert studied("late", "slow") == [("late", cost, 0), ("slow", cost, 0)]


@pytest.mark.parametrize("jobs", [1, 2])
@pytest.mark.parametrize("ending", ["parquet", "passes.parquet"])
def test_a_recording_that_changes_while_it_is_studied_is_a_row_and_ends_no_other(
    lines: Path, tmp_path: Path, jobs: int, ending: str
) -> None:
    for name in ("l1", "l2"):
        for one in ("parquet", "passes.parquet"):
            shutil.copy(lines / f"{name}.{one}", tmp_path / f"{name}.{one}")
    changed, teaches = tmp_path / f"l1.{ending}", tmp_path / "writes.py"
    lasts = "return view.place(20.0, 0.0, Taught(strategy=self.name, parameters={}))"
    writes = f"import os, pathlib; os.utime({str(changed)!r}, (1, pathlib.Path({str(changed)!r}).stat().st_mtime + 1))"
    teaches.write_text(OWN.replace("from placed_where import SHARE\n", "").partition("        return")[0])
    teaches.write_text(f"{teaches.read_text()}        {writes}\n        {lasts}\n")
    named = [str(tmp_path / f"{name}.parquet") for name in ("l1", "l2")]
    words = ["study", *named, "--strategy", f"{teaches}:Mine", "--draws", "2", "--json", "--jobs", str(jobs)]
    words += ["--out", str(tmp_path / "out")]

    def rows(count: int) -> list[tuple[str, Any, str]]:
        some = [word for word in words if word not in named[count:]]
        done = subprocess.run([sys.executable, "-m", "teachlab", *some], capture_output=True, text=True, check=False)
        if count == 1:
            return [("", done.returncode, done.stderr)]
        return [(row["recording"], row["taught"], row["reason"] or "") for row in json.loads(done.stdout)["rows"]]

    first, second = rows(2)
    assert first[:2] == ("l1", None)
    assert first[2].startswith(f"{changed}: this file was replaced or changed while")
    assert second == ("l2", 2, "")
    ((_, code, told),) = rows(1)
    assert code == 2
    assert f"{changed}: this file was replaced or changed while" in told
