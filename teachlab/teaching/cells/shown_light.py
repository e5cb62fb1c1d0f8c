"""What labelled passes and gaps say of light and time, as the axes of a design need it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from teachlab.errors import Abstained
from teachlab.model.teaching import TeachView

HELD_SHARE = 0.25
"""A pass is as high as the light that it holds for this share of its length."""
SHORTEST = 0.02
"""Quantile of passes, and of gaps, that stands for the shortest."""
TOP_SHARE = 0.05
LONGER, TABLE_SIZE = 1.25, 1 << 20
"""Passes up to so many times as long are worked through together, about so many evaluations at a time."""

Values = NDArray[np.float64]
Places = NDArray[np.int64]


@dataclass(frozen=True, slots=True, eq=False)
class ShownLight:
    """Heights of passes and gaps, light turned so that objects go up, and their lengths.

    Parameters
    ----------
    background : float, recording units, turned
        B: median of the gaps.
    contrast : float, recording units
        C: how far the median pass is above it, above 0.
    noise : float, recording units
        σ = 1.4826 · MAD of the gaps: noise, texture and drift alike.
    passes : int
        Detect passes with valid light.
    dwell : float, evaluations
        S: median length of a pass.
    shortest_pass, shortest_gap : float, evaluations
        2 % quantiles of the lengths; the gap is 0 where none was shown.
    tops : ndarray of float64, shape (passes,), recording units, turned
        Strongest light of every pass, ascending.
    rise : bool
        Whether objects raise the light.
    dark : float, recording units
        Level without light.
    """

    background: float
    contrast: float
    noise: float
    passes: int
    dwell: float
    shortest_pass: float
    shortest_gap: float
    tops: Values
    rise: bool
    dark: float

    @property
    def highest_top(self) -> float:
        """Strongest light of all passes, recording units, turned."""
        return float(self.tops[-1])

    @property
    def spread(self) -> float:
        """How far the tops of the passes lie apart, from their 5 % quantile on, as a share of the contrast."""
        return (self.highest_top - float(np.quantile(self.tops, TOP_SHARE))) / self.contrast

    def light_of(self, share: NDArray[np.float64] | float) -> Any:
        """Return the light above dark at a place between gaps, 0, and median pass, 1; recording units."""
        turned = self.background + share * self.contrast
        return (turned if self.rise else -turned) - self.dark

    def top_above(self, shares: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the place of the lowest top at or above each level, both as f; infinite above all tops."""
        places = np.append((self.tops - self.background) / self.contrast, np.inf)
        out: NDArray[np.float64] = places[np.searchsorted(places, shares)]
        return out

    @classmethod
    def of(cls, view: TeachView) -> ShownLight:
        """Measure the events shown.

        Raises
        ------
        Abstained
            Without valid light in passes or in gaps, or if passes do not stand out from the gaps.
        """
        events = view.events
        height = events.light if view.sign > 0 else -events.light
        passes = events.detect & (events.end > events.start)
        held, tops = _pass_heights(height, events.start[passes], events.end[passes])
        gaps = _gap_light(height, events.start - events.guard, events.end + events.guard)
        if not (tops.size and gaps.size):
            raise Abstained(
                "no pass, or no gap, with valid light was shown",
                f"{tops.size} passes and {gaps.size} evaluations of gaps",
                "at least one pass and one gap between passes",
            )
        background = _median_of(gaps)
        contrast = float(np.median(held)) - background
        if not contrast > 0:
            raise Abstained(
                "passes do not stand out from the gaps in the direction of the objects",
                f"the median pass lies {contrast:.4g} {view.unit} above the gaps, light turned so that objects go up",
                "a contrast above 0",
            )
        gaps -= background
        noise = 1.4826 * _median_of(np.abs(gaps, out=gaps))
        dwells = (events.end - events.start)[events.detect]
        between = events.start[1:] - events.end[:-1]
        between = between[between > 0]
        return cls(
            background=background,
            contrast=contrast,
            noise=noise,
            passes=tops.size,
            dwell=float(np.median(dwells)),
            shortest_pass=float(np.quantile(dwells, SHORTEST)),
            shortest_gap=float(np.quantile(between, SHORTEST)) if between.size else 0.0,
            tops=np.sort(tops),
            rise=view.sign > 0,
            dark=view.dark_level,
        )


def _pass_heights(height: Values, start: Places, end: Places) -> tuple[Values, Values]:
    """Return the light that each pass holds for a quarter of its length, and its strongest; without invalid passes."""
    held, tops = [], []
    order = np.argsort(end - start, kind="stable")
    lengths = (end - start)[order]
    at = 0
    while at < order.size:
        # Passes of about one length are sorted as rows of one table, invalid light and what a row lacks behind.
        fit = np.searchsorted(lengths, LONGER * lengths[at], side="right")
        stop = min(int(fit), at + max(1, TABLE_SIZE // int(lengths[at])))
        rows, longest = order[at:stop], int(lengths[stop - 1])
        places = start[rows, None] + np.arange(longest)
        table = np.where(places < end[rows, None], height[np.minimum(places, height.size - 1)], np.nan)
        table.sort(axis=1)
        valid = longest - np.count_nonzero(np.isnan(table), axis=1)
        table, valid = table[valid > 0], valid[valid > 0]
        row, place = np.arange(valid.size), (1 - HELD_SHARE) * (valid - 1)
        below = place.astype(np.int64)
        low, high = table[row, below], table[row, np.minimum(below + 1, valid - 1)]
        held.append(low + (high - low) * (place - below))
        tops.append(table[row, valid - 1])
        at = stop
    return (np.concatenate(held), np.concatenate(tops)) if held else (np.empty(0), np.empty(0))


def _gap_light(height: Values, start: Places, end: Places) -> Values:
    """Return the valid light outside stretches ``[start, end)``, which may overlap."""
    # Widened stretches may overlap: light of a gap begins behind the furthest end so far.
    begins = np.append(0, np.maximum.accumulate(end)).clip(0, height.size)
    stops = np.append(start, height.size).clip(0, height.size)
    light: Values = np.concatenate(
        [height[a:b] for a, b in zip(begins.tolist(), stops.tolist(), strict=True) if a < b] or [np.empty(0)]
    )  # fmt: skip
    invalid = np.isnan(light)
    return light[~invalid] if invalid.any() else light


def _median_of(values: Values) -> float:
    """Return the median and leave the values in another order: several times as fast as NumPy's, and without a copy."""
    middle = values.size // 2
    values.partition(middle)
    upper = float(values[middle])
    return upper if values.size % 2 else (float(values[:middle].max()) + upper) / 2
