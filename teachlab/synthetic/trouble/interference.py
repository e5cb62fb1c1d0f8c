"""Light and disturbance from elsewhere, added after the optical signal: each effect is one table and one function.

All amplitudes are what remains in the signal after the sensor's own suppression, in percent of full scale.
"""

from __future__ import annotations

import numpy as np
from pydantic import Field

from teachlab.model.arrays import Floats32
from teachlab.synthetic.shared.sample_stretch import SampleStretch, near, turns
from teachlab.synthetic.shared.spread import Pareto, Spread
from teachlab.synthetic.shared.streams import CHUNK, stream
from teachlab.synthetic.shared.tables import Table
from teachlab.synthetic.trouble.neighbours import GatedNeighbour, Neighbour, gated_neighbour, neighbour
from teachlab.synthetic.trouble.passing import Passers, PasserTrain, Steps, StepTrain


class Ambient(Table):
    """Steady ambient light: an offset that remains after demodulation, and its shot noise.

    `shot_percent`: photocurrent divided by the full-scale current, times 100; it adds to the level in the shot noise
    only.
    `compression`: E/E_sat of the front end: divides the optical signal by ``1 + compression²``.
    """

    residual_percent: float = Field(default=0.0, ge=0, le=100)
    shot_percent: float = Field(default=0.0, ge=0)
    compression: float = Field(default=0.0, ge=0, le=10)

    @property
    def front_end_gain(self) -> float:
        """Gain of the compressed front end, ``1 / (1 + (E/E_sat)²)``."""
        return 1.0 / (1.0 + self.compression**2)

    def words(self) -> str:
        """Return the effect in words."""
        return (
            f"ambient light leaves {self.residual_percent:g} % of full scale, adds the shot noise of "
            f"{self.shot_percent:g} % and compresses the signal to {self.front_end_gain:.3g}"
        )


class Lamp(Table):
    """Lamps on the mains: ``a1 cos θ + a2 cos(2θ + ψ)`` with ``θ = 2π·2f·t + φ``, φ random.

    Sampling below 8f aliases the harmonics without a further key. ψ shapes the wave: at 0 the peaks of both coincide,
    at 180 the troughs.

    `shot_percent`: of the mean lamp light, as in `Ambient`, with the flicker ``1 + m1 cos θ + m2 cos(2θ + ψ)``; m1 and
    m2 are `modulation` and `second_modulation`.
    """

    mains_hz: float = Field(default=50.0, gt=0)
    first_percent: float = Field(ge=0, le=100)
    second_percent: float = Field(default=0.0, ge=0, le=100)
    second_phase_deg: float = Field(default=0.0, ge=-360, le=360)
    shot_percent: float = Field(default=0.0, ge=0)
    modulation: float = Field(default=0.0, ge=0, le=1)
    second_modulation: float = Field(default=0.0, ge=0, le=1)

    def words(self) -> str:
        """Return the effect in words."""
        shot = (
            f", and add the shot noise of {self.shot_percent:g} %, modulated by {100 * self.modulation:g} %"
            if self.shot_percent
            else ""
        )
        second = f" and {self.second_percent:g} % at {4 * self.mains_hz:g} Hz" if self.second_percent else ""
        return f"lamps flicker by {self.first_percent:g} % of full scale at {2 * self.mains_hz:g} Hz{second}{shot}"


def lamp(config: Lamp, stretch: SampleStretch) -> Floats32:
    """Return the flicker of mains lamps, float32, shape (CHUNK,), percent of full scale."""
    return _flicker(config, stretch, config.first_percent, config.second_percent)


def lamp_shot(config: Lamp, stretch: SampleStretch) -> Floats32:
    """Return the lamp light as it counts in the shot noise, float32, shape (CHUNK,), percent of full scale."""
    out = _flicker(config, stretch, config.modulation, config.second_modulation)
    out += np.float32(1.0)
    # both modulations together may result in less than no light
    np.maximum(out, np.float32(0.0), out=out)
    out *= np.float32(config.shot_percent)
    return out


def _flicker(config: Lamp, stretch: SampleStretch, first: float, second: float) -> Floats32:
    theta = 2 * config.mains_hz * stretch.time_s + stream(stretch.seed, "lamp", 0).random()
    out: Floats32 = np.float32(first) * np.cos(turns(theta))
    if second:
        out += np.float32(second) * np.cos(turns(2 * theta + config.second_phase_deg / 360))
    return out


class Ripple(Table):
    """Ripple of electronic ballasts or dimmed LEDs, far above the sample rate: it is aliased to ``|f − k f_s|``.

    `frequency_hz`: LED dimming 200 Hz to 30 kHz, ballast light 40 to 120 kHz.
    """

    amplitude_percent: float = Field(ge=0, le=100)
    frequency_hz: float = Field(gt=0)
    wander_share: float = Field(default=0.01, ge=0, le=0.2)

    def words(self) -> str:
        """Return the effect in words."""
        return f"ripple of {self.amplitude_percent:g} % of full scale at {self.frequency_hz:g} Hz, aliased"


