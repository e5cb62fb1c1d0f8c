"""`teachlab strategies`: the strategies, and how they are set."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING, Annotated

import typer

from teachlab.cli.console import emit_json, say
from teachlab.cli.options import Json
from teachlab.model.printable_text import number_of

if TYPE_CHECKING:
    from teachlab.teaching.parameters import ParameterInfo
    from teachlab.teaching.registry import Listing


def strategies_command(
    strategy: Annotated[str | None, typer.Argument(help="One alone: a name, or ./file.py:Class.")] = None,
    json: Json = False,
) -> None:
    """List the strategies: what each must be shown, and its parameters."""
    from teachlab.teaching.registry import Listings, listings

    found = listings() if strategy is None else (_alone(strategy),)
    if json:
        emit_json(Listings(strategies=found).as_dict())
        return
    if strategy is None:
        say(
            f"{number_of(len(found), 'strategy', 'strategies')}. teachlab bench R compares those that serve most lines."
        )
        say("Parameters of one: teachlab strategies NAME")
        say("")
    for one in found:
        for line in _lines(one, parameters=strategy is not None):
            say(line)


def _alone(strategy: str) -> Listing:
    """Describe the named strategy; one that cannot be used is refused with the reason."""
    from teachlab.teaching.registry import StrategyOrigin, listing_of, listings
    from teachlab.teaching.strategy_files import strategy_class

    made = strategy_class(strategy)
    known = {one.name: one for one in listings()}
    return known[strategy] if strategy in known else listing_of(made, StrategyOrigin.FILE, strategy)


def _lines(one: Listing, *, parameters: bool) -> list[str]:
    needs = f"  needs: {', '.join(one.needs)}" if one.needs else ""
    head = [f"{one.name}  [{one.origin}]{needs}"]
    head += [f"    {line}" for line in textwrap.wrap(one.reason or one.summary or one.source, 96)]
    if parameters and not one.reason:
        head += [line for p in one.parameters for line in _parameter(p)]
    return head


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
