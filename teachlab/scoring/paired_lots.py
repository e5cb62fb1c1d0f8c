"""Differences of two settings, and of two recordings, where passes may resemble each other."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import ClassVar

import numpy as np
from numpy.typing import ArrayLike

from teachlab.errors import ParameterError
from teachlab.model.arrays import Flags, Integers
from teachlab.model.json_values import Document
from teachlab.model.score import Trials
from teachlab.model.truth import Truth
from teachlab.scoring.by_lot import lot_codes
from teachlab.scoring.pairs import gaps_valid_under_both, passes_valid_under_both
from teachlab.statistics.design_effect import LotSpread, ceiling_of, contributing, p_inflated, upper_limit
from teachlab.statistics.differences import Difference, newcombe, tango
from teachlab.statistics.lots import Dependence, Source


@dataclass(frozen=True, slots=True, kw_only=True)
class PairedLots(Document):
    """A paired difference at the effective number of trials.

    `source`: lots as labelled, or stretches of consecutive trials.
    `lots`, `lots_with_events`: the second number counts lots with a discordant trial.
    `contributing`: how many lots account for the spread.
    `measured`: estimated design effect of the difference; None without discordant trials.
    `design_effect`: upper limit of the design effect, which is used.
    `difference`: Tango's interval at the effective counts.
    `p`: two-sided: below α exactly if that interval at confidence 1 − α does not contain 0.
    """

    ALSO: ClassVar[tuple[str, ...]] = ("assumes",)

    source: Source
    lots: int
    lots_with_events: int
    contributing: float
    measured: float | None
    design_effect: float
    difference: Difference
    p: float

    @property
    def assumes(self) -> str:
        """Say in words what the interval and the p-value assume to be independent."""
        if self.source is Source.LOTS:
            return "lots are independent and differ as those seen do"
        return "not every pass has a lot, so stretches of consecutive passes are used as lots and taken as independent"


def paired_lots(
    only_first: ArrayLike,
    only_second: ArrayLike,
    trials: ArrayLike,
    *,
    confidence: float = 0.95,
    source: Source = Source.LOTS,
) -> PairedLots:
    """Bound a paired difference from the discordant trials of every lot.

    Parameters
    ----------
    only_first, only_second, trials : array_like of int, shape (lots,)
        Discordant trials of either kind, and all trials, of every lot.
    confidence : float
    source : Source
        What the lots are; it is written to the result.

    Raises
    ------
    ParameterError
        If fewer than two lots hold trials, or if counts are impossible.

    Notes
    -----
    Lot i has b_i and c_i discordant trials of m_i trials; n = Σ m_i and δ = Σ (b_i − c_i) / n. The design effect is
    ``L/(L − 1) · Σ (b_i − c_i − m_i δ)² / (n (p − δ²))``, where p is the share of discordant trials. Its upper limit is
    that of `lot_rate`, and the interval is Tango's at counts divided by it. At δ = 0 Tango's statistic is McNemar's
    ``(b − c) / sqrt(b + c)``, so the p-value is the closed inverse of the interval.

    Simulated with lots of 50 passes, beta-binomial with intra-lot correlation 0, 0.05 and 0.2, and two equally good
    settings: ``benchmarks/coverages/differences.py``.

    References
    ----------
    Rao and Scott, Biometrics 48 (1992) 577–585; Tango, Statistics in Medicine 17 (1998) 891–908. Their combination, and
    the upper limit, are this project's own.

    Examples
    --------
    >>> found = paired_lots([6, 0, 0, 5] * 5, [0, 1, 0, 0] * 5, [50] * 20)
    >>> round(found.measured, 2), round(found.difference.low, 3), round(tango(55, 5, 1000).low, 3)
    (3.39, 0.021, 0.036)
    >>> found.p < 0.05
    True
    """
    b, c, of = (np.asarray(v, np.float64).reshape(-1) for v in (only_first, only_second, trials))
    if not b.shape == c.shape == of.shape or min(b.min(initial=0), c.min(initial=0)) < 0 or (b + c > of).any():
        raise ParameterError("discordant trials must be given for every lot, at least 0 and at most all its trials.")
    b, c, of = b[of > 0], c[of > 0], of[of > 0]
    if of.size < 2:
        raise ParameterError(f"the spread between lots needs at least 2 lots with trials, got {of.size}.")
    n, hit = float(of.sum()), int(np.count_nonzero(b + c))
    delta, share = float((b - c).sum()) / n, float((b + c).sum()) / n
    squares = (b - c - of * delta) ** 2
    variance = n * (share - delta**2)
    measured = float(squares.sum()) * of.size / (of.size - 1) / variance if variance > 0 else None
    spread = LotSpread(hit, contributing(squares, hit), measured)
    used = upper_limit(spread, confidence, ceiling_of(of))
    statistic = float((b - c).sum()) / math.sqrt(float((b + c).sum())) if hit else 0.0
    return PairedLots(
        source=source,
        lots=of.size,
        lots_with_events=hit,
        contributing=spread.contributing,
        measured=measured,
        design_effect=used,
        p=p_inflated(statistic, spread, ceiling_of(of)),
        difference=tango(float(b.sum()) / used, float(c.sum()) / used, n / used, confidence),
    )


def passes_by_lot(truth: Truth, first: Trials, second: Trials, *, confidence: float = 0.95) -> PairedLots | None:
    """Compare lost passes by lot; None if there are too few passes for two stretches."""
    rows, one, other = passes_valid_under_both(first, second)
    return _by_lot(truth, rows, one, other, confidence)


def gaps_by_lot(truth: Truth, first: Trials, second: Trials, *, confidence: float = 0.95) -> PairedLots | None:
    """Compare tripped gaps by the lot of the pass before them; None if there are too few gaps for two stretches."""
    after, one, other = gaps_valid_under_both(first, second)
    # The gap before the first pass has none before it: it goes with the first.
    return _by_lot(truth, np.maximum(after, 0), one, other, confidence)


def _by_lot(truth: Truth, rows: Integers, first: Flags, second: Flags, confidence: float) -> PairedLots | None:
    if rows.size == 0 or truth.passes == 0:
        return None
    code, source = lot_codes(truth, rows)
    if int(code.max(initial=0)) < 1:
        return None
    only_first, only_second = np.bincount(code, first & ~second), np.bincount(code, second & ~first)
    return paired_lots(only_first, only_second, np.bincount(code), confidence=confidence, source=source)


@dataclass(frozen=True, slots=True, kw_only=True)
class UnpairedLots(Document):
    """An unpaired difference at the effective numbers of trials.

    `design_effects`: upper limits of the design effects of both recordings, as used.
    `difference`: Newcombe's interval at the effective counts.
    """

    design_effects: tuple[float, float]
    difference: Difference


def unpaired_lots(first: Dependence, second: Dependence, *, confidence: float = 0.95) -> UnpairedLots:
    """Bound the difference of two rates; each rate is bounded by its own lots.

    `first`, `second`: as `teachlab.scoring.by_lot.lot_rate` gives them, at the same confidence.

    Notes
    -----
    Events and trials of each recording are divided by its design effect, an upper limit. The interval is Newcombe's
    hybrid of Wilson's limits at these counts. Simulated coverage: ``benchmarks/coverages/differences.py``.

    References
    ----------
    Newcombe, Statistics in Medicine 17 (1998) 873–890; Rao and Scott, Biometrics 48 (1992) 577–585. Their combination
    is this project's own.

    Examples
    --------
    >>> from teachlab.scoring.by_lot import lot_rate
    >>> one, other = lot_rate([0, 4, 0, 3] * 5, [50] * 20), lot_rate([0, 1, 0, 0] * 5, [50] * 20)
    >>> found = unpaired_lots(one, other).difference
    >>> round(found.estimate, 3), found.low < newcombe((35, 1000), (5, 1000)).low
    (0.03, True)
    """
    counts = [(one.naive.events / one.design_effect, one.effective_trials) for one in (first, second)]
    return UnpairedLots(
        design_effects=(first.design_effect, second.design_effect),
        difference=newcombe(counts[0], counts[1], confidence),
    )
