"""Dwell, gap, response and delay budget: what the clock allows, for any level."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from teachlab.model.json_values import Document
from teachlab.model.printable_text import number_of
from teachlab.questions.timing.line import TimeBudget, in_words, range_in_words


@dataclass(frozen=True, slots=True, kw_only=True)
class Timing(Document):
    """The time budget; lengths are None without a speed.

    `dwell_ms`, `gap_ms`, `samples_in_dwell`: time over the level and between objects; evaluations in the dwell, ``dwell
    / T_e``.
    `seen`, `resolved`: probability at a random phase that the dwell switches the output, and that the gap releases it.
    The needed evaluations follow from filter and delays exactly as in replay.
    `min_object_mm`, `min_gap_mm`: length from which an object, and a gap, is certainly long enough: the whole response
    fits inside. This is on the safe side if filter and delay act together.
    `response_ms`, `response_min_ms`: longest and shortest time from crossing to onset: ``n · T_e`` and ``(n − 1) ·
    T_e``, plus on-delay, which the sensor counts in whole evaluations.
    `max_rate_hz`: fastest symmetric switching, ``1 / (2 n T_e)``.
    `output_pulse_ms`, `output_gap_ms`: shortest pulse and gap of the output after the delays, whole evaluations; a gap
    of 0 means that objects merge.
    `controller_ms`: shortest pulse that the controller needs, ``scan + input filter``.
    `controller_max_hz`: fastest rate that the controller follows, ``1 / (2 (scan + filter))``.
    `controller_sees`: probability that the controller sees the pulse.
    `off_delay_window_ms`: off-delays that make the pulse long enough and leave the gap long enough: from, up to; there
    is none if from > up to.
    `position_mm`, `position_jitter_mm`, `position_shift_mm`: how far the object has moved at the onset; standard
    deviation from sampling, ``v T_e / √12``; and the shift from a change of speed.
    `fits`: fine, at risk or impossible.
    `because`: the cause; a delay is named.
    """

    dwell_ms: float
    gap_ms: float
    samples_in_dwell: float
    seen: float
    resolved: float
    min_object_mm: float | None
    min_gap_mm: float | None
    response_ms: float
    response_min_ms: float
    max_rate_hz: float
    output_pulse_ms: float
    output_gap_ms: float
    controller_ms: float
    controller_max_hz: float | None
    controller_sees: float
    off_delay_window_ms: tuple[float, float]
    position_mm: float | None
    position_jitter_mm: float | None
    position_shift_mm: float | None
    fits: str
    because: str
    source: str


def timing(line: TimeBudget) -> Timing:
    """Calculate the time budget of a line.

    Notes
    -----
    With ``T_e = 1 / rate``, n consecutive evaluations and speed v: objects are certainly seen from a length of ``v (n
    T_e + on-delay) + x_on + x_off`` on, gaps from ``v (n T_e + off-delay) − x_on − x_off`` on. The output pulse is
    ``dwell − on-delay + off-delay`` and its gap ``gap + on-delay − off-delay``, in evaluations: delays rounded up,
    dwell and gap down. The controller needs ``scan + filter`` of both: its filter may take its own length from a
    pulse, and of what is left it sees ``(pulse − filter) / scan``. Common practice of the trade; timers as IEC 61131-3
    TON and TOF.
    """
    period = line.period_ms
    hold = line.switching.consecutive * period
    v = None if line.speed_mm_s is None else line.speed_mm_s / 1000  # mm per ms
    pulse = line.pulse(line.dwell_ms) * period if line.seen(line.dwell_ms) > 0 else 0.0
    rest = line.rest(line.gap_ms) * period if line.resolved(line.gap_ms) > 0 else 0.0
    need = line.scan_ms + line.input_filter_ms
    response = hold + line.back_ms
    fits, because = _judge(line, pulse, rest, need)
    return Timing(
        dwell_ms=line.dwell_ms,
        gap_ms=line.gap_ms,
        samples_in_dwell=line.dwell_ms / period,
        seen=line.seen(line.dwell_ms),
        resolved=line.resolved(line.gap_ms),
        min_object_mm=None if v is None else v * response + line.edge_mm,
        min_gap_mm=None if v is None else v * (hold + line.hold_ms) - line.edge_mm,
        response_ms=response,
        response_min_ms=response - period,
        max_rate_hz=1000 / (2 * hold),
        output_pulse_ms=pulse,
        output_gap_ms=rest,
        controller_ms=need,
        controller_max_hz=1000 / (2 * need) if need > 0 else None,
        controller_sees=1.0 if pulse >= need - 1e-9 else _share(pulse - line.input_filter_ms, line.scan_ms),
        off_delay_window_ms=(_least_hold(line), _longest_hold(line)),
        position_mm=None if v is None else v * response,
        position_jitter_mm=None if v is None else v * period / math.sqrt(12),
        position_shift_mm=None if v is None else v * line.back_ms * line.speed_change,
        fits=fits,
        because=because,
        source=line.source,
    )


def _share(left: float, scan: float) -> float:
    return left / scan if left > 0 else 0.0


def shortened(line: TimeBudget) -> dict[str, float]:
    """Return to what delays must be shortened so that the shortest object and gap surely come through.

    Returned: longest on-delay and off-delay, ms, whole evaluations; only those that must be shortened. Empty if that
    would not be enough.
    """
    swapped, given = line.switching.delays_swap_roles, line.switching
    period = line.period_ms
    inside, apart = line.inside(line.dwell_ms), line.inside(line.gap_ms)
    free = apart - line.controller_needs
    back, hold = line.delays()
    # The delay that acts first lengthens what the other one lets through, so it is shortened first.
    if swapped:
        hold = min(hold, apart - 1, back + free)
        back = min(back, inside - 1 + hold)
    else:
        back = min(back, inside - 1)
        hold = min(hold, apart - 1 + back, back + free)
    if min(back, hold) < 0:
        return {}
    on, off = (hold, back) if swapped else (back, hold)
    was_on, was_off = reversed(line.delays()) if swapped else line.delays()
    out = {name: k * period for name, k, was in (("on-delay", on, was_on), ("off-delay", off, was_off)) if k < was}
    switching = replace(
        given,
        on_delay_ms=out.get("on-delay", given.on_delay_ms),
        off_delay_ms=out.get("off-delay", given.off_delay_ms),
    )
    return out if replace(line, switching=switching).surely_seen else {}


def _least_hold(line: TimeBudget) -> float:
    """Return the shortest off-delay that makes the pulse long enough for the controller."""
    # Where the delay that holds the output acts first, the other one needs what it adds.
    needs = max(line.controller_needs, int(line.switching.delays_swap_roles))
    return max(0, needs - line.inside(line.dwell_ms) + line.delays()[0]) * line.period_ms


def _longest_hold(line: TimeBudget) -> float:
    """Return the longest off-delay that leaves the gap that controller and filter need; below 0 if there is none."""
    apart, back, needs = line.inside(line.gap_ms), line.delays()[0], line.controller_needs
    if apart < line.switching.consecutive:
        return -line.period_ms
    # The delay that acts first must itself be shorter than the gap.
    first = 0 if line.switching.delays_swap_roles else back
    return min(apart + back - needs, apart - 1 + first) * line.period_ms


def _keep_it(line: TimeBudget, need: float) -> str:
    longest = _longest_hold(line)
    if longest >= 0:
        return f"Keep the {_hold(line).partition(' ')[0]} at most {in_words(longest)}."
    least = in_words(max(need, line.switching.consecutive * line.period_ms))
    return f"Without it too: {least} are needed by the controller or the filter. Separate the objects."


def _judge(line: TimeBudget, pulse: float, rest: float, need: float) -> tuple[str, str]:
    """Return the verdict and the first cause, in the order in which the signal passes the stages."""
    found = _judge_object(line) or _judge_gap(line, need)
    if found is not None:
        return found
    gap, back, hold = line.inside(line.gap_ms), *line.delays()
    if rest < need - 1e-9:
        blame = f"the {_hold(line)} leaves" if gap + back >= line.controller_needs and hold else "the gap leaves"
        return "at risk", (
            f"{blame} {in_words(rest)} between two pulses where the controller needs {in_words(need)}: it may count "
            "two as one. Scan faster, or separate the objects."
        )
    if pulse < need - 1e-9:
        least, most = _least_hold(line), _longest_hold(line)
        cure = (
            f"Stretch it by an off-delay of {range_in_words(least, most)}."
            if least <= most
            else f"An off-delay of {in_words(least)} would stretch it, but leave too little gap; scan faster."
        )
        return "at risk", (
            f"the output pulse of {in_words(pulse)} is shorter than the {in_words(need)} that the controller needs. "
            f"{cure}"
        )
    return "fine", f"dwell, gap, response{', delays and controller' if need else ' and delays'} fit together"


def _in_a_row(needs: int) -> str:
    return "1 is" if needs == 1 else f"{needs} in a row are"


def _fast_enough(line: TimeBudget, evaluations: int) -> str:
    """Return the lowest whole rate, Hz, at which so many evaluations lie within object and gap at any phase."""
    within = min((t for t in (line.dwell_ms, line.gap_ms) if t > 0), default=line.period_ms)
    return f"{math.ceil(1000 * evaluations / within - 1e-9):,}"


def _back(line: TimeBudget) -> str:
    return f"{'off' if line.switching.delays_swap_roles else 'on'}-delay of {in_words(line.switching.holds_back_ms)}"


def _hold(line: TimeBudget) -> str:
    return f"{'on' if line.switching.delays_swap_roles else 'off'}-delay of {in_words(line.switching.holds_on_ms)}"


def _judge_object(line: TimeBudget) -> tuple[str, str] | None:
    chance, needs = line.seen(line.dwell_ms), line.object_needs
    if chance == 1:
        return None
    if line.dwell_ms == 0:
        return "impossible", "during the shortest pass the light is never beyond the level: change the level first."
    verdict = "impossible" if chance == 0 else "at risk"
    if needs > line.switching.consecutive:
        missed = "every such object is missed" if chance == 0 else f"{100 * chance:.3g} % of such objects are seen"
        return verdict, (
            f"the {_back(line)} needs {number_of(needs, 'evaluation')} of object, the dwell of "
            f"{in_words(line.dwell_ms)} holds "
            f"{line.dwell_ms / line.period_ms:.4g}: {missed}, whatever the level. Shorten the delay."
        )
    return verdict, (
        f"the dwell of {in_words(line.dwell_ms)} holds {line.dwell_ms / line.period_ms:.3g} evaluations where "
        f"{_in_a_row(needs)} needed: at random phase {100 * chance:.3g} % are seen. "
        f"Evaluate at least {_fast_enough(line, needs)} times a second{', or ask for fewer in a row' * (needs > 1)}."
    )


def _judge_gap(line: TimeBudget, need: float) -> tuple[str, str] | None:
    chance, needs = line.resolved(line.gap_ms), line.gap_needs
    if chance == 1:
        return None
    if line.gap_ms == 0:
        return "impossible", "between two passes the light never falls back behind the level: change the level first."
    verdict = "impossible" if chance == 0 else "at risk"
    if needs > line.switching.consecutive:
        merged = "neighbours merge" if chance == 0 else f"{100 * (1 - chance):.3g} % of such neighbours merge"
        return verdict, (
            f"the {_hold(line)} bridges the shortest gap of {in_words(line.gap_ms)}: {merged}, whatever the level. "
            f"{_keep_it(line, need)}"
        )
    return verdict, (
        f"the shortest gap of {in_words(line.gap_ms)} holds {line.gap_ms / line.period_ms:.3g} evaluations where "
        f"{_in_a_row(needs)} needed: {100 * (1 - chance):.3g} % of such neighbours merge. Evaluate at least "
        f"{_fast_enough(line, needs)} times a second, or separate the objects."
    )
