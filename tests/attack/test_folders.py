"""Folders that are full, closed or shared: the old result stands, the message says what to do."""

import os
import resource
import subprocess
import sys
from pathlib import Path

import pytest
import shell

CODE = "import sys; sys.argv[0] = 'teachlab'; from teachlab.__main__ import main; main()"
pytestmark = pytest.mark.skipif(os.name != "posix", reason="limits and permissions of POSIX")


def run(folder: Path, words: str, *, limit: int | None = None, before: str = "") -> "subprocess.CompletedProcess[str]":
    def limited() -> None:
        if limit is not None:
            resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit))

    return subprocess.run(
        [sys.executable, "-c", before + CODE, *words.split()], cwd=folder, capture_output=True, text=True, timeout=120,
        preexec_fn=limited, check=False,
    )  # fmt: skip


def contents(folder: Path) -> dict[str, bytes]:
    return {p.name: p.read_bytes() for p in folder.iterdir() if p.is_file()}


def test_a_file_that_may_grow_no_further_is_named_and_the_old_result_stands(tmp_path: Path) -> None:
    assert run(tmp_path, "synth demo --passes 30 --out a.parquet").returncode == 0
    before = contents(tmp_path)
    done = run(tmp_path, "synth demo --passes 400 --seed 5 --out a.parquet", limit=20_000)
    assert done.returncode == 2, done.stderr
    assert done.stderr.startswith("teachlab: cannot write 'a.parquet': File too large; ")
    assert "MB are free" in done.stderr
    assert done.stderr.count("\n") == 1
    assert contents(tmp_path) == before


def test_a_folder_that_cannot_be_written_is_refused_before_work(tmp_path: Path) -> None:
    place = tmp_path / "closed"
    place.mkdir()
    place.chmod(0o555)
    # Root may write anywhere: what the system answers then is asked for in its place.
    asked = "import os; real = os.access; os.access = lambda p, m, **k: real(p, m, **k) and 'closed' not in str(p)\n"
    began = "import teachlab.synthetic.produce as made; made.plan = None\n"  # no work is done
    done = run(tmp_path, "synth demo --passes 30 --out closed/a.parquet", before=asked + began)
    assert (done.returncode, done.stderr.count("\n")) == (2, 1), done.stderr
    assert "Permission denied" in done.stderr
    assert list(place.iterdir()) == []


def test_two_writers_at_once_leave_one_result(tmp_path: Path) -> None:
    words = "synth demo --passes 300 --seed {} --out a.parquet"
    alone = []
    for seed in (1, 2):
        folder = tmp_path / str(seed)
        folder.mkdir()
        assert run(folder, words.format(seed)).returncode == 0
        alone.append(contents(folder))
    both = tmp_path / "both"
    both.mkdir()
    running = [
        subprocess.Popen([sys.executable, "-c", CODE, *words.format(seed).split()], cwd=both, stdout=subprocess.DEVNULL)
        for seed in (1, 2)
    ]
    assert [one.wait(timeout=120) for one in running] == [0, 0]
    assert contents(both) in alone


@pytest.mark.parametrize(
    "words",
    [
        "bench a.parquet --draws 1 --strategy single-sample --out",
        "study a.parquet --draws 1 --strategy single-sample --jobs 1 --out",
        "report a.parquet --setting s.json --draws 0 --out",
        "teach a.parquet --strategy single-sample --out",
        "inspect a.parquet --plot",
        "demo --draws 1 --out",
        "guide --html",
    ],
)
def test_an_empty_name_is_no_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, words: str) -> None:
    """With a variable of the shell that is not set, results lay about in the current folder."""
    monkeypatch.chdir(tmp_path)
    shell.run("synth", "demo", "--passes", "20", "--out", "a.parquet")
    shell.run("teach", "a.parquet", "--strategy", "single-sample", "--out", "s.json")
    before = {p: p.read_bytes() for p in tmp_path.rglob("*")}
    done = shell.run(*words.split(), "", code=2)
    assert "cannot write to '': the name is empty. Give a name" in " ".join(done.stderr.split())
    assert {p: p.read_bytes() for p in tmp_path.rglob("*")} == before
