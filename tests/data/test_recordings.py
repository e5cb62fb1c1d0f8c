"""Recordings in and out: round trips, what other tools see, and every kind of bad file."""

import gc
import json
import pickle
import re
import threading

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from teachlab.data.recording_files import RecordingWriter, read_recording, write_recording
from teachlab.errors import RecordingError, SettingError, TruthError
from teachlab.model.recording import (
    Block,
    Direction,
    LoggedOutput,
    Origin,
    OutputWhen,
    Recording,
    RecordingInfo,
    Sensing,
)
from teachlab.model.setting import Setting
from teachlab.model.truth import Truth, TruthSource

INFO = RecordingInfo(
    sample_rate_hz=2000.0,
    unit="counts",
    full_scale=4095,
    dark_level=3,
    sensing=Sensing.THROUGH_BEAM,
    direction=Direction.DIP,
    origin=Origin.SYNTHETIC,
    title="Quillmarsh Preserves, line 3 – größer",
    line_speed_m_s=0.5,
    notes="first shift",
)
TYPES = ["u1", "i1", "u2", "i2", "u4", "i4", "u8", "i8", "f2", "f4", "f8"]
META = {"schema": 1, "sample_rate_hz": 1000.0, "unit": "counts"}


def plain(path, light, meta=META, **options):
    """Write a Parquet file by pyarrow alone."""
    table = light if isinstance(light, pa.Table) else pa.table({"light": light})
    if meta is not None:
        text = meta if isinstance(meta, str) else json.dumps(meta)
        table = table.replace_schema_metadata({"teachlab.recording": text})
    pq.write_table(table, path, **options)
    return path


def whole(recording, **options):
    blocks = list(recording.blocks(**options))
    return np.ma.concatenate([np.ma.masked_array(b.light, b.invalid_mask()) for b in blocks])


@pytest.mark.parametrize("dtype", TYPES)
def test_the_stored_type_and_the_holes_survive(tmp_path, dtype):
    light = (np.arange(140_000) % 121).astype(dtype)
    invalid = np.zeros(light.size, bool)
    invalid[[0, 65_535, 65_536, 139_999]] = True
    path = tmp_path / "r.parquet"
    write_recording(path, Recording.from_array(light, INFO, invalid=invalid))
    back = read_recording(path)
    assert (back.info, back.dtype, back.samples, back.name) == (INFO, np.dtype(dtype), light.size, "r")
    got = whole(back)
    assert got.dtype == light.dtype
    assert np.array_equal(np.ma.getmaskarray(got), invalid)
    assert np.array_equal(got.compressed(), light[~invalid])


def test_nan_is_written_as_null(tmp_path):
    path = tmp_path / "r.parquet"
    write_recording(path, [np.array([1.0, np.nan, 3.0], np.float32)], INFO)
    assert pq.read_table(path)["light"].to_pylist() == [1.0, None, 3.0]


def test_layout_of_the_file(tmp_path):
    path = tmp_path / "r.parquet"
    write_recording(path, [np.arange(70_000, dtype=np.uint16)], INFO)
    meta = pq.ParquetFile(path).metadata
    column = meta.row_group(0).column(0)
    assert [meta.row_group(i).num_rows for i in range(meta.num_row_groups)] == [65_536, 4_464]
    assert column.compression == "ZSTD"
    assert "BYTE_STREAM_SPLIT" in column.encodings
    assert not column.has_dictionary_page
    assert json.loads(meta.metadata[b"teachlab.recording"])["sensing"] == "through-beam"


def test_bytes_do_not_depend_on_how_the_samples_were_cut(tmp_path):
    light = np.random.default_rng(1).normal(size=200_000).astype(np.float32)
    light[::1000] = np.nan
    cuts = {"a": [light], "b": np.split(light, [1, 7, 65_536, 65_537, 190_000]), "c": np.array_split(light, 333)}
    for name, pieces in cuts.items():
        write_recording(tmp_path / name, pieces, INFO)
    assert len({(tmp_path / name).read_bytes() for name in cuts}) == 1


def test_ordinary_tools_read_it_and_a_round_trip_through_pandas_keeps_the_metadata(tmp_path):
    write_recording(tmp_path / "r.parquet", [np.arange(10, dtype=np.uint16)], INFO)
    frame = pd.read_parquet(tmp_path / "r.parquet")
    assert frame["light"].dtype == np.uint16
    frame.iloc[2:5].to_parquet(tmp_path / "cut.parquet")
    back = read_recording(tmp_path / "cut.parquet")
    assert back.info == INFO
    assert back.light[0:3].tolist() == [2, 3, 4]


