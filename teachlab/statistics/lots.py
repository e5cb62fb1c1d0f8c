"""Rates of events in lots: the design effect, and intervals at the effective sample size."""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Any, ClassVar

import numpy as np
from numpy.typing import ArrayLike, NDArray

from teachlab.errors import ParameterError, check_share
from teachlab.model.json_values import Document
from teachlab.model.printable_text import number_of
from teachlab.model.score import Rate
from teachlab.statistics.design_effect import LotSpread, ceiling_of, spread_of, upper_limit
from teachlab.statistics.intervals import proportion, proportion_limits

FEW_LOTS = 20
"""With fewer lots, the spread between them is itself uncertain, and the coverage of the interval has not been shown."""


BLOCKS, LEAST_BLOCKS = 40, 10
"""Without lots, stretches of passes are used: at most the first number, at least the second where there is room."""


BLOCK_PASSES, SMALLEST_BLOCK = 150, 5
"""Usual length of a stretch where there are more than the least number; and the length below which none goes."""


ASSUMED_ICC = 0.2
"""Intra-lot correlation of losses that is assumed if too few lots hold a loss to measure it: a planning value."""


ASSUMED_LOT = 50
"""Passes per lot that are assumed then if no lots are named: a planning value."""


QUARTERS = 4
"""A comparison joins lots to so many parts of a recording."""


class Source(StrEnum):
    """The source of the design effect."""

    LOTS = "lots"
    BLOCKS = "blocks"
    PROXY = "proxy"

    @property
    def units(self) -> tuple[str, str]:
        """The words for one of the groups of passes, and for several."""
        return ("lot", "lots") if self is Source.LOTS else ("stretch", "stretches")


@dataclass(frozen=True, slots=True, kw_only=True)
class Dependence(Document):
    """A rate when passes of one lot resemble each other.

    `source`: lots as labelled, stretches of consecutive passes, or a proxy for the outcome.
    `naive`: the rate for independent passes.
    `contributing`: how many lots account for the spread: all of them if they deviate equally, 1 if one lot has all the
    deviation.
    `measured`: estimated design effect; None without events.
    `design_effect`: design effect used: an upper limit, at least 1, and at most that of lots that are lost as a whole.
    `effective_trials`: trials divided by the design effect.
    `low`, `high`, `upper`: interval and one-sided upper bound at the effective sample size.
    `assumed_icc`: assumed intra-lot correlation; None if nothing was assumed.
    `governed_by`: which of the assumed design effects is the largest.
    `by_proxy`: the same rate under an assumption about how losses cluster, for cases that the lots seen cannot show:
    where too few lots hold an event, and where the assumption is stricter than what was measured.
    """

    ALSO: ClassVar[tuple[str, ...]] = ("basis", "holds")

    source: Source
    naive: Rate
    lots: int
    lots_with_events: int
    contributing: float
    measured: float | None
    design_effect: float
    effective_trials: float
    low: float
    high: float
    upper: float
    confidence: float
    warnings: tuple[str, ...] = ()
    assumed_icc: float | None = None
    governed_by: str | None = None
    by_proxy: Dependence | None = None

    @property
    def holds(self) -> str:
        """When the bounds hold, in words."""
        each, many = self.source.units
        if self.source is Source.PROXY:
            return f"Valid if losses of one lot correlate by at most {self.assumed_icc:g}"
        if self.lots_with_events < 2:
            return f"Every {each} counts as one trial, since its passes may resemble each other"
        return (
            f"Valid if future {many} lose passes at rates like those recorded. "
            "A rare bad one that was not recorded is not covered"
        )

    @property
    def basis(self) -> str:
        """What the design effect is based on, in words."""
        if self.source is Source.PROXY:
            return str(self.governed_by)
        return f"{self.lots} {'lots' if self.source is Source.LOTS else 'stretches of passes'}"


