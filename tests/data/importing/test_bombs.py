"""Small files that unpack to very much are refused in one message, without taking what they unpack to."""

import gzip
import resource
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from typer.testing import CliRunner

from teachlab.cli import app


@pytest.mark.parametrize(
    ("head", "piece", "told"),
    [
        (b"light\n", b"0" * 1_000_000, "a line is longer than 16 MB"),
        (b"", b"a," * 500_000, "a line is longer than 16 MB|there is no column"),
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
    done = CliRunner().invoke(app, [*words, "--out", str(tmp_path / "made.parquet")])
    assert done.exit_code == 2, done.output
    assert any(one in " ".join(done.stderr.split()) for one in told.split("|")), done.stderr
    assert len(done.stderr) < 610
    assert not (tmp_path / "made.parquet").exists()
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before < 300_000  # KB, of 100 MB of text in 8 MB pieces


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
        done = CliRunner().invoke(app, [*words.split(), "--memory", "1"])
        assert done.exit_code == 2, done.output
        assert told in " ".join(done.stderr.split())
        assert len(done.stderr) < 610
        assert not Path("made.parquet").exists()
        assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before < 300_000