def ripple(config: Ripple, stretch: SampleStretch) -> Floats32:
    """Return aliased ripple, float32, shape (CHUNK,), percent of full scale."""
    rng = stream(stretch.seed, "ripple", 0)
    # The frequency differs from recording to recording, not within one: an alias that stands still would be luck.
    frequency = config.frequency_hz * (1 + config.wander_share * rng.standard_normal())
    out: Floats32 = np.float32(config.amplitude_percent) * np.cos(turns(frequency * stretch.time_s + rng.random()))
    return out


class Strobe(Table):
    """A beacon or camera flash: equal pulses of light."""

    frequency_hz: float = Field(gt=0)
    pulse_ms: float = Field(gt=0)
    amplitude_percent: float = Field(ge=0, le=1000)

    def words(self) -> str:
        """Return the effect in words."""
        return f"a strobe of {self.pulse_ms:g} ms at {self.frequency_hz:g} Hz, {self.amplitude_percent:g} % high"


def strobe(config: Strobe, stretch: SampleStretch) -> Floats32:
    """Return the pulses of a strobe, float32, shape (CHUNK,), percent of full scale."""
    cycles = stretch.time_s * config.frequency_hz + stream(stretch.seed, "strobe", 0).random()
    lit = (cycles - np.floor(cycles)) < config.pulse_ms * 1e-3 * config.frequency_hz
    return np.float32(config.amplitude_percent) * lit.astype(np.float32)


class Spikes(Table):
    """Electromagnetic spikes of both signs, at Poisson times; all lengths up to the longest are equally likely."""

    per_second: float = Field(ge=0)
    amplitude_percent: Spread = Pareto(shape="pareto", minimum=3.0, alpha=1.5)
    longest: int = Field(default=3, ge=1, le=100)

    def words(self) -> str:
        """Return the effect in words."""
        return f"{self.per_second:g} spikes per second of {self.amplitude_percent.words('% of full scale')}"


def spikes(config: Spikes, stretch: SampleStretch) -> Floats32:
    """Return spikes, float32, shape (CHUNK,), percent of full scale; one may have begun in the chunk before."""
    out = np.zeros(CHUNK, np.float32)
    # A spike that began in the chunk before may extend into this one: both are drawn again, each from its own stream.
    for chunk in range(max(stretch.index - 1, 0), stretch.index + 1):
        rng = stream(stretch.seed, "spikes", chunk)
        count = int(rng.poisson(config.per_second * CHUNK / stretch.rate_hz))
        at = rng.integers(0, CHUNK, count) - (stretch.index - chunk) * CHUNK
        length = rng.integers(1, config.longest + 1, count)
        size = config.amplitude_percent.draw(rng, count) * rng.choice([-1.0, 1.0], count)
        sample, owner = near(np.arange(CHUNK, dtype=np.float64), at.astype(float), (at + length - 1).astype(float))
        np.add.at(out, sample, size[owner].astype(np.float32))
    return out


class Interference(Table):
    """Everything that is added to the light from elsewhere; every entry is optional."""

    ambient: Ambient = Ambient()
    lamp: Lamp | None = None
    ripple: Ripple | None = None
    neighbour: Neighbour | None = None
    gated_neighbour: GatedNeighbour | None = None
    steps: Steps | None = None
    passers: Passers | None = None
    strobe: Strobe | None = None
    spikes: Spikes | None = None

    def words(self) -> list[str]:
        """Return one sentence per effect that is present."""
        parts = [] if self.ambient == Ambient() else [self.ambient.words()]
        lights = (self.lamp, self.ripple, self.neighbour, self.gated_neighbour, self.steps, self.passers, self.strobe)
        return parts + [effect.words() for effect in (*lights, self.spikes) if effect is not None]


class Disturbance:
    """The sum of all interference of one recording."""

    def __init__(self, config: Interference, seed: int) -> None:
        self._config = config
        self._steps = None if config.steps is None else StepTrain(config.steps, seed)
        self._passers = None if config.passers is None else PasserTrain(config.passers, seed)

    def shot_percent(self, stretch: SampleStretch) -> float | Floats32:
        """Return the light from elsewhere that counts in the shot noise, percent of full scale."""
        c = self._config
        if c.lamp is None or not c.lamp.shot_percent:
            return c.ambient.shot_percent
        return lamp_shot(c.lamp, stretch) + np.float32(c.ambient.shot_percent)

    def add(self, stretch: SampleStretch, out: Floats32) -> None:
        """Add all interference of a stretch to `out`, in place."""
        c = self._config
        if c.ambient.residual_percent:
            out += np.float32(c.ambient.residual_percent)
        if c.lamp is not None:
            out += lamp(c.lamp, stretch)
        if c.ripple is not None:
            out += ripple(c.ripple, stretch)
        if c.neighbour is not None:
            out += neighbour(c.neighbour, stretch)
        if c.gated_neighbour is not None:
            out += gated_neighbour(c.gated_neighbour, stretch)
        if self._steps is not None:
            out += self._steps.at(stretch.time_s)
        if self._passers is not None:
            out += self._passers.at(stretch.time_s)
        if c.strobe is not None:
            out += strobe(c.strobe, stretch)
        if c.spikes is not None:
            out += spikes(c.spikes, stretch)
