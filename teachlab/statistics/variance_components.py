"""How much of a spread lies between people, shifts or lots, and whether taught settings lose the same passes."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import ClassVar

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import fdtrc, fdtri

from teachlab.errors import Abstained, ParameterError, check_share
from teachlab.model.arrays import Floats
from teachlab.model.json_values import Document
from teachlab.model.printable_text import number_of

ASSUMES = (
    "groups, and values within a group, are normal: the interval is exact then and wide enough for bounded ones, but "
    "too narrow where groups are skew or have long tails"
)
"""When the interval of a share is valid."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Components(Document):
    """Variance components of a one-way random-effects analysis of variance.

    `groups`, `values`: k groups of N values in all.
    `mean` (unit of the values): of all values.
    `between_ss`, `within_ss`: sums of squares; the mean squares divide them by k − 1 and N − k.
    `f`, `p`: F ratio and its p-value; None if no group varies within itself.
    `size`: n₀: the effective group size; the common size if all groups are equal.
    `between_sd`, `repeatability_sd`, `reproducibility_sd` (unit of the values): between groups; within a group; and
    both together, which is the spread of one value from any group.
    `share`: intraclass share: the part of the variance that lies between groups. None if all values are equal.
    `share_low`, `share_high`: its exact interval.
    `negative`: whether the estimated variance between groups was below 0 and was set to 0.
    """

    ALSO: ClassVar[tuple[str, ...]] = ("assumes",)
    assumes: ClassVar[str] = ASSUMES

    groups: int
    values: int
    mean: float
    between_ss: float
    within_ss: float
    between_ms: float
    within_ms: float
    f: float | None
    p: float | None
    size: float
    between_sd: float
    repeatability_sd: float
    reproducibility_sd: float
    share: float | None
    share_low: float
    share_high: float
    negative: bool
    confidence: float


def variance_components(groups: Mapping[str, ArrayLike], *, confidence: float = 0.95) -> Components:
    """Divide the variance of values into the variance between groups and the variance within groups.

    `groups`: values of every person, shift or lot; empty groups are left out.
    `confidence`: of the interval of the intraclass share.
    Raises Abstained with fewer than two groups, or if no group has two values: then the two parts cannot be separated.

    Notes
    -----
    With ``n_i`` values in group i: ``MSB = Σ n_i (ȳ_i − ȳ)² / (k − 1)``, ``MSW = Σ (y − ȳ_i)² / (N − k)``,
    ``n₀ = (N − Σ n_i² / N) / (k − 1)``, variance within ``MSW``, between ``max(0, (MSB − MSW) / n₀)``.

    The interval of the ratio θ of the two variances is Wald's, exact for normal values and any group sizes: ``H(θ) = Σ
    w_i (ȳ_i − ȳ_w)² / ((k − 1) MSW)`` with ``w_i = n_i / (1 + n_i θ)`` follows F(k − 1, N − k) at the true θ and falls
    with θ. The share is ``θ / (1 + θ)``; for equal sizes this is ``(F/F_q − 1) / (F/F_q − 1 + n)``. Simulated coverage
    at nominal 95 % is 95 % for normal groups, higher for uniform or two-valued groups, and below 80 % for 20
    exponential groups (``benchmarks/coverages/components.py``).

    References
    ----------
    Wald, A note on the analysis of variance with unequal class frequencies, Annals of Mathematical Statistics 11 (1940)
    96–100; Searle, Casella and McCulloch, Variance Components, 1992. Repeatability and reproducibility as in ISO 5725-2
    (from memory): reproducibility includes repeatability.

    Examples
    --------
    >>> found = variance_components({"anna": [50.1, 50.3], "ben": [52.0, 52.4]})
    >>> round(found.f, 1), round(found.repeatability_sd, 3), round(found.share, 2)
    (80.0, 0.224, 0.98)
    """
    check_share("confidence", confidence)
    given = {name: np.asarray(values, np.float64).reshape(-1) for name, values in groups.items()}
    parts = [values for values in given.values() if values.size]
    if not all(np.isfinite(values).all() for values in parts):
        raise ParameterError("variance components need finite values; leave out what was not taught.")
    k, n = len(parts), sum(values.size for values in parts)
    if k < 2 or n == k:
        raise Abstained(
            "differences between groups cannot be separated from those within groups",
            f"{number_of(k, 'group')} with {number_of(n, 'value')} in all",
            "at least 2 groups, one of them with 2 values",
        )
    # Differences from the first value: a common offset then loses no digits.
    origin = parts[0][0]
    shifted = [values - origin for values in parts]
    sizes = np.array([values.size for values in parts], np.float64)
    means = np.array([values.mean() for values in shifted])
    grand = float((sizes * means).sum() / n)
    between = float((sizes * (means - grand) ** 2).sum())
    within = float(sum(((values - mean) ** 2).sum() for values, mean in zip(shifted, means, strict=True)))
    # Values about the mean of their group show the repeatability. The means of groups vary by what groups add, and by
    # what repeatability alone makes them vary; the latter is subtracted. With unequal groups the size in the divisor
    # lies between harmonic mean and mean.
    msb, msw = between / (k - 1), within / (n - k)
    size = float((n - (sizes**2).sum() / n) / (k - 1))
    raw = (msb - msw) / size
    # If groups are closer together than chance would place them, the estimate is below 0. It is reported as 0 and
    # marked.
    variance = max(0.0, raw)
    total = variance + msw
    low, high = _share_limits(means, sizes, msw, n - k, confidence) if msw > 0 else (0.0, 1.0)
    return Components(
        groups=k,
        values=n,
        mean=float(origin) + grand,
        between_ss=between,
        within_ss=within,
        between_ms=msb,
        within_ms=msw,
        f=msb / msw if msw > 0 else None,
        p=float(fdtrc(k - 1, n - k, msb / msw)) if msw > 0 else None,
        size=size,
        between_sd=variance**0.5,
        repeatability_sd=msw**0.5,
        reproducibility_sd=total**0.5,
        share=variance / total if total > 0 else None,
        share_low=low,
        share_high=high,
        negative=raw < 0,
        confidence=confidence,
    )


