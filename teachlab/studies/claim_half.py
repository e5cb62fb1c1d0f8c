"""The two halves of the scored passes: settings are fixed on the first; the claim is their result on the second."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields
from itertools import pairwise

from teachlab.model.draws import Draw, DrawOptions
from teachlab.model.printable_text import printable
from teachlab.model.recording import Recording
from teachlab.model.score import MOST_OF_THE_TIME, Score
from teachlab.model.setting import Setting, bare
from teachlab.model.truth import Truth, TruthSource
from teachlab.questions.surface.count_settings import Counted, with_measures
from teachlab.scoring.claimable import unusable, without_touching
from teachlab.scoring.claims import LotCounts, in_common, lot_counts, paired_costs
from teachlab.scoring.scoring import score
from teachlab.sensor.output import Output
from teachlab.statistics.claims.orders import Order, orders
from teachlab.statistics.lots import Source
from teachlab.studies.ranking import median_draw, ranking_cost, spreads_of
from teachlab.switching.run import replay_together


@dataclass(frozen=True, slots=True)
class FixedSetting:
    """A strategy's setting, fixed on the choosing half.

    `draw`: number of the draw with the median cost of the strategy's draws there.
    `cost`, `p95`: median cost of the strategy there, and its 95 % quantile over the draws.
    `room` (recording units): how far its levels may move there without costing more; None if it was not compared by
    that.
    `useless`: whether its output was active for most of the gap time there, or never, once it was replayed.
    """

    strategy: str
    draw: int
    setting: Setting
    cost: float
    p95: float
    room: float | None = None
    useless: bool = False


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class HalfByLot:
    """What a setting did on the claim half, lot by lot, or by stretches where no lots are named.

    `passes`, `lost`, `errors` (one per lot): passes that touch and merge are left out.
    `like`: which products are like those of the lot.
    `at_s`: time of its first pass in the recording.
    `usable`: whether the output is neither active for most of the gap time nor never.
    """

    passes: Sequence[int]
    lost: Sequence[int]
    errors: Sequence[int]
    like: Sequence[str]
    at_s: Sequence[float]
    usable: bool

    @classmethod
    def of(cls, recording: Recording, truth: Truth, result: Score) -> HalfByLot:
        """Take the counts of a score of the claim half."""
        counts = lot_counts(truth, without_touching(truth, result.trials))
        rows = counts.first_pass.tolist()
        # A stretch that holds several lots has the name of none.
        ends = [row + 1 for row in rows] if counts.source is Source.LOTS else [*rows, truth.passes][1:]
        held = [{""} if truth.lot is None else set(truth.lot[a:b]) for a, b in zip(rows, ends, strict=True)]
        lots = [str(*names) if len(names) == 1 else "" for names in held]
        named = [f"lot '{printable(lot, most=24)}'" if lot else "" for lot in lots]
        return cls(
            passes=counts.passes.tolist(),
            lost=counts.lost.tolist(),
            errors=counts.errors().astype(int).tolist(),
            like=[
                f"passes like those {f'of {lot}' if lot else f'from pass {row} on'}"
                for row, lot in zip(rows, named, strict=True)
            ],
            at_s=(truth.start[rows] / recording.info.sample_rate_hz).tolist(),
            usable=not unusable(result),
        )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ClaimHalf(FixedSetting):
    """A setting that was fixed on the choosing half, with its score on the claim half.

    `chosen_on`: scored passes of the choosing half.
    `score`, `whole`: of the claim half, and of both halves.
    """

    chosen_on: int
    score: Score
    whole: Score

    def errors(self, truth: Truth) -> tuple[LotCounts, bool]:
        """Return its counts by lots over both halves, and whether its output is usable there.

        The choosing half, on which it was the median draw of its strategy, does not overstate its errors. So twice as
        many lots may show that it fails, but not that it works.
        """
        return lot_counts(truth, without_touching(truth, self.whole.trials)), not unusable(self.whole)


def second_half(first_scored: int, passes: int) -> int:
    """Return the first pass of the second half; with an odd number, the first half has one more."""
    return first_scored + math.ceil((passes - first_scored) / 2)


def fixed_settings(
    taught: Mapping[str, Sequence[Draw]], first_half: Counted, options: DrawOptions
) -> dict[str, FixedSetting]:
    """Fix a setting of every strategy on the first half; by name, in the order given.

    Strategies that do not teach in half of their draws are left out.
    """
    fixed: dict[str, FixedSetting] = {}
    for name, draws in taught.items():
        judged = with_measures(draws, first_half, options.costs, best_cost=math.nan)
        cost, chosen = ranking_cost(judged), median_draw(judged)
        if math.isfinite(cost) and chosen is not None and chosen.setting is not None:
            fixed[name] = FixedSetting(name, chosen.draw, chosen.setting, cost, spreads_of(judged)["cost"].p95)
    return fixed


def claim_halves(
    recording: Recording,
    truth: Truth,
    fixed: Mapping[str, FixedSetting],
    *,
    first_half: Counted,
    first_scored: int,
    middle: int,
    options: DrawOptions,
    outputs: Mapping[Setting, Output] | None = None,
) -> dict[str, ClaimHalf]:
    """Score the settings that were fixed on the first half on the second; `outputs` are those already known."""
    distinct = list(dict.fromkeys(bare(one.setting) for one in fixed.values()))
    replayed = dict(outputs or {})
    more = [key for key in distinct if key not in replayed]
    replayed.update(zip(more, replay_together(recording, more), strict=True))
    known = {
        key: [score(replayed[key], truth, rules=options.rules.scored_from(k)) for k in (middle, first_scored)]
        for key in distinct
    }
    out = {}
    for name, one in fixed.items():
        later, whole = known[bare(one.setting)]
        kept = {field.name: getattr(one, field.name) for field in fields(one)} | {"useless": _useless(later, whole)}
        chosen_on = first_half[bare(one.setting)].detect_trials
        out[name] = ClaimHalf(**kept, chosen_on=chosen_on, score=later, whole=whole)
    return out


def _useless(later: Score, whole: Score) -> bool:
    """Tell whether an output was active for most of the gap time of the choosing half, or never."""
    hours = whole.gap_hours - later.gap_hours
    active = (whole.false_active_share or 0) * whole.gap_hours - (later.false_active_share or 0) * later.gap_hours
    return active > MOST_OF_THE_TIME * hours or whole.counts.onsets == later.counts.onsets


def order_rows(
    truth: Truth, rows: Sequence[Sequence[str]], halves: Mapping[str, ClaimHalf], options: DrawOptions
) -> list[Order | None]:
    """Say for every row how sure its order before the next one is; None for the last, and if it is unknown."""
    firsts = [halves.get(row[0]) for row in rows]
    pairs = []
    for k, (a, b) in enumerate(pairwise(firsts)):
        if a is not None and b is not None:
            one, other = in_common([without_touching(truth, side.score.trials) for side in (a, b)])
            pairs.append((k, paired_costs(truth, one, other, options.costs)))
    out: list[Order | None] = [None] * len(rows)
    if pairs:
        source = pairs[0][1].source if all(p.source is pairs[0][1].source for _, p in pairs) else Source.BLOCKS
        worst = max(options.costs.miss, options.costs.false)
        claims = truth.source is not TruthSource.SELF_LABELLED
        found = orders([p.values for _, p in pairs], source=source, worst=worst, claims=claims)
        for (k, _), order in zip(pairs, found, strict=True):
            out[k] = order
    return out
