"""Light that comes and goes: sun between clouds, people and vehicles that pass."""

from __future__ import annotations

import numpy as np
from pydantic import Field

from teachlab.model.arrays import Floats, Floats32
from teachlab.synthetic.shared.spread import Amount, Spread, Uniform
from teachlab.synthetic.shared.streams import stream
from teachlab.synthetic.shared.tables import Table


class Steps(Table):
    """Sun and clouds: the level rises, stays, and falls back.

    Steps never overlap: the quiet time counts from the end of one to the start of the next, and is exponential.

    `duration_s`: from the beginning of the rise to the end of the fall, at least both ramps.
    """

    every_s: float = Field(gt=0)
    duration_s: Amount = Uniform(shape="uniform", low=5.0, high=40.0)
    amplitude_percent: Spread = Uniform(shape="uniform", low=2.0, high=9.0)
    ramp_s: float = Field(default=1.5, gt=0)

    def words(self) -> str:
        """Return the effect in words."""
        return (
            f"sun steps of {self.amplitude_percent.words('% of full scale')}, every {self.every_s:g} s for "
            f"{self.duration_s.words('s')}"
        )


class StepTrain:
    """The steps of one recording, drawn as far as they are needed."""

    # Drawn 64 at a time, each time from a stream of its own number: the same steps, however the light is divided.
    def __init__(self, config: Steps, seed: int) -> None:
        self._config, self._seed, self._drawn = config, seed, 0
        self._times = np.zeros(1)
        self._levels = np.zeros(1)

    def at(self, time_s: Floats) -> Floats32:
        """Return the height at ascending times, percent of full scale."""
        while self._times[-1] < time_s[-1]:
            self._draw()
        return np.interp(time_s, self._times, self._levels).astype(np.float32)

    def _draw(self) -> None:
        config, size = self._config, 64
        rng = stream(self._seed, "steps", self._drawn)
        self._drawn += 1
        quiet = rng.exponential(config.every_s, size)
        hold = np.maximum(config.duration_s.draw(rng, size) - 2 * config.ramp_s, 0.0)
        height = config.amplitude_percent.draw(rng, size)
        ramp, zero = np.full(size, config.ramp_s), np.zeros(size)
        spans = np.column_stack([quiet, ramp, hold, ramp]).ravel()
        times = self._times[-1] + np.cumsum(spans)
        self._times = np.concatenate([self._times, times])
        self._levels = np.concatenate([self._levels, np.column_stack([zero, height, height, zero]).ravel()])


class Passers(Table):
    """Reflexes of people and vehicles that pass: smooth bumps, ``height · sin²(π t / duration)``.

    Bumps never overlap: the quiet time counts from the end of one to the start of the next, and is exponential.
    """

    every_s: float = Field(gt=0)
    duration_s: Amount = Uniform(shape="uniform", low=0.3, high=3.0)
    amplitude_percent: Spread

    def words(self) -> str:
        """Return the effect in words."""
        return (
            f"somebody passes every {self.every_s:g} s: a bump of {self.amplitude_percent.words('% of full scale')} "
            f"for {self.duration_s.words('s')}"
        )


class PasserTrain:
    """The passers-by of one recording, drawn as far as they are needed."""

    def __init__(self, config: Passers, seed: int) -> None:
        self._config, self._seed, self._drawn = config, seed, 0
        # A first bump of no height, so that every time has one that began before it.
        self._start, self._length, self._height = np.zeros(1), np.full(1, 1e-9), np.zeros(1)

    def at(self, time_s: Floats) -> Floats32:
        """Return the height at ascending times, percent of full scale."""
        while self._start[-1] + self._length[-1] < time_s[-1]:
            self._draw()
        k = np.searchsorted(self._start, time_s, side="right") - 1
        share = np.clip((time_s - self._start[k]) / self._length[k], 0.0, 1.0)
        out: Floats32 = (self._height[k] * np.sin(np.pi * share) ** 2).astype(np.float32)
        return out

    def _draw(self) -> None:
        config, size = self._config, 64
        rng = stream(self._seed, "passers", self._drawn)
        self._drawn += 1
        quiet = rng.exponential(config.every_s, size)
        length = np.maximum(config.duration_s.draw(rng, size), 1e-9)
        ends = self._start[-1] + self._length[-1] + np.cumsum(quiet + length)
        self._start = np.concatenate([self._start, ends - length])
        self._length = np.concatenate([self._length, length])
        self._height = np.concatenate([self._height, config.amplitude_percent.draw(rng, size)])
