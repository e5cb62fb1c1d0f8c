"""What the next command needs of the present call: the call itself given again, or the options that decide in both."""

from __future__ import annotations

import re
import shlex
from collections.abc import Callable, Mapping
from inspect import signature
from typing import Any

import typer

from teachlab.cli.commands import functions_of

DECIDE = (
    "tolerance_ms", "confidence", "base", "device", "teach_share", "cost_miss", "cost_false", "accept_cost", "assume",
)  # fmt: skip
"""Options without which the next command would judge by other rules than the present one."""
COMMAND = re.compile(r"(?:^|: )(teachlab ([a-z]+) .*)$")


def given_again(context: typer.Context, **more: str | bool | None) -> str:
    """Return the command of the present call with its own arguments and options, and with these options set.

    `more`: options to set, by their names in Python: ``out="setting.json"``; None leaves one out. Options that only
    change what is printed are left out.
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


_DECIDED: dict[str, tuple[Any, Any]] = {}


def remember(command: Callable[..., None], values: Mapping[str, Any]) -> None:
    """Keep the options that decide in the present call and are not as usual, each with its usual value."""
    usual = {name: one.default for name, one in signature(command).parameters.items()}
    _DECIDED.clear()
    for name in DECIDE:
        if values.get(name) not in (None, usual.get(name)):
            _DECIDED[name] = values[name], usual[name]


def carried(step: str) -> str:
    """Return a next step with the options of the present call that decide in its command too.

    An option with another usual value there means something else. Those that the step names stay as they are, and so
    does text without a command.
    """
    found = COMMAND.search(step)
    if found is None or not _DECIDED:
        return step
    taken = signature(functions_of(found[2])[found[2]]).parameters
    named, words = shlex.split(found[1]), []
    for name, (value, usual) in _DECIDED.items():
        option = f"--{name.replace('_', '-')}"
        alike = name in taken and taken[name].default == usual and not isinstance(value, list)
        if alike and option not in named:
            words += [option, f"{value:g}" if isinstance(value, float) else str(value)]
    return f"{step} {shlex.join(words)}" if words else step


def carried_document(document: dict[str, Any]) -> dict[str, Any]:
    """Return a document whose verdicts have their next steps with these options."""
    out = dict(document)
    if isinstance(verdict := out.get("verdict"), dict) and verdict.get("next_step"):
        out["verdict"] = {**verdict, "next_step": carried(verdict["next_step"])}
    if isinstance(each := out.get("recordings"), list):
        out["recordings"] = [carried_document(one) if isinstance(one, dict) else one for one in each]
    return out
