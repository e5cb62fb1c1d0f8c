"""Tables of passes: round trips, what a spreadsheet makes of them, and every kind of bad table."""

import subprocess
import sys

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from teachlab.data.truth_files import find_truth, read_truth, write_truth
from teachlab.errors import TruthError
from teachlab.model.truth import Truth, TruthSource

TRUTH = Truth.from_arrays(
    [0, 10, 20],
    [5, 20, 30],
    detect=[True, False, True],
    label=["jar", 'seam, "wide"', ""],
    lot=["A", "A", "B"],
    source=TruthSource.SELF_LABELLED,
    uncertainty_samples=2.5,
)


def facts(truth):
    lot = None if truth.lot is None else truth.lot.tolist()
    columns = (truth.start.tolist(), truth.end.tolist(), truth.detect.tolist(), truth.label.tolist(), lot)
    return (*columns, truth.source, truth.uncertainty_samples)


@pytest.mark.parametrize("ending", ["parquet", "csv"])
@pytest.mark.parametrize("truth", [TRUTH, Truth.from_arrays([], []), Truth.from_arrays([7], [9])])
def test_round_trip(tmp_path, ending, truth):
    path = tmp_path / f"r.passes.{ending}"
    write_truth(path, truth)
    assert facts(read_truth(path, samples=30)) == facts(truth)
    first = path.read_bytes()
    write_truth(path, truth)
    assert path.read_bytes() == first


def test_passes_print_as_one_line():
    """In a notebook, 400 passes were 20,000 characters."""
    assert repr(TRUTH) == "<3 passes, 1 to ignore, 2 lots; self-labelled, borders ±2.5 samples>"
    assert len(repr(Truth.from_arrays(np.arange(10_000) * 10, np.arange(10_000) * 10 + 5))) < 100


def test_one_bit_anywhere_in_the_stored_passes_is_damage(tmp_path):
    place = tmp_path / "r.passes.parquet"
    starts = np.arange(40) * 100 + np.arange(40) % 7
    write_truth(place, Truth.from_arrays(starts, starts + 50, label=["jar"] * 40))
    raw = place.read_bytes()
    group = pq.ParquetFile(place).metadata.row_group(0)
    for part in map(group.column, range(2)):
        last = part.data_page_offset + part.total_compressed_size - 1
        for at in range(last - 8, last):
            place.write_bytes(raw[:at] + bytes([raw[at] ^ 1 << at % 8]) + raw[at + 1 :])
            with pytest.raises(TruthError, match="The file is damaged; copy it again"):
                read_truth(place)


def test_columns_are_those_of_the_contract(tmp_path):
    write_truth(tmp_path / "r.passes.parquet", TRUTH)
    schema = pq.read_schema(tmp_path / "r.passes.parquet")
    assert schema.names == ["start", "end", "label", "expect", "lot"]
    assert schema.types == [pa.int64(), pa.int64(), pa.string(), pa.string(), pa.string()]


def test_self_labelled_survives_pandas(tmp_path):
    write_truth(tmp_path / "a.parquet", TRUTH)
    pd.read_parquet(tmp_path / "a.parquet").iloc[1:].to_parquet(tmp_path / "b.parquet")
    assert facts(read_truth(tmp_path / "b.parquet")) == facts(TRUTH.select(slice(1, None)))


@pytest.mark.parametrize(
    "text",
    [
        '# teachlab.passes: {"schema": 1, "source": "self-labelled", "uncertainty_samples": 4}\nstart,end\n1,2\n',
        # as a spreadsheet saves it: the comment cut into cells, with a byte-order mark and CR LF
        '\ufeff"# teachlab.passes: {""schema"": 1"," ""source"": ""self-labelled""",'
        '" ""uncertainty_samples"": 4}"\r\nstart,end,\r\n1,2,\r\n',
        '"# teachlab.passes: {""schema"": 1, ""source"": ""self-labelled"", ""uncertainty_samples"": 4}";;\n'
        "start;end;label\n1;2;\n",
        '# teachlab.passes: {"schema": 1, "source": "self-labelled", "uncertainty_samples": 4};;\n\nstart;end;x\n1;2;\n',  # noqa: E501
    ],
)
def test_the_comment_survives_a_spreadsheet(tmp_path, text):
    path = tmp_path / "r.passes.csv"
    path.write_bytes(text.encode())
    truth = read_truth(path)
    assert (truth.source, truth.uncertainty_samples, truth.start.tolist()) == (TruthSource.SELF_LABELLED, 4.0, [1])


