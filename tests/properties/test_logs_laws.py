"""Laws and twins of reading logs: text of any layout, dates of any writing, coarse clocks, second signals."""

from __future__ import annotations

import datetime
from zoneinfo import ZoneInfo

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from teachlab.data.importing.line_signals import LinePosition, passes_of_signal
from teachlab.data.importing.reading.text_layout import TextOptions
from teachlab.data.importing.reading.text_log import TextLog
from teachlab.data.importing.times.time_axis import TimeAxis, tick_of
from teachlab.data.importing.times.time_stamps import TimeStamps
from teachlab.data.quality.labelling import HYSTERESIS
from teachlab.errors import RecordingError


def place(row: int) -> str:
    return f"row {row}"


@settings(max_examples=120, deadline=None)
@given(st.data())
def test_a_table_comes_back_whatever_its_layout_and_its_pieces(data):
    delimiter = data.draw(st.sampled_from([",", ";", "\t", "|"]))
    columns = data.draw(st.integers(2, 5))
    rows = data.draw(st.integers(2, 40))
    rng = np.random.default_rng(data.draw(st.integers(0, 2**32 - 1)))
    table = rng.integers(-10_000, 10_000, (rows, columns))
    scale = data.draw(st.sampled_from([1, 100]))
    cells = [[f"{v / scale:.2f}" if scale > 1 else str(v) for v in row] for row in table]
    lines = data.draw(st.lists(st.sampled_from(["# note", "Site: hall", ""]), max_size=3))
    header = data.draw(st.booleans())
    if header:
        lines.append(delimiter.join(f"name {k}" for k in range(columns)))
    lines += [delimiter.join(row) for row in cells]
    end = data.draw(st.sampled_from(["\n", "\r\n"]))
    raw = end.join(lines).encode() + (end.encode() if data.draw(st.booleans()) else b"")
    cut = data.draw(st.integers(1, len(raw)))
    pieces = (raw[a : a + cut] for a in range(0, len(raw), cut))
    log = TextLog.of_pieces("log", pieces, TextOptions())
    assert len(log.columns) == columns
    assert (log.columns[0] == "name 0") is header
    found = [
        np.concatenate(c) for c in zip(*(map(np.asarray, batch) for batch in log.batches(range(columns))), strict=True)
    ]
    assert np.allclose(np.column_stack(found), table / scale, atol=1e-9)


@settings(max_examples=80, deadline=None)
@given(st.data())
def test_thousands_by_points_are_never_read_as_fractions_and_fixed_places_always_are(data):
    small = data.draw(st.lists(st.integers(0, 999), min_size=1, max_size=20))
    large = data.draw(st.lists(st.integers(1000, 999_999), min_size=1, max_size=20))
    numbers = data.draw(st.permutations(small + large))
    minus = data.draw(st.sampled_from([1, -1]))

    def read(cells, options):
        text = "n;x\n" + "".join(f"{k};{cell}\n" for k, cell in enumerate(cells))
        cut = data.draw(st.integers(4, len(text)))
        log = TextLog.of_pieces("log", (text[a : a + cut].encode() for a in range(0, len(text), cut)), options)
        return np.concatenate([np.asarray(batch[0]) for batch in log.batches([1])])

    cells = [f"{minus * n:,}".replace(",", ".") for n in numbers]
    with pytest.raises(RecordingError, match="may be a fraction or thousands"):
        read(cells, TextOptions())
    assert np.allclose(read(cells, TextOptions(decimal="point")), [float(cell) for cell in cells])
    fixed = [f"{minus * n / 1000:.3f}" for n in numbers]
    assert np.allclose(read(fixed, TextOptions()), minus * np.array(numbers) / 1000)


FORMS = [
    "%Y-%m-%dT%H:%M:%S.%f",
    "%Y-%m-%d %H:%M:%S.%f",
    "%Y%m%dT%H%M%S.%f",
    "%d.%m.%Y %H:%M:%S.%f",
    "%Y/%m/%d %H:%M:%S.%f",
]
ZONES = ["Europe/Berlin", "America/New_York", "Asia/Kolkata", "UTC"]


@settings(max_examples=150, deadline=None)
@given(
    st.datetimes(datetime.datetime(1990, 1, 1), datetime.datetime(2037, 1, 1)),  # Arrow ends summer time with 2037
    st.sampled_from(FORMS),
    st.sampled_from(ZONES),
    st.sampled_from(["bare", "offset", "named"]),
)
def test_dates_are_what_the_standard_library_says(begin, form, zone, kind):
    """Against datetime and zoneinfo; hours that clocks skip or show twice are left to tests by hand."""
    local = begin.replace(tzinfo=ZoneInfo(zone))
    utc = local.astimezone(datetime.UTC)
    if (
        utc.astimezone(ZoneInfo(zone)).replace(tzinfo=None) != begin
        or local.replace(fold=1).utcoffset() != local.utcoffset()
    ):
        return
    text = begin.strftime(form)
    if kind == "offset":
        text += local.strftime("%z")[:3] + ":" + local.strftime("%z")[3:5]
    stamps = TimeStamps(None, False, place, zone=zone if kind == "named" else None)
    found = int(stamps.nanoseconds(pa.array([text]), 0)[0])
    expected = begin.replace(tzinfo=datetime.UTC) if kind == "bare" else utc
    assert (
        found
        == round((expected - datetime.datetime(1970, 1, 1, tzinfo=datetime.UTC)) / datetime.timedelta(microseconds=1))
        * 1000
    )
    assert stamps.absolute
    assert stamps.aware is (kind != "bare")


