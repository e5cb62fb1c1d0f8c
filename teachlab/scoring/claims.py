"""Claims of a score by lots: losses, trips and cost, each from one function of the counts per lot."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from teachlab.model.draws import Costs
from teachlab.model.printable_text import number_of
from teachlab.model.score import LOST, Outcome, Trials
from teachlab.model.truth import Truth
from teachlab.scoring.by_lot import with_lots
from teachlab.statistics.claims.lot_claims import (
    CLAIM_LOTS,
    INDEPENDENT,
    NOTHING,
    Assumption,
    LotClaim,
    claim_by_lots,
    joined_lots,
)
from teachlab.statistics.claims.orders import CostBound, cost_bound
from teachlab.statistics.lots import Source, blocks_of


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LotCounts:
    """Counts of every lot, or of every stretch of consecutive passes.

    `named_lots`: number of named lots among the scored passes, before small lots joined the next; 0 if some passes have
    no lot.
    `first_pass` (shape (lots,)): row of the first pass that each lot names, or of a stretch.
    `whole` (shape (lots,)): whether all passes of the lot are among those scored.
    `passes`, `lost`, `gaps`, `tripped` (shape (lots,)): scored detect passes and those lost, scored gaps and those
    tripped.
    `trips`, `extra`, `ignore_trips` (shape (lots,)): unwanted onsets: in gaps, after the first one of a pass, and on
    `ignore` passes.
    """

    source: Source
    named_lots: int
    first_pass: NDArray[np.int64]
    whole: NDArray[np.bool_]
    passes: NDArray[np.int64]
    lost: NDArray[np.int64]
    gaps: NDArray[np.int64]
    tripped: NDArray[np.int64]
    trips: NDArray[np.int64]
    extra: NDArray[np.int64]
    ignore_trips: NDArray[np.int64]

    def errors(self, costs: Costs | None = None) -> NDArray[np.float64]:
        """Return the cost of the errors of every lot; without costs, their number."""
        false = self.trips + self.extra + self.ignore_trips
        # Trials without passes that merged with the one that they touch are counted here: none is left to take out.
        out: NDArray[np.float64] = (costs or Costs()).of(lost=self.lost, touching=0, false=false, passes=1)
        return out

    def bound(self, costs: Costs | None = None, *, confidence: float = 0.95) -> CostBound:
        """Bound the cost per pass by lots; small lots join the next."""
        group = joined_lots(self.passes)
        cost, of = np.bincount(group, self.errors(costs)), np.bincount(group, self.passes)
        return cost_bound(cost[of > 0] / of[of > 0], confidence=confidence, source=self.source)


def lot_counts(truth: Truth, trials: Trials, events: Sequence[Outcome] = LOST) -> LotCounts:
    """Count per named lot, or per stretch of consecutive passes where fewer than `CLAIM_LOTS` are named.

    `truth`: its lots are used if every scored pass has one and at least five are left after small lots joined the next.
    `events`: what counts as lost.

    A gap belongs to the lot of the pass before it. The first gap belongs to the lot of the pass after it. The same
    holds for a pass without a lot that is to be ignored, or not scored.
    """
    detect = truth.detect[trials.first_pass :]
    scored = detect & (trials.passes != Outcome.EXCLUDED)
    rows = trials.first_pass + np.arange(trials.passes.size)
    code, source, named = _codes(truth, rows, scored)
    lots = int(code.max(initial=-1)) + 1

    def count(of: NDArray[Any], weight: NDArray[Any]) -> NDArray[np.int64]:
        return np.bincount(of, weight, minlength=lots).astype(np.int64)

    ignored = ~detect & (trials.passes != Outcome.EXCLUDED)
    # The first onset of a hit is the one that is wanted; a missed or merged pass has none to be taken off.
    extra = np.where(scored, trials.pass_onsets - (trials.passes == Outcome.HIT), 0).clip(min=0)
    gaps = trials.gaps != Outcome.EXCLUDED
    gap_code = code[(trials.gap_after - trials.first_pass).clip(0)] if code.size else np.empty(0, np.int64)
    first = np.full(lots, truth.passes, np.int64)
    own = rows if source is not Source.LOTS or truth.lot is None else rows[truth.lot[rows] != ""]
    np.minimum.at(first, code[own - trials.first_pass], own)
    if not code.size:  # without a pass there is no lot to which the gap could belong
        gaps, gap_code = gaps[:0], gap_code[:0]
    return LotCounts(
        source=source,
        named_lots=named,
        first_pass=first,
        whole=_whole(truth, trials.first_pass, first, source),
        passes=count(code, scored),
        lost=count(code, scored & np.isin(trials.passes, tuple(events))),
        gaps=count(gap_code, gaps),
        tripped=count(gap_code, gaps & (trials.gaps[: gaps.size] == Outcome.TRIPPED)),
        trips=count(gap_code, np.where(gaps, trials.gap_onsets[: gaps.size], 0)),
        extra=count(code, extra),
        ignore_trips=count(code, np.where(ignored, trials.pass_onsets, 0)),
    )


def too_few_lots_text(counts: LotCounts, truth: Truth) -> str:
    """Say why lots were not taken: none are named, a pass has none, or too few are left."""
    if counts.named_lots:
        return f"only {number_of(counts.named_lots, 'lot is', 'lots are')} named"
    if truth.lot is None or not (truth.lot != "").any():
        return "no lots are named"
    without = int((truth.lot == "")[truth.detect].sum())
    return f"{number_of(without, 'pass has', 'passes have')} no lot, so none counts"


def losses_claim(
    counts: LotCounts, *, confidence: float = 0.95, assumption: Assumption = NOTHING,
    beside: Sequence[Assumption] = (INDEPENDENT,),
) -> LotClaim:  # fmt: skip
    """Return the headline claim on losses: one bound, with further bounds beside it."""
    return claim_by_lots(
        counts.lost, counts.passes, confidence=confidence, source=counts.source, assumption=assumption, beside=beside
    )


def errors_claim(counts: LotCounts, *, confidence: float = 0.95) -> LotClaim:
    """Bound the errors per pass, lot by lot; a lot with more errors than passes counts as lost."""
    return claim_by_lots(
        np.minimum(counts.errors(), counts.passes),
        counts.passes,
        confidence=confidence,
        source=counts.source,
        beside=(),
    )


def gaps_claim(counts: LotCounts, *, confidence: float = 0.95, assumption: Assumption = NOTHING) -> LotClaim:
    """Bound the share of gaps tripped, lot by lot."""
    return claim_by_lots(
        counts.tripped, counts.gaps, confidence=confidence, source=counts.source, assumption=assumption
    )


def trips_claim(counts: LotCounts, *, confidence: float = 0.95) -> LotClaim:
    """Return the headline claim on false trips: the share of lots with any trip.

    Every lot is one trial. So zero trips have a bound, and a burst counts once.
    """
    group = joined_lots(counts.passes)
    trips, gaps = np.bincount(group, counts.trips), np.bincount(group, counts.gaps)
    return claim_by_lots(
        trips[gaps > 0] > 0,
        np.ones(int((gaps > 0).sum())),
        confidence=confidence,
        source=counts.source,
        beside=(),
        least=1,
    )


def paired_costs(truth: Truth, first: Trials, second: Trials, costs: Costs | None = None) -> LotDifferences:
    """Return the difference of cost per pass of two settings in every whole lot, on trials valid under both."""
    both = [_common(first, second), _common(second, first)]
    one, other = (lot_counts(truth, trials) for trials in both)
    rows = one.whole & (one.passes > 0)
    d = (one.errors(costs)[rows] - other.errors(costs)[rows]) / one.passes[rows]
    return LotDifferences(values=d, source=one.source)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LotDifferences:
    """Cost per pass of the first setting minus that of the second, in every whole lot or stretch."""

    values: NDArray[np.float64]
    source: Source


def in_common(sides: Sequence[Trials]) -> list[Trials]:
    """Return the trials of several settings, each without trials that are invalid under one of the others."""
    out = list(sides)
    for other in sides:
        out = [_common(one, other) for one in out]
    return out


def _common(trials: Trials, other: Trials) -> Trials:
    """Return the trials, without those that are invalid under the other setting."""
    kept = np.isin(trials.gap_after, other.gap_after[other.gaps != Outcome.EXCLUDED])
    return trials.without(other.passes == Outcome.EXCLUDED, ~kept)


def _codes(truth: Truth, rows: NDArray[np.int64], scored: NDArray[np.bool_]) -> tuple[NDArray[np.int64], Source, int]:
    """Return the lot of every pass in rows, whether lots are named ones or stretches, and how many are named."""
    if truth.lot is not None:
        lots = with_lots(truth.lot[rows], ~scored).tolist()
        names = {name: k for k, name in enumerate(dict.fromkeys(lots))}
        code = np.array([names[name] for name in lots], np.int64)
        if "" not in names:
            large = np.unique(joined_lots(np.bincount(code, scored, minlength=len(names)))).size
            if large >= CLAIM_LOTS:
                return code, Source.LOTS, len(names)
            return _stretches(scored), Source.BLOCKS, int(large)
    return _stretches(scored), Source.BLOCKS, 0


def _stretches(scored: NDArray[np.bool_]) -> NDArray[np.int64]:
    """Return the stretch of every pass: equal numbers of scored passes; other passes go with the scored pass before."""
    _, of = blocks_of(np.zeros(int(np.count_nonzero(scored))))
    # Number of the scored pass at, or before, each pass; passes before the first one go with it.
    place = np.cumsum(scored) - 1
    code: NDArray[np.int64] = np.searchsorted(np.cumsum(of), place.clip(0), side="right")
    return code.clip(max=max(0, of.size - 1))


def _whole(truth: Truth, first_pass: int, first: NDArray[np.int64], source: Source) -> NDArray[np.bool_]:
    if source is not Source.LOTS or truth.lot is None or not first_pass:
        return np.ones(first.size, bool)
    # A lot that began before the first scored pass is cut: part of it was used to teach or to choose.
    before = {str(name) for name in truth.lot[:first_pass]}
    return np.array([str(truth.lot[k]) not in before for k in first], bool)
