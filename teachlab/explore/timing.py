"""Dwell, gap, response and delay budget: what the clock allows before any level matters."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from teachlab.errors import ParameterError, TruthError
from teachlab.model.recording import Recording
from teachlab.model.setting import Setting
from teachlab.model.truth import Truth


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """What passes, how the sensor looks at it, and what reads its output.

    Parameters
    ----------
    dwell_ms, gap_ms : float, ms
        Shortest time an object holds the light beyond the level, and shortest time between two.
    speed_mm_s : float, mm/s, optional
        Speed of the line; needed for lengths.
    evaluation_rate_hz : float, Hz
        Of the sensor.
    consecutive : int
        Evaluations in a row that must agree.
    on_delay_ms, off_delay_ms : float, ms
    scan_ms, input_filter_ms : float, ms
        Scan of the controller, and filter of its input.
    edge_mm : float, mm
        ``2 x_θ``: how much shorter an object looks at its level than at half of its height (negative:
        longer).
    gap_edge_mm : float, mm
        The same for the gap at the off-level: how much longer the gap looks there.
    speed_change : float
        Relative change of the speed, for the position of the onset.
    source : str
        Where dwell and gap come from.
    """

    dwell_ms: float
    gap_ms: float
    evaluation_rate_hz: float
    speed_mm_s: float | None = None
    consecutive: int = 1
    on_delay_ms: float = 0.0
    off_delay_ms: float = 0.0
    scan_ms: float = 0.0
    input_filter_ms: float = 0.0
    edge_mm: float = 0.0
    gap_edge_mm: float = 0.0
    speed_change: float = 0.0
    source: str = "numbers given"

    def __post_init__(self) -> None:
        for name in ("dwell_ms", "gap_ms", "on_delay_ms", "off_delay_ms", "scan_ms", "input_filter_ms"):
            value = getattr(self, name)
            if not (math.isfinite(value) and value >= 0):
                raise ParameterError(f"{name.replace('_', '-')} must be a finite number of at least 0, got {value:g}.")
        if not (math.isfinite(self.evaluation_rate_hz) and self.evaluation_rate_hz > 0):
            raise ParameterError(f"evaluation-rate-hz must be above 0, got {self.evaluation_rate_hz:g}.")
        if self.speed_mm_s is not None and not (math.isfinite(self.speed_mm_s) and self.speed_mm_s > 0):
            raise ParameterError(f"speed-mm-s must be above 0, got {self.speed_mm_s:g}.")
        if self.consecutive < 1:
            raise ParameterError(f"consecutive must be at least 1, got {self.consecutive}.")


@dataclass(frozen=True, slots=True, kw_only=True)
class Timing:
    """The time budget; lengths are None without a speed.

    Parameters
    ----------
    dwell_ms, gap_ms, samples_in_dwell : float
        Time over the level and between objects; evaluations in the dwell, ``dwell / T_e``.
    seen : float
        Probability that ``consecutive`` evaluations in a row fall into the dwell at a random phase.
    min_object_mm, min_gap_mm : float or None
        Shortest object surely seen, and shortest gap surely resolved.
    response_ms, response_min_ms : float
        Longest and shortest time from crossing to onset: ``n · T_e`` and ``(n − 1) · T_e``, plus on-delay.
    max_rate_hz : float
        Fastest symmetric switching, ``1 / (2 n T_e)``.
    output_pulse_ms, output_gap_ms : float
        Of the output after the delays; a gap of 0 or less means that objects merge.
    controller_ms : float
        What the controller needs, ``scan + input filter``.
    controller_max_hz : float or None
        Fastest rate that it follows, ``1 / (2 (scan + filter))``.
    controller_sees : float
        Probability that it sees the pulse.
    off_delay_window_ms : tuple of float
        Off-delays that stretch the pulse enough and leave gap enough: from, up to; empty if from > up to.
    position_mm, position_jitter_mm, position_shift_mm : float or None
        How far the object has moved at the onset; standard deviation from sampling, ``v T_e / √12``; and
        the shift from a change of speed.
    verdict : str
        fine, at risk or impossible.
    because : str
        What is at fault, a delay by name where it is one.
    """

    dwell_ms: float
    gap_ms: float
    samples_in_dwell: float
    seen: float
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
    verdict: str
    because: str
    source: str

    def as_dict(self) -> dict[str, Any]:
        """Return the plain JSON form."""
        out = {name: getattr(self, name) for name in self.__slots__}
        out["off_delay_window_ms"] = list(self.off_delay_window_ms)
        return {"schema": 1, **out}


def probability_inside(dwell_ms: float, period_ms: float, consecutive: int = 1) -> float:
    """Return the probability that `consecutive` evaluations in a row fall into a dwell at random phase.

    ``clip(dwell / T_e − n + 1, 0, 1)``.

    Examples
    --------
    >>> probability_inside(1.2, 0.5, 3), probability_inside(2.5, 1.0, 3)
    (0.3999999999999999, 0.5)
    """
    return min(1.0, max(0.0, dwell_ms / period_ms - consecutive + 1))


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
    if not beam_mm >= 0:
        raise ParameterError(f"beam-mm must be at least 0, got {beam_mm:g}.")
    return beam_mm / 2 * float(ndtri(share))


def line_from_lengths(
    *,
    speed_mm_s: float,
    length_mm: float,
    gap_mm: float,
    evaluation_rate_hz: float,
    beam_mm: float = 0.0,
    on_share: float = 0.5,
    off_share: float = 0.5,
    consecutive: int = 1,
    on_delay_ms: float = 0.0,
    off_delay_ms: float = 0.0,
    scan_ms: float = 0.0,
    input_filter_ms: float = 0.0,
    speed_change: float = 0.0,
) -> Line:
    """Return the line of objects of one length and gap: dwell ``(L − 2 x_θ) / v``, gap ``(gap + 2 x_θ') / v``."""
    for name, value in (("length-mm", length_mm), ("gap-mm", gap_mm), ("speed-mm-s", speed_mm_s)):
        if not (math.isfinite(value) and value > 0):
            raise ParameterError(f"{name} must be a finite number above 0, got {value:g}.")
    edge, gap_edge = 2 * edge_shift_mm(beam_mm, on_share), 2 * edge_shift_mm(beam_mm, off_share)
    return Line(
        dwell_ms=max(0.0, 1000 * (length_mm - edge) / speed_mm_s),
        gap_ms=max(0.0, 1000 * (gap_mm + gap_edge) / speed_mm_s),
        evaluation_rate_hz=evaluation_rate_hz,
        speed_mm_s=speed_mm_s,
        consecutive=consecutive,
        on_delay_ms=on_delay_ms,
        off_delay_ms=off_delay_ms,
        scan_ms=scan_ms,
        input_filter_ms=input_filter_ms,
        edge_mm=edge,
        gap_edge_mm=gap_edge,
        speed_change=speed_change,
    )


def line_from_recording(
    recording: Recording, truth: Truth, setting: Setting, *, scan_ms: float = 0.0, input_filter_ms: float = 0.0
) -> Line:
    """Return the line of a recording's own shortest detect pass and shortest gap between passes.

    Touching passes count as a gap of zero. Pass borders are those of the truth: at half height, so the
    dwell over a higher level is shorter.
    """
    whole = (truth.start > 0) & (truth.end < recording.samples) & truth.detect
    if not whole.any():
        raise TruthError("timing needs at least one whole pass to be detected; log longer.")
    rate = recording.info.sample_rate_hz
    gaps = truth.start[1:] - truth.end[:-1]
    speed = recording.info.line_speed_m_s
    return Line(
        dwell_ms=1000 * float((truth.end - truth.start)[whole].min()) / rate,
        gap_ms=1000 * float(gaps.min()) / rate if gaps.size else 1000 * recording.samples / rate,
        evaluation_rate_hz=setting.evaluation_rate_hz or rate,
        speed_mm_s=None if speed is None else 1000 * speed,
        consecutive=setting.consecutive,
        on_delay_ms=setting.on_delay_ms,
        off_delay_ms=setting.off_delay_ms,
        scan_ms=scan_ms,
        input_filter_ms=input_filter_ms,
        source=f"shortest of {int(whole.sum())} passes and {gaps.size} gaps of {recording.name}",
    )


def timing(line: Line) -> Timing:
    """Work out the time budget of a line.

    Notes
    -----
    With ``T_e = 1 / rate``, n consecutive evaluations and v the speed: objects are surely seen from
    ``v (n T_e + on-delay) + 2 x_θ`` on, gaps from ``v (n T_e + off-delay) − 2 x_θ'``. The output pulse is
    ``dwell − on-delay + off-delay`` and its gap ``gap + on-delay − off-delay``; the controller needs
    ``scan + filter`` of both, and sees a shorter pulse with probability ``pulse / scan``. Common practice
    of the trade; timers as IEC 61131-3 TON and TOF.
    """
    period = 1000 / line.evaluation_rate_hz
    hold = line.consecutive * period
    v = None if line.speed_mm_s is None else line.speed_mm_s / 1000  # mm per ms
    pulse = line.dwell_ms - line.on_delay_ms + line.off_delay_ms if line.dwell_ms > line.on_delay_ms else 0.0
    rest = line.gap_ms + line.on_delay_ms - line.off_delay_ms
    need = line.scan_ms + line.input_filter_ms
    held = line.dwell_ms - line.on_delay_ms
    response = hold + line.on_delay_ms
    verdict, because = _judge(line, period, pulse, rest, need)
    return Timing(
        dwell_ms=line.dwell_ms,
        gap_ms=line.gap_ms,
        samples_in_dwell=line.dwell_ms / period,
        seen=probability_inside(held, period, line.consecutive) if held > 0 else 0.0,
        min_object_mm=None if v is None else v * response + line.edge_mm,
        min_gap_mm=None if v is None else v * (hold + line.off_delay_ms) - line.gap_edge_mm,
        response_ms=response,
        response_min_ms=response - period,
        max_rate_hz=1000 / (2 * hold),
        output_pulse_ms=pulse,
        output_gap_ms=max(rest, 0.0),
        controller_ms=need,
        controller_max_hz=1000 / (2 * need) if need > 0 else None,
        controller_sees=1.0 if pulse >= need else min(1.0, pulse / line.scan_ms) if line.scan_ms > 0 else 0.0,
        off_delay_window_ms=(max(0.0, need - held), max(0.0, line.gap_ms + line.on_delay_ms - max(need, hold))),
        position_mm=None if v is None else v * response,
        position_jitter_mm=None if v is None else v * period / math.sqrt(12),
        position_shift_mm=None if v is None else v * line.on_delay_ms * line.speed_change,
        verdict=verdict,
        because=because,
        source=line.source,
    )


def _judge(line: Line, period: float, pulse: float, rest: float, need: float) -> tuple[str, str]:
    """Return the verdict and the first thing at fault, in the order of the signal's way."""
    hold = line.consecutive * period
    dwell, gap = line.dwell_ms, line.gap_ms
    if line.on_delay_ms > 0 and dwell < line.on_delay_ms:
        return "impossible", (
            f"the on-delay of {line.on_delay_ms:g} ms is longer than the dwell of {dwell:.4g} ms: every such object is "
            "missed, whatever the level. Shorten the on-delay."
        )
    if dwell - line.on_delay_ms < hold:
        chance = probability_inside(max(dwell - line.on_delay_ms, 0.0), period, line.consecutive)
        blame = "the on-delay leaves" if line.on_delay_ms > 0 and dwell >= hold else "the dwell holds"
        return "impossible" if chance == 0 else "at risk", (
            f"{blame} {max(dwell - line.on_delay_ms, 0) / period:.3g} evaluations where {line.consecutive} in a row "
            f"are needed: at a random phase {100 * chance:.3g} % are seen. Evaluate faster, or ask for fewer in a row."
        )
    if rest <= 0 and line.off_delay_ms > 0 and gap > 0:
        return "impossible", (
            f"the off-delay of {line.off_delay_ms:g} ms bridges the shortest gap of {gap:.4g} ms: neighbours merge, "
            f"whatever the level. Keep it below {max(gap + line.on_delay_ms - max(need, hold), 0):.4g} ms."
        )
    if gap < hold:
        return "at risk", (
            f"the shortest gap of {gap:.4g} ms is shorter than {line.consecutive} evaluations ({hold:.4g} ms): "
            "neighbours may merge. Evaluate faster, or separate the objects."
        )
    if rest < need:
        delay = (
            f"the off-delay of {line.off_delay_ms:g} ms leaves" if gap + line.on_delay_ms >= need else "the gap leaves"
        )
        return "at risk", (
            f"{delay} {rest:.4g} ms between two pulses where the controller needs {need:.4g} ms: it may count two "
            "as one."
        )
    if pulse < need:
        return "at risk", (
            f"the output pulse of {pulse:.4g} ms is shorter than the {need:.4g} ms that the controller needs: stretch "
            f"it by an off-delay of {max(0.0, need - (dwell - line.on_delay_ms)):.4g} … "
            f"{max(0.0, gap + line.on_delay_ms - need):.4g} ms."
        )
    return "fine", "dwell, gap, response, delays and controller fit together"


def delay_at_fault(recording: Recording, truth: Truth, setting: Setting) -> str | None:
    """Return the sentence that blames a delay, where a delay alone loses passes of a recording; else None.

    Compares the shortest passes and gaps with the delays, and counts how many of them each delay spoils.
    """
    rate = recording.info.sample_rate_hz
    dwell = 1000 * (truth.end - truth.start)[truth.detect] / rate
    gaps = 1000 * (truth.start[1:] - truth.end[:-1]) / rate
    short = int(np.count_nonzero(dwell < setting.on_delay_ms))
    merged = int(np.count_nonzero(gaps + setting.on_delay_ms <= setting.off_delay_ms)) if setting.off_delay_ms else 0
    blamed = []
    if short:
        blamed.append(f"the on-delay of {setting.on_delay_ms:g} ms is longer than {short} of {dwell.size} passes")
    if merged:
        blamed.append(
            f"the off-delay of {setting.off_delay_ms:g} ms bridges {merged} of {gaps.size} gaps between passes: "
            "neighbours merge"
        )
    return None if not blamed else "Not the level: " + "; ".join(blamed) + "."


def stretched(line: Line, off_delay_ms: float) -> Line:
    """Return the line with another off-delay."""
    return replace(line, off_delay_ms=off_delay_ms)
