"""The same rows wherever a study is worked: here, in worker processes, on a Dask cluster; and when workers die."""

from __future__ import annotations

import json
import os
import re
import signal
import socket
import subprocess
import sys
import time
import warnings
from contextlib import suppress
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

import teachlab
from teachlab.errors import InputError, ParameterError
from teachlab.studies.family import engines, study_piece
from teachlab.studies.family.engines import WorkerEnded, WorkerProcesses, engine_of
from tests.studies.family.made_lines import content, line, write_line

GRID = {"quantile-guard": {"position": [0.3, 0.6]}, "two-sample-midpoint": None}


ENDS_ITS_PROCESS = """
import os, signal
from dataclasses import dataclass
from typing import ClassVar
from teachlab.model.setting import Taught
from teachlab.model.teaching import Shown

@dataclass(frozen=True, slots=True, kw_only=True)
class EndsItsProcess:
    name: ClassVar[str] = "ends-its-process"
    needs: ClassVar[frozenset] = frozenset({Shown.OBJECT})

    def teach(self, view):
        os.kill(os.getpid(), signal.SIGKILL)
"""


def file_with(place: Path, teaches: str) -> str:
    """Write a strategy that does this instead of teaching, and return how it is named."""
    place.write_text(ENDS_ITS_PROCESS.replace("os.kill(os.getpid(), signal.SIGKILL)", teaches))
    return f"{place}:EndsItsProcess"


