"""How every command prints: one document on stdout, everything else on stderr."""

from __future__ import annotations

import re
import shutil
import sys
import time
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager, nullcontext, redirect_stdout
from importlib.util import find_spec
from typing import TYPE_CHECKING, Any

import typer

from teachlab.cli.again import carried, carried_document
from teachlab.model.json_values import json_text
from teachlab.model.printable_text import Lines, printable
from teachlab.wording.lines import WIDTH, screen, wrapped

if TYPE_CHECKING:
    from rich.table import Table

    from teachlab.model.setting import Switching
    from teachlab.model.verdict import Verdict

Json = dict[str, Any]
NOT_ENOUGH = 3
"""Exit code where the evidence is not enough for an answer."""


def emit_json(document: Json, *, indent: int | None = 2) -> None:
    """Print one JSON document on stdout; NaN and infinities become null. One line without indent, for large tables.

    It is kept until the command ends, when its inputs are known to be unchanged: no refusal has an answer beside it.
    """
    _DOCUMENTS.append(json_text(carried_document(document), indent=indent))


def say(text: str = "") -> None:
    """Print one sentence for people on stdout, in lines of a screen; unprintable characters are spelled out."""
    for line in wrapped(text):
        typer.echo(line)


def say_lines(lines: Iterable[str]) -> None:
    """Print several sentences for people on stdout, each as `say` does."""
    for line in lines:
        say(line)


def say_page(text: str) -> None:
    """Print several of our own lines on stdout, unchanged."""
    typer.echo(printable(text, keep="\n"))


def say_verdict(
    verdict: Verdict, table: Sequence[str] = (), *, asked: Sequence[str] = (), details: bool, most: int = 12,
    remarks: int = 2,
) -> None:  # fmt: skip
    """Print a verdict on stdout, with one small table and what was asked beside; with `details`, all that it holds."""
    from teachlab.wording.verdict import verdict_lines

    told = verdict.leading_to(carried(verdict.next_step))
    say_lines(verdict_lines(told, table, asked=asked, details=details, most=most, remarks=remarks))


def warn(text: str) -> None:
    """Print a note on stderr, in lines of a screen."""
    for line in wrapped(text):
        typer.echo(line, err=True)


_DOCUMENTS: list[str] = []
_NOTES: list[str] = []
_WRITTEN: list[str] = []


def note_last(*notes: str) -> None:
    """Keep notes on the input for stderr until the command has answered; an empty one is none."""
    _NOTES.extend(filter(None, notes))


def note_written(name: str) -> None:
    """Keep the name of a file that was written for stderr until the command has answered."""
    _WRITTEN.append(name)


def tell_notes() -> None:
    """Print the names of files that were written, and the notes that are kept."""
    while _WRITTEN:
        # A name is never broken, so that it can be copied.
        typer.echo(f"Written: {printable(_WRITTEN.pop(0))}", err=True)
    while _NOTES:
        warn(f"Note: {_NOTES.pop(0)}")


@contextmanager
def answer_first(*, document: bool = False) -> Iterator[None]:
    """Let a command answer before its notes are printed, in lines of the terminal.

    A refusal ends without notes, and without a document. Where a document is asked for, nothing else comes to stdout:
    what a strategy of somebody prints goes to stderr.
    """
    _DOCUMENTS.clear()
    _NOTES.clear()
    _WRITTEN.clear()
    # Only a terminal has columns: what goes to a file or a pipe is the same everywhere.
    columns = shutil.get_terminal_size().columns if sys.stdout.isatty() else WIDTH
    with screen(columns):
        try:
            with redirect_stdout(sys.stderr) if document else nullcontext():
                yield
        except typer.Exit:  # such as with code 1 or 3
            _tell_answer()
            raise
        _tell_answer()


def _tell_answer() -> None:
    while _DOCUMENTS:
        typer.echo(_DOCUMENTS.pop(0))
    tell_notes()


def show(table: Table) -> None:
    """Print a rich table on stdout, as wide as the terminal, or as a screen. Markup in its text has no effect.

    No figure and no word is cut: columns become narrower as far as their longest words; where these have no room,
    every row is an entry of lines.
    """
    from rich.console import Console
    from rich.measure import Measurement

    for column in table.columns:
        column.header, column.footer = (_of_table(text, 120) for text in (column.header, column.footer))
        column._cells = [_of_table(cell, 300) for cell in column._cells]
    table.title, table.caption = _of_table(table.title), _of_table(table.caption)
    console = Console(highlight=False, markup=False, emoji=False)
    if not console.is_terminal:
        console = Console(highlight=False, markup=False, emoji=False, width=WIDTH)
    head = int(table.show_header)
    texts = [[str(column.header)] * head + [str(cell) for cell in column.cells] for column in table.columns]
    least = [_longest(_LINE if one.no_wrap else _WORD, cells) for one, cells in zip(table.columns, texts, strict=True)]
    widest = [_longest(_LINE, cells) for cells in texts]
    whole = Measurement.get(console, console.options.update_width(sys.maxsize), table).maximum
    room = console.width - (whole - sum(widest))
    if sum(least) > room:
        _show_entries(table, texts)
        return
    if sum(widest) > room:
        # The library would cut words. Here the widest columns give way first, down to their words.
        wished = [max(few, column.min_width or 0) for few, column in zip(least, table.columns, strict=True)]
        least = wished if sum(wished) <= room else least
        most = max(widest)
        while sum(wide := [max(few, min(full, most)) for few, full in zip(least, widest, strict=True)]) > room:
            most -= 1
        for column, columns in zip(table.columns, wide, strict=True):
            column.width = columns
    console.print(table)


