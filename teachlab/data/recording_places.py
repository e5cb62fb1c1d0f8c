"""Which recordings globs, folders and addresses mean; tables of passes never count as recordings."""

from __future__ import annotations

import glob
import os
from collections import Counter
from collections.abc import Iterable, Sequence
from pathlib import Path

from teachlab.data.addresses import divided, exists, found_at, is_address, stem_of
from teachlab.data.parquet_source import COLUMN, open_parquet
from teachlab.errors import InputError, RecordingError

PASSES = (".passes.parquet", ".passes.csv")
ENDING = ".parquet"


def find_recordings(named: Iterable[str | os.PathLike[str]], *, left_out: str | None = None) -> list[str]:
    """Return the meant recordings, each once, in the order named; those of one pattern or folder sorted by name.

    `named`: files, addresses, patterns such as ``rec/**/*.parquet``, and folders, which are searched with all their
    subfolders. Tables of passes are ignored, and so are Parquet files of a folder or pattern that can be read and have
    no column ``light``. Files that cannot be read are reported when they are opened.
    `left_out`: a folder whose files are no inputs: where results are written.
    Raises InputError if a named file is missing, a pattern or folder holds no recording, or only in `left_out`, a name
    is no text, or only a table of passes was named.
    """
    found: dict[str, str] = {}
    passes: list[str] = []
    for one in named:
        text = os.fspath(one)
        searched = _searched(text)
        if searched is None:
            if not (exists(text) if is_address(text) else os.path.lexists(text)):
                raise InputError(f"{text}: there is no such file. Give the path of a recording.")
            if divided(text)[0].endswith(PASSES):
                passes.append(text)
                continue
            members = [text]
        else:
            members = [m for m in sorted(searched) if not _below(m, left_out) and _may_be_recording(m)]
            if not members and any(_below(m, left_out) and _may_be_recording(m) for m in searched):
                raise InputError(
                    f"'{text}': its recordings lie in {left_out}, where results are to be written. Write them to "
                    "another folder."
                )
            if not members:
                raise InputError(f"'{text}': no recording is found there. Name NAME.parquet files, or their folder.")
        for member in members:
            if member.encode(errors="replace").decode() != member:
                raise InputError(f"{member}: this name is not text in UTF-8. Rename the file, or its folder.")
            found.setdefault(member if is_address(member) else os.path.realpath(member), member)
    if not found:
        if passes:
            raise InputError(f"{passes[0]}: this is a table of passes. Name the recording beside it.")
        raise InputError("no recording is named. Name NAME.parquet files, a pattern, or a folder.")
    return list(found.values())


def telling_names(paths: Sequence[str]) -> list[str]:
    """Return the shortest ends of paths that are all different: the plain name if it occurs once.

    Examples
    --------
    >>> telling_names(["north/line.parquet", "south/line.parquet", "south/other.parquet"])
    ['north/line', 'south/line', 'other']
    >>> telling_names(["line.parquet", "line.pq"])
    ['line.parquet', 'line.pq']
    """
    plain = [divided(path.replace(os.sep, "/"))[0] for path in paths]
    parts = [[*part.split("/")[:-1], stem_of(part)] for part in plain]
    out: dict[int, str] = {}
    alike = Counter(tuple(own) for own in dict(zip(plain, parts, strict=True)).values())
    # Files that differ by their ending alone are told with it.
    parts = [[*own[:-1], part.split("/")[-1]] if alike[tuple(own)] > 1 else own
             for part, own in zip(plain, parts, strict=True)]  # fmt: skip
    for length in range(1, max(map(len, parts), default=0) + 1):
        many = Counter(tuple(own[-length:]) for own in parts)
        for k, own in enumerate(parts):
            if k not in out and (length >= len(own) or many[tuple(own[-length:])] == 1):
                out[k] = "/".join(own[-length:])
    return [out[k] for k in range(len(parts))]


def _searched(text: str) -> list[str] | None:
    """Return the files in a pattern or a folder; None for the name of one file."""
    if is_address(text):
        return found_at(text)
    if os.path.isdir(text):
        return [str(p) for p in Path(text).rglob(f"*{ENDING}")]
    if glob.has_magic(text) and not os.path.lexists(text):
        return glob.glob(text, recursive=True)
    return None


def _below(path: str, folder: str | None) -> bool:
    if folder is None or is_address(folder) != is_address(path):
        return False
    if is_address(path):
        return path.startswith(divided(folder)[0].rstrip("/") + "/")
    return Path(os.path.realpath(folder)) in Path(os.path.realpath(path)).parents


def _may_be_recording(path: str) -> bool:
    name = divided(path)[0]
    if not name.endswith(ENDING) or name.endswith(PASSES):
        return False
    try:
        return COLUMN in open_parquet(path, "a recording", RecordingError).schema_arrow.names
    except RecordingError:
        return True
