"""Passes that resemble one another: the design effect, and intervals at the effective sample size."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import betaincinv, chdtri, ndtri, stdtrit

from teachlab.errors import ParameterError
from teachlab.model.score import Outcome, Rate, Trials
from teachlab.model.truth import Truth
from teachlab.score.intervals import check_confidence, proportion

ASSURANCE = 0.8
"""Chance with which the design effect used is not below the true one."""
FEW_LOTS = 20
"""Below this many lots the coverage of the interval has not been shown."""
BLOCKS = 40
"""Without lots, this many stretches of consecutive passes are taken as lots."""
SMALLEST_BLOCK = 5


class Source(StrEnum):
    """What the design effect was found from."""

    LOTS = "lots"
    BLOCKS = "blocks"
    PROXY = "proxy"


@dataclass(frozen=True, slots=True, kw_only=True)
class Dependence:
    """A rate when passes of one lot resemble one another.

    Parameters
    ----------
    source : Source
        Lots as labelled, stretches of consecutive passes, or a proxy for the outcome.
    naive : Rate
        As if all passes were independent.
    lots, lots_with_events : int
    measured : float or None
        Design effect as estimated; None without events.
    design_effect : float
        Design effect used: an upper limit, at least 1 and at most that of lots lost as a whole.
    effective_trials : float
        Trials over design effect.
    low, high, upper : float
        Interval and one-sided upper bound at the effective sample size.
    confidence : float
    warnings : tuple of str
    by_proxy : Dependence or None
        Where too few lots hold an event: the same rate under the assumption that losses cluster no more than
        the weakest tenth of the passes does.
    """

    source: Source
    naive: Rate
    lots: int
    lots_with_events: int
    measured: float | None
    design_effect: float
    effective_trials: float
    low: float
    high: float
    upper: float
    confidence: float
    warnings: tuple[str, ...] = ()
    by_proxy: Dependence | None = None

    @property
    def basis(self) -> str:
        """What the design effect rests on, in words."""
        words = {Source.LOTS: "lots", Source.BLOCKS: "stretches of passes", Source.PROXY: "lots or stretches, by proxy"}
        return f"{self.lots} {words[self.source]}"

    def as_dict(self) -> dict[str, Any]:
        """Return the plain JSON form."""
        out: dict[str, Any] = {name: getattr(self, name) for name in self.__slots__}
        return out | {
            "source": str(self.source),
            "basis": self.basis,
            "naive": self.naive.as_dict(),
            "warnings": list(self.warnings),
            "by_proxy": None if self.by_proxy is None else self.by_proxy.as_dict(),
        }


def lot_rate(
    events: ArrayLike, trials: ArrayLike, *, confidence: float = 0.95, source: Source = Source.LOTS
) -> Dependence:
    """Bound a rate from its counts per lot.

    Parameters
    ----------
    events, trials : array_like of int, shape (lots,)
        Lots without trials are left out.
    confidence : float
    source : Source
        What the lots are, for the result.

    Raises
    ------
    ParameterError
        With fewer than two lots: nothing can be known of the spread between them.

    Notes
    -----
    With x_i of m_i passes lost in lot i of L, n = Σ m_i and p = Σ x_i / n, the design effect is
    ``d = L/(L − 1) · Σ (x_i − m_i p)² / (n p (1 − p))`` (Rao & Scott 1992). Few lots with events tell
    little about it, so its upper limit is used: ``d_U = d (a − 1) / χ²_{0.2; a − 1}`` with a the number of
    lots with events, times ``(t_{1−α/2; L−1} / z_{1−α/2})²`` (Korn & Graubard 1998), kept between 1 and
    ``Σ m_i² / n``, the design effect of lots that are lost as a whole; with a < 2 that ceiling is used
    itself. The interval is Clopper and Pearson's at ``(Σ x_i / d_U, n / d_U)``.

    Simulated coverage at nominal 95 % with at least 20 lots of 50, independent or with intra-lot
    correlation 0.05 or 0.2, rates from 0.1 to 5 %: at least 95 % (``benchmarks/coverage_lots.py``); dividing
    by d itself reaches 66 to 96 % there.

    References
    ----------
    Rao and Scott, A simple method for the analysis of clustered binary data, Biometrics 48 (1992) 577–585;
    Korn and Graubard, Confidence intervals for proportions with small expected number of positive counts
    estimated from survey data, Survey Methodology 24 (1998) 193–201. The upper limit is this project's own.

    Examples
    --------
    >>> found = lot_rate([0, 1, 0, 0, 2, 0, 0, 0, 1, 0] * 3, [50] * 30)
    >>> round(found.measured, 2), round(found.naive.high, 4), found.high > found.naive.high
    (1.15, 0.0139, True)
    """
    check_confidence(confidence)
    lost, of = _counts(events, trials)
    if of.size < 2:
        raise ParameterError(
            f"the spread between lots needs at least 2 lots with scored passes, got {of.size}. Name more lots."
        )
    k, n = int(lost.sum()), int(of.sum())
    ceiling = max(1.0, float((of**2).sum()) / n)
    measured = _design_effect(lost, of)
    hit = int(np.count_nonzero(lost))
    used = _upper_limit(measured, hit, of.size, confidence, ceiling)
    return _bounded(k, n, used, measured, hit, of.size, confidence, source)


def blocks_of(outcomes: ArrayLike) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Cut outcomes in time order into stretches that serve as lots; return events and trials of each.

    `BLOCKS` stretches of equal length, fewer where they would be shorter than `SMALLEST_BLOCK` passes.

    Examples
    --------
    >>> events, trials = blocks_of([True] * 3 + [False] * 97)
    >>> events[:2].tolist(), trials.size, int(trials.sum())
    ([3, 0], 20, 100)
    """
    lost = np.asarray(outcomes, bool).reshape(-1)
    blocks = max(1, min(BLOCKS, lost.size // SMALLEST_BLOCK))
    cuts = np.array([k * lost.size // blocks for k in range(blocks + 1)], np.int64)
    before = np.concatenate(([0], np.cumsum(lost)))
    return np.diff(before[cuts]), np.diff(cuts)


def integrated_autocorrelation(values: ArrayLike) -> float | None:
    """Return ``1 + 2 Σ ρ_k`` of a series in time order: how many values are worth one independent value.

    Returns
    -------
    float or None
        None for a constant series or fewer than 4 values. Not below ``1 / n``.

    Notes
    -----
    ρ_k is the autocorrelation about the mean with divisor Σ (y − ȳ)²; the sum ends before the first pair
    ρ_{2j} + ρ_{2j+1} that is not positive.

    References
    ----------
    Geyer, Practical Markov chain Monte Carlo, Statistical Science 7 (1992) 473–483 (initial positive
    sequence).
    """
    y = np.asarray(values, np.float64).reshape(-1)
    if y.size < 4:
        return None
    y = y - y.mean()
    y = y - y.mean()
    total = float(y @ y)
    if not total > 0:
        return None
    size = 1 << (2 * y.size - 1).bit_length()
    power: NDArray[np.float64] = np.abs(np.fft.rfft(y, size)) ** 2
    rho: NDArray[np.float64] = np.fft.irfft(power, size)[: y.size] / total
    pairs = rho[: y.size // 2 * 2].reshape(-1, 2).sum(axis=1)
    last = int(np.argmax(pairs <= 0)) if (pairs <= 0).any() else pairs.size
    found: float = 2 * float(pairs[:last].sum()) - 1
    return float(max(1 / y.size, found))


def autocorrelation(values: ArrayLike, lag: int = 1) -> float | None:
    """Return the autocorrelation at one lag, about the mean, with divisor Σ (y − ȳ)²; None if constant.

    Examples
    --------
    >>> autocorrelation([10000001, 10000003, 10000002])
    -0.5
    """
    y = np.asarray(values, np.float64).reshape(-1)
    # Two passes: the mean of the residuals is not zero to the last digit.
    y = y - y.mean()
    y = y - y.mean()
    total = float(y @ y)
    if not total > 0:
        return None
    return float(y[lag:] @ y[: y.size - lag]) / total


def lost_rate_by_lot(
    truth: Truth, trials: Trials, *, confidence: float = 0.95, proxy: ArrayLike | None = None
) -> Dependence | None:
    """Bound the lost rate with the dependence of neighbouring passes allowed for.

    Parameters
    ----------
    truth : Truth
        Its lots are used if every scored pass has one and there are at least two; else stretches of time.
    trials : Trials
    confidence : float
    proxy : array_like of float, shape (passes of the truth,), optional
        How far every pass reached: where fewer than two lots hold a lost pass, `by_proxy` takes the design
        effect of "among the weakest tenth" for that of "lost". An assumption, named in the result.

    Returns
    -------
    Dependence or None
        None where there are too few passes for two stretches.
    """
    rows = trials.first_pass + np.flatnonzero(
        np.isin(trials.passes, (Outcome.HIT, Outcome.MISS, Outcome.MERGED)) & truth.detect[trials.first_pass :]
    )
    lost = np.isin(trials.passes[rows - trials.first_pass], (Outcome.MISS, Outcome.MERGED))
    code, source = _lot_codes(truth, rows)
    if int(code.max(initial=0)) < 1:
        return None
    events, of = np.bincount(code, lost), np.bincount(code)
    found = lot_rate(events, of, confidence=confidence, source=source)
    if proxy is None or found.lots_with_events >= 2:
        return found
    reach = np.asarray(proxy, np.float64)[rows]
    known = ~np.isnan(reach)
    weak = np.zeros(rows.size, bool)
    weak[known] = reach[known] < np.quantile(reach[known], 0.1) if known.any() else False
    stand_in = np.bincount(code, weak)
    hit = int(np.count_nonzero(stand_in))
    measured = _design_effect(stand_in, of)
    ceiling = max(1.0, float((of.astype(np.float64) ** 2).sum()) / of.sum())
    used = _upper_limit(measured, hit, of.size, confidence, ceiling)
    k, n, with_events = int(lost.sum()), rows.size, found.lots_with_events
    by_proxy = _bounded(k, n, used, measured, with_events, of.size, confidence, Source.PROXY)
    return replace(found, by_proxy=by_proxy)


def exposure(truth: Truth, first_taught: int, stop_taught: int, trials: Trials) -> Mapping[str, tuple[int, int]]:
    """Return how many passes of every lot and label were there in the teach block and in the scored block.

    Parameters
    ----------
    truth : Truth
    first_taught, stop_taught : int
        Passes ``[first, stop)`` that could be taught on.
    trials : Trials
        Of the score.
    """
    scored = np.zeros(truth.passes, bool)
    scored[trials.first_pass :] = trials.passes != Outcome.EXCLUDED
    taught = np.zeros(truth.passes, bool)
    taught[first_taught:stop_taught] = True
    out: dict[str, tuple[int, int]] = {}
    for title, names in (("label", truth.label), ("lot", truth.lot)):
        if names is None:
            continue
        for name in dict.fromkeys(names.tolist()):
            of = names == name
            out[f"{title} {name}".strip()] = (int(np.count_nonzero(of & taught)), int(np.count_nonzero(of & scored)))
    return out


def _lot_codes(truth: Truth, rows: NDArray[np.int64]) -> tuple[NDArray[np.int64], Source]:
    if truth.lot is not None:
        names = [str(name) for name in truth.lot[rows]]
        codes: dict[str, int] = {}
        code = np.array([codes.setdefault(name, len(codes)) for name in names], np.int64)
        if len(codes) > 1 and "" not in codes:
            return code, Source.LOTS
    _, of = blocks_of(np.zeros(rows.size, bool))
    return np.repeat(np.arange(of.size), of), Source.BLOCKS


def _counts(events: ArrayLike, trials: ArrayLike) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    lost = np.asarray(events, np.float64).reshape(-1)
    of = np.asarray(trials, np.float64).reshape(-1)
    if lost.shape != of.shape or (lost < 0).any() or (lost > of).any():
        raise ParameterError("events must be given for every lot and lie between 0 and its trials.")
    return lost[of > 0], of[of > 0]


def _design_effect(lost: NDArray[Any], of: NDArray[Any]) -> float | None:
    n, size = float(of.sum()), of.size
    p = float(lost.sum()) / n
    if not 0 < p < 1:
        return None
    return float(((lost - of * p) ** 2).sum()) * size / (size - 1) / (n * p * (1 - p))


def _upper_limit(measured: float | None, hit: int, lots: int, confidence: float, ceiling: float) -> float:
    if measured is None or hit < 2:
        return ceiling
    few = float(stdtrit(lots - 1, (1 + confidence) / 2) / ndtri((1 + confidence) / 2)) ** 2
    upper = max(1.0, measured) * (hit - 1) / float(chdtri(hit - 1, ASSURANCE))
    return min(ceiling, max(1.0, upper) * few)


def _bounded(
    k: int, n: int, used: float, measured: float | None, hit: int, lots: int, confidence: float, source: Source
) -> Dependence:
    low, high, upper = effective_limits(k / used, n / used, confidence)
    return Dependence(
        source=source,
        naive=proportion(k, n, confidence),
        lots=lots,
        lots_with_events=hit,
        measured=measured,
        design_effect=used,
        effective_trials=n / used,
        low=low,
        high=high,
        upper=upper,
        confidence=confidence,
        warnings=_warnings(lots, hit, source),
    )


def effective_limits(events: float, trials: float, confidence: float) -> tuple[float, float, float]:
    """Return Clopper–Pearson's interval and one-sided upper bound for counts that need not be whole."""
    alpha = 1 - confidence

    def above(tail: float) -> float:
        return 1.0 if events >= trials else float(betaincinv(events + 1, trials - events, 1 - tail))

    low = float(betaincinv(events, trials - events + 1, alpha / 2)) if events > 0 else 0.0
    return low, above(alpha / 2), above(alpha)


def _warnings(lots: int, hit: int, source: Source) -> tuple[str, ...]:
    out = []
    if lots < FEW_LOTS:
        out.append(f"Only {lots} lots: the coverage of this interval has been shown for {FEW_LOTS} and more.")
    if source is Source.PROXY:
        out.append("By proxy: assumes that lost passes cluster in lots no more than the weakest tenth of passes does.")
    elif hit < 2:
        out.append("Too few lots hold an event to tell how they cluster: every lot counts as one trial.")
    if source is Source.BLOCKS:
        out.append("No lots are named: stretches of consecutive passes stand in for them.")
    return tuple(out)
