"""Help screens and refusals in plain words: what every option takes, FILE, NUMBER, TEXT or its choices."""

from __future__ import annotations

import functools
import re
import textwrap
from typing import Any

import typer
from typer.core import TyperCommand, TyperGroup

from teachlab.errors import ParameterError

FILES = frozenset(
    ("about", "base", "before", "before_truth", "bundle", "continue_", "corrected", "criteria", "device", "edges",
     "excepted", "html", "levels_seen", "log", "out", "passes", "plot", "record", "recording", "recordings",
     "sensor_setting", "setting", "speed_out", "truth", "with_")
)  # fmt: skip
"""Parameters that take the name of a file or a folder."""
WIDEST = 20
"""Characters in a line of choices."""
UsageError: type[Exception] = next(kind for kind in typer.BadParameter.__mro__ if kind.__name__ == "UsageError")
"""What the command library raises for a command line that it cannot read; it exports only a kind of it."""

PLAIN = {
    r"Got unexpected extra argument\(s\) \((.*)\)": r"too many arguments: \1",
    "^No such command": "there is no command",
    r"^Option '(\S+)' requires an argument": r"\1 needs a value",
    r"^Option '(\S+)' does not take a value": r"\1 takes no value",
}
"""Words of the command library, and ours."""


class _PlainHelp:
    def get_params(self, ctx: Any) -> list[Any]:
        params: list[Any] = super().get_params(ctx)  # type: ignore[misc]
        for one in params:
            one.display_type_rich = functools.partial(_takes, one)
            one.process_value = functools.partial(_read, one)
        return params


class PlainCommand(_PlainHelp, TyperCommand):
    """A command with plain help."""


class PlainGroup(_PlainHelp, TyperGroup):
    """A group of commands with plain help."""


def _takes(parameter: Any, ctx: Any) -> str:
    kind = parameter.display_type(ctx).strip("<>").removeprefix("list[").removesuffix("]")
    text = "FILE" if parameter.name in FILES else "TEXT"
    words = {"str": text, "int": "NUMBER", "float": "NUMBER", "bool": ""}.get(kind, kind)
    # Choices are told in lines, and none is broken.
    lines = textwrap.wrap(words.replace("|", "| "), WIDEST, break_long_words=False, break_on_hyphens=False)
    return "\n".join(lines).replace("| ", "|")


def _read(parameter: Any, ctx: Any, value: Any) -> Any:
    """Return the value of an option; one that cannot be read is refused with what was typed and what must hold."""
    try:
        return type(parameter).process_value(parameter, ctx, value)
    except typer.BadParameter as fault:
        kind = parameter.display_type(ctx).strip("<>").removeprefix("list[").removesuffix("]")
        takes = {"int": "a whole number", "float": "a number"}.get(kind)
        if takes is None and "|" in kind:
            takes = f"one of {kind.replace('|', ', ')}"
        hint = parameter.get_error_hint().strip("'").split("' / '")[-1]
        if value is None or parameter.value_is_missing(value):
            needed = " ".join(_takes(parameter, ctx).split())
            raise ParameterError(f"{_command(ctx)} needs {hint} ({needed}). {_see(ctx)}") from fault
        if takes is None:
            raise
        given = ", ".join(map(str, value)) if isinstance(value, (list, tuple)) else value
        raise ParameterError(f"{hint} takes {takes}, got '{given}'.") from fault


def usage_text(fault: Any) -> str:
    """Return what the command library says of a command line that it cannot read, in the form of other refusals."""
    text, ctx = fault.format_message().rstrip("."), fault.ctx
    for theirs, ours in PLAIN.items():
        text = re.sub(theirs, ours, text, flags=re.DOTALL)
    if ctx is not None and (option := getattr(fault, "option_name", None)) is not None:
        nearest = " or ".join(sorted(getattr(fault, "possibilities", None) or ()))
        text = f"{_command(ctx)} has no option {option}" + (f". Did you mean {nearest}?" if nearest else "")
    end = "" if text.endswith("?") else "."
    return f"{text}{end} {_see(ctx)}" if ctx is not None else f"{text}{end}"


def _command(ctx: Any) -> str:
    return ctx.command_path.partition(" ")[2] or "teachlab"


def _see(ctx: Any) -> str:
    # The name under which the program was started may be any.
    return f"See: {' '.join(['teachlab', *ctx.command_path.split()[1:]])} --help"
