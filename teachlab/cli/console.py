"""What every command prints with: one document on stdout, everything else on stderr."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

import typer

from teachlab.model.json_values import plain

if TYPE_CHECKING:
    from rich.table import Table

Json = dict[str, Any]


def emit_json(document: Json, *, indent: int | None = 2) -> None:
    """Print one JSON document on stdout; NaN and infinities become null. No indent: one line, for large tables."""
    typer.echo(json.dumps(plain(document), indent=indent, ensure_ascii=False, allow_nan=False))


def say(text: str = "") -> None:
    """Print text for people on stdout."""
    typer.echo(text)


def warn(text: str) -> None:
    """Print a note on stderr."""
    typer.echo(text, err=True)


def show(table: Table) -> None:
    """Print a rich table on stdout, as wide as it needs where stdout is no terminal."""
    from rich.console import Console

    console = Console(highlight=False)
    if not console.is_terminal:
        console = Console(highlight=False, width=160)
    console.print(table)


@contextmanager
def progress(title: str, *, quiet: bool = False) -> Iterator[Callable[[float], None]]:
    """Show a bar on stderr while work goes on; only on a terminal.

    Yields
    ------
    callable
        Takes the share done, 0 … 1.
    """
    if quiet or not sys.stderr.isatty():
        yield lambda share: None
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn, TimeRemainingColumn

    columns = (TextColumn("{task.description}"), BarColumn(), TaskProgressColumn(), TimeRemainingColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task(title, total=1.0)
        yield lambda share: bar.update(task, completed=share)
