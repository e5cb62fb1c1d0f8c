"""Logs into recordings: every format, every kind of passes, every fault of a row."""

import gzip
import json
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pyarrow as pa
import pyarrow.feather as feather
import pyarrow.parquet as pq
import pytest
from scipy.io import savemat, wavfile

from teachlab.data.importing import ImportJob, import_log
from teachlab.data.importing.interval_table import CountedIn
from teachlab.data.importing.reading.cells import StoredType
from teachlab.data.importing.reading.logs import open_log
from teachlab.data.importing.reading.text_log import TextOptions
from teachlab.data.importing.truth_columns import TruthKind
from teachlab.data.opening import open_pair
from teachlab.data.recording_files import read_recording, write_recording
from teachlab.data.truth_files import read_truth, write_truth
from teachlab.errors import InputError, ParameterError, RecordingError, TruthError
from teachlab.model.recording import LoggedOutput, Recording, RecordingInfo
from teachlab.model.truth import Truth, TruthSource

INFO = RecordingInfo(sample_rate_hz=1.0, unit="mV", full_scale=4095, title="Hobbleton Sleeves")
INFO_OF_NOTHING = RecordingInfo(sample_rate_hz=1.0, unit="?", title="line")


def write(path, content):
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    return path


def run(path, out=None, **options):
    job = ImportJob(path=str(path), out=str(out or path.parent / "out.parquet"), info=INFO, **options)
    return import_log(job)


def values(found):
    part = read_recording(found.recording).read(0, found.samples)
    return np.ma.masked_array(part.light, part.invalid_mask()).tolist()


def passes(found):
    truth = read_truth(found.truth_path, samples=found.samples)
    return list(zip(truth.start.tolist(), truth.end.tolist(), truth.label.tolist(), strict=True))


# --- text -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "options"),
    [
        ("t,light\n0,1.5\n1,2.5\n", {}),
        ("t;light\n0;1.5\n1;2.5\n", {}),
        ("t\tlight\n0\t1.5\n1\t2.5\n", {}),
        ("t|light\n0|1.5\n1|2.5\n", {}),
        ("t;light\n0;1,5\n1;2,5\n", {}),
        ("t;light\r\n0;1,5\r\n1;2,5\r\n", {"text": TextOptions(decimal="comma")}),
        ("light\n1,5\n2,5\n", {"text": TextOptions(decimal="comma")}),
        ('t,light\n0,"1,5"\n1,"2,5"\n', {"text": TextOptions(decimal=",")}),
        ("0,1.5\n1,2.5\n", {"column": "2"}),
        ("# a logger\n\n# mV\nt,light\n0,1.5\n1,2.5\n", {}),
        ("logger 7\nt,light\n0,1.5\n1,2.5\n", {"text": TextOptions(skip=1)}),
        ("7,8\n0,1.5\n1,2.5\n", {"column": "8", "text": TextOptions(header=True)}),
        ("t light\n0 1.5\n1 2.5\n", {"text": TextOptions(delimiter="space")}),
        ("\ufeffLicht,t\n 1.5 ,0\n2.5,1\n", {"column": "Licht"}),
        ("Licht µV,t\n1.5,0\n2.5,1\n".encode("latin-1"), {"column": "1", "text": TextOptions(encoding="latin-1")}),
        ("t\tlight\n0\t1.5\n1\t2.5\n".encode("utf-16"), {}),
    ],
)
def test_text_of_any_layout(tmp_path, text, options):
    found = run(write(tmp_path / "log.csv", text), rate_hz=1000.0, **options)
    assert values(found) == [1.5, 2.5]
    assert found.info.sample_rate_hz == 1000.0
    assert read_recording(found.recording).info == found.info
    assert found.truth is None


def test_compressed_text(tmp_path):
    found = run(write(tmp_path / "log.csv.gz", gzip.compress(b"light\n1\n2\n")), rate_hz=10)
    assert (values(found), found.dtype) == ([1, 2], "uint16")


@pytest.mark.parametrize(
    ("cells", "dtype", "expected"),
    [
        (["0", "65535"], "uint16", [0, 65535]),
        (["-1", "32767"], "int16", [-1, 32767]),
        (["-1", "40000"], "int32", [-1, 40000]),
        (["1", "5000000000"], "int64", [1, 5_000_000_000]),
        (["1", "2.5"], "float64", [1.0, 2.5]),
        (["1", "1e3"], "float64", [1.0, 1000.0]),
        (["1", ""], "uint16", [1, None]),
        (["NaN", "2.5"], "float64", [None, 2.5]),
        (["N/A", "3"], "uint16", [None, 3]),
    ],
)
def test_whole_numbers_from_text_get_the_smallest_sensible_type(tmp_path, cells, dtype, expected):
    text = "light,x\n" + "".join(f"{cell},0\n" for cell in cells)
    found = run(write(tmp_path / "log.csv", text), rate_hz=10)
    assert (found.dtype, values(found)) == (dtype, expected)
    assert found.invalid == expected.count(None)


