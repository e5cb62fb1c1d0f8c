"""How far the borders of passes may be wrong, found from how their times were written."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

Places = NDArray[np.float64]

FEWEST_KINDS = 3
"""Lengths of passes and gaps must take at least this many values before a step can be found."""
CHANCE = 1e-4
"""A step is accepted if unrounded lengths would look like this with less than this probability."""
FEWEST_TIMES = 3.0
"""Every value must occur so often on average: rounded lengths repeat, others hardly do."""
_FRACTION = re.compile(r"\d[.,](\d+)(?!.*[.,]\d)")


@dataclass(frozen=True, slots=True)
class BorderDoubt:
    """Half-width of the uncertainty of every border, and its reason.

    `samples` (samples): at least 1: no border is more certain than one sample of the light.
    `because`: the end of the sentence "Borders are uncertain by ± … because …".
    """

    samples: float
    because: str

    @classmethod
    def of_positions(cls, start: Places, end: Places, *, printed: float = 0.0) -> BorderDoubt:
        """Tell the doubt from positions.

        The larger of two steps: the printed one, and the one that all positions share. It counts in full, because
        stamps may have been truncated instead of rounded. At least 1 sample.

        `start`, `end`: shape (passes,), samples.
        `printed` (samples): the last printed digit of a time.

        Examples
        --------
        >>> start = np.array([0, 600, 1100, 1600, 2200, 2700, 3200, 3700])
        >>> BorderDoubt.of_positions(start, start + [200, 300, 300, 200, 300, 200, 200, 300]).samples
        100.0
        >>> BorderDoubt.of_positions(np.array([12.5]), np.array([300.0]), printed=0.1).because
        'no border is known better than one sample'
        """
        common = common_step(start, end, rounded=False)
        step = max(printed, common)
        if step <= 1:
            return cls(1.0, "no border is known better than one sample")
        return cls(step, "that is the step of their times" if common >= printed else "that is their last printed digit")

    @classmethod
    def of_rows(cls, start: NDArray[np.int64], end: NDArray[np.int64]) -> BorderDoubt:
        """Find the uncertainty of passes from a column of the log: the update step of the column, not of the log."""
        step = common_step(start.astype(np.float64), end.astype(np.float64), rounded=True)
        if step <= 1:
            return cls(1.0, "the column is as fast as the log")
        return cls(step, "the column is updated no more often than that")


def common_step(start: Places, end: Places, *, rounded: bool) -> float:
    """Return the step of which all lengths of passes and gaps are multiples; 1 if none is found.

    `start`, `end` (shape (passes,), samples): passes ``[start, end)``.
    `rounded`: whether positions were rounded to whole samples afterwards.

    Notes
    -----
    Lengths that differ by rounding only are one kind. The smallest distance between kinds, divided by 1, 2, 3 …, is
    tried as the step and fitted to all. A step is accepted if no kind deviates by more than rounding allows, and if so
    many kinds on multiples are no chance. A line with exact timing has too few kinds, and a line whose lengths take all
    values has a single kind: neither gives a step.

    Examples
    --------
    >>> start = np.array([0, 130, 250, 380, 500, 620, 750, 880, 1000, 1120.0])
    >>> common_step(start, start + [40, 30, 40, 40, 30, 30, 40, 40, 30, 30], rounded=False)
    10.0
    """
    if start.size < 2:
        return 1.0
    lengths = np.sort(np.concatenate([end - start, (start[1:] - end[:-1])[start[1:] > end[:-1]]]))
    slack = 1.0 if rounded else 1e-3
    first = np.concatenate(([True], np.diff(lengths) > 2 * slack))
    kinds = np.add.reduceat(lengths, np.flatnonzero(first)) / np.diff(np.append(np.flatnonzero(first), lengths.size))
    if kinds.size < FEWEST_KINDS or lengths.size < FEWEST_TIMES * kinds.size:
        return 1.0
    apart = np.diff(kinds)
    # The two nearest kinds may be several steps apart: 20 and 30 are neighbours of a step of 10 as well as of 5.
    for parts in range(1, 10):
        guess = float(apart.min()) / parts
        if guess <= max(1.0, 4 * slack):  # any length is close to a multiple of so small a step
            break
        # The sum of the small multiples between neighbours is certain earlier than the large multiples of whole
        # lengths.
        step = float(apart.sum() / np.rint(apart / guess).sum())
        times = np.rint(kinds / step)
        step = float(times @ kinds / (times @ times))
        off = float(np.abs(kinds - np.rint(kinds / step) * step).max())
        # A length that nobody rounded lies within ± off of a multiple with probability 2 off / step; one kind of length
        # is used up by the fit. An off of 0 would make every step certain: at least a quarter of the slack is taken.
        if off <= slack and (2 * max(off, slack / 4) / step) ** (kinds.size - 1) <= CHANCE:
            return float(f"{step:.4g}")
    return 1.0


def last_digit(cells: Any) -> float | None:
    """Return the last digit that is printed in the times of a column; None if they are not printed.

    `cells`: text: numbers, dates with a time, times of day.

    Examples
    --------
    >>> import pyarrow as pa
    >>> last_digit(pa.array(["3.5", "4.25"])), last_digit(pa.array(["2026-03-01 06:00:00", "2026-03-01 06:00:01,5"]))
    (0.01, 0.1)
    >>> last_digit(pa.array(["7", "8"])), last_digit(pa.array([1.5])), last_digit(pa.array(["1e3"]))
    (1.0, None, None)
    """
    if "string" not in str(cells.type):
        return None
    digits = 0
    for cell in cells.to_pylist():
        if cell is None or "e" in cell.lower():
            return None
        found = _FRACTION.search(cell)
        digits = max(digits, len(found[1]) if found else 0)
    return float(10**-digits) if digits else 1.0
