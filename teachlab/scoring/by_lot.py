"""Passes that are similar within a lot: the design effect, and intervals at the effective sample size."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

from teachlab.model.arrays import Flags, Floats, Integers
from teachlab.model.score import LOST, Outcome, Trials
from teachlab.model.truth import Truth
from teachlab.statistics.bursts import Bursts, burst_rate
from teachlab.statistics.design_effect import ceiling_of, spread_of, upper_limit
from teachlab.statistics.lots import ASSUMED_ICC, Dependence, Source, blocks_of, lot_rate
from teachlab.statistics.over_time.autocorrelation import integrated_autocorrelation


def lost_rate_by_lot(
    truth: Truth,
    trials: Trials,
    *,
    confidence: float = 0.95,
    proxy: ArrayLike | None = None,
    icc: float = ASSUMED_ICC,
    events: Sequence[Outcome] = LOST,
) -> Dependence | None:
    """Bound the lost rate where neighbouring passes may resemble each other.

    The result is None if there are too few passes for two stretches.

    `truth`: its lots are used if every scored pass has one and there are at least two; otherwise stretches of time are
    used.
    `proxy` (shape (passes of the truth,)): how far the light of every pass came on its way to the level, for
    `by_proxy`.
    `icc` (in [0, 1]): `by_proxy` assumes at least this intra-lot correlation of losses.
    `events`: what counts as lost.

    If no lots are named, the design effect is at least the integrated autocorrelation of the outcomes.
    """
    rows = trials.rows(trials.wanted & truth.detect[trials.first_pass :])
    lost = np.isin(trials.passes[rows - trials.first_pass], tuple(events))
    code, source = lot_codes(truth, rows)
    if int(code.max(initial=0)) < 1:
        return None
    hits, of = np.bincount(code, lost), np.bincount(code)
    weakest = 1.0 if proxy is None else _weakest_effect(np.asarray(proxy, np.float64)[rows], code, of, confidence)
    runs = integrated_autocorrelation(lost) if source is Source.BLOCKS else None
    return lot_rate(hits, of, confidence=confidence, source=source, icc=icc, weakest=weakest, least=runs or 1.0)


def gaps_tripped_by_lot(
    truth: Truth, trials: Trials, *, confidence: float = 0.95, icc: float = ASSUMED_ICC
) -> Dependence | None:
    """Bound the share of gaps tripped where neighbouring gaps may resemble each other.

    A gap belongs to the lot of the pass before it. The result is None if there are too few gaps for two stretches.
    """
    scored = np.flatnonzero(trials.gaps != Outcome.EXCLUDED)
    if scored.size == 0 or truth.passes == 0:
        return None
    tripped = trials.gaps[scored] == Outcome.TRIPPED
    # A gap belongs to the lot of the pass before it. The first gap belongs to the lot of the first pass.
    code, source = lot_codes(truth, np.maximum(trials.gap_after[scored], 0))
    if int(code.max(initial=0)) < 1:
        return None
    runs = integrated_autocorrelation(tripped) if source is Source.BLOCKS else None
    hits, of = np.bincount(code, tripped), np.bincount(code)
    return lot_rate(hits, of, confidence=confidence, source=source, icc=icc, least=runs or 1.0)


def _weakest_effect(reach: Floats, code: Integers, of: Integers, confidence: float) -> float:
    """Return the upper limit of the design effect of "is among the weakest tenth of the passes"; 1 if it is unknown."""
    known = ~np.isnan(reach)
    if not known.any():
        return 1.0
    weak = np.zeros(reach.size, bool)
    # Without losses, nothing shows how they would cluster. How the weakest tenth of the passes clusters is taken
    # instead.
    weak[known] = reach[known] < np.quantile(reach[known], 0.1)
    stand_in = np.bincount(code, weak)
    spread = spread_of(stand_in, of)
    return 1.0 if spread.effect is None else upper_limit(spread, confidence, ceiling_of(of))


def exposure(truth: Truth, stop_taught: int, trials: Trials) -> Mapping[str, tuple[int, int]]:
    """Count the passes of every lot and label in the teach block and in the scored block.

    `stop_taught`: passes before this one could be used for teaching.
    """
    scored = np.zeros(truth.passes, bool)
    scored[trials.first_pass :] = trials.passes != Outcome.EXCLUDED
    taught = np.zeros(truth.passes, bool)
    taught[:stop_taught] = True
    out: dict[str, tuple[int, int]] = {}
    for title, names in (("label", truth.label), ("lot", truth.lot)):
        if names is None:
            continue
        for name in dict.fromkeys(names.tolist()):
            of = names == name
            out[f"{title} {name}".strip()] = (int(np.count_nonzero(of & taught)), int(np.count_nonzero(of & scored)))
    return out


def lot_codes(truth: Truth, rows: Integers) -> tuple[Integers, Source]:
    """Return the lot number of every pass in `rows`, and whether lots are named ones or stretches."""
    if truth.lot is not None:
        names = with_lots(truth.lot, ~truth.detect)[rows].tolist()
        codes = {name: k for k, name in enumerate(dict.fromkeys(names))}
        code = np.fromiter(map(codes.__getitem__, names), np.int64, len(names))
        # A pass without a lot belongs to none of them, and is not a lot by itself: stretches of time are used then.
        if len(codes) > 1 and "" not in codes:
            return code, Source.LOTS
    _, of = blocks_of(np.zeros(rows.size, bool))
    return np.repeat(np.arange(of.size), of), Source.BLOCKS


def with_lots(lot: NDArray[np.object_], free: Flags) -> NDArray[np.object_]:
    """Return the lots of passes in time order; a `free` one without a lot goes with the pass before, or else after."""
    for _ in range(2):  # forwards, then backwards
        none = free & (lot == "")
        if none.any():
            lot = lot[np.maximum.accumulate(np.where(none, 0, np.arange(lot.size)))]
        lot, free = lot[::-1], free[::-1]
    return lot


def false_trips_by_lot(
    truth: Truth, trials: Trials, hours: float, *, per: str, confidence: float = 0.95
) -> Bursts | None:
    """Bound false trips per time where they may come in bursts; None if there are too few gaps for two stretches.

    `truth`: its lots are used if every scored gap follows a pass with a lot and there are at least two lots; otherwise
    stretches are used. A pass to be ignored without a lot has that of the pass before.
    `hours`: running hours or gap hours of the score. They are divided among the gaps in proportion to their length in
    the truth.
    """
    scored = np.flatnonzero(trials.gaps != Outcome.EXCLUDED)
    after = trials.gap_after[scored]
    if not hours > 0 or scored.size == 0 or truth.passes == 0:
        return None
    code, source = lot_codes(truth, np.maximum(after, 0))
    if int(code.max(initial=0)) < 1:
        return None
    length = _lengths(truth, after)
    share = np.bincount(code, length) / length.sum()
    events = np.bincount(code, trials.gap_onsets[scored])
    # Trips in gaps without any length in the truth would be an infinite rate.
    if (events[share == 0] > 0).any():
        return None
    return burst_rate(events, hours * share, confidence=confidence, per=per, source=source)


def onsets_by_lot(truth: Truth, trials: Trials, *, ignored: bool, per: str, confidence: float = 0.95) -> Bursts | None:
    """Bound extra onsets per detect pass, or false trips per `ignore` pass, where they may come in bursts.

    `ignored`: whether `ignore` passes are counted.

    The result is None if there are too few such passes for two stretches.
    """
    detect = truth.detect[trials.first_pass :]
    scored = np.flatnonzero((detect != ignored) & (trials.passes != Outcome.EXCLUDED))
    code, source = lot_codes(truth, trials.first_pass + scored)
    if scored.size == 0 or int(code.max(initial=0)) < 1:
        return None
    # The first onset of a hit is the wanted one; only those after it are extra.
    onsets = trials.pass_onsets[scored] - (0 if ignored else (trials.passes[scored] == Outcome.HIT))
    return burst_rate(np.bincount(code, onsets), np.bincount(code), confidence=confidence, per=per, source=source)


def _lengths(truth: Truth, after: Integers) -> Floats:
    """Return the length of every gap between the borders of its passes; the last gap counts as the others' mean."""
    end = np.concatenate(([0], truth.end))[after + 1]
    begin = np.append(truth.start, -1)[after + 1]
    length = np.where(begin < 0, -1.0, begin - end).astype(np.float64)
    known = length >= 0
    length[~known] = length[known].mean() if known.any() else 1.0
    return length if length.sum() > 0 else np.ones(length.size)
