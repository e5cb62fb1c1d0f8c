"""What a bench finds: per recording and strategy the distribution of every measure over draws."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from teachlab.errors import ParameterError
from teachlab.model.setting import Setting

MEASURES = (
    "on_level",
    "off_level",
    "lost_rate",
    "merged_rate",
    "false_trips_per_gap",
    "false_trips_per_running_hour",
    "extra_per_pass",
    "cost",
    "regret",
)
"""Measures of a draw, in the order of the tables; regret is the cost above that of the best fixed setting."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Costs:
    """What one lost pass and one false or extra switching cost, in any one unit.

    Parameters
    ----------
    miss, false : float
        At least 0, not both 0.
    """

    miss: float = 1.0
    false: float = 1.0

    def __post_init__(self) -> None:
        fine = all(math.isfinite(c) and c >= 0 for c in (self.miss, self.false))
        if not fine or self.miss == self.false == 0:
            raise ParameterError(
                "cost-miss and cost-false must be finite, at least 0 and not both 0, "
                f"got {self.miss:g} and {self.false:g}."
            )


@dataclass(frozen=True, slots=True)
class Spread:
    """A measure over the draws that taught; NaN where it has no denominator.

    Parameters
    ----------
    median, p05, p95 : float
        Quantiles that occurred: the smallest value that at least that share of the draws does not exceed.
    worst : float
        Value of the costliest draw.
    """

    median: float
    p05: float
    p95: float
    worst: float

    def as_dict(self) -> dict[str, float]:
        """Return the plain JSON form."""
        return {name: getattr(self, name) for name in self.__slots__}


@dataclass(frozen=True, slots=True, kw_only=True)
class Draw:
    """One draw: what was shown once, the setting taught from it, and what it costs.

    Parameters
    ----------
    draw : int
        Number of the draw.
    setting : Setting or None
        None if the strategy abstained or failed.
    abstained, failed : str
        The reason, else empty.
    measures : mapping of str to float
        By the names of `MEASURES`; empty without a setting.
    """

    draw: int
    setting: Setting | None
    abstained: str = ""
    failed: str = ""
    measures: Mapping[str, float]
