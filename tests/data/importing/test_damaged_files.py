"""Files of measurement systems with wrong bits, numbers, lost bytes and cuts: one message, or the light of the log."""

from __future__ import annotations

import gc
import logging
import struct
from pathlib import Path

import numpy as np
import pytest
from loading import script

from teachlab.data.importing import ImportJob, import_log
from teachlab.errors import InputError
from teachlab.model.recording import RecordingInfo

HERE = Path(__file__).parent
made_logs, bounded = script(HERE / "made_logs.py"), script(HERE / "test_lying_sizes.py").bounded
KINDS, ROWS = made_logs.KINDS, made_logs.ROWS
NUMBERS = (0, 1, 64, 2**31 - 1, 2**32 - 1, 2**40, 2**62, 2**63 - 1, 2**64 - 1, 1000 * ROWS)
FILES = {
    "whole.tdms": "nptdms",
    "log.mf4": "asammdf",
    "unit_of_an_old_file.mdf": "asammdf",
    "log.h5": "h5py",
    "scaled.h5": "h5py",
}
TRIES = 24


def damaged(whole: bytes, rng: np.random.Generator) -> bytes:
    """Return bytes with a wrong bit or number in a head, with some lost or added, or cut."""
    out, at = bytearray(whole), int(rng.integers(min(len(whole), 2048)))
    match rng.integers(6):
        case 0:
            del out[int(rng.integers(1, len(out))) :]
        case 1:
            out[at] ^= 1 << int(rng.integers(8))
        case 2:
            out[at : at + 8] = struct.pack("<Q", NUMBERS[rng.integers(len(NUMBERS))])
        case 3:
            out[at : at + 4] = struct.pack("<I", NUMBERS[rng.integers(len(NUMBERS))] % 2**32)
        case 4:
            del out[at : at + int(rng.integers(1, 64))]
        case _:
            out[at:at] = rng.bytes(int(rng.integers(1, 64)))
    return bytes(out)


@pytest.mark.filterwarnings("ignore")
@pytest.mark.parametrize("name", FILES)
def test_a_damaged_file_ends_in_one_message_or_loses_no_row(tmp_path: Path, name: str) -> None:
    pytest.importorskip(FILES[name])
    logging.getLogger("asammdf").setLevel(logging.CRITICAL)
    log, out, told, read = tmp_path / name, tmp_path / "out.parquet", list[str](), 0
    next(made for made in KINDS if made.name == name).write(log)
    whole, info = log.read_bytes(), RecordingInfo(sample_rate_hz=1.0, unit="mV")
    rng = np.random.default_rng(sum(name.encode()))
    for _ in range(TRIES):
        log.write_bytes(damaged(whole, rng))
        try:
            with bounded():
                found = import_log(ImportJob(path=str(log), out=str(out), info=info, column="light"))
        except InputError as fault:
            told.append(str(fault))
        else:
            read += 1
            assert found.samples == ROWS or found.notes
            out.unlink()
        gc.collect()  # foreign readers leave their files open when they meet a damaged one
        assert not list(tmp_path.glob("*.part"))
    assert len(told) >= TRIES / 4
    assert read
    assert not [fault for fault in told if "\n" in fault or len(fault) >= 600]
