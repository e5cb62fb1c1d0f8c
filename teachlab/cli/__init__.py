"""The command line is thin: every command parses, calls one function and prints.

The module of a command is imported when that command is called, and heavy libraries inside it, so that
``teachlab --help`` answers at once: it prints the table in `commands`.
"""

from __future__ import annotations

import errno
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any, NoReturn

import typer
from typer.core import TyperCommand

from teachlab import __version__
from teachlab.cli.commands import COMMANDS, functions_of
from teachlab.cli.plain_help import PlainCommand, PlainGroup, UsageError, usage_text
from teachlab.errors import Abstained, InputError
from teachlab.model.printable_text import SHOWN_OF_MESSAGE, printable

CAUTION = (
    "Not a safety device: nothing here may justify protection of people, guarding, muting or a machine stop. "
    "Results hold for the recorded product, speed, light and dirt only; the logged trace may not be what the "
    "sensor saw. Verify on the line with marked pieces, under your local codes and by licensed staff."
)

ONE_LINE = 100
"""Characters in a line of a terminal."""


class _Commands(PlainGroup):
    """Imports the module of the called command; turns errors into one message and the right exit code."""

    def __init__(self, **given: Any) -> None:
        super().__init__(**given)
        # Names only: from these, one is suggested after a typing mistake.
        self.commands = dict.fromkeys(COMMANDS)  # type: ignore[assignment]
        self._telling = False

    def list_commands(self, ctx: Any) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: Any, cmd_name: str) -> Any:
        listed = COMMANDS.get(cmd_name)
        if listed is None:
            return None
        if self._telling:
            return TyperCommand(cmd_name, help=listed.line, rich_help_panel=listed.part)
        return command_of(cmd_name)

    def format_help(self, ctx: Any, formatter: Any) -> None:
        self._telling = True
        try:
            super().format_help(ctx, formatter)
        finally:
            self._telling = False

    def make_context(self, *given: Any, **values: Any) -> Any:
        with _plain_usage():
            return super().make_context(*given, **values)

    def invoke(self, ctx: Any) -> Any:
        try:
            with _plain_usage():
                return super().invoke(ctx)
        except InputError as error:
            _end(2, f"{error}", guide=error.guide)
        except Abstained as error:
            _end(3, f"abstained: {error}", guide=error.guide)
        except KeyboardInterrupt:
            _end(130, "interrupted; nothing half-written is left behind.")
        except MemoryError as error:
            _end(2, f"not enough memory: {str(error) or 'for what was asked'}. Ask for less.")
        except OSError as error:
            if error.errno == errno.EPIPE:
                raise
            where = f"{error.filename}: " if error.filename else ""
            _end(2, f"{where}{error.strerror or error}.")


@contextmanager
def _plain_usage() -> Iterator[None]:
    """Tell a command line that cannot be read as other refusals are told; without arguments, help was printed."""
    try:
        yield
    except UsageError as error:
        if type(error).__name__ == "NoArgsIsHelpError":
            raise
        _end(2, usage_text(error))


def _end(code: int, message: str, *, guide: str | None = None) -> NoReturn:
    # What needs more than a line has a page in the guide.
    more = f" More: teachlab guide {guide}" if guide is not None and len(message) > ONE_LINE else ""
    typer.echo(f"teachlab: {printable(message, most=SHOWN_OF_MESSAGE - 10 - len(more))}{more}", err=True)
    raise typer.Exit(code) from None


app = typer.Typer(
    cls=_Commands,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    help=(
        "Evidence for taught light-sensor thresholds: teach on a logged trace by several strategies, replay "
        "the sensor's switching, and read which setting loses least, and how sure that is. "
        "Begin with: teachlab demo. A page for each question: teachlab guide."
    ),
    epilog=CAUTION,
)


def command_of(name: str) -> Any:
    """Return the command or group of commands of a name, with its examples; its module is imported."""
    from teachlab.cli.frame import explain, framed

    part, listed, functions = typer.Typer(), COMMANDS[name], functions_of(name)
    parts = part
    if name not in functions:
        parts = typer.Typer(cls=PlainGroup, no_args_is_help=True, help=listed.line)
        part.add_typer(parts, name=name)
    for each, function in functions.items():
        parts.command(each, cls=PlainCommand)(framed(each, function))
    explain(part, listed.examples)
    return typer.main.get_group(part).commands[name]


def _version(asked: bool) -> None:
    if asked:
        typer.echo(f"teachlab {__version__}")
        raise typer.Exit


@app.callback()
def _main(
    version: bool = typer.Option(False, "--version", callback=_version, is_eager=True, help="Print the version."),
) -> None:
    pass