@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
def test_plain_csv_is_independent_and_in_doubt_by_a_sample(tmp_path, delimiter):
    rows = ["start,end,label,note", " 3 ,+7,cap,x", "9,12,,y"]
    path = tmp_path / "r.passes.csv"
    path.write_text("\n".join(rows).replace(",", delimiter))
    truth = read_truth(path)
    assert facts(truth) == ([3, 9], [7, 12], [True, True], ["cap", ""], None, TruthSource.INDEPENDENT, 1.0)


@pytest.mark.parametrize(
    "content",
    [
        b"start;end\n3,00;7,0\n9.0;12\n",
        "start\tend\n3\t7\n9\t12\n".encode("utf-16"),
        b"start,end,x\n3,7,\n,,\n9,12,a\n , ,\n,,\n",
    ],
)
def test_tables_as_spreadsheets_save_them(tmp_path, content):
    path = tmp_path / "r.passes.csv"
    path.write_bytes(content)
    truth = read_truth(path)
    assert (truth.start.tolist(), truth.end.tolist()) == ([3, 9], [7, 12])


def test_proposed_passes_that_lost_their_first_line_are_still_self_labelled(tmp_path):
    path = tmp_path / "r.passes.csv"
    path.write_text("end,start,doubt,reason\n7,3,0 %,\n")
    assert read_truth(path).source is TruthSource.SELF_LABELLED
    path.write_text("end,start,doubt\n7,3,0 %\n")
    assert read_truth(path).source is TruthSource.INDEPENDENT


def test_a_workbook_is_named_as_what_it_is(tmp_path):
    with pytest.raises(TruthError, match=r"this is a workbook\. Save the sheet of passes as CSV"):
        read_truth(tmp_path / "passes.xlsx")


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "there is no header"),
        ("start,end\n1,1.234\n", "row 0: must be a whole number, got '1.234'.*If the mark divides thousands, leave it"),
        ("start,end\n0,2.000\n", "row 0: must be a whole number, got '2.000'.*If the mark divides thousands, leave it"),
        ("# only a comment\n", "there is no header"),
        ("start,stop\n1,2\n", "column 'end' is missing; the columns are: start, stop"),
        ("start,end,end\n1,2,3\n", "names a column twice"),
        ("start,end\n1,2\n3.5,4\n", r"column 'start', row 1: must be a whole number, got '3.5'"),
        (f"start,end\n1,{10**18}\n", "row 0: must be a whole number, got '10+'.*It has too many digits"),
        ("start,end\n1,2\n3,x\n", r"column 'end', row 1: must be a whole number, got 'x'"),
        ("start,end\n1,2\n3,\n", r"column 'end', row 1: must be a whole number, got ''"),
        ("start,end\n1,2\n3\n", "not a table of 2 columns"),
        ("start,end\n1,99999999999999999999\n", r"column 'end', row 0: must be a whole number"),
        (
            "start,end,expect\n1,2,detect\n3,4,maybe\n",
            r"column 'expect', row 1: must be 'detect' or 'ignore', got 'may",
        ),
        ("start,end,expct\n1,2,ignore\n", "column 'expct' is not known; did you mean 'expect'"),
        ("start,end,Label\n1,2,jar\n", "column 'Label' is not known; did you mean 'label'"),
        ("start,end\n-1,2\n", "row 0: the pass from sample -1 to 2 starts before the recording"),
        (
            "start,end\n1,2\n9,9\n",
            "row 1: the pass from sample 9 to 9 does not end after its start. Correct the two, or swap them",
        ),
        ("start,end\n9,3\n", "row 0: the pass from sample 9 to 3 does not end after its start"),
        ("start,end\n5,6\n1,2\n", "row 1: column 'start' must ascend"),
        ("start,end\n1,5\n4,6\n", "row 1: the pass from sample 4 to 6 overlaps"),
        ("start,end\n1,5\n40,60\n", "row 1: the pass from sample 40 to 60 ends outside the recording of 50 samples"),
        ("# teachlab.passes: {x\nstart,end\n1,2\n", "not valid JSON"),
        ('# teachlab.passes: {"source": "me"}\nstart,end\n1,2\n', "source: must be 'independent'.*got 'me'"),
        ('# teachlab.passes: {"schema": 1}\nstart,end\n1,2\n', "key 'source' is missing"),
        (
            '# teachlab.passes: {"source": "generator", "uncertainty_samples": -1}\nstart,end\n1,2\n',
            "greater than or equal",
        ),
    ],
)
def test_bad_csv(tmp_path, text, message):
    path = tmp_path / "r.passes.csv"
    path.write_text(text)
    with pytest.raises(TruthError, match=message) as caught:
        read_truth(path, samples=50)
    assert str(path) in str(caught.value)


