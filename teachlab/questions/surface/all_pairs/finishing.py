"""From tallies to tables, by running sums over both indices, and from tables to a surface."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any, Protocol

import numpy as np
from numpy.typing import NDArray

from teachlab.questions.surface.all_pairs.tallies import KINDS, Tallies
from teachlab.questions.surface.values.kinds import TOUCHING, Kind
from teachlab.questions.surface.values.table import Surface, Table, unmirrored

if TYPE_CHECKING:
    from teachlab.model.setting import Setting
    from teachlab.questions.surface.values.levels import Levels
    from teachlab.questions.surface.values.spans import Spans
    from teachlab.sensor.clock import Clock


class Sums(Protocol):
    """The two running sums; the compiled and the plain ones give the same tables."""

    def onsets(self, onsets: NDArray[Any], kind: int, taken_off: int, out: Table) -> None:
        """Sum closed cycles: cells with ``a > i`` and ``b <= j``, minus `taken_off` everywhere."""

    def spans(self, histogram: NDArray[np.int32], plus: int, out: Table) -> None:
        """Sum spans: cells with ``b > j``, summed along i, plus `plus` everywhere."""


class PlainSums:
    """The running sums in NumPy, row by row: column by column, a large array would not stay in the cache."""

    def onsets(self, onsets: NDArray[Any], kind: int, taken_off: int, out: Table) -> None:
        """Sum closed cycles."""
        n = out.shape[0]
        # Cell (i, j) sums all onsets booked at a > i and b <= j: one running sum down the rows, one along each row. Row
        # by row, both read and write forwards, n numbers at a time, for a table of any size.
        row = np.zeros(n, out.dtype)
        row[0] = -taken_off  # the sum along the row carries it everywhere
        for i in range(n - 1, -1, -1):
            np.add(row, onsets[KINDS * (i + 1) + kind, :n], out=row, casting="same_kind")
            np.cumsum(row, out=out[i])

    def spans(self, histogram: NDArray[np.int32], plus: int, out: Table) -> None:
        """Sum spans."""
        n = out.shape[0]
        row = np.zeros(n + 1, out.dtype)
        row[0] = plus
        sums = np.empty(n + 1, out.dtype)
        for i in range(n):
            # Differences along i become counts when rows are added; "b > j" is a running sum from the far end, hence
            # the reversal.
            row += histogram[i, :0:-1]
            out[i] = np.cumsum(row, out=sums)[:0:-1]


def tables(tallies: Tallies, spans: Spans, sums: Sums, *, dips: bool) -> dict[str, Table]:
    """Return all tables by name, in the order of the levels."""
    n = tallies.levels
    # No count exceeds the number of evaluations.
    dtype: type[np.signedinteger[Any]] = np.int32 if spans.evaluations < 2**31 else np.int64

    def onsets(kind: Kind) -> Table:
        out = np.empty((n, n), dtype)
        sums.onsets(tallies.onsets, int(kind), int(tallies.pieces[kind]), out)
        return out

    def among(histogram: NDArray[np.int32], plus: int = 0) -> Table:
        out = np.empty((n, n), dtype)
        sums.spans(histogram, plus, out)
        return out

    # Lost is a pass without an onset (missed or merged), including passes without evaluations. Extra are onsets after
    # the first of each pass: onsets − (passes − lost).
    lost = among(tallies.without[Kind.DETECT], spans.blind)
    extra = onsets(Kind.DETECT)
    extra += lost
    extra -= spans.detect
    tripped = among(tallies.without[Kind.GAP])
    np.subtract(spans.gaps, tripped, out=tripped)
    merged = among(tallies.active[0])
    touching = among(tallies.active[1]) if (spans.told >= TOUCHING).any() else None
    if touching is not None:
        merged += touching
    out = {
        "lost": lost,
        "merged": merged,
        "extra": extra,
        "false_trips": onsets(Kind.GAP),
        "gaps_tripped": tripped,
        "ignore_trips": np.zeros((n, n), dtype),
        "ignore_tripped": np.zeros((n, n), dtype),
    }
    if spans.ignore:
        seen = int(np.count_nonzero(spans.kind == Kind.IGNORE))
        out["ignore_trips"] = onsets(Kind.IGNORE)
        out["ignore_tripped"] = seen - among(tallies.without[Kind.IGNORE])
    if touching is not None:
        out["touching"] = touching
    return {name: unmirrored(table) if dips else table for name, table in out.items()}


def assembled(
    levels: Levels,
    found: Mapping[str, Any],
    spans: Spans,
    clock: Clock,
    base: Setting,
    *,
    how: str,
    every_pair: bool = True,
) -> Surface:
    """Combine tables, trials and running time; whether the levels are all distinct ones is not known here."""
    return Surface(
        levels=levels,
        **found,
        every_pair=every_pair,
        distinct=False,
        how=how,
        detect_trials=spans.detect,
        ignore_trials=spans.ignore,
        gap_trials=spans.gaps,
        running_hours=(clock.count - spans.begin) / (clock.rate_hz * 3600),
        base=base.with_levels(0.0, 0.0),
    )
