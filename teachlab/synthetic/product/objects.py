"""The objects on the belt: what each kind does to the light, one small table per property.

Levels are in percent of the receiver's full scale, as a clean new sensor would show them.
"""

from __future__ import annotations

from typing import Literal, Self

import numpy as np
from pydantic import Field, model_validator

from teachlab.model.arrays import Floats, Floats32
from teachlab.synthetic.shared.consistency import object_faults
from teachlab.synthetic.shared.spread import Amount, Constant, Share, Spread
from teachlab.synthetic.shared.tables import Table


class Texture(Table):
    """Level variation along the belt as the sensor sees it through its beam, exponentially correlated over a length."""

    sd_percent: float = Field(ge=0, le=100)
    length_mm: float = Field(gt=0)
    floor_percent: float = Field(default=0.0, ge=0, le=1000)
    ceiling_percent: float = Field(default=1000.0, ge=0, le=1000)

    def words(self, of: str) -> str:
        """Return the effect in words."""
        return f"{of} texture of sd {self.sd_percent:g} % of full scale, correlated over {self.length_mm:g} mm"


class Glints(Table):
    """Bright reflexes: Gaussian bumps, as the sensor sees them, at random places of an object, Poisson in number."""

    per_object: float = Field(ge=0, le=100)
    amplitude_percent: Spread
    sd_mm: float = Field(gt=0)

    def words(self) -> str:
        """Return the effect in words."""
        return f"{self.per_object:g} glints per object, height {self.amplitude_percent.words('% of full scale')}"


class ZoneSwap(Table):
    """Glossy places and edges send the light into the other receiver zone of a background-suppressed sensor.

    The difference of the zones changes its sign there: a bump of height ``depth·(100 − 2·level)``, which mirrors the
    level about half of full scale if depth is 1. The number of glossy places is Poisson; `edge_share` of the leading
    edges, and of the trailing edges, do this.
    """

    per_object: float = Field(default=0.0, ge=0, le=100)
    edge_share: float = Field(default=0.0, ge=0, le=1)
    depth: float = Field(default=1.0, gt=0, le=1)
    sd_mm: float = Field(gt=0)

    def words(self) -> str:
        """Return the effect in words."""
        return (
            f"glossy places ({self.per_object:g} per object) and {100 * self.edge_share:g} % of the edges swap the "
            "receiver zones"
        )


class Transparent(Table):
    """A clear container in a beam: two dark edge dips, and a middle that may be brighter than no object.

    Multiplies the background light by ``(1 + F (middle − 1)) · Π (1 − D_e)`` with the fill F and, per edge,
    ``D_e = (1 − edge) · w/s · exp(−(u − u_e)²/(2 s²))``, ``s² = w² + σ_beam²``. Here w is `edge_sd_mm`, of a dip before
    the beam smooths it, and u_e lies `edge_inset_mm` within the end. A container that acts as a lens has a middle above
    1. All are drawn once per object.
    """

    edge_transmission: Share
    edge_sd_mm: float = Field(gt=0)
    edge_inset_mm: float = Field(ge=0)
    middle_transmission: Amount

    def words(self) -> str:
        """Return the effect in words."""
        return (
            f"transparent: edge dips to {self.edge_transmission.words('of the clear light')}, "
            f"middle {self.middle_transmission.words('of it')}"
        )


class Print(Table):
    """Printed areas: evenly spaced blocks whose level is a share of the object's, drawn once per object."""

    blocks: int = Field(ge=1, le=50)
    cover: float = Field(gt=0, lt=1)
    factor: Amount

    def words(self) -> str:
        """Return the effect in words."""
        return f"{self.blocks} printed blocks over {100 * self.cover:g} % of it, {self.factor.words('of its level')}"


class Tumbling(Table):
    """Projected length of a tumbling part, ``L |cos a| + W |sin a|`` with a random angle; L: length of the object."""

    width_mm: float = Field(gt=0)

    def words(self) -> str:
        """Return the effect in words."""
        return f"tumbling, {self.width_mm:g} mm wide"


WAVES = 24
"""Sines of an irregular flutter: enough for a movement that is nearly normal and does not repeat."""


