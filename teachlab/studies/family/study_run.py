"""Run a study: find what is missing, run it where asked, keep every completed piece, and answer."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from teachlab.data.addresses import local_place
from teachlab.data.atomic_files import one_result, protect, write_aside
from teachlab.errors import InputError, ParameterError
from teachlab.model.json_values import json_text
from teachlab.model.memory import DRAW_BYTES, LIBRARY_BYTES, need_memory
from teachlab.model.printable_text import number_of
from teachlab.studies.family.engines import InProcess, StudyEngine, WorkerEnded, WorkerProcesses
from teachlab.studies.family.family_answer import StudyAnswer, study_answer
from teachlab.studies.family.row_store import ROW_BYTES, RowStore, RowTable, within
from teachlab.studies.family.study_grid import PieceRows, StudyPiece, StudyPlan
from teachlab.studies.family.study_piece import piece_keys, pieces_left, study_piece, study_pieces

Progress = Callable[[int, int], None]
"""Called with the number of completed recordings, and the number of all."""
MEMORY = "memory://"
"""Addresses in the memory of one process."""
DOCUMENT, PAGE = "study.json", "study.html"


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
        pieces = study_pieces(plan, store.known())
        if store.closed and (left := pieces_left(pieces)):
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
