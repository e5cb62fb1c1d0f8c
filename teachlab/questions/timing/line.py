"""A line as its clock sees it: what passes, what filter and delays need, and the edges of a beam."""

from __future__ import annotations

import math
from dataclasses import dataclass

from teachlab.errors import ParameterError, check_not_negative, check_positive
from teachlab.model.setting import Switching
from teachlab.sensor.clock import delay_evaluations

UNDELAYED = Switching()
"""No filter and no delay."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TimeBudget:
    """What passes, how the sensor evaluates it, and what reads the output.

    `dwell_ms`, `gap_ms`: shortest time for which an object holds the light beyond the level, and shortest time between
    two objects. The cause of a time of 0 is the level.
    `speed_mm_s` (mm/s): speed of the line; needed for lengths.
    `scan_ms`, `input_filter_ms`: scan of the controller, and filter of its input.
    `edge_mm`: ``x_on + x_off``: how much shorter an object appears between its on-level and its off-level than at half
    of its height, and how much longer the gap after it (negative: the opposite).
    `speed_change`: relative change of the speed, for the position of the onset.
    `source`: where dwell and gap come from.
    """

    dwell_ms: float
    gap_ms: float
    evaluation_rate_hz: float
    speed_mm_s: float | None = None
    switching: Switching = UNDELAYED
    scan_ms: float = 0.0
    input_filter_ms: float = 0.0
    edge_mm: float = 0.0
    speed_change: float = 0.0
    source: str = "numbers given"

    def __post_init__(self) -> None:
        check_not_negative(
            dwell_ms=self.dwell_ms, gap_ms=self.gap_ms, scan_ms=self.scan_ms, input_filter_ms=self.input_filter_ms
        )
        check_positive(evaluation_rate_hz=self.evaluation_rate_hz)
        if self.speed_mm_s is not None:
            check_positive(speed_mm_s=self.speed_mm_s)
        if not (math.isfinite(self.speed_change) and self.speed_change > -1):
            raise ParameterError(f"speed-change must be a finite number above -1, got {self.speed_change:g}.")

    @property
    def period_ms(self) -> float:
        """Time between two evaluations, ``T_e``."""
        return 1000 / self.evaluation_rate_hz

    @property
    def back_ms(self) -> float:
        """The delay before an onset, in whole evaluations as the sensor counts it."""
        return self.delays()[0] * self.period_ms

    @property
    def hold_ms(self) -> float:
        """The delay that keeps the output active after the object, in whole evaluations as the sensor counts it."""
        return self.delays()[1] * self.period_ms

    @property
    def object_needs(self) -> int:
        """Evaluations in a row for which an object must last to switch the output.

        The filter needs n and delays both edges equally; the on-delay needs one more than its length.
        """
        back, hold = self.delays()
        return max(self.switching.consecutive, back + 1 - (hold if self.switching.delays_swap_roles else 0))

    @property
    def gap_needs(self) -> int:
        """Evaluations in a row for which a gap must last to release the output.

        One more than the length of the off-delay, minus the evaluations by which the on-delay delays the next onset.
        """
        back, hold = self.delays()
        return max(self.switching.consecutive, hold + 1 - (0 if self.switching.delays_swap_roles else back))

    def delays(self) -> tuple[int, int]:
        """Return the delay before an onset, and the one that keeps the output active, in evaluations."""
        rate = self.evaluation_rate_hz
        back, hold = self.switching.holds_back_ms, self.switching.holds_on_ms
        return delay_evaluations(back, rate), delay_evaluations(hold, rate)

    def inside(self, time_ms: float) -> int:
        """Return how many evaluations fall into a time at every phase."""
        # A time of whole periods must count as such in spite of rounding.
        return math.floor(round(time_ms / self.period_ms, 9))

    @property
    def controller_needs(self) -> int:
        """Evaluations for which pulse and gap of the output must last for the controller."""
        return math.ceil(round((self.scan_ms + self.input_filter_ms) / self.period_ms, 9))

    def pulse(self, dwell_ms: float) -> int:
        """Return the shortest pulse of the output, evaluations, of an object of this dwell that is seen."""
        back, hold = self.delays()
        return max(self.inside(dwell_ms), self.object_needs) - back + hold

    def rest(self, gap_ms: float) -> int:
        """Return the shortest gap of the output, evaluations, after a gap of this length that releases it."""
        back, hold = self.delays()
        return max(self.inside(gap_ms), self.gap_needs) + back - hold

    def seen(self, dwell_ms: float) -> float:
        """Return the probability that an object of this dwell switches the output, at a random phase."""
        return probability_inside(dwell_ms, self.period_ms, self.object_needs)

    def resolved(self, gap_ms: float) -> float:
        """Return the probability that a gap of this length releases the output, at a random phase."""
        return probability_inside(gap_ms, self.period_ms, self.gap_needs)

    @property
    def surely_seen(self) -> bool:
        """Whether object and gap surely switch the output, for as long as the controller needs."""
        through = self.seen(self.dwell_ms) == 1 and self.resolved(self.gap_ms) == 1
        return through and min(self.pulse(self.dwell_ms), self.rest(self.gap_ms)) >= self.controller_needs


def in_words(value_ms: float) -> str:
    """Return a time with a readable unit: ms; from 10 s on s; from 10,000 s on h.

    Examples
    --------
    >>> in_words(2.5), in_words(7.2e6), in_words(1.08e8)
    ('2.5 ms', '7200 s', '30 h')
    """
    if abs(value_ms) < 1e4:
        return f"{value_ms:.4g} ms"
    return f"{value_ms / 1000:.4g} s" if abs(value_ms) < 1e7 else f"{value_ms / 3_600_000:.4g} h"


def range_in_words(low_ms: float, high_ms: float) -> str:
    """Return two times; the first has no unit if it has the same unit as the second.

    Examples
    --------
    >>> range_in_words(5, 20), range_in_words(5, 2e4)
    ('5 … 20 ms', '5 ms … 20 s')
    """
    low, high = in_words(low_ms), in_words(high_ms)
    return f"{low.removesuffix(' ms')} … {high}" if high.endswith(" ms") else f"{low} … {high}"


def probability_inside(dwell_ms: float, period_ms: float, consecutive: int = 1) -> float:
    """Return the probability that `consecutive` evaluations in a row fall into a dwell at random phase.

    ``clip(dwell / T_e − n + 1, 0, 1)``.

    Examples
    --------
    >>> probability_inside(1.2, 0.5, 3), probability_inside(2.5, 1.0, 3)
    (0.3999999999999999, 0.5)
    """
    # A dwell of whole periods must count as such in spite of rounding.
    return min(1.0, max(0.0, round(dwell_ms / period_ms, 9) - consecutive + 1))


def edge_shift_mm(beam_mm: float, share: float) -> float:
    """Return ``x_θ``, how far a level at a share θ of the height lies inside the 50 % border of an edge.

    ``x_θ = (w / 2) · Φ⁻¹(θ)`` for a Gaussian beam of 1/e² radius w; 0 at half height.

    Examples
    --------
    >>> round(edge_shift_mm(2.0, 0.8), 3)
    0.842
    """
    from scipy.special import ndtri

    if not 0 < share < 1:
        raise ParameterError(f"the level must lie at a share strictly between 0 and 1 of the height, got {share:g}.")
    check_not_negative(beam_mm=beam_mm)
    return beam_mm / 2 * float(ndtri(share))


def edges_mm(beam_mm: float, on_share: float, off_share: float | None = None) -> float:
    """Return ``x_on + x_off``, the length by which both edges together shorten an object."""
    return edge_shift_mm(beam_mm, on_share) + edge_shift_mm(beam_mm, on_share if off_share is None else off_share)


def line_from_lengths(
    *,
    speed_mm_s: float,
    length_mm: float,
    gap_mm: float,
    evaluation_rate_hz: float,
    beam_mm: float = 0.0,
    on_share: float = 0.5,
    off_share: float | None = None,
    scan_ms: float = 0.0,
    input_filter_ms: float = 0.0,
    speed_change: float = 0.0,
    switching: Switching = UNDELAYED,
) -> TimeBudget:
    """Return the line of objects of one length and gap.

    An object holds the light from the point where it crosses the on-level to the point where it falls below the
    off-level: dwell ``(L − x_on − x_off) / v``, gap ``(gap + x_on + x_off) / v``. Without `off_share` both are at one
    height.
    """
    check_positive(length_mm=length_mm, gap_mm=gap_mm, speed_mm_s=speed_mm_s)
    edge = edges_mm(beam_mm, on_share, off_share)
    return TimeBudget(
        dwell_ms=max(0.0, 1000 * (length_mm - edge) / speed_mm_s),
        gap_ms=max(0.0, 1000 * (gap_mm + edge) / speed_mm_s),
        evaluation_rate_hz=evaluation_rate_hz,
        speed_mm_s=speed_mm_s,
        switching=switching,
        scan_ms=scan_ms,
        input_filter_ms=input_filter_ms,
        edge_mm=edge,
        speed_change=speed_change,
    )
