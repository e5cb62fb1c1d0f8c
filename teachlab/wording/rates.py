"""Rates and counts per time as text."""

from __future__ import annotations

from typing import TYPE_CHECKING

from teachlab.model.printable_text import cut_percent, in_figures

if TYPE_CHECKING:
    from teachlab.model.score import CountRate, Rate

NOTHING = 5e-6
"""A lower bound under this share is told as 0."""


def percent(share: float) -> str:
    """Return a share as percent with three significant digits."""
    return f"{100 * share:.3g} %"


def reserve_percent(share: float) -> str:
    """Return a reserve as percent, cut to three digits: at the told share there is no fault yet.

    Examples
    --------
    >>> reserve_percent(0.12566), reserve_percent(0.0996)
    ('12.5 %', '9.96 %')
    """
    return f"{cut_percent(share):.3g} %"


def lower_percent(share: float) -> str:
    """Return a lower bound in percent, without the sign; below 0.0005 it is 0, which claims less.

    Examples
    --------
    >>> lower_percent(1.12e-9), lower_percent(0.00064)
    ('0', '0.064')
    """
    return "0" if share < NOTHING else f"{100 * share:.3g}"


def rate_text(rate: Rate) -> str:
    """Return counts, estimate and exact interval of a proportion."""
    if rate.estimate is None:
        return "no trials"
    return (
        f"{rate.events} / {rate.trials} = {percent(rate.estimate)} [{lower_percent(rate.low)}, {100 * rate.high:.3g}] %"
    )


def count_text(rate: CountRate) -> str:
    """Return count, estimate and exact interval of a count per exposure."""
    if rate.estimate is None:
        return f"{rate.events}, no {rate.per}"
    units = f"{rate.per}es" if rate.per.endswith("s") else f"{rate.per}s"
    span = f"{rate.exposure:.3g}" if rate.exposure < 1000 else f"{rate.exposure:.0f}"
    low, high = in_figures(rate.low, 3), in_figures(rate.high, 3)
    figures = f"{in_figures(rate.estimate, 3)} [{low}, {high}]"
    return f"{rate.events} in {span} {units}: {figures}"
