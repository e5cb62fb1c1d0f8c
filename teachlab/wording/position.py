"""Where in the pass the output switches, in sentences and a table."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray
from rich.table import Table

from teachlab.model.printable_text import in_figures
from teachlab.wording.tables import plain_table

if TYPE_CHECKING:
    from teachlab.scoring.switching_position import PositionSlope, SwitchingPosition
    from teachlab.statistics.quantiles import QuantileSpread

MOST_ROWS = 12
"""Kinds and lots listed, those with the largest spread first; JSON holds them all."""


def position_lines(position: SwitchingPosition, unit: str) -> list[str]:
    """Say where in the pass the output switches, its spread, and what changes it; one line each."""
    out = []
    for name, where, spread, slope in (
        ("on", "the start of the pass", position.onset, position.onset_slope),
        ("off", "its end", position.release, position.release_slope),
    ):
        if spread is None:
            continue
        way, below = "before" if spread.median < 0 else "after", " (below 0: before it)" if spread.p05 < 0 else ""
        said = f"Switches {name} {abs(spread.median):.3g} ms {way} {where} (median)"
        said += f"; 5 to 95 %: {spread.p05:.3g} to {spread.p95:.3g} ms{below}, a spread of {_width(position, spread)}"
        if not position.told_apart(spread):
            said += f", smaller than the {position.doubt_of}, ±{position.doubt_ms:.2g} ms"
        out.append(said + ".")
        if slope is not None and slope.established:
            out.append(f"  {_moved(name, slope, position.peak, unit)}")
    if position.held:
        out.append(f"  After {position.held} of {position.rows.size} hits it was still on when the next pass began.")
    return out


def position_table(position: SwitchingPosition) -> Table:
    """Return positions in all, by kind and by lot, those with the largest spread first."""
    table = plain_table(
        "Where in the pass it switches, ms",
        "largest spread first; "
        "median and spread from 5 to 95 %, with intervals by order statistics if passes are independent; – too few",
    )
    for column in ("passes", "hits", "on: median", "on: spread", "off: median", "off: spread"):
        table.add_column(column, justify="left" if column == "passes" else "right")
    if position.onset is not None:
        table.add_row("all", *_cells(position.onset, position.release))
    for kind, names in (("kind", position.label), ("lot", position.lot)):
        if names is None or len(groups := position.by(names)) < 2:
            continue
        ranked = sorted(groups.items(), key=lambda item: -item[1][0].spread)
        for name, (onset, release) in ranked[:MOST_ROWS]:
            called = name if name.startswith(kind) else f"{kind} {name or '(none)'}"
            table.add_row(called, *_cells(onset, release))
        if len(ranked) > MOST_ROWS:
            table.add_row(f"{len(ranked) - MOST_ROWS} more {kind}s", *["–"] * 5)
    return table


def _cells(onset: QuantileSpread, release: QuantileSpread | None) -> list[str]:
    return [str(onset.count), *(text for spread in (onset, release) for text in _both(spread))]


def _both(spread: QuantileSpread | None) -> tuple[str, str]:
    if spread is None:
        return "–", "–"
    return (
        f"{spread.median:.4g}\u00a0{_interval(spread.median_low, spread.median_high)}",
        f"{spread.spread:.4g}\u00a0{_interval(spread.spread_low, spread.spread_high)}",
    )


def _interval(low: float | None, high: float | None) -> str:
    return f"[{'–' if low is None else f'{low:.3g}'},\u00a0{'–' if high is None else f'{high:.3g}'}]"


def _width(position: SwitchingPosition, spread: QuantileSpread) -> str:
    speed = position.line_speed_m_s
    mm = "" if speed is None else f" ({spread.spread * speed:.3g} mm)"
    upper = "" if spread.spread_high is None else f", at most {spread.spread_high:.3g} ms"
    return f"{spread.spread:.3g} ms{mm}{upper}"


def _moved(name: str, slope: PositionSlope, peak: NDArray[np.float64], unit: str) -> str:
    dim, bright = np.nanquantile(peak, (0.05, 0.95), method="inverted_cdf")
    low, high = sorted(abs(end) * (bright - dim) for end in (slope.low, slope.high))
    return (
        f"Passes with more light switch {name} {'earlier' if slope.per_unit < 0 else 'later'}: from "
        f"{in_figures(dim, 5)} to {in_figures(bright, 5)} {unit} by {abs(slope.per_unit) * (bright - dim):.2g} ms "
        f"({low:.2g} to {high:.2g})."
    )
