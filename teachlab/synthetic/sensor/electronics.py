"""Front end, noise and converter of the sensor."""

from __future__ import annotations

import math

import numpy as np
from pydantic import Field

from teachlab.model.arrays import Floats32
from teachlab.synthetic.shared.sample_stretch import SampleStretch
from teachlab.synthetic.shared.streams import Track
from teachlab.synthetic.shared.tables import Table


class FrontEnd(Table):
    """Bandwidth of the receiver: a first-order low pass on the optical signal; 10–90 % of a step takes ``τ ln 9``."""

    time_constant_us: float = Field(default=0.0, ge=0)

    def words(self) -> str:
        """Return the effect in words."""
        return f"the front end responds with a time constant of {self.time_constant_us:g} microseconds"


class LowPass:
    """First-order low pass, exact for a signal that holds between samples: ``y += (1 − e^{−T/τ})(x − y)``."""

    def __init__(self, config: FrontEnd, rate_hz: float) -> None:
        tau = config.time_constant_us * 1e-6
        self._keep = 0.0 if tau == 0 else math.exp(-1.0 / (rate_hz * tau))
        self._last: tuple[int, float] | None = None

    @property
    def active(self) -> bool:
        """Whether it does anything."""
        return self._keep > 0.0

    def needs(self, index: int) -> bool:
        """Whether the chunk before must be processed first."""
        return self.active and index > 0 and (self._last is None or self._last[0] != index - 1)

    def apply(self, index: int, optical: Floats32) -> Floats32:
        """Return the optical signal of a chunk after the front end; it is settled before the recording begins."""
        if not self.active:
            return optical
        from scipy.signal import lfilter

        before = float(optical[0]) if self._last is None else self._last[1]
        b, a = [1.0 - self._keep], [1.0, -self._keep]
        out, _ = lfilter(b, a, optical.astype(np.float64), zi=[self._keep * before])
        self._last = (index, float(out[-1]))
        result: Floats32 = out.astype(np.float32)
        return result


class ReceiverNoise(Table):
    """Noise of one evaluation, ``σ²(x) = thermal² + κ·(x + x_ambient) + (rin·x_optical)²``, all in percent.

    One normal deviate serves all three, because variances add. Quantisation adds its own twelfth of a squared step.

    `shot_kappa`: variance per percent of light, ``100 / electrons at full scale``.
    `rin`: noise of source, vibration and air as a share of the optical signal.
    `rho`: lag-one correlation of the deviates, coloured by the sensor's own averaging.
    """

    thermal_percent: float = Field(default=0.12, ge=0, le=50)
    shot_kappa: float = Field(default=3e-4, ge=0, le=1)
    rin: float = Field(default=0.002, ge=0, le=1)
    rho: float = Field(default=0.0, ge=0, le=0.9)

    @property
    def silent(self) -> bool:
        """Whether there is no noise at all."""
        return self.thermal_percent == 0 and self.shot_kappa == 0 and self.rin == 0

    def words(self) -> str:
        """Return the noise in words."""
        tint = f", correlated by {self.rho:g} from sample to sample" if self.rho else ""
        return (
            f"noise: thermal {self.thermal_percent:g} % of full scale, shot {self.shot_kappa:g} per percent, "
            f"source {100 * self.rin:g} % of the light{tint}"
        )


def sigma(noise: ReceiverNoise, level: Floats32, optical: Floats32, ambient_percent: float | Floats32) -> Floats32:
    """Return the standard deviation of the noise at each level, percent of full scale; ambient may be an array, too."""
    variance = np.maximum(level, np.float32(0.0))
    variance *= np.float32(noise.shot_kappa)
    variance += np.asarray(noise.thermal_percent**2 + noise.shot_kappa * ambient_percent, np.float32)
    source = optical * np.float32(noise.rin)
    source *= source
    variance += source
    return np.sqrt(variance, out=variance)


class NoiseTrack:
    """The noise of one recording."""

    def __init__(self, noise: ReceiverNoise, seed: int) -> None:
        self._noise = noise
        self._track = Track(seed, "noise", noise.rho)

    def add(self, stretch: SampleStretch, out: Floats32, optical: Floats32, ambient_percent: float | Floats32) -> None:
        """Add the noise of a stretch to `out`, in place."""
        if not self._noise.silent:
            noise = sigma(self._noise, out, optical, ambient_percent)
            noise *= self._track.chunk(stretch.index)
            out += noise


def quantise(percent: Floats32, top: int) -> Floats32:
    """Clip to 0 … 100 % and round to steps of ``100 / top``; return the codes 0 … top, in place."""
    percent *= np.float32(top / 100.0)
    np.rint(percent, out=percent)
    return np.clip(percent, np.float32(0.0), np.float32(top), out=percent)
