"""Several channels, the sensor's own output, another clock, stretches left out; and logs that come through a pipe."""

from __future__ import annotations

import gzip
import io
import os
import re
import signal
import subprocess
import sys
import time
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
import shell

from teachlab.data import truth_files
from teachlab.data.importing import ImportJob, import_log
from teachlab.data.importing.interval_table import CountedIn
from teachlab.data.importing.reading.logs import open_log
from teachlab.data.importing.reading.place import Place
from teachlab.data.importing.truth_columns import TruthColumn, TruthKind
from teachlab.data.recording_files import read_recording
from teachlab.data.truth_files import read_truth
from teachlab.errors import InputError, ParameterError, RecordingError
from teachlab.model.recording import RecordingInfo

INFO = RecordingInfo(sample_rate_hz=1.0, unit="mV", title="Tub line")
ROWS = 3000
K = np.arange(ROWS)
LIGHT = np.where(K % 300 > 200, 900, 100) + K % 7


def log_text(rows: slice = slice(None), *, head: bool = True, light: np.ndarray = LIGHT) -> str:
    names = "time,light,seen\n" if head else ""
    return names + "".join(f"{k / 2000:.4f},{light[k]},{int(k % 300 > 200)}\n" for k in K[rows])


def job(folder: Path, path: str, out: str = "r.parquet", **options: object) -> ImportJob:
    return ImportJob(path=path, out=str(folder / out), info=INFO, **options)  # type: ignore[arg-type]


def feed(monkeypatch: pytest.MonkeyPatch, text: str) -> None:
    monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(text.encode())))


# --- channels, output, clocks -----------------------------------------------------------------------


def test_several_channels_become_a_recording_each(tmp_path: Path) -> None:
    text = "time,near,far,seen\n" + "".join(f"{k / 500},{LIGHT[k]},{LIGHT[k] / 4},{int(LIGHT[k] > 500)}\n" for k in K)
    (tmp_path / "log.csv").write_text(text)
    found = import_log(
        job(tmp_path, str(tmp_path / "log.csv"), column="near", more_columns=("far",), truth_column="seen")
    )
    assert found.recording.endswith("r-near.parquet")
    assert [other.recording.rpartition("/")[2] for other in found.also] == ["r-far.parquet"]
    near, far = read_recording(tmp_path / "r-near.parquet"), read_recording(tmp_path / "r-far.parquet")
    assert np.array_equal(near.read(0, ROWS).light, LIGHT)
    assert np.array_equal(far.read(0, ROWS).light, LIGHT / 4)
    passes = [read_truth(tmp_path / f"r-{name}.passes.parquet", samples=ROWS) for name in ("near", "far")]
    assert passes[0].start.tolist() == passes[1].start.tolist() == list(range(201, ROWS, 300))
    assert passes[0].recording_digest == near.info.digest != far.info.digest == passes[1].recording_digest


@pytest.mark.parametrize(
    ("cells", "options", "expected"),
    [
        (["0", "1", "1", "0"], {}, [False, True, True, False]),
        (["off", "ON", "on", "off"], {}, [False, True, True, False]),
        (["0.2", "23.8", "23.9", "0.1"], {"output_level": 12.0}, [False, True, True, False]),
        (["0.2", "23.8", "23.9", "0.1"], {}, r"row 0 .*--output-level"),
        (["L", "H", "h", "l"], {}, [False, True, True, False]),
        (["FALSCH", "WAHR", "ja", "nein"], {}, [False, True, True, False]),
        (["inactive", "ACTIVE", "t", "f"], {}, [False, True, True, False]),
        (['"0,0"', '"1,0"', '"1,00"', "0"], {}, [False, True, True, False]),
        (["closed", "open", "open", "closed"], {}, r"row 0 .*got 'closed'.*Else write it as 0 and 1"),
        (["0", "1", "open", "0"], {}, r"row 2 .*0/1"),
        (["", "1", "", "0"], {}, [False, True, True, False]),
        (["0.2", "23.8", "", "nan"], {"output_level": 12.0}, [False, True, True, True]),
    ],
)
def test_the_sensor_s_own_output_comes_along(tmp_path: Path, cells: list[str], options: dict, expected: object) -> None:
    (tmp_path / "log.csv").write_text("light,out\n" + "".join(f"{k},{cell}\n" for k, cell in enumerate(cells)))
    wanted = job(tmp_path, str(tmp_path / "log.csv"), rate_hz=10.0, output_column="out", **options)
    if isinstance(expected, str):
        with pytest.raises(RecordingError, match=expected):
            import_log(wanted)
        return
    found = import_log(wanted)
    assert found.info.output is not None
    told = [note for note in found.notes if "of the sensor's output missing" in note]
    missing = sum(cell in ("", "nan") for cell in cells)
    assert [note.split()[0] for note in told] == ([str(missing)] if missing else [])
    assert pq.read_table(found.recording).column("output").to_pylist() == expected


