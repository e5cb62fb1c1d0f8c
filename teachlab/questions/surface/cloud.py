"""The settings that one strategy teaches, on a surface, and what they cost there."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields
from typing import Any

import numpy as np
from numpy.typing import NDArray

from teachlab.errors import ParameterError
from teachlab.model.draws import DrawOptions, Spread
from teachlab.model.following_and_window import fixed_levels
from teachlab.model.recording import Recording
from teachlab.model.setting import Setting, Switching
from teachlab.model.teaching import Strategy
from teachlab.model.truth import Truth
from teachlab.questions.surface.given_settings.pairs import score_pairs
from teachlab.teaching.block import TeachBlock
from teachlab.teaching.once import teach_draws


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SurfaceCloud:
    """Draws of a strategy on the passes counted: a picture, no proof, since these were used for teaching too.

    `settings`: in order of the draws that gave a setting; the first draw is what `teach` gives with the same seed.
    `cost` (shape (settings,)): per pass, on the passes counted.
    `first`: of draw 0; None if it abstained or failed.
    `abstained`, `failed`: number of draws that gave no setting.
    `why`: reason of the first of them.
    """

    strategy: str
    settings: tuple[Setting, ...]
    cost: NDArray[np.float64]
    first: Setting | None
    abstained: int
    failed: int
    why: str

    def as_dict(self, best: float) -> dict[str, Any]:
        """Return the plain JSON form; regret is against the cost `best`."""
        first = None if self.first is None else {
            "on_level": self.first.on_level, "off_level": self.first.off_level, "cost": float(self.cost[0]),
            "regret": float(self.cost[0]) - best,
        }  # fmt: skip
        return {
            "strategy": self.strategy,
            "draws": len(self.settings) + self.abstained + self.failed,
            "abstained": self.abstained,
            "failed": self.failed,
            "why": self.why or None,
            "taught_on": "the recording that is counted",
            "first": first,
            "cost": self.spread(),
            "as_good_as_best": int(np.count_nonzero(self.cost <= best)),
            "on_level": [s.on_level for s in self.settings],
            "off_level": [s.off_level for s in self.settings],
        }

    def spread(self) -> dict[str, float] | None:
        """Return median, 5 % and 95 % quantile and worst of the cost, values that occurred; None without any."""
        return Spread.of(self.cost, worst=float(self.cost.max())).as_dict() if self.cost.size else None


def taught_cloud(
    recordings: Sequence[tuple[Recording, Truth]],
    strategy: Strategy,
    *,
    options: DrawOptions | None = None,
) -> SurfaceCloud:
    """Teach a strategy many times on the whole first recording, and count the cost of every setting on all of them.

    Raises ParameterError if the strategy designs other delays than the base has: then one surface cannot hold its
    settings.
    Raises SettingError if the settings follow the background, or have two thresholds.
    """
    how = options or DrawOptions()
    block = TeachBlock(*recordings[0], base=how.base, rules=how.rules)
    taught = teach_draws(strategy, block, range(how.draws), how.seed)
    settings = [fixed_levels(d.setting, "the surface") for d in taught if d.setting is not None]
    total = np.zeros(len(settings))
    passes = 0
    for recording, truth in recordings:
        counts = score_pairs(recording, truth, settings, rules=how.rules) if settings else []
        # Costs are per pass: weight them by the passes of each recording.
        here = counts[0].detect_trials if counts else 0
        if here:
            total += np.array([c.cost(how.costs) for c in counts]) * here
            passes += here
    return SurfaceCloud(
        strategy=strategy.name, settings=tuple(settings), cost=total / max(passes, 1), first=taught[0].setting,
        abstained=sum(bool(d.abstained) for d in taught), failed=sum(bool(d.failed) for d in taught),
        why=next((d.abstained or d.failed for d in taught if d.setting is None), ""),
    )  # fmt: skip


def check_family(settings: Sequence[Setting], shared: Setting, *, of: str) -> None:
    """Refuse settings whose polarity, filter, delays or rate differ from those of the surface."""
    for setting in settings:
        for name in (f.name for f in fields(Switching)):
            own, one = getattr(setting, name), getattr(shared, name)
            if own != one:
                raise ParameterError(
                    f"{of} has {name} {own}, the surface {one}: a surface holds settings that differ in their levels "
                    "only. Count it apart, or give --base with what all share."
                )
