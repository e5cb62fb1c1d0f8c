"""`teachlab strategies`: what can be taught with, and how it is set."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from teachlab.cli.console import emit_json, say

if TYPE_CHECKING:
    from teachlab.teaching.parameters import ParameterInfo
    from teachlab.teaching.registry import Listing


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("strategies")(strategies_command)


def strategies_command(
    json: Annotated[bool, typer.Option("--json", help="Print one JSON document.")] = False,
) -> None:
    """List the strategies: what each needs to be shown, and its parameters with units and defaults."""
    from teachlab.teaching.registry import Listings, listings

    found = listings()
    if json:
        emit_json(Listings(strategies=found).as_dict())
        return
    for one in found:
        for line in _lines(one):
            say(line)


def _lines(one: Listing) -> list[str]:
    head = [typer.style(one.name, bold=True) + f"  [{one.origin}]", f"    {one.summary or one.source}"]
    if one.reason:
        return [head[0], f"    {one.reason}", ""]
    if one.needs:
        head.append(f"    needs: {', '.join(one.needs)}")
    return [*head, *(line for p in one.parameters for line in _parameter(p)), ""]


def _parameter(p: ParameterInfo) -> list[str]:
    default = "required" if p.required else f"= {_word(p.default)}"
    unit = f"  [{p.unit}]" if p.unit else ""
    choices = f" (one of {', '.join(p.choices)})" if p.choices else ""
    told = [f"        {p.help}{choices}"] if p.help or choices else []
    return [f"    --set {p.name} {default}{unit}", *told]


def _word(value: object) -> str:
    if value is None or isinstance(value, bool):
        return str(value).lower()
    return str(value)