def test_the_clock_of_the_passes_is_set_and_told(tmp_path: Path) -> None:
    """At 2 kHz 5 ms are 10 samples, and 1,000 ppm about the middle 1,500 are 1.5 samples at either end."""
    (tmp_path / "log.csv").write_text(log_text())
    (tmp_path / "seen.csv").write_text("start,end\n0.05,0.1\n0.75,0.8\n1.4,1.45\n")
    options = {"passes": str(tmp_path / "seen.csv"), "passes_in": CountedIn.SECONDS}
    found = import_log(job(tmp_path, str(tmp_path / "log.csv"), shift_ms=5.0, clock_ppm=1000.0, **options))
    truth = read_truth(found.truth_path, samples=found.samples)
    assert truth.start.tolist() == [round(p + 10 + 1e-3 * (p - 1500)) for p in (100, 1500, 2800)] == [109, 1510, 2811]
    assert truth.aligned is not None
    assert (truth.aligned.shift_ms, truth.aligned.clock_ppm, truth.aligned.borders) == (5.0, 1000.0, 0)
    with pytest.raises(ParameterError, match="--shift-ms and --clock-ppm set the clock of passes"):
        import_log(job(tmp_path, str(tmp_path / "log.csv"), "other.parquet", shift_ms=5.0))


@pytest.mark.parametrize(("by", "unseen"), [(-20.0, (2960, 3000)), (20.0, (0, 40))])
def test_what_the_clock_of_the_passes_did_not_see_is_left_out(
    tmp_path: Path, by: float, unseen: tuple[int, int]
) -> None:
    """A flag that lags by 40 rows says nothing of the last 40: a product there would count as a false trip."""
    (tmp_path / "log.csv").write_text(log_text())
    found = import_log(job(tmp_path, str(tmp_path / "log.csv"), truth_column="seen", shift_ms=by))
    assert read_truth(found.truth_path).except_ == (unseen,)


def lots_text(shift: list[str]) -> str:
    return "time,light,seen,shift\n" + "".join(
        f"{k / 2000:.4f},{LIGHT[k]},{int(k % 300 > 200)},{shift[k]}\n" for k in K
    )


def test_a_column_names_the_lot_of_every_pass(tmp_path: Path) -> None:
    """A pass belongs to the lot of its first row, missing rows before it or not; an empty cell names none."""
    shift = ["Früh" if k < 1250 else "" if k < 1600 else "=Spät" for k in range(ROWS)]
    (tmp_path / "log.csv").write_text(lots_text(shift), encoding="utf-8")
    options = {"truth_column": "seen", "lot_column": "shift"}
    truth = read_truth(import_log(job(tmp_path, str(tmp_path / "log.csv"), **options)).truth_path)
    assert truth.lot is not None
    assert truth.lot.tolist() == ["Früh"] * 4 + [""] + ["=Spät"] * 5
    lines = lots_text(shift).splitlines(keepends=True)
    (tmp_path / "gap.csv").write_text("".join(lines[:900] + lines[950:]), encoding="utf-8")
    filled = job(tmp_path, str(tmp_path / "gap.csv"), "gap.parquet", fill_gaps=True, **options)
    assert read_truth(import_log(filled).truth_path).lot.tolist() == truth.lot.tolist()