@pytest.fixture(scope="module")
def lines(tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("lines")
    for seed in range(6):
        write_line(place / f"l{seed}.parquet", seed, weak=0.1)
    (place / "cut.parquet").write_bytes((place / "l0.parquet").read_bytes()[:150])
    return place


@pytest.fixture(scope="module")
def undisturbed(lines: Path, tmp_path_factory: pytest.TempPathFactory) -> dict[str, bytes]:
    out = tmp_path_factory.mktemp("undisturbed")
    teachlab.study(lines, GRID, draws=5, out=out)
    return content(out)


def test_worker_processes_write_the_same_bytes(lines: Path, undisturbed: dict[str, bytes], tmp_path: Path) -> None:
    teachlab.study(lines, GRID, draws=5, out=tmp_path / "out", jobs=2)
    assert content(tmp_path / "out") == undisturbed


def test_a_piece_that_ends_its_process_costs_no_other() -> None:
    def end_or_double(number: int) -> int:
        if number == 3:
            os.kill(os.getpid(), signal.SIGKILL)
        return 2 * number

    found = dict(WorkerProcesses(2).run(end_or_double, list(range(6))))
    assert isinstance(found.pop(3), WorkerEnded)
    assert found == {0: 0, 1: 2, 2: 4, 4: 8, 5: 10}


def test_a_process_that_ends_while_it_has_no_work_ends_no_study() -> None:
    running = WorkerProcesses(1).run(lambda _: os.getpid(), range(2))
    _, first = next(running)
    assert isinstance(first, int)
    os.kill(first, signal.SIGKILL)
    time.sleep(1)  # its pool has seen it before it is given more work
    (second,) = [found for _, found in running]
    assert isinstance(second, int)
    assert second != first


def test_a_process_that_was_started_late_and_ends_is_seen(monkeypatch: pytest.MonkeyPatch) -> None:
    """Three of five such studies never ended: their processes had ended for want of work, and one begun anew died."""
    monkeypatch.setattr(engines, "IDLE_S", 0.2)
    monkeypatch.setattr(engines, "SILENT_S", 0.2)
    for _ in range(4):
        assert dict(WorkerProcesses(1).run(abs, [-1])) == {0: 1}
        time.sleep(0.6)
        (found,) = dict(WorkerProcesses(1).run(lambda _: os.kill(os.getpid(), signal.SIGKILL), [0])).values()
        assert isinstance(found, WorkerEnded)


def test_workers_end_with_the_process_that_asked() -> None:
    """Each would hold its memory for as long as the computer runs."""
    words = (
        "import os, time, signal; from teachlab.studies.family.engines import WorkerProcesses\n"
        "for _, pid in WorkerProcesses(1).run(lambda _: os.getpid(), [0]): print(pid, flush=True)\n"
        "os.kill(os.getpid(), signal.SIGKILL)"
    )
    done = subprocess.run([sys.executable, "-c", words], stdout=subprocess.PIPE, timeout=60)
    deadline = time.monotonic() + 30
    while Path(f"/proc/{int(done.stdout)}").exists() and time.monotonic() < deadline:
        time.sleep(0.1)
    assert not Path(f"/proc/{int(done.stdout)}").exists()


def test_no_more_processes_are_begun_than_there_are_pieces(monkeypatch: pytest.MonkeyPatch) -> None:
    """4,096 of them, which the option allows, would take all memory of most computers."""
    from joblib.externals import loky

    asked: list[int] = []
    pool = loky.get_reusable_executor

    def counted(count: int, **more: object) -> object:
        asked.append(count)
        return pool(count, **more)

    monkeypatch.setattr(loky, "get_reusable_executor", counted)
    assert sorted(dict(WorkerProcesses(4096).run(abs, [-1, -2])).values()) == [1, 2]
    assert asked == [2]


ENDS_AT_A_HALF = """
    share: float = 0.25

    def teach(self, view):
        if self.share == 0.5:
            os.kill(os.getpid(), signal.SIGKILL)
        return view.place(self.share * view.object.mean, 0.0, Taught(strategy=self.name))
"""
WITH_A_CULPRIT = {"single-sample": None}


def ending(place: Path) -> dict[str, Any]:
    """Return a grid with a strategy of which one of two values ends the process."""
    place.write_text(ENDS_ITS_PROCESS.partition("\n    def teach")[0] + ENDS_AT_A_HALF)
    return WITH_A_CULPRIT | {f"{place}:EndsItsProcess": {"share": [0.5, 0.25]}}


@pytest.mark.parametrize("more", [{"jobs": 2}, {"jobs": 2, "scheduler": "local"}], ids=["processes", "cluster"])
def test_what_ends_its_process_is_a_row_with_its_reason_and_costs_no_other(
    lines: Path, tmp_path: Path, more: dict[str, Any]
) -> None:
    if "scheduler" in more:
        pytest.importorskip("distributed")
    some, grid = lines / "l0.parquet", ending(tmp_path / "ends.py")
    rows = teachlab.study(some, grid, draws=3, out=tmp_path / "out", **more).to_pandas()
    assert rows.taught.tolist() == [3, 0, 3]
    assert rows.reason.dropna().tolist() == [WorkerEnded().fault]
    # What has ended a process is kept as such: this process would not survive another trial.
    before = content(tmp_path / "out")
    teachlab.study(some, grid, draws=3, out=tmp_path / "out")
    assert content(tmp_path / "out") == before


def test_a_study_whose_process_was_ended_by_a_strategy_goes_on_in_a_worker(lines: Path, tmp_path: Path) -> None:
    some, grid = str(lines / "l0.parquet"), ending(tmp_path / "ends.py")
    words = f"import teachlab; teachlab.study({some!r}, {grid!r}, draws=3, out={str(tmp_path / 'out')!r})"
    assert subprocess.run([sys.executable, "-c", words], timeout=120).returncode == -signal.SIGKILL
    rows = teachlab.study(some, grid, draws=3, out=tmp_path / "out").to_pandas()
    assert rows.taught.tolist() == [3, 0, 3]
    assert [*(tmp_path / "out" / "rows").glob(".*")] == []


def test_a_recording_that_ends_its_process_whatever_is_taught_is_one_row(monkeypatch: pytest.MonkeyPatch) -> None:
    seen: list[int] = []

    def ended(self: WorkerProcesses, work: object, pieces: list[object]) -> list[tuple[int, WorkerEnded]]:
        seen.append(len(pieces))
        return [(k, WorkerEnded()) for k, _ in enumerate(pieces)]

    monkeypatch.setattr(WorkerProcesses, "run", ended)
    recording, truth = line(1)
    rows = teachlab.study((recording, truth), WITH_A_CULPRIT, draws=1, jobs=2).to_pandas()
    assert rows.reason.tolist() == [WorkerEnded().fault]
    assert seen == [1, 1]


@pytest.mark.parametrize("jobs", [1, 2])
def test_a_strategy_that_ends_the_program_costs_its_own_draws_alone(lines: Path, tmp_path: Path, jobs: int) -> None:
    leaves = file_with(tmp_path / "leaves.py", "raise SystemExit(3)")
    some = [lines / "l0.parquet", lines / "l1.parquet"]
    rows = teachlab.study(some, [leaves, "single-sample"], draws=3, jobs=jobs).to_pandas()
    assert rows.failed.tolist() == [3, 0, 3, 0]
    assert rows.reason[0] == "strategy 'ends-its-process' failed: SystemExit: 3"


def test_a_strategy_that_a_worker_cannot_load_is_no_lack_of_memory(monkeypatch: pytest.MonkeyPatch) -> None:
    module = ModuleType("nowhere")
    made = type("Made", (), {"__module__": "nowhere"})
    monkeypatch.setitem(sys.modules, "nowhere", module)
    monkeypatch.setattr(module, "Made", made, raising=False)
    (ended,) = dict(WorkerProcesses(2).run(id, [made()])).values()
    assert isinstance(ended, WorkerEnded)
    assert ended.fault == "a worker process cannot load it: ModuleNotFoundError: No module named 'nowhere'"


def test_a_cluster_of_two_workers_of_which_one_is_killed_writes_the_same_bytes(
    lines: Path, undisturbed: dict[str, bytes], tmp_path: Path
) -> None:
    distributed = pytest.importorskip("distributed")
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, dashboard_address=None, silence_logs=50,
        scheduler_kwargs={"dashboard_address": "127.0.0.1:0"},
    ) as cluster:  # fmt: skip
        workers = [worker.pid for worker in cluster.workers.values()]
        killed: list[int] = []

        def kill_once(done: int, of: int) -> None:
            if not killed:
                killed.append(workers[0])
                os.kill(workers[0], signal.SIGKILL)

        teachlab.study(
            lines, GRID, draws=5, out=tmp_path / "out", scheduler=cluster.scheduler_address, progress=kill_once
        )
        assert killed
        # The nanny has put another in its place, or the one that is left did the work.
        deadline = time.monotonic() + 30
        while len(cluster.scheduler.workers) < 1 and time.monotonic() < deadline:
            time.sleep(0.1)
    assert content(tmp_path / "out") == undisturbed


