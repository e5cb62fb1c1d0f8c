"""Laws of recordings in files: reading is slicing, whatever the block size and the row groups."""

import itertools
import json
import tempfile
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from hypothesis import given, settings
from hypothesis import strategies as st

from teachlab.data import parquet_source
from teachlab.data.recording_files import read_recording, write_recording
from teachlab.data.truth_files import read_truth, write_truth
from teachlab.model.recording import Recording, RecordingInfo
from teachlab.model.truth import Truth, TruthSource

INFO = RecordingInfo(sample_rate_hz=1000.0, unit="counts")
DTYPES = st.sampled_from(["u1", "i2", "u2", "u4", "i8", "f2", "f4", "f8"])


@st.composite
def lights(draw):
    """An array with invalid samples, of any stored type."""
    size, seed = draw(st.integers(1, 3000)), draw(st.integers(0, 2**32 - 1))
    rng = np.random.default_rng(seed)
    light = rng.integers(0, 100, size).astype(draw(DTYPES))
    return light, rng.random(size) < draw(st.sampled_from([0.0, 0.01, 0.5, 1.0]))


@settings(max_examples=60, deadline=None)
@given(lights(), st.integers(1, 900), st.integers(1, 1200), st.booleans(), st.data())
def test_reading_is_slicing(pair, rows, size, giant, data):
    light, invalid = pair
    a = data.draw(st.integers(0, light.size))
    b = data.draw(st.integers(a, light.size))
    table = pa.table({"light": pa.array(light, mask=invalid)}).replace_schema_metadata(
        {"teachlab.recording": json.dumps({"sample_rate_hz": 1000, "unit": "counts"})}
    )
    limits = (parquet_source.WHOLE_GROUP_ROWS, parquet_source.SMALL_GROUP_ROWS, parquet_source.BLOCK_SAMPLES)
    with tempfile.TemporaryDirectory() as folder:
        pq.write_table(table, Path(folder) / "r.parquet", row_group_size=rows)
        try:
            if giant:  # the same paths as for millions of rows, in small
                parquet_source.WHOLE_GROUP_ROWS = 300
                parquet_source.BLOCK_SAMPLES = 128
            parquet_source.SMALL_GROUP_ROWS = 200
            recording = read_recording(Path(folder) / "r.parquet")
            chunks = recording.source.chunks()
            blocks = list(recording.blocks(a, b, size))
            once = recording.read(a, b)
        finally:
            parquet_source.WHOLE_GROUP_ROWS, parquet_source.SMALL_GROUP_ROWS, parquet_source.BLOCK_SAMPLES = limits
    assert [c.start for c in chunks] == [0, *(c.stop for c in chunks[:-1])]
    assert chunks[-1].stop == light.size
    for c in chunks:
        if c.low is not None:
            assert not invalid[c.start : c.stop].any()
            assert c.low <= light[c.start : c.stop].min()
            assert light[c.start : c.stop].max() <= c.high
    assert all(0 < block.light.size <= size for block in blocks)
    assert [block.start for block in blocks] == [a + sum(x.light.size for x in blocks[:i]) for i in range(len(blocks))]
    expected = np.where(invalid, np.nan, light.astype(float))[a:b]
    streamed = np.concatenate([block.as_float() for block in blocks]) if blocks else np.empty(0)
    assert np.array_equal(streamed, expected, equal_nan=True)
    assert np.array_equal(once.as_float(), expected, equal_nan=True)
    assert once.light.dtype == light.dtype


@settings(max_examples=40, deadline=None)
@given(lights(), st.lists(st.integers(0, 3000), max_size=5))
def test_what_is_written_is_read_and_the_bytes_ignore_the_cuts(pair, cuts):
    light, invalid = pair
    masked = np.ma.masked_array(light, invalid)
    borders = [0, *sorted(min(c, light.size) for c in cuts), light.size]
    with tempfile.TemporaryDirectory() as folder:
        one, many = Path(folder) / "a.parquet", Path(folder) / "b.parquet"
        write_recording(one, Recording.from_array(masked, INFO))
        write_recording(many, [masked[a:b] for a, b in itertools.pairwise(borders)], INFO)
        assert one.read_bytes() == many.read_bytes()
        block = read_recording(one).read(0, light.size)
    found = np.zeros(light.size, bool) if block.invalid is None else block.invalid
    assert np.array_equal(found, invalid)
    assert np.array_equal(block.light[~invalid], light[~invalid])


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.tuples(st.integers(0, 50), st.integers(1, 50), st.booleans(), st.text(max_size=8)), max_size=20),
    st.sampled_from(list(TruthSource)),
    st.floats(0, 1e6),
    st.sampled_from(["csv", "parquet"]),
)
def test_truth_is_read_as_written(rows, source, uncertainty, ending):
    steps = np.array([[gap, length] for gap, length, _, _ in rows], np.int64).reshape(-1, 2)
    borders = np.cumsum(steps.ravel())
    # Line breaks inside a name have no place in a table that people edit line by line.
    names = ["".join(c for c in name if c.isprintable()) for *_, name in rows]
    truth = Truth.from_arrays(
        borders[0::2],
        borders[1::2],
        detect=[d for _, _, d, _ in rows],
        label=names,
        source=source,
        uncertainty_samples=uncertainty,
    )
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / f"r.passes.{ending}"
        write_truth(path, truth)
        back = read_truth(path)
    assert (back.source, back.uncertainty_samples) == (source, uncertainty)
    for column in ("start", "end", "detect", "label"):
        assert getattr(back, column).tolist() == getattr(truth, column).tolist()