@pytest.mark.parametrize(
    ("first", "last", "left_out"), [(920, 950, 0), (1180, 1205, 1), (1090, 1110, 1), (900, 950, 1)]
)
def test_missing_rows_at_a_border_are_left_out_of_scoring(tmp_path: Path, first: int, last: int, left_out: int) -> None:
    """Whatever a pass of the column was in them: its border may lie anywhere there."""
    lines = lots_text(["A"] * ROWS).splitlines(keepends=True)
    seen = [int(line.split(",")[2]) for line in lines[1:]]
    (tmp_path / "gap.csv").write_text("".join(lines[: first + 1] + lines[last + 1 :]), encoding="utf-8")
    filled = job(tmp_path, str(tmp_path / "gap.csv"), "gap.parquet", fill_gaps=True, truth_column="seen")
    truth = read_truth(import_log(filled).truth_path)
    assert len(truth.except_) == left_out
    for a, b in truth.except_:
        assert (a, b) == (first - 1, last + 1)
        assert len(set(seen[first - 1 : last + 1])) == 2


def test_lots_that_are_none_are_refused(tmp_path: Path) -> None:
    (tmp_path / "log.csv").write_text(lots_text([f"{k / 7:.3f}" for k in range(ROWS)]))
    (tmp_path / "seen.csv").write_text("start,end,lot\n100,200,A\n")
    log = str(tmp_path / "log.csv")
    with pytest.raises(ParameterError, match="--lot-column names the lots of passes"):
        import_log(job(tmp_path, log, lot_column="shift"))
    with pytest.raises(InputError, match="from this table or from --lot-column, not from both"):
        import_log(job(tmp_path, log, passes=str(tmp_path / "seen.csv"), lot_column="seen"))


@pytest.mark.parametrize(
    ("cells", "told"),
    [
        (pa.array([1.0, None, 1.5]), "row 2: a lot that is a number must be whole, got 1.5"),
        (pa.array([str(k) for k in range(10_001)]), "changes in 10,001 of 10,001 rows: it does not name lots"),
    ],
)
def test_a_column_that_names_no_lots_is_refused(cells: pa.Array, told: str) -> None:
    column = TruthColumn(TruthKind.LABEL, Place("log.csv", "shift", lambda row: f"row {row}"), lots=True)
    with pytest.raises(InputError, match=told):
        column.push(cells)