def test_an_empty_line_in_a_single_column_keeps_its_place(tmp_path):
    assert values(run(write(tmp_path / "log.csv", "light\n1\n\n3\n"), rate_hz=10)) == [1, None, 3]


def test_types_are_found_over_the_whole_file_not_its_first_block(tmp_path, monkeypatch):
    monkeypatch.setattr("teachlab.data.importing.reading.text_log.BLOCK_BYTES", 64)
    text = "light,n\n" + "7,0\n" * 200 + "-7.25,0\n"
    found = run(write(tmp_path / "log.csv", text), rate_hz=10)
    assert (found.dtype, values(found)) == ("float64", [7.0] * 200 + [-7.25])


@pytest.mark.parametrize("text", ["time;light\n0,000;1,250\n0,100;2,500\n", "light\tx\n1,250\t0\n0,250\t0\n"])
def test_a_comma_that_divides_no_thousands_stands_before_a_fraction(tmp_path, text):
    """No number is written 0,100 for a hundred; what one column tells holds for the other."""
    found = run(write(tmp_path / "log.csv", text), rate_hz=10)
    assert values(found)[0] == 1.25


@pytest.mark.parametrize(
    ("text", "options", "message"),
    [
        ("", {}, "there are no rows"),
        ("light,x\n", {}, "there are no rows"),
        ("a,b\n1,2\n", {}, r"which column is the light\? .* 'a', 'b'"),
        ("level,b\n1,2\n", {"column": "levl"}, r"no column 'levl' \(--column\).*Did you mean 'level'"),
        ("level,b\n1,2\n", {"column": "3"}, "no column '3'"),
        ("light,light\n1,2\n", {"column": "light"}, "occurs 2 times. Give its number"),
        ("light,x\n1,0\n2,0\nhigh,0\n", {}, r"column 'light', row 2 \(line 4\): a number is needed, got 'high'"),
        ("#\nlight,x\n1,0\n1.2.3,0\n", {}, r"row 1 \(line 4\): a number is needed, got '1.2.3'"),
        ("light;x\n1234;0\n1,234;0\n", {}, "'1,234' may be a fraction or thousands"),
        ('light,x\n"1,5",0\n', {}, "got '1,5'. If this is a decimal comma: --decimal comma"),
        ("light,x\n1,0\n2\n", {}, "every row must have the 2 columns"),
        (b"light,x\n1,\xb5\n", {}, "not utf8.*--encoding latin-1"),
        (b"PK\x03\x04\x00\x00", {}, "damaged ZIP archive, which is not read"),
        (b"light,x\n1\x00,2\n", {}, "this is not text"),
        ("light,x\n1,0\n", {"text": TextOptions(encoding="klingon")}, "not known"),
    ],
)
def test_faults_of_text(tmp_path, text, options, message):
    with pytest.raises(InputError, match=message):
        run(write(tmp_path / "log.csv", text), rate_hz=10, **options)
    assert [p.name for p in tmp_path.iterdir()] == ["log.csv"]


def test_options_that_make_no_sense(tmp_path):
    log = write(tmp_path / "log.csv", "light,x\n1,0\n")
    for build, message in [
        (lambda: TextOptions(delimiter="ab"), "one character"),
        (lambda: TextOptions(decimal=":"), "point or comma"),
        (lambda: TextOptions(skip=-1), "at least 0 lines"),
        (lambda: run(log, tmp_path / "out.csv", rate_hz=1), "--out must end in .parquet"),
        (lambda: run(log), "the sample rate is not known"),
        (lambda: run(log, rate_hz=1, passes="a", truth_column="b"), "not from both"),
        (lambda: run(log, rate_hz=1, ignore=("a",)), "--ignore needs passes"),
        (lambda: run(log, rate_hz=1, time="x", no_time=True), "contradict"),
        (lambda: run(log, rate_hz=1, time="x", time_unit="week"), "--time-unit must be one of"),
    ]:
        with pytest.raises(ParameterError, match=message):
            build()


# --- binary formats -------------------------------------------------------------------------------


