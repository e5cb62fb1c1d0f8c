"""What recurs by itself: a period in false trips and in the peaks of the gaps, in words."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from teachlab.errors import Abstained
from teachlab.light.extremes import Extremes
from teachlab.light.usable_light import bounded_recording
from teachlab.model.json_values import Document
from teachlab.model.recording import Direction, Recording
from teachlab.model.score import Rules
from teachlab.model.setting import Setting
from teachlab.model.truth import Truth
from teachlab.statistics.over_time.periodicity import BINS, LEAST_VALUES, PER_PERIOD, Periodicity, dominant_period
from teachlab.teaching.block import TeachBlock

if TYPE_CHECKING:
    from teachlab.questions.coverage.cycles import Cycle
    from teachlab.questions.coverage.open_gaps import OpenGaps, Positions

Levels = NDArray[np.float64]
PIECES_BETWEEN = 4
"""Trips that follow one another are examined in pieces of a quarter of their distance."""
LEAST_STRENGTH = 0.3
"""Below this resultant length trips have no clear pace, however significant it is: noise is not exactly white."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Recurrence(Document):
    """What was searched for a period, and the result.

    `what`: false trips, or peaks of the gaps.
    `refused`: why there is none.
    """

    what: str
    period: Periodicity | None
    refused: str | None = None
    sentence: str


def search(
    recording: Recording,
    truth: Truth,
    seen: OpenGaps,
    setting: Setting | None,
    cycles: Sequence[Cycle],
    rules: Rules,
) -> tuple[Recurrence, ...]:
    """Search for a period in the false trips, in their repeats within a gap, and in the peaks of the gaps.

    `setting`: without a setting there are no trips to search.
    `cycles`: a period that was found is named if it is one of them.
    `rules`: their tolerance is added to every border of every pass.
    """
    clock = seen.output.clock
    if seen.start.size == 0:
        return ()
    # A long gap is examined in pieces as long as the usual gap.
    start, stop = _pieces(seen, max(1, int(np.median(seen.stop - seen.start))))
    middle = (start + stop) / 2 / clock.rate_hz
    shortest = 2 * float(np.median(np.diff(middle))) if middle.size > 1 else 1.0
    speed = recording.info.line_speed_m_s
    out = []
    if setting is not None:
        onsets = seen.output.output.rises()
        out.append(_found("false trips", *_trips(seen, onsets, start, stop), shortest, cycles, speed))
        if (again := _repeats(seen, onsets, cycles, speed)) is not None:
            out.append(again)
    try:
        up = _up(recording, truth, setting, rules)
    except Abstained as refusal:
        return (*out, Recurrence(what="peaks of the gaps", period=None, refused=str(refusal), sentence=""))
    start, stop = _pieces(_without_edges(seen, truth), max(1, int(np.median(seen.stop - seen.start))))
    middle = (start + stop) / 2 / clock.rate_hz
    extremes = Extremes(clock.sample_of(start), clock.sample_of(stop - 1) + 1)
    for block in bounded_recording(recording).blocks():
        extremes.push(block.start, block.light, block.invalid_mask())
    peak = extremes.high if up else -extremes.low
    known = ~np.isnan(peak)
    return (*out, _found("peaks of the gaps", middle[known], peak[known], shortest, cycles, speed))


