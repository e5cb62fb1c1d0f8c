"""Addresses of remote files: ``s3://``, ``gs://``, ``https://`` …, through `pyarrow.fs`, otherwise through fsspec."""

from __future__ import annotations

import fnmatch
import re
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any
from urllib.parse import quote

import pyarrow as pa
from pyarrow import fs

from teachlab.errors import InputError

READ_ONLY = ("http", "https")
_MAGIC = re.compile(r"[*?\[]")
_NOT_IN_URI = re.compile(r"%(?![0-9A-Fa-f]{2})|[^!$-;=?-Z_a-z~]")
"""What stands in names, and in a URI only with its number: blanks, umlauts, brackets …"""


def is_address(location: object) -> bool:
    """Whether a location is an address, such as ``s3://bucket/line.parquet``, and not a local path."""
    return "://" in str(location)


def same_file(a: str, b: str) -> bool:
    """Whether two names mean the same local file, also through links."""
    return not is_address(a) and Path(a).exists() and Path(b).exists() and Path(a).samefile(b)


def divided(address: str) -> tuple[str, str]:
    """Return an address without its query, and the query with its mark: a query is not part of a name.

    Examples
    --------
    >>> divided("s3://line/a.parquet?region=here")
    ('s3://line/a.parquet', '?region=here')
    """
    name, mark, query = address.rpartition("?")
    # In a pattern, a question mark stands for a character; a query has at least one name and value.
    return (name, mark + query) if mark and "=" in query else (address, "")


def joined(folder: str, name: str) -> str:
    """Return an address inside a folder of addresses; the query stays at the end.

    Examples
    --------
    >>> joined("s3://line/rows?region=here", "a/b.parquet")
    's3://line/rows/a/b.parquet?region=here'
    """
    place, query = divided(folder)
    return f"{place.rstrip('/')}/{name}{query}"


def stem_of(location: object) -> str:
    """Return the name in a path or address, without its ending.

    Examples
    --------
    >>> stem_of("s3://line/a.b.parquet?x=1.5"), stem_of("rec/a.parquet")
    ('a.b', 'a')
    """
    return Path(divided(str(location))[0]).stem


def ending_of(location: object) -> str:
    """Return the ending of a name in small letters.

    Examples
    --------
    >>> ending_of("s3://line/A.Parquet?x=1.5"), ending_of("rec/line")
    ('.parquet', '')
    """
    return Path(divided(str(location))[0]).suffix.lower()


def system_of(address: str) -> tuple[fs.FileSystem, str]:
    """Return the file system of an address, and the path in it.

    Raises ValueError or OSError if no library knows such addresses, or they cannot be reached.
    """
    place, query = divided(address)
    scheme = place.partition("://")[0]
    try:
        host, slash, name = place.partition("://")[2].partition("/")
        name = _NOT_IN_URI.sub(lambda found: quote(found[0]), name)
        system, path = fs.FileSystem.from_uri(f"{scheme}://{host}{slash}{name}{query}")
        return system, path
    except (pa.ArrowInvalid, pa.ArrowNotImplementedError):
        try:
            import fsspec
        except ImportError:
            raise ValueError(
                f"addresses of '{scheme}://' need the extra 'remote': pip install 'teachlab[remote]'"
            ) from None
        try:
            found, path = fsspec.core.url_to_fs(address)
        except (ImportError, ValueError) as fault:
            raise ValueError(str(fault)) from None
        return fs.PyFileSystem(_ExactRanges(found)), path


def open_at(system: fs.FileSystem, path: str) -> Any:
    """Open a file of a file system for random access; a missing file, or a folder, raises as such."""
    if "\0" in path:
        raise ValueError("a name cannot hold a zero byte")
    kind = system.get_file_info(path).type
    if kind == fs.FileType.NotFound:
        raise FileNotFoundError(path)
    if kind == fs.FileType.Directory:
        raise IsADirectoryError(path)
    return system.open_input_file(path)


def read_at(address: str, allow: Callable[[int], None]) -> bytes:
    """Return all bytes at an address; a missing file, or a folder, raises as such.

    `allow`: called with their number before they are fetched; it may refuse.
    Raises InputError if they cannot be fetched.
    """
    try:
        with open_at(*system_of(address)) as source:
            allow(source.size())
            return bytes(source.read())
    except (FileNotFoundError, IsADirectoryError, InputError):
        raise
    except (OSError, ValueError, pa.ArrowException) as fault:
        raise InputError(f"{address}: cannot be read: {first_line(fault)}. Check the address and the rights.") from None


