"""Help screens and refusals in plain words: what every option takes, FILE, NUMBER, TEXT or its choices."""

from __future__ import annotations

import functools
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
        if takes is None or value is None or parameter.value_is_missing(value):
            raise
        given = ", ".join(map(str, value)) if isinstance(value, (list, tuple)) else value
        hint = parameter.get_error_hint().strip("'").split("' / '")[-1]
        raise ParameterError(f"{hint} takes {takes}, got '{given}'.") from fault
