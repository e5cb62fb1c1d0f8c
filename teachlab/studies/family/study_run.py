"""Run a study: find what is missing, run it where asked, keep every completed piece, and answer."""

from __future__ import annotations

import heapq
import resource
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from teachlab.data.addresses import local_place
from teachlab.data.atomic_files import one_result, protect, write_aside
from teachlab.errors import InputError, ParameterError
from teachlab.model.json_values import Document, json_text
from teachlab.model.memory import DRAW_BYTES, LIBRARY_BYTES, need_memory
from teachlab.model.printable_text import number_of
from teachlab.studies.family.engines import InProcess, StudyEngine, WorkerEnded, WorkerProcesses
from teachlab.studies.family.family_answer import StudyAnswer, study_answer
from teachlab.studies.family.row_store import RowStore, RowTable, within
from teachlab.studies.family.study_grid import PieceRows, StudyPiece, StudyPlan
from teachlab.studies.family.study_piece import piece_code, piece_keys, study_piece
from teachlab.studies.taught_draws import new_share

Progress = Callable[[int, int], None]
"""Called with the number of completed recordings, and the number of all."""
MEMORY = "memory://"
"""Addresses in the memory of one process."""
DOCUMENT, PAGE = "study.json", "study.html"
ROW_BYTES = 6000
"""Memory of a row with its draws and lots."""
FEW_DRAWS, MANY_DRAWS = 2, 24
"""Draws of the pieces by which the time of a study is foretold."""
SHORT_SECONDS = 10.0
"""Work of a recording that is tried with all its draws."""
ROW_SECONDS = 7e-4
"""Time to read and judge a row."""
ROOM = 1.1
"""Factor on the measured memory, which differs from run to run."""


@dataclass(frozen=True, slots=True, kw_only=True)
class WorkAhead(Document):
    """The work that a study would need.

    `recordings`, `rows`: numbers of the whole study.
    `recordings_left`, `rows_left`: numbers that are not kept yet.
    `seconds`: expected for what is left, on this machine with the requested workers; None if nothing could be tried.
    `tried`: the recording on which time and memory were measured: the longest.
    `worker_bytes`, `here_bytes`: memory of each worker, and of this process.
    """

    schema: int = 1
    recordings: int
    rows: int
    recordings_left: int
    rows_left: int
    seconds: float | None
    tried: str
    worker_bytes: float
    here_bytes: float


def run_study(
    plan: StudyPlan,
    *,
    engine: StudyEngine | None = None,
    out: str | None = None,
    retry: bool = False,
    progress: Progress | None = None,
) -> StudyAnswer:
    """Run what is missing, and answer; with a folder, every completed piece is kept, and a later run continues there.

    `engine`: by default one piece after the other in this process.
    `out`: folder for the rows, ``study.json`` and ``study.html``. Where nothing can be written, a study that is
    complete there is answered all the same.
    `retry`: whether rows with draws that failed are worked again, in worker processes: one may have ended its process.

    Raises `InputError` if `out` cannot be written and rows are missing there.
    """
    out = None if out is None else local_place(out)
    here = next((line.path for line in plan.lines if line.opened is None and line.path.startswith(MEMORY)), "")
    if here and (retry or not isinstance(engine or InProcess(), InProcess)):
        raise ParameterError(f"{here}: no other process can read {MEMORY} addresses. Study them with one job.")
    held = LIBRARY_BYTES + ROW_BYTES * len(plan.lines) * plan.grid.rows + DRAW_BYTES * plan.grid.options.draws
    what = (
        f"a study of {number_of(len(plan.lines) * plan.grid.rows, 'row')} with "
        f"{number_of(plan.grid.options.draws, 'draw')}"
    )
    need_memory(held, what, "Ask for fewer draws, seeds or values.")
    columns = RowTable(plan.grid, plan.lines)
    store = RowStore(out, columns, plan.lines, retry=retry)
    # The light of an only recording is read again for the answer.
    with protect(plan.lines[0].files if len(plan.lines) == 1 else ()), store.writing() as ended_early:
        if engine is None or isinstance(engine, InProcess):
            # A strategy that ended the process of the last run would end this one at the same place.
            engine = WorkerProcesses(1) if ended_early or retry else InProcess()
        pieces = _pieces(plan, store)
        if store.closed and (left := _left(pieces)):
            raise InputError(
                f"cannot write to '{out}', and {len(left)} of {number_of(len(pieces), 'recording')} "
                f"{'is' if len(left) == 1 else 'are'} not complete there with these options in this version of "
                "teachlab. Give the right to write there, or name another folder."
            )
        # No worker is started before a recording opens: what is refused is refused at once.
        first = 0
        while first < len(pieces) and (refused := piece_keys(pieces[first])).fault:
            store.commit(first, refused)
            first += 1
        working = engine.run(study_piece, pieces[first:]) if first < len(pieces) else ()
        ended: list[int] = []

        def keep(number: int, found: PieceRows) -> None:
            store.commit(number, found)
            if progress is not None:
                progress(store.kept, len(pieces))

        for number, found in working:
            if isinstance(found, WorkerEnded):
                ended.append(first + number)
            else:
                keep(first + number, found)
        for number in ended:
            keep(number, divided(pieces[number]))
        answer = study_answer(store.finish(), columns, plan.grid, plan.lines, plan.judge)
        if out is not None and not store.closed:
            with store.changing():
                write_study(answer, out)
    return replace(answer, written=out is not None and not store.closed)


