"""On which side of the background every object lies: brighter, darker, or neither."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from teachlab.light.pass_and_gap_extremes import PassAndGapExtremes
from teachlab.model.truth import Truth

CLEARER = 1.25
"""A pass lies on the side on which it reaches this many times as far as on the other."""
LEAST_SHARE, LEAST_PASSES = 0.02, 2
"""A side counts only if at least this share, and this number, of the passes lie on it."""

_Rows = NDArray[np.int64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SidesOfBackground:
    """Detect passes by the side of the background on which they lie.

    `above`, `below`: rows of the truth.
    `background` (recording units): strongest and weakest light of most gaps.
    `weakest_above`, `weakest_below` (recording units): peak of the least bright of the brighter passes, and of the
    least dark of the darker passes.
    """

    above: _Rows
    below: _Rows
    background: tuple[float, float]
    weakest_above: float | None
    weakest_below: float | None

    @property
    def both(self) -> bool:
        """Whether objects lie on both sides of the background: then no single level detects them all."""
        rarer, all_of_them = min(self.above.size, self.below.size), self.above.size + self.below.size
        return rarer >= max(LEAST_PASSES, LEAST_SHARE * all_of_them)


def sides_of(truth: Truth, extremes: PassAndGapExtremes) -> SidesOfBackground | None:
    """Find on which side of the gaps every pass lies; None without a pass or a gap with valid light.

    Notes
    -----
    Upwards, a pass reaches its highest light minus that of most gaps (their upper quartile); downwards in the same way.
    It lies on the side on which it reaches at least a quarter farther, if this distance is at least half the range of
    the gaps.
    """
    passes, gaps = extremes.passes, extremes.gaps
    real = (gaps.valid > 0) & np.isfinite(gaps.high) & np.isfinite(gaps.low)
    rows = extremes.pass_rows
    known = (passes.valid > 0) & np.isfinite(passes.high) & np.isfinite(passes.low) & truth.detect[rows]
    if not real.any() or not known.any():
        return None
    top = float(np.quantile(gaps.high[real], 0.75, method="inverted_cdf"))
    # Mirrored, not the quantile at the other share: so mirrored light has exactly the mirrored range.
    bottom = -float(np.quantile(-gaps.low[real], 0.75, method="inverted_cdf"))
    with np.errstate(over="ignore", invalid="ignore"):  # light at the ends of the numbers is on no side
        up, down = passes.high - top, bottom - passes.low
        least = max(0.5 * (top - bottom), np.finfo(np.float64).tiny)
        above = known & (up >= least) & (up >= CLEARER * down)
        below = known & (down >= least) & (down >= CLEARER * up)
    return SidesOfBackground(
        above=rows[above],
        below=rows[below],
        background=(top, bottom),
        weakest_above=float(passes.high[above].min()) if above.any() else None,
        weakest_below=float(passes.low[below].max()) if below.any() else None,
    )