@settings(max_examples=100, deadline=None)
@given(st.floats(1.2, 40.0), st.integers(2000, 20_000), st.floats(0, 1), st.integers(1, 5000))
def test_a_clock_that_ticks_slowly_gives_the_rate_of_the_count(rows_a_tick, rows, phase, cut):
    """The stamps of a clock of 1 ms at rows · (1 ms / rows a tick); the rate within two rows of the count."""
    rate = 1000.0 * rows_a_tick
    stamps = np.floor((np.arange(rows) + phase) / rows_a_tick + 1e-9) / 1000
    axis = TimeAxis(place, None)
    for a in range(0, rows, cut):
        axis.push(stamps[a : a + cut])
    found = axis.finish(fill_gaps=False)
    ticks = round(float(stamps[-1] - stamps[0]) * 1000)
    assert abs(found.rate_hz / rate - 1) <= 4 / (rows - 2 * rows_a_tick) + (0 if ticks > 1 else 1)
    assert found.tick_s == 0.001
    assert found.gap_rows.size == 0


@settings(max_examples=60, deadline=None)
@given(st.integers(60, 900), st.integers(0, 2**32 - 1))
def test_a_row_written_twice_is_no_slow_clock(row, seed):
    stamps = np.arange(1000) / 1000
    stamps = np.insert(stamps, row, stamps[row])
    assert tick_of(stamps) is None
    lost = np.delete(np.arange(1000), np.random.default_rng(seed).integers(10, 990, 100)) / 1000
    assert tick_of(lost) is None


@settings(max_examples=80, deadline=None)
@given(st.data())
def test_a_second_signal_is_split_as_a_plain_comparator_does(data):
    rng = np.random.default_rng(data.draw(st.integers(0, 2**32 - 1)))
    rows = data.draw(st.integers(200, 1200))
    seen = np.zeros(rows, bool)
    at = 20
    while at < rows - 40:
        length = int(rng.integers(5, 20))
        seen[at : at + length] = True
        at += length + int(rng.integers(25, 60))
    up = data.draw(st.booleans())
    signal = np.where(seen == up, 10.0, 0.0) + rng.normal(0, 0.15, rows)
    slow = data.draw(st.integers(1, 4))
    signal = np.convolve(signal, np.ones(slow) / slow, mode="same")
    signal[rng.integers(0, rows, 5)] = np.nan
    found = passes_of_signal(iter([signal[:100], signal[100:]]), rows, 5.0, "eye")
    band = 5.0 * HYSTERESIS * np.diff(np.nanquantile(signal, [0.02, 0.98]))[0] / 10
    state, plain = bool(np.nanmean(signal[:5]) > 5), []
    for value in signal:
        if not np.isnan(value):
            state = value >= 5 + band if not state else value > 5 - band
        plain.append(state)
    edges = np.flatnonzero(np.diff(np.concatenate(([False], np.array(plain) == up, [False])).astype(int)))
    assert found.start.size == edges[::2].size
    # The comparator is late by its band; the split goes back to the crossing of the middle.
    assert np.all((edges[::2] - found.start >= 0) & (edges[::2] - found.start <= 8))
    for a in found.start[found.start > 0]:
        inside, outside = signal[a], signal[a - 1]
        assert np.isnan(inside) or np.isnan(outside) or ((inside >= 5) == up and (outside >= 5) != up)


@settings(max_examples=80, deadline=None)
@given(st.integers(0, 2**32 - 1), st.sampled_from([None, 12, 16]), st.booleans())
def test_positions_of_an_encoder_that_rolls_over_or_counts_down(seed, bits, down):
    rng = np.random.default_rng(seed)
    steps = rng.integers(0, 12, 3000)
    steps[:2] = 5
    true = np.concatenate(([0], np.cumsum(steps)))
    counts = (-true if down else true) + 3
    if bits is not None:
        counts = counts % (1 << bits)
        if np.ptp(counts) < (1 << bits) * 0.9:
            return
    line = LinePosition.of_counts(counts.astype(float), 0.5, 1000.0)
    assert np.allclose(np.diff(line.millimetres), 0.5 * steps)
    asked = line.millimetres[[10, 500, 2999]] - 1e-9
    rows = line.rows_at(np.maximum(asked, line.millimetres[0]), place)
    assert np.all(rows <= np.array([10, 500, 2999]))
    assert np.allclose(np.interp(rows, np.arange(3001), line.millimetres), asked, atol=1e-6)


def test_a_line_that_stops_and_runs_back_is_told_with_place_and_way():
    """300 mm/s but for 3 s at rest and 0.5 s back at 60 mm/s: products pass at 300 mm/s, and 30 mm come back."""
    way = np.full(20_000, 300.0)
    way[5000:8000], way[12_000:12_500] = 0.0, -60.0
    counts = np.floor(np.cumsum(way) / 1000 / 0.1)
    for steps in (counts, -counts, counts + np.arange(counts.size) % 2):  # a trembling of one step is no running back
        line = LinePosition.of_counts(steps, 0.1, 1000.0)
        assert line.speed_m_s == pytest.approx((0.3, 0.0, 0.3), abs=0.002)
        assert line.back_mm == pytest.approx(30.0, abs=0.3)
        assert 12_000 < line.back_row < 12_025  # 60 mm/s make 1 mm in 17 rows
    assert LinePosition.of_counts(np.arange(100.0) + np.arange(100) % 2, 0.1, 1000.0).back_mm == 0
