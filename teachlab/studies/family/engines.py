"""Where the pieces of a study run: in this process, in worker processes, or on a Dask cluster. One small interface."""

from __future__ import annotations

import logging
import os
import sys
import threading
import time
import warnings
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Any, Protocol, TypeVar

from teachlab.errors import InputError, ParameterError

if TYPE_CHECKING:
    from concurrent.futures import Future

T = TypeVar("T")
R = TypeVar("R")
LOCAL = "local"
AHEAD = 2
"""Pieces that wait at every worker of a cluster, so that no worker idles while an answer travels."""
IDLE_S, SILENT_S = 10.0, 5.0
"""A worker process without work ends after the first time; after the second without a result, processes are checked."""


@dataclass(frozen=True, slots=True)
class WorkerEnded:
    """Instead of a result: the process of the piece ended, also while no other piece was running."""

    fault: str = (
        "the worker process ended while it worked on this alone: the strategy ends its process, or there is not enough "
        "memory"
    )

    @classmethod
    def by(cls, fault: BaseException) -> WorkerEnded:
        """Return it with the reason, if the process ended because it could not load the piece."""
        if "un-serialize" not in str(fault) or fault.__cause__ is None:
            return cls()
        why = str(fault.__cause__).strip('"\n').splitlines()[-1]
        return cls(f"a worker process cannot load it: {why}")


class StudyEngine(Protocol):
    """Runs pieces; the results come as they are completed."""

    def run(self, work: Callable[[T], R], pieces: Sequence[T]) -> Iterator[tuple[int, R | WorkerEnded]]:
        """Yield the number of every piece with its result."""


def engine_of(jobs: int = 1, scheduler: str | None = None, *, apart: bool = False) -> StudyEngine:
    """Return the engine asked for.

    `apart`: whether one job at a time is worked in a process of its own too.
    `jobs`: number of pieces at a time; 0 for as many as there are cores. With a scheduler, only ``local`` uses it.
    `scheduler`: address of a Dask scheduler, such as ``tcp://host:8786``, or ``local`` for a cluster of this machine.
    """
    if isinstance(jobs, bool) or not isinstance(jobs, int) or jobs < 0:
        raise ParameterError(f"jobs must be a whole number of at least 0, got {jobs!r}.")
    if scheduler is not None:
        return ClusterEngine(scheduler, jobs)
    count = jobs or os.cpu_count() or 1
    return InProcess() if count == 1 and not apart else WorkerProcesses(count)


class InProcess:
    """One piece after the other, in this process."""

    def run(self, work: Callable[[T], R], pieces: Sequence[T]) -> Iterator[tuple[int, R | WorkerEnded]]:
        """Yield the results in order."""
        for number, piece in enumerate(pieces):
            yield number, work(piece)


class WorkerProcesses:
    """Worker processes of this machine (joblib's loky); a piece that ends its process does not affect the others.

    `count`: number of processes.
    `tries`: how often a piece may end its process, the last time while no other one is running.
    """

    def __init__(self, count: int, *, tries: int = 2) -> None:
        self.count, self.tries = count, tries

    def run(self, work: Callable[[T], R], pieces: Sequence[T]) -> Iterator[tuple[int, R | WorkerEnded]]:
        """Yield the results as they end."""
        from concurrent.futures import FIRST_COMPLETED, wait
        from concurrent.futures.process import BrokenProcessPool

        from joblib.externals.loky import get_reusable_executor

        waiting, suspects = deque(range(len(pieces))), deque[int]()
        strikes: dict[int, int] = {}
        running: dict[Future[Any], int] = {}
        # A process may end for want of work just when work comes: it is replaced, which concerns no user.
        warnings.filterwarnings("ignore", "A worker stopped while some jobs were given", UserWarning)
        # More processes than pieces would only hold memory.
        count = max(1, min(self.count, len(pieces)))
        start = partial(get_reusable_executor, count, timeout=IDLE_S, initializer=_begin, initargs=(os.getpid(),))
        pool = start()
        while waiting or suspects or running:
            # It is unknown which of the running pieces ended a process: each is tried again separately.
            width, queue = (1, suspects) if suspects else (count, waiting)
            while queue and len(running) < width:
                try:
                    future = pool.submit(work, pieces[queue[0]])
                except BrokenProcessPool:  # a process ended while none was asked for
                    if running:
                        break
                    pool = start(kill_workers=True)
                    continue
                running[future] = queue.popleft()
            ended = wait(running, SILENT_S, FIRST_COMPLETED).done
            if not ended:
                # What watches the processes learns of a new one only when it is woken: if that one was started late and
                # has ended, it would wait without end.
                with suppress(BrokenProcessPool):
                    pool.submit(os.getpid)
            for done in ended:
                number = running.pop(done)
                try:
                    yield number, done.result()
                except BrokenProcessPool as fault:
                    lost = [number, *running.values()]
                    running.clear()
                    alone = len(lost) == 1
                    for one in sorted(lost):
                        strikes[one] = strikes.get(one, 0) + 1
                        if alone and strikes[one] >= self.tries:
                            yield one, WorkerEnded.by(fault)
                        else:
                            suspects.append(one)
                    pool = start(kill_workers=True)
                    break


