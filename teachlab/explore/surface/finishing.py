"""From tallies to tables: running sums over both indices."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from teachlab.explore.surface.fold import Tallies
from teachlab.explore.surface.spans import Kind, Spans
from teachlab.explore.surface.table import TABLES, Table, unmirrored
from teachlab.explore.surface.turning import KINDS
from teachlab.model.setting import Polarity


def onset_table(tallies: Tallies, kind: Kind) -> Table:
    """Return the onsets of every comparator in spans of a kind: cells with ``a > i`` and ``b <= j``."""
    n = tallies.levels
    table = tallies.onsets[int(kind) :: KINDS][:0:-1, :n]
    table = np.cumsum(np.cumsum(table, axis=0)[::-1], axis=1)
    table -= tallies.pieces[int(kind)]
    return table


def span_table(histogram: NDArray[np.int32], levels: int) -> Table:
    """Return how many spans have ``j < border`` at every pair: cells with ``b > j``, summed along i."""
    table = np.cumsum(histogram[:levels, :0:-1], axis=0)
    return np.cumsum(table, axis=1, dtype=np.int64)[:, ::-1][:, :levels]


def tables(tallies: Tallies, spans: Spans, polarity: Polarity) -> dict[str, Table]:
    """Return all tables by name, in the order of the levels."""
    n = tallies.levels
    quiet = span_table(tallies.quiet[Kind.DETECT], n)
    hits = spans.detect - spans.blind - quiet
    none = np.zeros((n, n), np.int64)
    out: dict[str, Any] = {
        "lost": quiet + spans.blind,
        "merged": span_table(tallies.held[Kind.DETECT], n),
        "extra": onset_table(tallies, Kind.DETECT) - hits,
        "false_trips": onset_table(tallies, Kind.GAP),
        "gaps_tripped": spans.gaps - span_table(tallies.quiet[Kind.GAP], n),
        "ignore_trips": none,
        "ignore_tripped": none,
    }
    if spans.ignore:
        seen = int(np.count_nonzero(spans.kind == Kind.IGNORE))
        out["ignore_trips"] = onset_table(tallies, Kind.IGNORE)
        out["ignore_tripped"] = seen - span_table(tallies.quiet[Kind.IGNORE], n)
    return {name: unmirrored(out[name], polarity) for name in TABLES}
