"""A time column checked for a uniform rate: jitter, gaps, duplicates, rows that run backwards."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from teachlab.data.importing.reading.place import Place
from teachlab.data.importing.times.time_stamps import UNITS
from teachlab.errors import ParameterError, RecordingError
from teachlab.model.printable_text import in_figures, number_of

RATE_TOLERANCE = 1e-4
"""A given rate may differ from that of the time column by this share: the accuracy of ordinary clocks."""
LOCAL_TOLERANCE = 1e-2
LOCAL_ROWS = 4096
"""The rate over each stretch of this many rows must equal the overall rate within `LOCAL_TOLERANCE`."""
LEAST_LOCAL_ROWS = 500
"""A shorter rest, or log, is looked at by halves; over so many rows one step, of up to 1.5 periods, says nothing."""
FIRST_ROWS = 1000
FEW_CHANGES, MOST_HELD = 8, 1 << 20
LOCAL_TICKS = 300
"""A stretch of repeated stamps gives a rate to within `LOCAL_TOLERANCE` if it has at least this many ticks."""
SHOWN_GAPS = 3
MOST_BESIDE = 2.0
"""Sample periods, and ticks of a slow clock, by which rows may lie beside an even clock without a word."""


@dataclass(frozen=True, slots=True, eq=False)
class TimeReport:
    """Results for a time column.

    `rate_from`: ``given`` or ``time column``.
    `measured_hz`: rate of the time column.
    `jitter` (sample periods): largest deviation of a step between two rows from one period, except at gaps.
    `jitter_row`: its later row.
    `gap_rows`, `missing` (shape (gaps,)): rows that follow a gap, and the number of missing samples before each.
    `gap_phase` (sample periods): largest deviation of a gap from whole periods.
    `tick_s`: tick of the clock, if it is too slow to separate the rows.
    `wander` (sample periods): how far rows come to lie beside an even clock of this rate, apart from gaps; 0 if rounded
    stamps explain it.
    """

    rate_hz: float
    rate_from: str
    measured_hz: float
    jitter: float
    jitter_row: int
    gap_rows: NDArray[np.int64]
    missing: NDArray[np.int64]
    gap_phase: float
    tick_s: float | None = None
    wander: float = 0.0

    @property
    def filled(self) -> int:
        """Total number of missing samples."""
        return int(self.missing.sum())


class TimeAxis:
    """Reads times block by block and checks that they are uniform.

    `rate_hz`: the given rate; otherwise it is found.
    """

    def __init__(self, place: Place, rate_hz: float | None) -> None:
        self._place, self._given = place, rate_hz
        self._held: list[NDArray[np.float64]] = []
        self._rows = 0
        self._last = math.nan
        self._period = math.nan
        self._steps, self._span = 0, 0.0
        self._least, self._most = (math.inf, 0), (-math.inf, 0)
        self._gap_rows: list[NDArray[np.int64]] = []
        self._gap_spans: list[NDArray[np.float64]] = []
        self._local: list[tuple[int, int, float]] = []
        self._backward, self._backward_rows, self._told = 0, list[int](), ""
        self._tick: float | None = None
        self._ticked, self._open_rows = False, 0

    @property
    def has_gaps(self) -> bool:
        """Whether a gap was found so far."""
        return bool(self._gap_rows)

    def push(self, seconds: NDArray[np.float64]) -> None:
        """Take the times of the next rows, s."""
        # Rows are processed in pieces of one size, so that the result does not depend on how they came.
        self._held.append(seconds)
        held = sum(part.size for part in self._held)
        if held < LOCAL_ROWS:
            return
        ready = np.concatenate(self._held)
        if math.isnan(self._period) and held < MOST_HELD and np.count_nonzero(np.diff(ready)) < FEW_CHANGES:
            self._held = [ready]  # a clock that ticks once a second is known only after a few ticks
            return
        whole = held - held % LOCAL_ROWS
        self._held = [ready[whole:]]
        self._take(ready[:whole])

    def _take(self, seconds: NDArray[np.float64]) -> None:
        if math.isnan(self._period):
            self._begin(seconds)
        if self._tick is None:
            self._push(seconds)
            return
        # A stretch in which two clocks can drift apart by a tick would look unsteady.
        for a in range(0, seconds.size, LOCAL_ROWS):
            self._push_coarse(seconds[a : a + LOCAL_ROWS])

    def _begin(self, seconds: NDArray[np.float64]) -> None:
        """Find the period from the first rows, and whether the clock is coarser than it."""
        if seconds.size < 2:
            raise RecordingError(
                f"{self._place(0)}: one row has no rate. Give --rate and leave the column out with --no-time."
            )
        first = seconds[:FIRST_ROWS]
        if np.count_nonzero(np.diff(first)) < FEW_CHANGES:
            first = seconds
        self._tick = tick_of(first)
        steps = np.diff(first)
        # Among repeated stamps the median step means nothing; the count between two gaps does.
        steady = steps if self._tick is None else steps[steps < 4 * steps.mean() + 3 * self._tick]
        if self._tick is None:
            # Stamps of few ticks a period step by two or three of them: the median would make gaps of the longer steps.
            usual = float(np.median(steps))
            near = steps[(steps >= 0.5 * usual) & (steps <= 1.5 * usual * (1 + 1e-6))]
            self._period = float(near.mean()) if near.size else usual
        else:
            self._period = float(steady.mean())
        if self._given is not None and self._period > 0 and not 0.8 <= self._period * self._given <= 1.25:
            raise self._disagree(1 / self._period)

    def _push_coarse(self, seconds: NDArray[np.float64]) -> None:
        """Take rows whose stamps repeat: a steady count must keep them near a straight line between gaps."""
        steps, row = self._steps_of(seconds)
        if not self._forward(seconds, steps, row):
            return
        tick = self._tick or 0.0
        gap = steps > tick + 1.5 * self._period
        if gap.any():
            self._gap_rows.append(np.flatnonzero(gap) + row)
            self._gap_spans.append(steps[gap])
        self._count_between_ticks(steps, gap)
        base = row - (seconds.size - steps.size)
        cuts = [0, *(np.flatnonzero(gap) + seconds.size - steps.size).tolist(), seconds.size]
        for a, b in pairwise(cuts):
            if b - a < LEAST_ROWS:
                continue
            apart = wander(seconds[a:b])
            if apart > WANDER_TICKS * tick:
                raise RecordingError(
                    f"{self._place(base + a)}: stamps of {_time(tick)} repeat, and within the next "
                    f"{number_of(b - a, 'row')} their "
                    f"count is not steady: they wander by {_time(apart)}. Rows are missing or written twice. Correct "
                    "them, or give --rate with --no-time if the samples are uniform and only their times are not."
                )
            worst = 0.5 * apart
            self._most = max(self._most, (self._period + worst, -(base + b - 1)))
            self._least = min(self._least, (self._period - worst, base + b - 1))
            if seconds[b - 1] - seconds[a] >= LOCAL_TICKS * tick:
                self._local.append((base + a, base + b - 1, float(seconds[b - 1] - seconds[a]) / (b - a - 1)))

    def _count_between_ticks(self, steps: NDArray[np.float64], gap: NDArray[np.bool_]) -> None:
        """Count rows from the first tick to the last: rows before and after may belong to a partial tick."""
        rows, spans = (~gap).astype(np.int64), np.where(gap, 0.0, steps)
        ticked = np.flatnonzero(steps > 0)
        if ticked.size == 0:
            self._open_rows += int(rows.sum())
            return
        first, last = int(ticked[0]), int(ticked[-1])
        if self._ticked:
            self._steps += self._open_rows + int(rows[: first + 1].sum())
            self._span += float(spans[: first + 1].sum())
        self._ticked = True
        self._steps += int(rows[first + 1 : last + 1].sum())
        self._span += float(spans[first + 1 : last + 1].sum())
        self._open_rows = int(rows[last + 1 :].sum())

    def _push(self, seconds: NDArray[np.float64]) -> None:
        steps, row = self._steps_of(seconds)
        if not self._forward(seconds, steps, row):
            return
        gap = steps > 1.5 * self._period
        close = steps < 0.5 * self._period
        if close.any():
            k = int(np.argmax(close))
            raise RecordingError(
                f"{self._place(row + k)}: only {in_figures(steps[k] / self._period, 3)} of a period after the row "
                f"before ({_time(steps[k])} instead of {_time(self._period)}): the times are not uniform, and nothing "
                "is resampled. If the samples are uniform and only their times are not, give --rate with --no-time."
            )
        if gap.any():
            self._gap_rows.append(np.flatnonzero(gap) + row)
            self._gap_spans.append(steps[gap])
            rows = np.flatnonzero(~gap) + row
            steps = steps[~gap]
        else:
            rows = np.arange(row, row + steps.size)
        if steps.size == 0:
            return
        a, b = int(np.argmin(steps)), int(np.argmax(steps))
        self._least = min(self._least, (float(steps[a]), int(rows[a])))
        self._most = max(self._most, (float(steps[b]), -int(rows[b])))
        self._steps += steps.size
        self._span += float(steps.sum())
        each = LOCAL_ROWS if steps.size >= LOCAL_ROWS else max(LEAST_LOCAL_ROWS, steps.size // 2)
        whole = steps.size - steps.size % each
        means = steps[:whole].reshape(-1, each).mean(axis=1).tolist()
        self._local += zip(rows[:whole:each].tolist(), rows[each - 1 : whole : each].tolist(), means, strict=True)

    def _steps_of(self, seconds: NDArray[np.float64]) -> tuple[NDArray[np.float64], int]:
        """Return the steps to the next rows, and the first row to which a step leads."""
        if self._rows:
            return np.diff(seconds, prepend=self._last), self._rows
        return np.diff(seconds), 1

    def _forward(self, seconds: NDArray[np.float64], steps: NDArray[np.float64], row: int) -> bool:
        """Take the next rows; return whether all times so far ascend. After a step back, only such rows are counted."""
        wrong = np.flatnonzero(steps <= 0 if self._tick is None else steps < 0)
        if wrong.size and not self._backward:
            k = int(wrong[0])
            what = "the same time as" if steps[k] == 0 else f"{_time(-steps[k])} before"
            back = (
                " Did clocks go back an hour there? Then name their zone, --time-zone, and the column of their dates, "
                "--date, if they have one."
                if 3000 < -steps[k] <= 3601
                else ""
            )
            before = float(seconds[seconds.size - steps.size + k] - steps[k])
            self._told = (
                f"{self._place(row + k)}: {what} the row before, which is {before:.9g} s after the first: times "
                f"must ascend.{back}"
            )
        self._backward += wrong.size
        self._backward_rows += (wrong[: SHOWN_GAPS + 1 - len(self._backward_rows)] + row).tolist()
        self._rows += seconds.size
        self._last = float(seconds[-1]) if seconds.size else self._last
        return not self._backward

    def _runs_backward(self) -> RecordingError:
        """Return the error for rows that are not later than the row before."""
        several, others = "", self._backward_rows[1 : SHOWN_GAPS + 1]
        if others:
            # The text of a place ends with the row.
            shown = ", ".join(self._place(row).rsplit(", ", 1)[-1] for row in others)
            more = " …" if self._backward > SHOWN_GAPS + 1 else ""
            several = (
                f" In all {self._backward} of {number_of(self._rows, 'row is', 'rows are')} not later than the row "
                f"before: next {shown}{more}."
            )
        return RecordingError(
            f"{self._told} Take duplicated or misplaced rows out, or give --rate with --no-time.{several}"
        )

    def finish(self, *, fill_gaps: bool) -> TimeReport:
        """Return the result.

        Raises RecordingError if there are gaps that may not be filled, or the rate changes within the log.
        Raises ParameterError if the given rate is different.
        """
        rest = np.concatenate(self._held) if self._held else np.empty(0)
        self._held = []
        if rest.size or math.isnan(self._period):
            self._take(rest)
        if self._backward:
            raise self._runs_backward()
        if self._steps == 0 or self._span <= 0:
            raise RecordingError(
                f"{self._place(1)}: no two rows are one period apart, so the rate cannot be found. Give --rate with "
                "--no-time if the samples are uniform and only their times are not."
            )
        measured = self._steps / self._span
        if self._given is not None:
            # Rounded times may hide one period over the whole log.
            allowed = max(RATE_TOLERANCE, 1 / self._steps)
            if abs(measured / self._given - 1) > allowed:
                raise self._disagree(measured)
        self._check_local(measured)
        # The first and the last tick may be up to one row early or late.
        tolerance = (0.01 if self._tick is None else 2.0) / (self._steps + 1)
        rate = self._given if self._given is not None else shortest_decimal(measured, tolerance)
        gap_rows = np.concatenate(self._gap_rows) if self._gap_rows else np.empty(0, np.int64)
        spans = (np.concatenate(self._gap_spans) if self._gap_spans else np.empty(0)) * rate
        missing = np.maximum(np.rint(spans).astype(np.int64) - 1, 1)
        if gap_rows.size and not fill_gaps:
            raise self._gaps(gap_rows, missing, rate)
        if int(missing.sum()) > 10 * self._rows:
            raise RecordingError(
                f"{self._place(int(gap_rows[0]))}: filling the gaps would add "
                f"{number_of(int(missing.sum()), 'sample')} to "
                f"{number_of(self._rows, 'row')}. Import the stretches between the gaps one by one."
            )
        low, high = abs(self._least[0] * rate - 1), abs(self._most[0] * rate - 1)
        return TimeReport(
            rate_hz=rate,
            rate_from="given" if self._given is not None else "time column",
            measured_hz=measured,
            jitter=max(low, high),
            jitter_row=self._least[1] if low > high else -self._most[1],
            gap_rows=gap_rows,
            missing=missing,
            gap_phase=float(np.abs(spans - np.rint(spans)).max(initial=0.0))
            if self._tick is None
            else self._tick * rate,
            tick_s=self._tick,
            wander=self._wander(measured),
        )

    def _wander(self, measured: float) -> float:
        beside = np.cumsum([(last - first + 1) * (period * measured - 1) for first, last, period in self._local])
        most = float(np.abs(beside).max(initial=0.0))
        return most if most > MOST_BESIDE * (1 + measured * (self._tick or 0.0)) else 0.0

    def _check_local(self, measured: float) -> None:
        for first, last, period in self._local:
            if abs(period * measured - 1) > LOCAL_TOLERANCE:
                raise RecordingError(
                    f"{self._place(first)}: the rate changes within the log: {1 / period:.6g} Hz up to "
                    f"row {last}, {measured:.6g} Hz overall. Import the stretches of one rate one by one."
                )

    def _disagree(self, measured: float) -> ParameterError:
        given = self._given if self._given is not None else math.nan
        ratio = measured / given
        unit = next((u for u, size in UNITS.items() if abs(ratio / size - 1) < 0.2 and u != "s"), None)
        hint = f" If its times are in {unit}, give --time-unit {unit}." if unit else ""
        return ParameterError(
            f"{self._place(0)}: the time column says {measured:.9g} Hz, but --rate says {given:.9g} Hz.{hint} "
            "Leave --rate out to use the time column's, or ignore the column with --no-time."
        )

    def _gaps(self, rows: NDArray[np.int64], missing: NDArray[np.int64], rate: float) -> RecordingError:
        listed = "; ".join(
            f"between rows {row - 1} and {row} (t = {self._time_before(k, rate):.9g} s) about {lost} missing"
            for k, (row, lost) in enumerate(zip(rows[:SHOWN_GAPS].tolist(), missing.tolist(), strict=False))
        )
        more = f" and {rows.size - SHOWN_GAPS} more" if rows.size > SHOWN_GAPS else ""
        count = "1 gap" if rows.size == 1 else f"{rows.size} gaps"
        forward = (
            " Did clocks go forward an hour there? Then name their zone: --time-zone."
            if rows.size == 1 and abs((int(missing[0]) + 1) / rate - 3600) < 1
            else ""
        )
        return RecordingError(
            f"{self._place(int(rows[0]))}: the log has {count} in time: {listed}{more}, "
            f"{number_of(int(missing.sum()), 'sample')} in all at {rate:.9g} Hz.{forward} Fill them with invalid "
            "samples (null) by --fill-gaps, or import the stretches one by one."
        )

    def _time_before(self, k: int, rate: float) -> float:
        """Return the approximate time at which the k-th gap begins, s."""
        rows = np.concatenate(self._gap_rows)
        spans = np.concatenate(self._gap_spans)
        return float((rows[k] - 1 - k) / rate + spans[:k].sum())


def _time(seconds: float) -> str:
    for size, name in ((1.0, "s"), (1e-3, "ms"), (1e-6, "us")):
        if abs(seconds) >= size:
            return f"{in_figures(seconds / size, 6)} {name}"
    return f"{seconds / 1e-9:.6g} ns"


def shortest_decimal(value: float, tolerance: float) -> float:
    """Return the shortest decimal within a relative tolerance.

    Examples
    --------
    >>> shortest_decimal(1999.9999999998, 1e-9), shortest_decimal(999.4123, 1e-9)
    (2000.0, 999.4123)
    """
    for digits in range(1, 17):
        short = float(f"{value:.{digits}g}")
        if abs(short / value - 1) <= tolerance:
            return short
    return value


TICKS_APART = 0.05
"""At least this share of the steps must be unusual; otherwise a clock's tick does not explain them."""
WANDER_TICKS = 2.0
"""A steady count varies by one tick about a straight line, and by up to two if the line is found from the stamps."""
LEAST_ROWS = 50
LEAST_TICKS = 4
"""A steady count is recognised after this number of ticks."""