@pytest.mark.parametrize(
    ("columns", "message"),
    [
        ({"start": [1, None], "end": [2, 4]}, "column 'start', row 1: a position must not be empty, got None"),
        ({"start": [1.0, 2.5], "end": [2, 4]}, "column 'start', row 1: must be a whole number, got 2.5"),
        ({"start": [1.0, float("nan")], "end": [2, 4]}, "column 'start', row 1: must be a whole number, got nan"),
        # From 2⁵³ on floats leave whole numbers out: the one below is the last that is sure.
        ({"start": [2.0**53 - 1, 2.0**53], "end": [2.0**53, 2.0**53]}, "column 'start', row 1: must be a whole number"),
        ({"start": [True], "end": [2]}, r"column 'start' must hold whole sample indices \(int64\), got bool"),
        ({"start": ["a"], "end": [2]}, "column 'start', row 0: must be a whole number, got 'a'"),
        ({"start": pa.array([2**63], pa.uint64()), "end": [2]}, "row 0: must fit 64 bits"),
        ({"start": [1]}, "column 'end' is missing"),
        ({"start": [1], "end": [2], "expect": ["Ignore"]}, "row 0: must be 'detect' or 'ignore', got 'Ignore'"),
    ],
)
def test_bad_parquet(tmp_path, columns, message):
    path = tmp_path / "r.passes.parquet"
    pq.write_table(pa.table(columns), path)
    with pytest.raises(TruthError, match=message):
        read_truth(path)


def test_whole_floats_nulls_in_names_and_other_integers_are_fine(tmp_path):
    path = tmp_path / "r.passes.parquet"
    table = {"start": [1.0, 5.0], "end": pa.array([2, 6], pa.uint8()), "label": [None, "x"], "expect": [None, "ignore"]}
    pq.write_table(pa.table(table), path)
    truth = read_truth(path)
    assert (truth.start.tolist(), truth.label.tolist(), truth.detect.tolist()) == ([1, 5], ["", "x"], [True, False])


def test_no_such_table_and_not_parquet(tmp_path):
    (tmp_path / "x.passes.parquet").write_text("no")
    for name, message in {"none.passes.csv": "no such file", "x.passes.parquet": "not a readable Parquet file"}.items():
        with pytest.raises(TruthError, match=message):
            read_truth(tmp_path / name)


def test_the_table_beside_a_recording(tmp_path):
    recording = tmp_path / "line.3.parquet"
    assert find_truth(recording) is None
    write_truth(tmp_path / "line.3.passes.csv", TRUTH)
    assert find_truth(recording) == tmp_path / "line.3.passes.csv"
    write_truth(tmp_path / "line.3.passes.parquet", TRUTH)
    assert find_truth(recording) == tmp_path / "line.3.passes.parquet"
    assert find_truth(recording.as_uri()) == (tmp_path / "line.3.passes.parquet").as_uri()
    write_truth(tmp_path / "line.3.passes.csv", TRUTH.select(np.array([0])))
    with pytest.raises(TruthError, match="do not hold the same passes"):
        find_truth(recording)


def test_reading_passes_leaves_pandas_alone(tmp_path):
    """It takes longer to import than all the rest of a command."""
    for name, text in (("a.passes.csv", "start,end\n1,3\n5,9\n"), ("b.passes.csv", "start,end\n1,3\n+5,9\n")):
        (tmp_path / name).write_text(text)
    code = (
        "import sys\nfrom teachlab.data.truth_files import read_truth\n"
        f"print([read_truth(r'{tmp_path}/' + n).end.tolist() for n in ('a.passes.csv', 'b.passes.csv')])\n"
        "print('pandas' in sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.stdout.splitlines() == ["[[3, 9], [3, 9]]", "False"], done.stderr
