"""Passes are tied to their recording by the digest of its samples."""

import hashlib
import json
import struct
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pytest

from teachlab.data.opening import open_with_passes
from teachlab.data.recording_files import RecordingWriter, read_recording, write_recording
from teachlab.data.truth_files import read_truth, write_truth
from teachlab.errors import RecordingError, TruthError
from teachlab.model.recording import LoggedOutput, OutputWhen, Recording, RecordingInfo
from teachlab.model.truth import Aligned, Truth

INFO = RecordingInfo(sample_rate_hz=1000, unit="counts")
LIGHT = np.array([5, 7, 6, 0, 9, 8], np.uint16)
HOLES = np.array([0, 0, 0, 1, 0, 0], bool)


def digest_by_hand(rate: float) -> str:
    """Read from FILES.md alone: float64 little-endian with one NaN, a byte of validity each, the rate."""
    values = b"".join(struct.pack("<d", float("nan") if hole else x) for x, hole in zip(LIGHT, HOLES, strict=True))
    valid = bytes(0 if hole else 1 for hole in HOLES)
    text = f"{hashlib.sha256(values).hexdigest()} {hashlib.sha256(valid).hexdigest()} {rate!r}"
    return hashlib.sha256(text.encode()).hexdigest()


def written(folder: Path, name: str, light: np.ndarray = LIGHT, info: RecordingInfo = INFO) -> str:
    path = folder / name
    write_recording(path, Recording.from_array(light, info, invalid=HOLES if light.size == HOLES.size else None))
    return str(path)


def test_digest_by_hand_and_however_stored(tmp_path: Path) -> None:
    expected = digest_by_hand(1000.0)
    assert read_recording(written(tmp_path, "a.parquet")).info.digest == expected
    floats = LIGHT.astype(np.float32)
    floats[3] = np.nan
    assert read_recording(written(tmp_path, "b.parquet", floats)).info.digest == expected
    with RecordingWriter(tmp_path / "c.parquet", INFO, np.int64) as out:
        for k in range(6):
            out.append(LIGHT[k : k + 1].astype(np.int64), HOLES[k : k + 1])
    assert out.digest == expected
    signed = LIGHT.astype(float)
    signed[3] = -0.0
    zero = np.where(signed == 0, 0.0, signed)
    both = [written(tmp_path, f"{k}.parquet", x[:4]) for k, x in enumerate((signed, zero))]
    assert len({read_recording(one).info.digest for one in both}) == 1


@pytest.mark.parametrize("change", ["value", "validity", "rate", "length"])
def test_another_recording_has_another_digest(tmp_path: Path, change: str) -> None:
    light, info, holes = LIGHT.copy(), INFO, HOLES.copy()
    if change == "value":
        light[0] += 1
    elif change == "validity":
        holes[0] = True
    elif change == "rate":
        info = replace(INFO, sample_rate_hz=1000.5)
    else:
        light, holes = light[:-1], holes[:-1]
    write_recording(tmp_path / "b.parquet", Recording.from_array(light, info, invalid=holes))
    assert read_recording(tmp_path / "b.parquet").info.digest != digest_by_hand(1000.0)


def test_passes_of_another_recording_are_refused(tmp_path: Path) -> None:
    here, there = written(tmp_path, "here.parquet"), written(tmp_path, "there.parquet", LIGHT + 1)
    truth = Truth.from_arrays([1], [3])
    write_truth(tmp_path / "here.passes.parquet", truth.tied_to(read_recording(there).info.digest))
    with pytest.raises(TruthError, match=r"here\.passes\.parquet: these passes were written for another recording"):
        open_with_passes(here)
    write_truth(tmp_path / "here.passes.parquet", truth.tied_to(read_recording(here).info.digest))
    assert open_with_passes(here)[1].passes == 1
    with pytest.raises(TruthError, match="another recording"):
        open_with_passes(there, str(tmp_path / "here.passes.parquet"))


