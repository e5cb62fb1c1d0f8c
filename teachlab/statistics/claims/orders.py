"""Which of two settings costs less, and how much one costs: bounds and tests by lots."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import stdtr, stdtrit

from teachlab.errors import ParameterError
from teachlab.model.json_values import Document
from teachlab.model.score import check_confidence
from teachlab.statistics.lots import Source
from teachlab.statistics.paired_tests import holm

ORDER_LOTS = 10
"""Fewer lots, or stretches, order nothing."""
ORDER_ALPHA = 0.05


class OrderStanding(StrEnum):
    """How sure it is that one setting costs less than another."""

    ESTABLISHED = "established"
    LIKE_THOSE = "for lots like those recorded"
    HERE = "in this recording"
    OPEN = "not established"


@dataclass(frozen=True, slots=True, kw_only=True)
class Order(Document):
    """Two settings by what they cost on the same lots.

    Parameters
    ----------
    standing : Standing
    difference : float or None
        Mean over the lots of cost per pass, the first less the second; None without lots.
    p, p_adverse : float
        Two-sided, corrected for all orders of the run; the second with one adverse lot added.
    lots : int
    source : Source
    """

    standing: OrderStanding
    difference: float | None
    p: float
    p_adverse: float
    lots: int
    source: Source


@dataclass(frozen=True, slots=True, kw_only=True)
class CostBound(Document):
    """What one setting costs per pass, with one-sided bounds by lots.

    Parameters
    ----------
    mean : float or None
    low, upper : float
        Each at `confidence`; infinite where fewer than two lots tell of the spread.
    lots : int
    source : Source
    confidence : float
    """

    mean: float | None
    low: float
    upper: float
    lots: int
    source: Source
    confidence: float


def cost_bound(costs: ArrayLike, *, confidence: float = 0.95, source: Source = Source.LOTS) -> CostBound:
    """Bound the mean cost per pass of lots by the t distribution.

    Parameters
    ----------
    costs : array_like of float, shape (lots,)
        Cost per pass of every lot.
    confidence : float
        One-sided.
    source : Source

    Notes
    -----
    ``mean ± t_{1−α; L−1} sd / √L``.

    References
    ----------
    "Student", The probable error of a mean, Biometrika 6 (1908) 1–25.

    Examples
    --------
    >>> found = cost_bound([0.0, 0.1, 0.0, 0.1])
    >>> round(found.low, 4), round(found.upper, 4)
    (-0.0179, 0.1179)
    """
    check_confidence(confidence)
    values = np.asarray(costs, np.float64).reshape(-1)
    mean = float(values.mean()) if values.size else None
    if values.size < 2 or mean is None:
        return CostBound(mean=mean, low=-np.inf, upper=np.inf, lots=values.size, source=source, confidence=confidence)
    reach = float(stdtrit(values.size - 1, confidence)) * float(values.std(ddof=1)) / values.size**0.5
    return CostBound(
        mean=mean, low=mean - reach, upper=mean + reach, lots=values.size, source=source, confidence=confidence
    )


def orders(
    differences: Sequence[ArrayLike], *, source: Source = Source.LOTS, worst: float = 1.0, alpha: float = ORDER_ALPHA
) -> list[Order]:
    """Say of every pair of neighbours whether their order is established.

    Parameters
    ----------
    differences : sequence of array_like of float, shape (lots,)
        For every pair, cost per pass of the first less that of the second, in every whole lot.
    source : Source
        Named lots, or stretches of the recording where nobody named any.
    worst : float
        Difference in the adverse lot: the cost of an error in every pass.
    alpha : float

    Notes
    -----
    Two-sided t over at least 10 lots, corrected by Holm over the pairs. *Established* where it also holds with one
    more lot added in which the difference is `worst` against the order: a rare bad lot that was not among those
    recorded. Without that lot it holds *for lots like those recorded*, by stretches *in this recording*. Simulated:
    ``benchmarks/coverages/verdicts.py``. It orders settings, not strategies.

    References
    ----------
    Holm, A simple sequentially rejective multiple test procedure, Scandinavian Journal of Statistics 6 (1979) 65–70.
    The adverse lot is this project's own.

    Examples
    --------
    >>> found = orders([[-0.1, -0.12] * 20, [0.0] * 40])
    >>> [str(one.standing) for one in found]
    ['established', 'not established']
    """
    if not worst > 0:
        raise ParameterError(f"the cost of an error in every pass must be above 0, got {worst:g}.")
    values = [np.asarray(d, np.float64).reshape(-1) for d in differences]
    if not values:
        return []
    plain = holm([_p(d) if d.size >= ORDER_LOTS else 1.0 for d in values])
    adverse = holm([_p(_with_adverse(d, worst)) if d.size >= ORDER_LOTS else 1.0 for d in values])
    out = []
    for d, p, p_adverse in zip(values, plain.tolist(), adverse.tolist(), strict=True):
        if p >= alpha:
            standing = OrderStanding.OPEN
        elif source is not Source.LOTS:
            standing = OrderStanding.HERE
        else:
            standing = OrderStanding.ESTABLISHED if p_adverse < alpha else OrderStanding.LIKE_THOSE
        out.append(
            Order(
                standing=standing,
                difference=float(d.mean()) if d.size else None,
                p=float(p),
                p_adverse=float(p_adverse),
                lots=d.size,
                source=source,
            )
        )
    return out


def _with_adverse(d: NDArray[np.float64], worst: float) -> NDArray[np.float64]:
    return np.append(d, -worst if d.mean() > 0 else worst)


def _p(d: NDArray[np.float64]) -> float:
    """Return the two-sided p of Student's t against a mean of 0; lots that all differ alike leave no doubt."""
    mean, sd = float(d.mean()), float(d.std(ddof=1))
    if mean == 0 or abs(mean) <= 1e-12 * float(np.abs(d).max(initial=0.0)):
        return 1.0
    # Equal values leave a spread of rounding alone.
    if sd <= 1e-12 * abs(mean):
        return 0.0
    return 2 * float(stdtr(d.size - 1, -abs(mean) / sd * d.size**0.5))
