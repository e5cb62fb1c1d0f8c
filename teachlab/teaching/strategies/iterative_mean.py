"""Iterative mean: the level that lies halfway between the means of what it separates."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from teachlab.model.setting import Setting
from teachlab.model.teaching import Shown, TeachView
from teachlab.teaching.parameters import CheckedParameters, parameter
from teachlab.teaching.rules.labelled_events import Heights
from teachlab.teaching.rules.unlabelled import Cuts, heights_of, place_on_sweep

ROUNDS = 1000


@dataclass(frozen=True, slots=True, kw_only=True)
class IterativeMean(CheckedParameters):
    """Start at the mean of an unlabelled sweep, and move to the middle of the two means until it rests.

    Parameters
    ----------
    sweep_passes : int, passes, at least 1
        The sweep stops after this many.

    Notes
    -----
    T ← (mean below T + mean at or above T)/2, from the mean of the sweep on. Every step moves T the same way
    and only a cut between evaluations counts, so it ends at a fixed point. The optimum of
    `between-class-variance` is a fixed point of the same equation.

    When it fails: as `between-class-variance`; where there are several fixed points it takes the first on
    its way. It abstains where the sweep has no span.

    References
    ----------
    Ridler & Calvard 1978, "Picture thresholding using an iterative selection method", IEEE Trans. SMC-8,
    630-632.

    Examples
    --------
    >>> fixed_point(np.array([1.0, 2.0, 3.0, 10.0, 12.0]))
    6.5
    """

    name: ClassVar[str] = "iterative-mean"
    needs: ClassVar[frozenset[Shown]] = frozenset({Shown.SWEEP})
    equivariant: ClassVar[frozenset[str]] = frozenset({"gain", "offset"})

    sweep_passes: int = parameter(20, "the sweep stops after this many", unit="passes", at_least=1)

    def teach(self, view: TeachView) -> Setting:
        """Return the level at rest for the sweep shown."""
        return place_on_sweep(self, view, fixed_point(heights_of(view)))


def fixed_point(heights: Heights) -> float:
    """Return the level halfway between the means of what lies below it and what does not."""
    cuts = Cuts.of(heights)
    level = float(np.mean(heights))
    for _ in range(ROUNDS):
        # What equals the level belongs to the upper side, as light at the on-level is light to the comparator.
        k = int(np.searchsorted(cuts.above, level, side="left").clip(max=cuts.above.size - 1))
        moved = float(cuts.mean_below[k] + cuts.mean_above[k]) / 2
        if moved == level:
            break
        level = moved
    return level
