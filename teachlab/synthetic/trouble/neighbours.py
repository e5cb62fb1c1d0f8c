"""The emitter of a neighbouring sensor: a beat after analogue demodulation, or pulses that hit the gate."""

from __future__ import annotations

import numpy as np
from pydantic import Field

from teachlab.model.arrays import Flags, Floats32, Integers
from teachlab.synthetic.shared.sample_stretch import SampleStretch, turns
from teachlab.synthetic.shared.streams import stream
from teachlab.synthetic.shared.tables import Table


class Neighbour(Table):
    """A neighbour's emitter after analogue demodulation: a beat at the difference of the two frequencies.

    ``A·|sinc(Δf·τ)|·cos(2π Δf t + φ)`` with the integration time τ of one evaluation.
    """

    amplitude_percent: float = Field(ge=0, le=100)
    beat_hz: float = Field(ge=0)
    integration_us: float = Field(default=0.0, ge=0)

    @property
    def residual_percent(self) -> float:
        """Remaining amplitude, ``A·|sin(π Δf τ)/(π Δf τ)|``."""
        return float(self.amplitude_percent * abs(np.sinc(self.beat_hz * self.integration_us * 1e-6)))

    def words(self) -> str:
        """Return the effect in words."""
        return f"a neighbour's emitter beats at {self.beat_hz:g} Hz with {self.residual_percent:g} % of full scale"


def neighbour(config: Neighbour, stretch: SampleStretch) -> Floats32:
    """Return the beat of a neighbour's emitter, float32, shape (CHUNK,), percent of full scale."""
    phase = stream(stretch.seed, "neighbour", 0).random()
    out: Floats32 = np.float32(config.residual_percent) * np.cos(turns(config.beat_hz * stretch.time_s + phase))
    return out


class GatedNeighbour(Table):
    """A neighbour whose pulses sometimes fall into the sensor's gate.

    The gate of length w1 opens every T1, the neighbour's pulses of length w2 come every T2. A share ``(w1 + w2)/T2`` of
    the own pulses is hit, in runs of about ``(w1 + w2)/|T2 − T1|`` pulses every ``T2/|T2 − T1|`` pulses (periods close
    to each other). It adds to an evaluation whose latest pulse was hit.
    """

    amplitude_percent: float
    own_period_us: float = Field(gt=0)
    neighbour_period_us: float = Field(gt=0)
    own_gate_us: float = Field(gt=0)
    neighbour_pulse_us: float = Field(gt=0)

    def words(self) -> str:
        """Return the effect in words."""
        share = (self.own_gate_us + self.neighbour_pulse_us) / self.neighbour_period_us
        return f"a pulsed neighbour hits {100 * min(1.0, share):.3g} % of the pulses"


def pulses_hit(config: GatedNeighbour, pulse: Integers, phase: float) -> Flags:
    """Return which own pulses overlap one of the neighbour's.

    The gate is ``[j·T1, j·T1 + w1)``, the neighbour's pulses are ``[(k + phase)·T2, (k + phase)·T2 + w2)``.
    """
    start = pulse * config.own_period_us / config.neighbour_period_us - phase
    since = (start - np.floor(start)) * config.neighbour_period_us
    hit: Flags = (since < config.neighbour_pulse_us) | (since > config.neighbour_period_us - config.own_gate_us)
    return hit


def gated_neighbour(config: GatedNeighbour, stretch: SampleStretch) -> Floats32:
    """Return what a pulsed neighbour adds, float32, shape (CHUNK,), percent of full scale."""
    phase = stream(stretch.seed, "gated neighbour", 0).random()
    # the slack prevents that rounding misses a pulse that falls on a sample
    pulse = np.floor(stretch.time_s * 1e6 / config.own_period_us + 1e-6).astype(np.int64)
    return np.float32(config.amplitude_percent) * pulses_hit(config, pulse, phase).astype(np.float32)
