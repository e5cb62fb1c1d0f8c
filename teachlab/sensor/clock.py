"""When the sensor evaluates: the exact map between evaluations and samples."""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction
from functools import cache

import numpy as np
from numpy.typing import NDArray

from teachlab.errors import RecordingError, SettingError
from teachlab.model.printable_text import number_of

# A delay that is typed as a decimal may miss a whole number of evaluations by its rounding: it must not take one more.
# A rate typed as 333.333333333333 Hz means a third of 1000: over 10⁹ samples, the replaced quotient moves no evaluation
# by more than a thousandth of a sample.
CEIL_SLACK = Fraction(1, 10**6)
MAX_DENOMINATOR = 10**6
SNAP = Fraction(1, 10**12)


def exact(value: float) -> Fraction:
    """Return the shortest decimal of a float as a fraction: 0.1 is 1/10.

    Examples
    --------
    >>> exact(0.1)
    Fraction(1, 10)
    """
    # Not the binary value of the float: 0.1 Hz means one tenth. repr gives the shortest decimal that reads back as the
    # same float.
    return Fraction(repr(float(value)))


def ceil(value: Fraction) -> int:
    """Return the smallest integer ≥ value − 10⁻⁶, so that 10 ms at 1 kHz is 10 evaluations, not 11."""
    return math.ceil(value - CEIL_SLACK)


@cache
def delay_evaluations(delay_ms: float, rate_hz: float) -> int:
    """Return a delay in evaluations, ``ceil(delay_ms · rate / 1000)``.

    Examples
    --------
    >>> delay_evaluations(10.0, 1000.0), delay_evaluations(10.2, 1000.0)
    (10, 11)
    """
    return ceil(exact(delay_ms) * exact(rate_hz) / 1000)


def no_valid_sample(name: str, samples: int) -> RecordingError:
    """Return the error for a recording in which no evaluation reads a valid sample."""
    return RecordingError(
        f"{name}: column 'light': no valid sample is evaluated: all {number_of(samples, 'sample is', 'samples are')} "
        "null or NaN, or fall between evaluations. Log the line again, or check the column that was imported."
    )


@dataclass(frozen=True, slots=True)
class Clock:
    """Evaluation `i` reads sample ``floor(i · r)``, the latest at or before ``i / evaluation_rate``.

    `samples`: samples of the recording.
    `sample_rate_hz`, `rate_hz`: samples, and evaluations, per second.
    `numerator`, `denominator`: ``r = sample_rate / evaluation_rate`` as an exact fraction, at least 1.
    """

    samples: int
    sample_rate_hz: float
    rate_hz: float
    numerator: int = 1
    denominator: int = 1

    @classmethod
    def of(cls, samples: int, sample_rate_hz: float, evaluation_rate_hz: float | None) -> Clock:
        """Build the clock of a recording and a setting.

        `r` is the quotient of the shortest decimals of the two rates, replaced by the nearest fraction
        with denominator ≤ 10⁶ if that lies within 1 part in 10¹².
        Raises SettingError if the evaluation rate exceeds the sample rate.

        Examples
        --------
        >>> clock = Clock.of(10, 1000.0, 400.0)
        >>> clock.count, clock.sample_of(np.arange(4)).tolist()
        (4, [0, 2, 5, 7])
        """
        if evaluation_rate_hz is None:
            return cls(samples, sample_rate_hz, sample_rate_hz)
        ratio = exact(sample_rate_hz) / exact(evaluation_rate_hz)
        near = ratio.limit_denominator(MAX_DENOMINATOR)
        if abs(near - ratio) <= SNAP * ratio:
            ratio = near
        if ratio < 1:
            raise SettingError(
                f"evaluation_rate_hz ({evaluation_rate_hz:g} Hz) must not exceed the sample rate of the recording "
                f"({sample_rate_hz:g} Hz): a replay cannot see what was not logged. "
                "Lower it, or use null to evaluate every sample."
            )
        return cls(samples, sample_rate_hz, evaluation_rate_hz, ratio.numerator, ratio.denominator)

    @property
    def every_sample(self) -> bool:
        """Whether every sample is evaluated."""
        return self.numerator == self.denominator

    @property
    def count(self) -> int:
        """How many evaluations the recording holds."""
        return self.first_at_or_after(self.samples)

    @property
    def hours(self) -> float:
        """Running time of the recording in hours, counted in evaluations."""
        return self.count / self.rate_hz / 3600

    def delay(self, delay_ms: float) -> int:
        """Return a delay in evaluations, at most the length of the record."""
        return min(delay_evaluations(delay_ms, self.rate_hz), self.count)

    def first_at_or_after(self, sample: int) -> int:
        """Return the first evaluation that reads a sample at or after the given one."""
        return -(-sample * self.denominator // self.numerator)

    def firsts_at_or_after(self, samples: NDArray[np.int64]) -> NDArray[np.int64]:
        """Return `first_at_or_after` for an array of samples."""
        if self.every_sample:
            return samples.astype(np.int64)
        # In int64 while products fit; beyond, with Python's whole numbers, one by one: exact for any length, fast for
        # usual ones.
        if samples.size and max(int(samples.max()) * self.denominator, self.numerator) < 2**62:
            return -(-samples.astype(np.int64) * self.denominator // self.numerator)
        return np.array([self.first_at_or_after(int(s)) for s in samples], np.int64)

    def sample_of(self, evaluations: NDArray[np.int64]) -> NDArray[np.int64]:
        """Return the samples that evaluations read, ``floor(i · numerator / denominator)``, exactly."""
        if self.every_sample or evaluations.size == 0:
            return evaluations.astype(np.int64)
        base = int(evaluations.min())
        # Counted from the first requested evaluation: differences stay small even in a long record.
        origin, rest = divmod(base * self.numerator, self.denominator)
        steps = evaluations.astype(np.int64) - base
        if max(int(steps.max()), 1) * self.numerator + rest < 2**62:
            return origin + (steps * self.numerator + rest) // self.denominator
        exactly = [(int(k) * self.numerator + rest) // self.denominator for k in steps]
        return origin + np.array(exactly, np.int64)
