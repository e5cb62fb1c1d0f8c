"""What the next command needs of the present call: the call itself given again, or the options that decide in both."""

from __future__ import annotations

import re
import shlex
from typing import Any

import click
import typer

DECIDE = (
    "tolerance_ms", "confidence", "base", "device", "teach_share", "cost_miss", "cost_false", "accept_cost", "assume",
)  # fmt: skip
"""Options without which the next command would judge by other rules than the present one."""
COMMAND = re.compile(r"(?:^|: )(teachlab ([a-z]+) .*)$")


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


def carried(step: str) -> str:
    """Return a next step with the options of the present call that decide in its command too.

    Options that the step names are left as they are, and so is an option with another default there: it means something
    else. Text without a command stays as it is.
    """
    context, found = click.get_current_context(silent=True), COMMAND.search(step)
    if context is None or found is None:
        return step
    root = context.find_root()
    following = root.command.get_command(root, found[2]) if isinstance(root.command, click.Group) else None
    taken = {parameter.name: parameter for parameter in ([] if following is None else following.params)}
    named, words = shlex.split(found[1]), []
    for own in context.command.params:
        value, there = context.params.get(own.name or ""), taken.get(own.name)
        if own.name not in DECIDE or there is None or own.default != there.default or own.opts[0] in named:
            continue
        if value is not None and value != own.default and not isinstance(value, list | tuple):
            words += [own.opts[0], f"{value:g}" if isinstance(value, float) else str(value)]
    return f"{step} {shlex.join(words)}" if words else step


def carried_document(document: dict[str, Any]) -> dict[str, Any]:
    """Return a document whose verdicts have their next steps with these options."""
    out = dict(document)
    if isinstance(verdict := out.get("verdict"), dict) and verdict.get("next_step"):
        out["verdict"] = {**verdict, "next_step": carried(verdict["next_step"])}
    if isinstance(each := out.get("recordings"), list):
        out["recordings"] = [carried_document(one) if isinstance(one, dict) else one for one in each]
    return out
