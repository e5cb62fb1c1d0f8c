"""Logs whose headers lie about sizes: one message and exit code 2, in bounded memory and time."""

from __future__ import annotations

import json
import re
import signal
import struct
import warnings
import zipfile
import zlib
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
import shell
from typer.testing import Result

LIGHT = np.tile(np.repeat([30.0, 70.0], 20), 50)
ZEROS = 300_000_000
"""Bytes that a bomb unpacks to; half of it would be seen."""


def peak_kb() -> int:
    found = re.search(r"VmHWM:\s+(\d+)", Path("/proc/self/status").read_text())
    assert found is not None
    return int(found[1])


@contextmanager
def bounded() -> Iterator[None]:
    """Fail if the block takes 150 MB more than the process holds, or 20 s of processor time."""

    def too_long(number: int, frame: object) -> None:
        raise AssertionError("more than 20 s")

    old = signal.signal(signal.SIGPROF, too_long)
    signal.setitimer(signal.ITIMER_PROF, 20)
    Path("/proc/self/clear_refs").write_text("5")  # the peak begins anew at what is held now
    before = peak_kb()
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_PROF, 0)
        signal.signal(signal.SIGPROF, old)
    assert peak_kb() - before < 150_000


needs_linux = pytest.mark.skipif(not Path("/proc/self/clear_refs").exists(), reason="begins a peak anew by /proc")


def imported(log: Path, *more: str) -> Result:
    words = ["import", str(log), "--unit", "mV", "--column", "light", "--rate", "100", "--memory", "0.4", *more]
    with warnings.catch_warnings(), bounded():
        warnings.simplefilter("ignore")  # a foreign reader may warn of what it meets
        return shell.invoke(*words, "--out", log.parent / "made.parquet")


def check(done: Result, folder: Path, says: str) -> None:
    assert done.exit_code == 2, done.output
    assert re.search(says, " ".join(done.stderr.split())), done.stderr
    assert done.stderr.count("teachlab: ") == 1
    assert len(done.stderr) < 610
    assert not list(folder.glob("made*"))
    assert not list(folder.glob(".teachlab*"))


def read(done: Result, folder: Path, samples: int = LIGHT.size) -> None:
    assert done.exit_code == 0, done.output
    assert pq.ParquetFile(folder / "made.parquet").metadata.num_rows == samples


# ---- Parquet: written by hand, so that every size can lie --------------------------------------------------------


def varint(number: int) -> bytes:
    out = b""
    while number > 127:
        out, number = out + bytes([number & 127 | 128]), number >> 7
    return out + bytes([number])


def thrift(value: Any) -> bytes:
    """Write (kind, value) by the compact protocol of Thrift, which Parquet's footer and page heads use."""
    kind, held = value
    if kind in (5, 6):
        return varint(held << 1 if held >= 0 else (-held << 1) - 1)
    if kind == 8:
        return varint(len(held)) + held
    if kind == 9:
        return bytes([len(held) << 4 | held[0][0]]) + b"".join(map(thrift, held))
    out, last = b"", 0
    for field, inner in sorted(held.items()):
        out, last = out + bytes([field - last << 4 | inner[0]]) + thrift(inner), field
    return out + b"\0"


def parquet(path: Path, **lies: Any) -> None:
    """Write one column of doubles in one page; lies take the place of what is true."""
    raw = LIGHT.tobytes()
    body = lies.get("body", pa.Codec("zstd").compress(raw, asbytes=True))
    rows, values = lies.get("rows", LIGHT.size), lies.get("values", LIGHT.size)
    head = {1: (5, 0), 2: (5, lies.get("unpacked", len(raw))), 3: (5, lies.get("packed", len(body)))}
    head[5] = (12, {1: (5, values), 2: (5, 0), 3: (5, 3), 4: (5, 3)})  # type: ignore[assignment]
    chunk = thrift((12, head)) + body
    told = {1: (5, 5), 2: (9, [(5, 0)]), 3: (9, [(8, b"light")]), 4: (5, 6), 5: (6, rows), 6: (6, 8 * LIGHT.size)}
    told |= {7: (6, lies.get("chunk", len(chunk))), 9: (6, 4)}
    group = (12, {1: (9, [(12, {2: (6, 4), 3: (12, told)})]), 2: (6, len(raw)), 3: (6, rows)})
    info = json.dumps({"schema": 1, "sample_rate_hz": 100.0, "unit": "mV"}).encode()
    schema = [(12, {4: (8, b"s"), 5: (5, 1)}), (12, {1: (5, 5), 3: (5, 0), 4: (8, b"light")})]
    footer = {1: (5, 1), 2: (9, schema), 3: (6, rows), 4: (9, [group])}
    footer[5] = (9, [(12, {1: (8, b"teachlab.recording"), 2: (8, info)})])
    end = thrift((12, footer))
    path.write_bytes(b"PAR1" + chunk + end + struct.pack("<I", len(end)) + b"PAR1")


