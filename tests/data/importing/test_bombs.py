"""Small files that unpack to very much are refused in one message, without taking what they unpack to."""

import gzip
import resource
from pathlib import Path

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
