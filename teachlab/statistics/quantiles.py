"""Quantiles that occurred, with intervals by order statistics: valid for any distribution."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from teachlab.errors import ParameterError, check_share
from teachlab.model.json_values import Document

LOW, HIGH = 0.05, 0.95
"""Ends of the spread."""


def quantile_limits(ascending: NDArray[np.float64], share: float, tail: float) -> tuple[float | None, float | None]:
    """Return order statistics below and above a quantile, each wrong with a probability of at most `tail`.

    `ascending` (shape (n,)): sorted values of independent draws; equal values are allowed.
    `share` (in (0, 1)): which quantile.
    `tail`: in (0, 0.5).
    `low`, `high`: None if even the smallest (largest) value is wrong more often.

    Notes
    -----
    The probability that at most k of n values lie at or below the quantile is binomial. So the l-th value is a lower
    limit if ``P(B <= l − 1) <= tail``, and the u-th an upper limit if ``P(B >= u) <= tail``.

    References
    ----------
    David and Nagaraja, Order Statistics, 3rd ed. (2003), section 7.1.
    """
    from scipy.stats import binom

    n = int(ascending.size)
    if n == 0:
        return None, None
    lower, upper = int(binom.ppf(tail, n, share)), int(binom.ppf(1 - tail, n, share)) + 1
    low = float(ascending[lower - 1]) if lower >= 1 else None
    return low, float(ascending[upper - 1]) if upper <= n else None


@dataclass(frozen=True, slots=True, kw_only=True)
class QuantileSpread(Document):
    """Median, and the spread from the 5 % to the 95 % quantile, of values that occurred.

    `median`, `median_low`, `median_high`: None if there are too few values for a limit.
    `spread`, `spread_low`, `spread_high`: ``p95 − p05``; the limits combine those of both ends, each with half the
    probability of error.
    `confidence`: confidence of both intervals, if the values are independent.
    """

    count: int
    median: float
    median_low: float | None
    median_high: float | None
    p05: float
    p95: float
    spread: float
    spread_low: float | None
    spread_high: float | None
    confidence: float

    @classmethod
    def of(cls, values: ArrayLike, *, confidence: float = 0.95) -> QuantileSpread | None:
        """Describe values; None without any.

        Raises ParameterError if a value is NaN.

        Examples
        --------
        >>> QuantileSpread.of([3.0, 1.0, 2.0]).median
        2.0
        """
        check_share("confidence", confidence)
        ascending = np.sort(np.asarray(values, np.float64).reshape(-1))
        if ascending.size == 0:
            return None
        if np.isnan(ascending[-1]):
            raise ParameterError("values to be described must be numbers, got NaN.")
        alpha = 1 - confidence
        median = quantile_limits(ascending, 0.5, alpha / 2)
        # Two ends on either side: each may be wrong half as often.
        bottom, top = (quantile_limits(ascending, share, alpha / 4) for share in (LOW, HIGH))
        p05, middle, p95 = (float(v) for v in np.quantile(ascending, (LOW, 0.5, HIGH), method="inverted_cdf"))
        return cls(
            count=int(ascending.size),
            median=middle, median_low=median[0], median_high=median[1],
            p05=p05, p95=p95, spread=p95 - p05,
            spread_low=None if top[0] is None or bottom[1] is None else max(0.0, top[0] - bottom[1]),
            spread_high=None if top[1] is None or bottom[0] is None else top[1] - bottom[0],
            confidence=confidence,
        )  # fmt: skip

    def times(self, factor: float) -> QuantileSpread:
        """Return the same in another unit; `factor` above 0."""
        scaled: dict[str, Any] = {
            name: None if (value := getattr(self, name)) is None else value * factor
            for name in self.__slots__
            if name not in ("count", "confidence")
        }
        return QuantileSpread(count=self.count, confidence=self.confidence, **scaled)


def least_values(confidence: float) -> int:
    """Return the smallest number of values with which the spread has an upper limit at this two-sided confidence."""
    check_share("confidence", confidence)
    return int(np.ceil(np.log((1 - confidence) / 4) / np.log(HIGH)))
