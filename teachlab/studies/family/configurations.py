"""Strategies with grids of their parameters, as the configurations that a study tries."""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Mapping, Sequence, Set
from dataclasses import dataclass
from typing import Any

from teachlab.errors import ParameterError
from teachlab.model.teaching import Strategy
from teachlab.teaching.parameters import as_text, parameters_of
from teachlab.teaching.registry import built

Grid = Mapping[str, Any] | Sequence[Mapping[str, Any]] | None
"""Values for each parameter, one or a list; several such grids in a list; None for the defaults."""
MOST_CONFIGURATIONS = 100_000


@dataclass(frozen=True, slots=True)
class Configuration:
    """A strategy with the values of its parameters.

    `varied`: parameters that the grid gives.
    """

    strategy: Strategy
    varied: tuple[str, ...] = ()

    @property
    def parameters(self) -> dict[str, Any]:
        """All parameters as plain JSON values."""
        return dict(parameters_of(self.strategy))

    @property
    def label(self) -> str:
        """Strategy and the parameters that are varied, in one line."""
        values = self.parameters
        told = ", ".join(f"{name} {brief_value(values[name])}" for name in self.varied)
        return f"{self.strategy.name} ({told})" if told else self.strategy.name


def brief_value(value: Any) -> str:
    """Return the value of a parameter as it is typed; a float with six digits."""
    return f"{value:.6g}" if isinstance(value, float) else as_text(value)


def configurations(made: type[Strategy], grid: Grid) -> list[Configuration]:
    """Return a strategy of a class with every combination of a grid, in the order of scikit-learn's `ParameterGrid`.

    `grid` (mapping, sequence of mapping, or None): values of each parameter, one or a list; several grids in a list.
    None gives the defaults.

    Raises `ParameterError` or `StrategyError` if a parameter is unknown, of the wrong type or outside its range, or
    values, or grids, are an empty list or a set.

    Examples
    --------
    >>> from teachlab.teaching.registry import installed_class
    >>> made = installed_class("quantile-guard")
    >>> [c.label for c in configurations(made, {"position": [0.4, 0.6], "share": 0.02})]
    ['quantile-guard (position 0.4, share 0.02)', 'quantile-guard (position 0.6, share 0.02)']
    """
    from sklearn.model_selection import ParameterGrid

    grids: list[Any] = [{}] if grid is None else [grid] if isinstance(grid, Mapping | str | int | float) else list(grid)
    if not grids:
        raise ParameterError(f"the list of grids of {made.name} is empty. Give one, or none for the defaults.")
    out: dict[str, Configuration] = {}
    for one in grids:
        if not isinstance(one, Mapping) or not all(isinstance(name, str) for name in one):
            raise ParameterError(f"a grid of {made.name} gives values by parameter, got {one!r}.")
        values = {name: _values(made.name, name, given) for name, given in one.items()}
        combinations = ParameterGrid(values)
        if len(combinations) > MOST_CONFIGURATIONS:
            raise ParameterError(
                f"the grid of {made.name} gives {len(combinations):,} combinations; a study takes at most "
                f"{MOST_CONFIGURATIONS:,}. Give fewer values."
            )
        for combination in combinations:
            one = Configuration(built(made, combination), tuple(sorted(combination)))
            out.setdefault(json.dumps(one.parameters, sort_keys=True), one)
    return list(out.values())


def spaced(low: float, high: float, count: int) -> list[float]:
    """Return numbers from low to high, both included: those of `numpy.linspace`, without the error of rounding.

    Examples
    --------
    >>> spaced(0.3, 0.6, 4), spaced(0, 1, 4)[1]
    ([0.3, 0.4, 0.5, 0.6], 0.3333333333333333)
    """
    exact = [low + k * ((high - low) / (count - 1)) for k in range(count - 1)] + [high]
    # What only rounding parts from a short number is that number.
    short = [float(f"{value:.12g}") for value in exact]
    return [
        near if abs(near - value) <= 4 * math.ulp(value) else value for near, value in zip(short, exact, strict=True)
    ]


def _values(strategy: str, name: str, given: Any) -> list[Any]:
    if isinstance(given, str | bytes | Mapping) or not isinstance(given, Iterable):
        return [given]
    if isinstance(given, Set):
        raise ParameterError(
            f"the grid of {strategy} gives the values of '{name}' as a set, and rows have an order. Give a list."
        )
    values = [one.item() if hasattr(one, "item") else one for one in given]
    if not values:
        raise ParameterError(f"the grid of {strategy} gives no value of '{name}'. Give at least one.")
    return values
