"""Neighbouring sensors: two trains of light pulses, and the beat of two modulated emitters."""

from __future__ import annotations

import bisect
import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Any

import numpy as np

from teachlab.errors import ParameterError, check_least, check_not_negative, check_positive
from teachlab.model.json_values import Document
from teachlab.model.printable_text import cut, in_figures, number_of
from teachlab.questions.surroundings.answers import (
    LEAVE,
    SurroundingsAnswer,
    alias_hz,
    average_left,
)

PERIOD_DIGITS = 5
"""With fewer, periods that lie close together look the same."""
ENDLESS = 1_000_000
"""From this number of hits in a row on, a row is called endless."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Pair:
    """Two neighbouring sensors, and whether their light pulses disturb each other.

    `periods_us`: µs.
    `apart`: whether neither can switch the other.
    `answer`: result for the sensor that is disturbed more.
    """

    periods_us: tuple[float, float]
    apart: bool
    answer: SurroundingsAnswer

    @property
    def sentence(self) -> str:
        """Whether they disturb each other, and why."""
        us, hz = (
            " and ".join(in_figures(one, PERIOD_DIGITS) for one in both)
            for both in (self.periods_us, [1e6 / period for period in self.periods_us])
        )
        how = "do not disturb" if self.apart else "disturb"
        return f"{'OK' if self.apart else 'Problem'}: {us} µs ({hz} Hz) {how} each other: {self.answer.verdict}."

    def as_dict(self) -> dict[str, Any]:
        """Return the plain JSON form."""
        first, second = self.periods_us
        return {
            "periods_us": [first, second], "frequencies_hz": [1e6 / first, 1e6 / second], "apart": self.apart,
            **self.answer.as_dict(),
        }  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True, repr=False)
class Neighbours(Document):
    """Which of several neighbouring sensors do not disturb each other; it prints as a sentence for each pair.

    `pairs`: every two of them.
    """

    schema: int = 1
    pairs: tuple[Pair, ...]

    def __repr__(self) -> str:
        """Return a line for each pair."""
        return "\n".join(pair.sentence for pair in self.pairs)


def neighbour_pulses(
    *, own_period_us: float, other_period_us: float, own_width_us: float, other_width_us: float, consecutive: int = 1
) -> SurroundingsAnswer:
    """Find how often a neighbour's light pulses hit this sensor's own pulses, and how many hits come in a row.

    From one own pulse to the next, the neighbour's train shifts by δ, the distance of ``T₁`` from the nearest whole
    multiple of ``T₂``. The share of own pulses hit is ``(w₁ + w₂) / T₂``, the mean number of hits in a row ``(w₁ + w₂)
    / δ``, and a beat comes every ``T₂ / δ`` own pulses. If one hit cannot follow another, or if a shift can skip the
    pause without a hit, the average is over the smallest of δ, ``w₁ + w₂`` and the pause ``T₂ − w₁ − w₂``. The
    neighbour switches nothing if even the longest row is shorter than the consecutive filter requires. Near a whole
    ratio of the periods (1 : 2 …) δ is small too.

    Examples
    --------
    >>> found = neighbour_pulses(own_period_us=100, other_period_us=103, own_width_us=5, other_width_us=5)
    >>> {k: round(v, 3) for k, v in found.values.items() if isinstance(v, float)}
    {'share_hit': 0.097, 'run_pulses': 3.333, 'beat_pulses': 34.333, 'shift_us': 3.0}
    """
    check_positive(
        own_period_us=own_period_us, other_period_us=other_period_us, own_width_us=own_width_us,
        other_width_us=other_width_us,
    )  # fmt: skip
    check_least("consecutive", consecutive, 1)
    width = own_width_us + other_width_us
    shift = abs(math.remainder(own_period_us, other_period_us))
    if shift < 1e-9 * own_period_us:  # rounding of a whole ratio
        shift = 0.0
    pause = other_period_us - width
    run = math.inf if shift == 0 or pause <= 0 else width / min(shift, width, pause)
    longest = math.inf if math.isinf(run) else _longest_run(own_period_us, other_period_us, pause)
    immune = longest < consecutive
    count = "pulses without end" if math.isinf(longest) else f"up to {number_of(int(longest), 'pulse')}"
    return SurroundingsAnswer(
        values={
            "share_hit": min(1.0, width / other_period_us),
            "run_pulses": run,
            "longest_run_pulses": longest,
            "beat_pulses": math.inf if shift == 0 else other_period_us / shift,
            "shift_us": shift,
            "immune": immune,
        },
        verdict=f"{count} in a row are hit, and the filter needs {number_of(consecutive, 'evaluation')}: "
        + ("the neighbour switches nothing" if immune else "the neighbour can switch the output"),
        problem=not immune,
        next_step=LEAVE
        if immune
        else "Choose other pulse frequencies."
        if math.isinf(longest)
        else f"Set a filter of at least {int(longest) + 1:,} evaluations in a row, or choose other pulse frequencies.",
        source="overlap of two pulse trains as rotation of a circle, checked by brute force in this project's tests; "
        "that sensors pulsed at different frequencies disturb each other less is common practice, no source",
        limits="steady periods, gated receiver, every overlap counts as a hit; drifting periods move the ratio",
    )


def _longest_run(own_period_us: float, other_period_us: float, pause_us: float) -> float:
    """Return the largest number of own pulses in a row that the neighbour can hit at some phase.

    ``n`` hits in a row exist if the pauses seen from n successive own pulses leave a phase free: that is, if the
    largest distance between neighbours among ``k · T₁ mod T₂, k < n``, exceeds the pause. That distance falls with n,
    so halving finds the last such n. Beyond a million pulses the row counts as endless.
    """

    def free(pulses: int) -> bool:
        if pulses <= 1:
            return True  # some phase has one hit, however short the pulses
        at = np.sort(np.arange(pulses) * own_period_us % other_period_us)
        widest = max(np.diff(at).max(initial=0.0), other_period_us - at[-1] + at[0])
        return bool(widest > pause_us * (1 + 1e-9))

    beyond = 1
    while free(beyond):
        beyond *= 2
        if beyond > ENDLESS:
            return math.inf
    return bisect.bisect_left(range(beyond), True, lo=beyond // 2, key=lambda n: not free(n)) - 1


def neighbours_apart(periods_us: Sequence[float], *, width_us: float, consecutive: int = 1) -> Neighbours:
    """Find, for every pair of pulse periods, whether the two sensors disturb each other under a consecutive filter.

    Parameters
    ----------
    periods_us : sequence of float, µs
        Pulse period of each sensor, two or more.
    width_us : float, µs
        Width of a light pulse.
    consecutive : int
        Filter: evaluations in a row that must agree.

    Examples
    --------
    >>> neighbours_apart([100, 93], width_us=4, consecutive=3).pairs[0].apart
    True
    """
    check_positive(**{f"periods_us[{k}]": period for k, period in enumerate(periods_us)})
    if len(periods_us) < 2:
        raise ParameterError("name the pulse period or frequency of each sensor: at least two together.")
    pairs = []
    for a, b in combinations(periods_us, 2):
        both = [
            neighbour_pulses(
                own_period_us=own, other_period_us=other, own_width_us=width_us, other_width_us=width_us,
                consecutive=consecutive,
            )
            for own, other in ((a, b), (b, a))
        ]  # fmt: skip
        worse = max(both, key=lambda one: (one.values["longest_run_pulses"], one.values["share_hit"]))
        pairs.append(Pair(periods_us=(a, b), apart=all(one.values["immune"] for one in both), answer=worse))
    return Neighbours(pairs=tuple(pairs))


def neighbour_beat(
    *, own_hz: float, other_hz: float, amplitude: float, integration_us: float, hysteresis: float,
    evaluation_rate_hz: float | None = None,
) -> SurroundingsAnswer:  # fmt: skip
    """Find what remains of a neighbour's modulated light after the receiver has demodulated it.

    A beat at ``|f₁ − f₂|`` of amplitude ``A · |sinc(|f₁ − f₂| · τ)|``, τ the time the receiver integrates.

    Parameters
    ----------
    own_hz, other_hz : float, Hz
        Modulation of this sensor, and of the neighbour.
    integration_us : float, µs
        Time that the receiver integrates.
    amplitude, hysteresis : float
        Amplitude of the neighbour's light at this receiver if both ran at one frequency, and hysteresis of the setting,
        in the same unit.
    evaluation_rate_hz : float, Hz, optional
        For the frequency at which the evaluations show the beat.

    Examples
    --------
    >>> round(neighbour_beat(own_hz=20_000, other_hz=20_037, amplitude=3, integration_us=9000,
    ...                      hysteresis=1).values["amplitude_left"], 3)
    2.482
    """
    check_positive(own_hz=own_hz, other_hz=other_hz, integration_us=integration_us)
    check_not_negative(amplitude=amplitude, hysteresis=hysteresis)
    beat = abs(own_hz - other_hz)
    left = amplitude * average_left(beat, integration_us / 1000)
    values: dict[str, Any] = {"beat_hz": beat, "amplitude_left": left, "swing": 2 * left}
    if evaluation_rate_hz is not None:
        check_positive(evaluation_rate_hz=evaluation_rate_hz)
        values["beat_alias_hz"] = alias_hz(beat, evaluation_rate_hz)
    wide = hysteresis > 2 * left
    swing = in_figures(cut(2 * left, 4, up=True))
    return SurroundingsAnswer(
        values=values,
        verdict=f"the hysteresis of {hysteresis:g} "
        + ("is wider than the beat: it cannot chatter" if wide else f"is narrower than the beat of {swing}")
        + ("" if wide else ": it can chatter while the light is near a level"),
        problem=not wide,
        next_step=LEAVE if wide else f"Widen the hysteresis beyond {swing}, or move the frequencies apart.",
        source="product of two tones averaged over the integration time: |sinc|; elementary Fourier analysis",
        limits="both emitters steady, linear receiver; a receiver that gates pulses: see the pulse trains instead",
    )
