"""What can be keyed in at a device: the cells of a design lie on its steps."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from teachlab.errors import Abstained
from teachlab.model.arrays import Floats
from teachlab.model.printable_text import level_text
from teachlab.sensor.clock import delay_evaluations

if TYPE_CHECKING:
    from teachlab.teaching.cells.shown_light import ShownLight

FILTERS = (1, 3)
FUZZ = 1e-9
"""Part of a step by which rounding may miss a value that can be keyed in."""


@dataclass(frozen=True, slots=True)
class KeyedRange:
    """Values from `low` to at most `high` in steps; the last one need not be `high`.

    Examples
    --------
    From 0 to 10 in steps of 4, nothing can be keyed in above 8:

    >>> KeyedRange(0, 10, 4).nearest([5, 10]).tolist(), KeyedRange(0, 10, 4).at_most(7.9)
    ([4.0, 8.0], 4)
    """

    low: float
    high: float
    step: float

    def nearest(self, wanted: ArrayLike) -> Floats:
        """Return the nearest of them to each value."""
        last = math.floor((self.high - self.low) / self.step + FUZZ)
        places = np.clip(np.round((np.asarray(wanted) - self.low) / self.step), 0, last)
        return np.asarray(self.low + places.astype(np.int64) * self.step, np.float64)

    def at_most(self, wanted: float) -> float:
        """Return the largest of them up to a value, or the smallest."""
        return self.low + max(0, math.floor((min(wanted, self.high) - self.low) / self.step + FUZZ)) * self.step


@dataclass(frozen=True, slots=True, kw_only=True)
class DeviceSteps:
    """What a device takes; what is not stated may be anything.

    `levels`: recording units.
    `on_delays`, `off_delays`: ms.
    `filters`: evaluations in a row, ascending.
    `hysteresis` (recording units): distance of the release from the level, if the device fixes it.
    `rate_hz`: evaluations per second.
    """

    levels: KeyedRange | None = None
    on_delays: KeyedRange | None = None
    off_delays: KeyedRange | None = None
    filters: tuple[int, ...] = FILTERS
    hysteresis: float | None = None
    rate_hz: float = 1.0

    def levels_near(self, shares: Floats, releases: Floats, shown: ShownLight) -> tuple[Floats, Floats | None]:
        """Return the levels nearest to those wanted, and their releases, both as f; no releases: any can be set.

        `shares`, `releases`: f and h.

        Raises `Abstained` if no level that can be keyed in lies above the gaps.
        """
        if self.levels is None and self.hysteresis is None:
            return shares, None
        shares = np.unique(self._steps_near(shares, shown))
        shares = shares[shares > 0]
        if not shares.size:
            sign = 1 if shown.rise else -1
            raise Abstained(
                "no level that can be keyed in lies between the gaps and the passes",
                f"gaps at {level_text(sign * shown.background)}, the median pass at "
                f"{level_text(sign * (shown.background + shown.contrast))}",
                "a display that takes a level between them",
            )
        if self.hysteresis is None:
            return shares, np.minimum(self._steps_near(shares[:, None] * (1 - releases), shown), shares[:, None])
        return shares, (shares - self.hysteresis / shown.contrast)[:, None]

    def _steps_near(self, shares: Floats, shown: ShownLight) -> Floats:
        if self.levels is None:
            return shares
        sign = 1 if shown.rise else -1
        light = sign * (shown.background + shares * shown.contrast)
        return (sign * self.levels.nearest(light) - shown.background) / shown.contrast

    def delays_near(self, wanted: NDArray[np.int64], steps: KeyedRange | None) -> NDArray[np.int64]:
        """Return the delays that can be keyed in near those wanted, and the shortest one; in evaluations."""
        if steps is None:
            return wanted
        near = [steps.low, *steps.nearest(wanted * 1000 / self.rate_hz).tolist()]
        return np.unique([delay_evaluations(ms, self.rate_hz) for ms in near])

    def keyed_ms(self, delay: int, steps: KeyedRange | None) -> float:
        """Return the delay to key in for so many evaluations, ms."""
        ms = delay * 1000 / self.rate_hz
        # A delay acts until the next evaluation, so the longest one that is not beyond it gives as many.
        return ms if steps is None else steps.at_most(ms)
