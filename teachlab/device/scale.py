"""From the logger's unit to the display of the device: a line through readings, and the light behind a step."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import brentq
from scipy.special import ndtri, stdtrit

from teachlab.errors import ParameterError, check_share
from teachlab.model.json_values import Document
from teachlab.model.printable_text import in_figures, level_text
from teachlab.teaching.cells.device_steps import FUZZ, KeyedRange

FEWEST_PAIRS = 3
MOST_SLOPE_DOUBT = 0.1
"""If the squared half-width of the slope's interval is this share of its square or more, no step is given."""
ROUNDS, CLOSE = 100, 1e-12


@dataclass(frozen=True, slots=True, kw_only=True)
class YorkLine(Document):
    """A straight line through points with errors in both coordinates.

    `intercept_error`, `slope_error`: standard errors, which do not depend on how well the points lie on the line.
    `chi_square`: weighted squares of the points' distances.
    `centre`: weighted mean of the adjusted abscissae.
    """

    intercept: float
    slope: float
    intercept_error: float
    slope_error: float
    chi_square: float
    points: int
    centre: float
    weight: float


def york_line(x: ArrayLike, y: ArrayLike, x_error: ArrayLike, y_error: ArrayLike) -> YorkLine:
    """Fit a straight line where both coordinates have known, independent errors.

    `x`, `y`: shape (n,).
    `x_error`, `y_error` (shape (n,)): standard deviations; not both 0 at a point.
    Raises ParameterError with fewer than two different x, or a point without any error.

    Notes
    -----
    York's iteration with uncorrelated errors: ``W = 1/(σy² + b²σx²)``, ``β = W (U σy² + b V σx²)`` about the weighted
    means, ``b = Σ W β V / Σ W β U``.

    References
    ----------
    York, Evensen, Martínez and De Basabe Delgado, Unified equations for the slope, intercept, and standard errors of
    the best straight line, American Journal of Physics 72 (2004) 367–375.
    """
    u, v = np.asarray(x, np.float64), np.asarray(y, np.float64)
    su, sv = (np.broadcast_to(np.asarray(e, np.float64), u.shape) ** 2 for e in (x_error, y_error))
    if u.size < 2 or np.ptp(u) == 0:
        raise ParameterError("a line needs readings at two different values at least.")
    if not ((su + sv) > 0).all():
        raise ParameterError("every reading needs an error above 0 in one of its values.")
    b = float(np.polyfit(u, v, 1)[0])
    for _ in range(ROUNDS):
        w = 1 / (sv + b * b * su)
        mean_u, mean_v = (float((w * side).sum() / w.sum()) for side in (u, v))
        beta = w * ((u - mean_u) * sv + b * (v - mean_v) * su)
        new = float((w * beta * (v - mean_v)).sum() / (w * beta * (u - mean_u)).sum())
        done = abs(new - b) <= CLOSE * abs(new)
        b = new
        if done:
            break
    w = 1 / (sv + b * b * su)
    mean_u, mean_v = (float((w * side).sum() / w.sum()) for side in (u, v))
    a = mean_v - b * mean_u
    adjusted = mean_u + w * ((u - mean_u) * sv + b * (v - mean_v) * su)
    centre = float((w * adjusted).sum() / w.sum())
    slope_error = float((w * (adjusted - centre) ** 2).sum()) ** -0.5
    weight = float(w.sum())
    return YorkLine(
        intercept=a, slope=b, intercept_error=math.hypot(weight**-0.5, centre * slope_error), slope_error=slope_error,
        chi_square=float((w * (v - a - b * u) ** 2).sum()), points=int(u.size), centre=centre, weight=weight,
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class DisplayStep(Document):
    """A value of the display, and what it may mean in light.

    `light` (recording units): light according to the line.
    `low`, `high` (recording units): range of the light, at the confidence of the scale.
    """

    display: float
    light: float
    low: float
    high: float


@dataclass(frozen=True, slots=True, kw_only=True)
class DisplayScale:
    """What the device displays for a light.

    `line`: display as a function of light; errors of the display include its resolution.
    `resolution` (display units): smallest difference that the display shows.
    `step` (display units): step in which values can be keyed in.
    `first`, `last` (display units): range that can be keyed in.
    `light_low`, `light_high` (recording units): range of the readings; outside it no value is given.
    `confidence`: two-sided.
    """

    line: YorkLine
    resolution: float
    step: float
    first: float
    last: float
    light_low: float
    light_high: float
    confidence: float = 0.95

    @classmethod
    def of(
        cls, light: ArrayLike, display: ArrayLike, *, light_error: ArrayLike, display_error: ArrayLike,
        resolution: float, step: float, first: float, last: float, confidence: float = 0.95,
    ) -> DisplayScale:  # fmt: skip
        """Fit the scale to pairs of readings.

        `light`, `display` (shape (n,)): at least three readings.
        `light_error`, `display_error`: standard deviations; the rounding of the display is added.
        Raises ParameterError with fewer than three readings, or if they do not show how the display follows the light.
        """
        check_share("confidence", confidence)
        u, v = np.asarray(light, np.float64), np.asarray(display, np.float64)
        if u.size < FEWEST_PAIRS:
            raise ParameterError(f"a scale needs at least {FEWEST_PAIRS} readings, got {u.size}. Read more.")
        line = york_line(u, v, light_error, np.hypot(display_error, resolution / math.sqrt(12)))
        made = cls(
            line=line, resolution=resolution, step=step, first=first, last=last, light_low=float(u.min()),
            light_high=float(u.max()), confidence=confidence,
        )  # fmt: skip
        if made.factor**2 * made.spread * line.slope_error**2 >= MOST_SLOPE_DOUBT * line.slope**2:
            raise ParameterError(
                f"the readings do not tell how the display follows the light: {line.slope:.3g} ± "
                f"{made.factor * made.spread**0.5 * line.slope_error:.2g} a unit. Read more, further apart."
            )
        return made

    @property
    def spread(self) -> float:
        """Ratio of the variance of the readings to what their errors explain, at least 1."""
        return max(1.0, self.line.chi_square / (self.line.points - 2))

    @property
    def factor(self) -> float:
        """Quantile: normal; Student's if the stated errors are too small and their size is taken from the scatter."""
        tail = (1 + self.confidence) / 2
        return float(ndtri(tail) if self.spread <= 1 else stdtrit(self.line.points - 2, tail))

    def doubt(self, light: float) -> float:
        """Return how far the display may be from the line at a light, display units."""
        line = self.line
        variance = self.spread * (1 / line.weight + (light - line.centre) ** 2 * line.slope_error**2)
        return self.factor * math.sqrt(variance) + self.resolution / 2

    def displayed(self, light: float) -> float:
        """Return the display value on the line."""
        return self.line.intercept + self.line.slope * light

    def behind(self, display: float) -> DisplayStep:
        """Return the light behind a displayed value: all u with ``|D − a − b·u| ≤ k·se(u) + q/2``."""
        b = self.line.slope
        centre = (display - self.line.intercept) / b

        def beyond(light: float) -> float:
            return abs(b) * abs(light - centre) - self.doubt(light)

        def end(way: float) -> float:
            far = self.doubt(centre) / abs(b)
            # Grows without end: the uncertainty of the slope is small compared with the slope.
            while beyond(centre + way * far) < 0:
                far *= 2
            return float(brentq(lambda far: beyond(centre + way * far), 0.0, far))

        return DisplayStep(display, centre, centre - end(-1.0), centre + end(1.0))

    def steps(self, low: float, high: float) -> NDArray[Any]:
        """Return the values that can be keyed in whose light on the line is within two bounds and the readings."""
        ends = sorted(self.displayed(x) for x in (max(low, self.light_low), min(high, self.light_high)))
        if max(low, self.light_low) > min(high, self.light_high):
            return np.empty(0)
        k = np.arange(
            math.ceil((max(ends[0], self.first) - self.first) / self.step - FUZZ),
            math.floor((min(ends[1], self.last) - self.first) / self.step + FUZZ) + 1,
        )
        return self.first + k * self.step

    def nearest(self, target: float) -> DisplayStep:
        """Return the step nearest to a light, whatever it costs.

        Raises ParameterError if the light lies outside the readings, or the range that can be keyed in.
        """
        self._within(target)
        shown = self.displayed(target)
        if not self.first - self.step / 2 <= shown <= self.last + self.step / 2:
            raise ParameterError(
                f"the level {level_text(target)} is {in_figures(shown)} on the display, which takes "
                f"{self.first:g} to {self.last:g}."
            )
        return self.behind(float(KeyedRange(self.first, self.last, self.step).nearest(shown)))

    def _within(self, target: float) -> None:
        if not self.light_low <= target <= self.light_high:
            raise ParameterError(
                f"The level {level_text(target)} lies outside the readings, {level_text(self.light_low)} to "
                f"{level_text(self.light_high)}. Read the display nearer the level."
            )

    def rounded(self, target: float, low: float, high: float, *, feared: int = 0) -> DisplayStep | str:
        """Return the nearest step whose whole interval lies within equal cost, or why there is none.

        `target`, `low`, `high` (recording units): levels in ``(low, high]`` cost the same.
        `feared`: 1: more light than the target is worse; −1: less light is worse. At equal distance the other side is
        taken.
        """
        try:
            self._within(target)
        except ParameterError as fault:
            return str(fault)
        known = [self.behind(float(d)) for d in self.steps(low, high)]
        fits = [one for one in known if low < one.low and one.high <= high]
        if fits:
            return min(fits, key=lambda one: (round(abs(one.light - target), 9), feared * (one.light - target)))
        doubt, b = self.doubt(target), abs(self.line.slope)
        most, width = b * (high - low) - 2 * doubt, (self.step + 2 * doubt) / b
        wider = f"a setting whose errors stay the same over {level_text(width)}"
        cure = f"It takes steps of {in_figures(most, 2)} or finer, or {wider}."
        if most <= 0:
            cure = f"It takes {wider}; the readings leave ±{doubt / b:.3g} open at any step: read more pairs."
        ends = dict.fromkeys(map(level_text, (low, high)))
        same = f"from {' to '.join(ends)}" if len(ends) > 1 else f"at {level_text(high)} alone"
        return (
            f"The display goes in steps of {self.step:g}, and none lies safely where the errors stay the same, {same}. "
            f"{cure}"
        )
