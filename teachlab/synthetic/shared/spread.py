"""How a quantity differs from piece to piece: a number, or one of five distributions.

In a scenario a quantity is written ``length_mm = 70`` or ``length_mm = { shape = "normal", mean = 70, sd = 2, floor =
60 }``. Floor and ceiling clip the drawn value; the unit is in the name of the key.
"""

from __future__ import annotations

import math
from typing import Annotated, Any, Literal, Self

import numpy as np
from pydantic import AfterValidator, BeforeValidator, Field, model_validator

from teachlab.model.arrays import Floats
from teachlab.synthetic.shared.tables import Table


class _Clipped(Table):
    floor: float | None = None
    ceiling: float | None = None

    @model_validator(mode="after")
    def _ordered(self) -> Self:
        if self.floor is not None and self.ceiling is not None and self.floor > self.ceiling:
            raise ValueError(f"floor ({self.floor:g}) must not exceed ceiling ({self.ceiling:g})")
        return self

    def draw(self, rng: np.random.Generator, size: int) -> Floats:
        """Return `size` independent values, clipped to floor and ceiling."""
        values = self._raw(rng, size)
        if self.floor is None and self.ceiling is None:
            return values
        return np.clip(values, self.floor, self.ceiling)

    def _raw(self, rng: np.random.Generator, size: int) -> Floats:
        raise NotImplementedError

    def _limits(self) -> str:
        low = "" if self.floor is None else f", at least {self.floor:g}"
        return low + ("" if self.ceiling is None else f", at most {self.ceiling:g}")


class Constant(_Clipped):
    """The same value for every piece."""

    shape: Literal["constant"] = "constant"
    value: float

    def _raw(self, rng: np.random.Generator, size: int) -> Floats:
        return np.full(size, self.value)

    def words(self, unit: str) -> str:
        """Return the spread in words."""
        return f"{self.value:g} {unit}"

    @property
    def middle(self) -> float:
        """Median of the distribution."""
        return self.value


class Normal(_Clipped):
    """Normal distribution."""

    shape: Literal["normal"]
    mean: float
    sd: float = Field(ge=0)

    def _raw(self, rng: np.random.Generator, size: int) -> Floats:
        return rng.normal(self.mean, self.sd, size)

    def words(self, unit: str) -> str:
        """Return the spread in words."""
        return f"{self.mean:g} {unit} (normal, sd {self.sd:g}{self._limits()})"

    @property
    def middle(self) -> float:
        """Median of the distribution."""
        return self.mean


class Lognormal(_Clipped):
    """Lognormal distribution by its median and coefficient of variation.

    ``ln x ~ N(ln median, s²)`` with ``s² = ln(1 + cv²)``, so that ``sd(x) / mean(x) = cv``.
    """

    shape: Literal["lognormal"]
    median: float = Field(gt=0)
    cv: float = Field(ge=0, le=3)

    def _raw(self, rng: np.random.Generator, size: int) -> Floats:
        # The coefficient of variation of a lognormal is √(exp(σ²) − 1); solved for σ.
        return rng.lognormal(math.log(self.median), math.sqrt(math.log1p(self.cv**2)), size)

    def words(self, unit: str) -> str:
        """Return the spread in words."""
        return f"{self.median:g} {unit} (lognormal, {100 * self.cv:g} % spread{self._limits()})"

    @property
    def middle(self) -> float:
        """Median of the distribution."""
        return self.median


class Uniform(_Clipped):
    """Uniform distribution on [low, high)."""

    shape: Literal["uniform"]
    low: float
    high: float

    @model_validator(mode="after")
    def _not_reversed(self) -> Self:
        if self.low > self.high:
            raise ValueError(f"low ({self.low:g}) must not exceed high ({self.high:g})")
        return self

    def _raw(self, rng: np.random.Generator, size: int) -> Floats:
        return rng.uniform(self.low, self.high, size)

    def words(self, unit: str) -> str:
        """Return the spread in words."""
        return f"{self.low:g} to {self.high:g} {unit}"

    @property
    def middle(self) -> float:
        """Median of the distribution."""
        return (self.low + self.high) / 2


class Pareto(_Clipped):
    """Pareto distribution, ``P(x > t) = (minimum / t)^alpha`` for t at or above the minimum."""

    shape: Literal["pareto"]
    minimum: float = Field(gt=0)
    alpha: float = Field(ge=0.1, description="tail exponent; glints 1.2 to 2.5")

    def _raw(self, rng: np.random.Generator, size: int) -> Floats:
        # 1 − u lies in (2⁻⁵³, 1] and alpha is at least 0.1, so the value is finite
        raw: Floats = self.minimum * (1.0 - rng.random(size)) ** (-1.0 / self.alpha)
        return raw

    def words(self, unit: str) -> str:
        """Return the spread in words."""
        return f"at least {self.minimum:g} {unit} with a heavy tail (Pareto, exponent {self.alpha:g}{self._limits()})"

    @property
    def middle(self) -> float:
        """Median of the distribution."""
        return float(self.minimum * 2 ** (1 / self.alpha))


class Exponential(_Clipped):
    """Exponential distribution by its mean."""

    shape: Literal["exponential"]
    mean: float = Field(gt=0)

    def _raw(self, rng: np.random.Generator, size: int) -> Floats:
        return rng.exponential(self.mean, size)

    def words(self, unit: str) -> str:
        """Return the spread in words."""
        return f"{self.mean:g} {unit} on average (exponential{self._limits()})"

    @property
    def middle(self) -> float:
        """Median of the distribution."""
        return self.mean * math.log(2)


def _from_number(value: Any) -> Any:
    if isinstance(value, (int, float)) and not isinstance(value, bool):
        return {"shape": "constant", "value": value}
    if not isinstance(value, (dict, _Clipped)):
        raise ValueError('must be a number, or a table such as { shape = "normal", mean = 30, sd = 2 }')
    return value


AnySpread = Constant | Normal | Lognormal | Uniform | Pareto | Exponential

Spread = Annotated[
    Annotated[AnySpread, Field(discriminator="shape")],
    BeforeValidator(_from_number),
]
"""A number or a distribution."""


def _not_negative(spread: AnySpread) -> AnySpread:
    if _typical(spread) < 0:
        raise ValueError(f"must not be negative, its median is {spread.middle:g}")
    return spread


def _share(spread: AnySpread) -> AnySpread:
    if not 0 <= _typical(spread) <= 1:
        raise ValueError(f"must be a share between 0 and 1, such as 0.45 for 45 %; its median is {spread.middle:g}")
    return spread


def _typical(spread: AnySpread) -> float:
    low = spread.middle if spread.floor is None else max(spread.middle, spread.floor)
    return low if spread.ceiling is None else min(low, spread.ceiling)


Amount = Annotated[Spread, AfterValidator(_not_negative)]
"""A spread of something that cannot be negative: its median is not, and a drawn value below 0 counts as 0."""

Share = Annotated[Spread, AfterValidator(_share)]
"""A spread of shares; its median is between 0 and 1."""
