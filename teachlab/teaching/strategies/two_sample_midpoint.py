"""Two-sample midpoint: one reading on an object, one on the background, and the middle of the two."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import ClassVar

from teachlab.model.setting import Setting
from teachlab.model.teaching import Shown, TeachView
from teachlab.teaching.parameters import CheckedParameters, parameter, record
from teachlab.teaching.rules.classic import mean_of, require_difference


class Band(StrEnum):
    """Where the hysteresis band lies about the midpoint."""

    RELEASE = "release"
    CENTRED = "centred"


@dataclass(frozen=True, slots=True, kw_only=True)
class TwoSampleMidpoint(CheckedParameters):
    """Place the level halfway between one object and one stretch of background.

    Parameters
    ----------
    hysteresis_share : float, share of the difference of the readings, in [0, 1]
        Distance from the active level to the release.
    band : Band
        `release`: the output becomes active at the midpoint, and the whole band lies on the release side;
        `centred`: the midpoint is the middle of the band.

    Notes
    -----
    With the reading s on the object and b on the background, M = (s + b)/2 and
    H = `hysteresis_share` · |s − b|; the output becomes active at T = M, or at M + H/2 towards the objects
    where the band is centred. Polarity follows the known direction of the objects, never the order of the
    two readings: where s and b come out in the wrong order the level is placed all the same.

    When it fails: T moves by half the spread of the pieces; a reading at rest is wrong for a small object in
    motion; unequal noise on the two sides is ignored; the middle of the levels lies badly where the contrast
    is a ratio; a share of the difference may be less than any periodic interferer. It abstains only where
    the readings are equal.

    References
    ----------
    Common practice of two-point teaching, no source; a hysteresis of 5 to 20 % of the difference is usual.

    Examples
    --------
    >>> TwoSampleMidpoint().hysteresis_share
    0.1
    """

    name: ClassVar[str] = "two-sample-midpoint"
    needs: ClassVar[frozenset[Shown]] = frozenset({Shown.OBJECT, Shown.BACKGROUND})

    hysteresis_share: float = parameter(
        0.1,
        "distance of the release from the level",
        unit="share of the difference of the readings",
        at_least=0,
        at_most=1,
    )
    band: Band = parameter(Band.RELEASE, "where the hysteresis lies about the midpoint")

    def teach(self, view: TeachView) -> Setting:
        """Return the level between the two readings shown."""
        product = mean_of(view.object, "in the reading on the object")
        background = mean_of(view.background.reading, "in the reading on the background")
        difference = require_difference(view, product - background, "object and background read the same")
        hysteresis = self.hysteresis_share * abs(difference)
        level = (product + background) / 2
        if self.band is Band.CENTRED:
            level += view.sign * hysteresis / 2
        return view.place(level, hysteresis, record(self, object=product, background=background))
