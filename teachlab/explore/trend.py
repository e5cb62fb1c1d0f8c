"""A straight trend, and when it reaches a level: with an interval that admits that it may be never."""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import stdtrit

from teachlab.errors import ParameterError


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """A least-squares line.

    Parameters
    ----------
    slope, low, high : float
        Slope and its two-sided interval by Student's t.
    mean_at, mean : float
        Point through which the line goes: means of both coordinates.
    residual : float
        Standard deviation about the line, with n − 2 in the divisor.
    spread : float
        Sum of squares of the first coordinate about its mean.
    points : int
    confidence : float
    """

    slope: float
    low: float
    high: float
    mean_at: float
    mean: float
    residual: float
    spread: float
    points: int
    confidence: float

    @property
    def established(self) -> bool:
        """Whether the interval of the slope leaves out 0."""
        return not self.low <= 0 <= self.high


@dataclass(frozen=True, slots=True, kw_only=True)
class Ahead:
    """When a falling line reaches a level, from now on; times in the unit of the line.

    Parameters
    ----------
    estimate : float or None
        0 if it lies below already; None where the line does not fall.
    earliest : float or None
        None where the interval holds nothing ahead.
    latest : float or None
        None where the interval has no end, or holds nothing ahead.
    """

    estimate: float | None
    earliest: float | None
    latest: float | None

    def as_dict(self) -> dict[str, Any]:
        """Return the plain JSON form."""
        return asdict(self)


def fit_line(at: ArrayLike, values: ArrayLike, *, confidence: float = 0.95) -> Line | None:
    """Fit a straight line by least squares.

    Parameters
    ----------
    at, values : array_like of float, shape (n,)
    confidence : float

    Returns
    -------
    Line or None
        None with fewer than 3 points, all at one place, or one that is not finite.
    """
    if not 0 < confidence < 1:
        raise ParameterError(f"confidence must lie strictly between 0 and 1, got {confidence:g}.")
    t, y = np.asarray(at, np.float64), np.asarray(values, np.float64)
    if t.size < 3 or not (np.isfinite(t).all() and np.isfinite(y).all()):
        return None
    centred = t - t.mean()
    spread = float(centred @ centred)
    if not spread > 0:
        return None
    slope = float(centred @ y) / spread
    rest = y - y.mean() - slope * centred
    residual = math.sqrt(float(rest @ rest) / (t.size - 2))
    half = float(stdtrit(t.size - 2, (1 + confidence) / 2)) * residual / math.sqrt(spread)
    return Line(
        slope=slope,
        low=slope - half,
        high=slope + half,
        mean_at=float(t.mean()),
        mean=float(y.mean()),
        residual=residual,
        spread=spread,
        points=t.size,
        confidence=confidence,
    )


def crossing(line: Line, level: float) -> tuple[float | None, list[tuple[float, float]]]:
    """Return where a line reaches a level, and the set of places that its data do not rule out.

    Returns
    -------
    estimate : float or None
        None for a level line.
    places : list of (float, float)
        One interval where the slope is established; two half-lines, or the whole line, where it is not.

    Notes
    -----
    With u = level − ȳ and d = place − t̄, all d with ``(u − b d)² ≤ t² s² (1/n + d²/S_tt)``, which is Fieller's
    theorem for the ratio u / b, and the profile likelihood of d for normal residuals (Student's t with n − 2).

    References
    ----------
    Fieller, Some problems in interval estimation, Journal of the Royal Statistical Society B 16 (1954) 175–185;
    Graybill and Iyer, Regression Analysis (1994), section 6.4 ("regulation").

    Examples
    --------
    >>> line = fit_line([0, 1, 2, 3, 4], [10, 9.1, 7.9, 7, 6.1])
    >>> estimate, [(low, high)] = crossing(line, 3)
    >>> round(estimate, 2), round(low, 2), round(high, 2)
    (7.07, 6.61, 7.63)
    """
    u, b = level - line.mean, line.slope
    allowed = float(stdtrit(line.points - 2, (1 + line.confidence) / 2)) ** 2 * line.residual**2
    estimate = None if b == 0 else line.mean_at + u / b
    a, half, c = b * b - allowed / line.spread, -u * b, u * u - allowed / line.points
    root = half * half - a * c
    if a > 0:
        reach = math.sqrt(max(0.0, root))
        # The root farther from zero by the sum of equal signs, the other by their product: no digits are lost.
        far = -(half + math.copysign(reach, half))
        ends = sorted((far / a, c / far if far else far / a))
        return estimate, [(line.mean_at + ends[0], line.mean_at + ends[1])]
    if a == 0 or root < 0:
        return estimate, [(-math.inf, math.inf)]
    reach = math.sqrt(root)
    ends = sorted(((-half - reach) / a, (-half + reach) / a))
    return estimate, [(-math.inf, line.mean_at + ends[0]), (line.mean_at + ends[1], math.inf)]


def fall_to(line: Line, level: float, now: float) -> Ahead:
    """Return when a line falls to a level, counted from now.

    Parameters
    ----------
    line : Line
    level : float
    now : float
        Where the data end.
    """
    estimate, places = crossing(line, level)
    if line.low > 0:
        # It rises for sure: what lies ahead is where it comes up through the level.
        return Ahead(estimate=None, earliest=None, latest=None)
    ahead = [(max(0.0, low - now), high - now) for low, high in places if high > now]
    # A line that falls for sure and has left the level behind lies below it now.
    earliest, latest = (ahead[0][0], ahead[-1][1]) if ahead else (0.0, 0.0)
    until = max(0.0, estimate - now) if line.slope < 0 and estimate is not None else None
    return Ahead(estimate=until, earliest=earliest, latest=_finite(latest))


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None
