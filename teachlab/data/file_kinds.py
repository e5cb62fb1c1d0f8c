"""What an existing file is, found from its content, so that no result replaces something else."""

from __future__ import annotations

import json
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq

HEAD = 1 << 16
_MARKS = (
    (b"\x89PNG", "a PNG picture"),
    (b"%PDF", "a PDF"),
    (b"# teachlab.passes", "a table of passes"),
    (b"sample,time_s,active", "a table of edges"),
    (b'"sample","time_s","active"', "a table of edges"),
    (b'"time_s","light"', "a raw log"),
    (b"time_s,light", "a raw log"),
)
_KEYS = (
    ("on_level", "a setting"),
    ("abstained", "an abstention"),
    ("record_sha256", "an evidence record"),
    ("scenario", "the recipe of a synthetic recording"),
    ("effects", "a study"),
    ("ranking", "a bench"),
)


def kind_of(path: str | Path) -> str:
    """Return what a file holds, in words; an empty text if it is empty or missing.

    Examples
    --------
    >>> import tempfile
    >>> file = Path(tempfile.mkdtemp()) / "x.json"
    >>> _ = file.write_text('{"on_level": 5}')
    >>> kind_of(file)
    'a setting'
    """
    place = Path(path)
    try:
        if not place.is_file():  # a pipe would wait for its writer
            return ""
        with place.open("rb") as file:
            head = file.read(HEAD)
    except (OSError, ValueError):
        return ""
    if not head.strip():
        return ""
    if head.startswith(b"PAR1"):
        return _parquet(place)
    if head.startswith(b"PK\x03\x04") and head[30:].startswith(b"result.json"):
        return "a bundle"
    text = head.lstrip(b"\xef\xbb\xbf \t\r\n")
    for mark, kind in _MARKS:
        if text.startswith(mark):
            return kind
    if text.startswith(b"{"):
        return _json(place)
    if b"<svg" in text[:2000] and b"<html" not in text[:2000].lower():
        return "an SVG picture"
    if text[:2000].lower().find(b"<html") >= 0:
        return "a page"
    first = [name.strip().strip('"') for name in text.split(b"\n", 1)[0].decode("utf-8", "replace").split(",")]
    if {"start", "end"} <= set(first):
        return "a table of passes"
    return "another file"


def _parquet(place: Path) -> str:
    try:
        with pq.ParquetFile(place) as file:
            keys = {**(file.schema_arrow.metadata or {}), **(file.metadata.metadata or {})}
            names = set(file.schema_arrow.names)
    except (pa.ArrowException, OSError, UnicodeDecodeError):
        return "another file"
    if b"teachlab.recording" in keys:
        return "a recording"
    if b"teachlab.passes" in keys or {"start", "end"} <= names:
        return "a table of passes"
    if {"sample", "active"} <= names:
        return "a table of edges"
    if {"strategy", "draw"} <= names:
        return "the draws of a bench"
    return "another Parquet table"


def _json(place: Path) -> str:
    try:
        found = json.loads(place.read_bytes())
    except (OSError, ValueError, RecursionError):
        return "another JSON file"
    if not isinstance(found, dict):
        return "another JSON file"
    for key, kind in _KEYS:
        if key in found:
            return kind
    recordings = found.get("recordings")
    if isinstance(recordings, list) and isinstance(one := next(iter(recordings), None), dict) and "ranking" in one:
        return "a bench"
    return "another JSON file"