def bomb() -> bytes:
    packed: bytes = pa.Codec("zstd").compress(bytes(ZEROS), asbytes=True)
    assert len(packed) < 40_000
    return packed


@needs_linux
@pytest.mark.parametrize(
    ("lies", "says"),
    [
        ({"body": None, "unpacked": ZEROS}, "a page of column 'light' needs about 0.6 GB"),
        ({"unpacked": 2**31 - 1}, "a page of column 'light' needs about 4.3 GB"),
        ({"unpacked": -5}, "cannot be decoded: Invalid page header"),
        ({"packed": 2**31 - 1}, "Page was smaller"),
        ({"chunk": 2**40}, "cannot be decoded|cut short"),
        ({"values": 2**31 - 1}, "holds 2,147,483,647 rows where the end of the file tells of 2,000"),
        ({"rows": 10**12}, "holds 2,000 rows where the end of the file tells of 1,000,000,000,000"),
        ({"rows": 3_000_000}, "holds 2,000 rows where"),
        ({"rows": 10_000}, "holds 2,000 rows where"),
        ({"rows": 100}, "holds 2,000 rows where"),
        ({"rows": 10**12, "values": 2**31 - 1}, "holds 2,147,483,647 rows where"),
    ],
)
def test_a_parquet_file_that_lies_is_refused(tmp_path: Path, lies: dict[str, Any], says: str) -> None:
    parquet(tmp_path / "log.parquet", **({**lies, "body": bomb()} if "body" in lies else lies))
    check(imported(tmp_path / "log.parquet"), tmp_path, says)
    with bounded():
        done = shell.invoke("inspect", tmp_path / "log.parquet", "--memory", "0.4")
    check(done, tmp_path, says)


