"""Single-sample: one static reading, and a share of its light to the other state."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import ClassVar

from teachlab.model.recording import Direction
from teachlab.model.setting import Setting
from teachlab.model.teaching import Shown, TeachView
from teachlab.teaching.parameters import CheckedParameters, parameter, record
from teachlab.teaching.rules.classic import above_dark, mean_of


class Sample(StrEnum):
    """What stands in front of the sensor when the button is pressed."""

    OBJECT = "object"
    BACKGROUND = "background"


@dataclass(frozen=True, slots=True, kw_only=True)
class SingleSample(CheckedParameters):
    """Place the level a share of the light away from one reading.

    Parameters
    ----------
    sample : Sample
        `object`: one reading on an object; `background`: one on the empty background or the clear beam.
    reduction : float, share of the light above dark, in (0, 1)
        r: how far the level lies from the reading, towards the other state.
    hysteresis_share : float, share of the level above dark, in [0, 1)
        Distance from the active level to the release.

    Notes
    -----
    With the reading s on an object or b on the background, d the dark level and r the reduction:

    ==========  =======================  =====================
    sample      rise                     dip
    ==========  =======================  =====================
    object      T = d + (s − d)(1 − r)   T = d + (s − d)/(1 − r)
    background  T = d + (b − d)(1 + r)   T = d + (b − d)(1 − r)
    ==========  =======================  =====================

    T is where the output becomes active, and H = `hysteresis_share` · (T − d).

    When it fails: it does not know the other state. The spread of the pieces goes into T times (1 − r)
    or 1/(1 − r); a clear object read at its middle looks like the clear beam; several colours, or a
    contrast below r, leave T on the wrong side. It abstains at or below the dark level.

    References
    ----------
    Common practice of static one-point teaching, no source; r between 0.1 and 0.5 is usual.

    Examples
    --------
    >>> SingleSample(reduction=0.2).needs == {Shown.OBJECT}
    True
    """

    name: ClassVar[str] = "single-sample"

    sample: Sample = parameter(Sample.OBJECT, "what the reading is taken on")
    reduction: float = parameter(
        0.25, "distance of the level from the reading", unit="share of the light above dark", above=0, below=1
    )
    hysteresis_share: float = parameter(
        0.02, "distance of the release from the level", unit="share of the level above dark", at_least=0, below=1
    )

    @property
    def needs(self) -> frozenset[Shown]:
        """The one reading that the variant takes."""
        return frozenset({Shown(self.sample.value)})

    def teach(self, view: TeachView) -> Setting:
        """Return the level for the one reading shown."""
        reading = view.object if self.sample is Sample.OBJECT else view.background.reading
        level = mean_of(reading, f"in the reading on the {self.sample}")
        light = above_dark(view, level, f"the reading on the {self.sample}")
        placed = light * self._factor(view.direction)
        return view.place(
            view.dark_level + placed, self.hysteresis_share * placed, record(self, **{self.sample.value: level})
        )

    def _factor(self, direction: Direction) -> float:
        r, rise = self.reduction, direction is Direction.RISE
        if self.sample is Sample.OBJECT:
            return 1 - r if rise else 1 / (1 - r)
        return 1 + r if rise else 1 - r
