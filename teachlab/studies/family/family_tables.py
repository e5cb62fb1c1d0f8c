"""Tables of a study for a terminal of 100 columns."""

from __future__ import annotations

from itertools import groupby
from typing import TYPE_CHECKING

from rich.table import Table

from teachlab.model.printable_text import number_of
from teachlab.statistics.claims.orders import ORDER_LOTS, Order, OrderStanding
from teachlab.studies.family.configurations import brief_value
from teachlab.wording.tables import plain_table

if TYPE_CHECKING:
    from teachlab.studies.family.family_answer import StudyAnswer

WIDE = 100
"""Characters of a line of the short table."""


def per_hundred(cost: float | None) -> str:
    """Return a cost per pass as a cost per 100 passes.

    Examples
    --------
    >>> per_hundred(0.0123), per_hundred(None), per_hundred(0.0)
    ('1.23', '–', '0')
    """
    return "–" if cost is None else f"{100 * cost:.3g}"


def method_lines(found: StudyAnswer) -> list[str]:
    """Return the best configuration of every strategy; those that cost the same share a line."""
    if not found.strategies:
        return []
    rows: list[tuple[str, str, str]] = []
    labels: list[tuple[str, str]] = []
    # A strategy that gives a setting on fewer recordings comes later, and would look too good without this column.
    untaught = any(one.method.unranked for one in found.strategies)
    for (cost, missing), some in groupby(
        found.strategies, key=lambda one: (per_hundred(one.method.claim_cost), one.method.unranked)
    ):
        alike = list(some)
        more = f" and {len(alike) - 1} more" if len(alike) > 1 else ""
        labels.append((alike[0].method.label, more))
        none = number_of(missing, "recording") if missing else "–"
        rows.append((f"{cost:>13}", f"{none:>14}", order_text(alike[-1].order)))
    # A strategy that gives a setting on none is no row of theirs, but it was asked for.
    ranked = {one.method.strategy for one in found.strategies}
    if silent := {one.strategy: one.unranked for one in found.ranking if one.strategy not in ranked}:
        untaught = True
        name, *others = silent
        labels.append((name, f" and {len(others)} more" if others else ""))
        rows.append((f"{'–':>13}", f"{number_of(silent[name], 'recording'):>14}", ""))
    columns = ["in 100 passes", "does not teach", "better than the next row?"]
    cells = [[row[k] for k in (0, 1, 2) if k != 1 or untaught] for row in [columns, *rows]]
    ends = ["  ".join(row) for row in cells]
    # What is said of a strategy is told in full; its parameters end where there is no more room.
    room = WIDE - 4 - max(map(len, ends))
    names = [
        f"best of each strategy: {found.counted}",
        *(_shortened(label, room - len(more)) + more for label, more in labels),
    ]
    wide = max(map(len, names))
    return [f"  {name:<{wide}}  {end}".rstrip() for name, end in zip(names, ends, strict=True)]


def _shortened(text: str, room: int) -> str:
    return text if len(text) <= room else f"{text[: room - 1]}…"


def order_text(order: Order | None) -> str:
    """Return how sure an order is, with the recordings behind it; empty without an order.

    Examples
    --------
    >>> from teachlab.statistics.claims.orders import orders
    >>> order_text(orders([[-0.1, -0.12] * 20])[0]), order_text(orders([[0.0] * 4])[0])
    ('established (40 recordings)', 'not established (4 of 10 needed)')
    >>> order_text(orders([[0.1, 0.12] * 20])[0])  # it teaches on more recordings, and comes first for that
    'no: it costs more (40 recordings)'
    """
    if order is None:
        return ""
    said = "for recordings like these" if order.standing is OrderStanding.LIKE_THOSE else str(order.standing)
    if order.lots < ORDER_LOTS:
        return f"{said} ({order.lots} of {ORDER_LOTS} needed)"
    if order.costs_more:
        said = "no: it costs more" if order.standing is not OrderStanding.OPEN else f"{said}; it costs more"
    return f"{said} ({number_of(order.lots, 'recording')})"


def line_table(found: StudyAnswer) -> Table:
    """Return a row for each recording: what is best there, and its result on the claim half."""
    table = plain_table(
        "Recordings, each with the strategy that costs least on its first half",
        "Lost passes and unwanted switchings on the second half of the scored passes, with their number.",
    )
    table.add_column("recording")
    table.add_column("best there")
    for name in ("lost", "too many", "passes"):
        table.add_column(name, justify="right")
    table.add_column("decision")
    for one in found.lines:
        if not one.fault:
            table.add_row(one.recording, one.best, str(one.lost), str(one.false), str(one.passes), one.decision)
    return table


def parameter_table(found: StudyAnswer) -> Table | None:
    """Return the cost of each value of each parameter; None if none is varied."""
    if not found.effects:
        return None
    untaught = ["not taught"] if any(one.unranked for one in found.effects) else []
    last = "; not taught: rows in which it taught in fewer than half of the draws" if untaught else ""
    table = plain_table(
        "What each parameter does",
        f"{found.counted.capitalize()} in 100 passes, mean over the recordings and over all other values; cheapest and "
        f"costliest recording{last}.",
    )
    table.add_column("parameter")
    for name in ("value", found.counted, "cheapest", "costliest", *untaught):
        table.add_column(name, justify="right")
    for one in found.effects:
        costs = (per_hundred(cost) for cost in (one.cost, one.low, one.high))
        more = [str(one.unranked)] if untaught else []
        table.add_row(f"{one.strategy}: {one.parameter}", brief_value(one.value), *costs, *more)
    return table


def group_table(found: StudyAnswer) -> Table | None:
    """Return a table of lots, shifts and every other fact of the lines; None without any."""
    if not found.groups:
        return None
    table = plain_table("The recommended way of teaching, by group", "Counts of the second halves.")
    table.add_column("group")
    for name in ("recordings", "passes", "lost", "too many", "errors in 100 passes"):
        table.add_column(name, justify="right")
    for one in found.groups:
        counts = (str(n) for n in (one.lines, one.passes, one.lost, one.false))
        table.add_row(f"{one.by}: {one.name}", *counts, per_hundred(one.errors_per_pass))
    return table
