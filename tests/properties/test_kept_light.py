"""Light that is held in memory is that of the file: values, what is invalid, and what is known of its chunks."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from teachlab.data import kept_light
from teachlab.data.kept_light import held
from teachlab.data.recording_files import read_recording, write_recording
from teachlab.model.recording import Recording, RecordingInfo

INFO = RecordingInfo(sample_rate_hz=1000.0, unit="counts")


@pytest.mark.parametrize("kind", ["u2", "f4"])
@pytest.mark.parametrize("holes", [False, True])
def test_held_light_is_that_of_the_file(tmp_path: Path, kind: str, holes: bool) -> None:
    rng = np.random.default_rng(3)
    light = rng.integers(0, 4096, 150_000).astype(kind)
    path = tmp_path / "a.parquet"
    write_recording(path, Recording.from_array(light, INFO, invalid=rng.random(light.size) < 0.1 if holes else None))
    file = read_recording(path)
    memory = held(file)
    assert memory.info == file.info
    assert (memory.samples, memory.dtype, memory.name) == (file.samples, file.dtype, file.name)
    assert memory.source.chunks() == file.source.chunks()
    for a, b in ((0, 150_000), (65_000, 70_000), (3, 3)):
        ours, theirs = memory.read(a, b), file.read(a, b)
        assert np.array_equal(ours.as_float(), theirs.as_float(), equal_nan=True)
        assert len([*memory.blocks(a, b, 1000)]) == -(-(b - a) // 1000)


def test_held_light_is_read_once_and_long_light_is_not_held(
    tmp_path: Path, decoded: dict[str, int], monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "a.parquet"
    write_recording(path, Recording.from_array(np.arange(100_000, dtype=np.int32), INFO))
    file = read_recording(path)
    decoded.clear()
    memory = held(file)
    for _ in range(3):
        assert sum(block.light.size for block in memory.blocks()) == 100_000
    assert decoded["samples"] == 100_000
    assert held(memory) is memory
    monkeypatch.setattr(kept_light, "HELD_BYTES", 4 * 100_000 - 1)
    assert held(file) is file