def lot_rate(
    events: ArrayLike,
    trials: ArrayLike,
    *,
    confidence: float = 0.95,
    source: Source = Source.LOTS,
    icc: float = ASSUMED_ICC,
    weakest: float = 1.0,
    least: float = 1.0,
) -> Dependence:
    """Bound a rate from its counts per lot.

    Parameters
    ----------
    events, trials : array_like of int, shape (lots,)
        Lots without trials are left out.
    confidence : float
    source : Source
        What the lots are; it is written to the result.
    icc : float, in [0, 1]
        `by_proxy` assumes at least this intra-lot correlation of losses.
    weakest : float
        Design effect of the weakest passes, if known; `by_proxy` assumes at least this if too few lots hold an event.
    least : float
        Design effect measured in another way, for clusters shorter than the lots; the larger one is used.

    Raises
    ------
    ParameterError
        With fewer than two lots: then the spread between them is unknown.

    Notes
    -----
    Lot i of L lots loses x_i of m_i passes; n = Σ m_i, p = Σ x_i / n and s_i = (x_i − m_i p)². The design effect is ``d
    = L/(L − 1) · Σ s_i / (n p (1 − p))`` (Rao & Scott 1992). If few lots hold events, or few account for the spread, d
    is uncertain. So an upper limit is used: ``d_U = d (a − 1) / χ²_{0.4; a − 1}``, where a is the smaller of the number
    of lots with events and ``(Σ s_i)² / Σ s_i²``, times ``(t_{1−α/2; a−1} / z_{1−α/2})²`` (after Korn & Graubard 1998).
    It is kept between 1 and ``Σ m_i² / n``, the design effect of lots that are lost as a whole. If a < 2, that ceiling
    itself is used. The interval is Clopper and Pearson's at ``(Σ x_i / d_U, n / d_U)``.

    Simulated coverage at nominal 95 % is at least 95 % (one-sided 93.9 %) with 20 or more lots of 50 or more passes,
    independent or with intra-lot correlation 0.05 or 0.2, and rates from 0.1 to 5 %, if the lots are of one kind:
    beta-binomial, logit-normal, runs of losses, a share of bad lots among perfect ones, unequal sizes, or one lot ten
    times as large (``benchmarks/coverages/lots.py``). Dividing by d itself covers only 66 to 96 % there. Coverage falls
    to 65 % where rare bad lots come among lots that lose a few passes: those make d small, and data without a
    rare bad lot cannot show it.

    `by_proxy` is for this case. Its design effect is at least ``1 + (m − 1) icc`` (Kish 1965) with ``m = Σ m_i² / n``
    for lots and 50 for stretches of time, whatever was measured. If fewer than two lots hold an event: without
    `by_proxy` every lot counts as one trial; with it, `weakest` and the design effect of the observed events count too.
    It is valid if losses of a lot correlate by at most icc; then it covers at least 96.6 % with rare bad lots as well.

    References
    ----------
    Rao and Scott, A simple method for the analysis of clustered binary data, Biometrics 48 (1992) 577–585;
    Korn and Graubard, Confidence intervals for proportions with small expected number of positive counts
    estimated from survey data, Survey Methodology 24 (1998) 193–201; Kish, Survey Sampling (1965), chapter 5. The
    upper limit, and the assumed correlation of 0.2 in lots of 50, are this project's own, the latter without source.

    Examples
    --------
    >>> found = lot_rate([0, 1, 0, 0, 2, 0, 0, 0, 1, 0] * 3, [50] * 30)
    >>> round(found.measured, 2), round(found.naive.high, 4), found.high > found.naive.high
    (1.15, 0.0139, True)
    """
    check_share("confidence", confidence)
    if not 0 <= icc <= 1:
        raise ParameterError(f"icc must lie between 0 and 1, got {icc:g}.")
    lost, of = checked_counts(events, trials)
    if of.size < 2:
        raise ParameterError(
            f"the spread between lots needs at least 2 lots with scored passes, got {of.size}. Name more lots."
        )
    ceiling, spread = ceiling_of(of), spread_of(lost, of, least)
    used = upper_limit(spread, confidence, ceiling)
    found = _bounded(lost, of, used, spread, confidence, source)
    # Kish's design effect 1 + (m − 1) · icc, where m is the largest lot: what cannot be measured is assumed.
    floor = 1 + ((ceiling if source is Source.LOTS else ASSUMED_LOT) - 1) * icc
    # A stretch is no lot: short stretches do not limit what is assumed of lots of 50.
    most = ceiling if source is Source.LOTS else max(ceiling, floor)
    candidates = {f"an assumed intra-lot correlation of {icc:g}": floor}
    if spread.hit < 2:
        # If fewer than two lots lost a pass, the spread is unknown: use the largest of the assumed, observed and
        # suggested effects.
        candidates |= {"the losses seen": spread.effect or 1.0, "the weakest tenth of the passes": weakest}
    elif floor <= used:
        return found
    governed_by = max(candidates, key=lambda name: candidates[name])
    assumed = min(candidates[governed_by], most, float(of.sum()))
    by_proxy = _bounded(lost, of, assumed, spread, confidence, Source.PROXY)
    return replace(
        found,
        by_proxy=replace(
            by_proxy, assumed_icc=icc, governed_by=governed_by, warnings=(_assumption(icc, source, spread.hit),)
        ),
    )