def test_metadata_set_by_pandas_alone(tmp_path):
    frame = pd.DataFrame({"time": [0.0, 0.1], "light": [1, 2]})
    frame.attrs["teachlab.recording"] = {"sample_rate_hz": 10, "unit": "mV", "dark_level": None}
    frame.to_parquet(tmp_path / "r.parquet")
    assert read_recording(tmp_path / "r.parquet").info == RecordingInfo(sample_rate_hz=10, unit="mV")


def test_null_dark_level_means_zero_and_other_columns_are_ignored(tmp_path):
    table = pa.table({"light.raw": [9, 9], "time": [0.0, 1.0], "light": pa.array([1, 2], pa.int16())})
    recording = read_recording(plain(tmp_path / "r.parquet", table, {**META, "dark_level": None}))
    assert recording.info.dark_level == 0.0
    assert recording.light[0:2].tolist() == [1, 2]
    assert recording.source.chunks()[0].high == 2


def test_a_uri_is_read_like_a_path(tmp_path):
    write_recording(tmp_path / "r.parquet", [np.arange(10, dtype=np.uint16)], INFO)
    recording = read_recording((tmp_path / "r.parquet").as_uri())
    assert (recording.name, recording.samples) == ("r", 10)


def test_pickling_keeps_the_way_to_the_file_only(tmp_path):
    write_recording(tmp_path / "r.parquet", [np.arange(100_000, dtype=np.uint16)], INFO)
    frozen = pickle.dumps(read_recording(tmp_path / "r.parquet"))
    assert len(frozen) < 2_000
    assert pickle.loads(frozen).light[99_999:].tolist() == [99_999 % 65_536]


def test_statistics_are_offered_without_holes_only_and_of_floats_with_the_note(tmp_path):
    light = np.arange(196_608, dtype=np.uint32)
    invalid = np.zeros(light.size, bool)
    invalid[100_000] = True
    write_recording(tmp_path / "i.parquet", [Block(0, light, invalid)], INFO)
    bounds = [(c.start, c.stop, c.low, c.high) for c in read_recording(tmp_path / "i.parquet").source.chunks()]
    assert bounds == [
        (0, 65_536, 0.0, 65_535.0),
        (65_536, 131_072, None, None),
        (131_072, 196_608, 131_072.0, 196_607.0),
    ]
    write_recording(tmp_path / "f.parquet", [Block(0, light.astype(np.float32), invalid)], INFO)
    assert [(c.start, c.stop, c.low, c.high) for c in read_recording(tmp_path / "f.parquet").source.chunks()] == bounds
    held = pq.ParquetFile(tmp_path / "f.parquet").metadata.metadata[b"teachlab.recording"]
    table = pa.table(
        [pa.array(light.astype(np.float32))], pa.schema([("light", pa.float32())], {"teachlab.recording": held})
    )
    pq.write_table(table, tmp_path / "g.parquet", row_group_size=65_536)
    assert {c.low for c in read_recording(tmp_path / "g.parquet").source.chunks()} == {None}


def test_small_row_groups_are_read_together_and_their_statistics_merged(tmp_path):
    path = plain(tmp_path / "r.parquet", np.arange(150_000, dtype=np.int32), row_group_size=1_000)
    chunks = read_recording(path).source.chunks()
    assert [(c.start, c.stop) for c in chunks] == [(0, 65_000), (65_000, 130_000), (130_000, 150_000)]
    assert (chunks[1].low, chunks[1].high) == (65_000, 129_999)
    no_statistics = plain(tmp_path / "n.parquet", np.arange(9, dtype=np.int32), write_statistics=False)
    assert read_recording(no_statistics).source.chunks()[0].low is None


def test_reading_backwards_and_across_borders_of_a_giant_row_group(tmp_path):
    light = np.arange(1_200_000, dtype=np.uint16)
    path = plain(tmp_path / "r.parquet", light, row_group_size=light.size)
    recording = read_recording(path)
    for a, b in [(1_100_000, 1_100_003), (0, 2), (131_070, 400_000), (131_071, 131_073), (0, light.size)]:
        assert np.array_equal(recording.read(a, b).light, light[a:b])
    assert recording.read(5, 5).light.size == 0


def test_a_giant_row_group_never_lies_in_memory(tmp_path):
    rows = 6_000_000
    path = plain(tmp_path / "r.parquet", np.random.default_rng(0).integers(0, 9, rows), row_group_size=rows)
    assert pq.ParquetFile(path).num_row_groups == 1
    pool, before = pa.system_memory_pool(), pa.default_memory_pool()
    pa.set_memory_pool(pool)
    try:
        held = pool.bytes_allocated()
        most = max(pool.bytes_allocated() for _ in read_recording(path).blocks()) - held
    finally:
        pa.set_memory_pool(before)
    assert most < 8 * rows / 6  # the column alone is 48 MB


