"""The edges of an output as a table."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.csv as pacsv
import pyarrow.parquet as pq

from teachlab.data.addresses import ending_of
from teachlab.data.atomic_files import write_aside
from teachlab.errors import ParameterError
from teachlab.model.arrays import Integers


def write_edges(path: str | Path, onsets: Integers, releases: Integers, sample_rate_hz: float) -> None:
    """Write onsets and releases in time order, as CSV or Parquet by the ending of the name.

    Columns: `sample` (int64), `time_s` (seconds from the first sample) and `active` (true for an onset).
    Raises ParameterError if the name has another ending.
    """
    samples = np.concatenate((onsets, releases))
    order = np.argsort(samples, kind="stable")
    active = (np.arange(samples.size) < onsets.size)[order]
    samples = samples[order]
    table = pa.table({"sample": samples, "time_s": samples / sample_rate_hz, "active": active})
    suffix = ending_of(path)
    if suffix not in {".csv", ".parquet"}:
        raise ParameterError(f"edges are written as .csv or .parquet, got '{path}'. Change the ending of the name.")
    with write_aside(path) as aside:
        if suffix == ".csv":
            pacsv.write_csv(table, aside)
        else:
            pq.write_table(table, aside, compression="zstd", write_page_checksum=True)