def test_a_cluster_of_its_own_writes_the_same_bytes(lines: Path, undisturbed: dict[str, bytes], tmp_path: Path) -> None:
    pytest.importorskip("distributed")
    teachlab.study(lines, GRID, draws=5, out=tmp_path / "out", scheduler="local", jobs=2)
    assert content(tmp_path / "out") == undisturbed


def test_a_process_that_ends_for_want_of_work_as_work_comes_is_no_warning() -> None:
    """Seen once in 38 studies that began when a process had just been idle for as long as it may be."""
    assert dict(WorkerProcesses(2).run(len, ["a", "bc"])) == {0: 1, 1: 2}
    warnings.warn("A worker stopped while some jobs were given to the executor. This can be", UserWarning, stacklevel=1)
    with pytest.raises(UserWarning, match="another"):
        warnings.warn("another", UserWarning, stacklevel=1)


@pytest.mark.parametrize("how", [["--jobs", "1"], ["--jobs", "2"], ["--scheduler", "local", "--jobs", "2"]])
def test_what_a_strategy_prints_is_no_part_of_the_answer(lines: Path, tmp_path: Path, how: list[str]) -> None:
    if "local" in how:
        pytest.importorskip("distributed")
    named = file_with(tmp_path / "prints.py", "print('LOUD'); return view.place(20.0, 0.0, Taught(strategy=self.name))")
    words = ["study", *(str(lines / f"l{k}.parquet") for k in (0, 1)), "--strategy", named, "--draws", "1", "--json"]
    done = subprocess.run([sys.executable, "-m", "teachlab", *words, *how], capture_output=True, text=True, check=False)
    assert [row["taught"] for row in json.loads(done.stdout)["rows"]] == [1, 1]
    assert done.stderr.count("LOUD") >= 2  # a cluster may work a piece twice


@pytest.mark.parametrize("jobs", ["1", "2"])
@pytest.mark.parametrize(
    ("does", "taught", "reason"),
    [
        ("os._exit(0)", 0, WorkerEnded().fault),
        ("import threading, time; threading.Thread(target=time.sleep, args=(600,)).start()", 2, None),
    ],
    ids=["ends its process", "leaves a thread"],
)
def test_what_a_strategy_does_to_its_process_ends_no_command_and_keeps_none(
    lines: Path, tmp_path: Path, does: str, taught: int, reason: str | None, jobs: str
) -> None:
    """With one job the first ended the command, with code 0 and no word; the second kept it for as long as it slept."""
    named = file_with(tmp_path / "does.py", f"{does}; return view.place(20.0, 0.0, Taught(strategy=self.name))")
    words = ["study", str(lines / "l0.parquet"), "--strategy", named, "--strategy", "single-sample", "--draws", "2"]
    done = subprocess.run(
        [sys.executable, "-m", "teachlab", *words, "--json", "--jobs", jobs],
        capture_output=True, text=True, check=False, timeout=300,
    )  # fmt: skip
    rows = json.loads(done.stdout)["rows"]
    assert [(row["taught"], row["reason"]) for row in rows] == [(taught, reason), (2, None)]


