"""The output that a simulated sensor would have logged beside the light: a rehearsal, never evidence."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from teachlab.errors import ParameterError
from teachlab.model.recording import Light
from teachlab.sensor.comparator import Comparator
from teachlab.sensor.delays import consecutive_filter, off_delay, on_delay
from teachlab.sensor.edges import TwoState

MADE_UP = 3
"""Samples that a pulse lasts which the log invents."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SimulatedSensor:
    """A sensor beside the logger that follows the law of switching.

    `on_level`, `off_level`: recording units.
    `consecutive`: evaluations.
    `on_delay`, `off_delay` (evaluations): of the output, or of the light where `delays_on_light`.
    `ratio`: samples per evaluation.
    `phase` (samples): first sample that is evaluated, below `ratio`.
    `lag` (samples): how much later the output reaches the log.
    `jitter` (samples): every edge is logged at most this many samples early or late, with equal probability.
    `noise` (recording units): standard deviation of the difference between what the sensor saw and the logged light.
    `missing`, `spurious`: pulses that the log lost, and pulses that it invented, as shares of all pulses.
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
        state, _ = self._switched([light])
        return np.concatenate(([int(state.first)], state.edges))

    def output(self, light: Light, rng: np.random.Generator) -> NDArray[np.bool_]:
        """Return the logged output, one truth value per sample.

        `light`: shape (n,), recording units.
        """
        return self.logged([light], rng).dense(light.size)

    def logged(self, blocks: Iterable[Light], rng: np.random.Generator) -> TwoState:
        """Return the logged output over samples, from light in consecutive blocks, which are not kept."""
        if self.noise:
            blocks = (light + rng.normal(0.0, self.noise, light.size) for light in blocks)
        state, size = self._switched(blocks)
        at, first = state.edges, bool(state.first)
        if self.jitter:
            at = at + rng.integers(-self.jitter, self.jitter + 1, at.size)
        # A pulse and the gap after it are lost together, because an output alternates.
        pulses = at[int(first) :]
        pulses = pulses[: pulses.size // 2 * 2].reshape(-1, 2)
        lost = rng.random(len(pulses)) < self.missing
        head, tail = at[: int(first)], at[int(first) + pulses.size :]
        made_up = rng.integers(0, size, rng.binomial(len(pulses), self.spurious))
        kept = np.maximum.accumulate(np.concatenate((head, pulses[~lost].ravel(), tail)))
        # Jitter may move both edges of a short pulse or gap to one place: then neither was logged.
        places, edges = np.unique(np.concatenate((kept, made_up, made_up + MADE_UP)), return_counts=True)
        odd = places[edges % 2 == 1]
        # An edge that jitter moves before the log turns the state in which the log begins.
        begins = first ^ bool(np.count_nonzero(odd <= 0) % 2)
        return TwoState(begins, odd[(odd > 0) & (odd < size)])

    def _switched(self, blocks: Iterable[Light]) -> tuple[TwoState, int]:
        """Return the output over samples, without jitter and faults, and the number of samples."""
        comparator: Comparator | None = None
        count = samples = 0
        for light in blocks:
            # The next evaluation reads sample phase + count · ratio.
            seen = light[self.phase + count * self.ratio - samples :: self.ratio]
            comparator = comparator or Comparator(self.on_level, self.off_level, seen.dtype)
            comparator.push(seen)
            count, samples = count + seen.size, samples + light.size
        if comparator is None:
            raise ParameterError("a simulated sensor needs light.")
        state = consecutive_filter(comparator.light_state(), comparator.validity(), self.consecutive, count)
        if not self.light_on and not self.delays_on_light:
            state = state.inverted()
        state = off_delay(on_delay(state, self.on_delay, count), self.off_delay, count)
        if not self.light_on and self.delays_on_light:
            state = state.inverted()
        return TwoState(state.first, state.edges * self.ratio + self.phase + self.lag), samples
