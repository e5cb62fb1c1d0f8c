"""An identification in words: the classes that fit, and where log and replay differ."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from rich.table import Table

from teachlab.model.printable_text import Recorded, level_text, moment
from teachlab.model.setting import DelaysActOn
from teachlab.wording.tables import plain_table

if TYPE_CHECKING:
    from teachlab.device.identified import Identification
    from teachlab.device.matching import ContradictedEdge

MOST_TOLD = 12
"""Classes, and places, that are told; documents hold all of them."""


def place_lines(edges: Sequence[ContradictedEdge], of: Recorded) -> list[str]:
    """Return where log and replay differ, one line per edge."""
    out = []
    for one in edges[:MOST_TOLD]:
        missing = "the replay does not switch" if one.side == "logged" else "the log has no such edge"
        out.append(f"  {moment(one.sample, of)}, sample {one.sample}: becomes {one.edge}; {missing}.")
    if len(edges) > MOST_TOLD:
        out.append(f"  {len(edges) - MOST_TOLD:,} more with --json.")
    return out


def class_table(found: Identification) -> Table:
    """Return the classes that fit, simplest first: filter and delays in evaluations, lag in samples."""
    left = len(found.classes) - MOST_TOLD
    more = f"{left:,} more with --json. " if left > 0 else ""
    table = plain_table("Classes that fit", f"{more}Filter and delays in evaluations, lag in samples.")
    # Two delays of a dark-on sensor may act on its light: without that, such classes look alike.
    both = any(one.timing.extends_first for one in found.classes[:MOST_TOLD])
    for head in ("samples per evaluation", "filter", "on-delay", "off-delay", *(["delays on"] if both else []), "lag",
                 "on / off", "contradicted"):  # fmt: skip
        table.add_column(head, justify="right")
    for one in found.classes[:MOST_TOLD]:
        t = one.timing
        table.add_row(
            f"{float(one.ratio):.6g}",
            str(t.consecutive),
            *(f"{low}" if low == high else f"{low} to {high}" for low, high in one.delays),
            *([str(DelaysActOn.LIGHT if t.extends_first else DelaysActOn.OUTPUT)] if both else []),
            str(one.lag),
            f"{level_text(one.levels[0])} / {level_text(one.levels[1])}",
            str(one.contradictions),
        )
    return table
