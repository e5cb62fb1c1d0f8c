"""Windows of passes and the gaps between them, in evaluations: every evaluation belongs to one of them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from teachlab.model.score import Rules
from teachlab.model.truth import Truth
from teachlab.sensor.clock import Clock, ceil, exact
from teachlab.sensor.edges import Edges


def border_evaluations(truth: Truth, clock: Clock, rules: Rules) -> int:
    """Return how many evaluations a window extends beyond its pass on either side.

    ``ceil(tolerance_ms · rate / 1000 + uncertainty_samples · rate / sample_rate)``, one ceil; at most the length of the
    record.
    """
    rate = exact(clock.rate_hz)
    doubt = exact(truth.uncertainty_samples) * rate / exact(clock.sample_rate_hz)
    beyond = exact(rules.tolerance_ms) * rate / 1000 + doubt
    return min(ceil(beyond), clock.count)


@dataclass(frozen=True, slots=True, eq=False)
class Windows:
    """Windows and gaps of one truth under one lag; all positions in evaluations.

    `covered_from`, `covered_to` (shape (passes,)): evaluations that read a sample of the pass, ``[from, to)``; empty if
    none does.
    `start`, `stop` (shape (passes,)): the window ``[start, stop)``; empty for an empty pass. Windows are disjoint and
    ascending.
    `gap_start`, `gap_stop` (shape (gaps,)): gaps: what is left, longer than zero.
    `gap_after` (shape (gaps,)): index of the pass before the gap, −1 for the gap before the first pass.
    """

    covered_from: Edges
    covered_to: Edges
    start: Edges
    stop: Edges
    gap_start: Edges
    gap_stop: Edges
    gap_after: Edges

    @classmethod
    def of(cls, truth: Truth, clock: Clock, *, border: int = 0, lag: int = 0) -> Windows:
        """Place the windows.

        The window of a pass extends `border` evaluations beyond it on both sides, and `lag` more at its end. Where two
        would overlap, both meet at ``min(⌊(end + next start) / 2⌋ + lag, end + border + lag, next end)``. A pass
        without an evaluation has an empty window and divides no gap.

        `border`, `lag`: evaluations.
        """
        size = clock.count
        covered_from = clock.firsts_at_or_after(truth.start)
        covered_to = clock.firsts_at_or_after(truth.end)
        # A pass between two evaluations is not seen at all: it is a miss and divides no gap.
        real = np.flatnonzero(covered_to > covered_from)
        a, b = covered_from[real], covered_to[real]
        start, stop = a - border, b + border + lag
        # Two windows that would overlap meet half-way between the passes, but each gives the other no more than its own
        # reach:
        #
        #     pass      |######|                |####|
        #     window  ..|######|........lag     |####|......
        #                         ..|...........|####|           overlap: both end, and begin, at the meeting point
        meet = np.minimum(np.minimum((b[:-1] + a[1:]) // 2 + lag, stop[:-1]), b[1:])
        overlap = stop[:-1] > start[1:]
        stop[:-1] = np.where(overlap, meet, stop[:-1])
        start[1:] = np.where(overlap, meet, start[1:])
        start, stop = start.clip(0, size), stop.clip(0, size)
        gap_start, gap_stop = np.concatenate(([0], stop)), np.concatenate((start, [size]))
        after = np.concatenate(([-1], real))
        gap = gap_stop > gap_start
        all_start, all_stop = covered_from.copy(), covered_from.copy()
        all_start[real], all_stop[real] = start, stop
        return cls(covered_from, covered_to, all_start, all_stop, gap_start[gap], gap_stop[gap], after[gap])
