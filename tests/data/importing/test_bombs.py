"""Small files that unpack to very much are refused in one message, without taking what they unpack to."""

import gzip
import resource
import subprocess
import sys
import zipfile
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.feather
import pyarrow.parquet as pq
import pytest
import scipy.io
import shell

from teachlab.data.importing.reading.mat_variables import variables_of
from teachlab.errors import ParameterError
from teachlab.model.memory import memory_of


@pytest.mark.parametrize(
    ("head", "piece", "told"),
    [
        (b"light\n", b"0" * 1_000_000, "a line is longer than 16 MB"),
        (b"", b"a," * 500_000, "dividers, more than the 100,000 columns"),
        (b'light\n"', b"0\n" * 500_000, "a number is needed|cannot be read"),
    ],
)
def test_text_without_ends_of_lines_is_no_log(tmp_path: Path, head: bytes, piece: bytes, told: str) -> None:
    with gzip.open(tmp_path / "log.csv.gz", "wb", 1) as out:
        out.write(head)
        for _ in range(100):
            out.write(piece)
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    words = ["import", str(tmp_path / "log.csv.gz"), "--unit", "mV", "--column", "light", "--rate", "100"]
    done = shell.run(*words, "--out", tmp_path / "made.parquet", code=2)
    assert any(one in " ".join(done.stderr.split()) for one in told.split("|")), done.stderr
    assert len(done.stderr) < 610
    assert not (tmp_path / "made.parquet").exists()
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before < 300_000  # KB, of 100 MB of text in 8 MB pieces


def test_a_table_of_very_many_columns_is_read_and_more_are_refused(tmp_path: Path) -> None:
    for columns, code in ((100_001, 0), (100_002, 2)):  # dividers: one fewer
        names = ",".join(f"s{k}" for k in range(columns))
        rows = "\n".join(",".join(str(k) if n == 7 else "0" for n in range(columns)) for k in range(3))
        (tmp_path / "log.csv").write_text(f"{names}\n{rows}\n")
        words = ["import", str(tmp_path / "log.csv"), "--unit", "mV", "--column", "s7", "--rate", "100"]
        done = shell.run(*words, "--out", tmp_path / f"made{code}.parquet", code=code)
        assert ("a line has 100,001 dividers" in " ".join(done.stderr.split())) == bool(code)
    assert pq.read_table(tmp_path / "made0.parquet").column("light").to_pylist() == [0, 1, 2]


@pytest.mark.parametrize("plain", [False, True])
@pytest.mark.parametrize(
    ("length", "rows", "told"), [(100_000, 300_000, "needs about"), (2_000, 3_000, "a text of 2,000 bytes")]
)
def test_text_that_unpacks_to_gigabytes_is_refused_with_the_figure(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, length: int, rows: int, told: str, plain: bool
) -> None:
    monkeypatch.chdir(tmp_path)
    texts = pa.DictionaryArray.from_arrays(pa.array(np.zeros(rows, np.int8)), pa.array(["x" * length]))
    start = 10 * np.arange(rows)
    tables = {
        "log": {"light": np.zeros(rows, np.uint8), "what": texts},
        "x.passes": {"start": start, "end": start + 5, "label": texts},
    }
    for name, columns in tables.items():
        table = pa.table(columns)
        if plain:  # as text without a dictionary in its schema
            table = table.replace_schema_metadata(None)
        pq.write_table(table, f"{name}.parquet", store_schema=not plain)
        assert Path(f"{name}.parquet").stat().st_size < 3_000_000
    for words in (
        "import log.parquet --unit mV --column light --rate 100 --truth-column what --out made.parquet",
        "import log.parquet --unit mV --column light --rate 100 --passes x.passes.parquet --out made.parquet",
    ):
        before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        done = shell.run(*words.split(), "--memory", "1", code=2)
        assert told in " ".join(done.stderr.split())
        assert len(done.stderr) < 610
        assert not Path("made.parquet").exists()
        assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before < 300_000


def feather(path: Path) -> None:
    pa.feather.write_feather(pa.table({"light": np.zeros(40_000_000)}), path, compression="zstd", chunksize=40_000_000)


def mat(path: Path) -> None:
    scipy.io.savemat(path, {"light": np.zeros(40_000_000)}, do_compression=True)


def hdf5(path: Path) -> None:
    with pytest.importorskip("h5py").File(path, "w") as file:
        file.create_dataset("light", shape=(40_000_000,), chunks=(40_000_000,), dtype="f8", compression="gzip")