def test_a_strategy_that_teaches_for_long_is_named(
    lines: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(study_piece, "LONG_S", 0.2)
    named = file_with(
        tmp_path / "slow.py", "import time; time.sleep(1); return view.place(20.0, 0.0, Taught(strategy=self.name))"
    )
    teachlab.study(lines / "l0.parquet", [named, "single-sample"], draws=2)
    told = capfd.readouterr().err.splitlines()
    # Each of two draws: after 0.2, 0.4 and 0.8 s, as far as its process gets its turn.
    assert 2 <= len(told) <= 6
    assert all(
        re.fullmatch(
            r"l0: strategy 'ends-its-process' has been teaching one draw for \d s\. Nothing but you ends it\.", one
        )
        for one in told
    )


def test_a_piece_leaves_the_streams_of_its_process_alone(lines: Path, tmp_path: Path) -> None:
    """Two pieces in threads of one worker gave the lines of one to the stream of the other, and kept it."""
    teaches = "import sys; sys.seen = sys.stdout; return view.place(20.0, 0.0, Taught(strategy=self.name))"
    named, before = file_with(tmp_path / "looks.py", teaches), sys.stdout
    teachlab.study(lines / "l0.parquet", [named], draws=1)
    assert sys.__dict__.pop("seen") is before


def test_what_is_in_the_memory_of_one_process_is_studied_by_one(lines: Path) -> None:
    fsspec = pytest.importorskip("fsspec")
    for ending in ("parquet", "passes.parquet"):
        fsspec.filesystem("memory").pipe(f"/lines/l.{ending}", (lines / f"l0.{ending}").read_bytes())
    assert teachlab.study("memory://lines/", ["single-sample"], draws=1).to_pandas().taught.tolist() == [1]
    for how in ({"jobs": 2}, {"scheduler": "local"}, {"retry": True}):
        with pytest.raises(ParameterError, match=r"memory://lines/l\.parquet: no other process can read"):
            teachlab.study("memory://lines/", ["single-sample"], draws=1, **how)


def test_a_cluster_of_its_own_begins_where_another_has_its_usual_port(lines: Path) -> None:
    pytest.importorskip("distributed")
    with socket.socket() as other:
        with suppress(OSError):  # it is taken already
            other.bind(("127.0.0.1", 8787))
            other.listen()
        found = teachlab.study([lines / "l0.parquet"], ["single-sample"], draws=1, scheduler="local", jobs=1)
    assert found.to_pandas().taught.tolist() == [1]


def test_a_cluster_of_its_own_of_which_a_worker_ends_at_its_start_is_begun_again(
    lines: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    distributed = pytest.importorskip("distributed")
    begun: list[int] = []
    made = distributed.LocalCluster

    def start(count: int, **more: Any) -> Any:
        begun.append(count)
        if len(begun) in (1, 3, 4):
            raise RuntimeError("Nanny failed to start.")
        return made(count, **more)

    monkeypatch.setattr(distributed, "LocalCluster", start)
    some = lines / "l0.parquet"
    assert teachlab.study(some, ["single-sample"], draws=1, scheduler="local").to_pandas().taught.tolist() == [1]
    with pytest.raises(InputError, match=r"failed to start\. A script of your own must ask below `if __name__"):
        teachlab.study(some, ["single-sample"], draws=1, scheduler="local")
    assert begun == [1] * 4


def test_a_scheduler_that_is_not_there_is_told(lines: Path) -> None:
    pytest.importorskip("distributed")
    with pytest.raises(ParameterError, match="cannot be reached"):
        teachlab.study(lines, GRID, draws=1, scheduler="no address")
    assert type(engine_of(1)).__name__ == "InProcess"


def test_no_worker_is_started_for_recordings_that_are_refused(
    lines: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Broken files are refused by the process that was asked; a good one behind them needs its worker."""
    for name in ("a", "b"):
        (tmp_path / f"{name}.parquet").write_bytes(b"PAR1 no more of it")
    started: list[int] = []

    def start(count: int, **more: object) -> None:
        started.append(count)
        raise RuntimeError("a worker was started")

    monkeypatch.setattr("joblib.externals.loky.get_reusable_executor", start)
    broken = [str(tmp_path / f"{name}.parquet") for name in ("a", "b")]
    found = teachlab.study(broken, ["single-sample"], draws=2, jobs=2)
    assert started == []
    assert [told.partition(": ")[2][:30] for told in found.to_pandas()["reason"]] == [
        "not a readable Parquet file, o"
    ] * 2
    with pytest.raises(RuntimeError, match="a worker was started"):
        teachlab.study([*broken, lines / "l0.parquet"], ["single-sample"], draws=2, jobs=2)
    assert started == [1]
