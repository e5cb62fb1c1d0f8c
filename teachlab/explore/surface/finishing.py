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


def onset_table(tallies: Tallies, kind: Kind, dtype: type[np.signedinteger[Any]]) -> Table:
    """Return the onsets of every comparator in spans of a kind: cells with ``a > i`` and ``b <= j``."""
    n = tallies.levels
    out = np.empty((n, n), dtype)
    # Row by row: a running sum down the columns of a large array would leave the cache. What every
    # comparator gets taken off goes into the first column, so that the sum along the row carries it.
    row = np.zeros(n, dtype)
    row[0] = -tallies.pieces[int(kind)]
    for i in range(n - 1, -1, -1):
        np.add(row, tallies.onsets[KINDS * (i + 1) + kind, :n], out=row, casting="same_kind")
        np.cumsum(row, out=out[i])
    return out


def span_table(histogram: NDArray[np.int32], levels: int, dtype: type[np.signedinteger[Any]], *, plus: int = 0) -> Table:
    """Return how many spans have ``j < border`` at every pair: cells with ``b > j``, summed along i."""
    out = np.empty((levels, levels), dtype)
    # The histogram is kept upside down: columns n + 1 … 1 as a running sum from the left.
    row = np.zeros(levels + 1, dtype)
    row[0] = plus  # a border beyond all off-indices counts everywhere
    sums = np.empty(levels + 1, dtype)
    for i in range(levels):
        row += histogram[i, :0:-1]
        out[i] = np.cumsum(row, out=sums)[:0:-1]
    return out


def tables(tallies: Tallies, spans: Spans, polarity: Polarity) -> dict[str, Table]:
    """Return all tables by name, in the order of the levels."""
    n = tallies.levels
    # No count exceeds the number of evaluations.
    kind: type[np.signedinteger[Any]] = np.int32 if spans.evaluations < 2**31 else np.int64
    lost = span_table(tallies.quiet[Kind.DETECT], n, kind, plus=spans.blind)
    extra = onset_table(tallies, Kind.DETECT, kind)
    extra += lost
    extra -= spans.detect
    tripped = span_table(tallies.quiet[Kind.GAP], n, kind)
    np.subtract(spans.gaps, tripped, out=tripped)
    none = np.zeros((n, n), kind)
    out = {
        "lost": lost,
        "merged": span_table(tallies.held[Kind.DETECT], n, kind),
        "extra": extra,
        "false_trips": onset_table(tallies, Kind.GAP, kind),
        "gaps_tripped": tripped,
        "ignore_trips": none,
        "ignore_tripped": none,
    }
    if spans.ignore:
        seen = int(np.count_nonzero(spans.kind == Kind.IGNORE))
        out["ignore_trips"] = onset_table(tallies, Kind.IGNORE, kind)
        out["ignore_tripped"] = seen - span_table(tallies.quiet[Kind.IGNORE], n, kind)
    return {name: unmirrored(out[name], polarity) for name in TABLES}
