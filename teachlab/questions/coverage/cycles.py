"""How often a recurring disturbance (a belt seam, a lamp, a lot) could be seen: in the open gaps only."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import ClassVar

import numpy as np
from numpy.typing import ArrayLike

from teachlab.errors import ParameterError, check_share
from teachlab.model.arrays import Floats, Integers
from teachlab.model.json_values import Document

SLIVER = 1e-9
"""Shares of a cycle below this are rounding."""
_SECONDS = {"s": 1.0, "ms": 0.001, "min": 60.0, "h": 3600.0}
_METRES = {"mm": 0.001, "m": 1.0}
_NUMBER = r"[0-9]*\.?[0-9]+(?:[eE][+-]?[0-9]+)?"
_SPEC = re.compile(
    rf"(?P<name>[^=]+)=(?P<period>{_NUMBER})(?P<unit>[A-Za-z]+)(?::(?P<width>{_NUMBER})(?P<wide>[A-Za-z]+))?"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Cycle:
    """Something that recurs at a steady pace, with a feature at an unknown place of it.

    `period_s`: of one revolution.
    `width_s`: how long the feature takes to pass; it was seen only if all of it lay in one open gap.
    """

    name: str
    period_s: float
    width_s: float = 0.0

    def __post_init__(self) -> None:
        if not (math.isfinite(self.period_s) and self.period_s > 0):
            raise ParameterError(f"the period of '{self.name}' must be finite and above 0 s, got {self.period_s:g} s.")
        if not 0 <= self.width_s < self.period_s:
            raise ParameterError(
                f"the feature of '{self.name}' must be narrower than its period of {self.period_s:g} s, got "
                f"{self.width_s:g} s."
            )


def cycle_of(text: str, *, line_speed_m_s: float | None = None) -> Cycle:
    """Read ``belt=10s``, ``belt=6000mm``, ``lamp=100Hz``, or with the width of its feature ``belt=6000mm:40mm``.

    `line_speed_m_s` (m/s): turns lengths into times.
    Raises ParameterError if it cannot be read, or a length comes without a line speed.

    Examples
    --------
    >>> cycle_of("belt=6000mm:30mm", line_speed_m_s=0.6)
    Cycle(name='belt', period_s=10.0, width_s=0.05)
    >>> cycle_of("lamp=100Hz").period_s
    0.01
    """
    match = _SPEC.fullmatch(text.strip())
    if match is None:
        raise ParameterError(
            f"a cycle is written NAME=PERIOD with a unit (belt=10s, belt=6000mm, lamp=100Hz), and :WIDTH of its "
            f"feature where that matters; got '{text}'."
        )

    def seconds(number: str, unit: str) -> float:
        value = float(number)
        if unit in _SECONDS:
            return value * _SECONDS[unit]
        if unit == "Hz" and value > 0:
            return 1 / value
        if unit in _METRES:
            if line_speed_m_s is None:
                raise ParameterError(
                    f"cycle '{text}' is a length: a time needs the line speed. Store line_speed_m_s with the "
                    "recording, name it with --line-speed, or give the period in s."
                )
            return value * _METRES[unit] / line_speed_m_s
        raise ParameterError(f"cycle '{text}': the unit must be {', '.join((*_SECONDS, 'Hz', *_METRES))}.")

    width = 0.0 if match["width"] is None else seconds(match["width"], match["wide"])
    return Cycle(name=match["name"].strip(), period_s=seconds(match["period"], match["unit"]), width_s=width)


@dataclass(frozen=True, slots=True, kw_only=True)
class Exposure(Document):
    """How often a feature at an unknown place of a cycle lay completely in an open gap.

    `seconds`, `open_s` (s): examined time, and how much of it was open gap.
    `revolutions`: revolutions of the cycle in that time.
    `exposures`: mean over all places of the cycle: revolutions with the feature in an open gap.
    `least`, `most`: exposures of the place that was seen least often, and most often.
    `seen_share`: share of the places seen at least `times` times: the probability that the feature was seen so often.
    `sure`: number of exposures that at least a share `confidence` of all places has.
    """

    ALSO: ClassVar[tuple[str, ...]] = ("open_share",)

    seconds: float
    open_s: float
    revolutions: float
    exposures: float
    least: int
    most: int
    seen_share: float
    times: int
    sure: int
    confidence: float

    @property
    def open_share(self) -> float:
        """Share of the revolutions in which the feature lies in an open gap; 0 without any."""
        return self.exposures / self.revolutions if self.revolutions > 0 else 0.0


def exposures(
    start_s: ArrayLike, stop_s: ArrayLike, cycle: Cycle, *, seconds: float, confidence: float = 0.95, times: int = 1
) -> Exposure:
    """Count, for every place of a cycle, in how many revolutions it lay in an open gap.

    `start_s`, `stop_s` (shape (gaps,), s): open gaps ``[start, stop)``, disjoint.
    `seconds` (s): examined time, gaps and passes.
    `times`: how often the feature should be seen, at least 1.

    Notes
    -----
    A feature that begins at phase φ of a cycle of period P and takes w to pass is seen in revolution j if and only if
    ``[φ + j P, φ + j P + w)`` lies in one gap. So gap ``[a, b)`` shows the phases of ``[a, b − w]``. These stretches
    are folded onto one cycle. The number of stretches above each other is constant between their ends, so every share
    is exact.

    Examples
    --------
    Three gaps of 4 s in 30 s, all at the same place of a cycle of 10 s:

    >>> found = exposures([0, 10, 20], [4, 14, 24], Cycle(name="belt", period_s=10), seconds=30)
    >>> round(found.exposures, 3), found.least, found.most, round(found.seen_share, 3), found.sure
    (1.2, 0, 3, 0.4, 0)
    """
    check_share("confidence", confidence)
    edges, count = folded(start_s, stop_s, cycle)
    share = np.diff(edges) / cycle.period_s
    # Ends that differ in the last digits only leave slivers between them.
    real = share > SLIVER
    share, count = share[real], count[real]
    order = np.argsort(-count, kind="stable")
    reached = np.cumsum(share[order])
    # The shares add up to 1 except for the last digits.
    at = int(np.searchsorted(reached, confidence - 1e-9)) if reached.size else 0
    start, stop = _arrays(start_s, stop_s)
    return Exposure(
        seconds=float(seconds),
        open_s=float((stop - start).sum()),
        revolutions=float(seconds) / cycle.period_s,
        exposures=float((share * count).sum()),
        least=int(count.min(initial=np.iinfo(np.int64).max)) if count.size else 0,
        most=int(count.max(initial=0)),
        seen_share=min(1.0, float(share[count >= times].sum())),
        times=times,
        sure=int(count[order][min(at, count.size - 1)]) if count.size else 0,
        confidence=confidence,
    )


def folded(start_s: ArrayLike, stop_s: ArrayLike, cycle: Cycle) -> tuple[Floats, Integers]:
    """Return the borders of the phases between which the number of exposures is constant, and that number.

    `edges` (shape (n + 1,), s): from 0 to the period, ascending.
    `count`: shape (n,).
    Raises ParameterError if the cycle is so short that its revolutions cannot be counted.
    """
    start, stop = _arrays(start_s, stop_s)
    period = cycle.period_s
    # A feature is seen if the gap is open for all of its width: this shortens every gap by the width.
    length = stop - start - cycle.width_s
    start, length = start[length > 0], length[length > 0]
    with np.errstate(over="ignore"):
        whole = np.floor(length / period)
    # Counts are summed as floats first: beyond 2^53 they would not be whole numbers.
    if not whole.sum() < 2**53:
        raise ParameterError(f"a cycle of {period:g} s comes back too often to be counted. Give a longer one.")
    rest = (length - whole * period).clip(0, period)
    phase = np.mod(start, period)
    # A remainder that rounds up to the period itself is phase 0.
    phase = np.where(phase >= period, 0.0, phase)
    end = phase + rest
    over = end > period
    # A stretch that crosses the end of the cycle shows its end and its beginning.
    begins = np.concatenate((phase, np.zeros(int(over.sum()))))
    ends = np.concatenate((np.minimum(end, period), end[over] - period))
    # All gaps laid onto one turn of the cycle, and counted by their ends:
    #
    #     phase   0 |----------------------------| period
    #     gap 1        |=======|                             one visit of the part of the belt that came by in it
    #     gap 2              |===========|
    #     gap 3     |==|                      |===           over the end: shows the end and the beginning
    #     count     1 1 1 1 1 2 2 1 1 1 1 0 0 1 1            how often each place was looked at with the gap open
    edges, place = np.unique(np.concatenate(([0.0, period], begins, ends)), return_inverse=True)
    steps = np.zeros(edges.size, np.int64)
    np.add.at(steps, place[2 : 2 + begins.size], 1)
    np.subtract.at(steps, place[2 + begins.size :], 1)
    return edges, np.cumsum(steps)[:-1] + int(whole.sum())


def _arrays(start_s: ArrayLike, stop_s: ArrayLike) -> tuple[Floats, Floats]:
    start = np.asarray(start_s, np.float64).reshape(-1)
    stop = np.asarray(stop_s, np.float64).reshape(-1)
    if start.shape != stop.shape or (stop < start).any():
        raise ParameterError("gaps need as many ends as starts, each end at or after its start.")
    return start, stop


def revolutions_needed(open_share: float, confidence: float, *, times: int = 1) -> float:
    """Return the revolutions after which a feature was seen often enough with this confidence.

    `open_share` (in [0, 1]): share of the revolutions in which the feature lies in an open gap.
    `confidence`: in (0, 1).
    `times`: how often it has to be seen.

    The result is infinite if no revolution meets an open gap.

    Notes
    -----
    Every revolution is assumed to meet open gaps independently. With a fraction f beyond k whole revolutions, the
    feature comes k + 1 times with probability f, otherwise k times. The result is interpolated in proportion between
    the whole numbers of revolutions whose binomial probability of at least `times` exposures brackets the confidence.

    Examples
    --------
    >>> round(revolutions_needed(0.62, 0.95), 1)
    3.1
    """
    check_share("confidence", confidence)
    if not 0 <= open_share <= 1 or times < 1:
        raise ParameterError("a share lies between 0 and 1, and a feature is seen at least once.")
    if open_share == 0:
        return math.inf
    from scipy.special import betainc

    def seen(n: int) -> float:
        return 0.0 if n < times else float(betainc(times, n - times + 1, open_share))

    # More revolutions never lower the chance. Doubling brackets the answer in few steps, however rarely a gap is open;
    # halving closes the bracket.
    low, high = 0, times
    while seen(high) < confidence:
        low, high = high, 2 * high
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (middle, high) if seen(middle) < confidence else (low, middle)
    below, above = seen(low), seen(high)
    return low + (confidence - below) / (above - below)


def revolutions_if_independent(open_share: float, confidence: float, *, times: int = 1) -> float:
    """Return the revolutions that show a share `confidence` of all places, if products come independently of the cycle.

    Parameters as of `revolutions_needed`.

    Notes
    -----
    After the revolutions that one feature needs, a share C of all places was seen on average: less in every second
    recording. If (1 − C)² of the places are unseen on average, more than 1 − C are unseen with a probability of at most
    1 − C, by Markov's inequality.

    Revolutions are taken as independent. Simulated from 3 to 11 revolutions, at 95 %: what is asked for is too little
    in at most 3 % where products come at random, but in 10 to 40 % where they come at an almost steady pace, which may
    stay nearly in step with the cycle, or in bursts with pauses longer than a revolution. So few revolutions do not
    tell these apart: it is a length to record before asking again.

    Examples
    --------
    >>> round(revolutions_if_independent(0.62, 0.95), 1)
    6.3
    """
    return revolutions_needed(open_share, 1 - (1 - confidence) ** 2, times=times)
