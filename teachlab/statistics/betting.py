"""Evidence that grows pass by pass and may be read after each pass: a bet against "the rate is at most this limit"."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from teachlab.errors import ParameterError

STAKES = 40
"""Number of stakes among which the money is divided."""
FALSE_ALARM = 0.05
"""Largest probability that the evidence is ever sufficient although the mean of every unit, given those before it, is
at most the limit."""
BOLDEST = 0.99
"""Largest share of the possible loss at one unit that a stake risks."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BettingEvidence:
    """Result of a bet against a limit.

    `limit`: rate that is not exceeded if there is no fault.
    `units`: number of passes, gaps or lots that were bet on.
    `mean`: their mean; None without any.
    `largest`: largest money at any time, starting from 1: the evidence against the limit.
    `last`: money at the end.
    `needed`: one divided by the probability of a false alarm.
    `reached`: index of the unit after which the evidence was first sufficient; None if it never was.
    """

    limit: float
    units: int
    mean: float | None
    largest: float
    last: float
    needed: float
    reached: int | None

    def as_dict(self) -> dict[str, Any]:
        """Return the plain JSON form; money above 1e12 is given as 1e12."""
        out = {name: getattr(self, name) for name in self.__slots__}
        return out | {name: min(out[name], 1e12) for name in ("largest", "last")}


def evidence_above(values: ArrayLike, limit: float) -> BettingEvidence:
    """Bet against a mean of at most `limit`, unit by unit.

    `values` (shape (n,), in [0, 1]): in time order: 1 for a pass that was lost, or the share lost of every lot.
    `limit`: in (0, 1).

    Notes
    -----
    A stake λ turns money M into ``M (1 + λ (x − limit))`` at every unit. If no unit has an expected value above the
    limit, no stake in ``[0, 1/limit)`` wins on average; nor do 40 stakes, spread evenly in their logarithm, that share
    the money. By Ville's inequality the money then exceeds 1/α at any time with a probability of at most α, which is
    `FALSE_ALARM`. This holds for any length of the series, and for any spread of the values in [0, 1]. So shares of
    lots need no assumption about how passes of one lot resemble each other.

    References
    ----------
    Ville, Étude critique de la notion de collectif (1939); Waudby-Smith and Ramdas, Estimating means of bounded random
    variables by betting, Journal of the Royal Statistical Society B 86 (2024) 1–27 (from memory).

    Examples
    --------
    >>> evidence_above([1] * 10, 0.05).reached
    1
    >>> evidence_above([0] * 1000, 0.05).largest
    1.0
    """
    x = np.asarray(values, np.float64).reshape(-1)
    if not 0 < limit < 1:
        raise ParameterError(f"the limit of a rate to be bet against must lie between 0 and 1, got {limit:g}.")
    if not ((x >= 0) & (x <= 1)).all():
        raise ParameterError("values to be bet on must lie between 0 and 1.")
    needed = 1 / FALSE_ALARM
    if x.size == 0:
        return BettingEvidence(limit=limit, units=0, mean=None, largest=1.0, last=1.0, needed=needed, reached=None)
    money = _money(x, limit)
    enough = money >= needed
    return BettingEvidence(
        limit=limit,
        units=int(x.size),
        mean=float(x.mean()),
        largest=max(1.0, float(money.max())),
        last=float(money[-1]),
        needed=needed,
        reached=int(np.argmax(enough)) if enough.any() else None,
    )


def _money(x: NDArray[np.float64], limit: float) -> NDArray[np.float64]:
    """Return the money after every unit, limited to the largest number."""
    # In logarithms: money multiplies with every unit, and a long series takes it beyond the largest number and back.
    log_money = np.full(x.size, -np.inf)
    for stake in np.geomspace(0.01, BOLDEST, STAKES) / limit:
        log_money = np.logaddexp(log_money, np.cumsum(np.log1p(stake * (x - limit))))
    # e^700 is just below the largest number.
    out: NDArray[np.float64] = np.exp(np.minimum(log_money - np.log(STAKES), 700.0))
    return out
