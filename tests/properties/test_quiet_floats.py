"""Row groups of floats are passed over by their extremes only in files that vouch for them; nothing changes by it."""

from __future__ import annotations

from collections import Counter
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from teachlab.data.parquet_source import NULLS_KEY
from teachlab.data.recording_files import read_recording, write_recording
from teachlab.model.recording import Recording, RecordingInfo
from teachlab.model.setting import Polarity, Setting
from teachlab.switching import replay

GROUP = 1 << 16
INFO = RecordingInfo(sample_rate_hz=1000.0, unit="counts")
SETTING = Setting(unit="counts", on_level=50.0, off_level=40.0)


def quiet(seed: int, dtype: str, groups: int = 5) -> np.ndarray[Any, Any]:
    """Light that mostly stands still, with passes, invalid samples and exact levels in some row groups."""
    rng = np.random.default_rng(seed)
    light = rng.normal(20, 2, groups * GROUP - int(rng.integers(0, GROUP))).astype(dtype)
    for _ in range(int(rng.integers(0, 4))):
        at = int(rng.integers(0, light.size))
        light[at : at + int(rng.integers(1, 90_000))] = rng.choice([50.0, 49.999, 40.0, 39.99, 80.0, np.inf])
    for _ in range(int(rng.integers(0, 3))):
        at = int(rng.integers(0, light.size))
        light[at : at + int(rng.choice([1, 7, 70_000]))] = np.nan
    return light


@pytest.mark.parametrize("seed", range(12))
def test_skipping_equals_a_replay_of_all_samples(tmp_path: Path, decoded: Counter[str], seed: int) -> None:
    light = quiet(seed, "float32" if seed % 2 else "float64")
    write_recording(tmp_path / "a.parquet", Recording.from_array(light, INFO))
    recording = read_recording(tmp_path / "a.parquet")
    dark = Polarity.DARK_ON if seed % 3 else Polarity.LIGHT_ON
    for setting in (SETTING, SETTING.with_levels(45.0, 45.0, dark)):
        decoded.clear()
        found, known = replay(recording, setting), replay(Recording.from_array(light, INFO), setting)
        for name in ("output", "undelayed", "invalid"):
            mine, theirs = getattr(found, name), getattr(known, name)
            assert (mine.first, mine.edges.tolist()) == (theirs.first, theirs.edges.tolist()), name
        sure = [bool(np.isnan(g).any() or g.max() >= 40) for g in np.split(light, range(GROUP, light.size, GROUP))]
        assert decoded["samples"] <= light.size
        if not any(sure[1:]):
            assert decoded["samples"] <= GROUP


def test_quiet_light_is_hardly_decoded(tmp_path: Path, decoded: Counter[str]) -> None:
    light = np.full(40 * GROUP, 20, np.float32)
    light[20 * GROUP + 5 : 20 * GROUP + 900] = 80
    write_recording(tmp_path / "a.parquet", Recording.from_array(light, INFO))
    found = replay(read_recording(tmp_path / "a.parquet"), SETTING)
    assert found.onsets.tolist() == [20 * GROUP + 5]
    # The first, for the state to begin with, and the one with the pass.
    assert decoded["samples"] == 2 * GROUP


def written_again(path: Path, light: np.ndarray[Any, Any], out: Path) -> None:
    """Write other samples under the metadata of a recording, as one who reads it, changes it and writes it does."""
    table = pq.read_table(path)
    metadata = dict(pq.ParquetFile(path).metadata.metadata)
    schema = table.schema.with_metadata(metadata)
    pq.write_table(
        pa.table([pa.array(light)], schema=schema), out, row_group_size=GROUP, compression="zstd",
        use_dictionary=False, column_encoding={"light": "BYTE_STREAM_SPLIT"},
    )  # fmt: skip


@pytest.mark.parametrize("seed", range(8))
def test_a_note_that_belongs_to_other_samples_is_not_believed(tmp_path: Path, decoded: Counter[str], seed: int) -> None:
    """One NaN hidden in a quiet row group of a file that still carries the note: it must be found."""
    rng = np.random.default_rng(seed)
    light = rng.normal(20, 2, 3 * GROUP).astype(np.float32) if seed else np.full(3 * GROUP, 20, np.float32)
    write_recording(tmp_path / "a.parquet", Recording.from_array(light, INFO))
    at = int(rng.integers(GROUP, light.size))
    light[at] = np.nan
    written_again(tmp_path / "a.parquet", light, tmp_path / "b.parquet")
    assert NULLS_KEY.encode() in pq.ParquetFile(tmp_path / "b.parquet").metadata.metadata
    decoded.clear()
    found = replay(read_recording(tmp_path / "b.parquet"), SETTING)
    assert found.invalid.edges.tolist() == [at, at + 1]
    assert decoded["samples"] == light.size


def test_a_foreign_file_without_the_note_is_read(tmp_path: Path, decoded: Counter[str]) -> None:
    light = np.full(3 * GROUP, 20, np.float32)
    metadata = {"teachlab.recording": '{"schema": 1, "sample_rate_hz": 1000.0, "unit": "counts"}'}
    schema = pa.schema([pa.field("light", pa.float32())], metadata)
    pq.write_table(pa.table([pa.array(light)], schema=schema), tmp_path / "a.parquet", row_group_size=GROUP)
    assert replay(read_recording(tmp_path / "a.parquet"), SETTING).onsets.size == 0
    assert decoded["samples"] == light.size
