"""Which files a pattern, a folder and a list of names mean."""

from __future__ import annotations

import os
import random
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from teachlab.data.recording_files import write_recording
from teachlab.data.recording_places import find_recordings, telling_names
from teachlab.data.truth_files import write_truth
from teachlab.errors import InputError
from teachlab.model.recording import Recording, RecordingInfo
from teachlab.model.truth import Truth


@pytest.fixture
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Two lines of one name, one of another, passes beside them, a foreign table, a cut file, a text."""
    monkeypatch.chdir(tmp_path)
    for name in ("rec/north/line", "rec/south/line", "rec/other"):
        file = Path(f"{name}.parquet")
        file.parent.mkdir(parents=True, exist_ok=True)
        recording = Recording.from_array(np.arange(20.0), RecordingInfo(sample_rate_hz=100, unit="counts"))
        write_recording(file, recording)
        write_truth(f"{name}.passes.parquet", Truth.from_arrays([5], [9]))
    pq.write_table(pa.table({"x": [1]}), "rec/foreign.parquet")
    Path("rec/cut.parquet").write_bytes(Path("rec/other.parquet").read_bytes()[:100])
    Path("rec/notes.txt").write_text("dusty")
    return tmp_path


def test_a_folder_a_pattern_and_a_shell_give_the_same_and_no_table_of_passes(place: Path) -> None:
    all_of_them = ["rec/cut.parquet", "rec/north/line.parquet", "rec/other.parquet", "rec/south/line.parquet"]
    assert find_recordings(["rec"]) == all_of_them
    assert find_recordings(["rec/**/*.parquet"]) == all_of_them
    assert find_recordings(["rec/*.parquet"]) == ["rec/cut.parquet", "rec/other.parquet"]
    by_shell = sorted(str(p.relative_to(place)) for p in place.glob("rec/*/*.parquet"))
    assert len(by_shell) == 4
    assert find_recordings(by_shell) == ["rec/north/line.parquet", "rec/south/line.parquet"]


def test_each_is_meant_once_in_the_order_named(place: Path) -> None:
    named = ["rec/south/line.parquet", place / "rec/south/../south/line.parquet", "rec/north", "rec/south"]
    assert find_recordings(named) == ["rec/south/line.parquet", "rec/north/line.parquet"]
    assert find_recordings(["rec/**/*.parquet"], left_out="rec/south") == [
        "rec/cut.parquet", "rec/north/line.parquet", "rec/other.parquet",
    ]  # fmt: skip


def test_what_holds_none_is_named(place: Path) -> None:
    for named, says in (
        (["rec/x*.parquet"], "rec/x*.parquet"), (["rec/foreign*"], "no recording"), ([], "no recording is named"),
        (["rec/other.passes.parquet"], "a table of passes"), (["rec/missing.parquet"], "there is no such file"),
    ):  # fmt: skip
        with pytest.raises(InputError, match=says.replace("*", r"\*")):
            find_recordings(named)


@pytest.mark.parametrize("out", [".", "rec", "rec/south"])
def test_recordings_below_the_folder_of_results_are_told_to_lie_there(place: Path, out: str) -> None:
    """`study rec --out .` said that no recording is found."""
    with pytest.raises(InputError, match=f"'rec/south': its recordings lie in {out}, where results are to be written"):
        find_recordings(["rec/south"], left_out=out)


def test_a_name_that_is_no_text_is_refused(place: Path) -> None:
    named = os.fsdecode(b"rec/F\xf6rder.parquet")
    Path(named).write_bytes(b"")
    for one in ("rec", named):
        with pytest.raises(InputError, match=r"this name is not text in UTF-8\. Rename the file"):
            find_recordings([one])


def test_names_tell_paths_apart() -> None:
    assert telling_names(["a/x/line.parquet", "b/x/line.parquet", "c.parquet"]) == ["a/x/line", "b/x/line", "c"]
    assert telling_names(["line.parquet", "b/line.parquet"]) == ["line", "b/line"]
    assert telling_names(["a/line.parquet", "a/line.pq", "b.parquet"]) == ["line.parquet", "line.pq", "b"]


def test_names_are_the_shortest_ends_that_no_other_path_has() -> None:
    """By a plain loop over all pairs, which for a hundred thousand recordings took hours."""
    rng = random.Random(1)
    for _ in range(200):
        every = ["/".join(rng.choices("ab", k=rng.randint(1, 4))) for _ in range(rng.randint(1, 12))]
        for path, told in zip(every, telling_names([f"{one}.parquet" for one in every]), strict=True):
            own, others = path.split("/"), [one.split("/") for one in every if one != path]
            twice = every.count(path) > 1
            alone = [n for n in range(1, len(own)) if not twice and all(o[-n:] != own[-n:] for o in others)]
            assert told == "/".join(own[-min([*alone, len(own)]) :])