def test_a_log_is_imported_again_beside_itself(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Passes of the first run lie beside the log, but import reads none from there."""
    monkeypatch.chdir(tmp_path)
    Path("belt.csv").write_text(log_text())
    words = ["import", "belt.csv", "--unit", "mV", "--out", "belt.parquet", "--truth-column", "seen"]
    for title in ("first", "second"):
        shell.run(*words, "--title", title)
    assert read_recording("belt.parquet").info.title == "second"


def test_stretches_to_leave_out_are_kept_with_the_passes(tmp_path: Path) -> None:
    (tmp_path / "log.csv").write_text(log_text())
    (tmp_path / "stops.csv").write_text("start,end,label\n0.5,0.6,jam\n0.58,0.7,jam\n1.4,9.0,cleaning\n3.0,4.0,after\n")
    options = {"truth_column": "seen", "excepted": str(tmp_path / "stops.csv"), "passes_in": CountedIn.SECONDS}
    with pytest.raises(InputError, match=r"stops.csv.*overlaps"):
        import_log(job(tmp_path, str(tmp_path / "log.csv"), **options))
    (tmp_path / "stops.csv").write_text("start,end,label\n0.5,0.6,jam\n0.6,0.7,jam\n1.4,9.0,cleaning\n9.0,9.5,after\n")
    found = import_log(job(tmp_path, str(tmp_path / "log.csv"), **options))
    assert read_truth(found.truth_path).except_ == ((1000, 1400), (2800, 3000))
    with pytest.raises(ParameterError, match="--except is kept with the passes"):
        import_log(job(tmp_path, str(tmp_path / "log.csv"), "other.parquet", excepted=str(tmp_path / "stops.csv")))


@pytest.mark.parametrize("off", [0, 12, -25])
def test_instants_take_the_borders_that_the_light_shows(tmp_path: Path, off: int) -> None:
    """Ten products, one of them unseen; the instants lie off by up to a quarter of a pass."""
    unseen = np.where((K > 1400) & (K < 1500), 100 + K % 7, LIGHT)
    (tmp_path / "log.csv").write_text(log_text(light=unseen))
    at = 250 + 300 * np.arange(10) + off
    (tmp_path / "seen.csv").write_text("t,label\n" + "".join(f"{k / 2000},tub {k}\n" for k in at))
    options = {"passes": str(tmp_path / "seen.csv"), "passes_in": CountedIn.SECONDS, "pass_start": "t"}
    found = import_log(job(tmp_path, str(tmp_path / "log.csv"), borders_from_light=True, **options))
    truth = read_truth(found.truth_path, samples=ROWS)
    assert truth.start.tolist() == list(range(201, ROWS, 300))
    assert truth.end.tolist() == [*range(300, ROWS, 300), ROWS]
    assert (truth.label[4], str(truth.source)) == (f"tub {at[4]}", "self-labelled")
    assert any("9 of 10 times have an object in the light" in note and "rows 4." in note for note in found.notes)


# --- once, or again ---------------------------------------------------------------------------------


LATE_FRACTION = np.where(K == 2500, 900.5, LIGHT)


@pytest.mark.parametrize(
    ("rows", "light", "readings"),
    [
        (K, LIGHT, 1),
        (K, np.where(K == 2500, -5, LIGHT), 2),
        (K, LATE_FRACTION, 2),
        (np.delete(K, np.r_[2500:2600]), LIGHT, 2),
        (np.delete(K, [2998]), LIGHT, 2),
        (np.delete(K, np.r_[10:20, 2500:2600]), LATE_FRACTION, 2),
    ],
    ids=["nothing", "a sign", "a fraction", "a gap", "a gap at the end", "gaps and a fraction"],
)
def test_a_log_is_read_again_only_where_a_later_row_changes_how_all_lie(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, rows: np.ndarray, light: np.ndarray, readings: int
) -> None:
    """The bytes are those of the pipe, whose rows wait for the last one; the share that is done only grows."""
    monkeypatch.setattr("teachlab.data.importing.reading.text_log.BLOCK_BYTES", 4096)
    monkeypatch.setattr("teachlab.data.importing.times.time_axis.LOCAL_ROWS", 256)
    text = "time,far,light,seen,high\n" + "".join(
        f"{k / 2000:.4f},{k % 9},{light[k]:g},{int(k % 300 > 200)},{int(light[k] > 500)}\n" for k in rows
    )
    options = {
        "column": "light", "more_columns": ("far",), "truth_column": "seen", "output_column": "high", "fill_gaps": True
    }  # fmt: skip
    (tmp_path / "log.csv").write_text(text)
    opened, shares = [], list[float]()
    monkeypatch.setattr(
        "teachlab.data.importing.job.open_log", lambda *a, **k: opened.append(open_log(*a, **k)) or opened[-1]
    )
    import_log(job(tmp_path, str(tmp_path / "log.csv"), "file.parquet", **options), progress=shares.append)
    assert len(opened) == readings
    assert (shares, shares[-1]) == (sorted(shares), 1.0)
    feed(monkeypatch, text)
    import_log(job(tmp_path, "-", "pipe.parquet", **options))
    for ending in ("light.parquet", "far.parquet", "light.passes.parquet", "far.passes.parquet"):
        assert (tmp_path / f"pipe-{ending}").read_bytes() == (tmp_path / f"file-{ending}").read_bytes()
    assert len(list(tmp_path.iterdir())) == 9
    found = pq.read_table(tmp_path / "file-light.parquet").column("light").to_pylist()
    assert found == [light[k] if k in rows else None for k in K]


def test_a_binary_log_with_a_late_gap_is_read_again(tmp_path: Path) -> None:
    rows = np.delete(np.arange(400_000), np.r_[300_000:300_100])
    table = pa.table({"time": rows / 2000, "light": (rows % 200).astype(np.uint8)})
    pq.write_table(table, tmp_path / "log.parquet")
    found = import_log(job(tmp_path, str(tmp_path / "log.parquet"), fill_gaps=True))
    block = read_recording(found.recording).read(0, 400_000)
    assert np.array_equal(np.flatnonzero(block.invalid_mask()), np.arange(300_000, 300_100))
    assert np.array_equal(block.light[rows], rows % 200)


def test_a_log_that_is_cut_between_its_two_readings_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("teachlab.data.importing.reading.text_log.BLOCK_BYTES", 4096)
    (tmp_path / "log.csv").write_text(log_text(light=np.where(K == 2500, -5, LIGHT)))
    wanted = job(tmp_path, str(tmp_path / "log.csv"))
    with pytest.raises(InputError, match="replaced or changed while the command read it"):
        import_log(wanted, progress=lambda share: (tmp_path / "log.csv").write_text(log_text(slice(0, 2000))))
    assert [path.name for path in tmp_path.iterdir()] == ["log.csv"]


# --- pipes ------------------------------------------------------------------------------------------


def test_a_pipe_gives_the_bytes_of_the_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "log.csv").write_text(log_text())
    import_log(job(tmp_path, str(tmp_path / "log.csv"), "file.parquet", truth_column="seen"))
    feed(monkeypatch, log_text())
    import_log(job(tmp_path, "-", "pipe.parquet", truth_column="seen"))
    for ending in (".parquet", ".passes.parquet"):
        assert (tmp_path / f"pipe{ending}").read_bytes() == (tmp_path / f"file{ending}").read_bytes()
    assert not list(tmp_path.glob("*.unfinished"))


@pytest.mark.parametrize("cut", [1, 700, 2999])
@pytest.mark.parametrize("head_again", [False, True])
def test_the_rest_appended_to_a_finished_recording_gives_the_bytes_of_one_run(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, cut: int, head_again: bool
) -> None:
    light = np.where(K > 2000, 70_000, LIGHT)  # the type grows in the second part
    feed(monkeypatch, log_text(light=light))
    import_log(job(tmp_path, "-", "whole.parquet"))
    feed(monkeypatch, log_text(slice(0, cut), light=light))
    if cut == 1:
        with pytest.raises(RecordingError, match="one row has no rate"):
            import_log(job(tmp_path, "-"))
        assert (tmp_path / "r.parquet.unfinished").exists()
    else:
        import_log(job(tmp_path, "-"))
    feed(monkeypatch, log_text(slice(cut, None), head=head_again, light=light))
    found = import_log(job(tmp_path, "-", append=True))
    assert found.kept == cut
    assert (tmp_path / "r.parquet").read_bytes() == (tmp_path / "whole.parquet").read_bytes()


@pytest.mark.parametrize("cut", [900, 1000, 1100])
@pytest.mark.parametrize(("form", "options"), [("%H:%M:%S.%f", {}), ("%M:%S.%f", {"time_format": "%M:%S.%f"})])
def test_times_of_day_go_on_after_midnight_in_the_rest_of_a_log(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, cut: int, form: str, options: dict[str, str]
) -> None:
    begin = datetime(2026, 3, 1, 23, 59, 59, 500_000)  # midnight comes at row 1000
    stamps = [(begin + timedelta(microseconds=500 * k)).strftime(form) for k in range(ROWS)]
    lines = [f"{stamp},{value}\n" for stamp, value in zip(stamps, LIGHT, strict=True)]
    feed(monkeypatch, "time,light\n" + "".join(lines[:cut]))
    import_log(job(tmp_path, "-", **options))
    feed(monkeypatch, "".join(lines[cut:]))
    found = import_log(job(tmp_path, "-", append=True, **options))
    assert (found.samples, found.info.sample_rate_hz) == (ROWS, 2000.0)
    (tmp_path / "log.csv").write_text("time,light\n" + "".join(lines))
    (tmp_path / "passes.csv").write_text(f"start,end\n{stamps[1200]},{stamps[1250]}\n")
    passes = {"passes": str(tmp_path / "passes.csv"), "passes_in": CountedIn.TIME}
    truth = import_log(job(tmp_path, str(tmp_path / "log.csv"), "w.parquet", **passes, **options)).truth
    assert truth is not None
    assert (truth.start.tolist(), truth.end.tolist()) == ([1200], [1250])


def test_a_file_that_tells_when_it_began_is_appended_where_the_first_one_ends(tmp_path: Path) -> None:
    nptdms = pytest.importorskip("nptdms")
    for name, second in (("first", 0.0), ("next", 1.5), ("later", 4.0)):
        begin = np.datetime64("2026-03-01T06:00:00", "us") + np.timedelta64(round(1e6 * second), "us")
        about = {"wf_increment": 1 / 2000, "wf_start_time": begin}
        with nptdms.TdmsWriter(tmp_path / f"{name}.tdms") as out:
            out.write_segment([nptdms.ChannelObject("Line", "light", LIGHT.astype(np.int16), about)])
    import_log(job(tmp_path, str(tmp_path / "first.tdms")))
    found = import_log(job(tmp_path, str(tmp_path / "next.tdms"), append=True))
    assert (found.samples, found.began) == (2 * ROWS, "2026-03-01T06:00:00Z")
    with pytest.raises(ParameterError, match=r"later.tdms: it begins 1 s after the end of .*r.parquet.*--no-time"):
        import_log(job(tmp_path, str(tmp_path / "later.tdms"), append=True))
    found = import_log(job(tmp_path, str(tmp_path / "later.tdms"), append=True, no_time=True))
    assert (found.samples, found.began) == (3 * ROWS, "2026-03-01T06:00:00Z")


@pytest.mark.parametrize(
    ("table", "options", "told"),
    [
        ("start,end\n", {"passes": "p.csv"}, r"p.csv names no pass: nothing passed, and every switching .*false trip"),
        ("t\n", {"passes": "p.csv", "pass_start": "t", "pass_ms": 20.0}, "names no pass"),
        ("t\n", {"passes": "p.csv", "pass_start": "t", "borders_from_light": True}, "names no pass"),
        ("", {"truth_column": "never"}, "Column 'never' names an object in no row: .* another --truth-column"),
        ("start,end,expect\n201,300,ignore\n", {"passes": "p.csv"}, "1 pass, all to be ignored"),
    ],
)
def test_a_log_in_which_nothing_is_to_be_detected_is_imported_and_told(
    tmp_path: Path, table: str, options: dict, told: str
) -> None:
    (tmp_path / "log.csv").write_text("time,light,never\n" + "".join(f"{k / 2000},{LIGHT[k]},0\n" for k in K))
    (tmp_path / "p.csv").write_text(table)
    options = {name: str(tmp_path / value) if name == "passes" else value for name, value in options.items()}
    found = import_log(job(tmp_path, str(tmp_path / "log.csv"), **options))
    assert found.truth is not None
    assert found.truth.detect_passes == 0
    assert len([note for note in found.notes if re.search(told, note)]) == 1


@pytest.mark.parametrize("counted", [CountedIn.SECONDS, CountedIn.MILLISECONDS, CountedIn.SAMPLES, None])
def test_positions_farther_than_samples_are_counted_are_one_message(tmp_path: Path, counted: CountedIn | None) -> None:
    """Read as s or ms, 10¹⁸ is more samples than 64 bits hold: it was cast to any number, with a warning."""
    (tmp_path / "log.csv").write_text(log_text())
    (tmp_path / "p.csv").write_text("start,end\n2,4\n5,1000000000000000000\n")
    with pytest.raises(InputError, match=r"p\.csv") as told:
        import_log(job(tmp_path, str(tmp_path / "log.csv"), passes=str(tmp_path / "p.csv"), passes_in=counted))
    far = "column 'end', row 1: positions must lie within 9e15 samples" in str(told.value)
    assert far is (counted in (CountedIn.SECONDS, CountedIn.MILLISECONDS))


@pytest.mark.parametrize(("counted", "cell"), [(CountedIn.SECONDS, "0.1"), (CountedIn.TIME, "0.1")])
def test_times_of_passes_that_are_too_coarse_for_them_are_told_as_such(
    tmp_path: Path, counted: CountedIn, cell: str
) -> None:
    (tmp_path / "log.csv").write_text(log_text())
    (tmp_path / "p.csv").write_text(f"start,end\n0.0,0.1\n{cell},{cell}\n")
    with pytest.raises(
        InputError, match=r"p.csv, column 'end', row 1: the pass begins and ends at the same time, '0.1'"
    ):
        import_log(job(tmp_path, str(tmp_path / "log.csv"), passes=str(tmp_path / "p.csv"), passes_in=counted))


def test_a_packed_pipe_is_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(gzip.compress(log_text().encode()))))
    with pytest.raises(RecordingError, match=r"packed by gzip\. Give the file itself"):
        import_log(job(tmp_path, "-"))


@pytest.mark.parametrize("pipe", [True, False])
def test_a_rest_without_rows_is_refused_and_loses_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, pipe: bool
) -> None:
    for name, rows in (("log", slice(0, 700)), ("none", slice(0, 0)), ("rest", slice(700, None)), ("all", slice(None))):
        (tmp_path / f"{name}.csv").write_text(log_text(rows))

    def given(name: str) -> str:
        feed(monkeypatch, (tmp_path / f"{name}.csv").read_text())
        return "-" if pipe else str(tmp_path / f"{name}.csv")

    import_log(job(tmp_path, given("all"), "whole.parquet"))
    import_log(job(tmp_path, given("log")))
    with pytest.raises(InputError, match="there are no further rows"):
        import_log(job(tmp_path, given("none"), append=True))
    assert read_recording(tmp_path / "r.parquet").samples == 700
    assert import_log(job(tmp_path, given("rest"), append=True)).kept == 700
    assert (tmp_path / "r.parquet").read_bytes() == (tmp_path / "whole.parquet").read_bytes()


def test_the_name_of_the_recording_is_no_part_of_it(tmp_path: Path) -> None:
    """One column, no times, no names; one run and two runs into files of different names."""
    numbers = [f"{k}\n" for k in range(200)]
    words = ["import", "-", "--unit", "mV", "--rate", "1000", "--out"]
    for name, part, more in (
        ("a", numbers, ["--no-header"]),
        ("b", numbers[:77], ["--no-header"]),
        ("b", numbers[77:], ["--append"]),
    ):
        shell.run(*words, tmp_path / f"{name}.parquet", *more, input="".join(part))
    assert (tmp_path / "a.parquet").read_bytes() == (tmp_path / "b.parquet").read_bytes()
    assert read_recording(tmp_path / "a.parquet").read(0, 200).light.tolist() == list(range(200))


def test_gaps_survive_an_append(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    kept = np.delete(K, np.r_[500:600, 2000:2100])
    text = log_text().splitlines(keepends=True)
    for name, parts in (("whole", [kept]), ("r", [kept[:1000], kept[1000:]])):
        for k, part in enumerate(parts):
            feed(monkeypatch, text[0] * (k == 0) + "".join(text[j + 1] for j in part))
            import_log(job(tmp_path, "-", f"{name}.parquet", append=k > 0, fill_gaps=True))
    assert (tmp_path / "r.parquet").read_bytes() == (tmp_path / "whole.parquet").read_bytes()
    assert read_recording(tmp_path / "r.parquet").samples == ROWS


def test_a_bad_row_in_a_pipe_loses_nothing_before_its_block(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("teachlab.data.importing.reading.text_log.BLOCK_BYTES", 4096)
    bad = log_text(slice(0, 2000)) + "broken,row,here\n"
    out = tmp_path / "r.parquet"
    done = shell.run("import", "-", "--unit", "mV", "--out", out, code=2, input=bad)
    assert "row 2000" in done.stderr
    kept = int(done.stderr.split(" rows are kept in")[0].rsplit("\n", 1)[-1].replace(",", ""))
    assert 1500 < kept <= 2000
    again = shell.run("import", "-", "--unit", "mV", "--out", out, code=2, input=log_text())
    assert "--append" in again.stderr
    rest = log_text(slice(kept, None), head=False)
    done = shell.run("import", "-", "--unit", "mV", "--out", out, "--append", input=rest)
    assert np.array_equal(read_recording(out).read(0, ROWS).light, LIGHT)
    assert not list(tmp_path.glob("*.unfinished"))


@pytest.mark.parametrize("ended_by", [signal.SIGKILL, signal.SIGINT, signal.SIGTERM])
def test_a_run_that_was_ended_goes_on_with_the_rest(tmp_path: Path, ended_by: signal.Signals) -> None:
    words = [sys.executable, "-m", "teachlab", "import", "-", "--unit", "mV", "--truth-column", "seen"]
    whole, out = tmp_path / "whole.parquet", tmp_path / "r.parquet"
    subprocess.run([*words, "--out", whole], input=log_text().encode(), check=True, capture_output=True)
    first = subprocess.Popen([*words, "--out", out], stdin=subprocess.PIPE, stderr=subprocess.PIPE)
    assert first.stdin is not None
    os.write(first.stdin.fileno(), log_text(slice(0, 1234)).encode())
    kept = tmp_path / "r.parquet.unfinished"
    for _ in range(400):
        if kept.exists() and kept.stat().st_size > 0:
            break
        time.sleep(0.05)
    time.sleep(0.3)
    first.send_signal(ended_by)
    _, told = first.communicate()
    assert first.returncode == {signal.SIGKILL: -9, signal.SIGINT: 130, signal.SIGTERM: 143}[ended_by], told
    assert not out.exists()
    if ended_by is not signal.SIGKILL:
        assert b"1,234 rows are kept" in told
    rest = log_text(slice(1234, None), head=False).encode()
    done = subprocess.run([*words, "--out", out, "--append"], input=rest, check=True, capture_output=True)
    assert b"1,234 rows of an earlier run come first" in done.stderr
    for ending in (".parquet", ".passes.parquet"):
        assert (tmp_path / f"r{ending}").read_bytes() == (tmp_path / f"whole{ending}").read_bytes()
    assert not kept.exists()


def test_columns_of_a_table_of_passes_that_are_not_read_are_named(tmp_path: Path) -> None:
    """A kind or a lot under another name was dropped without a word, and every claim with it."""
    (tmp_path / "log.csv").write_text(log_text())

    def notes(head: str, first: str = "") -> str:
        rows = "".join(f"{k},{k + 90},white,A,x\n" for k in range(201, ROWS - 90, 300))
        (tmp_path / "p.csv").write_text(f"{first}{head}\n{rows}")
        return " ".join(import_log(job(tmp_path, str(tmp_path / "log.csv"), passes=str(tmp_path / "p.csv"))).notes)

    assert "p.csv: not used: 'variant', 'pallet', 'operator'. The kind" in notes("start,end,variant,pallet,operator")
    assert "not used: 'pallet', 'operator'." in notes("start,end,label,pallet,operator")
    assert "not used" not in notes("start,end,label,lot,operator")
    own = '# teachlab.passes: {"schema": 1, "source": "self-labelled", "uncertainty_samples": 1}\n'
    assert "not used" not in notes("start,end,label,doubt,reason", own)
    assert "not used" not in notes("start,end,label,doubt,reason")


def test_a_table_of_passes_is_read_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "log.csv").write_text(log_text())
    (tmp_path / "p.csv").write_text("start,end,variant\n" + "".join(f"{k},{k + 90},A\n" for k in range(201, 900, 300)))
    read, own = [], truth_files._read_csv
    monkeypatch.setattr(truth_files, "_read_csv", lambda path: read.append(str(path)) or own(path))
    import_log(job(tmp_path, str(tmp_path / "log.csv"), passes=str(tmp_path / "p.csv")))
    assert read == [str(tmp_path / "p.csv")]