def sheet(path: Path, cells: str) -> None:
    pytest.importorskip("python_calamine")
    office = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
    package = "http://schemas.openxmlformats.org/package/2006"
    main = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
    related = f'<Relationships xmlns="{package}/relationships"><Relationship Id="r1" Type="{office}'
    parts = {
        "[Content_Types].xml": f'<Types xmlns="{package}/content-types"/>',
        "_rels/.rels": f'{related}/officeDocument" Target="xl/workbook.xml"/></Relationships>',
        "xl/workbook.xml": f'<workbook xmlns="{main}" xmlns:r="{office}"><sheets>'
        '<sheet name="a" sheetId="1" r:id="r1"/></sheets></workbook>',
        "xl/_rels/workbook.xml.rels": f'{related}/worksheet" Target="worksheets/sheet1.xml"/></Relationships>',
        "xl/worksheets/sheet1.xml": f'<worksheet xmlns="{main}"><sheetData>{cells}</sheetData></worksheet>',
    }
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as out:
        for name, text in parts.items():
            out.writestr(name, text)


CELL = '<row r="1"><c r="A1"><v>1</v></c></row>'


def far_cell(path: Path) -> None:
    sheet(path, CELL + '<row r="1048576"><c r="XFD1048576"><v>1</v></c></row>')


def long_sheet(path: Path) -> None:
    sheet(path, CELL + " " * 200_000_000)


def lying_sheet(path: Path) -> None:
    long_sheet(path)
    content = bytearray(path.read_bytes())
    at = content.index(b"PK\x01\x02", content.rindex(b"xl/worksheets/sheet1.xml") - 60)
    content[at + 24 : at + 28] = (1000).to_bytes(4, "little")
    path.write_bytes(bytes(content))


@pytest.mark.parametrize(
    ("ending", "make"),
    [("feather", feather), ("mat", mat), ("h5", hdf5), ("xlsx", far_cell), ("xlsx", long_sheet), ("xlsx", lying_sheet)],
)
@pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="reads the peak of a process from /proc")
def test_packed_logs_are_refused_with_the_figure_before_they_are_unpacked(
    tmp_path: Path, ending: str, make: Callable[[Path], None]
) -> None:
    log = tmp_path / f"log.{ending}"
    make(log)
    assert log.stat().st_size < 1_000_000
    words = f"import {log} --unit mV --column 1 --rate 100 --out {tmp_path}/made.parquet".split()
    code = (
        "import re\nfrom typer.testing import CliRunner\nfrom teachlab.cli import app\n"
        f"done = CliRunner().invoke(app, {[*words, '--memory', '0.4']!r})\nprint(done.exit_code, done.stderr)\n"
        "print(re.search(r'VmHWM:\\s+(\\d+)', open('/proc/self/status').read())[1])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    *told, peak = done.stdout.split()
    assert told[0] == "2", done.stdout
    assert "needs about" in " ".join(told) or ("lying" in make.__name__ and "not a readable" in " ".join(told))
    assert "0.4 GB may be used" in " ".join(told) or "lying" in make.__name__
    assert not (tmp_path / "made.parquet").exists()
    assert int(peak) < 350_000  # KB


def test_a_feather_log_that_fits_is_read_and_a_damaged_footer_is_one_message(tmp_path: Path) -> None:
    light = np.repeat([30.0, 70.0], 20)
    log = tmp_path / "log.feather"
    words = f"import {log} --unit mV --column light --rate 100 --out {tmp_path}/a.parquet".split()
    for compression in ("zstd", "lz4", "uncompressed"):
        pa.feather.write_feather(pa.table({"light": light, "lot": ["a"] * 40}), log, compression=compression)
        done = shell.run(*words, "--memory", "1")
    whole = log.read_bytes()
    rng = np.random.default_rng(4)
    for _ in range(150):
        damaged = bytearray(whole)
        for at in rng.integers(len(whole) - 700, len(whole), 3):
            damaged[at] = rng.integers(256)
        log.write_bytes(bytes(damaged))
        done = shell.invoke(*words, "--memory", "1")
        assert done.exit_code in (0, 2), done.exception


def test_a_packed_variable_takes_its_size_twice(tmp_path: Path) -> None:
    """Unpacked it lies beside the part of the file that holds it: 320 kB need 640 kB."""
    scipy.io.savemat(tmp_path / "a.mat", {"light": np.arange(40_000.0)}, do_compression=True)
    (light,) = variables_of(str(tmp_path / "a.mat"))
    with memory_of(0.65e6):
        assert light.read(str(tmp_path / "a.mat")).size == 40_000
    with memory_of(0.63e6), pytest.raises(ParameterError, match=r"variable 'light' needs about 0\.00064 GB"):
        light.read(str(tmp_path / "a.mat"))