_LINE = re.compile(r"[^\n]+")
_WORD = re.compile(r"^ *\S+|\S+", re.MULTILINE)
"""A line of a cell, and a word; the library keeps the spaces before the first one."""


def _longest(parts: re.Pattern[str], texts: Iterable[str]) -> int:
    """Return the columns of a screen that the longest of these parts takes."""
    from rich.cells import cell_len

    return max((cell_len(part) for text in texts for part in parts.findall(text)), default=1)


def _show_entries(table: Table, texts: list[list[str]]) -> None:
    if table.title:
        say(str(table.title))
    for row in zip(*(cells[table.show_header :] for cells in texts), strict=True):
        name, *cells = (" ".join(cell.split()) for cell in row)
        say(f"  {name}")
        for column, cell in zip(table.columns[1:], cells, strict=True):
            head = " ".join(str(column.header).split())
            if cell:
                say(f"    {head}: {cell}" if head else f"    {cell}")
    if table.caption:
        say(str(table.caption))


def _of_table(text: Any, most: int | None = None) -> Any:
    return printable(text, most=most) if isinstance(text, str) and not isinstance(text, Lines) else text


FIRST_WORD_S = 10.0
"""When progress is first reported, in s; then each time after twice as long, because a bar would fill a log."""

STALLED = 5
"""The time left is not told if by the latest speed it is so many times what it is by the speed since the start."""


def _to_go(title: str) -> Callable[[float], None]:
    began, told = time.monotonic(), FIRST_WORD_S
    seen = deque([(0.0, 0.0)])

    def report(share: float) -> None:
        nonlocal told
        took = time.monotonic() - began
        seen.append((took, share))
        # The speed of the latter half: work begins with what is done once.
        while len(seen) > 2 and seen[1][0] <= took / 2:
            seen.popleft()
        if took >= told and 0 < share < 1 and share > seen[0][1]:
            told = 2 * took
            speed = (share - seen[0][1]) / (took - seen[0][0])
            left = (1 - share) / speed
            # Shares of parts are guesses: a part that takes far longer than the others says nothing of the end.
            known = left <= STALLED * (1 - share) * took / share
            warn(f"{title}: {100 * share:.0f} % done" + (f", about {left:.0f} s to go" if known else ""))

    return report


FAST_FROM = 3_000_000
"""Samples from which the compiled engine of surfaces is taken where it is installed."""
FASTER_PAIR = "The extra 'fast' finds the best fixed pair about three times as fast: pip install 'teachlab[fast]'"
LONG_S, SURE_S = 5.0, 0.5
"""Work that takes longer than the first is long; the estimate is trusted after the second."""


def if_long(
    report: Callable[[float], None], note: str, holds: Callable[[], bool] = lambda: True
) -> Callable[[float], None]:
    """Return a function that prints a note, once, as soon as the work is expected to take more than `LONG_S`.

    Only then is asked whether it `holds`.
    """
    began, said = time.monotonic(), False

    def both(share: float) -> None:
        nonlocal said
        took = time.monotonic() - began
        if not said and took >= SURE_S and 0 < share < 1 and took > share * LONG_S:
            said = True
            if holds():
                warn(note)
        report(share)

    return both


def if_faster(report: Callable[[float], None], note: str, samples: Callable[[], int]) -> Callable[[float], None]:
    """Return a report that says a note where work takes long that the extra ``fast``, were it there, would shorten.

    The longest recording is asked for only once the work is known to take long.
    """
    return if_long(report, note, lambda: samples() >= FAST_FROM) if find_spec("numba") is None else report


def if_pair_faster(
    report: Callable[[float], None], bases: Iterable[Switching | None], samples: Callable[[], int]
) -> Callable[[float], None]:
    """Do the same for work that looks for the best fixed pair, which is counted compiled without filter and delays."""
    plain = any(base is None or not base.has_memory for base in bases)
    return if_faster(report, FASTER_PAIR, samples) if plain else report


@contextmanager
def progress(title: str, *, quiet: bool = False) -> Iterator[Callable[[float], None]]:
    """Show a bar on stderr during work; if stderr is no terminal, print a line from time to time if it takes long.

    Yields a function of the share done, 0 … 1.
    """
    if quiet or not sys.stderr.isatty():
        yield _to_go(title)
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn, TimeRemainingColumn

    columns = (TextColumn("{task.description}", markup=False), BarColumn(), TaskProgressColumn(), TimeRemainingColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task(printable(title, most=60), total=1.0)
        yield lambda share: bar.update(task, completed=share)