def test_a_stopped_iteration_ends_its_thread(tmp_path):
    path = tmp_path / "r.parquet"
    write_recording(path, [np.arange(400_000, dtype=np.uint16)], INFO)
    threads = threading.active_count()
    blocks = read_recording(path).blocks()
    next(blocks)
    blocks.close()
    assert threading.active_count() == threads


def test_the_caller_may_read_while_it_iterates(tmp_path):
    light = np.arange(400_000, dtype=np.uint32)
    write_recording(tmp_path / "r.parquet", [light], INFO)
    recording = read_recording(tmp_path / "r.parquet")
    for block in recording.blocks(size=50_000):
        assert recording.light[7:9].tolist() == [7, 8]
        assert np.array_equal(block.light, light[block.start : block.start + block.light.size])


@pytest.mark.parametrize(
    ("light", "message"),
    [
        (pa.table({"level": [1]}), r"no column 'light'; the columns are: 'level'.*teachlab import"),
        (pa.table({"light": ["7", "x"]}), r"integer or floating type, got (large_)?string"),
        (pa.table({"light": [True, False]}), r"integer or floating type, got bool"),
        (pa.table({"light": pa.array([1], pa.decimal128(5, 2))}), r"integer or floating type, got decimal"),
        (pa.table({"light": pa.array([[1]])}), r"integer or floating type, got list"),
        (pa.table([[1], [2]], names=["light", "light"]), r"occurs 2 times"),
        (pa.table({"light": pa.array([], pa.int16())}), r"has no rows"),
    ],
)
def test_unusable_columns(tmp_path, light, message):
    with pytest.raises(RecordingError, match=message):
        read_recording(plain(tmp_path / "r.parquet", light))


@pytest.mark.parametrize(
    ("meta", "messages"),
    [
        (None, ["sample rate and the unit are missing", "teachlab.recording", "--rate"]),
        ("{not json", ["not valid JSON"]),
        ("[1]", ["must be a JSON object"]),
        ({"unit": "V"}, ["key 'sample_rate_hz' is missing"]),
        ({**META, "sample_rate_hz": -5}, ["sample_rate_hz: must be greater than 0, got -5"]),
        ({**META, "sample_rate_hz": 0}, ["sample_rate_hz: must be greater than 0, got 0"]),
        ({**META, "sample_rate_hz": "2000"}, ["sample_rate_hz", "got '2000'"]),
        ({**META, "sample_rate_hz": True}, ["sample_rate_hz", "got True"]),
        ('{"sample_rate_hz": NaN, "unit": "V"}', ["NaN is not a number"]),
        ('{"sample_rate_hz": 1e999, "unit": "V"}', ["sample_rate_hz: must be a finite number"]),
        ('{"sample_rate_hz": 1, "sample_rate_hz": 2, "unit": "V"}', ["'sample_rate_hz' is given twice"]),
        ({**META, "unit": ""}, ["unit"]),
        ({**META, "unit": " "}, ["unit must not be empty"]),
        ({**META, "colour": 1}, ["key 'colour' is unknown", "dark_level"]),
        ({**META, "schema": 3}, ["schema must be 1 or 2, got 3"]),
        ({**META, "sensing": "sonar"}, ["sensing", "'through-beam'", "got 'sonar'"]),
        ({**META, "direction": "up"}, ["direction", "got 'up'"]),
        ({**META, "full_scale": 1, "dark_level": 2}, ["full_scale must be a finite number above dark_level"]),
        ({"unit": 5, "x": 1, "line_speed_m_s": 0}, ["4 faults", "sample_rate_hz", "unit", "'x'", "line_speed_m_s"]),
    ],
)
def test_faulty_metadata(tmp_path, meta, messages):
    with pytest.raises(RecordingError) as caught:
        read_recording(plain(tmp_path / "r.parquet", [1, 2], meta))
    for part in [str(tmp_path / "r.parquet"), *messages]:
        assert part in str(caught.value)


