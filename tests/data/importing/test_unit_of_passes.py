"""Positions of passes in another unit than they are read in: the light tells, or a person is asked."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from teachlab.data.importing import Imported, ImportJob, import_log
from teachlab.data.importing.interval_table import CountedIn
from teachlab.errors import TruthError
from teachlab.model.recording import RecordingInfo

UNITS = {"samples": None, "ms": 1000.0, "s": 1.0}


def line(folder: Path, seed: int, rate: float, *, regular: bool = False) -> tuple[np.ndarray, np.ndarray]:
    """Write a log of light that rises at passes; return their begins and ends, s."""
    rng = np.random.default_rng(seed)
    count, every = int(rng.integers(6, 40)), 0.3
    length, gap = (0.1 * np.ones(count), 0.2 * np.ones(count)) if regular else rng.uniform(0.05, 0.3, (2, count))
    start = 0.2 + np.cumsum(gap) + np.cumsum(length) - length
    end = start + length
    at = np.arange(int((end[-1] + every) * rate)) / rate
    seen = (at[:, None] >= start) & (at[:, None] < end)
    light = 100 + 500 * seen.any(axis=1) + rng.normal(0, 8, at.size)
    pq.write_table(pa.table({"light": light.round().astype(np.int16)}), folder / "log.parquet")
    return start, end


def imported(folder: Path, rate: float, start: np.ndarray, end: np.ndarray, *, stated: str | None) -> Imported:
    text = "".join(f"{a},{b}\n" for a, b in zip(start, end, strict=True))
    (folder / "seen.csv").write_text("start,end\n" + text)
    log, table, out = (str(folder / name) for name in ("log.parquet", "seen.csv", "out.parquet"))
    counted = None if stated is None else CountedIn(stated)
    info = RecordingInfo(sample_rate_hz=rate, unit="mV")
    return import_log(ImportJob(path=log, out=out, info=info, rate_hz=rate, passes=table, passes_in=counted))


def whole(times: np.ndarray, written: str, rate: float) -> np.ndarray:
    return np.round(times * (UNITS[written] or rate)).astype(int)


@pytest.mark.parametrize("rate", [1500.0, 2000.0, 5000.0, 20000.0])
@pytest.mark.parametrize("seed", range(4))
def test_whole_ms_are_never_read_as_samples_without_a_word(tmp_path: Path, seed: int, rate: float) -> None:
    times = line(tmp_path, seed, rate)
    table = [whole(at, "ms", rate) for at in times]
    with pytest.raises(
        TruthError, match=r"as samples they end at \d+ % .*do not follow the light; as ms they end at 9"
    ):
        imported(tmp_path, rate, *table, stated=None)
    assert not (tmp_path / "out.parquet").exists()
    (note,) = imported(tmp_path, rate, *table, stated="samples").notes
    assert note.endswith("If that is the unit of its positions: --passes-in ms.")
    found = imported(tmp_path, rate, *table, stated="ms")
    assert not found.notes
    assert found.truth is not None
    assert found.truth.start.tolist() == [-int(-at * rate // 1000) for at in table[0].tolist()]
    assert found.truth.uncertainty_samples >= rate / 1000


@pytest.mark.parametrize("rate", [100.0, 500.0, 1000.0, 2000.0, 20000.0])
@pytest.mark.parametrize("seed", range(4))
def test_samples_are_read_without_a_question(tmp_path: Path, seed: int, rate: float) -> None:
    times = line(tmp_path, seed, rate)
    table = [whole(at, "samples", rate) for at in times]
    found = imported(tmp_path, rate, *table, stated=None)
    assert not found.notes
    assert found.truth is not None
    assert found.truth.start.tolist() == table[0].tolist()


def test_the_first_passes_alone_in_samples_are_no_question(tmp_path: Path) -> None:
    start, end = (whole(at, "samples", 2000.0) for at in line(tmp_path, 3, 2000.0))
    assert start.size > 12
    assert not imported(tmp_path, 2000.0, start[:6], end[:6], stated=None).notes


def test_a_regular_line_that_fits_both_ways_is_asked_about(tmp_path: Path) -> None:
    table = [whole(at, "ms", 2000.0) for at in line(tmp_path, 0, 2000.0, regular=True)]
    with pytest.raises(TruthError, match=r"and follow the light; as ms .* and follow the light. Say in which unit"):
        imported(tmp_path, 2000.0, *table, stated=None)


def test_where_the_light_does_not_tell_the_other_unit_is_told(tmp_path: Path) -> None:
    line(tmp_path, 0, 2000.0)
    two = np.array([1000, 2000]), np.array([1100, 2100])
    (note,) = imported(tmp_path, 2000.0, *two, stated=None).notes
    assert "as ms they end at" in note
    assert "If that is the unit of its positions: --passes-in ms or --passes-in samples." in note


@pytest.mark.parametrize(
    ("rate", "written", "stated", "mend"),
    [
        (500.0, "ms", None, "--passes-in ms."),
        (500.0, "ms", "s", "--passes-in ms."),
        (2000.0, "samples", "s", "--passes-in samples."),
        (2000.0, "samples", "ms", "--passes-in samples."),
    ],
)
def test_passes_outside_the_recording_name_the_unit_in_which_they_are_inside(
    tmp_path: Path, rate: float, written: str, stated: str | None, mend: str
) -> None:
    table = [whole(at, written, rate) for at in line(tmp_path, 1, rate)]
    with pytest.raises(TruthError, match=r"Are the positions in another unit\?") as caught:
        imported(tmp_path, rate, *table, stated=stated)
    assert str(caught.value).endswith(mend)


def test_samples_beside_a_log_in_ms_are_not_read_as_its_times_without_a_word(tmp_path: Path) -> None:
    start, end = line(tmp_path, 2, 400.0)
    light = pq.read_table(tmp_path / "log.parquet")["light"]
    at = pa.array(np.arange(len(light)) * 2.5)
    pq.write_table(pa.table({"time_ms": at, "light": light}), tmp_path / "log.parquet")
    borders = zip(whole(start, "samples", 400), whole(end, "samples", 400), strict=True)
    (tmp_path / "seen.csv").write_text("start,end\n" + "".join(f"{a},{b}\n" for a, b in borders))
    log, table, out = (str(tmp_path / name) for name in ("log.parquet", "seen.csv", "out.parquet"))
    job = ImportJob(
        path=log, out=out, info=RecordingInfo(sample_rate_hz=1.0, unit="mV"), passes=table, passes_in=CountedIn.TIME
    )
    assert any("--passes-in samples" in note for note in import_log(job).notes)


@pytest.mark.parametrize(("within", "times"), [("clock", 1485), ("countdown", 1485), ("stamp", 1485), ("ms", 15)])
def test_a_time_within_a_pass_is_no_pass_number(tmp_path: Path, within: str, times: int) -> None:
    rows = np.arange(3000)
    since = rows % 200 - 100
    seen = since >= 0
    told = {"clock": 5 * since + 5, "countdown": 500 - 5 * since, "stamp": 2 * rows, "ms": 1 + since // 90}[within]
    table = {"light": 100 + 500 * seen, "state": np.where(seen, told, 0)}
    pq.write_table(pa.table(table), tmp_path / "log.parquet")
    job = ImportJob(
        path=str(tmp_path / "log.parquet"), out=str(tmp_path / "out.parquet"), rate_hz=1000.0,
        info=RecordingInfo(sample_rate_hz=1000.0, unit="mV"), truth_column="state", column="light",
    )  # fmt: skip
    with pytest.raises(TruthError, match=rf"the number changes while an object is in view, as it does {times} times"):
        import_log(job)


def test_products_that_touch_have_numbers(tmp_path: Path) -> None:
    rows, which = np.arange(8000), np.tile(np.repeat([0, 1, 2, 0, 3, 0], [25, 50, 25, 25, 25, 50]), 40)
    table = {"light": 100 + 500 * (which > 0), "product": np.where(which, 3 * (rows // 200) + which, 0)}
    pq.write_table(pa.table(table), tmp_path / "log.parquet")
    job = ImportJob(
        path=str(tmp_path / "log.parquet"), out=str(tmp_path / "out.parquet"), rate_hz=1000.0, column="light",
        info=RecordingInfo(sample_rate_hz=1000.0, unit="mV"), truth_column="product",
    )  # fmt: skip
    found = import_log(job).truth
    assert found is not None
    assert found.passes == 120
    assert np.count_nonzero(found.start[1:] == found.end[:-1]) == 40
