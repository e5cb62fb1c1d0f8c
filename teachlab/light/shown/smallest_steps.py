"""The smallest step between levels of many stretches, found in one reading."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from teachlab.light.noise import SmallestStep

if TYPE_CHECKING:
    from teachlab.light.stretches import Evaluated

STEP_LEVELS = 1 << 16
"""Number of evaluations, evenly thinned, in which the smallest step between levels is searched."""


def smallest_steps(evaluated: Evaluated, stretches: Sequence[tuple[int, int]]) -> dict[tuple[int, int], float | None]:
    """Return the smallest step of each stretch ``[first, last)``, as `StretchLight.step` does of its own light.

    Every n-th valid evaluation of a stretch is looked at, so that there are `STEP_LEVELS` of them or a little more.
    """
    every = [max(1, (last - first) // STEP_LEVELS) for first, last in stretches]
    few = [np.empty(-(-(b - a) // n), evaluated.exact) for (a, b), n in zip(stretches, every, strict=True)]
    valid, taken = np.zeros((2, len(stretches)), np.int64)
    begin, end = min(a for a, _ in stretches), max(b for _, b in stretches)
    for at, levels in evaluated.blocks(begin, end):
        holes = bool(np.isnan(levels).any())
        for k, (first, last) in enumerate(stretches):
            part = levels[max(first - at, 0) : max(last - at, 0)]
            if part.size:
                part = part[~np.isnan(part)] if holes else part
                # Goes on where the block before ended.
                some = part[-valid[k] % every[k] :: every[k]]
                few[k][taken[k] : taken[k] + some.size] = some
                valid[k] += part.size
                taken[k] += some.size
    out: dict[tuple[int, int], float | None] = {}
    for k, stretch in enumerate(stretches):
        found = SmallestStep()
        found.push(few[k][: taken[k]])
        out[stretch] = found.step()
    return out
