"""Rates and counts per time as text."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from teachlab.model.score import CountRate, Rate


def percent(share: float) -> str:
    """Return a share as percent with three significant digits."""
    return f"{100 * share:.3g} %"


def rate_text(rate: Rate) -> str:
    """Return counts, estimate and exact interval of a proportion."""
    if rate.estimate is None:
        return "no trials"
    return f"{rate.events} / {rate.trials} = {percent(rate.estimate)} [{100 * rate.low:.3g}, {100 * rate.high:.3g}] %"


def count_text(rate: CountRate) -> str:
    """Return count, estimate and exact interval of a count per exposure."""
    if rate.estimate is None:
        return f"{rate.events}, no {rate.per}"
    units = f"{rate.per}es" if rate.per.endswith("s") else f"{rate.per}s"
    span = f"{rate.exposure:.3g}" if rate.exposure < 1000 else f"{rate.exposure:.0f}"
    return f"{rate.events} in {span} {units}: {rate.estimate:.3g} [{rate.low:.3g}, {rate.high:.3g}]"
