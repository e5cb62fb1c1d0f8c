"""A small disk that fills up: the message names the file and what is free, the old result stands, nothing is left."""

import errno
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pyarrow as pa
import pytest
import shell

from teachlab.data.importing.spool import Spool
from teachlab.errors import InputError

SIZE_KB = 4096


@pytest.fixture
def disk(tmp_path: Path) -> Iterator[Path]:
    place = tmp_path / "small"
    place.mkdir()
    mount = shutil.which("mount")
    words = [str(mount), "-t", "tmpfs", "-o", f"size={SIZE_KB}k", "tmpfs", str(place)]
    if mount is None or subprocess.run(words, capture_output=True, check=False).returncode:
        pytest.skip("mounting is not allowed here")
    try:
        yield place
    finally:
        subprocess.run(["umount", "-l", str(place)], check=True)


@pytest.fixture(scope="module")
def line(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("line")
    a, s = str(folder / "a.parquet"), str(folder / "s.json")
    shell.run("synth", "demo", "--passes", "40", "--out", a)
    shell.run("synth", "demo", "--passes", "400", "--out", folder / "log.csv")
    shell.run("teach", a, "--strategy", "single-sample", "--out", s)
    return folder


@pytest.mark.parametrize(
    "words",
    [
        "synth demo --passes 2000 --seed 5 --out OUT/x.parquet",
        "synth demo --passes 2000 --seed 5 --out OUT/x.csv",
        "synth --continue OUT/x.parquet --passes 2000",
        "import log.csv --unit counts --column light --time time_s --out OUT/y.parquet",
        "teach a.parquet --strategy single-sample --seed 3 --out OUT/s.json",
        "label a.parquet --force --out OUT/x.passes.csv",
        "replay a.parquet --setting s.json --edges OUT/edges.csv",
        "bench a.parquet --draws 2 --strategy single-sample --out OUT/bench",
        "report a.parquet --setting s.json --draws 0 --out OUT/rec",
        "explore a.parquet --draws 1 --strategy single-sample --out OUT/page.html",
        "surface a.parquet --levels 500:2500:20 --out OUT/map.svg",
        "guide --html OUT/guide",
    ],
)
def test_a_full_disk_is_named_and_the_old_result_stands(
    disk: Path, line: Path, monkeypatch: pytest.MonkeyPatch, words: str
) -> None:
    monkeypatch.chdir(line)
    shell.run("synth", "demo", "--passes", "20", "--out", disk / "x.parquet")
    shutil.copy(line / "s.json", disk / "s.json")
    # What is left would hold none of the results.
    left = 0 if words.startswith(("teach", "label", "replay")) else 20_480
    (disk / "filled").write_bytes(bytes(shutil.disk_usage(disk).free - left))
    before = {p: p.read_bytes() for p in disk.rglob("*") if p.is_file()}
    done = shell.run(*words.replace("OUT", str(disk)).split(), code=2)
    told = " ".join(done.stderr.split())
    assert "No space left on device" in told
    assert "MB are free" in told
    assert str(disk) in told
    assert {p: p.read_bytes() for p in disk.rglob("*") if p.is_file()} == before


@pytest.mark.parametrize("rows", [2, 0])
def test_rows_of_a_pipe_are_kept_where_the_disk_fills(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, rows: int
) -> None:
    def full(*given: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    out = str(tmp_path / "y.parquet")
    with Spool(out) as spool:
        if rows:
            spool.write({"light": pa.array([1, 2])}, None)
        monkeypatch.setattr("teachlab.data.importing.spool.ipc.new_stream", full)
        with pytest.raises(InputError, match="Free space: 2 rows are kept in" if rows else "MB are free in"):
            spool.write({"light": pa.array([3, 4])}, None)
    with Spool(out) as again:
        assert again.rows == rows