def divided(piece: StudyPiece) -> PieceRows:
    """Work a piece that has ended its process in ever smaller parts: only what ends a process of its own is a failure.

    Works in a process of this machine, wherever the piece was worked before.
    """
    alone = WorkerProcesses(1, tries=1)
    why = WorkerEnded().fault
    # Without any strategy: if that ends a process too, it is the recording.
    ((_, whole),) = alone.run(study_piece, [replace(piece, untried=why)])
    if isinstance(whole, WorkerEnded):
        return PieceRows(fault=whole.fault)
    rows = dict(whole.rows)
    parts = [piece.grid.configurations]
    while parts := [p[half] for p in parts if len(p) > 1 for half in (slice(len(p) // 2), slice(len(p) // 2, None))]:
        smaller = [replace(piece, grid=replace(piece.grid, configurations=part)) for part in parts]
        left = []
        for number, found in alone.run(study_piece, smaller):
            if isinstance(found, WorkerEnded):
                left.append(parts[number])
            elif found.fault:
                return found
            else:
                rows |= found.rows
        parts = left
    return replace(whole, rows=rows)


def write_study(answer: StudyAnswer, folder: str) -> None:
    """Write the document and the page of a study into its folder, as one result."""
    from teachlab.studies.family.summary_page import summary_page

    page = summary_page(answer)
    with one_result():
        with write_aside(within(folder, DOCUMENT)) as aside:
            text = json_text(answer.as_dict(rows=False), indent=2)
            aside.write_text(text + "\n", encoding="utf-8")
        with write_aside(within(folder, PAGE)) as aside:
            aside.write_text(page, encoding="utf-8")


def work_ahead(plan: StudyPlan, *, workers: int = 1, out: str | None = None, retry: bool = False) -> WorkAhead:
    """Say how much work, time and memory a study needs, measured on one of its recordings."""
    columns = RowTable(plan.grid, plan.lines)
    pieces = _pieces(plan, RowStore(out, columns, plan.lines, retry=retry))
    left, seconds, tried = _left(pieces), None, ""
    draws, rows, wide = plan.grid.options.draws, len(pieces) * plan.grid.rows, max(1, min(workers, len(left)))
    if left:
        # What this process has needed to start, the run and each of its workers need as well.
        start = time.process_time()
        tried, each = _expected([piece for piece, _ in left], draws)
        free = [0.0] * wide
        for needed in each:
            heapq.heapreplace(free, free[0] + needed)
        seconds = max(free) + start * (1 if wide == 1 else 2) + ROW_SECONDS * rows
    more = DRAW_BYTES * max(0, draws - MANY_DRAWS) * plan.grid.rows // len(plan.grid.conditions)
    peak = ROOM * (float(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024) + more)
    return WorkAhead(
        recordings=len(pieces),
        rows=rows,
        recordings_left=len(left),
        rows_left=sum(rows for _, rows in left),
        seconds=seconds,
        tried=tried,
        worker_bytes=peak,
        here_bytes=peak + ROW_BYTES * rows,
    )


def _left(pieces: Sequence[StudyPiece]) -> list[tuple[StudyPiece, int]]:
    """Return the pieces that are not complete, with the number of rows that each still needs."""
    missing = ((piece, len(set(piece_keys(piece).keys) - piece.known)) for piece in pieces)
    return [(piece, rows) for piece, rows in missing if rows]


def _expected(pieces: Sequence[StudyPiece], draws: int) -> tuple[str, list[float]]:
    """Return the longest recording, and the seconds of every one: between those of the longest and of the shortest."""
    sizes = [piece.line.open()[0].samples for piece in pieces]
    longest, shortest = int(np.argmax(sizes)), int(np.argmin(sizes))
    _timed(pieces[shortest], min(FEW_DRAWS, draws))  # loads what is used for the first time
    high = _tried(pieces[longest], draws)
    low = high if 2 * sizes[shortest] > sizes[longest] else _tried(pieces[shortest], draws)
    each = np.interp(sizes, [sizes[shortest], sizes[longest]], [low, high])
    return pieces[longest].line.path, each.tolist()


def _tried(piece: StudyPiece, draws: int) -> float:
    """Return the seconds of one piece with all draws, foretold from fewer of them if they would take long."""
    low = _timed(piece, min(FEW_DRAWS, draws))
    if draws <= FEW_DRAWS:
        return low
    high = _timed(piece, min(MANY_DRAWS, draws))
    if draws <= MANY_DRAWS:
        return high
    shown = int(piece.line.open()[1].detect_passes * piece.grid.options.teach_share)
    few, many = (new_share(one, draws, shown) for one in (FEW_DRAWS, MANY_DRAWS))
    whole = high + max(0.0, high - low) * (1 - many) / (many - few)
    return _timed(piece, draws) if whole < SHORT_SECONDS else whole


def _timed(piece: StudyPiece, draws: int) -> float:
    began = time.perf_counter()
    study_piece(
        replace(piece, known=frozenset(), grid=replace(piece.grid, options=replace(piece.grid.options, draws=draws)))
    )
    return time.perf_counter() - began


def _pieces(plan: StudyPlan, store: RowStore) -> list[StudyPiece]:
    known, code, none = store.known(), piece_code(), frozenset[str]()
    return [
        StudyPiece(line=line, grid=plan.grid, known=known.get(line.name, none) | known.get("", none), code=code)
        for line in plan.lines
    ]
