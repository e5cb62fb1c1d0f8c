"""The range of every number that a command takes: shown in its help, and checked before any work."""

from __future__ import annotations

import copy
import types
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Annotated, Any, Union, get_args, get_origin

from teachlab.errors import ParameterError
from teachlab.model.printable_text import in_figures

DAY_MS = 86_400_000.0


@dataclass(frozen=True, slots=True)
class Range:
    """Numbers from `low` to `high`; an open end is excluded.

    Examples
    --------
    >>> str(Range(0, 1, open_low=True)), 0.0 in Range(0, 1, open_low=True), 1 in Range(0, 1)
    ('above 0, up to 1', False, True)
    """

    low: float
    high: float
    open_low: bool = False
    open_high: bool = False

    def __contains__(self, value: float) -> bool:
        above = value > self.low if self.open_low else value >= self.low
        return above and (value < self.high if self.open_high else value <= self.high)

    def __str__(self) -> str:
        if self.open_low and self.open_high:
            return f"between {_told(self.low)} and {_told(self.high)}"
        if self.open_low:
            return f"above {_told(self.low)}, up to {_told(self.high)}"
        if self.open_high:
            return f"from {_told(self.low)}, below {_told(self.high)}"
        return f"from {_told(self.low)} to {_told(self.high)}"


def _told(value: float) -> str:
    return f"{value:,.15g}" if 1e-4 <= abs(value) < 1e13 or not value else in_figures(value, 3)


_SHARE = Range(0, 1, open_low=True, open_high=True)
_FROM_0_TO_1 = Range(0, 1)
_TIME = Range(0, DAY_MS)
_LENGTH = Range(1e-6, 1e7)
_LEVEL = Range(-1e30, 1e30)
_SIZE = Range(0, 1e30)
_COUNT = Range(0, 1_000_000_000)
_FROM_1 = Range(1, 1_000_000_000)
_RATE = Range(1e-6, 1e9)
RANGES: Mapping[str, Range] = {
    "draws": Range(1, 1_000_000),
    "seed": Range(0, 2**63 - 1),
    "jobs": Range(0, 4096),
    "confidence": _SHARE,
    "teach_share": _SHARE,
    "tolerance_ms": _TIME,
    "cost_miss": Range(0, 1e9),
    "cost_false": Range(0, 1e9),
    "accept_cost": Range(0, 1),
    "memory": Range(0.001, 1e6),
    # synthetic lines
    "passes": Range(1, 1_000_000_000),
    "gain": Range(0, 10),
    "ambient": Range(-100, 100),
    "pedestal": Range(0, 100),
    # logs
    "rate": _RATE,
    "skip": _COUNT,
    "from_": Range(0, 1e12),
    "to": Range(0, 1e12),
    "full_scale": _LEVEL,
    "dark_level": _LEVEL,
    "line_speed": Range(1e-6, 1e6),
    "uncertainty_samples": Range(0, 1e12),
    "shift_ms": Range(-1000 * DAY_MS, 1000 * DAY_MS),
    "clock_ppm": Range(-100_000, 100_000),
    "pass_ms": Range(1e-6, DAY_MS),
    "truth_level": _LEVEL,
    "output_level": _LEVEL,
    "count": _FROM_1,
    "encoder_mm": Range(1e-9, 1e6),
    "min_ms": _TIME,
    "whole_periods": Range(-1000, 1000),
    # planning
    "max_rate": Range(1e-12, 1e12),
    "true_rate": _FROM_0_TO_1,
    "events": _COUNT,
    "best_of": Range(1, 1_000_000),
    "lot_size": Range(1, 1e9),
    "lots": _FROM_1,
    "icc": _FROM_0_TO_1,
    "seen": Range(0, 1e12),
    "lost": _COUNT,
    "taught": Range(1, 1_000_000_000),
    "figure": Range(-1e6, 1e6),
    # time and length
    "speed_mm_s": _LENGTH,
    "length_mm": _LENGTH,
    "gap_mm": _LENGTH,
    "beam_mm": Range(0, 1e6),
    "on_share": _SHARE,
    "off_share": _SHARE,
    "evaluation_rate_hz": _RATE,
    "consecutive": Range(1, 1_000_000),
    "on_delay_ms": _TIME,
    "off_delay_ms": _TIME,
    "scan_ms": _TIME,
    "input_filter_ms": _TIME,
    "speed_change": Range(-0.99, 100),
    # questions
    "mains_hz": Range(1, 10_000),
    "loss_per_day": Range(0, 100),
    "times": Range(1, 1_000_000),
    "least_margin": Range(-1e9, 1e9),
    "horizon_hours": Range(0, 1e6),
    "passes_per_teaching": Range(1, 1_000_000),
    # surroundings
    "width_us": Range(1e-6, 1e9),
    "period_us": Range(1e-6, 1e9),
    "frequency_hz": _RATE,
    "own_hz": _RATE,
    "other_hz": _RATE,
    "ripple_hz": _RATE,
    "integration_us": Range(1e-6, 1e9),
    "amplitude": _SIZE,
    "hysteresis": _SIZE,
    "swing": _SIZE,
    "limit_lx": Range(0, 1e7),
    "expected_lx": Range(0, 1e7),
    "measured": _LEVEL,
    "dark": _LEVEL,
    "reflectance": Range(0, 1e4),
    "other_reflectance": Range(0, 1e4),
    "distance": Range(1e-9, 1e9),
    "other_distance": Range(1e-9, 1e9),
}
"""By parameter, as the functions of commands name it; an option of one command may have its range beside it."""
OF_COMMANDS: Mapping[tuple[str, str], Range] = {
    ("report", "draws"): Range(0, 1_000_000),
    ("report", "teach_share"): Range(0, 1, open_high=True),
}
"""Exceptions: one command takes more, or less."""
_NUMBERS = (int, float)


def range_of(command: str, parameter: str, kind: Any = None) -> Range | None:
    """Return the range of a command's parameter: from its annotation, or from the table; None if neither has it."""
    own = next((held for held in getattr(kind, "__metadata__", ()) if isinstance(held, Range)), None)
    return own or OF_COMMANDS.get((command, parameter), RANGES.get(parameter))


def is_number(kind: Any) -> bool:
    """Whether an annotation takes numbers, one or several.

    Examples
    --------
    >>> is_number(float | None), is_number(list[int]), is_number(bool), is_number(str | None)
    (True, True, False, False)
    """
    if get_origin(kind) is Annotated:
        kind = get_args(kind)[0]
    if get_origin(kind) in (Union, types.UnionType, list):
        return any(is_number(part) for part in get_args(kind))
    return kind in _NUMBERS


def with_range(kind: Any, held: Range) -> Any:
    """Return an annotated option whose help shows the range."""
    base, info, *rest = get_args(kind)
    told = copy.copy(info)
    text = (told.help or "").rstrip()
    told.help = f"{text or 'A number.'} Range: {str(held).removeprefix('from ')}."
    return Annotated[(base, told, *rest)]


def hold(name: str, value: Any, held: Range) -> None:
    """Refuse a number outside its range.

    Raises `ParameterError` with the option, the range, and the value.
    """
    for one in value if isinstance(value, (list, tuple)) else [value]:
        if isinstance(one, _NUMBERS) and not isinstance(one, bool) and one not in held:
            came = f"{one:.6g}" if isinstance(one, float) else str(one)[:40]
            raise ParameterError(f"{name} must be a number {held}, got {came}.")
