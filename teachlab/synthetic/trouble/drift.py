"""Slow change: dirt, ageing, temperature, misalignment, dew, a bent fibre. Each is a gain; some add a pedestal.

Drift runs in days, recordings in minutes: `start_day` is the age of the sensor at the start of the recording, and
`days_per_hour` compresses time (1/24 is real time).
"""

from __future__ import annotations

import math
from typing import Literal

import numpy as np
from pydantic import Field

from teachlab.model.arrays import Floats
from teachlab.synthetic.shared.spread import Share, Uniform
from teachlab.synthetic.shared.streams import stream
from teachlab.synthetic.shared.tables import Table

LIGHT_PASSES = {"through-beam": 2, "diffuse": 2, "background-suppressed": 2, "retroreflective": 4, "other": 2}
"""How often light crosses a dirty window: those of emitter and receiver once each, and that of a reflector twice."""


class Dirt(Table):
    """Dirt on the windows, growing with time; every crossing of a window multiplies the light by its transmission.

    ``tau = exp(−λ d)`` or ``1 − λ d`` per window after d days; gain ``tau^crossings``, pedestal
    ``pedestal_percent · (1 − tau)`` where the sensor sees its own dirty window.

    `loss_per_day`: λ; clean surroundings 0.001 to 0.005, dusty 0.01 to 0.04.
    """

    loss_per_day: float = Field(ge=0, le=1)
    shape: Literal["exponential", "linear"] = "exponential"
    crossings: int | None = Field(default=None, ge=1, le=8)
    pedestal_percent: float = Field(default=0.0, ge=0, le=100)

    def transmission(self, day: Floats) -> Floats:
        """Return the transmission of one window."""
        if self.shape == "exponential":
            return np.exp(-self.loss_per_day * day)
        return np.clip(1.0 - self.loss_per_day * day, 0.0, 1.0)

    def words(self) -> str:
        """Return the effect in words."""
        return f"dirt takes {100 * self.loss_per_day:g} % per window and day"


class Splashes(Table):
    """Splashes: sudden losses that stay, at exponential times."""

    every_day: float = Field(gt=0)
    loss: Share = Uniform(shape="uniform", low=0.05, high=0.5)

    def gain(self, day: Floats, seed: int) -> Floats:
        """Return the product of what all splashes so far have left."""
        times, gains, chunk = np.zeros(0), np.ones(1), 0
        while times.size == 0 or times[-1] <= day[-1]:
            rng = stream(seed, "splashes", chunk)
            last = times[-1] if times.size else 0.0
            # Drawn in batches of 64 until the day is reached: the splashes do not depend on the stretch asked for.
            times = np.concatenate([times, last + np.cumsum(rng.exponential(self.every_day, 64))])
            left = np.clip(1.0 - self.loss.draw(rng, 64), 0.0, 1.0)
            gains = np.concatenate([gains, gains[-1] * np.cumprod(left)])
            chunk += 1
        return gains[np.searchsorted(times, day, side="right")]

    def words(self) -> str:
        """Return the effect in words."""
        return f"a splash every {self.every_day:g} days costs {self.loss.words('of the light')}"


class Ageing(Table):
    """Ageing of the emitter: a linear loss with operating time, usually 10 to 30 % in 20 to 50 thousand hours."""

    loss_per_kilohour: float = Field(ge=0, le=1)

    def gain(self, day: Floats) -> Floats:
        """Return what is left after so many days of operation."""
        return np.clip(1.0 - self.loss_per_kilohour * day * 0.024, 0.0, 1.0)

    def words(self) -> str:
        """Return the effect in words."""
        return f"the emitter loses {100 * self.loss_per_kilohour:g} % per thousand hours"


class Temperature(Table):
    """Emitter output with temperature: a daily cycle, and warm-up after switching on at day 0; when warm the gain is 1.

    `daily_swing_k`: amplitude of the 24-hour sine.
    `warm_up_k`: rise of the sensor's own temperature.
    `warm_up_min`: time constant of the warm-up.
    """

    coefficient_per_k: float = Field(default=-0.005, ge=-0.05, le=0.05)
    daily_swing_k: float = Field(default=0.0, ge=0, le=60)
    warm_up_k: float = Field(default=0.0, ge=0, le=60)
    warm_up_min: float = Field(default=15.0, gt=0)

    def gain(self, day: Floats) -> Floats:
        """Return the gain, ``1 + c·(swing·sin(2π·day) − warm_up·exp(−t/τ))``."""
        kelvin = self.daily_swing_k * np.sin(2 * math.pi * day)
        kelvin -= self.warm_up_k * np.exp(-day * 1440.0 / self.warm_up_min)
        return np.maximum(1.0 + self.coefficient_per_k * kelvin, 0.0)

    def words(self) -> str:
        """Return the effect in words."""
        return (
            f"emitter output changes by {100 * self.coefficient_per_k:g} % per kelvin; daily swing "
            f"{self.daily_swing_k:g} K, warm-up {self.warm_up_k:g} K"
        )


class Misalignment(Table):
    """Slow misalignment: ``exp(−2 D²/w_f²)`` with D growing from day 0 on, and a knock that adds to D.

    `field_radius_mm`: 1/e² radius w_f of the receiver's field.
    """

    creep_mm_per_day: float = Field(default=0.0, ge=0)
    field_radius_mm: float = Field(gt=0)
    knock_day: float | None = Field(default=None, ge=0)
    knock_mm: float = Field(default=0.0, ge=0)

    def gain(self, day: Floats) -> Floats:
        """Return what is left of the light."""
        offset = self.creep_mm_per_day * day
        if self.knock_day is not None:
            offset = offset + np.where(day >= self.knock_day, self.knock_mm, 0.0)
        return np.exp(-2.0 * (offset / self.field_radius_mm) ** 2)

    def words(self) -> str:
        """Return the effect in words."""
        return f"misalignment creeps by {self.creep_mm_per_day:g} mm per day, a knock adds {self.knock_mm:g} mm"


