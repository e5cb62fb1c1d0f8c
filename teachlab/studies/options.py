"""What a bench is asked to do."""

from __future__ import annotations

from dataclasses import dataclass, field

from teachlab.errors import ParameterError
from teachlab.model.draws import Costs
from teachlab.model.score import USUAL_RULES, Rules
from teachlab.model.setting import Setting


@dataclass(frozen=True, slots=True, kw_only=True)
class BenchOptions:
    """Options of a bench.

    Parameters
    ----------
    draws : int
        How often each strategy is taught, at least 1.
    seed : int
        Of the draws, at least 0.
    teach_share : float, in (0, 1)
        Share of the detect passes that may be taught on.
    rules : Rules
        By which an output is scored; the first pass scored follows from the teach share.
    base : Setting, optional
        Delays, filter and evaluation rate; its levels mean nothing.
    costs : Costs
        Of a lost pass and of a false or extra switching.
    """

    draws: int = 200
    seed: int = 0
    teach_share: float = 0.3
    rules: Rules = USUAL_RULES
    base: Setting | None = None
    costs: Costs = field(default_factory=Costs)

    def __post_init__(self) -> None:
        if self.draws < 1:
            raise ParameterError(f"draws must be at least 1, got {self.draws}.")
        if self.seed < 0:
            raise ParameterError(f"seed must be at least 0, got {self.seed}.")

    @property
    def evaluation_rate_hz(self) -> float | None:
        """Evaluation rate of the base setting; None evaluates every sample."""
        return None if self.base is None else self.base.evaluation_rate_hz