def test_files_that_are_no_recording(tmp_path):
    write_recording(tmp_path / "r.parquet", [np.arange(1000)], INFO)
    raw = (tmp_path / "r.parquet").read_bytes()
    (tmp_path / "cut.parquet").write_bytes(raw[:-20])
    (tmp_path / "text.parquet").write_text("light\n1\n")
    (tmp_path / "empty.parquet").write_bytes(b"")
    (tmp_path / "log.csv").write_text("time,light\tb\n0,1\n", encoding="utf-8")
    (tmp_path / "bytes.csv").write_bytes(b"\0\1\2 light, time\n")
    (tmp_path / "empty.csv").write_bytes(b"")
    for name, message in {
        "none.parquet": "no such file",
        "": "this is a folder",
        "cut.parquet": "not a readable Parquet file, or cut short",
        "text.parquet": "not a readable Parquet file",
        "empty.parquet": "not a readable Parquet file",
        "log.csv": "this is a text file, not a Parquet file.*teachlab import LOG --column NAME",
        "bytes.csv": "not a readable Parquet file",
        "empty.csv": "not a readable Parquet file",
    }.items():
        with pytest.raises(RecordingError, match=message):
            read_recording(tmp_path / name)
    with pytest.raises(RecordingError, match="cannot be opened"):
        read_recording("nonsense://x/r.parquet")


def test_damaged_samples_are_named_when_they_are_met(tmp_path):
    write_recording(tmp_path / "r.parquet", [np.arange(200_000, dtype=np.uint32)], INFO)
    raw = bytearray((tmp_path / "r.parquet").read_bytes())
    at = pq.ParquetFile(tmp_path / "r.parquet").metadata.row_group(1).column(0).data_page_offset
    raw[at : at + 400] = b"\xff" * 400
    (tmp_path / "r.parquet").write_bytes(raw)
    recording = read_recording(tmp_path / "r.parquet")
    assert recording.light[0:1].tolist() == [0]
    with pytest.raises(RecordingError, match="samples 65536 to 131071"):
        list(recording.blocks())


@pytest.mark.parametrize("dtype", [np.uint16, np.float32])
def test_one_bit_anywhere_in_the_stored_light_is_damage(tmp_path, dtype):
    """No bit of the data decodes to other light: pages carry a checksum, which is checked."""
    place = tmp_path / "r.parquet"
    write_recording(place, [np.random.default_rng(1).normal(500, 20, 400).astype(dtype)], INFO)
    raw = place.read_bytes()
    part = pq.ParquetFile(place).metadata.row_group(0).column(0)
    # The head of the page comes first; what is left of the column is its data.
    for at in range(part.data_page_offset + 60, part.data_page_offset + part.total_compressed_size, 7):
        place.write_bytes(raw[:at] + bytes([raw[at] ^ 1 << at % 8]) + raw[at + 1 :])
        with pytest.raises(RecordingError, match="The file is damaged; copy it again"):
            list(read_recording(place).blocks())


def test_a_damaged_name_of_the_column_is_one_message_or_none(tmp_path):
    """The end of the file names the column in the schema, and again in every row group: that one ended in a fault."""
    place = tmp_path / "r.parquet"
    write_recording(place, [np.arange(400, dtype=np.uint16)], INFO)
    raw = place.read_bytes()
    end = len(raw) - 8 - int.from_bytes(raw[-8:-4], "little")
    schema, group = (found.start() for found in re.finditer(rb"\x05light", raw[end:-8]))
    for at in (schema, group):
        place.write_bytes(raw[: end + at] + b"\x05might" + raw[end + at + 6 :])
        if at == schema:
            with pytest.raises(RecordingError, match="there is no column 'light'"):
                read_recording(place)
        else:
            read = read_recording(place)
            assert [(chunk.low, chunk.high) for chunk in read.source.chunks()] == [(0, 399)]
            assert read.light[:].tolist() == list(range(400))


def test_a_recording_of_another_program_needs_no_checksum(tmp_path):
    light = np.arange(400, dtype=np.uint16)
    pq.write_table(pa.table({"light": light}).replace_schema_metadata(
        {"teachlab.recording": '{"schema": 1, "sample_rate_hz": 1000, "unit": "counts"}'}
    ), tmp_path / "r.parquet")  # fmt: skip
    assert next(iter(read_recording(tmp_path / "r.parquet").blocks())).light.tolist() == light.tolist()


def test_writing_nothing_or_something_else(tmp_path):
    path = tmp_path / "r.parquet"
    with pytest.raises(RecordingError, match="at least one sample"):
        write_recording(path, [], INFO)
    with pytest.raises(RecordingError, match="at least one sample"), RecordingWriter(path, INFO, np.uint16):
        pass
    with pytest.raises(RecordingError, match="needs `info`"):
        write_recording(path, [np.arange(3)])
    with pytest.raises(RecordingError, match="array of uint16, got int64"), RecordingWriter(path, INFO, "u2") as out:
        out.append(np.arange(3))
    with pytest.raises(RecordingError, match="got bool"):
        RecordingWriter(path, INFO, bool)
    assert list(tmp_path.iterdir()) == []