@pytest.mark.parametrize("dtype", ["u1", "i2", "u2", "i4", "f2", "f4", "f8"])
@pytest.mark.parametrize("ending", ["parquet", "feather"])
def test_binary_tables_keep_the_stored_type(tmp_path, ending, dtype):
    light = np.arange(100).astype(dtype)
    table = pa.table({"n": np.arange(100), "Light": pa.array(light, mask=np.arange(100) == 3)})
    path = tmp_path / f"log.{ending}"
    pq.write_table(table, path) if ending == "parquet" else feather.write_feather(table, path)
    found = run(path, column="Light", rate_hz=10)
    assert found.dtype == np.dtype(dtype)
    assert values(found) == [None if k == 3 else k for k in range(100)]


@pytest.mark.parametrize(
    ("column", "message"),
    [
        (pa.array([True, False]), "numbers are needed, the column holds bool"),
        (pa.array([[1], [2]]), "numbers are needed, the column holds list"),
        (pa.array(["1", "x"]), "row 1: a number is needed, got 'x'"),
    ],
)
def test_columns_that_hold_no_numbers(tmp_path, column, message):
    pq.write_table(pa.table({"light": column}), tmp_path / "log.parquet")
    with pytest.raises(RecordingError, match=message):
        run(tmp_path / "log.parquet", rate_hz=10)


def test_decimals_text_and_categories_in_a_binary_table(tmp_path):
    columns = {
        "a": pa.array([1, 2], pa.decimal128(6, 2)),
        "b": pa.array(["1", "2"]),
        "c": pa.array(["1", "2"]).dictionary_encode(),
    }
    pq.write_table(pa.table(columns), tmp_path / "log.parquet")
    for column, dtype in (("a", "float64"), ("b", "uint16"), ("c", "uint16")):
        found = run(tmp_path / "log.parquet", column=column, rate_hz=10)
        assert (values(found), found.dtype) == ([1, 2], dtype)


@pytest.mark.parametrize("dtype", ["uint8", "int16", "int32", "float32"])
def test_wav_brings_its_rate(tmp_path, dtype):
    stereo = np.column_stack([np.arange(50), np.arange(50) + 1]).astype(dtype)
    wavfile.write(tmp_path / "log.wav", 8000, stereo)
    found = run(tmp_path / "log.wav", column="2")
    assert (found.dtype, found.info.sample_rate_hz, found.rate_from) == (dtype, 8000.0, "file header")
    assert values(found) == list(range(1, 51))
    with pytest.raises(ParameterError, match="header says 8000 Hz, but --rate says 9000 Hz"):
        run(tmp_path / "log.wav", column="2", rate_hz=9000)
    with pytest.raises(ParameterError, match="which column is the light"):
        run(tmp_path / "log.wav")


def test_mat_vectors_and_matrices(tmp_path):
    content = {
        "light": np.array([[1.5], [2.5], [3.5]]),
        "row": np.array([[7, 8, 9]], np.int16),
        "both": np.array([[1, 10], [2, 20], [3, 30]], np.uint16),
        "t": np.array([[0.0], [0.02], [0.04]]),
        "name": "press 4",
        "scalar": 5.0,
    }
    savemat(tmp_path / "log.mat", content)
    assert values(run(tmp_path / "log.mat", rate_hz=10)) == [1.5, 2.5, 3.5]
    found = run(tmp_path / "log.mat", column="row", time="t")
    assert (values(found), found.dtype, found.info.sample_rate_hz) == ([7, 8, 9], "int16", 50.0)
    assert values(run(tmp_path / "log.mat", column="both:2", rate_hz=10)) == [10, 20, 30]
    with pytest.raises(ParameterError, match="no column 'scalar'"):
        run(tmp_path / "log.mat", column="scalar", rate_hz=10)
    savemat(tmp_path / "uneven.mat", {"light": np.arange(3.0), "t": np.arange(4.0)})
    with pytest.raises(ParameterError, match="of one length"):
        run(tmp_path / "uneven.mat", time="t")


@pytest.mark.parametrize("name", ["log.wav", "float.wav", "log.mat", "packed.mat"])
def test_a_damaged_header_is_told_whatever_it_says(tmp_path, name):
    """Every byte of the first 600 in turn; what SciPy's readers raise there ranges from struct.error to NameError."""
    file = tmp_path / name
    light = (np.sin(np.arange(60)) * 1000).astype(np.float32 if name == "float.wav" else np.int16)
    if name.endswith("wav"):
        wavfile.write(file, 1000, light)
    else:
        savemat(file, {"light": light}, do_compression=name == "packed.mat")
    sound = file.read_bytes()
    for k in range(0, min(600, len(sound)), 1 if name.endswith("wav") else 3):
        for damaged in (sound[:k], sound[:k] + bytes([sound[k] ^ 0xFF]) + sound[k + 1 :]):
            file.write_bytes(damaged)
            try:
                told = list(open_log(file, TextOptions()).columns)
            except RecordingError as error:
                told = str(error)
            assert told
            assert isinstance(told, list) or told.startswith(f"{file}: ")


