"""When a window must be cleaned: a contamination reserve against a loss of light per day, given or observed."""

from __future__ import annotations

import csv
import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

from teachlab.errors import ParameterError
from teachlab.explore.stress import LossRate, observed_loss, time_to_cleaning


@dataclass(frozen=True, slots=True, kw_only=True)
class Cleaning:
    """Time until the reserve is used up.

    Parameters
    ----------
    days, earliest, latest : float or None, days
        At the loss stated or fitted, and at the ends of its interval; infinite without loss, None without a
        reserve.
    loss_per_day : float
        Share of the light lost per day, exponential.
    observed : LossRate or None
        The fit, where the loss was observed.
    """

    days: float | None
    earliest: float | None
    latest: float | None
    loss_per_day: float
    observed: LossRate | None = None

    def as_dict(self) -> dict[str, Any]:
        """Return the plain JSON form; infinite times become null."""
        seen = self.observed
        return {
            "days": self.days, "earliest": self.earliest, "latest": self.latest, "loss_per_day": self.loss_per_day,
            "observed": None if seen is None else {
                "per_day": seen.per_day, "low": seen.low, "high": seen.high, "days": seen.days, "points": seen.points,
            },
        }  # fmt: skip


def cleaning_at(reserve: float | None, loss_per_day: float) -> Cleaning:
    """Return the time to cleaning at a stated loss per day, a share of what is left."""
    if not (math.isfinite(loss_per_day) and 0 <= loss_per_day < 1):
        raise ParameterError(f"the loss per day is a share of the light, from 0 to below 1, got {loss_per_day:g}.")
    days = time_to_cleaning(reserve, loss_per_day)
    return Cleaning(days=days, earliest=days, latest=days, loss_per_day=loss_per_day)


def cleaning_from(reserve: float | None, observed: LossRate) -> Cleaning:
    """Return the time to cleaning from an observed loss, with the interval that its interval gives.

    Where the interval of the loss reaches down to 0 no loss is shown, and the latest time is infinite.
    """

    def at(rate: float) -> float | None:
        return time_to_cleaning(reserve, max(rate, 0.0))

    return Cleaning(
        days=at(observed.per_day), earliest=at(observed.high), latest=at(observed.low),
        loss_per_day=observed.per_day, observed=observed,
    )  # fmt: skip


def read_levels(path: str | Path, *, dark_level: float = 0.0, confidence: float = 0.95) -> LossRate:
    """Fit the loss per day to a table of levels seen over days: CSV with the columns ``day`` and ``level``.

    Parameters
    ----------
    path : str or Path
        A day is a number or a date, 2031-05-14.
    dark_level : float, recording units
        Taken off every level.
    confidence : float

    Raises
    ------
    ParameterError
        With file, row and value, for what is no day or no level; or if there are too few.
    """
    with Path(path).open(newline="", encoding="utf-8-sig") as file:
        table = csv.DictReader(file)
        names = table.fieldnames or []
        if not {"day", "level"} <= set(names):
            raise ParameterError(
                f"{path}: levels seen over days need the columns 'day' and 'level', got {', '.join(names) or 'none'}."
            )
        rows = list(table)
    days = [_day(row["day"], f"{path}: row {k}") for k, row in enumerate(rows, 1)]
    levels = [_number(row["level"], f"{path}: row {k}, column 'level'") for k, row in enumerate(rows, 1)]
    try:
        return observed_loss(_since_first(days), [level - dark_level for level in levels], confidence=confidence)
    except ParameterError as fault:
        raise ParameterError(f"{path}: {fault}") from None


def _day(text: str | None, where: str) -> float:
    try:
        return float(date.fromisoformat((text or "").strip()).toordinal())
    except ValueError:
        return _number(text, f"{where}, column 'day'", " or a date such as 2031-05-14")


def _number(text: str | None, where: str, other: str = "") -> float:
    try:
        value = float((text or "").strip())
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise ParameterError(f"{where} must be a finite number{other}, got '{text or ''}'.")
    return value


def _since_first(days: Sequence[float]) -> list[float]:
    return [day - min(days) for day in days]