def _pieces(seen: OpenGaps, length: int) -> tuple[Positions, Positions]:
    """Divide every gap into the smallest number of equal pieces that are no longer than a length."""
    size = seen.stop - seen.start
    pieces = -(-size // length)
    row = np.repeat(np.arange(pieces.size), pieces)
    k = np.arange(row.size) - np.repeat(np.cumsum(pieces) - pieces, pieces)
    return seen.start[row] + k * size[row] // pieces[row], seen.start[row] + (k + 1) * size[row] // pieces[row]


def _without_edges(seen: OpenGaps, truth: Truth) -> OpenGaps:
    """Leave out a quarter of every gap at both ends, no more than a pass is long.

    The edge of a product reaches into both gaps beside it: their peaks would vary together, which is no period.
    """
    if not truth.passes:
        return seen
    clock = seen.output.clock
    longest = float(np.median(truth.end - truth.start)) * clock.rate_hz / clock.sample_rate_hz
    rim = np.minimum((seen.stop - seen.start) // 4, int(longest))
    return replace(seen, start=seen.start + rim, stop=seen.stop - rim)


def _trips(seen: OpenGaps, onsets: Positions, start: Positions, stop: Positions) -> tuple[Levels, Levels]:
    """Return when every piece was examined, or first tripped, in s, and how often it tripped."""
    first = np.searchsorted(onsets, start)
    trips = np.searchsorted(onsets, stop) - first
    at = (start + stop) / 2
    at[trips > 0] = onsets[first[trips > 0]]
    return at / seen.output.clock.rate_hz, trips.astype(np.float64)


def _repeats(seen: OpenGaps, onsets: Positions, cycles: Sequence[Cycle], speed: float | None) -> Recurrence | None:
    """Search for a pace in trips that follow one another within a gap; None if they do not."""
    gap = np.searchsorted(seen.start, onsets, side="right") - 1
    inside = (gap >= 0) & (onsets < seen.stop[gap.clip(min=0)])
    gap, onsets = gap[inside], onsets[inside]
    apart = np.diff(onsets)[np.diff(gap) == 0]
    if apart.size < LEAST_VALUES:
        return None
    length = max(1, int(np.median(apart)) // PIECES_BETWEEN)
    start, stop = _pieces(seen, length)
    # As much of the record as the search has bins for.
    near = stop <= start[0] + length * BINS // (PER_PERIOD // 2)
    start, stop = start[near], stop[near]
    times, trips = _trips(seen, onsets, start, stop)
    rate, longest = seen.output.clock.rate_hz, int((seen.stop - seen.start).max())
    # A pace longer than every gap is that of gaps, or lots, in which there are more trips.
    return _found("false trips within a gap", times, trips, 2 * length / rate, cycles, speed, longest=longest / rate)


def _up(recording: Recording, truth: Truth, setting: Setting | None, rules: Rules) -> bool:
    if setting is not None:
        return setting.light_on
    return TeachBlock(recording, truth, rules=rules).direction is Direction.RISE


def _found(
    what: str,
    times: NDArray[np.float64],
    values: NDArray[np.float64],
    shortest: float,
    cycles: Sequence[Cycle],
    speed: float | None,
    longest: float = math.inf,
) -> Recurrence:
    trips = what.startswith("false trips")
    if trips and not values.any():
        return Recurrence(what=what, period=None, refused="there were none", sentence="False trips: there were none.")
    try:
        period = dominant_period(times, values, shortest_s=shortest, longest_s=longest)
    except Abstained as refusal:
        return Recurrence(
            what=what, period=None, refused=str(refusal), sentence=f"{what.capitalize()}: {refusal.reason}."
        )
    length = ""
    if speed is not None:
        length = f", {_rounded(1000 * period.period_s * speed, 1000 * period.uncertainty_s * speed)} mm of the line"
    # For marks that are present or not, R divided by their number is the square of the resultant length of their
    # phases.
    weak = trips and period.power < LEAST_STRENGTH**2 * float(values.sum())
    if weak or not period.significant:
        why = "weak" if weak and period.significant else f"p = {period.p:.2g}"
        sentence = (
            f"{what.capitalize()}: no period between {period.shortest_s:.3g} and {period.longest_s:.3g} s stands out "
            f"(strongest: {period.period_s:.3g} s, {why})."
        )
        return Recurrence(what=what, period=period, sentence=sentence)
    name = next(
        (
            c.name
            for c in cycles
            if abs(c.period_s - period.period_s) <= max(3 * period.uncertainty_s, c.period_s / 100)
        ),
        None,
    )
    known = "" if name is None else f" It is the cycle '{name}'."
    come = "come once per" if trips else "vary with a period of"
    sentence = (
        f"{what.capitalize()} {come} {_rounded(period.period_s, period.uncertainty_s)} s{length} "
        f"(± {period.uncertainty_s:.2g} s; p = {period.p:.2g}; {period.cycles:.3g} cycles).{known}"
    )
    return Recurrence(what=what, period=period, sentence=sentence)


def _rounded(value: float, uncertainty: float) -> str:
    """Return a value with the digits that its uncertainty allows."""
    digits = -math.floor(math.log10(uncertainty))
    return f"{round(value, digits):.{max(0, digits)}f}"
