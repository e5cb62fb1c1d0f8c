"""Beyond the data: a model-based bound on the share of passes below a level that no pass has reached yet."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import betaincinv, chdtrc, chdtri

from teachlab.errors import Abstained, check_share
from teachlab.model.json_values import Document
from teachlab.model.printable_text import in_figures, number_of

LEAST_PASSES = 200
CLUSTERED = 0.05
"""If the weak passes are spread over lots so unevenly that chance does this less often, the tail gives no bound."""
TAIL_SHARE = 0.1
"""The weakest tenth of the passes forms the tail."""
LEAST_EXCESSES = 10
"""A tail is fitted to at least this number of peaks."""
DECADES = 1.0
"""How many decades below 1 / n a bound may lie."""
DRIFT_P = 0.01
PROFILE_CONFIDENCE = 0.99
SHAPES: NDArray[np.float64] = np.linspace(-0.9, 1.5, 121)
"""Shapes over which the likelihood is profiled; below −1 it has no maximum."""
LABEL = "model-based, indicative, for conditions like those recorded"

Values = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class TailFit:
    """A generalised Pareto distribution fitted to a tail above a threshold.

    `scale`, `shape`: shape ξ: above 0 a heavy tail, 0 exponential, below 0 a tail with an end.
    """

    scale: float
    shape: float
    log_likelihood: float


@dataclass(frozen=True, slots=True, kw_only=True)
class TailBound(Document):
    """An upper bound on the share of passes whose peak lies below a level.

    `bound`: bound by the envelope rule.
    `exact`: exact one-sided bound from the count only: this is the claim.
    `exponential`, `pareto`: bounds of the two models of the tail.
    `confidence`: of the exact and the exponential bound.
    `passes`, `tail`: number of passes, and number of those in the tail.
    `threshold`: where the tail begins, in the unit of the peaks.
    `fit`: generalised Pareto distribution of the tail.
    `label`: what this number is, in words.
    """

    bound: float
    exact: float
    exponential: float
    pareto: float
    confidence: float
    passes: int
    tail: int
    threshold: float
    fit: TailFit
    label: str = LABEL


def tail_bound(
    peaks: ArrayLike,
    level: float,
    *,
    confidence: float = 0.95,
    check_drift: bool = True,
    lots: ArrayLike | None = None,
) -> TailBound:
    """Bound the share of passes with a peak below `level`, from passes that are all above it.

    Parameters
    ----------
    peaks : array_like of float, shape (n,), recording units
        Sustained peaks of the passes in time order, with light turned so that objects raise it; NaN is left out.
    level : float, recording units
        Level below every peak, turned in the same way.
    confidence : float
    check_drift : bool
        Whether to refuse peaks with a trend.
    lots : array_like of int, shape (n,), optional
        Lot, or stretch of passes, of every peak. Weak passes that cluster in some lots are refused.

    Raises
    ------
    Abstained
        Fewer than 200 passes, a trend in the peaks, weak passes that cluster, a pass below the level, a tail without
        spread, or a bound more than one decade below 1 / n.

    Notes
    -----
    u is the 10 % quantile, with k peaks below it; the excesses are ``y = u − P``, and ``x = u − level``. The bound is
    ``min(CP, max(E, G))``. CP is the exact bound of 0 in n. ``E = φ_U exp(−x / b_U)`` with ``b_U = 2 Σ y / χ²_{1 − C;
    2k}``, where φ_U is the exact upper bound of k in n. ``G = φ_U S_U``, where S_U is the upper end of the profile
    likelihood interval (99 %) of the generalised Pareto survival ``(1 + ξ x / β)^(−1/ξ)``.

    Simulated coverage at nominal 95 % in five families of peaks is stored in ``benchmarks/coverages/tail.json``.

    References
    ----------
    Coles, An Introduction to Statistical Modeling of Extreme Values (2001), chapter 4. The envelope is this
    project's own rule.

    Examples
    --------
    >>> peaks = np.random.default_rng(1).normal(100, 5, 1000)
    >>> found = tail_bound(peaks, 78)
    >>> found.bound < found.exact, found.label
    (True, 'model-based, indicative, for conditions like those recorded')
    """
    check_share("confidence", confidence)
    values = np.asarray(peaks, np.float64).reshape(-1)
    known = ~np.isnan(values)
    values = values[known]
    n = values.size
    _refuse(values, level, check_drift=check_drift)
    threshold = float(np.quantile(values, TAIL_SHARE))
    if lots is not None:
        _refuse_clusters(values < threshold, np.asarray(lots).reshape(-1)[known])
    excess = threshold - values[values < threshold]
    k, reach = excess.size, threshold - level
    if k < LEAST_EXCESSES or not excess.max() > 0:
        below = f"{k} peaks below their {100 * TAIL_SHARE:g} % quantile"
        raise Abstained("the weakest passes do not spread", below, f"at least {LEAST_EXCESSES}")
    # No peak among n lies below the level: this is all that the exact bound uses. The model may only improve on it.
    exact = 1 - (1 - confidence) ** (1 / n)
    # The share in the tail, bounded from above, times the probability that a peak of the tail reaches the level.
    share = float(betaincinv(k + 1, n - k, confidence))
    # The sum of k exponential excesses has a chi-square distribution with 2k degrees of freedom: an exact limit of the
    # scale.
    scale = 2 * float(excess.sum()) / float(chdtri(2 * k, confidence))
    exponential = share * math.exp(-reach / scale)
    fit, survival = _profile_upper(excess, reach)
    bound = min(exact, max(exponential, share * survival))
    if bound < 10**-DECADES / n:
        raise Abstained(
            "the bound lies too far beyond the data",
            f"{in_figures(bound, 2)} from {number_of(n, 'pass', 'passes')}",
            f"at least {in_figures(10**-DECADES / n, 2)}, one decade below 1 / n; claim that instead, or record more",
        )
    return TailBound(
        bound=bound,
        exact=exact,
        exponential=exponential,
        pareto=share * survival,
        confidence=confidence,
        passes=n,
        tail=k,
        threshold=threshold,
        fit=fit,
    )


def _refuse_clusters(weak: NDArray[np.bool_], lots: NDArray[Any]) -> None:
    """Refuse weak passes that cluster in some lots more than chance explains."""
    _, code = np.unique(lots, return_inverse=True)
    of, found = np.bincount(code), np.bincount(code, weak)
    share = float(weak.mean())
    if of.size < 2 or not 0 < share < 1:  # passes that are all as weak cluster nowhere
        return
    expected = of * share
    # Pearson's chi-square test on weak and other passes of every lot.
    chi_square = float(((found - expected) ** 2 / expected).sum() / (1 - share))
    chance = float(chdtrc(of.size - 1, chi_square))
    if chance < CLUSTERED:
        raise Abstained(
            "weak passes cluster: those of one lot, or of one stretch, are similar",
            f"the weakest tenth lies unevenly in {number_of(of.size, 'lot')} or stretches (chance {chance:.2g})",
            f"a chance of at least {CLUSTERED:g}; claim by lots instead",
        )


def _refuse(values: Values, level: float, *, check_drift: bool) -> None:
    n = values.size
    if n < LEAST_PASSES:
        raise Abstained("too few passes to look beyond them", f"{n} passes", f"at least {LEAST_PASSES}")
    lowest = float(values.min())
    if not lowest > level:
        below = int(np.count_nonzero(values <= level))
        raise Abstained(
            "the level is not beyond the data", f"{below} of {n} peaks at or below it", "none; use the exact bound"
        )
    if check_drift:
        from scipy.stats import kendalltau

        tau, p = kendalltau(np.arange(n), values)
        if p < DRIFT_P:
            raise Abstained(
                "the peaks drift, so they have no single tail",
                f"rank correlation with time {tau:.2g}, p {'< 1e-6' if p < 1e-6 else f'= {p:.2g}'}",
                f"p of at least {DRIFT_P:g}: find the cause, or bound each stretch by itself",
            )


def _profile_upper(excess: Values, reach: float) -> tuple[TailFit, float]:
    """Return the fit, and the upper end of the profile likelihood interval of the survival at `reach`."""
    from scipy.optimize import brentq, minimize_scalar

    def profile(log_survival: float) -> float:
        return float(_likelihoods(excess, reach, log_survival).max())

    # The likelihood has one maximum in the survival; outside of −60 … 0 there is none.
    coarse = np.linspace(-60, -1e-4, 41)
    best = int(np.argmax([profile(s) for s in coarse]))
    around = coarse[max(0, best - 1)], coarse[min(coarse.size - 1, best + 1)]
    top = minimize_scalar(lambda s: -profile(s), bounds=around, method="bounded", options={"xatol": 1e-4})
    peak, at = -float(top.fun), float(top.x)
    # Profile likelihood: at the limit, the best fit with that survival is worse than the best of all by this much.
    drop = peak - float(chdtri(1, 1 - PROFILE_CONFIDENCE)) / 2
    high = -1e-9
    upper = high if profile(high) > drop else float(brentq(lambda s: profile(s) - drop, at, high, xtol=1e-4))
    likely = _likelihoods(excess, reach, at)
    shape = float(SHAPES[np.argmax(likely)])
    fit = TailFit(scale=float(_scales(reach, at)[np.argmax(likely)]), shape=shape, log_likelihood=peak)
    return fit, math.exp(upper)


def _scales(reach: float, log_survival: float) -> Values:
    """Return the scale of every shape at which the survival at `reach` is as given."""
    grown = -SHAPES * log_survival
    # x ξ / (S^−ξ − 1), and x / −ln S for ξ = 0.
    safe = np.where(np.abs(grown) < 1e-12, 1.0, grown)
    return reach / -log_survival * np.where(np.abs(grown) < 1e-12, 1.0, safe / np.expm1(safe))


def _likelihoods(excess: Values, reach: float, log_survival: float) -> Values:
    """Return the log-likelihood of every shape; minus infinity if the tail would end before the data."""
    scale = _scales(reach, log_survival)
    with np.errstate(divide="ignore", invalid="ignore"):
        grown = SHAPES[:, None] * excess[None, :] / scale[:, None]
        logs = np.where(np.abs(SHAPES[:, None]) < 1e-12, excess[None, :] / scale[:, None], np.log1p(grown))
        power = np.where(np.abs(SHAPES) < 1e-12, 1.0, 1 + 1 / np.where(SHAPES == 0, 1.0, SHAPES))
        out = -excess.size * np.log(scale) - power * logs.sum(axis=1)
    return np.where(np.isfinite(out), out, -np.inf)
