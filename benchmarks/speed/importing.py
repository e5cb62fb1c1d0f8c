"""How long the import of a log as text takes, beside pyarrow's own reading of the same file.

    python benchmarks/speed/importing.py --rows 2000000

The file has a column of times and one of light. Both are timed from a warm cache, the fastest of three (of one from ten
million rows on); pyarrow reads with all threads, and keeps everything in memory. The target is 2.5 times its time.
"""

from __future__ import annotations

import argparse
import resource
import tempfile
import time
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.csv as pacsv

from teachlab.data.importing import ImportJob, import_log
from teachlab.model.recording import RecordingInfo

BLOCK = 1 << 20


def write_log(path: Path, rows: int) -> None:
    rng = np.random.default_rng(1)
    schema = pa.schema([("time", pa.float64()), ("light", pa.int64())])
    with pacsv.CSVWriter(path, schema) as out:
        for a in range(0, rows, BLOCK):
            at = np.arange(a, min(a + BLOCK, rows))
            light = 100 + 800 * (at % 400 > 300) + rng.integers(0, 20, at.size)
            out.write_table(pa.table([np.round(at / 2000, 4), light], schema=schema))


def timed(call: object, times: int) -> float:
    best = float("inf")
    for _ in range(times):
        begin = time.perf_counter()
        call()  # type: ignore[operator]
        best = min(best, time.perf_counter() - begin)
    return best


def main() -> None:
    words = argparse.ArgumentParser()
    words.add_argument("--rows", type=int, default=2_000_000)
    rows = words.parse_args().rows
    with tempfile.TemporaryDirectory() as folder:
        log = Path(folder) / "log.csv"
        write_log(log, rows)
        info = RecordingInfo(sample_rate_hz=1.0, unit="mV")
        job = ImportJob(path=str(log), out=str(Path(folder) / "r.parquet"), info=info)
        times = 1 if rows >= 10_000_000 else 3
        import_log(
            ImportJob(path=str(log), out=str(Path(folder) / "warm.parquet"), info=info)
        ) if rows < 10**7 else None
        ours = timed(lambda: import_log(job), times)
        memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        theirs = timed(lambda: pacsv.read_csv(log), times)
        print(f"rows {rows:,} bytes {log.stat().st_size:,}")
        print(f"import {ours:.2f} s, pyarrow.csv.read_csv {theirs:.2f} s: {ours / theirs:.2f} times")
        print(f"memory at most {memory:.0f} MB before pyarrow's reading")


if __name__ == "__main__":
    main()