def _share_limits(means: Floats, sizes: Floats, msw: float, freedom: int, confidence: float) -> tuple[float, float]:
    """Return the exact interval of the intraclass share."""
    from scipy.optimize import brentq

    k = means.size

    def ratio(theta: float) -> float:
        # With the true ratio of variances these weighted squares have a chi-square distribution: the limits are where
        # they equal its quantiles. This is exact for unequal groups, for which the usual F limits are not.
        weights = sizes / (1 + sizes * theta)
        centre = float((weights * means).sum() / weights.sum())
        return float((weights * (means - centre) ** 2).sum()) / ((k - 1) * msw)

    def solved(tail: float) -> float:
        quantile = float(fdtri(k - 1, freedom, tail))
        if ratio(0.0) <= quantile:
            return 0.0
        top = 1.0
        # The ratio falls with theta and has no upper end: multiply by four until the root is inside.
        while ratio(top) > quantile:
            top *= 4
        return float(brentq(lambda theta: ratio(theta) - quantile, 0.0, top, xtol=1e-14, rtol=1e-12))

    limits = [solved((1 + confidence) / 2), solved((1 - confidence) / 2)]
    low, high = (theta / (1 + theta) for theta in limits)
    return low, high


@dataclass(frozen=True, slots=True, kw_only=True)
class LossAgreement(Document):
    """Whether several settings lose the same passes.

    `settings`, `passes`: number of settings, and number of passes that are trials under all of them.
    `lost_by_every`, `lost_by_some`: passes lost under every setting, and under at least one.
    `lost_share`: lost decisions divided by all decisions on a pass.
    `kappa`: Fleiss' kappa: 1 if all settings lose the same passes, 0 if they agree as often as by chance. None if no
    pass, or every pass, is lost.
    """

    settings: int
    passes: int
    lost_by_every: int
    lost_by_some: int
    lost_share: float | None
    kappa: float | None


def agreement(lost_by: ArrayLike, settings: int) -> LossAgreement:
    """Say, from how many settings lose each pass, whether they lose the same passes.

    `lost_by` (shape (passes,)): how many of the settings lose each pass.
    `settings`: number of settings, at least 2.

    Notes
    -----
    With m settings of which x_i lose pass i, n passes and p = Σ x_i / (n m):
    ``P̄ = Σ (x_i² + (m − x_i)² − m) / (n m (m − 1))``, ``P_e = p² + (1 − p)²``, ``κ = (P̄ − P_e) / (1 − P_e)``.

    References
    ----------
    Fleiss, Measuring nominal scale agreement among many raters, Psychological Bulletin 76 (1971) 378–382.

    Examples
    --------
    >>> agreement([0, 0, 3, 3], 3).kappa, agreement([0, 1, 3, 3], 3).lost_by_every
    (1.0, 2)
    """
    x = np.asarray(lost_by, np.float64).reshape(-1)
    if settings < 2 or (x < 0).any() or (x > settings).any():
        raise ParameterError(f"agreement needs at least 2 settings and counts between 0 and their number {settings}.")
    n, m = x.size, settings
    share = float(x.sum()) / (n * m) if n else None
    kappa = None
    if share is not None and 0 < share < 1:
        # Fleiss' kappa from counts: pairs of settings that agree on a pass, compared with agreement by chance.
        same = float((x**2 + (m - x) ** 2 - m).sum()) / (n * m * (m - 1))
        chance = share**2 + (1 - share) ** 2
        kappa = (same - chance) / (1 - chance)
    return LossAgreement(
        settings=m,
        passes=n,
        lost_by_every=int(np.count_nonzero(x == m)),
        lost_by_some=int(np.count_nonzero(x)),
        lost_share=share,
        kappa=kappa,
    )
