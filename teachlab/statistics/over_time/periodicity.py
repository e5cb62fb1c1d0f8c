"""Whether an event repeats at a steady pace: the dominant period of values at uneven times, and its p-value."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

import numpy as np
from numpy.typing import ArrayLike

from teachlab.errors import Abstained, ParameterError
from teachlab.model.arrays import Floats
from teachlab.model.json_values import Document
from teachlab.model.printable_text import number_of

PERMUTATIONS = 499
SIGNIFICANT = 0.01
LEAST_CYCLES = 3
"""A period is looked for only if the record holds this many cycles: one rise and fall is a drift."""
LEAST_VALUES = 12
BINS = 1 << 16
PER_PERIOD = 8
"""Bins per shortest period."""
HARMONICS = 12
ALIKE = 0.75
"""A multiple of the period with at least this share of the highest power is taken as the period."""
STEPS = 20


@dataclass(frozen=True, slots=True, kw_only=True)
class Periodicity(Document):
    """The strongest period in the range that was searched.

    `period_s`, `uncertainty_s`: period and its standard uncertainty.
    `power`: R at its frequency; about 1 on average if nothing is periodic.
    `p`: probability of a peak at least as high anywhere in the range if the values came in random order; where that is
    at most `SIGNIFICANT`, if they resembled their neighbours in random order, where that is larger.
    `shortest_s`, `longest_s`: range of periods that was searched.
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
        """Whether p is at most `SIGNIFICANT`."""
        return self.p <= SIGNIFICANT


def dominant_period(
    times_s: ArrayLike, values: ArrayLike, *, shortest_s: float, longest_s: float = np.inf,
    permutations: int = PERMUTATIONS, seed: int = 0,
) -> Periodicity:  # fmt: skip
    """Find the period in which values vary most.

    `times_s` (shape (n,), s): time of each value; any spacing.
    `values` (shape (n,)): a height, or how often something happened.
    `shortest_s`: shortest period in the search: at least twice the usual distance of two times, because a shorter
    one appears at its alias.
    `longest_s`: longest period in the search, if a third of the record is longer.
    `permutations`: number of random orders with which the peak is compared.
    Raises Abstained with fewer than 12 values, values that do not vary, or a record shorter than three
    shortest periods.
    Raises ParameterError if the two differ in length, or a limit is impossible.

    Notes
    -----
    Let y be the values minus their least-squares line; ``R(f) = |Σ y exp(2πi f t)|² / Σ y²``. For marks that are
    present or not, this is Rayleigh's statistic of the times, minus what the observed times alone would give. R is
    taken on a grid of bins, an eighth of the shortest period wide, and refined at the exact times. p is the share of
    random orders of y whose highest R is at least as large; the observed order counts too. Values that wander, or that
    come in lots, are not in random order. So a period must also stand out in what does not follow from the value
    before, ``y_k − φ y_{k−1}`` with φ the autocorrelation of neighbours: the larger p counts. Short marks have as much
    power in their harmonics: of the multiples of the best period, the longest with at least 75 % of its power is
    reported. Uncertainty: ``√6 / (2π T √R)`` of the frequency over a record of length T.

    Simulated with 30 to 200 values without a period that wander, resemble their neighbours by 0.5 to 0.97, or come in
    8 to 20 lots: at p ≤ 0.01 a period is found in at most 4 % (by random orders of y alone, in up to 75 %).

    References
    ----------
    Rayleigh's test: Mardia and Jupp, Directional Statistics, 2000, section 6.3. Periodogram at uneven times:
    Scargle, Astrophysical Journal 263 (1982) 835–853. Uncertainty: Montgomery and O'Donoghue, Delta Scuti Star
    Newsletter 13 (1999) 28 (from memory). Taking out the part that follows from the value before: Box, Jenkins and
    Reinsel, Time Series Analysis, 3rd ed. (1994) (from memory).

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
            f"{number_of(t.size, 'value')} over {span:.4g} s",
            f"at least {LEAST_VALUES} values over {LEAST_CYCLES * shortest_s:.4g} s",
        )
    if not np.isfinite(y).all():
        raise Abstained(
            "a period is looked for in numbers only", f"{(~np.isfinite(y)).sum()} infinite", "finite values"
        )
    order = np.argsort(t, kind="stable")
    t, y = t[order] - t.min(), y[order]
    # Squares of values such as 1e300 would overflow; scaling by a power of two makes no rounding error.
    y = _flat(t, np.ldexp(y, -int(np.frexp(np.abs(y).max())[1])))
    total = float(y @ y)
    if not total > 0:
        raise Abstained("nothing varies, so there is no period", f"{t.size} equal values", "values that differ")
    # Irregular times are put into bins that are fine enough for the shortest period. Then one FFT gives all
    # frequencies, and 500 permutations take 500 FFTs instead of 500 periodograms.
    width = max(shortest_s / PER_PERIOD, span / BINS)
    shortest = PER_PERIOD * width
    longest = max(shortest, min(span / LEAST_CYCLES, longest_s))
    grid = _Grid(t, width, 1 / longest, 1 / shortest)
    p = grid.chance(y, permutations, seed)
    if p <= SIGNIFICANT:
        follows = max(0.0, float(y[1:] @ y[:-1]) / total)
        rest = _Grid(t[1:], width, 1 / longest, 1 / shortest)
        p = max(p, rest.chance(y[1:] - follows * y[:-1], permutations, seed))
    frequency, power = _refined(t, y / np.sqrt(total), grid.frequency[int(np.argmax(grid.powers(y)))], span)
    # A sharp feature once per cycle has as much power at its second and third harmonic: the slowest that is nearly as
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
        p=p,
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

    def chance(self, y: Floats, permutations: int, seed: int) -> float:
        """Return the share of random orders, the observed one among them, whose highest power is at least as large."""
        rng = np.random.default_rng(seed)
        # Slightly below: orders with the same power as the observed one count, however the sums are rounded.
        least = float(self.powers(y).max()) * (1 - 1e-9)
        higher = sum(float(self.powers(rng.permutation(y)).max()) >= least for _ in range(permutations))
        # The observed order is one of the permutations, so p is never 0.
        return (1 + higher) / (1 + permutations)


def _flat(t: Floats, y: Floats) -> Floats:
    from numpy.polynomial import Polynomial

    line = Polynomial.fit(t, y, 1)
    flat: Floats = y - line(t)
    # Values that differ by rounding only do not vary.
    return flat if np.ptp(flat) > 1e-12 * max(1.0, float(np.abs(y).max())) else np.zeros_like(y)


def _refined(t: Floats, y: Floats, near: float, span: float) -> tuple[float, float]:
    """Return the frequency of the highest power near one, and that power.

    Two grids are used, the second a twentieth as wide: a stepwise search would end some last digits apart on another
    computer.
    """
    best, power = float(near), 0.0
    for reach in (1 / span, 1 / (STEPS * span)):
        tried = best + reach * np.arange(-STEPS, STEPS + 1) / STEPS
        tried = tried[tried > 0]
        found = [float(np.abs(y @ np.exp(2j * np.pi * f * t))) ** 2 for f in tried.tolist()]
        k = int(np.argmax(found))
        best, power = float(tried[k]), found[k]
    return best, power
