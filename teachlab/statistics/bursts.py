"""Events in bursts: bounds of a count per time, or per pass, from the spread of the counts between stretches."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import ClassVar

import numpy as np
from numpy.typing import ArrayLike

from teachlab.errors import ParameterError, check_share
from teachlab.model.json_values import Document
from teachlab.model.score import CountRate
from teachlab.statistics.design_effect import contributing, inflated
from teachlab.statistics.intervals import count, count_limits
from teachlab.statistics.lots import Source, few_lots


@dataclass(frozen=True, slots=True, kw_only=True)
class Bursts(Document):
    """A count per exposure when events come in bursts, with its bounds.

    `source`: lots as labelled, or stretches of time.
    `naive`: the bound for independent events.
    `contributing`: how many lots account for the spread.
    `measured`: variance over mean of the counts per lot; None without events.
    `design_effect`: upper limit of the design effect, at least 1, which is used. None if too few lots hold an event:
    then there is no bound.
    `low`, `high`, `upper`: interval and one-sided upper bound; `high` and `upper` may be infinite.
    """

    ALSO: ClassVar[tuple[str, ...]] = ("basis", "holds")

    source: Source
    naive: CountRate
    lots: int
    lots_with_events: int
    contributing: float
    measured: float | None
    design_effect: float | None
    low: float
    high: float
    upper: float
    confidence: float
    warnings: tuple[str, ...] = ()

    @property
    def basis(self) -> str:
        """What the design effect is based on, in words."""
        return f"{self.lots} {'lots' if self.source is Source.LOTS else 'stretches of time'}"

    @property
    def holds(self) -> str:
        """When the bounds hold, in words."""
        if self.design_effect is None:
            return "No bound: a burst may have any size, and too few lots hold one to measure it"
        return (
            f"Valid if future {self.source.units[1]} hold bursts like those recorded. "
            "A rare large one that was not recorded is not covered"
        )


def burst_rate(
    events: ArrayLike,
    exposure: ArrayLike,
    *,
    confidence: float = 0.95,
    per: str = "hour",
    source: Source = Source.LOTS,
) -> Bursts:
    """Bound a count per exposure from its counts per lot, or per stretch of time.

    Parameters
    ----------
    events : array_like of int, shape (lots,)
    exposure : array_like of float, shape (lots,)
        Hours, passes and so on; lots without exposure are left out.
    confidence : float
    per : str
        Unit of the exposure.
    source : Source
        What the lots are; it is written to the result.

    Raises
    ------
    ParameterError
        With fewer than two lots, or counts or exposures below 0.

    Notes
    -----
    Lot i has x_i events in exposure e_i; k = Σ x_i and T = Σ e_i. The design effect is the variance over the mean, ``d
    = L/(L − 1) · Σ (x_i − e_i k/T)² / k``. Its upper limit is that of `lot_rate`, and the interval is Garwood's at ``(k
    / d_U, T / d_U)``. A burst may be of any size. So if fewer than two lots account for the spread, there is no bound
    unless events are assumed to be independent; that bound is `naive`.

    Simulated coverage at nominal 95 % with 20 or more stretches: ``benchmarks/coverages/bursts.py``.

    References
    ----------
    McCullagh and Nelder, Generalized Linear Models (1989), section 6.2 (variance proportional to the mean);
    Garwood, Biometrika 28 (1936) 437–442. The upper limit is this project's own.

    Examples
    --------
    >>> found = burst_rate([0, 6, 0, 0, 5, 0, 0, 4, 0, 7] * 2, [1.0] * 20)
    >>> round(found.measured, 2), round(found.naive.upper, 2), round(found.upper, 2)
    (3.71, 2.83, 4.25)
    """
    check_share("confidence", confidence)
    x, e = np.asarray(events, np.float64).reshape(-1), np.asarray(exposure, np.float64).reshape(-1)
    if x.shape != e.shape or (x < 0).any() or not (e >= 0).all() or (x[e == 0] > 0).any():
        raise ParameterError("events and exposure must be given for every lot, at least 0, no event without exposure.")
    x, e = x[e > 0], e[e > 0]
    if x.size < 2:
        raise ParameterError(f"the spread between lots needs at least 2 lots with exposure, got {x.size}.")
    k, total, hit = int(x.sum()), float(e.sum()), int(np.count_nonzero(x))
    squares = (x - e * (k / total)) ** 2
    measured = float(squares.sum()) * x.size / (x.size - 1) / k if k else None
    carried = contributing(squares, hit)
    # If one lot holds all events, the size of other bursts is unknown: no bound is better than one that only looks
    # exact.
    used = None if measured is None or carried < 2 else inflated(measured, carried, confidence)
    low, high, upper = (0.0, math.inf, math.inf) if used is None else count_limits(k / used, total / used, confidence)
    return Bursts(
        source=source,
        naive=count(k, total, confidence, per=per),
        lots=x.size,
        lots_with_events=hit,
        contributing=carried,
        measured=measured,
        design_effect=used,
        low=low,
        high=high,
        upper=upper,
        confidence=confidence,
        warnings=_warnings(x.size, used, source),
    )


def _warnings(lots: int, used: float | None, source: Source) -> tuple[str, ...]:
    out = few_lots(lots, source)
    if used is None:
        out.append(
            f"Too few {source.units[1]} hold an event to show how events cluster: no bound without the assumption "
            "that they come one by one."
        )
    if source is Source.BLOCKS:
        out.append("No lots are named: stretches of consecutive gaps or passes are used in their place.")
    return tuple(out)
