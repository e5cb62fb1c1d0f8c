"""How the line moves: from time to belt position."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Protocol

import numpy as np
from pydantic import Field

from teachlab.model.arrays import Floats, Integers
from teachlab.synthetic.shared.spread import Amount, Constant
from teachlab.synthetic.shared.streams import stream
from teachlab.synthetic.shared.tables import Table

WAVES = 4


class Wander(Table):
    """Slow variation of the speed: a sum of sines of random phase, so that the position is known in closed form.

    `share`: standard deviation of the speed as a share of nominal.
    `period_s`: longest of the four periods; the others are 1/1.7, 1/2.9 and 1/4.9 of it.
    """

    share: float = Field(ge=0, le=0.1)
    period_s: float = Field(default=60.0, gt=0)

    def words(self) -> str:
        """Return the effect in words."""
        return f"speed wanders by {100 * self.share:g} % over {self.period_s:g} s"


class Stops(Table):
    """The line stops or slows down from time to time, with linear ramps down and up.

    The running times between stops are exponential; so is the one before the first stop unless `first_s` is given.
    """

    first_s: float | None = Field(default=None, ge=0)
    every_s: float = Field(gt=0)
    duration_s: Amount = Constant(value=10.0)
    ramp_s: float = Field(default=0.3, ge=0)
    pace: float = Field(default=0.0, ge=0, le=2)

    def words(self) -> str:
        """Return the effect in words."""
        does = f"runs at {100 * self.pace:g} % of its speed" if self.pace else "stops"
        return f"the line {does} every {self.every_s:g} s of running for {self.duration_s.words('s')}"


class Halt(Table):
    """The line stops once with a certain product in the beam, with straight ramps down and up."""

    at_pass: int = Field(ge=1, le=10_000_000)
    place: float = Field(default=0.5, ge=-10, le=10)
    duration_s: float = Field(default=30.0, gt=0, le=1e6)
    ramp_s: float = Field(default=0.3, ge=0, le=1e4)

    def words(self) -> str:
        """Return the effect in words."""
        return (
            f"the line stands for {self.duration_s:g} s with {100 * self.place:g} % of product {self.at_pass} past the "
            "beam"
        )


class Motion(Protocol):
    """Belt position of the samples; never falls."""

    uniform: bool

    def position_mm(self, sample: Floats, rate_hz: float) -> Floats:
        """Return the belt position at ascending samples."""
        ...


class Steady:
    """Constant speed."""

    uniform = True

    def __init__(self, speed_mm_s: float) -> None:
        self._speed = speed_mm_s

    def position_mm(self, sample: Floats, rate_hz: float) -> Floats:
        """Return ``sample · speed / rate``: in this order whole millimetres stay whole."""
        out = sample * self._speed
        out /= rate_hz
        return out


class Uneven:
    """Wander and stops: ``u(t) = v · W(τ(t))``, with τ the time in which the line ran.

    `speed_mm_s` (mm/s): nominal speed.
    `wander`, `stops`: the two effects, each optional.
    """

    uniform = False

    def __init__(self, speed_mm_s: float, wander: Wander | None, stops: Stops | None, seed: int) -> None:
        self._speed, self._seed, self._stops = speed_mm_s, seed, stops
        # sines of equal share: the variance of the speed is 4 · a²/2
        self._amplitude = 0.0 if wander is None else wander.share * math.sqrt(2 / WAVES)
        period = 60.0 if wander is None else wander.period_s
        self._omega = 2 * math.pi / period * np.array([1.0, 1.7, 2.9, 4.9])
        self._phase = stream(seed, "wander", 0).uniform(0, 2 * math.pi, WAVES)
        self._knots = np.zeros((1, 3))  # time, speed share, running time
        self._drawn = 0

    def position_mm(self, sample: Floats, rate_hz: float) -> Floats:
        """Return the belt position at ascending samples."""
        running = self._running(sample / rate_hz)
        if self._amplitude == 0.0:
            return self._speed * running
        swing = np.zeros_like(running)
        for omega, phase in zip(self._omega, self._phase, strict=True):
            swing += (np.sin(omega * running + phase) - math.sin(phase)) / omega
        return self._speed * (running + self._amplitude * swing)

    def _running(self, time_s: Floats) -> Floats:
        if self._stops is None:
            return time_s
        while self._knots[-1, 0] <= time_s[-1]:
            self._draw_stops(self._stops)
        return _run_through(time_s, *self._knots.T)

    def _draw_stops(self, stops: Stops) -> None:
        rng = stream(self._seed, "stops", self._drawn)
        running = rng.exponential(stops.every_s, 64)
        rest = np.maximum(stops.duration_s.draw(rng, 64), 0.0)
        first_ever = self._drawn == 0
        if first_ever and stops.first_s is not None:
            running[0] = stops.first_s
        self._drawn += 1
        ramp = np.full(64, max(stops.ramp_s, 1e-9))
        steps = np.column_stack([running, ramp, rest, ramp]).ravel()
        shares = np.tile([1.0, stops.pace, stops.pace, 1.0], 64)
        # the last knot runs at full speed; at the very beginning too
        start = np.array([[0.0, 1.0, 0.0]]) if first_ever else self._knots[-1:]
        before = np.concatenate([[1.0], shares[:-1]])
        times = start[0, 0] + np.cumsum(steps)
        run = start[0, 2] + np.cumsum(steps * (before + shares) / 2)
        kept = start if first_ever else self._knots
        self._knots = np.vstack([kept, np.column_stack([times, shares, run])])


class Halted:
    """Another motion, with halts at given places of the belt.

    On the clock of the other motion, time stands still during a halt and runs at a share of its pace during the ramps,
    so that the belt comes to rest exactly at the place.

    `motion`: the line without halts.
    `places_mm` (shape (k,), mm): belt positions of the halts, ascending, at or above 0.
    `halts`: the halts, in the same order.
    """

    uniform = False

    def __init__(self, motion: Motion, places_mm: Floats, halts: Sequence[Halt]) -> None:
        self._motion = motion
        clock, inner = [0.0], [0.0]
        share = [1.0]
        for place, halt in zip(places_mm, halts, strict=True):
            reached = max(_time_at(motion, float(place)), inner[-1])
            ramp = max(halt.ramp_s, 1e-9)
            # half of a ramp is travelled; halts closer than their ramps leave less of it
            slow = max(reached - ramp / 2, inner[-1])
            down = 2 * (reached - slow)
            times = np.cumsum([slow - inner[-1], down, halt.duration_s, ramp])
            clock += (clock[-1] + times).tolist()
            inner += [slow, reached, reached, reached + ramp / 2]
            share += [1.0, 0.0, 0.0, 1.0]
        self._clock, self._inner, self._share = np.array(clock), np.array(inner), np.array(share)

    def position_mm(self, sample: Floats, rate_hz: float) -> Floats:
        """Return the belt position at ascending samples."""
        running = _run_through(sample / rate_hz, self._clock, self._share, self._inner)
        return self._motion.position_mm(running, 1.0)


def _run_through(time_s: Floats, knots_s: Floats, share: Floats, run_s: Floats) -> Floats:
    """Return the running time at ascending times, where the pace is linear between knots.

    `time_s`: s.
    `knots_s`, `share`, `run_s` (shape (k,)): time, pace as a share of full pace, and running time at every knot.
    """
    k = np.searchsorted(knots_s, time_s, side="right") - 1
    since = time_s - knots_s[k]
    following = np.minimum(k + 1, knots_s.size - 1)
    length = np.maximum(knots_s[following] - knots_s[k], 1e-300)
    slope = (share[following] - share[k]) / length
    out: Floats = run_s[k] + share[k] * since + 0.5 * slope * since**2
    return out


def _time_at(motion: Motion, place_mm: float) -> float:
    """Return the time in seconds at which a motion reaches a place of the belt."""
    from scipy.optimize import brentq

    def short_of(time_s: float) -> float:
        return float(motion.position_mm(np.array([time_s]), 1.0)[0]) - place_mm

    latest = 1.0
    while short_of(latest) < 0:
        latest *= 2
    return float(brentq(short_of, 0.0, latest, xtol=1e-12)) if short_of(0.0) < 0 else 0.0


def first_sample_at(motion: Motion, rate_hz: float, position_mm: Floats, *, speed_mm_s: float) -> Integers:
    """Return the first sample at which the belt has reached each position, by bisection.

    `position_mm`: positions at or above 0, ascending.
    `speed_mm_s` (mm/s): nominal speed, for the first guess.
    """
    if position_mm.size == 0:
        return np.empty(0, np.int64)
    if motion.uniform:
        guess = np.ceil(position_mm / speed_mm_s * rate_hz).astype(np.int64)
        # the division may differ by one from the position that is generated
        for _ in range(2):
            early = motion.position_mm(guess.astype(np.float64), rate_hz) < position_mm
            late = (guess > 0) & (motion.position_mm((guess - 1).astype(np.float64), rate_hz) >= position_mm)
            guess += early.astype(np.int64) - late.astype(np.int64)
        return guess
    low = np.full(position_mm.shape, -1, np.int64)
    top = int(position_mm[-1] / speed_mm_s * rate_hz * 1.25) + 2
    while motion.position_mm(np.array([float(top)]), rate_hz)[0] < position_mm[-1]:
        top *= 2
    high = np.full(position_mm.shape, top, np.int64)
    while np.any(high - low > 1):
        middle = (low + high) // 2
        order = np.argsort(middle, kind="stable")
        reached = np.empty(middle.shape, bool)
        reached[order] = motion.position_mm(middle[order].astype(np.float64), rate_hz) >= position_mm[order]
        high = np.where(reached, middle, high)
        low = np.where(reached, low, middle)
    return high
