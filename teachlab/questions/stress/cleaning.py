"""When a window must be cleaned: a contamination reserve and a loss of light per day, given or observed."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from teachlab.data.atomic_files import read_text
from teachlab.errors import ParameterError
from teachlab.model.json_values import Document
from teachlab.statistics.over_time.autocorrelated_line import autocorrelated_line


def time_to_cleaning(reserve: float | None, loss_per_day: float) -> float | None:
    """Return after how many days a daily loss of light uses up a contamination reserve.

    `reserve`: ``1 − g_min``.
    `loss_per_day`: λ, the exponential rate: every day leaves ``exp(−λ)`` of the light.

    The result is ``−ln(g_min) / λ`` days; infinite without loss, None without a reserve.

    Examples
    --------
    >>> round(time_to_cleaning(1 - 17.3 / 21.3, 0.012), 1)  # 21.3 against a level of 17.3
    17.3
    """
    if not loss_per_day >= 0:
        raise ParameterError(f"loss-per-day must be at least 0, got {loss_per_day:g}.")
    if reserve is None:
        return None
    return math.inf if loss_per_day == 0 or reserve >= 1 else -math.log(1 - reserve) / loss_per_day


LEAST_DAYS = 3
"""A line through two days has no error of its own."""
FIRST_DATE = date(1900, 1, 1).toordinal()
"""A day from here on was written as a date."""
BESIDE = 5
"""Levels on either side of a rise, at least 3 and at most so many, whose medians show whether it lasts."""
CLEARLY = 5.0
"""A rise that lasts is a cleaning from so many times the usual change from one level to the next on."""


@dataclass(frozen=True, slots=True)
class LossRate:
    """Loss of light per day with its interval, from levels observed over days.

    `per_day`, `low`, `high`: exponential rate; negative if the light rises.
    `days`: span of the observation.
    `alike`: autocorrelation of neighbouring days around the fall.
    `halves`: rates of the first and the second half of the days, if they differ by more than their intervals; low and
    high then hold those of both halves.
    """

    per_day: float
    low: float
    high: float
    days: float
    points: int
    alike: float = 0.0
    halves: tuple[float, float] | None = None


def observed_loss(days: Sequence[float], level: Sequence[float]) -> LossRate:
    """Fit an exponential loss to levels above dark over days: a straight line through their logarithms.

    Days resemble the days before; the interval takes this into account (`statistics/over_time/autocorrelated_line.py`).
    Whether the loss was steady is judged by its two halves. What changes the light as slowly as dirt does, such as a
    season, counts as dirt.
    Raises ParameterError with fewer than three points, a level that is not above 0, or a rise that lasts, as after a
    cleaning: the loss before and after it lies on no one line.
    """
    x, y = np.asarray(days, np.float64), np.asarray(level, np.float64)
    if x.size != y.size or np.unique(x).size < LEAST_DAYS or not (y > 0).all():
        raise ParameterError(
            f"a loss rate needs at least {LEAST_DAYS} levels above dark on different days, got {x.size} days and "
            f"{y.size} levels."
        )
    order = np.argsort(x, kind="stable")
    if (cleaned := _cleaned(np.log(y[order]))) is not None:
        before, after = x[order][cleaned - 1], x[order][cleaned]
        raise ParameterError(
            f"the light rises between day {before:g} and day {after:g}, counted from the first, and stays up, as after "
            "a cleaning. Give only the levels since then, or only those before."
        )
    line = autocorrelated_line(x, np.log(y))
    ends, halves = (line.low, line.high), None
    later = x > np.median(x)
    if min(np.unique(x[later]).size, np.unique(x[~later]).size) >= LEAST_DAYS:
        first, second = (autocorrelated_line(x[rows], np.log(y[rows])) for rows in (~later, later))
        if abs(first.slope - second.slope) > math.hypot(first.high - first.low, second.high - second.low) / 2:
            halves = -first.slope, -second.slope
            ends = min(ends[0], first.low, second.low), max(ends[1], first.high, second.high)
    return LossRate(-line.slope, -ends[1], -ends[0], float(np.ptp(x)), int(x.size), line.alike, halves)


def _cleaned(values: NDArray[np.float64]) -> int | None:
    """Return the place of the largest rise that lasts, if it is far larger than the usual change; else None.

    A single high level is no such rise, since the medians on both sides of it are alike.
    """
    changes = np.diff(values)
    # Rounded levels often do not change at all: a usual change is then one step of theirs.
    least = float(np.abs(changes[changes != 0]).min(initial=np.inf))
    usual = max(1.4826 * float(np.median(np.abs(changes - np.median(changes)))), least)
    places = range(LEAST_DAYS, values.size - LEAST_DAYS + 1)
    rises = [float(np.median(values[k : k + BESIDE]) - np.median(values[max(0, k - BESIDE) : k])) for k in places]
    if not rises or max(rises) <= CLEARLY * usual:
        return None
    near = LEAST_DAYS + int(np.argmax(rises))
    # Medians rise over some places: the levels themselves rise at one.
    around = range(max(1, near - LEAST_DAYS + 1), min(values.size, near + LEAST_DAYS))
    return max(around, key=lambda k: float(changes[k - 1]))


@dataclass(frozen=True, slots=True, kw_only=True)
class Cleaning(Document):
    """Time until the reserve is used up.

    `days`, `earliest`, `latest` (days): at the stated or fitted loss, and at the ends of its interval; infinite without
    loss, None without a reserve.
    `loss_per_day`: as stated: the share of the remaining light that a day takes; or the exponential rate of `observed`.
    `observed`: the fit, if the loss was observed.
    """

    days: float | None
    earliest: float | None
    latest: float | None
    loss_per_day: float
    observed: LossRate | None = None


def cleaning_at(reserve: float | None, loss_per_day: float) -> Cleaning:
    """Return the time to cleaning at a stated loss per day, a share of the remaining light."""
    if not (math.isfinite(loss_per_day) and 0 <= loss_per_day < 1):
        raise ParameterError(f"the loss per day is a share of the light, from 0 to below 1, got {loss_per_day:g}.")
    days = time_to_cleaning(reserve, -math.log1p(-loss_per_day))
    return Cleaning(days=days, earliest=days, latest=days, loss_per_day=loss_per_day)


def cleaning_from(reserve: float | None, observed: LossRate) -> Cleaning:
    """Return the time to cleaning from an observed loss, with the interval that results from the interval of the loss.

    If the interval of the loss contains 0, no loss is shown, and the latest time is infinite.
    """

    def at(rate: float) -> float | None:
        return time_to_cleaning(reserve, max(rate, 0.0))

    return Cleaning(
        days=at(observed.per_day), earliest=at(observed.high), latest=at(observed.low),
        loss_per_day=observed.per_day, observed=observed,
    )  # fmt: skip


def read_levels(path: str | Path, *, dark_level: float = 0.0) -> LossRate:
    """Fit the loss per day to a table of levels over days: CSV with the columns ``day`` and ``level``.

    `path`: a day is a number or a date, 2031-05-14.
    `dark_level` (recording units): subtracted from every level.
    Raises ParameterError with file, row and value, if something is no day or no level; or if there are too few.
    """
    text = read_text(path, "a CSV with the columns day and level", ParameterError)
    try:
        table = csv.DictReader(io.StringIO(text, newline=""))
        names = table.fieldnames or []
        rows = list(table)
    except csv.Error as fault:
        raise ParameterError(f"{path}: not a CSV: {fault}. Give the columns day and level.") from None
    if not {"day", "level"} <= set(names):
        raise ParameterError(
            f"{path}: levels seen over days need the columns 'day' and 'level', got {', '.join(names) or 'none'}."
        )
    for k, row in enumerate(rows, 1):
        if None in row:
            raise ParameterError(
                f"{path}: row {k} has more cells than there are names, after {row['level']!r}. Write fractions with a "
                "point, and texts with commas in quotes."
            )
    days = [_day(row["day"], f"{path}: row {k}") for k, row in enumerate(rows, 1)]
    dated = [day >= FIRST_DATE for day in days]
    if len({*dated}) > 1:
        raise ParameterError(
            f"{path}: row {dated.index(not dated[0]) + 1}, column 'day': days are dates or numbers, not both."
        )
    levels = [_number(row["level"], f"{path}: row {k}, column 'level'") for k, row in enumerate(rows, 1)]
    try:
        return observed_loss([day - min(days) for day in days], [level - dark_level for level in levels])
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
