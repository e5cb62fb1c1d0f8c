"""Times checked for a uniform rate: by hand, through whole imports, and against a plain loop."""

from decimal import Decimal

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from teachlab.data.importing import ImportJob, import_log
from teachlab.data.importing.reading.place import Place
from teachlab.data.importing.times.time_axis import TimeAxis, shortest_decimal
from teachlab.data.recording_files import read_recording
from teachlab.data.truth_files import read_truth
from teachlab.errors import InputError, ParameterError, RecordingError
from teachlab.model.recording import RecordingInfo

INFO = RecordingInfo(sample_rate_hz=1.0, unit="mV")


def checked(seconds, *, rate_hz=None, fill_gaps=False, cut=None):
    axis = TimeAxis(lambda row: f"row {row}", rate_hz)
    seconds = np.asarray(seconds, float)
    for a in range(0, seconds.size, cut or seconds.size):
        axis.push(seconds[a : a + (cut or seconds.size)])
    return axis.finish(fill_gaps=fill_gaps)


def run(folder, times, *, light=None, **options):
    """Import a table with a column of times."""
    light = np.arange(len(times), dtype=np.uint16) if light is None else light
    pq.write_table(pa.table({"when": times, "light": light, **options.pop("more", {})}), folder / "log.parquet")
    job = ImportJob(path=str(folder / "log.parquet"), out=str(folder / "r.parquet"), info=INFO, time="when", **options)
    return import_log(job)


@pytest.mark.parametrize("rate", [2000.0, 999.412, 44_100.0, 1 / 120, 1e6])
def test_the_rate_is_found(rate):
    found = checked(np.arange(50_000) / rate)
    assert found.rate_hz == pytest.approx(rate, rel=1e-7)
    assert (found.rate_from, found.gap_rows.size, found.filled) == ("time column", 0, 0)
    assert found.jitter < 1e-4


def test_times_rounded_to_milliseconds_do_not_spoil_the_rate():
    found = checked(np.round(np.arange(100_000) / 300.0, 3))
    assert found.rate_hz == pytest.approx(300.0, rel=1e-6)
    assert found.jitter == pytest.approx(0.2, abs=0.001)  # steps of 3 and 4 ms at a period of 3.33 ms


@pytest.mark.parametrize(
    ("times", "options", "rate"),
    [
        (np.arange(2000) / 500, {}, 500.0),
        (np.arange(2000) * 2.0, {"time_unit": "ms"}, 500.0),
        (np.arange(2000) * 2000, {"time_unit": "us"}, 500.0),
        (np.arange(2000) * 2_000_000 + 1_714_564_800_000_000_000, {"time_unit": "ns"}, 500.0),
        ((np.arange(2000) * 2_000_000).astype(np.uint64), {"time_unit": "ns"}, 500.0),
        (np.arange(2000) / 2.0, {"time_unit": "min"}, 1 / 30),
        (pa.array(np.arange(2000) * 2, pa.timestamp("ms")), {}, 500.0),
        (pa.array(np.arange(2000) * 2000, pa.timestamp("us", "UTC")), {}, 500.0),
        (pa.array(np.arange(2000) * 2, pa.duration("ms")), {}, 500.0),
        (pa.array(np.arange(2000) * 2000, pa.time64("us")), {}, 500.0),
        ([f"12:00:{k // 500:02d}.{2 * (k % 500):03d}" for k in range(2000)], {}, 500.0),
        ([f"2024-05-01T12:00:{k // 500:02d}.{2 * (k % 500):03d}Z" for k in range(2000)], {}, 500.0),
        ([f"2024-05-01 12:00:{k // 500:02d},{2 * (k % 500):03d}" for k in range(2000)], {}, 500.0),
    ],
)
def test_times_of_every_kind(tmp_path, times, options, rate):
    found = run(tmp_path, times, **options)
    assert found.info.sample_rate_hz == pytest.approx(rate, rel=1e-6)
    assert found.samples == 2000


def test_jitter_is_reported_with_its_row():
    times = np.arange(5000) / 1000
    times[1234] += 0.0003
    found = checked(times)
    assert (found.jitter_row, found.jitter) == (1234, pytest.approx(0.3, abs=1e-3))
    assert found.rate_hz == 1000.0


