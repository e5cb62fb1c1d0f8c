"""A record and everything that its verification needs, in one file for another computer."""

from __future__ import annotations

import shutil
import zipfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory

from teachlab.data.atomic_files import write_aside
from teachlab.errors import InputError
from teachlab.evidence.folder import LEVELS, PAGE, PRINTED, RECORD
from teachlab.evidence.record_parts import Sources

MOST_FILES = 16
MOST_BYTES = 8 << 30
"""Largest size of all files of a bundle after unpacking."""
BEGAN = (1980, 1, 1, 0, 0, 0)
"""Every file gets the same time stamp: the same record gives the same bytes."""


def write_bundle(bundle: str | Path, folder: str | Path, sources: Sources) -> None:
    """Write the record in a folder, its page and the files that it depends on into one zip.

    `bundle`: ends in .zip.
    `sources`: recording, passes and setting, on this computer.
    Raises InputError if a source is an address and not a file, or two sources have the same name.
    """
    inside = [Path(folder) / name for name in (RECORD, PAGE, PRINTED, LEVELS) if (Path(folder) / name).is_file()]
    for given in filter(None, (sources.recording, sources.truth, sources.setting)):
        if not Path(given).is_file():
            raise InputError(f"'{given}' is no file of this computer, so a bundle cannot hold it. Copy it here first.")
        inside.append(Path(given))
    names = [path.name for path in inside]
    if twice := {name for name in names if names.count(name) > 1}:
        raise InputError(f"two files of the bundle are called '{min(twice)}'. Rename one of them.")
    with write_aside(bundle) as aside, zipfile.ZipFile(aside, "w", zipfile.ZIP_DEFLATED) as out:
        for path in inside:
            entry = zipfile.ZipInfo(path.name, BEGAN)
            entry.compress_type = zipfile.ZIP_DEFLATED
            with path.open("rb") as source, out.open(entry, "w", force_zip64=True) as target:
                shutil.copyfileobj(source, target, 1 << 20)


def is_bundle(path: str | Path) -> bool:
    """Whether a file is a zip, by its content."""
    return Path(path).is_file() and zipfile.is_zipfile(path)


@contextmanager
def unpacked(bundle: str | Path) -> Iterator[Path]:
    """Unpack a bundle into a temporary folder and yield the record in it; the folder is deleted afterwards.

    A bundle may come from a stranger. Before anything is used, these are refused: names with a folder in them, links,
    more or larger files than a record has, and files that unpack to more than they state.
    Raises InputError if it is damaged, holds no record, or holds something that a bundle never holds.
    """
    try:
        with zipfile.ZipFile(bundle) as source:
            entries = source.infolist()
            _check(bundle, entries)
            with TemporaryDirectory(prefix="teachlab-") as folder:
                for entry in entries:
                    _copy(source, entry, Path(folder) / entry.filename, bundle)
                yield Path(folder) / RECORD
    except (zipfile.BadZipFile, NotImplementedError, RuntimeError, EOFError) as fault:
        raise InputError(f"{bundle}: the bundle is damaged ({fault}). Ask for it again.") from None


def _check(bundle: str | Path, entries: list[zipfile.ZipInfo]) -> None:
    names = [entry.filename for entry in entries]
    if RECORD not in names:
        raise InputError(f"{bundle}: there is no {RECORD} in it, so it is no bundle of a record.")
    if len(entries) > MOST_FILES or len(set(names)) < len(names):
        raise InputError(f"{bundle}: holds {len(entries)} files, or one twice; a bundle has at most {MOST_FILES}.")
    for entry in entries:
        name, mode = entry.filename, entry.external_attr >> 16
        plain = name == Path(name).name and name not in ("", ".", "..") and "\\" not in name and ":" not in name
        if not plain or entry.is_dir() or "\0" in name or (mode and (mode & 0o170000) not in (0, 0o100000)):
            raise InputError(f"{bundle}: holds {name!r}, which is no plain file beside the record. It is not unpacked.")
    if sum(entry.file_size for entry in entries) > MOST_BYTES:
        raise InputError(f"{bundle}: unpacks to more than {MOST_BYTES >> 30} GB. It is not unpacked.")


def _copy(source: zipfile.ZipFile, entry: zipfile.ZipInfo, target: Path, bundle: str | Path) -> None:
    left = entry.file_size
    with source.open(entry) as stream, target.open("xb") as out:
        while part := stream.read(1 << 20):
            left -= len(part)
            if left < 0:
                raise InputError(f"{bundle}: '{entry.filename}' unpacks to more than it says. It is not used.")
            out.write(part)
