"""What the sensor sees when no object is there: belt, reflector or emitter, with its texture and marks."""

from __future__ import annotations

from typing import Literal

import numpy as np
from pydantic import Field

from teachlab.errors import ScenarioError
from teachlab.model.arrays import Floats
from teachlab.synthetic.product.objects import Texture
from teachlab.synthetic.sensor.beam import CircularBeam, GaussianBeam, SlitBeam
from teachlab.synthetic.shared.tables import Table

MOST_AT_ONCE = 10_000_000
"""Marks on the belt in one block of samples: 80 MB of places."""


class Mark(Table):
    """Something periodic on the belt: seam, lacing, cleat.

    A bump as the sensor sees it, or a block of constant height whose edges the beam smooths; darker than the belt if
    the amplitude is negative.
    """

    label: str = Field(default="seam", min_length=1)
    every_mm: float = Field(gt=0)
    first_mm: float = Field(default=0.0, ge=0)
    shape: Literal["gaussian", "block"] = "gaussian"
    amplitude_percent: float
    size_mm: float = Field(gt=0)
    as_pass: bool = False

    @property
    def half_mm(self) -> float:
        """Half the width at half height."""
        return self.size_mm / 2 if self.shape == "block" else 1.1774100225154747 * self.size_mm

    def reach_mm(self, beam: GaussianBeam | CircularBeam | SlitBeam) -> float:
        """Distance from its centre beyond which it has no effect."""
        return 5 * self.size_mm if self.shape == "gaussian" else self.size_mm / 2 + beam.reach_mm

    def at(self, u_mm: Floats, beam: GaussianBeam | CircularBeam | SlitBeam) -> Floats:
        """Return its light at a distance from its centre."""
        if self.shape == "gaussian":
            bump: Floats = self.amplitude_percent * np.exp(-0.5 * (u_mm / self.size_mm) ** 2)
            return bump
        half = self.size_mm / 2
        return self.amplitude_percent * (beam.edge(u_mm + half) - beam.edge(u_mm - half))

    def centres_mm(self, low_mm: float, high_mm: float) -> Floats:
        """Return the centres within a stretch of belt, ``[low, high]``.

        Raises ScenarioError if there are too many of them.
        """
        first = max(0, int(np.ceil((low_mm - self.first_mm) / self.every_mm)))
        last = int(np.floor((high_mm - self.first_mm) / self.every_mm))
        if last - first > MOST_AT_ONCE:
            raise ScenarioError(
                f"marks '{self.label}': {last - first:.3g} of them lie on {high_mm - low_mm:.3g} mm of belt that are "
                f"made at once; at most {MOST_AT_ONCE:,} can be. Raise their every_mm, or lower the speed."
            )
        return self.first_mm + self.every_mm * np.arange(first, last + 1, dtype=np.float64)

    def words(self) -> str:
        """Return the effect in words."""
        size = f"{self.size_mm:g} mm long" if self.shape == "block" else f"a bump of sd {self.size_mm:g} mm"
        ignored = ", a pass to be ignored in gaps" if self.as_pass else ""
        return (
            f"a {self.label} every {self.every_mm:g} mm, {self.amplitude_percent:+g} % of full scale, {size}{ignored}"
        )


class BeltBackground(Table):
    """Light without an object; for a clear beam the texture is flutter of reflector or air."""

    level_percent: float = Field(ge=0, le=1000)
    texture: Texture | None = None
    marks: tuple[Mark, ...] = ()

    def words(self) -> str:
        """Return the background in words."""
        parts = [f"background {self.level_percent:g} % of full scale"]
        if self.texture is not None:
            parts.append(self.texture.words("background"))
        parts += [mark.words() for mark in self.marks]
        return "; ".join(parts)