def test_a_gap_is_an_error_with_rows_and_times():
    times = np.delete(np.arange(5000) / 1000, np.r_[100:130, 2000:2001])
    with pytest.raises(RecordingError) as caught:
        checked(times)
    message = str(caught.value)
    assert message.startswith("row 100: the log has 2 gaps in time: between rows 99 and 100 (t = 0.099 s) about 30")
    assert "between rows 1969 and 1970 (t = 1.999 s) about 1 missing, 31 samples in all" in message
    assert "--fill-gaps" in message


def test_gaps_are_filled_with_nulls_in_their_place(tmp_path):
    kept = np.delete(np.arange(5000), np.r_[100:130, 2000:2001])
    found = run(tmp_path, kept / 1000, light=kept.astype(np.uint16), fill_gaps=True)
    block = read_recording(found.recording).read(0, found.samples)
    assert (found.samples, found.filled, found.invalid, found.info.sample_rate_hz) == (5000, 31, 31, 1000.0)
    assert np.flatnonzero(block.invalid).tolist() == [*range(100, 130), 2000]
    assert np.array_equal(block.light[~block.invalid], kept)


def test_a_long_gap_spans_row_groups(tmp_path):
    times = np.concatenate([np.arange(100_000), 400_000 + np.arange(100_000)]) / 1000
    found = run(tmp_path, times, fill_gaps=True)
    valid = np.concatenate([~_mask(b) for b in read_recording(found.recording).blocks()])
    assert valid.size == 500_000
    assert np.flatnonzero(np.diff(valid)).tolist() == [99_999, 399_999]


def _mask(block):
    mask = block.invalid_mask()
    return np.zeros(block.light.size, bool) if mask is None else mask


def test_passes_move_with_the_gaps_before_them(tmp_path):
    kept = np.delete(np.arange(3000), np.r_[100:150, 2005:2008])
    number = np.zeros(3000, int)
    for k, a in enumerate((50, 1000, 2000), 1):
        number[a : a + 10] = k
    found = run(tmp_path, kept / 1000, more={"number": number[kept]}, fill_gaps=True, truth_column="number")
    truth = read_truth(found.truth_path, samples=found.samples)
    assert (truth.start.tolist(), truth.end.tolist()) == ([50, 1000, 2000], [60, 1010, 2010])

    rows = np.searchsorted(kept, [50, 1000, 2000])
    table = tmp_path / "seen.csv"
    table.write_text("start,end\n" + "".join(f"{r},{r + n}\n" for r, n in zip(rows, (10, 10, 7), strict=True)))
    found = run(tmp_path, kept / 1000, fill_gaps=True, passes=str(table))
    assert (found.truth.start.tolist(), found.truth.end.tolist()) == ([50, 1000, 2000], [60, 1010, 2010])


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (lambda t: t.__setitem__(700, t[699]), "row 700: the same time as the row before, which is 0.699 s after"),
        (lambda t: t.__setitem__(700, t[650]), "row 700: 49 ms before the row before, which is 0.699 s after"),
        (lambda t: t.__setitem__(700, t[699] + 0.0004), r"row 700: only 0.4 of a period after the row before \(400 us"),
        (lambda t: t.__setitem__(700, np.nan), r"row 700: a time must (not be empty|be a finite number)"),
    ],
)
def test_faults_of_a_row(tmp_path, change, message):
    times = np.arange(1500) / 1000
    change(times)
    with pytest.raises(RecordingError, match=message):
        run(tmp_path, times)
    with pytest.raises(RecordingError, match=message):
        run(tmp_path, pa.array(times, from_pandas=True))
    assert not (tmp_path / "r.parquet").exists()


@pytest.mark.parametrize("row", [1, 2, 999, 1000, 1001, 1499])
def test_rows_are_named_right_wherever_blocks_are_cut(row):
    times = np.arange(1500) / 1000
    times[row] = times[row - 1]
    for cut in (1, 7, 1000, 1500):
        with pytest.raises(RecordingError, match=f"^row {row}: the same time"):
            checked(times, cut=cut)


