"""Numbers and dates of a log as nanoseconds, exact as they were written; a format for what is not read by itself."""

from __future__ import annotations

from datetime import datetime, timedelta
from decimal import Decimal
from itertools import pairwise

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from teachlab.data.importing.reading.place import Place
from teachlab.data.importing.times.time_stamps import EPOCH, NANOSECONDS, ORIGINS, TimeStamps, format_like, origin_of

PLACE = Place("log.csv", "time", str)
MOMENTS = st.datetimes(datetime(1999, 1, 1), datetime(2051, 1, 1))


@settings(deadline=None)
@given(
    st.sampled_from([("s", 0, 6), ("ms", 0, 3), ("us", 0, 0), ("s", 24_107, 5), ("d", 719_529, 8), ("d", 25_569, 10)]),
    st.lists(st.integers(0, 10**9), min_size=30, max_size=60, unique=True),
    st.integers(1_000_000_000, 2_000_000_000),
)
def test_a_number_is_the_instant_that_was_written(counted: tuple[str, int, int], late: list[int], first_s: int) -> None:
    """However few of the digits of a nanosecond a float64 holds."""
    unit, days, places = counted
    size = NANOSECONDS[unit]
    first = Decimal(10**9 * (first_s + 86_400 * days)) / size
    cells = [str(round(first + Decimal(k) / 10**places, places)) for k in sorted(late)]
    expected = [int((Decimal(cell) - Decimal(days * NANOSECONDS["d"]) / size) * size) for cell in cells]
    stamps = TimeStamps(unit, False, PLACE)
    found = stamps.nanoseconds(pa.array([float(cell) for cell in cells]), 0)
    assert stamps.absolute
    assert found.tolist() == expected


@pytest.mark.parametrize("unit", ["s", "ms", "us", "ns", "100ns", "d"])
def test_a_number_is_a_date_from_one_day_at_most(unit: str) -> None:
    low, high = (s * 10**9 // NANOSECONDS[unit] for s in map(int, EPOCH))
    spans = sorted(
        (low + o.days * NANOSECONDS["d"] // NANOSECONDS[unit], high + o.days * NANOSECONDS["d"] // NANOSECONDS[unit])
        for o in ORIGINS
        if o.unit == unit
    )
    assert all(end <= start for (_, end), (start, _) in pairwise(spans))
    assert all(origin_of(unit, (a + b) / 2) is not None for a, b in spans)
    assert origin_of(unit, spans[-1][1] * 1.01) is None


@settings(deadline=None)
@given(MOMENTS, st.sampled_from(["/", ".", "-", " "]), st.sampled_from(["%Y", "%y"]), st.booleans(), st.booleans())
def test_a_format_that_is_proposed_reads_the_cell(
    at: datetime, mark: str, year: str, fraction: bool, noon: bool
) -> None:
    at = at.replace(microsecond=at.microsecond if fraction else 0)
    clock = ("%I" if noon else "%H") + ":%M:%S" + (".%f" if fraction else "") + (" %p" if noon else "")
    written = at.strftime(f"%d{mark}%m{mark}{year} {clock}")
    form = format_like(written)
    assert form is not None
    read = datetime.strptime(written, form)
    assert read == at or (at.day <= 12 and read.replace(day=1, month=1) == at.replace(day=1, month=1))


@settings(deadline=None)
@given(MOMENTS, st.sampled_from(["%d-%b-%Y %H:%M:%S.%f", "%a %d.%m.%Y %H:%M:%S", "%Y%m%d %H%M%S", "%Y-%jT%H:%M:%S"]))
def test_names_of_days_and_months_and_bare_digits_are_seen(at: datetime, form: str) -> None:
    found = format_like(at.strftime(form))
    assert found is not None
    assert datetime.strptime(at.strftime(form), found) == datetime.strptime(at.strftime(form), form)


@pytest.mark.parametrize("cell", ["2026-02-30 07:08:09", "tub", "12", "25:00:00.000", "2016-12-31T23:59:60"])
def test_what_is_no_moment_has_no_format(cell: str) -> None:
    assert format_like(cell) is None


def test_a_day_of_matlab_is_the_day_of_the_calendar() -> None:
    """datenum(2026, 3, 1) is 740042, and a day of MATLAB is that of Python's calendar and 366."""
    stamps = TimeStamps("d", False, PLACE)
    found = stamps.nanoseconds(pa.array([740_042.25, 740_042.5]), 0)
    assert datetime(1970, 1, 1) + timedelta(microseconds=int(found[0]) // 1000) == datetime(2026, 3, 1, 6)
    assert datetime(2026, 3, 1).toordinal() + 366 == 740_042
    assert np.diff(found).tolist() == [6 * 3600 * 10**9]
