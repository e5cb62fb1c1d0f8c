"""Signals logged beside the light: a second analogue sensor that shows passes, or an encoder for the position."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from teachlab.data.importing.reading.place import Place
from teachlab.data.importing.truth_columns import RowPasses
from teachlab.data.quality.labelling import CLEAR_MINORITY, HYSTERESIS, two_levels
from teachlab.errors import ParameterError, RecordingError, TruthError
from teachlab.model.printable_text import in_figures

LEAST_BACK_MM = 1.0
"""A line that stands trembles less."""
KEPT = 1 << 20
"""About this many samples of a second signal decide its two levels."""


def passes_of_signal(pieces: Iterable[NDArray[np.float64]], rows: int, level: float | None, name: str) -> RowPasses:
    """Return where a second analogue signal shows an object.

    `pieces` (signal units): the signal; NaN keeps the state before. It is read only once.
    `level` (signal units): level at which an object begins; by default the middle between the two levels of the signal.
    The passes have no labels. Objects are on the side of the level where the signal is for less of the time. A band
    around the level, a fifth of the distance of its two levels wide, prevents that noise divides a pass.
    Raises TruthError if the signal does not have two levels, is always on one side, or is on both sides for nearly the
    same time.
    """
    signal = np.concatenate(list(pieces)) if rows else np.empty(0)
    finite = np.isfinite(signal)
    step = max(1, rows // KEPT)
    try:
        levels = two_levels(signal[finite][::step], "")
    except RecordingError as fault:
        raise TruthError(f"column '{name}': {str(fault).replace('the light', 'the signal')}") from None
    middle = (levels.low + levels.high) / 2 if level is None else level
    band = HYSTERESIS * (levels.high - levels.low) / 2
    if level is not None and not levels.low < level < levels.high:
        raise TruthError(
            f"--truth-level {in_figures(level, 6)} does not lie between the two levels of column '{name}', "
            f"{in_figures(levels.low, 6)} and {in_figures(levels.high, 6)}. Give a level between them, or leave it out."
        )
    high = _switched(signal, finite, middle, min(band, levels.high - middle, middle - levels.low))
    share = float(high.mean())
    if min(share, 1 - share) > CLEAR_MINORITY:
        raise TruthError(
            f"column '{name}' is high for {100 * share:.0f} % of the time: it is not clear on which side objects are. "
            "Log a stretch with longer gaps, or turn the signal into a flag."
        )
    objects = high if share < 0.5 else ~high
    edges = np.flatnonzero(np.diff(objects, prepend=False, append=False))
    return RowPasses(edges[::2], edges[1::2], [""] * (edges.size // 2))


def _switched(signal: NDArray[np.float64], finite: NDArray[np.bool_], middle: float, band: float) -> NDArray[np.bool_]:
    """Return the state of a comparator with a band; a change counts from the point where the middle was crossed."""
    sure = np.where(~finite, 0, np.where(signal >= middle + band, 1, np.where(signal <= middle - band, -1, 0)))
    known = np.flatnonzero(sure)
    if known.size == 0:
        return np.zeros(signal.size, bool)
    last = np.maximum.accumulate(np.where(sure != 0, np.arange(signal.size), known[0]))
    state = sure[last] > 0
    # Between the last certain sample before a change and the first one after it, the middle decides.
    above = np.where(finite, signal >= middle, state)
    for k in np.flatnonzero(np.diff(state)):
        before = int(known[np.searchsorted(known, k, side="right") - 1])
        inside = above[before + 1 : k + 1]
        wrong = np.flatnonzero(inside != state[k + 1])
        state[before + 1 + (int(wrong[-1]) + 1 if wrong.size else 0) : k + 1] = state[k + 1]
    return state


@dataclass(frozen=True, slots=True, eq=False)
class LinePosition:
    """Position of the line at every row of the log, from an encoder.

    `millimetres` (shape (rows,), mm): ascending: where the line runs back, the furthest position so far.
    `back_mm`: how far the line ran back at most; 0 for a trembling of up to two steps of the encoder.
    `back_row`: where it first did.
    """

    millimetres: NDArray[np.float64]
    rate_hz: float
    back_mm: float = 0.0
    back_row: int = 0

    @classmethod
    def of_counts(cls, counts: NDArray[np.float64], mm: float, rate_hz: float) -> LinePosition:
        """Build from encoder counts: roll-overs are undone, and a line that counts down is reversed.

        `counts`: shape (rows,).
        `mm` (mm): millimetres per count.
        """
        if not (np.isfinite(mm) and mm > 0):
            raise ParameterError(f"--encoder-mm must be above 0 mm, got {mm:g}.")
        steps = np.diff(counts)
        span = float(counts.max() - counts.min()) if counts.size else 0.0
        size = 2.0 ** np.ceil(np.log2(span + 1)) if span > 0 else 0.0
        # A counter jumps by its whole range when it rolls over; the line never does.
        if size > 0 and float(np.abs(steps).max(initial=0.0)) > 0.5 * size > 8 * float(np.median(np.abs(steps)) + 1):
            steps = steps - size * np.rint(steps / size)
        total = np.concatenate((counts[:1], counts[0] + np.cumsum(steps))) * mm
        signed = -total if total[-1] < total[0] else total
        furthest = np.maximum.accumulate(signed)
        back = furthest - signed
        runs = back > max(2 * mm, LEAST_BACK_MM)
        if not runs.any():
            return cls(furthest, rate_hz)
        return cls(furthest, rate_hz, float(back.max()), int(np.argmax(runs)))

    @property
    def speed_m_s(self) -> tuple[float, float, float]:
        """Speed of the line, m/s: its median over the way, and the 5 % and 95 % quantiles over tenths of a second.

        Products pass as the line moves: time at rest is no part of the median.
        """
        at = self.millimetres
        each = max(1, round(self.rate_hz / 10))
        local = np.sort(np.diff(at[::each]) / each * self.rate_hz / 1000)
        if not local.sum() > 0:
            overall = float(at[-1] - at[0]) / max(1, at.size - 1) * self.rate_hz / 1000
            return overall, overall, overall
        way = np.cumsum(local)
        low, high = np.quantile(local, [0.05, 0.95])
        return float(local[np.searchsorted(way, way[-1] / 2)]), float(low), float(high)

    def rows_at(self, millimetres: NDArray[np.float64], place: Place) -> NDArray[np.float64]:
        """Return the row, with its fraction, at which the line was at some positions.

        Raises TruthError with the row, if the line never was at a position.
        """
        at = self.millimetres
        outside = (millimetres < at[0]) | (millimetres > at[-1])
        if outside.any():
            k = int(np.argmax(outside))
            raise TruthError(
                f"{place(k)}: the line was never at {in_figures(millimetres[k], 6)} mm; it went from "
                f"{in_figures(at[0], 6)} to {in_figures(at[-1], 6)} mm. Check --encoder-mm."
            )
        after = np.searchsorted(at, millimetres, side="left")
        before = np.maximum(after - 1, 0)
        width = np.where(at[after] > at[before], at[after] - at[before], 1.0)
        out: NDArray[np.float64] = before + np.clip((millimetres - at[before]) / width, 0.0, 1.0)
        return out
