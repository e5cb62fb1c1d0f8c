"""Tables for a terminal of 100 columns."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from rich import box
from rich.table import Table

from teachlab.model.printable_text import cut, in_figures
from teachlab.wording.rates import reserve_percent

if TYPE_CHECKING:
    from teachlab.questions.stale.answer import RecordingUnderSetting
    from teachlab.questions.stress.worth import Worth

    Kept = Worth | RecordingUnderSetting


def plain_table(title: str, caption: str = "") -> Table:
    """Return an empty table without inner lines, narrow enough for a terminal of 100 columns."""
    return Table(
        title=title,
        caption=caption or None,
        title_justify="left",
        caption_justify="left",
        box=box.SIMPLE_HEAD,
        padding=(0, 1),
        collapse_padding=True,
        pad_edge=False,
    )


def margins_table(title: str, rows: Sequence[tuple[str, Kept]], unit: str) -> Table:
    """Return margin to noise with the limiting side, clearance, excess gain and reserves, one row per setting.

    `rows`: objects with a margin, reserves and a clearance; there is no margin if levels are not fixed.
    """
    table = plain_table(
        title,
        f"in local noise, with the limiting side; clearance: least distance of light to the levels ({unit}), kept by "
        f"so large a share of {_units(rows)}; excess gain: light and "
        "dark side; hysteresis: over the noise range of one edge; reserves: share of the light that may be lost and "
        f"light that may be added ({unit}) before the first fault, none where there is one already",
    )
    table.add_column("setting", no_wrap=True)
    for column in ("margin to noise", "clearance", "excess gain", "hysteresis to noise", "contamination reserve",
                   "ambient reserve"):  # fmt: skip
        table.add_column(column, justify="right", min_width=max(map(len, column.split())))
    for name, worth in rows:
        margin, left, kept = worth.margin, worth.reserves, worth.clearance
        if margin is None:
            table.add_row(name, "not fixed", *["–"] * 5)
            continue
        light, dark = (_known(side) for side in (margin.excess_gain.light, margin.excess_gain.dark))
        side = "" if margin.limited_by is None else f"\u00a0{margin.limited_by}"
        loss, rise = (None, None) if left is None else (left["contamination_reserve"], left["ambient_reserve"])
        table.add_row(
            name,
            _known(margin.to_noise) + side,
            "–" if kept is None else f"{in_figures(kept.least)}\u00a0({100 * kept.content:.2g}\u00a0%)",
            f"{light}, {dark}",
            _known(margin.hysteresis_to_noise),
            "no share" if left is not None and left.get("share_of_light_refused") else _share(loss),
            in_figures(None if rise is None else cut(rise, 4), nothing="none"),
        )
    return table


def _units(rows: Sequence[tuple[str, Kept]]) -> str:
    """Return the units to come, with confidence and assumption."""
    kept = next((worth.clearance for _, worth in rows if worth.clearance is not None), None)
    if kept is None:
        return "those to come"
    return f"{kept.units} to come, at {100 * kept.confidence:g} %, if {kept.units} are independent"


def _share(value: float | None) -> str:
    return "none" if value is None else reserve_percent(value)


def _known(value: float | None) -> str:
    return in_figures(value, 3)
