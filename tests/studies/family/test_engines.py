"""The same rows wherever a study is worked: here, in worker processes, on a Dask cluster; and when workers die."""

from __future__ import annotations

import os
import signal
import sys
import time
from pathlib import Path
from types import ModuleType

import pytest

import teachlab
from teachlab.errors import ParameterError
from teachlab.studies.family.engines import WorkerEnded, WorkerProcesses, engine_of
from tests.studies.family.made_lines import content, write_line

GRID = {"quantile-guard": {"position": [0.3, 0.6]}, "two-sample-midpoint": None}


ENDS_ITS_PROCESS = """
import os, signal
from dataclasses import dataclass
from typing import ClassVar
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


def test_no_more_processes_are_begun_than_there_are_pieces(monkeypatch: pytest.MonkeyPatch) -> None:
    """4,096 of them, which the option allows, would take all memory of most computers."""
    from joblib.externals import loky

    asked: list[int] = []
    pool = loky.get_reusable_executor

    def counted(count: int, **more: bool) -> object:
        asked.append(count)
        return pool(count, **more)

    monkeypatch.setattr(loky, "get_reusable_executor", counted)
    assert sorted(dict(WorkerProcesses(4096).run(abs, [-1, -2])).values()) == [1, 2]
    assert asked == [2]


def test_a_strategy_that_ends_its_process_is_a_row_with_its_reason(lines: Path, tmp_path: Path) -> None:
    ends = file_with(tmp_path / "ends.py", "os.kill(os.getpid(), signal.SIGKILL)")
    found = teachlab.study(lines / "l0.parquet", {ends: None}, draws=1, jobs=2)
    assert "its worker process ended" in found.to_pandas().reason.iloc[0]


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
        n_workers=2, threads_per_worker=1, dashboard_address=None, silence_logs=50
    ) as cluster:
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
