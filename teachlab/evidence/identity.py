"""Identity of inputs and software: digests of data and setting, versions."""

from __future__ import annotations

import functools
import hashlib
import json
import platform
from importlib import metadata
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from teachlab.data.atomic_files import current
from teachlab.errors import InputError

if TYPE_CHECKING:
    from teachlab.model.recording import Recording
    from teachlab.model.truth import Truth

LIBRARIES = ("numpy", "scipy", "pyarrow", "matplotlib", "jinja2")
"""Libraries whose version may change a number or the page."""


def file_digest(path: str | Path) -> str | None:
    """Return the SHA-256 of a file's bytes; None for an address that is not a local file."""
    if "://" in str(path):
        return None
    digest = hashlib.sha256()
    try:
        with current(path).open("rb") as file:
            while piece := file.read(1 << 20):
                digest.update(piece)
    except (OSError, ValueError) as fault:
        reason = fault.strerror if isinstance(fault, OSError) else "a name cannot hold a zero byte"
        raise InputError(f"{str(path)!r}: cannot be read: {reason}. Give the path of the file.") from None
    return digest.hexdigest()


def samples_digest(recording: Recording, start: int = 0, stop: int | None = None) -> str:
    """Return the SHA-256 of decoded samples; it does not depend on how the file encodes and groups them.

    Notes
    -----
    Digest of the stored type, of the little-endian values with 0 for every invalid sample, and of one byte per sample
    that is 1 if the sample is invalid.
    """
    values, holes = hashlib.sha256(), hashlib.sha256()
    for block in recording.blocks(start, stop):
        light, invalid = block.light, block.invalid_mask()
        if invalid is not None:
            light = np.where(invalid, np.zeros(1, light.dtype), light)
        else:
            invalid = np.zeros(light.size, bool)
        values.update(np.ascontiguousarray(light, light.dtype.newbyteorder("<")).tobytes())
        holes.update(invalid.astype(np.uint8).tobytes())
    whole = f"{recording.dtype.name} {values.hexdigest()} {holes.hexdigest()}"
    return hashlib.sha256(whole.encode()).hexdigest()


def truth_digest(truth: Truth) -> str:
    """Return the SHA-256 of every pass with everything known about it."""
    lots = [None] * truth.passes if truth.lot is None else [str(name) for name in truth.lot]
    rows = [
        [int(a), int(b), bool(d), str(label), lot]
        for a, b, d, label, lot in zip(truth.start, truth.end, truth.detect, truth.label, lots, strict=True)
    ]
    return json_digest([str(truth.source), float(truth.uncertainty_samples), rows])


def json_digest(value: Any) -> str:
    """Return the SHA-256 of a plain JSON value; it does not depend on the order of keys."""
    text = json.dumps(value, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False)
    return hashlib.sha256(text.encode()).hexdigest()


def software() -> dict[str, str]:
    """Return the versions that made a record, and the digest of this package's source."""
    versions = {name: metadata.version(name) for name in LIBRARIES}
    return {
        "teachlab": metadata.version("teachlab"),
        "source_sha256": source_digest(),
        "python": platform.python_version(),
        **versions,
    }


@functools.cache
def source_digest() -> str:
    """Return the SHA-256 of every source file of this package, in the order of their names.

    Read once: the code that runs is the code that was loaded, even if the files change meanwhile.
    """
    digest = hashlib.sha256()
    root = Path(__file__).parents[1]
    for path in sorted(root.rglob("*"), key=lambda p: p.relative_to(root).as_posix()):
        if path.suffix in {".py", ".j2"}:
            content = path.read_bytes().replace(b"\r\n", b"\n")
            digest.update(f"{path.relative_to(root).as_posix()} {len(content)}\n".encode() + content)
    return digest.hexdigest()