def _assumption(icc: float, source: Source, hit: int) -> str:
    lots = "lot" if source is Source.LOTS else f"lot of {ASSUMED_LOT} passes"
    if hit < 2:
        return (
            f"Assumes that losses of one {lots} correlate by at most {icc:g}, and cluster no more than the weakest "
            "tenth of the passes does; no data without losses shows it."
        )
    return (
        f"Assumes that losses of one {lots} correlate by at most {icc:g}: allows for a rare bad lot that was not among "
        "those recorded, which no measured spread does."
    )


def blocks_of(outcomes: ArrayLike) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Divide outcomes in time order into stretches that replace lots; return events and trials of each.

    The stretches are of equal length: as many as have `BLOCK_PASSES` passes, at most `BLOCKS` and at least
    `LEAST_BLOCKS`; fewer only if they would be shorter than `SMALLEST_BLOCK` passes. Stretches longer than the unnamed
    lots split few of these lots. Stretches that split every lot would hide that its passes resemble each other.

    Examples
    --------
    >>> events, trials = blocks_of([True] * 3 + [False] * 97)
    >>> events[:2].tolist(), trials.size, int(trials.sum())
    ([3, 0], 10, 100)
    """
    lost = np.asarray(outcomes, bool).reshape(-1)
    fewest = min(LEAST_BLOCKS, lost.size // SMALLEST_BLOCK)
    blocks = max(1, min(BLOCKS, max(fewest, lost.size // BLOCK_PASSES)))
    # Whole numbers throughout: lengths differ by at most one, for any number of passes.
    cuts = np.array([k * lost.size // blocks for k in range(blocks + 1)], np.int64)
    before = np.concatenate(([0], np.cumsum(lost)))
    return np.diff(before[cuts]), np.diff(cuts)


def quarters(lots: int) -> NDArray[np.int64]:
    """Return the quarter of the recording to which each lot, or stretch, belongs.

    Lines drift, and few large parts depend on each other least.

    Examples
    --------
    >>> quarters(10).tolist(), quarters(3).tolist()
    ([0, 0, 0, 1, 1, 2, 2, 2, 3, 3], [0, 1, 2])

    References
    ----------
    Ibragimov and Müller, t-statistic based correlation and heterogeneity robust inference, Journal of Business &
    Economic Statistics 28 (2010) 453–468 (from memory).
    """
    return np.arange(lots) * min(QUARTERS, lots) // max(1, lots)


def quarter_means(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the means of one or more values of lots, or stretches, over the quarters of the recording.

    Examples
    --------
    >>> quarter_means(np.array([1.0, 3.0, 5.0, 6.0, 7.0])).tolist()
    [2.0, 5.0, 6.0, 7.0]
    """
    part = quarters(values.size)
    means: NDArray[np.float64] = np.bincount(part, values) / np.bincount(part)
    return means


def checked_counts(events: ArrayLike, trials: ArrayLike) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return events and trials of the lots that hold trials, refused where they cannot be counts of the same lots."""
    lost = np.asarray(events, np.float64).reshape(-1)
    of = np.asarray(trials, np.float64).reshape(-1)
    if lost.shape != of.shape or (lost < 0).any() or (lost > of).any():
        raise ParameterError("events must be given for every lot and lie between 0 and its trials.")
    return lost[of > 0], of[of > 0]


def _bounded(
    lost: NDArray[Any], of: NDArray[Any], used: float, spread: LotSpread, confidence: float, source: Source
) -> Dependence:
    k, n = int(lost.sum()), int(of.sum())
    # The interval of k of n passes, treated as k / d of n / d independent ones.
    low, high, upper = proportion_limits(k / used, n / used, confidence)
    return Dependence(
        source=source,
        naive=proportion(k, n, confidence),
        lots=of.size,
        lots_with_events=spread.hit,
        contributing=spread.contributing,
        measured=spread.effect,
        design_effect=used,
        effective_trials=n / used,
        low=low,
        high=high,
        upper=upper,
        confidence=confidence,
        warnings=_warnings(of.size, spread.hit, source),
    )


def few_lots(lots: int, source: Source) -> list[str]:
    """Return what to say of an interval by so few named lots."""
    if source is not Source.LOTS or lots >= FEW_LOTS:
        return []
    return [f"Only {number_of(lots, 'lot')}: the coverage of this interval has been shown for {FEW_LOTS} and more."]


def _warnings(lots: int, hit: int, source: Source) -> tuple[str, ...]:
    if source is Source.PROXY:
        return ()
    out = few_lots(lots, source)
    each, many = source.units
    if hit < 2:
        out.append(f"Too few {many} hold an event to show how they cluster: every {each} counts as one trial.")
    else:
        out.append(
            f"As measured. Valid if future {many} lose passes at rates like those recorded; "
            "a rare bad one is not covered."
        )
    if source is Source.BLOCKS:
        out.append("No lots are named: stretches of consecutive passes are used in their place.")
    return tuple(out)