def test_an_empty_wav_has_no_rows(tmp_path):
    wavfile.write(tmp_path / "log.wav", 1000, np.empty(0, np.int16))
    with pytest.raises(InputError, match="there are no rows"):
        run(tmp_path / "log.wav", column="1")


def test_a_mat_file_of_version_7_3_is_read_as_what_it_is(tmp_path):
    header = b"MATLAB 7.3 MAT-file".ljust(124, b" ") + b"\x00\x02IM"
    with pytest.raises(RecordingError, match=r"not a readable HDF5 file"):
        run(write(tmp_path / "log.mat", header.ljust(512, b"\0") + b"\x89HDF\r\n\x1a\n" + bytes(600)), rate_hz=1)


def test_a_format_says_which_extra_reads_it(tmp_path, monkeypatch):
    """As where the library is not installed."""
    monkeypatch.setattr("teachlab.data.importing.reading.measurement_formats._imported", lambda module: None)
    for start, extra in (
        (b"\x89HDF\r\n\x1a\n", "hdf5"),
        (b"TDSm", "tdms"),
        (b"MDF     ", "mdf"),
        (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1", "excel"),
    ):
        with pytest.raises(RecordingError, match=rf"read by the extra '{extra}': pip install 'teachlab\[{extra}\]'"):
            run(write(tmp_path / "log.bin", start + bytes(100)), rate_hz=1)


@pytest.mark.parametrize(
    ("name", "message"),
    [
        ("log.parquet", "not a readable Parquet file"),
        ("log.feather", "not a readable Feather"),
        ("log.wav", "not a readable WAV file"),
        ("log.mat", "not a readable MAT file"),
        ("log.xlsx", "not a readable Excel file"),
    ],
)
def test_files_that_are_not_what_their_name_says(tmp_path, name, message):
    with pytest.raises(RecordingError, match=message):
        run(write(tmp_path / name, "nothing of the kind"), rate_hz=1)
    with pytest.raises(RecordingError, match="no such file"):
        run(tmp_path / f"none-{name}", rate_hz=1)


# --- passes ---------------------------------------------------------------------------------------

COLUMNS = [
    (["0", "1", "1", "0", "1", ""], "auto", [(1, 3, ""), (4, 5, "")]),
    (["false", "True", "true", "FALSE", "true", ""], "auto", [(1, 3, ""), (4, 5, "")]),
    (["", "jar", "jar", "lid", "", "jar"], "auto", [(1, 3, "jar"), (3, 4, "lid"), (5, 6, "jar")]),
    (["0", "1", "1", "2", "0", "7"], "auto", [(1, 3, ""), (3, 4, ""), (5, 6, "")]),
    (["0", "1", "1", "2", "0", "7"], "number", [(1, 3, ""), (3, 4, ""), (5, 6, "")]),
    (["", "1.0", "1", "2.0", "0.0", "7"], "number", [(1, 3, ""), (3, 4, ""), (5, 6, "")]),
    (["", "1", "1", "2", "", "7"], "label", [(1, 3, "1"), (3, 4, "2"), (5, 6, "7")]),
    (["", "", "", "", "", ""], "auto", []),
]


@pytest.mark.parametrize(("cells", "kind", "expected"), COLUMNS)
@pytest.mark.parametrize("block", [1 << 22, 16])
def test_passes_from_a_text_column(tmp_path, monkeypatch, cells, kind, expected, block):
    monkeypatch.setattr("teachlab.data.importing.reading.text_log.BLOCK_BYTES", block)
    text = "light,seen\n" + "".join(f"5,{cell}\n" for cell in cells)
    found = run(write(tmp_path / "log.csv", text), rate_hz=10, truth_column="seen", truth_kind=TruthKind(kind))
    assert passes(found) == expected
    assert found.truth.source is TruthSource.INDEPENDENT


NONE_LEAVES = "a count of products tells when one came, not how long it was there"


@pytest.mark.parametrize(
    ("cells", "message"),
    [
        (["kein", "tub", "kein", "lid", "kein", "tub", "kein"], r"row 0 .*most of them 'kein'.*: --missing kein\."),
        (["", "0", "1", "1", "2", "3", "4", "5"], rf"row 2 .*has a pass number, 5 in all: {NONE_LEAVES}"),
    ],
)
def test_a_column_that_never_says_that_nothing_is_there(tmp_path, cells, message):
    text = "light,seen\n" + "".join(f"5,{cell}\n" for cell in cells)
    log = write(tmp_path / "log.csv", text)
    with pytest.raises(TruthError, match=message):
        run(log, rate_hz=10, truth_column="seen")
    if "kein" in cells:
        found = run(log, rate_hz=10, truth_column="seen", text=TextOptions(missing=("kein",)))
        assert passes(found) == [(1, 2, "tub"), (3, 4, "lid"), (5, 6, "tub")]


@pytest.mark.parametrize(("yes", "no"), [("SI", "NO"), ("Ja", "Nein"), ("oui", "non"), ("да", "нет")])
def test_yes_and_no_of_other_languages_are_a_flag(tmp_path, yes, no):
    text = "light,seen\n" + "".join(f"5,{cell}\n" for cell in (no, yes, yes, no, yes, no))
    found = run(write(tmp_path / "log.csv", text), rate_hz=10, truth_column="seen")
    assert passes(found) == [(1, 3, ""), (4, 5, "")]


@pytest.mark.parametrize(
    ("cell", "hint"),
    [
        ("1.539,8", "without marks between thousands"),
        ("1,234,567", "without marks between thousands"),
        ("OVL", "If it stands for no value: --missing OVL"),
        ("# #", "If it stands for no value: --missing '# #'"),
    ],
)
def test_a_cell_that_is_no_number_is_told_with_its_remedy(tmp_path, cell, hint):
    log = write(tmp_path / "log.csv", f"light;seen\n5,5;0\n{cell};0\n")
    with pytest.raises(RecordingError, match=rf"row 1 \(line 3\): a number is needed, got .*{hint}"):
        run(log, rate_hz=10, column="light")


@pytest.mark.parametrize(
    ("column", "expected"),
    [
        (pa.array([False, True, True, None, True, False]), [(1, 3, ""), (4, 5, "")]),
        (pa.array([0, 1, 1, 2, None, 3], pa.uint8()), [(1, 3, ""), (3, 4, ""), (5, 6, "")]),
        (pa.array([0.0, 1.0, 1.0, 2.0, float("nan"), None]), [(1, 3, ""), (3, 4, "")]),
        (pa.array([None, "a", "a", " b ", "", "b"]).dictionary_encode(), [(1, 3, "a"), (3, 4, "b"), (5, 6, "b")]),
    ],
)
def test_passes_from_a_binary_column(tmp_path, column, expected):
    pq.write_table(pa.table({"light": np.arange(6), "seen": column}), tmp_path / "log.parquet")
    found = run(tmp_path / "log.parquet", rate_hz=10, truth_column="seen")
    assert passes(found) == expected


@pytest.mark.parametrize(
    ("cells", "kind", "message"),
    [
        (
            ["0", "1", "2"],
            "flag",
            r"column 'seen', row 2 \(line 4\): a flag must be 0/1, true/false or yes/no, got '2'",
        ),
        (["0", "1", "-1"], "number", "row 2 .*at least 0 .*got '-1'"),
        (["0", "1", "1.5"], "number", "row 2 .*got '1.5'"),
        (["0", "1", "x"], "number", "row 2 .*got 'x'"),
    ],
)
def test_cells_that_do_not_fit_their_kind(tmp_path, cells, kind, message):
    text = "light,seen\n" + "".join(f"5,{cell}\n" for cell in cells)
    with pytest.raises(TruthError, match=message):
        run(write(tmp_path / "log.csv", text), rate_hz=10, truth_column="seen", truth_kind=TruthKind(kind))


def test_a_measured_signal_is_no_truth_column(tmp_path):
    table = pa.table({"light": np.arange(40_000), "x": np.arange(40_000) % 777, "y": np.arange(40_000) / 3})
    pq.write_table(table, tmp_path / "log.parquet")
    with pytest.raises(TruthError, match="does not say which object is in view"):
        run(tmp_path / "log.parquet", rate_hz=10, truth_column="x")
    with pytest.raises(TruthError, match="row 1: a flag or a pass number must be whole"):
        run(tmp_path / "log.parquet", rate_hz=10, truth_column="y")


def test_labels_to_ignore_and_where_the_passes_come_from(tmp_path):
    log = write(tmp_path / "log.csv", "light,seen\n1,\n2,jar\n3,seam\n4,\n")
    options = {"rate_hz": 10, "truth_column": "seen", "source": TruthSource.SELF_LABELLED, "uncertainty_samples": 2}
    truth = run(log, ignore=("seam",), **options).truth
    assert (truth.detect.tolist(), truth.source, truth.uncertainty_samples) == ([True, False], "self-labelled", 2)
    with pytest.raises(TruthError, match=r"--ignore 'seem': .* labels are: 'jar', 'seam'"):
        run(log, ignore=("seem",), **options)


def test_a_table_of_intervals_in_samples(tmp_path):
    log = write(tmp_path / "log.csv", "light,x\n" + "5,0\n" * 100)
    table = write(tmp_path / "seen.csv", "from;to;label;expect\n10;20;jar;detect\n20;30;seam;ignore\n")
    found = run(log, rate_hz=1000, passes=str(table), pass_start="from", pass_end="to")
    assert passes(found) == [(10, 20, "jar"), (20, 30, "seam")]
    assert found.truth.detect.tolist() == [True, False]
    with pytest.raises(TruthError, match=r"seen.csv.*column 'start' is missing"):
        run(log, rate_hz=1000, passes=str(table))


@pytest.mark.parametrize("text", ["start,end\n0.01,0.0202\n0.05,0.06\n", "start;end\n0,01;0,0202\n0,05;0,06\n"])
def test_a_table_of_intervals_in_seconds(tmp_path, text):
    log = write(tmp_path / "log.csv", "light,x\n" + "5,0\n" * 100)
    found = run(log, rate_hz=1000, passes=str(write(tmp_path / "seen.csv", text)), passes_in=CountedIn.SECONDS)
    assert [(a, b) for a, b, _ in passes(found)] == [(10, 21), (50, 60)]


def test_a_table_of_intervals_in_the_times_of_the_log(tmp_path):
    rows = "".join(f"{1714564800 + k / 10:.1f},5\n" for k in range(100))
    log = write(tmp_path / "log.csv", "time,light\n" + rows)
    table = write(tmp_path / "seen.csv", "start,end\n1714564801,1714564802.5\n")
    found = run(log, passes=str(table), passes_in=CountedIn.TIME)
    assert [(a, b) for a, b, _ in passes(found)] == [(10, 25)]

    stamps = "".join(f"2024-05-01 12:00:0{k // 10}.{k % 10},5\n" for k in range(100))
    log = write(tmp_path / "stamps.csv", "time,light\n" + stamps)
    table = write(tmp_path / "seen.csv", "start,end\n2024-05-01T12:00:01,2024-05-01T12:00:02.5\n")
    found = run(log, passes=str(table), passes_in=CountedIn.TIME)
    assert [(a, b) for a, b, _ in passes(found)] == [(10, 25)]

    with pytest.raises(ParameterError, match="needs a time column"):
        run(log, rate_hz=10, no_time=True, passes=str(table), passes_in=CountedIn.TIME)


@pytest.mark.parametrize(
    ("head", "counted", "expected"),
    [
        ("start_ms,end_ms", "samples", "'start_ms' is named as ms, and --passes-in samples.* Say --passes-in ms."),
        ("start_ms,end_ms", "s", "column 'start_ms' is named as ms, and --passes-in s counts seconds. Say"),
        ("start_us,end_us", "ms", "'start_us' is named as us, and --passes-in ms .*Give ms, or say --passes-in time"),
        ("start_ms,end_ms", "ms", [(1, 3)]),
        ("start_s,end_s", "samples", "column 'start_s' is named as s, .*Say --passes-in s."),
        ("start_ms,end_ms", "time", [(1, 3)]),
    ],
)
def test_a_table_counts_in_the_unit_that_its_columns_name(tmp_path, head, counted, expected):
    log = write(tmp_path / "log.csv", "time,light\n" + "".join(f"{k / 100:.2f},5\n" for k in range(100)))
    table = write(tmp_path / "seen.csv", f"{head}\n10,30\n")
    start, end = head.split(",")
    options = {"passes": str(table), "passes_in": CountedIn(counted), "pass_start": start, "pass_end": end}
    if isinstance(expected, str):
        with pytest.raises(TruthError, match=expected):
            run(log, **options)
    else:
        assert [(a, b) for a, b, _ in passes(run(log, **options))] == expected


@pytest.mark.parametrize(
    ("text", "counted", "message"),
    [
        ("start,end\n10,200\n", "samples", "ends outside the recording of 100 samples"),
        ("start,end\n10,20.5\n", "samples", "column 'end', row 0: must be a whole number"),
        ("start,end\n20,30\n10,15\n", "samples", "must ascend"),
        ("start,end\n20,30\n20,30\n", "samples", "row 1: the pass from sample 20 to 30 is that of row 0 again"),
        (
            "start,duration\n20,30\n",
            "samples",
            "'duration' is named as a length, .* Give a column 'end', start . length",
        ),
        ("start,end\n00:01,00:02\n", "time", "needs a time column in the log. Name it"),
        ("start,end\n0.01,x\n", "s", "column 'end', row 0: a number is needed, got 'x'"),
        ("start,end\n0.01,\n", "s", "column 'end', row 0: a number is needed, got ''. Every pass"),
        ("start,end\n0.01,0.0101\n0.0102,0.0103\n", "s", "row 1: .* does not end after its start"),
    ],
)
def test_faults_of_interval_tables(tmp_path, text, counted, message):
    log = write(tmp_path / "log.csv", "light,x\n" + "5,0\n" * 100)
    table = write(tmp_path / "seen.csv", text)
    with pytest.raises(InputError, match=message) as caught:
        run(log, rate_hz=1000, passes=str(table), passes_in=CountedIn(counted))
    assert "seen.csv" in str(caught.value)
    assert not (tmp_path / "out.parquet").exists()


# --- files ----------------------------------------------------------------------------------------


def test_inputs_are_never_overwritten_and_stale_passes_are_noticed(tmp_path):
    log = tmp_path / "log.parquet"
    pq.write_table(pa.table({"light": [1, 2, 3], "seen": [0, 1, 0]}), log)
    with pytest.raises(ParameterError, match="this is the log itself"):
        run(log, log, rate_hz=10)
    run(log, rate_hz=10, truth_column="seen")
    run(log, rate_hz=10, truth_column="seen")
    with pytest.raises(TruthError, match=r"out.passes.parquet: this table of passes lies beside --out already"):
        run(log, rate_hz=10)
    with pytest.raises(ParameterError, match="this is the table of passes itself"):
        run(log, rate_hz=10, passes=str(tmp_path / "out.passes.parquet"))


def test_light_above_full_scale_is_told(tmp_path):
    found = run(write(tmp_path / "log.csv", "light\n" + "5000\n4000\n" * 50), rate_hz=1000)
    assert any("goes up to 5000, beyond the full scale of 4095" in note for note in found.notes)


def test_names_of_columns_may_be_longer_than_the_first_piece(tmp_path):
    names, cells = ",".join(f"column_{k}" for k in range(9000)), ",".join("1" * 9000)
    log = write(tmp_path / "log.csv", f"{names},light\n" + "".join(f"{cells},{k}\n" for k in range(9)))
    assert values(run(log, rate_hz=1000, column="light")) == list(range(9))


@pytest.mark.parametrize("seed", range(40))
def test_a_number_that_lies_alone_is_that_of_a_plain_loop(seed):
    rng = np.random.default_rng(seed)
    light = rng.integers(100, 900, 400)
    light[rng.integers(0, 400, rng.integers(0, 8))] = rng.choice([65535, -9999, 1500, 2500, -800])
    kind = StoredType()
    written = light.astype(np.float64) if seed % 2 else light
    for piece in np.split(written, np.sort(rng.integers(0, 400, 5))):
        kind.push(pa.array(piece), from_text=True)
        kind.push(pa.array([None, np.nan, np.inf], pa.float64()), from_text=True)
    assert (kind.invalid, kind.beyond) == (12, 6)
    expected = None
    levels = sorted(set(light.tolist()))
    for code, others in ((levels[-1], levels[:-1]), (levels[0], levels[1:])):
        away = min(abs(code - other) for other in others)
        if (light == code).sum() <= 4 and away > others[-1] - others[0] and expected is None:
            expected = code, int((light == code).sum()), others[0], others[-1]
    found = kind.apart(400)
    assert (found and (found[0].sign * found[0].end, found[0].count, *found[1:])) == expected


def test_the_same_log_gives_the_same_bytes(tmp_path):
    log = write(tmp_path / "log.csv", "light,seen\n1,\n2,jar\n3,\n")
    once = run(log, tmp_path / "a.parquet", rate_hz=10, truth_column="seen")
    again = run(log, tmp_path / "b.parquet", rate_hz=10, truth_column="seen")
    for one, other in ((once.recording, again.recording), (once.truth_path, again.truth_path)):
        with open(one, "rb") as a, open(other, "rb") as b:
            assert a.read() == b.read()
    stored = pq.ParquetFile(once.recording).metadata.metadata[b"teachlab.recording"]
    assert json.loads(stored)["title"] == "Hobbleton Sleeves"


# --- a part of a recording ------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(25))
def test_a_part_holds_the_same_samples_and_the_passes_that_lie_in_it(seed, tmp_path):
    rng = np.random.default_rng(seed)
    samples, rate = int(rng.integers(200, 200_000)), float(rng.choice([100.0, 333.3, 20_000.0]))
    # Borders in turn: some passes touch, and some gaps are long.
    borders = np.unique(rng.integers(0, samples, int(rng.integers(2, 40))))
    start, end = borders[:-1:2], borders[1::2]
    light = rng.normal(100, 5, samples).astype(np.float32)
    light[rng.random(samples) < 0.01] = np.nan
    began = datetime(2026, 3, 1, 6, tzinfo=UTC)
    info = RecordingInfo(sample_rate_hz=rate, unit="mV", output=LoggedOutput(), began=began)
    output = rng.random(samples) < 0.5
    line = tmp_path / "line.parquet"
    digest = write_recording(line, Recording.from_array(light, info, output=output))
    lots = [f"lot {k % 3}" for k in range(start.size)]
    whole = Truth.from_arrays(start, end, lot=lots, except_=((0, 5), (samples - 9, samples)))
    write_truth(tmp_path / "line.passes.parquet", whole.tied_to(digest))

    from_s, to_s = np.sort(rng.uniform(0, samples / rate, 2)).tolist()
    told = []
    given = ImportJob(path=str(line), out=str(tmp_path / "part.parquet"), info=info, unit_given=False,
                      from_s=from_s, to_s=to_s)  # fmt: skip
    found = import_log(replace(given, info=INFO_OF_NOTHING), progress=told.append)

    first, stop = -(-from_s * rate // 1), -(-to_s * rate // 1)
    for a, b in zip(
        start.tolist(), end.tolist(), strict=True
    ):  # a border inside a pass goes out to the middle of a gap
        if a < first < b:
            first = (max([one for one in end.tolist() if one <= a], default=0) + a) // 2
            break
    for a, b in zip(start.tolist(), end.tolist(), strict=True):
        if a < stop < b:
            stop = (b + min([one for one in start.tolist() if one >= b], default=samples) + 1) // 2
            break
    first, stop = int(first), int(stop)
    part, truth = open_pair(found.recording)
    assert part.samples == found.samples == stop - first
    assert np.array_equal(part.read(0, stop - first).as_float(), light[first:stop].astype(float), equal_nan=True)
    assert found.invalid == np.isnan(light[first:stop]).sum()
    assert part.source.output(0, stop - first).tolist() == output[first:stop].tolist()
    inside = [k for k in range(start.size) if first <= start[k] and end[k] <= stop]
    assert truth.start.tolist() == [start[k] - first for k in inside]
    assert truth.end.tolist() == [end[k] - first for k in inside]
    assert truth.lot is None or truth.lot.tolist() == [lots[k] for k in inside]
    # No product is cut, so none is taken for background.
    overlap = [k for k in range(start.size) if start[k] < stop and end[k] > first]
    assert overlap == inside
    moved = (first, stop) != (-(-from_s * rate // 1), -(-to_s * rate // 1))
    told_so = f"The part goes from {first / rate:.9g} s to {stop / rate:.9g} s: a cut would have divided a pass."
    assert list(found.notes) == [told_so] * moved
    assert abs((part.info.began - began).total_seconds() - first / rate) < 1e-6
    assert told[-1] == 1.0


@pytest.mark.parametrize(
    ("options", "said"),
    [
        ({"from_s": 5.0, "to_s": 4.0}, "which lasts 10 s, and --from before --to; got 5 and 4 s."),
        ({"from_s": 10.0}, "got 10 and 10 s."),
        ({"to_s": 10.1}, "got 0 and 10.1 s."),
        ({"to_s": 4.0, "rate_hz": 50.0}, "Leave the other options out."),
        ({"to_s": 4.0, "unit_given": True}, "Leave the other options out."),
        ({"to_s": 4.0, "append": True}, "Leave the other options out."),
    ],
)
def test_a_part_lies_in_its_recording_and_is_not_changed(options, said, tmp_path):
    line = tmp_path / "line.parquet"
    write_recording(line, Recording.from_array(np.zeros(100), RecordingInfo(sample_rate_hz=10.0, unit="counts")))
    job = ImportJob(path=str(line), out=str(tmp_path / "part.parquet"), info=INFO_OF_NOTHING, unit_given=False)
    with pytest.raises(ParameterError) as refused:
        import_log(replace(job, **options))
    assert str(refused.value).endswith(said)
    assert [one.name for one in tmp_path.iterdir()] == ["line.parquet"]


@pytest.mark.parametrize(("from_s", "to_s", "kept"), [(9.95, None, [99]), (0.0, 0.04, [0]), (3.31, 3.39, [33])])
def test_a_part_shorter_than_a_sample_is_one_sample(from_s, to_s, kept, tmp_path):
    line = tmp_path / "line.parquet"
    write_recording(line, Recording.from_array(np.arange(100), RecordingInfo(sample_rate_hz=10.0, unit="counts")))
    job = ImportJob(path=str(line), out=str(tmp_path / "part.parquet"), info=INFO_OF_NOTHING, unit_given=False)
    assert values(import_log(replace(job, from_s=from_s, to_s=to_s))) == kept


def test_a_log_has_no_parts_before_it_is_imported(tmp_path):
    with pytest.raises(RecordingError, match="made from a log by import"):
        run(write(tmp_path / "log.csv", "light\n1\n2\n"), rate_hz=10.0, from_s=0.1)