@pytest.mark.parametrize(
    ("rate", "message"),
    [
        (1000.0, r"the time column says 999.412 Hz, but --rate says 1000 Hz"),
        (999_412.0, r"says 999.4\d* Hz, but --rate says 999412 Hz. If its times are in ms, give --time-unit ms"),
        (500.0, "Leave --rate out"),
    ],
)
def test_a_rate_that_disagrees(rate, message):
    times = np.arange(20_000) / 999.412
    with pytest.raises(ParameterError, match=message):
        checked(times, rate_hz=rate)
    assert checked(times, rate_hz=999.412).rate_from == "given"


def test_a_rate_within_the_accuracy_of_clocks_is_taken_as_given():
    found = checked(np.arange(200_000) / 2000.1, rate_hz=2000.0)
    assert (found.rate_hz, found.rate_from) == (2000.0, "given")


def test_a_rate_that_changes_within_the_log():
    steps = np.concatenate([np.full(20_000, 0.001), np.full(20_000, 0.0011)])
    with pytest.raises(RecordingError, match="the rate changes within the log"):
        checked(np.concatenate([[0], np.cumsum(steps)]))


def test_too_little_to_tell_and_too_much_to_fill():
    with pytest.raises(RecordingError, match="one row has no rate"):
        checked([0.0])
    with pytest.raises(RecordingError, match="filling the gaps would add 99"):
        checked(np.concatenate([np.arange(10), 1000 + np.arange(10)]) / 10, fill_gaps=True)


def test_a_text_column_of_times_that_turns_into_something_else(tmp_path):
    with pytest.raises(RecordingError, match=r"row 1: a date with a time is needed.*'soon'"):
        run(tmp_path, ["2024-05-01 12:00:00", "soon"])
    with pytest.raises(RecordingError, match=r"row 1: a number is needed, got 'soon'.*--no-time"):
        run(tmp_path, ["0.5", "soon"])
    with pytest.raises(RecordingError, match="row 0: a date with a time is needed, got 'noon'"):
        run(tmp_path, ["noon", "1"])


@settings(max_examples=150, deadline=None)
@given(st.data())
def test_equal_to_a_plain_loop_whatever_the_blocks(data):
    """Rows with jitter up to 0.2 periods and gaps of whole periods; the loop knows what was left out."""
    rate = data.draw(st.sampled_from([0.01, 1.0, 333.0, 2000.0, 1e5]))
    rows = data.draw(st.integers(30, 1500))
    rng = np.random.default_rng(data.draw(st.integers(0, 2**32 - 1)))
    gaps = dict(data.draw(st.lists(st.tuples(st.integers(2, rows - 1), st.integers(1, 9)), max_size=4)))
    at, position = [], 0
    for row in range(rows):
        position += 1 + gaps.get(row, 0)
        at.append(position)
    seconds = (np.array(at) + rng.uniform(-0.1, 0.1, rows)) / rate
    found = checked(seconds, fill_gaps=True, cut=data.draw(st.integers(1, 1600)))
    assert dict(zip(found.gap_rows.tolist(), found.missing.tolist(), strict=True)) == gaps
    assert found.rate_hz == pytest.approx(rate, rel=0.3 / (rows - len(gaps) - 1) + 0.21 * len(gaps) / rows)
    steps = [(seconds[k] - seconds[k - 1]) * found.rate_hz - 1 for k in range(1, rows) if k not in gaps]
    assert found.jitter == pytest.approx(max(abs(s) for s in steps), rel=1e-6)
    if gaps:
        with pytest.raises(InputError, match=f"^row {min(gaps)}: the log has {len(gaps)} gap"):
            checked(seconds)


@given(st.floats(1e-3, 1e7), st.floats(1e-12, 1e-2))
def test_shortest_decimal_is_within_tolerance_and_none_shorter_is(value, tolerance):
    found = shortest_decimal(value, tolerance)
    assert abs(found / value - 1) <= tolerance or found == value
    digits = len(Decimal(repr(found)).normalize().as_tuple().digits)
    for fewer in range(1, min(digits, 16)):
        assert abs(float(f"{value:.{fewer}g}") / value - 1) > tolerance or float(f"{value:.{fewer}g}") == found


