"""Rates and counts per time as text."""

from __future__ import annotations

from typing import TYPE_CHECKING

from teachlab.model.printable_text import cut_percent, in_figures

if TYPE_CHECKING:
    from teachlab.model.score import CountRate, Rate

FURTHEST = 10
"""Nothing is told of a time more than so many times as long as the recording: no rate per hour of a few seconds."""
SHOWN_GROUPS = 20
"""Labels, or lots, listed for people; documents hold them all."""
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


def time_unit(hours: float) -> tuple[str, float]:
    """Return the longest unit of time in which a rate that was observed so long is told, and how many an hour has.

    Examples
    --------
    >>> time_unit(0.2), time_unit(42 / 3600), time_unit(2 / 3600)
    (('hour', 1.0), ('minute', 60.0), ('second', 3600.0))
    """
    units = (("hour", 1.0), ("minute", 60.0))
    return next(((name, of) for name, of in units if FURTHEST * hours * of >= 1), ("second", 3600.0))


def count_text(rate: CountRate) -> str:
    """Return count, estimate and exact interval of a count per exposure; per time in a unit that was long observed.

    Examples
    --------
    >>> from teachlab.statistics.intervals import count
    >>> count_text(count(2, 0.0125, per="running hour")), count_text(count(2, 8.0, per="running hour"))
    ('2 in 0.75 running minutes: 2.67 [0.323, 9.63]', '2 in 8 running hours: 0.25 [0.0303, 0.903]')
    """
    if rate.estimate is None:
        return f"{rate.events}, no {rate.per}"
    word, of = time_unit(rate.exposure) if rate.per.endswith("hour") else ("", 1.0)
    per, exposure = rate.per.replace("hour", word), rate.exposure * of
    units = f"{per}es" if per.endswith("s") else f"{per}s"
    span = f"{exposure:.3g}" if exposure < 1000 else f"{exposure:.0f}"
    estimate, low, high = (in_figures(value / of, 3) for value in (rate.estimate, rate.low, rate.high))
    return f"{rate.events} in {span} {units}: {estimate} [{low}, {high}]"
