"""A recording in a Parquet file replays and scores as the twin says, however the file is laid out."""

from __future__ import annotations

import json
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from teachlab.data import parquet_source
from teachlab.data.recording_files import read_recording, write_recording
from teachlab.errors import InputError
from teachlab.model.recording import Recording
from teachlab.model.score import Rules
from teachlab.scoring import score
from teachlab.switching import replay

SEEDS = range(0, 2000, 43)

# Row groups in the file, groups read together, size from which a group is streamed, rows streamed at a time.
LAYOUTS = {
    "as it comes": (None, None, None, None),
    "row groups of 7, each on its own": (7, 1, None, None),
    "row groups of 5, joined to 16": (5, 16, None, None),
    "one giant row group, streamed": (1000, 1, 10, 8),
}


def write_plainly(path: Path, case: Any, group_rows: int | None) -> None:
    """Write with pyarrow alone: NaN stays NaN, nulls are nulls, statistics are whatever it makes."""
    column = pa.array(case.light, mask=case.null)
    document = {"schema": 1, "sample_rate_hz": case.sample_rate, "unit": "counts"}
    table = pa.table({"time": np.arange(case.light.size) / case.sample_rate, "light": column})
    table = table.replace_schema_metadata({"teachlab.recording": json.dumps(document)})
    pq.write_table(table, path, row_group_size=group_rows)


def found(cases: ModuleType, recording: Recording, case: Any) -> tuple[Any, ...]:
    output = replay(recording, cases.setting_of(case))
    counts = score(output, cases.truth_of(case), rules=Rules(tolerance_ms=case.tolerance_ms)).as_dict()
    return output.active_at_start, output.onsets.tolist(), output.releases.tolist(), counts


@pytest.mark.parametrize("layout", LAYOUTS)
def test_a_parquet_file_gives_what_the_twin_gives(
    layout: str, twin: ModuleType, cases: ModuleType, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    group_rows, joined, whole, streamed = LAYOUTS[layout]
    for name, value in (("SMALL_GROUP_ROWS", joined), ("WHOLE_GROUP_ROWS", whole), ("BLOCK_SAMPLES", streamed)):
        if value is not None:
            monkeypatch.setattr(parquet_source, name, value)
    wrong = []
    most_chunks = 0
    for seed in SEEDS:
        case = cases.make(seed)
        try:
            replayed = twin.plain_replay(case.values, case.sample_rate, case.setting)
        except ValueError:
            continue
        counts = twin.plain_score(
            replayed, case.passes, tolerance_ms=case.tolerance_ms, uncertainty_samples=case.uncertainty_samples
        )
        path = tmp_path / f"{seed}.parquet"
        write_plainly(path, case, group_rows)
        recording = read_recording(path)
        most_chunks = max(most_chunks, len(recording.source.chunks()))
        active, onsets, releases, ours = found(cases, recording, case)
        edges_equal = (active, onsets, releases) == tuple(
            replayed[name] for name in ("active_at_start", "onsets", "releases")
        )
        if not edges_equal or twin.disagreements(ours, counts):
            wrong.append(seed)
    assert wrong == []
    assert most_chunks == 1 if joined is None else most_chunks > 10


def test_a_recording_written_and_read_gives_what_memory_gives(cases: ModuleType, tmp_path: Path) -> None:
    wrong = []
    for seed in SEEDS:
        case = cases.make(seed)
        if case.null.all() or np.isnan(case.light.astype(float)).all():
            continue
        memory = cases.recording_of(case)
        path = tmp_path / f"{seed}.parquet"
        write_recording(path, memory)
        back = read_recording(path)
        if back.dtype != memory.dtype:
            wrong.append(seed)
            continue
        try:
            expected = found(cases, memory, case)
        except InputError:  # no evaluation reads a valid sample
            with pytest.raises(InputError):
                found(cases, back, case)
            continue
        if found(cases, back, case) != expected:
            wrong.append(seed)
    assert wrong == []
