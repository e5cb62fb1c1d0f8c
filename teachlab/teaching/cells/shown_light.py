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
    tops: NDArray[np.float64]
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
        height = view.sign * events.light
        valid = ~np.isnan(height)
        parts = [
            height[a:b][valid[a:b]]
            for a, b in zip(events.start[events.detect].tolist(), events.end[events.detect].tolist(), strict=True)
        ]
        parts = [part for part in parts if part.size]
        gaps = height[_outside(height.size, events.start - events.guard, events.end + events.guard) & valid]
        if not (parts and gaps.size):
            raise Abstained(
                "no pass, or no gap, with valid light was shown",
                f"{len(parts)} passes and {gaps.size} evaluations of gaps",
                "at least one pass and one gap between passes",
            )
        background = float(np.median(gaps))
        contrast = float(np.median([np.quantile(part, 1 - HELD_SHARE) for part in parts])) - background
        if not contrast > 0:
            raise Abstained(
                "passes do not stand out from the gaps in the direction of the objects",
                f"the median pass lies {contrast:.4g} {view.unit} above the gaps, light turned so that objects go up",
                "a contrast above 0",
            )
        dwells = (events.end - events.start)[events.detect]
        between = events.start[1:] - events.end[:-1]
        between = between[between > 0]
        return cls(
            background=background,
            contrast=contrast,
            noise=1.4826 * float(np.median(np.abs(gaps - background))),
            passes=len(parts),
            dwell=float(np.median(dwells)),
            shortest_pass=float(np.quantile(dwells, SHORTEST)),
            shortest_gap=float(np.quantile(between, SHORTEST)) if between.size else 0.0,
            tops=np.sort([part.max() for part in parts]),
            rise=view.sign > 0,
            dark=view.dark_level,
        )


def _outside(size: int, start: NDArray[np.int64], end: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Return which of `size` evaluations lie in no stretch ``[start, end)``."""
    steps = np.zeros(size + 1, np.int64)
    np.add.at(steps, start.clip(0, size), 1)
    np.add.at(steps, end.clip(0, size), -1)
    out: NDArray[np.bool_] = np.cumsum(steps[:-1]) == 0
    return out