class Flutter(Table):
    """Level modulated by a fluttering web: ``1 + depth · w(t)``, or by its tilt, ``cos(tilt · w(t))^gloss``.

    ``w = sin(2π f t + φ)``, or of unit variance: irregular, a sum of `WAVES` sines of random phase with frequencies
    drawn once between 0.4 and 1.6 f; or random, first-order autoregressive with ``corr = exp(−2π f |Δt|)``. So depth
    and tilt are peak values of a sine, otherwise standard deviations. A light web moves irregularly, one in a jet of
    air at random. At rest a flat web is perpendicular to the beam and only loses light.
    """

    shape: Literal["sine", "irregular", "random"] = "sine"
    depth: float | None = Field(default=None, ge=0, le=1)
    tilt_deg: float | None = Field(default=None, gt=0, le=60)
    gloss: float = Field(default=1.0, ge=1, le=1000)
    frequency_hz: float = Field(gt=0)

    @model_validator(mode="after")
    def _one_way(self) -> Self:
        if (self.depth is None) == (self.tilt_deg is None):
            raise ValueError("give exactly one of depth and tilt_deg")
        if self.tilt_deg is None and self.gloss != 1:
            raise ValueError("gloss is the exponent of a tilt: give tilt_deg instead of depth")
        return self

    def change(self, movement: Floats32) -> Floats32:
        """Return the relative change of the level for a movement w, float32, at least −1."""
        if self.tilt_deg is None:
            change: Floats32 = np.maximum(np.float32(self.depth or 0.0) * movement, np.float32(-1.0))
            return change
        square = np.float32(np.pi / 2)
        angle = np.clip(np.float32(np.radians(self.tilt_deg)) * movement, -square, square)
        # Tilted matt surfaces lose light with the cosine, glossy ones with a high power of it.
        out: Floats32 = np.maximum(np.cos(angle), np.float32(0.0)) ** np.float32(self.gloss) - np.float32(1.0)
        return out

    def words(self) -> str:
        """Return the effect in words."""
        by = f"{self.tilt_deg:g} degrees, gloss {self.gloss:g}," if self.depth is None else f"{100 * self.depth:g} %"
        how = {"sine": "at", "irregular": "irregularly about", "random": "at random, mostly below"}[self.shape]
        return f"flutters by {by} {how} {self.frequency_hz:g} Hz"


class Wrap(Table):
    """Stretched film that leaks through a crossed analyser, ``leak · sin²(2ψ) · sin²(δ/2)``.

    ψ and δ vary along the object (independent, correlated over `length_mm`, several turns wide), so the mean leak is a
    quarter of `leak_percent`, the specular return of the film if the analyser let all of it pass.
    """

    leak_percent: float = Field(ge=0, le=1000)
    length_mm: float = Field(gt=0)

    def words(self) -> str:
        """Return the effect in words."""
        return f"wrapped in stretched film that leaks up to {self.leak_percent:g} % past the analyser"


class Object(Table):
    """One kind of object.

    `share`: share of the passes, or of the lots, relative to the other kinds.
    """

    label: str = Field(min_length=1)
    share: float = Field(default=1.0, gt=0)
    expect: Literal["detect", "ignore"] = "detect"
    length_mm: Amount
    level_percent: Amount | None = None
    reflectance: Share | None = None
    distance_mm: Amount | None = None
    transmission: Share | None = None
    across_mm: Amount | None = None
    tilt_deg: Spread | None = None
    transparent: Transparent | None = None
    texture: Texture | None = None
    glints: Glints | None = None
    zone_swap: ZoneSwap | None = None
    print: Print | None = None
    tumbling: Tumbling | None = None
    flutter: Flutter | None = None
    wrap: Wrap | None = None

    @model_validator(mode="after")
    def _one_level(self) -> Self:
        if faults := object_faults({name: getattr(self, name) for name in type(self).model_fields}):
            raise ValueError("; ".join(faults))
        return self

    def lengths(self, rng: np.random.Generator, size: int) -> Floats:
        """Return projected lengths in mm, at least 0.01."""
        length = self.length_mm.draw(rng, size)
        if self.tumbling is not None:
            angle = rng.uniform(0.0, np.pi, size)
            # A rectangle turned by any angle, seen along the belt: the sum of both projections.
            length = length * np.abs(np.cos(angle)) + self.tumbling.width_mm * np.abs(np.sin(angle))
        return np.maximum(length, 0.01)

    @property
    def clear(self) -> bool:
        """Whether the light of the background passes through it."""
        return self.transparent is not None or self.transmission is not None

    def words(self) -> str:
        """Return the kind in words."""
        if self.level_percent is not None:
            what = f"level {self.level_percent.words('% of full scale')}"
        elif self.transmission is not None:
            what = f"lets {self.transmission.words('of the light')} through"
        elif self.transparent is not None:
            what = self.transparent.words()
        else:
            near = self.distance_mm or Constant(value=0.0)
            of = self.reflectance or Constant(value=0.0)
            what = " ".join(f"reflectance {of.words('')} at {near.words('mm')}".split())
        if self.tilt_deg is not None:
            what += f", tilted by {self.tilt_deg.words('degrees')}"
        across = "" if self.across_mm is None else f" and {self.across_mm.words('mm')} across the belt"
        parts = [f"{self.label}: {self.length_mm.words('mm')} long{across}, {what}"]
        effects = (self.glints, self.zone_swap, self.print, self.tumbling, self.flutter, self.wrap)
        parts += [effect.words() for effect in effects if effect is not None]
        if self.texture is not None:
            parts.append(self.texture.words("along-object"))
        if self.expect == "ignore":
            parts.append("must not switch the sensor")
        return "; ".join(parts)
