"""A raw log: what a logger with its own clock would have written, for trying out the import."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from teachlab.model.recording import Block
from teachlab.synthetic.produce import Plan, Progress, Recipe, blocks, plan, stored_type, written_part
from teachlab.synthetic.shared.streams import CHUNK
from teachlab.synthetic.trouble.faults import duplicated, stamps, written_order


def log_rows(recipe: Recipe, samples: int) -> Iterator[tuple[NDArray[np.float64], Block]]:
    """Generate time stamps in seconds, with jitter, drift and misplaced rows of the logger, and light.

    `samples`: where to stop, from `plan`.
    """
    faults, rate = recipe.scenario.faults, recipe.scenario.sensor.sample_rate_hz
    for index, block in enumerate(blocks(recipe, samples=samples)):
        part = written_part(recipe, index, 0, samples)
        time = (index * CHUNK + np.arange(CHUNK))[part] / rate
        stamp = stamps(faults, time, rate / faults.logger_every, recipe.seed, index)
        if faults.duplicates_per_million:
            repeats = np.ones(CHUNK, np.int64)
            repeats[duplicated(faults, recipe.seed, index)] = 2
            stamp = np.repeat(stamp, repeats[part])
        if faults.swapped_per_million:
            order = written_order(faults, stamp.size, recipe.seed, index)
            invalid = None if block.invalid is None else block.invalid[order]
            stamp, block = stamp[order], Block(block.start, block.light[order], invalid)
        yield stamp, block


def write_log(recipe: Recipe, path: str | Path, *, progress: Progress | None = None) -> Plan:
    """Write a CSV with the columns `time_s` and `light`, empty where a sample is missing, and the passes beside it.

    `path`: the CSV; the passes go to ``NAME.passes.parquet``.
    `progress`: called with the rows written so far, and the number of all rows.
    """
    import pyarrow as pa
    import pyarrow.csv as pacsv

    from teachlab.data.atomic_files import one_result, write_aside
    from teachlab.data.truth_files import beside, write_truth

    planned = plan(recipe)
    with one_result():
        with write_aside(path) as aside:
            light_type = pa.from_numpy_dtype(stored_type(recipe.scenario))
            schema = pa.schema([("time_s", pa.float64()), ("light", light_type)])
            with pacsv.CSVWriter(aside, schema) as writer:
                for stamp, block in log_rows(recipe, planned.samples):
                    light = pa.array(block.light, mask=block.invalid_mask())
                    writer.write_table(pa.table([stamp, light], schema=schema))
                    if progress is not None:
                        progress(block.stop, planned.rows)
        write_truth(beside(path, ".passes.parquet"), planned.truth)
    return planned
