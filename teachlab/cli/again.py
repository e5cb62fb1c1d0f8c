"""The command of the present call, in the form in which it must be given again to keep its result."""

from __future__ import annotations

import shlex
from typing import Any

import typer


def given_again(context: typer.Context, **more: str | bool) -> str:
    """Return the command of the present call with its own arguments and options, and with these options set.

    `more`: options to set, by their names in Python: ``out="setting.json"``. Options that only change what is printed
    are left out.
    """
    words: list[Any] = []
    for parameter in context.command.params:
        name = parameter.name or ""
        value = more.get(name, context.params.get(name))
        usual = name not in more and value == parameter.get_default(context)
        if name in {"details", "json"} or value is None or usual:
            continue
        values = value if isinstance(value, list | tuple) else [value]
        if parameter.param_type_name == "argument":
            words += values
        elif isinstance(value, bool):
            words.append((parameter.opts if value else parameter.secondary_opts)[0])
        else:
            words += [word for one in values for word in (parameter.opts[0], one)]
    return shlex.join(["teachlab", str(context.info_name), *map(str, words)])
