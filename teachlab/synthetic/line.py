"""The whole chain in its order, one chunk of samples at a time.

optical signal → gain loss → front end with ambient compression → pedestal, ambient and interference → noise →
clip and quantise → logger.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from teachlab.model.arrays import Floats32
from teachlab.synthetic.events import PassSource
from teachlab.synthetic.optics import Optics
from teachlab.synthetic.product.motion import Halted, Motion, Steady, Uneven
from teachlab.synthetic.scenario import Scenario
from teachlab.synthetic.sensor.electronics import LowPass, NoiseTrack, quantise
from teachlab.synthetic.shared.sample_stretch import SampleStretch, numbers
from teachlab.synthetic.shared.streams import CHUNK
from teachlab.synthetic.trouble.drift import gain_and_pedestal
from teachlab.synthetic.trouble.faults import logged, missing
from teachlab.synthetic.trouble.interference import Disturbance

DRIFT_STEP = 64
"""Samples between the points at which slow drift is computed; it is linear in between."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LineStress:
    """A stress on top of the scenario, ``x → g·x + a + p·(1 − g)``, before noise and converter.

    `gain`: g; it acts on the optical signal with its background, as dirt does.
    `ambient_percent` (percent of full scale): a; it is added where ambient residual is, with its shot noise.
    `pedestal_percent` (percent of full scale): p, backscatter of an opaque layer: with a clean window (g = 1) it adds
    nothing.
    """

    gain: float = 1.0
    ambient_percent: float = 0.0
    pedestal_percent: float = 0.0


UNSTRESSED = LineStress()


def motion_of(scenario: Scenario, seed: int) -> Motion:
    """Return the motion of the line."""
    line = scenario.line
    steady = line.wander is None and line.stops is None
    motion: Motion = Steady(line.speed_mm_s) if steady else Uneven(line.speed_mm_s, line.wander, line.stops, seed)
    if not line.halts:
        return motion
    lead, trail = PassSource(scenario, seed).edges(max(halt.at_pass for halt in line.halts))
    places = [lead[h.at_pass - 1] + h.place * (trail[h.at_pass - 1] - lead[h.at_pass - 1]) for h in line.halts]
    order = np.argsort(places, kind="stable")
    return Halted(motion, np.maximum(np.array(places)[order], 0.0), [line.halts[k] for k in order])


class Line:
    """One synthetic line in operation; chunks must be asked for in ascending order.

    `stress`: stress in addition to the scenario.
    """

    def __init__(self, scenario: Scenario, seed: int, stress: LineStress) -> None:
        self._scenario, self._seed, self._stress = scenario, seed, stress
        self._rate = scenario.sensor.sample_rate_hz
        self._motion = motion_of(scenario, seed)
        self._optics = Optics(scenario, seed, uniform=self._motion.uniform)
        self._low_pass = LowPass(scenario.sensor.front_end, self._rate)
        self._disturbance = Disturbance(scenario.interference, seed)
        self._noise = NoiseTrack(scenario.sensor.noise, seed)

    @property
    def top(self) -> int:
        """Code of full scale: the highest one that fits the bits; in percent ``2^bits``, so that a step is exact."""
        sensor = self._scenario.sensor
        return int(2**sensor.bits) - (1 if sensor.unit == "counts" else 0)

    def stretch(self, index: int) -> SampleStretch:
        """Return times and places of a chunk."""
        return SampleStretch(index, self._seed, self._rate, self._motion.position_mm(numbers(index), self._rate))

    def codes(self, index: int) -> Floats32:
        """Return the logged codes of a chunk as float32 whole numbers, shape (CHUNK,)."""
        if self._low_pass.needs(index):
            self._received(self.stretch(index - 1))
        stretch = self.stretch(index)
        optical, pedestal = self._received(stretch)
        light = optical.copy()
        if pedestal is not None:
            light += pedestal
        if self._stress.ambient_percent:
            light += np.float32(self._stress.ambient_percent)
        self._disturbance.add(stretch, light)
        self._noise.add(stretch, light, optical, self._shot_percent(stretch))
        return logged(self._scenario.faults, quantise(light, self.top), self.top)

    def missing(self, index: int) -> NDArray[np.bool_] | None:
        """Return which samples of a chunk have no value, or None if the scenario has no dropouts."""
        dropouts = self._scenario.faults.dropouts
        return None if dropouts is None else missing(dropouts, self._seed, index)

    def _shot_percent(self, stretch: SampleStretch) -> float | Floats32:
        """Return the light that counts in the shot noise only, percent of full scale."""
        shot, drift = self._disturbance.shot_percent(stretch), self._scenario.drift
        if drift.daylight is None or not drift.daylight.shot_percent:
            return shot
        return (shot + drift.daylight.shot_percent * drift.daylight.share(drift.days(stretch.time_s))).astype(
            np.float32
        )

    def _received(self, stretch: SampleStretch) -> tuple[Floats32, Floats32 | np.float32 | None]:
        """Return the optical signal after all gains and the front end, and the pedestal."""
        stress, scenario = self._stress, self._scenario
        optical = self._optics.signal(stretch)
        fixed = stress.gain * scenario.interference.ambient.front_end_gain
        backscatter = stress.pedestal_percent * (1.0 - stress.gain)
        pedestal: Floats32 | np.float32 | None = np.float32(backscatter) if backscatter else None
        if scenario.drift.any:
            time = stretch.time_s
            knots = time[0] + np.arange(0, CHUNK + DRIFT_STEP, DRIFT_STEP) / self._rate
            gain, drifted = gain_and_pedestal(scenario.drift, knots, sensing=scenario.sensor.sensing, seed=self._seed)
            optical *= np.interp(time, knots, gain).astype(np.float32)
            pedestal = np.interp(time, knots, drifted + backscatter).astype(np.float32)
        if fixed != 1.0:
            optical *= np.float32(fixed)
        return self._low_pass.apply(stretch.index, optical), pedestal
