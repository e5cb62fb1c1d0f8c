"""The output that a simulated sensor would have logged beside the light: a rehearsal, never evidence."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from teachlab.model.recording import Light
from teachlab.sensor.comparator import Comparator
from teachlab.sensor.delays import consecutive_filter, off_delay, on_delay
from teachlab.sensor.edges import TwoState


@dataclass(frozen=True, slots=True, kw_only=True)
class SimulatedSensor:
    """A sensor beside the logger that follows the law of switching.

    Parameters
    ----------
    on_level, off_level : float, recording units
    consecutive : int, evaluations
    on_delay, off_delay : int, evaluations
        Of the output, or of the light where `delays_on_light`.
    ratio : int
        Samples per evaluation.
    phase : int, samples
        First sample that is evaluated, below `ratio`.
    lag : int, samples
        How much later the output reaches the log.
    jitter : int, samples
        Every edge is logged at most this many samples early or late, with equal probability.
    noise : float, recording units
        Standard deviation of the difference between what the sensor saw and the logged light.
    missing, spurious : float
        Pulses that the log lost, and pulses that it invented, as shares of all pulses.
    """

    on_level: float
    off_level: float
    light_on: bool = True
    consecutive: int = 1
    on_delay: int = 0
    off_delay: int = 0
    delays_on_light: bool = False
    ratio: int = 1
    phase: int = 0
    lag: int = 0
    jitter: int = 0
    noise: float = 0.0
    missing: float = 0.0
    spurious: float = 0.0

    def edges(self, light: Light) -> NDArray[np.int64]:
        """Return whether the output begins active, and the samples at which it changes, without jitter and faults."""
        seen = light[self.phase :: self.ratio]
        size = seen.size
        comparator = Comparator(self.on_level, self.off_level, seen.dtype)
        comparator.push(seen)
        state = consecutive_filter(comparator.light_state(), comparator.validity(), self.consecutive, size)
        if not self.light_on and not self.delays_on_light:
            state = state.inverted()
        state = off_delay(on_delay(state, self.on_delay, size), self.off_delay, size)
        if not self.light_on and self.delays_on_light:
            state = state.inverted()
        return np.concatenate(([int(state.first)], state.edges * self.ratio + self.phase + self.lag))

    def output(self, light: Light, rng: np.random.Generator) -> NDArray[np.bool_]:
        """Return the logged output, one truth value per sample.

        `light`: ndarray, shape (n,), recording units.
        """
        if self.noise:
            light = light + rng.normal(0.0, self.noise, light.size)
        first, *rest = self.edges(light)
        at = np.array(rest, np.int64)
        if self.jitter:
            at = at + rng.integers(-self.jitter, self.jitter + 1, at.size)
        first = bool(first)
        # A pulse and the gap after it are lost together, because an output alternates.
        pulses = at[int(first) :]
        pulses = pulses[: pulses.size // 2 * 2].reshape(-1, 2)
        lost = rng.random(len(pulses)) < self.missing
        head, tail = at[: int(first)], at[int(first) + pulses.size :]
        made_up = rng.integers(0, light.size, rng.binomial(len(pulses), self.spurious))
        kept = np.concatenate((head, pulses[~lost].ravel(), tail))
        # Jitter may move both edges of a short pulse or gap to one place: then neither was logged.
        places, edges = np.unique(np.maximum.accumulate(kept), return_counts=True)
        kept = places[edges % 2 == 1]
        output = TwoState(first, kept[(kept > 0) & (kept < light.size)]).dense(light.size)
        for place in made_up:
            output[place : place + 3] ^= True
        return output