@needs_linux
def test_a_late_row_group_that_could_unpack_to_too_much_is_looked_at(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("teachlab.data.parquet_source.ALWAYS_LOOKED_AT", 0)
    parquet(tmp_path / "log.parquet", body=bomb(), unpacked=ZEROS)
    check(imported(tmp_path / "log.parquet"), tmp_path, "a page of column 'light' needs about 0.6 GB")
    parquet(tmp_path / "log.parquet")
    read(imported(tmp_path / "log.parquet"), tmp_path)


def test_pages_of_every_writer_are_counted_right(tmp_path: Path) -> None:
    """Dictionaries, both versions of pages, nulls, checksums, names with points: what Arrow writes is read."""
    light = pa.array([None if k % 7 == 0 else 30.0 + k % 40 for k in range(5000)])
    parquet(tmp_path / "log.parquet")
    read(imported(tmp_path / "log.parquet"), tmp_path)
    for version in ("1.0", "2.0"):
        for codec in ("none", "snappy", "gzip", "zstd", "lz4", "brotli"):
            more = {"use_dictionary": codec == "gzip", "write_page_checksum": codec == "zstd", "data_page_size": 500}
            table = pa.table({"lamp.light": light, "what": pa.array([["a", "b"]] * 5000)})
            pq.write_table(table, tmp_path / "log.parquet", 999, compression=codec, data_page_version=version, **more)
            words = ["import", str(tmp_path / "log.parquet"), "--unit", "mV", "--column", "lamp.light", "--rate", "100"]
            done = shell.invoke(*words, "--out", tmp_path / "made.parquet", "--force")
            read(done, tmp_path, 5000)


# ---- OpenDocument ------------------------------------------------------------------------------------------------

NAMES = "urn:oasis:names:tc:opendocument:xmlns:"
EMPTY = "<table:table-cell{}/>"


def cell(value: float, times: int | str = 1) -> str:
    again = "" if times == 1 else f' table:number-columns-repeated="{times}"'
    return f'<table:table-cell office:value-type="float" office:value="{value}"{again}/>'


def row(cells: str, times: int | str = 1) -> str:
    again = "" if times == 1 else f' table:number-rows-repeated="{times}"'
    return f"<table:table-row{again}>{cells}</table:table-row>"


HEAD = row('<table:table-cell office:value-type="string"><text:p>light</text:p></table:table-cell>')
SHEET = HEAD + "".join(row(cell(value)) for value in LIGHT)
TO_THE_RIGHT = EMPTY.format(' table:number-columns-repeated="16383"')


def sheet(path: Path, rows: str, head: str = "") -> None:
    spaces = " ".join(f'xmlns:{name}="{NAMES}{name}:1.0"' for name in ("office", "table", "text"))
    body = f'<table:table table:name="a">{rows}</table:table>'
    content = f"<office:document-content {spaces}><office:body><office:spreadsheet>{body}</office:spreadsheet>"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as out:
        out.writestr("mimetype", "application/vnd.oasis.opendocument.spreadsheet")
        out.writestr("content.xml", f'<?xml version="1.0"?>{head}{content}</office:body></office:document-content>')
        out.writestr("META-INF/manifest.xml", f'<m:manifest xmlns:m="{NAMES}manifest:1.0"/>')


@needs_linux
@pytest.mark.parametrize(
    ("rows", "says"),
    [
        (row(cell(1), 10**8), "100,000,000 × 1 cells needs about 6 GB"),
        (row(cell(1, 2 * 10**8)), "1 × 200,000,000 cells needs about 12 GB"),
        (row(cell(1, 16384), 5000), "5,000 × 16,384 cells needs about 4.9 GB"),
        (SHEET + row(EMPTY.format(""), 3 * 10**8) + row(cell(5)), "300,002,002 × 1 cells"),
        (SHEET + row(EMPTY.format(' table:number-columns-repeated="900000"') + cell(5)), "2,002 × 900,001 cells"),
        (row(cell(1), "9" * 30), "endless rows needs"),
        (row(cell(1), "9" * 5000), "not a readable"),
        (row(cell(1), -5), "not a readable|no column"),
        (row(cell(1), "many"), "not a readable"),
    ],
)
def test_a_sheet_of_repeated_rows_or_cells_is_refused(tmp_path: Path, rows: str, says: str) -> None:
    pytest.importorskip("python_calamine")
    sheet(tmp_path / "log.ods", rows)
    check(imported(tmp_path / "log.ods"), tmp_path, says)


@needs_linux
def test_a_sheet_whose_entities_multiply_is_refused(tmp_path: Path) -> None:
    pytest.importorskip("python_calamine")
    entities = "".join(f'<!ENTITY e{k + 1} "{f"&e{k};" * 10}">' for k in range(9))
    sheet(tmp_path / "log.ods", row(cell(1)), f'<!DOCTYPE x [<!ENTITY e0 "lol">{entities}]>')
    check(imported(tmp_path / "log.ods"), tmp_path, "it declares entities")


def test_a_sheet_that_is_empty_to_its_last_cell_is_read(tmp_path: Path) -> None:
    """Programs fill a sheet up to its end with empty rows and cells, each told once."""
    pytest.importorskip("python_calamine")
    rows = SHEET.replace("/></table:table-row>", f"/>{TO_THE_RIGHT}</table:table-row>")
    sheet(tmp_path / "log.ods", rows + row(TO_THE_RIGHT, 1_046_575))
    read(imported(tmp_path / "log.ods"), tmp_path)


# ---- HDF5 --------------------------------------------------------------------------------------------------------


def deflated(size: int) -> bytes:
    packer = zlib.compressobj(9)
    return b"".join(packer.compress(bytes(10**6)) for _ in range(size // 10**6)) + packer.flush()


def long_stream(file: Any) -> None:
    node = file.create_dataset("light", LIGHT.shape, "f8", chunks=LIGHT.shape, compression="gzip")
    node.id.write_direct_chunk((0,), deflated(ZEROS))


def packed_twice(file: Any) -> None:
    import h5py

    settings = h5py.h5p.create(h5py.h5p.DATASET_CREATE)
    settings.set_chunk(LIGHT.shape)
    settings.set_deflate(9)
    settings.set_deflate(9)
    space = h5py.h5s.create_simple(LIGHT.shape)
    h5py.h5d.create(file.id, b"light", h5py.h5t.NATIVE_DOUBLE, space, settings)
    file["light"].id.write_direct_chunk((0,), zlib.compress(deflated(ZEROS), 9))


def never_written(file: Any) -> None:
    file.create_dataset("light", (10**12,), "f8", chunks=(1 << 16,), compression="gzip")


def never_written_plain(file: Any) -> None:
    file.create_dataset("light", (10**12,), "f8")


def hardly_written(file: Any) -> None:
    file.create_dataset("light", (10**11,), "f8", chunks=(10**4,), compression="gzip")[: 10**4] = 1.0


@needs_linux
@pytest.mark.parametrize(
    ("make", "says"),
    [
        (long_stream, "a chunk of 'light' needs about 0.4 GB"),
        (packed_twice, "packed more than once"),
        (never_written, "0 of its 15,258,790 chunks were written"),
        (never_written_plain, "1,000,000,000,000 samples, which were never written"),
        (hardly_written, "1 of its 10,000,000 chunks were written"),
    ],
)
def test_an_hdf5_file_that_lies_is_refused(tmp_path: Path, make: Callable[[Any], None], says: str) -> None:
    with pytest.importorskip("h5py").File(tmp_path / "log.h5", "w") as file:
        make(file)
    assert (tmp_path / "log.h5").stat().st_size < 1_000_000
    check(imported(tmp_path / "log.h5"), tmp_path, says)


def test_hdf5_files_with_every_filter_are_read(tmp_path: Path) -> None:
    h5py = pytest.importorskip("h5py")
    shapes: tuple[dict[str, Any], ...] = (
        {}, {"chunks": (300,)}, {"chunks": (300,), "compression": "gzip", "shuffle": True, "fletcher32": True},
        {"chunks": (300,), "compression": "lzf"}, {"chunks": (300,), "scaleoffset": 0}, {"maxshape": (None,)},
    )  # fmt: skip
    for more in shapes:
        with h5py.File(tmp_path / "log.h5", "w") as file:
            file.create_dataset("light", data=LIGHT.astype("i4"), **more)
        done = imported(tmp_path / "log.h5", "--force")
        read(done, tmp_path)


# ---- MDF ---------------------------------------------------------------------------------------------------------


def mdf(path: Path, version: str = "4.10", compression: int = 0) -> bytearray:
    asammdf = pytest.importorskip("asammdf")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        out = asammdf.MDF(version=version)
        out.append([asammdf.Signal(LIGHT, np.arange(LIGHT.size) / 100, name="light", unit="mV")])
        out.save(path, overwrite=True, compression=compression)
        out.close()
    return bytearray(path.read_bytes())


def blocks(data: bytes, mark: bytes) -> list[int]:
    return [found.start() for found in re.finditer(b"##" + mark + b"\0{4}", data)]


def after_links(data: bytes, at: int) -> int:
    return int(at + 24 + 8 * struct.unpack_from("<Q", data, at + 16)[0])


def circle(mark: bytes) -> Callable[[bytearray], None]:
    def change(data: bytearray) -> None:
        at = blocks(data, mark)[0]
        struct.pack_into("<Q", data, at + 24, at)

    return change


def rows_told(count: int) -> Callable[[bytearray], None]:
    return lambda data: struct.pack_into("<Q", data, after_links(data, blocks(data, b"CG")[0]) + 8, count)


def long_rows(data: bytearray) -> None:
    struct.pack_into("<I", data, after_links(data, blocks(data, b"CG")[0]) + 24, 2**31)


def far_link(data: bytearray) -> None:
    struct.pack_into("<Q", data, blocks(data, b"DG")[0] + 24, 2**40)


def told_of_block(data: bytearray) -> None:
    struct.pack_into("<Q", data, blocks(data, b"DZ")[0] + 32, 10**12)


def longer_block(data: bytearray) -> None:
    """Add a packed block that tells of as many bytes as before, and unpacks to more; the group leads there."""
    old = blocks(data, b"DZ")[0]
    (told,) = struct.unpack_from("<Q", data, old + 32)
    stream, new = deflated(ZEROS), len(data)
    data += b"##DZ\0\0\0\0" + struct.pack("<QQ2sBBIQQ", 48 + len(stream), 0, b"DT", 0, 0, 0, told, len(stream)) + stream
    struct.pack_into("<Q", data, data.index(struct.pack("<Q", old), blocks(data, b"DG")[0]), new)


@needs_linux
@pytest.mark.parametrize(
    ("compression", "change", "says"),
    [
        (0, circle(b"CN"), "its blocks lead in a circle"),
        (0, circle(b"CG"), "its blocks lead in a circle"),
        (0, circle(b"DG"), "its blocks lead in a circle"),
        (0, rows_told(2**40), r"its rows take 17,592,186,044,416 bytes .* and 32,000 are there"),
        (0, rows_told(2**63 - 1), "its rows take"),
        (0, rows_told(2001), "its rows take 32,016 bytes by what the file tells, and 32,000 are there"),
        (0, long_rows, "its rows take"),
        (0, far_link, "a block lies outside the file"),
        (1, told_of_block, "a block of this file needs about 3000 GB"),
        (1, longer_block, "a block of this file needs about 0.4 GB"),
    ],
)
def test_an_mdf_file_that_lies_is_refused(
    tmp_path: Path, compression: int, change: Callable[[bytearray], None], says: str
) -> None:
    data = mdf(tmp_path / "log.mf4", compression=compression)
    change(data)
    (tmp_path / "log.mf4").write_bytes(data)
    check(imported(tmp_path / "log.mf4", "--no-time"), tmp_path, says)


@pytest.mark.parametrize(("version", "compression"), [("3.30", 0), ("4.00", 0), ("4.10", 1), ("4.10", 2), ("4.20", 1)])
def test_mdf_files_of_every_version_are_read(tmp_path: Path, version: str, compression: int) -> None:
    log = tmp_path / ("log.mdf" if version < "4" else "log.mf4")
    mdf(log, version, compression)
    read(imported(log, "--no-time"), tmp_path)


@needs_linux
def test_an_older_mdf_file_that_leads_in_a_circle_is_refused(tmp_path: Path) -> None:
    data = mdf(tmp_path / "log.mdf", "3.30")
    (group,) = struct.unpack_from("<I", data, 68)
    struct.pack_into("<I", data, group + 4, group)
    (tmp_path / "log.mdf").write_bytes(data)
    check(imported(tmp_path / "log.mdf", "--no-time"), tmp_path, "its blocks lead in a circle")


# ---- TDMS and MAT ------------------------------------------------------------------------------------------------


def _lie_at(log: Path, places: range, value: int) -> None:
    """Put a number at each place in turn: the log is refused in one message, or read as far as it goes."""
    data, made = log.read_bytes(), log.with_name("made.parquet")
    for at in places:
        log.write_bytes(data[:at] + struct.pack("<I", value) + data[at + 4 :])
        done = imported(log, "--force")
        assert done.exit_code in (0, 2), done.output
        if done.exit_code == 0:
            assert pq.ParquetFile(made).metadata.num_rows <= LIGHT.size * 8
        made.unlink(missing_ok=True)


@needs_linux
@pytest.mark.parametrize("value", [0, 1, 2**16, 2**31 - 1, 2**32 - 1])
def test_every_number_of_a_tdms_head_may_lie(tmp_path: Path, value: int) -> None:
    """Every four bytes of the head in turn: refused in one message, or read as far as it goes."""
    nptdms = pytest.importorskip("nptdms")
    log = tmp_path / "log.tdms"
    with nptdms.TdmsWriter(log) as out:
        out.write_segment([nptdms.ChannelObject("g", "light", LIGHT, properties={"unit_string": "mV"})])
    data = log.read_bytes()
    head = len(data) - LIGHT.nbytes
    _lie_at(log, range(4, head - 3, 4 if value else 8), value)


@needs_linux
@pytest.mark.parametrize("value", [1, 2**16, 2**31 - 1, 2**32 - 8])
def test_every_number_of_a_mat_head_may_lie(tmp_path: Path, value: int) -> None:
    from scipy.io import savemat

    log = tmp_path / "log.mat"
    savemat(log, {"light": LIGHT}, do_compression=False)
    data = log.read_bytes()
    _lie_at(log, range(124, len(data) - LIGHT.nbytes, 2), value)


@pytest.mark.parametrize("packed", [False, True])
def test_variables_of_every_kind_are_what_scipy_reads(tmp_path: Path, packed: bool) -> None:
    from scipy.io import loadmat, savemat

    from teachlab.data.importing.reading.mat_variables import variables_of

    rng = np.random.default_rng(8)
    content: dict[str, Any] = {
        f"v_{kind}_{k}": rng.integers(0, 100, shape).astype(kind)
        for kind in ("f8", "f4", "i1", "u1", "i2", "u2", "i4", "u4", "i8", "u8")
        for k, shape in enumerate([(1, 1), (1, 3), (3, 1), (40, 3), (0, 0), (2, 3, 4)])
    }
    beside = {"text": "light", "cells": np.array([1, "a"], object), "fields": {"a": 1.0}, "complex": np.array([1j, 2])}
    savemat(tmp_path / "log.mat", content | beside, do_compression=packed)
    expected = {n: v for n, v in loadmat(tmp_path / "log.mat").items() if n in content}
    found = {one.name: one.read(str(tmp_path / "log.mat")) for one in variables_of(str(tmp_path / "log.mat"))}
    assert found.keys() == expected.keys()
    for name, values in expected.items():
        np.testing.assert_array_equal(found[name], values)
        assert found[name].dtype.newbyteorder("=") == values.dtype.newbyteorder("=")
