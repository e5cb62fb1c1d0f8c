"""Background-referenced: watch the empty sensor, and place the level a distance away from it."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import ClassVar

import numpy as np

from teachlab.model.setting import Setting
from teachlab.model.teaching import Background, Levels, Shown, TeachView
from teachlab.teaching.parameters import check_parameters, parameter, record, refusal
from teachlab.teaching.rules.classic import above_dark, mean_of, require, require_difference


class Distance(StrEnum):
    """How the distance from the background is measured."""

    PERCENT = "percent"
    FIXED_OFFSET = "fixed-offset"
    STANDARD_DEVIATIONS = "standard-deviations"
    EXTREME_OFFSET = "extreme-offset"


@dataclass(frozen=True, slots=True, kw_only=True)
class BackgroundReferenced:
    """Place the level a distance away from the background, towards the objects.

    Parameters
    ----------
    distance : Distance
        `percent` of the mean light, a `fixed-offset` from the mean, `standard-deviations` from the mean,
        or an offset from the most extreme background (`extreme-offset`).
    share : float, share of the light above dark, above 0
        r, for `percent`: 0.3 is 30 %. Where objects lower the light it must be below 1.
    hysteresis_share : float, share of the level above dark, in [0, 1)
        Distance from the active level to the release, for `percent`.
    deviations : float, standard deviations, above 0
        k, for `standard-deviations`.
    hysteresis_deviations : float, standard deviations, at least 0
        Distance from the active level to the release, for `standard-deviations`.
    offset : float, recording units, above 0, optional
        c, for `fixed-offset` and `extreme-offset`; no default can suit every unit, so it must be given.
    hysteresis_of_offset : float, share of the offset, in [0, 1)
        Distance from the active level to the release, for the two offset rules.

    Notes
    -----
    With d the dark level, mean and sd those of the background, min and max its extremes:

    ===================  ============================  ============================  ==================
    distance             rise                          dip                           H
    ===================  ============================  ============================  ==================
    percent              T = d + (mean − d)(1 + r)     T = d + (mean − d)(1 − r)     2 % of (T − d)
    fixed-offset         T = mean + c                  T = mean − c                  20 % of c
    standard-deviations  T = mean + k·sd               T = mean − k·sd               2 sd
    extreme-offset       T = max + c                   T = min − c                   20 % of c
    ===================  ============================  ============================  ==================

    The mean of the first two rules is a static reading of 40 evaluations. The other two look at the longer
    of 2 s and 40 evaluations of gap samples; sd has n − 1 in its denominator.

    When it fails: a background event that was not shown (a belt seam), a rise of ambient light or pedestal, and with
    dips a loss of gain move the background across T. k·sd of a textured background is neither per event nor robust,
    and too few samples make sd too small. `percent` abstains at or
    below the dark level, `standard-deviations` where sd is zero.

    References
    ----------
    Common practice of background teaching, no source; k between 4 and 8 is usual. The share of the offset
    that becomes hysteresis is a choice of this package.

    Examples
    --------
    >>> BackgroundReferenced(distance="fixed-offset", offset=25.0).offset
    25.0
    """

    name: ClassVar[str] = "background-referenced"
    needs: ClassVar[frozenset[Shown]] = frozenset({Shown.BACKGROUND})

    distance: Distance = parameter(Distance.PERCENT, "how the distance from the background is measured")
    share: float = parameter(0.3, "distance, for percent", unit="share of the light above dark", above=0)
    hysteresis_share: float = parameter(
        0.02, "hysteresis, for percent", unit="share of the level above dark", at_least=0, below=1
    )
    deviations: float = parameter(6.0, "distance, for standard-deviations", unit="standard deviations", above=0)
    hysteresis_deviations: float = parameter(
        2.0, "hysteresis, for standard-deviations", unit="standard deviations", at_least=0
    )
    offset: float | None = parameter(
        None, "distance, for fixed-offset and extreme-offset", unit="recording units", above=0
    )
    hysteresis_of_offset: float = parameter(
        0.2, "hysteresis, for fixed-offset and extreme-offset", unit="share of the offset", at_least=0, below=1
    )

    def __post_init__(self) -> None:
        check_parameters(self)
        if self.offset is None and self.distance in (Distance.FIXED_OFFSET, Distance.EXTREME_OFFSET):
            raise refusal(self.name, "offset", f"be given for {self.distance}", None, unit="recording units")

    def teach(self, view: TeachView) -> Setting:
        """Return the level for the background shown."""
        background = view.background
        if self.distance is Distance.PERCENT:
            return self._percent(view, background)
        if self.distance is Distance.STANDARD_DEVIATIONS:
            return self._deviations(view, background.stretch)
        return self._offset(view, background)

    def _percent(self, view: TeachView, background: Background) -> Setting:
        mean = mean_of(background.reading, "in the reading on the background")
        light = above_dark(view, mean, "the background")
        placed = light * (1 + view.sign * self.share)
        level = view.dark_level + placed
        above_dark(view, level, f"the level {self.share:.3g} of its light below the background")
        return view.place(level, self.hysteresis_share * placed, record(self, background=mean))

    def _deviations(self, view: TeachView, stretch: Levels) -> Setting:
        require(stretch, "on the background", at_least=2)
        require_difference(view, float(np.ptp(stretch)), "the background shows no spread")
        mean, sd = float(np.mean(stretch)), float(np.std(stretch, ddof=1))
        level = mean + view.sign * self.deviations * sd
        told = record(self, background=mean, standard_deviation=sd, evaluations=int(stretch.size))
        return view.place(level, self.hysteresis_deviations * sd, told)

    def _offset(self, view: TeachView, background: Background) -> Setting:
        offset = self.offset if self.offset is not None else 0.0
        if self.distance is Distance.FIXED_OFFSET:
            start = mean_of(background.reading, "in the reading on the background")
            told = record(self, background=start)
        else:
            require(background.stretch, "on the background")
            start = float(view.sign * np.max(view.sign * background.stretch))
            told = record(self, extreme=start, evaluations=int(background.stretch.size))
        return view.place(start + view.sign * offset, self.hysteresis_of_offset * offset, told)
