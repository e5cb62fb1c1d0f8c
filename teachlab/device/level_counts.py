"""The levels between which the light crossed at logged edges, and the level that most edges share."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from teachlab.device.logged_edges import Samples
    from teachlab.model.recording import Light

Levels = NDArray[np.float64]
EXACT_DENOMINATOR = 4
"""Ratios of samples to evaluations with a denominator up to this are tried at every possible phase."""


@dataclass(frozen=True, slots=True)
class EvaluationGrid:
    """Evaluation i reads sample ``(start + i · step) // per``, in whole numbers.

    `start`, `step`, `per`: phase and ratio, multiplied by the common denominator `per`.
    """

    start: int
    step: int
    per: int = 1

    @classmethod
    def of(cls, ratio: Fraction, phase: Fraction) -> EvaluationGrid:
        """Build the grid with so many samples per evaluation, starting at a phase in samples."""
        per = ratio.denominator * phase.denominator
        return cls(int(phase * per), int(ratio * per), per)

    @property
    def ratio(self) -> Fraction:
        """Samples per evaluation."""
        return Fraction(self.step, self.per)

    @property
    def phase(self) -> Fraction:
        """Phase of the first evaluation, samples."""
        return Fraction(self.start, self.per)

    @property
    def exact(self) -> bool:
        """Whether only a few phases are possible: then the sample of every evaluation is known."""
        return self.ratio.denominator <= EXACT_DENOMINATOR

    @property
    def whole(self) -> bool:
        """Whether evaluations fall on samples."""
        return self.step % self.per == 0

    def samples_of(self, evaluations: Samples) -> Samples:
        """Return the sample that each evaluation reads."""
        out: Samples = (self.start + evaluations * self.step) // self.per
        return out

    def firsts_at_or_after(self, samples: Samples) -> Samples:
        """Return the first evaluation that reads each sample or a later one."""
        out: Samples = np.maximum(-((self.start - samples * self.per) // self.step), 0)
        return out

    def count(self, samples: int) -> int:
        """How many evaluations a recording holds."""
        return int(self.firsts_at_or_after(np.array([samples]))[0])

    def seen(self, light: Light) -> Light:
        """Return the light at the evaluations."""
        if self.whole:
            return light[self.start // self.per :: self.step // self.per]
        return light[self.samples_of(np.arange(self.count(light.size)))]


def crossing_intervals(
    light: Light, edges: Samples, latency: int, grid: EvaluationGrid, jitter: int, *, begins: bool
) -> tuple[Levels, Levels]:
    """Return, for every edge, the levels ``(low, high]`` that the light crossed at it.

    Light begins at ``x >= level`` after an evaluation below it, and ends at ``x < level`` after one at or above it. An
    edge that no evaluation can have made has an empty interval, `low` = `high` = NaN. Invalid light gives no bound.

    `light`: in the stored type, NaN where invalid.
    `edges`: samples.
    `latency` (samples): from the crossing to the edge.
    `jitter` (samples): how far a logged edge may be from its true place, in either direction.
    `begins`: whether light begins at these edges; otherwise it ends there.
    """
    centre = edges - latency
    first, behind = grid.firsts_at_or_after(centre - jitter), grid.firsts_at_or_after(centre + jitter + 1)
    last = grid.count(light.size) - 1
    low, high = np.full(edges.size, np.inf), np.full(edges.size, -np.inf)
    for k in range(int((behind - first).max(initial=0))):
        at = first + k
        ok = (at < behind) & (at >= 1) & (at <= last)
        now, before = (light[grid.samples_of(np.where(ok, at - back, 0))].astype(np.float64) for back in (0, 1))
        bottom, top = (before, now) if begins else (now, before)
        # Light that was not seen may have had any value.
        bottom, top = np.where(np.isnan(bottom), -np.inf, bottom), np.where(np.isnan(top), np.inf, top)
        low = np.where(ok, np.minimum(low, bottom), low)
        high = np.where(ok, np.maximum(high, top), high)
    none = ~(low < high)
    low[none] = high[none] = np.nan
    return low, high


@dataclass(frozen=True, slots=True)
class SharedLevel:
    """The levels that lie in the most intervals.

    `missed`: number of intervals that do not contain them.
    `low`, `high`: the levels ``(low, high]``, the outermost ones of all that miss at most `slack` more intervals.
    `best`: a level that misses the fewest.
    """

    missed: int
    low: float
    high: float
    best: float


def shared_level(low: Any, high: Any, slack: int = 0) -> SharedLevel | None:
    """Return the levels that most of the intervals ``(low, high]`` share; None if there are none."""
    known = ~np.isnan(low)
    count = low.size
    low, high = np.sort(low[known]), np.sort(high[known])
    if not low.size:
        return None
    # Between neighbouring ends the count is constant: cell k is (ends[k − 1], ends[k]].
    ends = np.unique(np.concatenate((low, high)))
    inside = np.searchsorted(low, ends, "left") - np.searchsorted(high, ends, "left")
    floors = np.concatenate(([-np.inf], ends[:-1]))
    most = int(inside.max())
    near = np.flatnonzero(inside >= most - slack)
    good = np.flatnonzero(inside == most)
    widest = good[int(np.argmax(ends[good] - floors[good]))]
    bottom, top = float(floors[widest]), float(ends[widest])
    if np.isinf(bottom):
        best = top if np.isfinite(top) else 0.0
    else:
        best = (bottom + top) / 2 if np.isfinite(top) else bottom + 1.0
    return SharedLevel(count - most, float(floors[near[0]]), float(ends[near[-1]]), best if best > bottom else top)


def fewest_missed(low: Any, high: Any) -> NDArray[np.int64]:
    """Return, for every row of intervals, how many do not contain the level that most of the row share.

    `low`, `high`: shape (rows, edges).
    """
    # Most intervals share one of the upper ends: there, the count is the number that have begun below it minus the
    # number that have ended. At equal values the ends come first, and the first of those holds the count.
    known = (~np.isnan(low)).astype(np.int64)
    ends = np.concatenate((high, low), axis=1)
    order = np.argsort(ends, axis=1, kind="stable")
    steps = np.take_along_axis(np.concatenate((-known, known), axis=1), order, axis=1)
    before = np.cumsum(steps, axis=1) - steps
    out: NDArray[np.int64] = low.shape[1] - before.max(axis=1, initial=0)
    return out
