"""The beam along the belt: how an edge of an object becomes an edge of the signal.

The profile `h(u)` has integral 1. A straight edge at 0 gives the signal ``C(u) = ∫ h`` up to u; the fill of an object
of length L is ``C(u + L/2) − C(u − L/2)``.

References
----------
Beam radius at 1/e² and the knife-edge width: any text on laser beams (knife-edge method).
"""

from __future__ import annotations

import math
from typing import Annotated, Literal

import numpy as np
from pydantic import Field

from teachlab.model.arrays import Floats
from teachlab.synthetic.shared.tables import Table

GAUSSIAN_REACH = 4.5
"""Standard deviations beyond which the Gaussian edge counts as complete; 3.4e-6 is neglected."""


class GaussianBeam(Table):
    """``h(u) = sqrt(2/π)/w · exp(−2u²/w²)``, standard deviation w/2.

    `radius_mm`: 1/e² radius w; usual 0.2 to 30 mm.
    """

    shape: Literal["gaussian"] = "gaussian"
    radius_mm: float = Field(gt=0, le=1000)

    @property
    def sd_mm(self) -> float:
        """Standard deviation of the profile, w/2."""
        return self.radius_mm / 2

    @property
    def reach_mm(self) -> float:
        """Distance from an edge beyond which the signal does not change."""
        return GAUSSIAN_REACH * self.sd_mm

    @property
    def width_mm(self) -> float:
        """10–90 % edge width, ``2 · 1.2816 · w/2 = 1.2816 w``."""
        return 1.2815515655446004 * self.radius_mm

    def edge(self, u_mm: Floats) -> Floats:
        """Return the share of the beam behind an edge at 0 when its centre is at u."""
        from scipy.special import ndtr

        out: Floats = ndtr(u_mm / self.sd_mm)
        return out

    def words(self) -> str:
        """Return the beam in words."""
        return f"Gaussian beam, radius {self.radius_mm:g} mm (edge 10-90 % over {self.width_mm:.3g} mm)"


class CircularBeam(Table):
    """Evenly lit circular aperture of diameter D, ``h(u) = 8/(πD²) · sqrt(D²/4 − u²)``."""

    shape: Literal["circular"]
    diameter_mm: float = Field(gt=0, le=1000)

    @property
    def radius_mm(self) -> float:
        """Half the diameter."""
        return self.diameter_mm / 2

    @property
    def sd_mm(self) -> float:
        """Standard deviation of the profile, D/4."""
        return self.diameter_mm / 4

    @property
    def reach_mm(self) -> float:
        """Distance from an edge beyond which the signal does not change."""
        return self.diameter_mm / 2

    @property
    def width_mm(self) -> float:
        """10–90 % edge width, 0.687 D."""
        return 0.6870459780 * self.diameter_mm

    def edge(self, u_mm: Floats) -> Floats:
        """Return ``1/2 + (x·sqrt(1−x²) + asin x)/π`` with ``x = 2u/D``."""
        x = np.clip(u_mm / self.reach_mm, -1.0, 1.0)
        # Area of a circle on one side of a straight edge at x radii from its middle.
        out: Floats = 0.5 + (x * np.sqrt(1.0 - x * x) + np.arcsin(x)) / math.pi
        return out

    def words(self) -> str:
        """Return the beam in words."""
        return f"circular aperture of {self.diameter_mm:g} mm (edge 10-90 % over {self.width_mm:.3g} mm)"


class SlitBeam(Table):
    """Evenly lit slit across the belt: a straight ramp of its width along the belt."""

    shape: Literal["slit"]
    slit_mm: float = Field(gt=0, le=1000)

    @property
    def radius_mm(self) -> float:
        """Half the slit."""
        return self.slit_mm / 2

    @property
    def sd_mm(self) -> float:
        """Standard deviation of the profile, slit/√12."""
        return self.slit_mm / math.sqrt(12)

    @property
    def reach_mm(self) -> float:
        """Distance from an edge beyond which the signal does not change."""
        return self.slit_mm / 2

    @property
    def width_mm(self) -> float:
        """10–90 % edge width, 0.8 of the slit."""
        return 0.8 * self.slit_mm

    def edge(self, u_mm: Floats) -> Floats:
        """Return the straight ramp from 0 to 1 over the slit."""
        return np.clip(u_mm / self.slit_mm + 0.5, 0.0, 1.0)

    def words(self) -> str:
        """Return the beam in words."""
        return f"slit of {self.slit_mm:g} mm (edge 10-90 % over {self.width_mm:.3g} mm)"


Beam = Annotated[GaussianBeam | CircularBeam | SlitBeam, Field(discriminator="shape")]
