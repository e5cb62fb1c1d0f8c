"""`teachlab strategies`: the strategies, and how they are set."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from teachlab.cli.console import emit_json, say_lines
from teachlab.cli.options import Details, Json
from teachlab.model.printable_text import number_of
from teachlab.model.teaching import Shown

if TYPE_CHECKING:
    from collections.abc import Sequence

    from teachlab.teaching.parameters import ParameterInfo
    from teachlab.teaching.registry import Listing


WORDS = {
    Shown.SWEEP: "sweep (running light without its passes)",
    Shown.EVENTS: "events (running light with its passes)",
}
"""What a strategy must be shown, where its name does not say it."""


def strategies_command(
    strategy: Annotated[str | None, typer.Argument(help="One alone: a name, or ./file.py:Class.")] = None,
    details: Details = False,
    json: Json = False,
) -> None:
    """List the strategies by what each must be shown; of one, tell its parameters."""
    from teachlab.teaching.registry import Listings, listings

    found = listings() if strategy is None else (_alone(strategy),)
    if json:
        emit_json(Listings(strategies=found).as_dict())
        return
    if strategy is not None or details:
        for one in found:
            say_lines(_lines(one, parameters=strategy is not None))
        return
    say_lines(_short(found))


def _short(found: Sequence[Listing]) -> list[str]:
    """Say where to begin, and name the strategies by what they must be shown; one that is broken has its reason."""
    from teachlab.teaching.registry import RECOMMENDED

    shown: dict[tuple[str, ...], list[str]] = {}
    for one in found:
        if not one.reason:
            mark = "" if one.origin == "built-in" else f" [{one.origin}]"
            shown.setdefault(one.needs, []).append(f"{one.name}{mark}")
    out = [
        f"Begin with {RECOMMENDED}: teachlab bench R compares it with others that serve most lines.",
        f"{number_of(len(found), 'strategy', 'strategies')}, by what a strategy must be shown:",
    ]
    for needs, names in shown.items():
        words = ", ".join(WORDS.get(Shown(each), each) for each in needs) or "its parameters say what"
        out.append(f"  {words}: {', '.join(names)}")
    out += [line for one in found if one.reason for line in _lines(one, parameters=False)]
    return [*out, "One with its parameters: teachlab strategies NAME", "What each does: teachlab strategies --details"]


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
    head.append(f"    {one.reason or one.summary or one.source}")
    if parameters and not one.reason:
        head += [line for p in one.parameters for line in _parameter(p)]
    return head


def _parameter(p: ParameterInfo) -> list[str]:
    from teachlab.teaching.parameters import as_text

    default = "required" if p.required else f"= {as_text(p.default)}"
    unit = f"  [{p.unit}]" if p.unit else ""
    choices = f" (one of {', '.join(p.choices)})" if p.choices else ""
    told = [f"        {p.help}{choices}"] if p.help or choices else []
    return [f"    --set {p.name} {default}{unit}", *told]