def test_an_aborted_or_interrupted_writer_leaves_the_old_file(tmp_path):
    path = tmp_path / "r.parquet"
    path.write_text("old")
    out = RecordingWriter(path, INFO, np.uint16)
    out.append(np.zeros(70_000, np.uint16))
    out.abort()
    out.abort()

    def interrupted():
        yield np.zeros(5, np.uint16)
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        write_recording(path, interrupted(), INFO)
    assert [p.name for p in tmp_path.iterdir()] == ["r.parquet"]
    assert path.read_text() == "old"


def test_a_buffer_may_be_used_again_and_byte_order_does_not_matter(tmp_path):
    buffer = np.array([1, 2, 3], ">u2")
    with RecordingWriter(tmp_path / "r.parquet", INFO, ">u2") as out:
        out.append(buffer)
        buffer[:] = 9
        out.append(np.ma.masked_array(np.array([4, 5], ">u2"), [False, True]))
    assert pq.read_table(tmp_path / "r.parquet")["light"].to_pylist() == [1, 2, 3, 4, None]


def test_metadata_told_at_the_end_give_the_bytes_of_those_told_at_the_beginning(tmp_path):
    first = RecordingInfo(sample_rate_hz=1.0, unit="?")
    for name, begun in (("a", INFO), ("b", first)):
        with RecordingWriter(
            tmp_path / f"{name}.parquet", begun, np.uint16, time=pa.timestamp("ns"), about={b"more": b"x"}
        ) as out:
            out.append(np.arange(70_000, dtype=np.uint16), time=np.arange(70_000))
            out.tell(INFO)
    assert (tmp_path / "a.parquet").read_bytes() == (tmp_path / "b.parquet").read_bytes()
    kept = pq.read_schema(tmp_path / "b.parquet").metadata
    assert kept[b"more"] == b"x"
    assert json.loads(kept[b"PANDAS_ATTRS"])["teachlab.recording"]["sample_rate_hz"] == INFO.sample_rate_hz
    assert read_recording(tmp_path / "b.parquet").info.unit == INFO.unit


def test_the_footer_of_a_recording_goes_with_it(tmp_path, monkeypatch):
    """One of many row groups takes memory: it must not wait until circles of objects are looked for."""
    write_recording(tmp_path / "r.parquet", [np.arange(3, dtype=np.uint16)], INFO)

    def footers():
        return sum(isinstance(held, pq.FileMetaData) for held in gc.get_objects())

    gc.collect()
    before = footers()
    gc.disable()
    try:
        opened = read_recording(tmp_path / "r.parquet")
        assert (opened.light[0:3].tolist(), footers()) == ([0, 1, 2], before + 1)
        del opened
        assert footers() == before
    finally:
        gc.enable()


def test_a_sample_without_a_time_stays_without_one(tmp_path):
    path = tmp_path / "timed.parquet"
    none = np.iinfo(np.int64).min
    with RecordingWriter(path, INFO, np.uint16, time=pa.timestamp("ns")) as writer:
        for at in ([0, none, 2_000_000], [3_000_000, 4_000_000, 5_000_000]):
            writer.append(np.array([1, 2, 3], np.uint16), time=np.array(at, np.int64))
    assert pq.read_table(path)["time"].cast(pa.int64()).to_pylist() == [
        0,
        None,
        *range(2_000_000, 5_000_001, 1_000_000),
    ]


def test_choices_may_be_given_as_text_and_are_no_other_words() -> None:
    """A text that was left as it was made a rise a dip, and let a claim be made on synthetic light."""
    info = RecordingInfo(
        sample_rate_hz=1000, unit="counts", direction="rise", origin="synthetic", sensing="diffuse",
        output=LoggedOutput(active="low"),
    )  # fmt: skip
    assert (info.direction, info.origin, info.sensing) == (Direction.RISE, Origin.SYNTHETIC, Sensing.DIFFUSE)
    assert info.direction is Direction.RISE
    assert info.origin is Origin.SYNTHETIC
    assert info.output is not None
    assert info.output.active is OutputWhen.LOW
    truth = Truth.from_arrays([3], [5], source="self-labelled")
    assert truth.source is TruthSource.SELF_LABELLED
    with pytest.raises(RecordingError, match="direction must be one of rise, dip, got 'up'"):
        RecordingInfo(sample_rate_hz=1000, unit="counts", direction="up")
    with pytest.raises(TruthError, match="source must be one of"):
        Truth.from_arrays([3], [5], source="me")
    with pytest.raises(SettingError, match="polarity must be one of light-on, dark-on, got 'light'"):
        Setting(unit="counts", on_level=2, off_level=1, polarity="light")