@pytest.mark.parametrize("cut", [None, 1, 7, 1000])
@pytest.mark.parametrize("first", [5, 2500])
def test_rows_that_do_not_ascend_are_counted_and_the_first_few_shown(first, cut):
    """One row twice, then rows out of place: the first is told with its time, three more by row, all are counted."""
    times = np.arange(3000) / 500
    wrong = first + np.array([0, 10, 20, 30, 40, 50])
    times[first] = times[first - 1]
    for row in wrong[1:]:
        times[[row - 1, row]] = times[[row, row - 1]]
    told = (
        rf"^row {first}: the same time as the row before.*times must ascend\. Take duplicated .*--no-time\. In all "
        rf"6 of 3,000 rows are not later than the row before: next row {first + 10}, row {first + 20}, "
        rf"row {first + 30} "
        r"…\.$"
    )
    with pytest.raises(RecordingError, match=told):
        checked(times, cut=cut)


def test_one_row_that_does_not_ascend_is_told_alone():
    times = np.arange(1500) / 500
    times[1200] = times[1199]
    with pytest.raises(RecordingError, match=r"must ascend\. Take duplicated .*--no-time\.$"):
        checked(times)


def test_times_of_two_rows_that_do_not_ascend():
    with pytest.raises(RecordingError, match=r"^row 1: 1 s before the row before, .*must ascend\. Take .*--no-time\.$"):
        checked([1.0, 0.0])


@pytest.mark.parametrize(("stated", "noted"), [(None, True), ("ms", False)])
def test_a_unit_that_is_taken_from_the_name_of_the_column_is_told(tmp_path, stated, noted):
    table = pa.table({"time_ms": np.arange(200.0), "light": np.arange(200, dtype=np.uint16)})
    pq.write_table(table, tmp_path / "log.parquet")
    job = ImportJob(
        path=str(tmp_path / "log.parquet"), out=str(tmp_path / "r.parquet"), info=INFO, column="light", time_unit=stated
    )
    found = import_log(job)
    assert found.info.sample_rate_hz == 1000
    told = "The numbers in column 'time_ms' are read as ms (from its name; state it with --time-unit ms)."
    assert (told in found.notes) == noted


def test_an_import_reports_the_share_that_is_done(tmp_path):
    pq.write_table(
        pa.table({"time_ms": np.arange(200_000.0), "light": np.arange(200_000, dtype=np.uint32)}),
        tmp_path / "log.parquet",
    )
    job = ImportJob(path=str(tmp_path / "log.parquet"), out=str(tmp_path / "r.parquet"), info=INFO, column="light")
    shares = []
    import_log(job, progress=shares.append)
    assert shares == sorted(shares)
    assert 0 < shares[0] <= 1
    assert shares[-1] == 1


@pytest.mark.parametrize(
    ("share", "told"), [(0.0, False), (0.002, False), (0.004, True), (0.019, True), (-0.015, True)]
)
def test_a_clock_that_wanders_is_told_as_a_plain_loop_finds_it(share, told):
    rows, at, times = 3000, 0.0, [0.0]
    for row in range(1, rows):
        at += 0.001 if row < rows / 2 else 0.001 * (1 + share)
        times.append(at)
    axis = TimeAxis(Place("log.csv", "time", str), None)
    axis.push(np.array(times))
    found = axis.finish(fill_gaps=False)
    most = 0.0
    for row, at in enumerate(times):
        most = max(most, abs(at * found.measured_hz - row))
    assert (most > 2) is told
    assert found.wander == pytest.approx(most if told else 0.0, abs=0.05)


def test_a_wandering_clock_is_told_beside_the_rate(tmp_path):
    times = np.cumsum(np.where(np.arange(3000) < 1500, 1.0, 1.015)) / 1000
    pq.write_table(pa.table({"time_s": times, "light": np.arange(3000) % 7}), tmp_path / "log.parquet")
    info = RecordingInfo(sample_rate_hz=1.0, unit="mV")
    found = import_log(ImportJob(path=str(tmp_path / "log.parquet"), out=str(tmp_path / "r.parquet"), info=info))
    assert any("their times lie up to 11.25 ms (11 samples) beside that" in note for note in found.notes), found.notes