def _print_beside() -> None:
    """Let this process print beside the answer of the one that asks."""
    with suppress(OSError):
        os.dup2(2, 1)


def _begin(parent: int) -> None:
    """Let this process print beside the answer of the one that asks, end with it, and whatever a strategy left running.

    A killed process could not tell it, and it would hold its memory.
    """
    from multiprocessing.util import Finalize

    _print_beside()
    # Before a process waits for the threads that were started in it.
    Finalize(None, _end, exitpriority=-1000)

    def watch() -> None:
        while os.getppid() == parent:
            time.sleep(1)
        os._exit(1)

    threading.Thread(target=watch, daemon=True).start()


def _end() -> None:
    for stream in (sys.stdout, sys.stderr):
        with suppress(OSError, ValueError):
            stream.flush()
    os._exit(0)


class ClusterEngine:
    """Any Dask cluster; if a worker dies, another one runs its piece."""

    def __init__(self, address: str, jobs: int = 0) -> None:
        self.address, self.jobs = address, jobs

    def run(self, work: Callable[[T], R], pieces: Sequence[T]) -> Iterator[tuple[int, R | WorkerEnded]]:
        """Yield the results as they end."""
        from concurrent.futures import CancelledError

        try:
            from distributed import Client, KilledWorker, LocalCluster, as_completed
        except ImportError:
            raise ParameterError("a scheduler needs the extra 'dask': pip install 'teachlab[dask]'.") from None
        # What it says of a lost scheduler, in a hundred lines, is said below.
        logging.getLogger("distributed.client").setLevel(logging.CRITICAL)
        cluster = None
        if self.address == LOCAL:
            workers = max(1, min(self.jobs or os.cpu_count() or 1, len(pieces)))
            start = partial(
                LocalCluster, workers, threads_per_worker=1, dashboard_address=None, silence_logs=50,
                # Any free port: by default the second cluster of a machine finds its port taken.
                scheduler_kwargs={"dashboard_address": "127.0.0.1:0"},
            )  # fmt: skip
            try:
                cluster = start()
            except RuntimeError:  # one of its processes ended before it was ready
                try:
                    cluster = start()
                except RuntimeError as fault:
                    raise InputError(
                        f"the workers of a cluster on this machine do not start: {str(fault).rstrip('.')}. A script of "
                        "your own must ask below `if __name__ == '__main__':`, as each worker loads it. Otherwise free "
                        "memory, ask for fewer with --jobs, or leave out --scheduler."
                    ) from None
        try:
            client = Client(cluster or self.address, timeout="10s", set_as_default=False)
        except (OSError, ValueError) as fault:
            raise ParameterError(
                f"scheduler '{self.address}' cannot be reached: {fault}. Give the address that `dask scheduler` prints."
            ) from None
        with client:
            if cluster is not None:
                client.register_plugin(_beside())
            try:
                todo = iter(range(len(pieces)))
                numbers: dict[Any, int] = {}

                def submit(number: int) -> Any:
                    future = client.submit(work, pieces[number], pure=False, retries=0)
                    numbers[future.key] = number
                    return future

                width = AHEAD * max(1, sum(client.nthreads().values()))
                first = [submit(n) for _, n in zip(range(width), todo, strict=False)]
                batch = as_completed(first, loop=client.loop)
                for future in batch:
                    try:
                        result = future.result()
                    except KilledWorker:
                        result = WorkerEnded()
                    except CancelledError:
                        raise InputError(
                            f"scheduler '{self.address}' went away. Every recording that was finished is kept if --out "
                            "names a folder: start the scheduler and its workers, and run this again."
                        ) from None
                    except Exception as fault:  # noqa: BLE001 - a piece itself raises nothing
                        why = fault.__cause__ or fault
                        raise InputError(
                            f"a worker of scheduler '{self.address}' cannot load its work: {type(why).__name__}: "
                            f"{why}. Install there what is installed here."
                        ) from None
                    yield numbers.pop(future.key), result
                    if (number := next(todo, None)) is not None:
                        batch.add(submit(number))
            finally:
                if cluster is not None:
                    cluster.close()


def _beside() -> Any:
    """Return what lets the workers of a cluster of this machine, also later ones, print beside the answer."""
    from distributed import WorkerPlugin

    class Beside(WorkerPlugin):  # type: ignore[misc]
        def setup(self, worker: Any) -> None:
            _print_beside()

    return Beside()
