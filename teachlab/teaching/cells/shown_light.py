"""Light and lengths of labelled passes and gaps, as the axes of a design need them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from teachlab.errors import Abstained
from teachlab.light.noise import median
from teachlab.light.shown.pass_heights import outside_passes, pass_heights
from teachlab.light.shown.tabled_light import TabledEvents, once_shown
from teachlab.model.arrays import Floats
from teachlab.model.printable_text import number_of
from teachlab.model.teaching import Events, TeachView
from teachlab.sensor.edges import pieces

SHORTEST = 0.02
"""Quantile of the lengths of passes, and of gaps, that is taken as the shortest."""
TOP_SHARE = 0.05

Places = NDArray[np.int64]


@dataclass(frozen=True, slots=True, eq=False)
class _Heights:
    """What passes and gaps measure, turned: of every pass with valid light, and of all valid light of the gaps."""

    held: Floats
    tops: Floats
    gaps: int
    background: float
    deviation: float


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
        found = once_shown(events, ("heights", view.sign), lambda: _heights(events, view.sign))
        held, tops, background = found.held, found.tops, found.background
        if not (tops.size and found.gaps):
            raise Abstained(
                "no pass, or no gap, with valid light was shown",
                f"{number_of(tops.size, 'pass', 'passes')} and {number_of(found.gaps, 'evaluation')} of gaps",
                "at least one pass and one gap between passes",
            )
        contrast = float(np.median(held)) - background
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
            noise=1.4826 * found.deviation,
            passes=tops.size,
            dwell=float(np.median(dwells)),
            shortest_pass=float(np.quantile(dwells, SHORTEST)),
            shortest_gap=float(np.quantile(between, SHORTEST)) if between.size else 0.0,
            tops=np.sort(tops),
            rise=view.sign > 0,
            dark=view.dark_level,
        )


def _heights(events: Events, sign: int) -> _Heights:
    """Measure passes and gaps; where light is in tables, by these."""
    passes = events.detect & (events.end > events.start)
    start, end = events.start[passes], events.end[passes]
    begins, stops = outside_passes(events.start - events.guard, events.end + events.guard, events.evaluations)
    begins, stops = begins[begins < stops], stops[begins < stops]
    if isinstance(events, TabledEvents):
        seen = events.seen(sign)
        held, tops = seen.heights(start, end)
        gaps = seen.outside_passes(begins, stops)
    else:
        held, tops = pass_heights(events.light, sign, start, end)
        gaps = _gaps(events.light, sign, begins, stops)
    return _Heights(held[~np.isnan(held)], tops[~np.isnan(tops)], *gaps)


def _gaps(light: Floats, sign: int, start: Places, stop: Places) -> tuple[int, float, float]:
    """Return how much valid light stretches have, turned its median, and its median absolute deviation from that."""
    gaps = pieces(light, start, stop)
    invalid = np.isnan(gaps)
    gaps = sign * (gaps[~invalid] if invalid.any() else gaps)
    if not gaps.size:
        return 0, float("nan"), float("nan")
    level = median(gaps, in_place=True)
    gaps -= level
    return gaps.size, level, median(np.abs(gaps, out=gaps), in_place=True)