def tick_of(seconds: NDArray[np.float64]) -> float | None:
    """Return the tick of a clock if repeated or skipped stamps then agree with a steady rate, otherwise None.

    `seconds` (shape (n,), s): the first times of a log, ascending or repeating.
    Returned (s): the largest step of which all steps are multiples, if at least one step in 20 is zero, or is two ticks
    among single ones, and the stamps stay within two ticks of a straight line. A sample that was logged twice, or left
    out, moves all stamps after it, and so they do not stay there.

    Examples
    --------
    >>> tick_of(np.floor(np.arange(100) / 2) / 1000), tick_of(np.arange(100) / 1000)
    (0.001, None)
    >>> slower = np.append(np.arange(100) // 2, 50 + np.arange(99) // 3)  # four ticks beside a straight line
    >>> tick_of(slower / 1000) is None
    True
    """
    steps = np.rint(np.diff(seconds) * 1e9).astype(np.int64)
    if steps.size < LEAST_ROWS or steps.min() < 0 or np.count_nonzero(steps) < LEAST_TICKS:
        return None
    tick = int(np.gcd.reduce(steps))
    ticks = steps // tick
    none = float(np.mean(ticks == 0))
    two = float(np.mean(ticks == 2)) if set(np.unique(ticks).tolist()) <= {1, 2} else 0.0
    if tick < 100 or max(none, two) < TICKS_APART:
        return None
    # A gap is treated separately: the stamps before the first gap decide.
    far = np.flatnonzero(ticks > ticks.mean() * 4 + 3)
    before = seconds[: far[0] + 1] if far.size else seconds
    if before.size < LEAST_ROWS or wander(before) > WANDER_TICKS * tick * 1e-9:
        return None
    return tick / 1e9


def wander(seconds: NDArray[np.float64]) -> float:
    """Return how far times deviate from their straight line, from the lowest to the highest, s."""
    rows = np.arange(seconds.size) - (seconds.size - 1) / 2
    centred = seconds - seconds.mean()
    rest = centred - rows * (rows @ centred) / (rows @ rows)
    return float(rest.max() - rest.min())