class _ExactRanges(fs.FSSpecHandler):  # type: ignore[misc]
    """A file opened by fsspec, read in exactly the ranges asked for: its read-ahead fetches megabytes for a footer."""

    def open_input_file(self, path: str) -> Any:
        found = self.fs.open(path, mode="rb", cache_type="none")
        return pa.PythonFile(found, mode="r")


def exists(address: str) -> bool:
    """Whether a file exists at an address."""
    try:
        system, path = system_of(address)
        return bool(system.get_file_info(path).type == fs.FileType.File)
    except FileNotFoundError:
        return False
    except (OSError, ValueError, pa.ArrowException) as fault:
        raise InputError(f"{address}: cannot be looked up: {first_line(fault)}. Check the address.") from None


def found_at(pattern: str) -> list[str] | None:
    """Return the files in a pattern of addresses, or in a folder of them; None for the address of one file.

    Raises InputError if they cannot be listed.
    """
    place, query = divided(pattern)
    magic = _MAGIC.search(place)
    if magic is None and (not place.endswith("/")):
        try:
            system, path = system_of(pattern)
            if system.get_file_info(path).type != fs.FileType.Directory:
                return None
        except (OSError, ValueError, pa.ArrowException):
            return None  # opening it will report it
    root = place[: place.rindex("/", 0, magic.start()) + 1] if magic is not None else place.rstrip("/") + "/"
    try:
        system, path = system_of(root.rstrip("/") + query)
        chosen = fs.FileSelector(path, recursive=True, allow_not_found=True)
        names = [one.path for one in system.get_file_info(chosen) if one.type == fs.FileType.File]
    except (OSError, ValueError, pa.ArrowException) as fault:
        raise InputError(f"{pattern}: cannot be listed: {first_line(fault)}. Name the files one by one.") from None
    inside = [name[len(path.rstrip("/")) + 1 :] for name in names]
    if magic is None:
        kept = inside
    else:
        wanted = _expression(place[len(root) :])
        kept = [name for name in inside if wanted.fullmatch(name)]
    return [f"{root}{name}{query}" for name in sorted(kept)]


def _expression(pattern: str) -> re.Pattern[str]:
    """Return a pattern as a regular expression, where ``*`` stays within a folder and ``**/`` goes through all."""
    parts = []
    for part in pattern.split("/"):
        parts.append("(?:.*/)?" if part == "**" else fnmatch.translate(part).replace(".*", "[^/]*").removesuffix("\\Z"))
    whole = ""
    for k, part in enumerate(parts):
        whole += part if part == "(?:.*/)?" or k == len(parts) - 1 else f"{part}/"
    return re.compile(whole)


def local_place(address: str) -> str:
    """Return the path in an address of a local file; any other address, or path, as it is.

    Examples
    --------
    >>> local_place("file:///line/rows%20now"), local_place("s3://line/rows"), local_place("rows")
    ('/line/rows now', 's3://line/rows', 'rows')
    """
    if not address.lower().startswith("file://"):
        return address
    with _written(address, "written"):
        return system_of(address)[1]


def remove_at(address: str) -> None:
    """Remove the file at an address, if there is one."""
    with _written(address, "removed"):
        system, path = system_of(address)
        if system.get_file_info(path).type == fs.FileType.File:
            system.delete_file(path)


def check_writable(address: str) -> None:
    """Refuse an address to which nothing can be written; call this before any work."""
    scheme = address.partition("://")[0].lower()
    if scheme in READ_ONLY:
        raise InputError(f"cannot write to '{address}': {scheme}:// is for reading. Name a local file, or s3:// …")
    with _written(address, "written"):
        system_of(address)


def put(content: Path, address: str) -> None:
    """Write a local file to an address, where it appears completely when its last byte has arrived."""
    with _written(address, "written"):
        system, path = system_of(address)
        with content.open("rb") as source, system.open_output_stream(path) as target:
            while piece := source.read(1 << 22):
                target.write(piece)


@contextmanager
def _written(address: str, done: str) -> Iterator[None]:
    try:
        yield
    except (OSError, ValueError, pa.ArrowException) as fault:
        raise InputError(
            f"'{address}' cannot be {done}: {first_line(fault)}. Check the address and the rights."
        ) from None


def first_line(fault: BaseException) -> str:
    """Return a library's error message, without further lines and without its full stop."""
    return (str(fault).strip().splitlines() or [type(fault).__name__])[0].rstrip(".")
