"""Light and lengths of labelled passes and gaps, as the axes of a design need them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from teachlab.errors import Abstained
from teachlab.light.noise import median
from teachlab.model.arrays import Floats
from teachlab.model.printable_text import number_of
from teachlab.model.teaching import TeachView

HELD_SHARE = 0.25
"""The height of a pass is the light that it holds for this share of its length."""
SHORTEST = 0.02
"""Quantile of the lengths of passes, and of gaps, that is taken as the shortest."""
TOP_SHARE = 0.05
LONGER, TABLE_SIZE = 1.25, 1 << 20
"""Passes up to so many times as long are sorted in one table, of about so many evaluations."""

Places = NDArray[np.int64]


@dataclass(frozen=True, slots=True, eq=False)
class ShownLight:
    """Heights and lengths of passes and gaps. Turned light: turned so that objects go up.

    `background` (recording units, turned): B: median of the gaps.
    `contrast` (recording units): C: height of the median pass above the background, above 0.
    `noise` (recording units): σ = 1.4826 · MAD of the gaps. It contains noise, texture and drift.
    `passes`: detect passes with valid light.
    `dwell` (evaluations): S: median length of a pass.
    `shortest_pass`, `shortest_gap` (evaluations): 2 % quantiles of the lengths; the gap is 0 if no gap was shown.
    `tops` (shape (passes,), recording units, turned): strongest light of every pass, in ascending order.
    `rise`: whether objects raise the light.
    `dark` (recording units): level without light.
    """

    background: float
    contrast: float
    noise: float
    passes: int
    dwell: float
    shortest_pass: float
    shortest_gap: float
    tops: Floats
    rise: bool
    dark: float

    @property
    def highest_top(self) -> float:
        """Strongest light of all passes, recording units, turned."""
        return float(self.tops[-1])

    @property
    def spread(self) -> float:
        """Distance from the 5 % quantile of the tops of the passes to the highest top, as a share of the contrast."""
        return (self.highest_top - float(np.quantile(self.tops, TOP_SHARE))) / self.contrast

    def light_of(self, share: NDArray[np.float64] | float) -> Any:
        """Return the light above dark at a share of the way from gaps (0) to median pass (1); recording units."""
        turned = self.background + share * self.contrast
        return (turned if self.rise else -turned) - self.dark

    def top_above(self, shares: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the lowest top of a pass at or above each level, both as f; infinity above all tops."""
        places = np.append((self.tops - self.background) / self.contrast, np.inf)
        return places[np.searchsorted(places, shares)]

    @classmethod
    def of(cls, view: TeachView) -> ShownLight:
        """Measure the events shown.

        Raises `Abstained` if passes or gaps have no valid light, or if passes do not stand out from the gaps.
        """
        events = view.events
        passes = events.detect & (events.end > events.start)
        held, tops = _pass_heights(events.light, view.sign, events.start[passes], events.end[passes])
        gaps = _gap_light(events.light, events.start - events.guard, events.end + events.guard)
        gaps *= view.sign
        if not (tops.size and gaps.size):
            raise Abstained(
                "no pass, or no gap, with valid light was shown",
                f"{number_of(tops.size, 'pass', 'passes')} and {number_of(gaps.size, 'evaluation')} of gaps",
                "at least one pass and one gap between passes",
            )
        background = median(gaps, in_place=True)
        contrast = float(np.median(held)) - background
        if not contrast > 0:
            raise Abstained(
                "passes do not stand out from the gaps in the direction of the objects",
                f"the median pass lies {contrast:.4g} {view.unit} above the gaps, light turned so that objects go up",
                "a contrast above 0",
            )
        gaps -= background
        noise = 1.4826 * median(np.abs(gaps, out=gaps), in_place=True)
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


def _pass_heights(light: Floats, sign: int, start: Places, end: Places) -> tuple[Floats, Floats]:
    """Return the turned light that each pass holds for a quarter of its length, and its strongest; no invalid passes.

    Light is turned in parts: a turned copy of all would take as much memory again.
    """
    held, tops = [], []
    order = np.argsort(end - start, kind="stable")
    lengths = (end - start)[order]
    at = 0
    while at < order.size:
        # Passes of about the same length are sorted as rows of one table: invalid light and empty places come last.
        fit = np.searchsorted(lengths, LONGER * lengths[at], side="right")
        stop = min(int(fit), at + max(1, TABLE_SIZE // int(lengths[at])))
        rows, longest = order[at:stop], int(lengths[stop - 1])
        places = start[rows, None] + np.arange(longest)
        table = np.where(places < end[rows, None], sign * light[np.minimum(places, light.size - 1)], np.nan)
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


def _gap_light(light: Floats, start: Places, end: Places) -> Floats:
    """Return a copy of the valid light outside stretches ``[start, end)``, which may overlap."""
    # Widened stretches may overlap: the light of a gap begins after the latest end so far.
    begins = np.append(0, np.maximum.accumulate(end)).clip(0, light.size)
    stops = np.append(start, light.size).clip(0, light.size)
    outside: Floats = np.concatenate(
        [light[a:b] for a, b in zip(begins.tolist(), stops.tolist(), strict=True) if a < b] or [np.empty(0)]
    )  # fmt: skip
    invalid = np.isnan(outside)
    return outside[~invalid] if invalid.any() else outside
