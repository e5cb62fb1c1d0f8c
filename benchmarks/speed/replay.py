"""Speed of replay against general-purpose peers, and of replay + score from a file against decoding it.

Run: ``python benchmarks/speed/replay.py [--samples 10000000] [--file-samples 100000000]``. Prints ratios; on a
busy machine only those can be trusted.
"""

from __future__ import annotations

import argparse
import resource
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from teachlab.data.recording_files import read_recording
from teachlab.model.recording import Recording, RecordingInfo
from teachlab.model.setting import Setting
from teachlab.model.truth import Truth
from teachlab.scoring import score
from teachlab.switching import replay

ON, OFF, PERIOD = 35.0, 30.0, 500
INFO = RecordingInfo(sample_rate_hz=1000.0, unit="counts")
SETTING = Setting(unit="counts", on_level=ON, off_level=OFF)


def busy(samples: int, seed: int = 0) -> np.ndarray:
    """A pass of 100 samples every 500, in noise, float32."""
    rng = np.random.default_rng(seed)
    phase = np.arange(samples) % PERIOD
    return np.where((phase >= 200) & (phase < 300), np.float32(60), np.float32(10)) + rng.standard_normal(
        samples, np.float32
    )


def truth_for(samples: int) -> Truth:
    starts = np.arange(0, samples - PERIOD, PERIOD) + 200
    return Truth.from_arrays(starts, starts + 100)


def best(work: Callable[[], object], runs: int = 5) -> float:
    times = []
    for _ in range(runs):
        begin = time.perf_counter()
        work()
        times.append(time.perf_counter() - begin)
    return min(times)


def peers(light: np.ndarray) -> dict[str, Callable[[], object]]:
    import pandas as pd
    import polars as pl
    from obspy.signal.trigger import trigger_onset

    def by_pandas() -> object:
        code = np.where(light >= ON, 1.0, np.where(light < OFF, 0.0, np.nan)).astype(np.float32)
        on = pd.Series(code).ffill().to_numpy() > 0
        return np.flatnonzero(on[1:] != on[:-1])

    def by_polars() -> object:
        frame = pl.DataFrame({"x": light})
        code = pl.when(pl.col("x") >= ON).then(1).when(pl.col("x") < OFF).then(0)
        on = frame.select(code.cast(pl.Int8).forward_fill()).to_series().to_numpy() > 0
        return np.flatnonzero(on[1:] != on[:-1])

    return {
        "obspy trigger_onset": lambda: trigger_onset(light, ON, OFF),
        "pandas ffill": by_pandas,
        "polars forward_fill": by_polars,
    }


def in_memory(samples: int) -> None:
    light = busy(samples)
    recording = Recording.from_array(light, INFO)
    own = best(lambda: replay(recording, SETTING))
    print(f"in memory, {samples} float32: replay {own / samples * 1e9:.2f} ns/sample")
    times = {name: best(work, 3) for name, work in peers(light).items()}
    for name, seconds in times.items():
        print(f"  {name}: {seconds / samples * 1e9:.2f} ns/sample, {seconds / own:.1f} times replay")
    print(f"  fastest peer / replay = {min(times.values()) / own:.2f}  (wanted: at least 4)")


def peak_mib() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def write_busy(path: Path, samples: int, group: int = 131_072) -> None:
    schema = pa.schema(
        [pa.field("light", pa.float32())],
        metadata={"teachlab.recording": '{"schema": 1, "sample_rate_hz": 1000.0, "unit": "counts"}'},
    )
    options = {"use_dictionary": False, "column_encoding": {"light": "BYTE_STREAM_SPLIT"}, "compression": "zstd"}
    with pq.ParquetWriter(path, schema, **options) as out:
        for k, _ in enumerate(range(0, samples, group * 8)):
            size = min(group * 8, samples - k * group * 8)
            out.write_table(pa.table({"light": busy(size, seed=k)}, schema=schema), row_group_size=group)


def decode(path: Path) -> None:
    """Decode the column alone, row group by row group, in one thread."""
    file = pq.ParquetFile(path, pre_buffer=False)
    for group in range(file.num_row_groups):
        file.read_row_group(group, ["light"], use_threads=False)


def from_file(samples: int) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "busy.parquet"
        write_busy(path, samples)
        truth = truth_for(samples)
        recording = read_recording(path)
        score(replay(recording, SETTING), truth)  # warm
        before = peak_mib()
        both = [
            (best(lambda: decode(path), 1), best(lambda: score(replay(recording, SETTING), truth), 1)) for _ in range(5)
        ]
        alone, own = (min(times) for times in zip(*both, strict=True))
        print(
            f"from a file, {samples} float32: decode alone {alone:.2f} s, replay + score {own:.2f} s, "
            f"ratio {own / alone:.2f}  (wanted: at most 2); peak memory {peak_mib():.0f} MiB "
            f"(before the timed runs {before:.0f})"
        )


def main() -> None:
    arguments = argparse.ArgumentParser(description=__doc__)
    arguments.add_argument("--samples", type=int, default=10_000_000)
    arguments.add_argument("--file-samples", type=int, default=100_000_000)
    given = arguments.parse_args()
    from_file(given.file_samples)
    in_memory(given.samples)


if __name__ == "__main__":
    main()
