"""Ratio midpoint: the level that both readings miss by the same factor."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import ClassVar

from teachlab.errors import Abstained, ParameterError
from teachlab.model.setting import Setting, Taught
from teachlab.model.teaching import Shown, TeachView


@dataclass(frozen=True, slots=True, kw_only=True)
class RatioMidpoint:
    """Place the level at the geometric mean of one object and one stretch of background.

    Parameters
    ----------
    hysteresis_share : float, share of the difference of the readings, in [0, 1)
        Distance from the active level to the release.

    Notes
    -----
    With the readings s and b, and the dark level d: T = d + √((s − d)(b − d)), so that
    (s − d)/(T − d) = (T − d)/(b − d): both sides have the same excess gain. H = share · |s − b|.

    When it fails: where the light of one side is near dark, any ambient light breaks the ratio. It abstains
    at or below the dark level, and where the readings are equal.

    References
    ----------
    Excess gain as a ratio of light above dark: common practice, no source.
    """

    name: ClassVar[str] = "example-ratio-midpoint"
    needs: ClassVar[frozenset[Shown]] = frozenset({Shown.OBJECT, Shown.BACKGROUND})
    equivariant: ClassVar[frozenset[str]] = frozenset({"gain"})

    hysteresis_share: float = field(
        default=0.1,
        metadata={"unit": "share of the difference of the readings", "help": "distance of the release from the level"},
    )

    def __post_init__(self) -> None:
        if not 0 <= self.hysteresis_share < 1:
            raise ParameterError(
                f"strategy '{self.name}': hysteresis_share must be at least 0 and below 1, "
                f"got {self.hysteresis_share}. 0.1 is 10 % of the difference of the readings."
            )

    def teach(self, view: TeachView) -> Setting:
        """Return the level between the two readings shown."""
        product, background = view.object.light, view.background.reading.light
        if product.size == 0 or background.size == 0:
            raise Abstained("no valid evaluation was shown", f"{product.size} and {background.size}", "at least 1 each")
        s, b = view.object.mean, view.background.reading.mean
        if s == b:
            raise Abstained("object and background read the same", f"{s:.6g} {view.unit}", "two different readings")
        lower = min(s, b)
        if lower <= view.dark_level:
            raise Abstained(
                "a ratio needs light above dark on both sides",
                f"{lower:.6g} {view.unit}",
                f"above {view.dark_level:.6g} {view.unit}",
            )
        level = view.dark_level + math.sqrt((s - view.dark_level) * (b - view.dark_level))
        told = Taught(strategy=self.name, evidence={"object": s, "background": b})
        return view.place(level, self.hysteresis_share * abs(s - b), told)
