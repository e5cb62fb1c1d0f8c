"""Does something come back at a steady pace? The dominant period of values seen at uneven times, and its chance."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

import numpy as np
from numpy.typing import ArrayLike, NDArray

from teachlab.errors import Abstained, ParameterError
from teachlab.model.json_values import Document

PERMUTATIONS = 499
SIGNIFICANT = 0.01
LEAST_CYCLES = 3
"""A period is looked for only if the record holds so many of it: one rise and fall is a drift."""
LEAST_VALUES = 12
BINS = 1 << 16
PER_PERIOD = 8
"""Bins in the shortest period."""
HARMONICS = 12
ALIKE = 0.75
"""A multiple of the period whose power is at least this share of the highest is the period itself."""
STEPS = 20

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Periodicity(Document):
    """The strongest period among those looked for.

    Parameters
    ----------
    period_s, uncertainty_s : float, s
        Period and its standard uncertainty.
    cycles : float
        How many of it the record holds.
    power : float
        R at its frequency; about 1 on average where nothing is periodic.
    p : float
        Chance of as high a peak anywhere among the periods looked for if the values came in random order.
    values : int
    shortest_s, longest_s : float, s
        Between which it was looked for.
    """

    ALSO: ClassVar[tuple[str, ...]] = ("significant",)

    period_s: float
    uncertainty_s: float
    cycles: float
    power: float
    p: float
    values: int
    shortest_s: float
    longest_s: float

    @property
    def significant(self) -> bool:
        """Whether the chance is at most `SIGNIFICANT`."""
        return self.p <= SIGNIFICANT


def dominant_period(
    times_s: ArrayLike, values: ArrayLike, *, shortest_s: float, permutations: int = PERMUTATIONS, seed: int = 0
) -> Periodicity:
    """Find the period in which values vary most.

    Parameters
    ----------
    times_s : array_like of float, shape (n,), s
        When each value was seen; any spacing.
    values : array_like of float, shape (n,)
        A height, or how often something happened.
    shortest_s : float, s
        Shortest period to look for, at least twice the usual distance of two times: a shorter one shows up
        at its alias.
    permutations : int
        Random orders that the peak is held against.
    seed : int

    Raises
    ------
    Abstained
        Fewer than 12 values, values that do not vary, or a record shorter than three shortest periods.
    ParameterError
        If the two differ in length, or a limit makes no sense.

    Notes
    -----
    With y the values less their least-squares line, ``R(f) = |Σ y exp(2πi f t)|² / Σ y²``. For marks that are
    there or not this is Rayleigh's statistic of the times, less what the times looked at would give alone.
    R is taken on a grid of bins, an eighth of the shortest period wide, and refined at the exact times.
    p is the share of random orders of y whose highest R is no smaller, both ends counted. Short marks
    have as much power in their harmonics: of the multiples of the best period the longest with at least 75 %
    of its power is named. Uncertainty: ``√6 / (2π T √R)`` of the frequency over a record of length T.

    Values that drift slowly are not in random order: a period near the longest may be such a drift.

    References
    ----------
    Rayleigh's test: Mardia and Jupp, Directional Statistics, 2000, section 6.3. Periodogram at uneven times:
    Scargle, Astrophysical Journal 263 (1982) 835–853. Uncertainty: Montgomery and O'Donoghue, Delta Scuti Star
    Newsletter 13 (1999) 28 (from memory).

    Examples
    --------
    >>> t = np.arange(200) * 0.7
    >>> found = dominant_period(t, np.cos(2 * np.pi * t / 10) + np.sin(17 * t), shortest_s=2)
    >>> round(found.period_s, 1), found.significant
    (10.0, True)
    """
    t = np.asarray(times_s, np.float64).reshape(-1)
    y = np.asarray(values, np.float64).reshape(-1)
    if t.shape != y.shape or not (shortest_s > 0 and permutations >= 1):
        raise ParameterError("as many times as values are needed, a shortest period above 0 s, and 1 permutation.")
    span = float(np.ptp(t)) if t.size else 0.0
    if t.size < LEAST_VALUES or span < LEAST_CYCLES * shortest_s:
        raise Abstained(
            "the record is too short to find a period",
            f"{t.size} values over {span:.4g} s",
            f"at least {LEAST_VALUES} values over {LEAST_CYCLES * shortest_s:.4g} s",
        )
    if not np.isfinite(y).all():
        raise Abstained(
            "a period is looked for in numbers only", f"{(~np.isfinite(y)).sum()} infinite", "finite values"
        )
    t = t - t.min()
    # Squares of values such as 1e300 would overflow; a power of two scales without rounding.
    y = _flat(t, np.ldexp(y, -int(np.frexp(np.abs(y).max())[1])))
    total = float(y @ y)
    if not total > 0:
        raise Abstained("nothing varies, so there is no period", f"{t.size} equal values", "values that differ")
    # Irregular times are put into bins fine enough for the shortest period: then one FFT gives all frequencies, and 500
    # permutations cost 500 of those instead of 500 periodograms.
    width = max(shortest_s / PER_PERIOD, span / BINS)
    shortest, longest = PER_PERIOD * width, span / LEAST_CYCLES
    grid = _Grid(t, width, 1 / longest, 1 / shortest)
    powers = grid.powers(y) / total
    best = float(powers.max())
    rng = np.random.default_rng(seed)
    # A hair below: orders that tie with the one seen count, however the sums round.
    higher = sum(float(grid.powers(rng.permutation(y)).max()) / total >= best * (1 - 1e-9) for _ in range(permutations))
    frequency, power = _refined(t, y / np.sqrt(total), grid.frequency[int(np.argmax(powers))], span)
    # A sharp feature once in a cycle has as much power at its second and third harmonic: the slowest that is nearly as
    # strong is the cycle.
    for k in range(HARMONICS, 1, -1):
        if frequency / k >= 1 / longest:
            slower, its_power = _refined(t, y / np.sqrt(total), frequency / k, span)
            if its_power >= ALIKE * power:
                frequency, power = slower, its_power
                break
    return Periodicity(
        period_s=1 / frequency,
        uncertainty_s=float(np.sqrt(6 / power)) / (2 * np.pi * span * frequency) / frequency,
        cycles=span * frequency,
        power=power,
        # The order seen is one of the permutations: p is never 0.
        p=(1 + higher) / (1 + permutations),
        values=int(t.size),
        shortest_s=shortest,
        longest_s=longest,
    )


class _Grid:
    """Powers at evenly spaced frequencies, by bins and one Fourier transform."""

    def __init__(self, t: Floats, width: float, lowest: float, highest: float) -> None:
        self._bin = (t / width).astype(np.int64)
        self._count = int(self._bin.max()) + 1
        self._size = 1 << (2 * self._count - 1).bit_length()
        frequency = np.arange(self._size // 2 + 1) / (self._size * width)
        self._rows = np.flatnonzero((frequency >= lowest) & (frequency <= highest))
        self.frequency: Floats = frequency[self._rows]

    def powers(self, y: Floats) -> Floats:
        """Return |Σ y exp(…)|² at every frequency."""
        spectrum = np.fft.rfft(np.bincount(self._bin, y, self._count), self._size)[self._rows]
        out: Floats = spectrum.real**2 + spectrum.imag**2
        return out


def _flat(t: Floats, y: Floats) -> Floats:
    from numpy.polynomial import Polynomial

    line = Polynomial.fit(t, y, 1)
    flat: Floats = y - line(t)
    # Values that differ by rounding alone do not vary.
    return flat if np.ptp(flat) > 1e-12 * max(1.0, float(np.abs(y).max())) else np.zeros_like(y)


def _refined(t: Floats, y: Floats, near: float, span: float) -> tuple[float, float]:
    """Return the frequency of the highest power near one, and that power.

    By two grids, the second a twentieth as wide: a search by steps would end a few last digits apart on another
    machine.
    """
    best, power = float(near), 0.0
    for reach in (1 / span, 1 / (STEPS * span)):
        tried = best + reach * np.arange(-STEPS, STEPS + 1) / STEPS
        tried = tried[tried > 0]
        found = [float(np.abs(y @ np.exp(2j * np.pi * f * t))) ** 2 for f in tried.tolist()]
        k = int(np.argmax(found))
        best, power = float(tried[k]), found[k]
    return best, power
