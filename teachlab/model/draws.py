"""Draws: what is shown when a strategy is taught many times, what each draw taught, and the spread of the measures."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from teachlab.errors import ParameterError, check_least
from teachlab.model.json_values import Document
from teachlab.model.score import USUAL_RULES, Rules
from teachlab.model.setting import Setting

DRAWS = 200
TEACH_SHARE = 0.3

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
"""Measures of a draw, in the order of the tables; regret is the cost minus that of the best fixed setting."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Costs:
    """Cost of one lost pass, and of one false or extra switching, in any common unit.

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

    def of(self, *, lost: Any, touching: Any, false: Any, passes: Any) -> Any:
        """Return the cost per pass of counts: the one place that says what is an error, and what it costs.

        Parameters
        ----------
        lost : int, or ndarray of int
            Missed and merged passes.
        touching : int, or ndarray of int
            Those of them that merged with the pass that they touch. No setting separates them, so they cost nothing.
        false : int, or ndarray of int
            Unwanted switchings: in gaps, on passes to be ignored, and more than one on a pass.
        passes : int, or ndarray of int
            Scored passes, above 0.
        """
        return (self.miss * (lost - touching) + self.false * false) / passes


@dataclass(frozen=True, slots=True, kw_only=True)
class DrawOptions:
    """How a strategy is taught many times, and how the taught settings are scored.

    Parameters
    ----------
    draws : int
        How often the evidence is drawn anew, at least 1.
    seed : int
        Seed of the draws, at least 0.
    teach_share : float, in (0, 1)
        Share of the detect passes that may be used for teaching; later ones are scored.
    base : Setting, optional
        Delays, filter and evaluation rate to keep; its levels are not used.
    costs : Costs
        Costs of a lost pass and of a false or extra switching.
    rules : Rules
        Rules by which settings are scored; their first pass follows from the teach share.

    Raises
    ------
    ParameterError
        If `draws` or `seed` is too small. The split refuses a wrong share.
    """

    draws: int = DRAWS
    seed: int = 0
    teach_share: float = TEACH_SHARE
    base: Setting | None = None
    costs: Costs = field(default_factory=Costs)
    rules: Rules = USUAL_RULES

    def __post_init__(self) -> None:
        check_least("draws", self.draws, 1)
        check_least("seed", self.seed)

    @property
    def evaluation_rate_hz(self) -> float | None:
        """Evaluation rate of the base setting; None: every sample is evaluated."""
        return None if self.base is None else self.base.evaluation_rate_hz


@dataclass(frozen=True, slots=True)
class Spread(Document):
    """A measure over the draws that gave a setting; NaN if it has no denominator.

    `median`, `p05`, `p95`: quantiles that occurred: the smallest value that at least this share of the draws does not
    exceed.
    `worst`: value of the draw with the highest cost.
    """

    median: float
    p05: float
    p95: float
    worst: float

    @classmethod
    def of(cls, values: NDArray[np.float64], *, worst: float) -> Spread:
        """Describe at least one value; a NaN (a rate without a denominator) must then hold for every draw."""
        low, middle, high = np.quantile(values, (0.05, 0.5, 0.95), method="inverted_cdf").tolist()
        return cls(median=middle, p05=low, p95=high, worst=worst)


@dataclass(frozen=True, slots=True, kw_only=True)
class Draw:
    """One draw: what was shown once, the setting taught from it, and its measures.

    `setting`: none if the strategy abstained or failed.
    `abstained`, `failed`: the reason, otherwise empty.
    `measures`: by the names of `MEASURES`; empty without a setting.
    """

    draw: int
    setting: Setting | None
    abstained: str = ""
    failed: str = ""
    measures: Mapping[str, float]