class Condensation(Table):
    """Dew on the window: loss of gain and pedestal together, with linear ramps at its start and end.

    `duration_s`: with both ramps.
    """

    onset_s: float = Field(default=0.0, ge=0)
    duration_s: float = Field(gt=0)
    ramp_s: float = Field(default=30.0, gt=0)
    loss: float = Field(gt=0, le=1)
    pedestal_percent: float = Field(default=0.0, ge=0, le=100)

    def amount(self, time_s: Floats) -> Floats:
        """Return how much of it is there, 0 to 1."""
        ramp = min(self.ramp_s, self.duration_s / 2)
        knots = self.onset_s + np.array([0.0, ramp, self.duration_s - ramp, self.duration_s])
        return np.interp(time_s, knots, [0.0, 1.0, 1.0, 0.0], left=0.0, right=0.0)

    def words(self) -> str:
        """Return the effect in words."""
        return (
            f"condensation from {self.onset_s:g} s on for {self.duration_s:g} s: {100 * self.loss:g} % of the light "
            f"lost, {self.pedestal_percent:g} % of full scale scattered back"
        )


class Bend(Table):
    """A fibre that is bent too tightly: a permanent loss, or one that repeats with the arm that carries the fibre.

    `period_s`: the fibre bends and straightens as ``(1 − cos(2π t/period))/2``; without a period it stays bent.
    """

    loss: float = Field(gt=0, le=1)
    onset_s: float = Field(default=0.0, ge=0)
    period_s: float | None = Field(default=None, gt=0)

    def gain(self, time_s: Floats) -> Floats:
        """Return what is left of the light."""
        since = time_s - self.onset_s
        bent = np.ones_like(since) if self.period_s is None else (1 - np.cos(2 * math.pi * since / self.period_s)) / 2
        return np.where(since >= 0, 1.0 - self.loss * bent, 1.0)

    def words(self) -> str:
        """Return the effect in words."""
        how = "" if self.period_s is None else f", repeated every {self.period_s:g} s"
        return f"a bent fibre costs {100 * self.loss:g} % of the light from {self.onset_s:g} s on{how}"


class Daylight(Table):
    """Daylight over 24 hours: ``residual · (1 + sin(2π·day))/2``, in phase with the temperature.

    `residual_percent`: at the brightest hour.
    `shot_percent`: then, as in `Ambient`.
    """

    residual_percent: float = Field(default=0.0, ge=0, le=100)
    shot_percent: float = Field(default=0.0, ge=0)

    def share(self, day: Floats) -> Floats:
        """Return how bright it is, 0 to 1."""
        return (1 + np.sin(2 * math.pi * day)) / 2

    def words(self) -> str:
        """Return the effect in words."""
        shot = f" and the shot noise of {self.shot_percent:g} %" if self.shot_percent else ""
        return f"daylight adds up to {self.residual_percent:g} % of full scale{shot} in the course of the day"


class Drift(Table):
    """All slow changes; every entry is optional.

    `start_day`: age of the installation when the recording begins.
    `days_per_hour`: real time by default; larger values compress time.
    """

    start_day: float = Field(default=0.0, ge=0)
    days_per_hour: float = Field(default=1 / 24, gt=0)
    dirt: Dirt | None = None
    splashes: Splashes | None = None
    ageing: Ageing | None = None
    temperature: Temperature | None = None
    misalignment: Misalignment | None = None
    condensation: Condensation | None = None
    bend: Bend | None = None
    daylight: Daylight | None = None

    def words(self) -> list[str]:
        """Return one sentence per effect that is present."""
        sensor = (self.dirt, self.splashes, self.ageing, self.temperature, self.misalignment)
        parts = (*sensor, self.condensation, self.bend, self.daylight)
        return [effect.words() for effect in parts if effect is not None]

    def days(self, time_s: Floats) -> Floats:
        """Return the age of the installation in days at times of the recording."""
        return self.start_day + time_s / 3600.0 * self.days_per_hour

    @property
    def any(self) -> bool:
        """Whether anything drifts."""
        return bool(self.words())


def gain_and_pedestal(drift: Drift, time_s: Floats, *, sensing: str, seed: int) -> tuple[Floats, Floats]:
    """Return the multiplicative gain and the pedestal with daylight (percent of full scale) at ascending times.

    `time_s`: time since the recording began.
    `sensing`: sensing principle; it decides how often light crosses dirty windows.
    """
    day = drift.days(time_s)
    gain, pedestal = np.ones_like(day), np.zeros_like(day)
    if drift.dirt is not None:
        window = drift.dirt.transmission(day)
        # Light crosses the dirt as often as it crosses the window: squared for there and back, to the fourth power with
        # a reflector.
        gain *= window ** (drift.dirt.crossings or LIGHT_PASSES[sensing])
        pedestal += drift.dirt.pedestal_percent * (1.0 - window)
    if drift.splashes is not None:
        gain *= drift.splashes.gain(day, seed)
    for effect in (drift.ageing, drift.temperature, drift.misalignment):
        if effect is not None:
            gain *= effect.gain(day)
    if drift.condensation is not None:
        amount = drift.condensation.amount(time_s)
        gain *= 1.0 - drift.condensation.loss * amount
        pedestal += drift.condensation.pedestal_percent * amount
    if drift.bend is not None:
        gain *= drift.bend.gain(time_s)
    if drift.daylight is not None:
        pedestal += drift.daylight.residual_percent * drift.daylight.share(day)
    return gain, pedestal