def test_metadata_come_back_and_csv_is_not_tied(tmp_path: Path) -> None:
    truth = Truth.from_arrays(
        [1, 4], [3, 6], recording_digest="0" * 64, aligned=Aligned(1.5, -20.0, 60, 0.25), except_=((0, 1), (3, 4))
    )
    for name in ("t.passes.parquet", "t.passes.csv"):
        write_truth(tmp_path / name, truth)
        back = read_truth(tmp_path / name)
        assert (back.aligned, back.except_) == (truth.aligned, truth.except_)
        assert back.recording_digest == (None if name.endswith("csv") else "0" * 64)
    assert truth.select(slice(1)).aligned == truth.aligned


@pytest.mark.parametrize(
    "meta",
    [
        {"schema": 2, "source": "independent", "recording_digest": "x"},
        {"schema": 2, "source": "independent", "aligned": {"clock_ppm": 1.0}},
        {"schema": 2, "source": "independent", "aligned": {"shift_ms": 1.0, "borders": -1}},
        {"schema": 2, "source": "independent", "except": [[5, 4]]},
        {"schema": 2, "source": "independent", "except": [[1, 4], [3, 6]]},
        {"schema": 2, "source": "independent", "except": [[1]]},
        {"schema": 1, "source": "independent", "recording_digest": "0" * 64},
        {"schema": 3, "source": "independent"},
    ],
)
def test_wrong_metadata_of_passes_are_refused_by_file(tmp_path: Path, meta: dict[str, object]) -> None:
    path = tmp_path / "t.passes.csv"
    path.write_text(f"# teachlab.passes: {json.dumps(meta)}\nstart,end\n1,2\n")
    with pytest.raises(TruthError, match=r"t\.passes\.csv"):
        read_truth(path)


def test_schema_1_still_reads_and_pandas_forgets_the_digest(tmp_path: Path) -> None:
    path = Path(written(tmp_path, "r.parquet"))
    table = pq.read_table(path)
    old = {"schema": 1, "sample_rate_hz": 1000.0, "unit": "counts"}
    pq.write_table(table.replace_schema_metadata({"teachlab.recording": json.dumps(old)}), tmp_path / "old.parquet")
    assert read_recording(tmp_path / "old.parquet").info == INFO
    frame = pd.read_parquet(path)
    frame["light"] += 1
    frame.to_parquet(tmp_path / "changed.parquet")
    assert read_recording(tmp_path / "changed.parquet").info.digest is None


def test_the_sensors_own_output_comes_back_and_is_no_part_of_the_digest(tmp_path: Path) -> None:
    info = replace(INFO, output=LoggedOutput(OutputWhen.LOW, lag_samples=2))
    light = np.arange(70_000).astype(np.int16)
    logged = light % 5 == 0
    with RecordingWriter(tmp_path / "r.parquet", info, np.int16) as out:
        for part in (slice(0, 10), slice(10, 66_000), slice(66_000, None)):
            out.append(light[part], output=logged[part])
    found = read_recording(tmp_path / "r.parquet")
    assert found.info.output == info.output
    assert np.array_equal(found.source.output(65_530, 65_545), logged[65_530:65_545])
    write_recording(tmp_path / "copy.parquet", found)
    assert np.array_equal(read_recording(tmp_path / "copy.parquet").source.output(0, 70_000), logged)
    write_recording(tmp_path / "bare.parquet", Recording.from_array(light, INFO))
    assert read_recording(tmp_path / "bare.parquet").info.digest == found.info.digest
    with pytest.raises(RecordingError, match="one column 'output' of true and false, got none"):
        read_recording(tmp_path / "bare.parquet").source.output(0, 1)
    with (
        pytest.raises(RecordingError, match="own output comes with every piece"),
        RecordingWriter(tmp_path / "x.parquet", info, np.int16) as out,
    ):
        out.append(light)
