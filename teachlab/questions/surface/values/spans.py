"""The timeline as spans: every evaluation belongs to one window or one gap, of one kind."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from teachlab.light.excluded import excluded_trials
from teachlab.light.windows import Windows, border_evaluations
from teachlab.model.recording import Recording
from teachlab.model.score import USUAL_RULES, Rules
from teachlab.model.truth import Truth
from teachlab.questions.surface.values.kinds import TOUCHING, Kind, Kinds
from teachlab.sensor.clock import Clock
from teachlab.sensor.edges import Edges, TwoState

LOOKED_BACK = 1 << 16
"""Samples before the first trial among which a settled one is looked for."""


@dataclass(frozen=True, slots=True, eq=False)
class Spans:
    """Windows and gaps in time order, without those that hold no evaluation.

    `start`, `stop` (shape (spans,), evaluations): together they cover every evaluation once.
    `kind`: the `Kind` of each, shape (spans,).
    `row` (shape (spans,)): row of the pass in the truth; −1 for a gap.
    `detect`, `ignore`, `gaps`: trials: scored detect passes, ignore passes and gaps.
    `blind`: scored detect passes without an evaluation: missed at every level.
    `begin` (evaluations): where the scored time begins.
    `told` (shape (spans,)): the kind, with `TOUCHING` added for passes to be detected that begin where the pass before
    them ends.
    """

    start: Edges
    stop: Edges
    kind: Kinds
    row: Edges
    detect: int
    ignore: int
    gaps: int
    blind: int
    begin: int
    told: Kinds

    @property
    def evaluations(self) -> int:
        """How many evaluations they cover."""
        return int(self.stop[-1]) if self.stop.size else 0

    @property
    def gap_evaluations(self) -> int:
        """How many evaluations the scored gaps hold."""
        return int((self.stop - self.start)[self.kind == Kind.GAP].sum())

    @classmethod
    def of(
        cls,
        truth: Truth,
        clock: Clock,
        invalid: TwoState,
        *,
        rules: Rules = USUAL_RULES,
        lag: int = 0,
    ) -> Spans:
        """Place windows and gaps and decide which are trials, as in scoring."""
        truth.check_inside(clock.samples)
        windows = Windows.of(truth, clock, border=border_evaluations(truth, clock, rules), lag=lag)
        passes_out, gaps_out = excluded_trials(truth, windows, clock, invalid, lag=lag)
        begin, first_pass = 0, rules.first_pass
        if first_pass:
            passes_out = passes_out | (np.arange(truth.passes) < first_pass)
            gaps_out = gaps_out | (windows.gap_after < first_pass)
            begin = int(windows.start[first_pass:].min()) if first_pass < truth.passes else clock.count
        pass_kind = np.where(truth.detect, Kind.DETECT, Kind.IGNORE)
        pass_kind[passes_out] = Kind.UNCOUNTED
        gap_kind = np.where(gaps_out, Kind.UNCOUNTED, Kind.GAP)
        real = windows.stop > windows.start
        start = np.concatenate((windows.start[real], windows.gap_start))
        order = np.argsort(start, kind="stable")
        kind = np.concatenate((pass_kind[real], gap_kind))[order].astype(np.int8)
        row = np.concatenate((np.flatnonzero(real), np.full(windows.gap_start.size, -1)))[order]
        return cls(
            start=start[order],
            stop=np.concatenate((windows.stop[real], windows.gap_stop))[order],
            kind=kind,
            row=row,
            detect=int(np.count_nonzero(pass_kind == Kind.DETECT)),
            ignore=int(np.count_nonzero(pass_kind == Kind.IGNORE)),
            gaps=int(np.count_nonzero(gap_kind == Kind.GAP)),
            blind=int(np.count_nonzero(~real & (pass_kind == Kind.DETECT))),
            begin=begin,
            told=_told(kind, row, truth),
        )

    def settled_before(self, recording: Recording, clock: Clock, low: float, high: float) -> tuple[int, float] | None:
        """Return the last sample before the first trial that settles all comparators with levels from low to high.

        Its light reaches every level, or none: what came before it has no effect on comparators without memory, and
        need not be read.

        The result is the sample and its light; None if none was found near the first trial.
        """
        counted = np.flatnonzero(self.kind != Kind.UNCOUNTED)
        stop = int(self.start[counted[0]]) if counted.size and clock.every_sample else 0
        if stop <= LOOKED_BACK:
            return None
        light = recording.read(stop - LOOKED_BACK, stop).as_float()
        settled = np.flatnonzero((light >= high) | (light < low))
        return (stop - LOOKED_BACK + int(settled[-1]), float(light[settled[-1]])) if settled.size else None


def _told(kind: Kinds, row: Edges, truth: Truth) -> Kinds:
    touching = np.append(truth.touching, False)[row]  # the row of a gap is −1
    out: Kinds = kind + np.int8(TOUCHING) * (touching & (kind == Kind.DETECT))
    return out
