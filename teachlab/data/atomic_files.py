"""Results that appear completely or not at all: written to parts, then a synced journal, then the renames.

What a process may leave behind if it ends at any moment:

- parts, ``.teachlab-….part``, that no running process holds: the next run that writes into the folder removes them;
- a journal, ``.teachlab.journal``: the result is decided. Readers take the parts that it names, and the next run
  that writes into the folder puts them in place before it does anything else.
"""

from __future__ import annotations

import errno
import json
import os
import re
import secrets
import shutil
import stat
import tempfile
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager, suppress
from contextvars import ContextVar
from dataclasses import dataclass, field
from pathlib import Path
from types import ModuleType
from typing import TypeVar

from teachlab.errors import InputError
from teachlab.model.memory import need_memory

_locks: ModuleType | None
try:
    import fcntl as _locks
except ImportError:  # without folder locks (Windows) the journal alone keeps two writers apart
    _locks = None

JOURNAL = ".teachlab.journal"
_PART = re.compile(r"\.teachlab-[0-9a-f]{16}\.part")
FULL = {errno.ENOSPC, errno.EDQUOT, errno.EFBIG}
_MOST_TRIES = 10
TEXT_BYTES = 30
"""Memory for each byte of a document: its text and what is made from it."""
_placing: list[Callable[[], None]] = []
_held: set[Path] = set()
"""Parts of this process that are not in place yet."""


@dataclass(slots=True, eq=False)
class _Part:
    aside: Path
    target: Path
    handle: int
    address: str = ""
    """Address to which the finished part is sent; empty for a local file."""

    def drop(self) -> None:
        self.aside.unlink(missing_ok=True)
        self.release()

    def release(self) -> None:
        _held.discard(self.aside)
        if self.handle >= 0:
            os.close(self.handle)
            self.handle = -1


@dataclass(slots=True, eq=False)
class _Result:
    parts: list[_Part] = field(default_factory=list)
    outdated: list[Path] = field(default_factory=list)

    def commit(self) -> None:
        same_inputs()
        for part in self.parts:
            try:
                os.fsync(part.handle)
            except OSError as fault:
                raise disk_full(part.target, fault) from None
        here = [part for part in self.parts if not part.address]
        for folder in dict.fromkeys(path.parent for path in (*(p.target for p in here), *self.outdated)):
            parts = [part for part in here if part.target.parent == folder]
            outdated = [path for path in self.outdated if path.parent == folder and path.exists()]
            with _locked(folder), _undisturbed():
                _tidy(folder)
                moves = [(part.aside.name, part.target.name) for part in parts]
                _held.difference_update(part.aside for part in parts)
                if len(moves) + len(outdated) > 1:
                    _write_journal(folder, moves, [path.name for path in outdated])
                # Decided: whatever happens from here on, the parts stay until they are in place.
                for part in parts:
                    part.release()
                for part in parts:
                    part.aside.replace(part.target)
                for path in outdated:
                    path.unlink(missing_ok=True)
                _sync(folder)
                (folder / JOURNAL).unlink(missing_ok=True)
        # An object appears completely when its last byte has arrived; several objects appear in the order in which they
        # were written.
        for part in self.parts:
            if part.address:
                from teachlab.data.addresses import put

                put(part.aside, part.address)
                part.drop()
        # Putting the decided result of a dead writer in place changes no content, but may have changed a time stamp.
        stamps = _stamps.get()
        for path in stamps:
            with suppress(OSError):
                stamps[path] = _stamp(path)


_writing: ContextVar[_Result | None] = ContextVar("teachlab_result", default=None)
_protected: ContextVar[Mapping[tuple[int, int], Path]] = ContextVar("teachlab_inputs", default={})  # noqa: B039
"""Inputs of a command by device and number, so that links to them are recognised."""
_stamps: ContextVar[dict[Path, tuple[int, ...]]] = ContextVar("teachlab_stamps", default={})  # noqa: B039
"""State of the inputs of a command when it began."""
MOST_NAME_BYTES = 255
"""Longest name of a file, in bytes, on usual file systems."""


@contextmanager
def one_result() -> Iterator[None]:
    """Let all files that are written in the block appear together if it ends well, or none of them.

    Blocks may be nested; the outermost one decides. A process that ends at any moment leaves the old result or
    the new one, never a mixture: see `current`. Files in different folders are one result per folder.

    Examples
    --------
    >>> import tempfile
    >>> folder = Path(tempfile.mkdtemp())
    >>> with one_result():
    ...     for name in ("a", "b"):
    ...         with write_aside(folder / name) as aside:
    ...             _ = aside.write_text(name)
    ...     sorted(p.name for p in folder.iterdir() if not p.name.startswith("."))
    []
    >>> sorted(p.name for p in folder.iterdir())
    ['a', 'b']
    """
    if _writing.get() is not None:
        yield
        return
    result = _Result()
    token = _writing.set(result)
    try:
        yield
        result.commit()
    finally:
        _writing.reset(token)
        for part in result.parts:
            if part.handle >= 0:
                part.drop()


def outdated(path: str | Path) -> None:
    """Inside `one_result`, mark an older file that does not belong to the new result, with which it is removed."""
    result = _writing.get()
    if result is None:
        raise RuntimeError("outdated() belongs into one_result()")
    result.outdated.append(Path(os.path.realpath(path)))


@contextmanager
def protect(inputs: Iterable[Path]) -> Iterator[None]:
    """Protect files in the block: none may be written over under any name, and none may change while it is read.

    Raises InputError if one of them was replaced or changed before the end of the block; then no result has appeared
    either.
    """
    known, stamps = {}, {}
    for path in inputs:
        with suppress(OSError):
            stamps[path] = stamp = _stamp(path)
            known[stamp[0], stamp[1]] = path
    token = _protected.set({**_protected.get(), **known})
    held = _stamps.set({**_stamps.get(), **stamps})
    try:
        yield
        same_inputs()
    finally:
        _protected.reset(token)
        _stamps.reset(held)


def _stamp(path: Path) -> tuple[int, ...]:
    found = path.stat()
    return found.st_dev, found.st_ino, found.st_size, found.st_mtime_ns


def same_inputs() -> None:
    """Refuse if an input of `protect` was replaced or changed since the block began."""
    for path, stamp in _stamps.get().items():
        try:
            same = _stamp(path) == stamp
        except OSError:
            same = False
        if not same:
            raise changed(path)


def changed(path: str | Path) -> InputError:
    """Return the refusal of an input that is not what it was when the work began."""
    return InputError(
        f"{path}: this file was replaced or changed while the command read it, so what was found may mix two "
        "states of it. Run the command again when nothing writes to it."
    )


def refuse_input(path: str | Path) -> InputError:
    """Return the refusal to write over an input."""
    return InputError(
        f"{path}: this is an input of the same command, and inputs are never modified. Name another file."
    )


@contextmanager
def write_aside(path: str | Path) -> Iterator[Path]:
    """Yield a temporary file beside `path`; it replaces `path` when the block, or the result, ends well.

    On any exception, including an interrupt, the temporary file is removed and `path` is unchanged.

    `path`: place of the finished file: a path whose folder exists, or an address such as ``s3://bucket/name``, to which
    it is sent when it is finished.
    Raises InputError if the folder is missing or cannot be written, the disk is full, or `path` is not an ordinary
    file.

    Examples
    --------
    >>> import tempfile
    >>> target = Path(tempfile.mkdtemp()) / "setting.json"
    >>> with write_aside(target) as aside:
    ...     _ = aside.write_text("{}")
    >>> target.read_text()
    '{}'
    """
    with one_result():
        result = _writing.get()
        assert result is not None  # noqa: S101 -- one_result has just set it
        part = _reserve(path)
        try:
            yield part.aside
        except OSError as fault:
            part.drop()
            if fault.errno in FULL:
                raise disk_full(path, fault) from None
            raise
        except BaseException:
            part.drop()
            raise
        result.parts.append(part)


def check_target(path: str | Path) -> Path:
    """Return the place of a result with this name, links followed; refuse names that cannot be written.

    Raises InputError if the name is not local or too long, the folder is missing or cannot be written, or something
    else has this name.
    """
    check_name(path)
    if "://" in str(path):
        from teachlab.data.addresses import check_writable

        check_writable(str(path))
        return Path(str(path))
    # A link keeps its target: the target is replaced, not the link.
    try:
        target = Path(os.path.realpath(path))
        if os.path.lexists(target) and not target.is_file():
            what = "a folder" if target.is_dir() else "not an ordinary file"
            raise InputError(f"cannot write to '{path}': it is {what}. Give the name of a file.")
        if target.exists():
            found = target.stat()
            if (found.st_dev, found.st_ino) in _protected.get():
                raise refuse_input(path)
        if not target.parent.is_dir():
            raise InputError(f"cannot write '{path}': there is no folder '{target.parent}'. Create it first.")
    except (OSError, ValueError) as fault:
        reason = fault.strerror if isinstance(fault, OSError) else "it holds a zero byte"
        raise InputError(f"cannot write '{path}': {reason}. Choose another name.") from None
    if not os.access(target.parent, os.W_OK | os.X_OK):
        raise InputError(f"cannot write '{path}': Permission denied. Choose another place.")
    return target


def check_name(path: str | Path) -> None:
    """Refuse a name that is too long for usual file systems, with its length.

    Examples
    --------
    >>> check_name("x" * 255)
    >>> check_name("é" * 120 + ".passes.parquet")
    """
    size = len(os.fsencode(Path(path).name))
    if size > MOST_NAME_BYTES:
        raise InputError(
            f"cannot write '{Path(path).name[:40]}…': the name takes {size} bytes; a file system keeps at most "
            f"{MOST_NAME_BYTES}. Shorten --out by {size - MOST_NAME_BYTES} bytes or more."
        )


def current(path: str | Path) -> Path:
    """Return the place of a local file's content: under its own name, or in the part that a journal names for it.

    Raises InputError if the journal in its folder is damaged.
    """
    try:
        target = Path(os.path.realpath(path))
        for part, name in _read_journal(target.parent)[0]:
            if name == target.name and (target.parent / part).exists():
                return target.parent / part
    except (OSError, ValueError):
        pass  # opening the file will report it
    return Path(path)


_Read = TypeVar("_Read")


def read_current(path: str | Path, read: Callable[[Path], _Read]) -> _Read:
    """Return the result of `read` for the place of a file; if a part is renamed meanwhile, it is looked up again."""
    for _ in range(_MOST_TRIES):
        place = current(path)
        try:
            return read(place)
        except FileNotFoundError:
            if place == Path(path):
                raise
    return read(Path(path))


def abandon(then: Callable[[], None]) -> bool:
    """Remove the parts that this process has written: for a process that must end now.

    While a result is being put in place nothing is removed: the answer is False, and `then` is called when it is in
    place.
    """
    if _placing:
        _placing.append(then)
        return False
    for aside in list(_held):
        aside.unlink(missing_ok=True)
    return True


@contextmanager
def _undisturbed() -> Iterator[None]:
    _placing.append(lambda: None)
    try:
        yield
    finally:
        waiting = list(_placing)
        _placing.clear()
        for then in waiting:
            then()


def _reserve(given: str | Path) -> _Part:
    target = check_target(given)
    if "://" in str(given):
        # Held here until it is finished: a partly sent file would have to be removed again.
        handle, name = tempfile.mkstemp(prefix=".teachlab-", suffix=".part")
        _held.add(Path(name))
        return _Part(Path(name), target, handle, address=str(given))
    while True:
        aside = target.with_name(f".teachlab-{secrets.token_hex(8)}.part")
        _held.add(aside)
        try:
            # 0o666 minus the umask, as for an ordinary file; temporary files of the library are private.
            handle = os.open(aside, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o666)
        except OSError as fault:
            _held.discard(aside)
            if fault.errno in FULL:
                raise disk_full(given, fault) from None
            raise InputError(f"cannot write '{given}': {fault.strerror}. Choose another place.") from None
        part = _Part(aside, target, handle)
        # Between opening and locking, another run may have considered the part abandoned.
        if _lock(handle, wait=False) and os.fstat(handle).st_nlink:
            return part
        part.drop()


def disk_full(path: str | Path, fault: OSError) -> InputError:
    """Return the message for a full disk: what could not be written, and how much space is free where."""
    folder = Path(os.path.realpath(path)).parent
    free = shutil.disk_usage(folder).free
    return InputError(
        f"cannot write '{path}': {os.strerror(fault.errno or 0)}; {free / 1e6:,.1f} MB are free in '{folder}'. Nothing "
        "half-written is left, and what was finished before is unchanged. Free space, or choose another place."
    )


def _lock(handle: int, *, wait: bool) -> bool:
    """Take the lock of an open file or folder; if the system has no locks, act as if it were taken."""
    if _locks is None:
        return True
    try:
        _locks.flock(handle, _locks.LOCK_EX | (0 if wait else _locks.LOCK_NB))
    except OSError as fault:
        return fault.errno not in {errno.EWOULDBLOCK, errno.EAGAIN}  # some network drives know no locks
    return True


@contextmanager
def _locked(folder: Path, *, wait: bool = True) -> Iterator[bool]:
    """Keep other writers out of a folder; tell whether they are out. A process that dies leaves nothing of the lock."""
    if _locks is None:
        yield True
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        yield _lock(handle, wait=wait)
    finally:
        os.close(handle)


@contextmanager
def only_writer(folder: Path, what: str) -> Iterator[None]:
    """Let no other process, or thread, enter this block for the same folder: their results would mix.

    Raises InputError if another one is in it.
    """
    with _locked(folder, wait=False) as alone:
        if not alone:
            raise InputError(
                f"'{folder}': another run is writing {what} there. Wait until it ends, or name another folder."
            )
        yield


def tidy(folder: Path) -> None:
    """Finish in a folder what a dead writer had decided, and remove what it had only begun."""
    with _locked(folder):
        _tidy(folder)


def _tidy(folder: Path) -> None:
    """Finish what a dead writer had decided, and remove what it had only begun. The folder is locked."""
    moves, removals = _read_journal(folder)
    for part, name in moves:
        if (folder / part).exists():
            (folder / part).replace(folder / name)
    for name in removals:
        (folder / name).unlink(missing_ok=True)
    if moves or removals:
        _sync(folder)
        (folder / JOURNAL).unlink(missing_ok=True)
    if _locks is None:
        return
    for entry in os.scandir(folder):
        if _PART.fullmatch(entry.name) and entry.is_file(follow_symlinks=False):
            with ExitStack() as stack:
                try:
                    handle = os.open(entry.path, os.O_RDONLY)
                except OSError:
                    continue  # gone, or another user's
                stack.callback(os.close, handle)
                if _lock(handle, wait=False):
                    Path(entry.path).unlink(missing_ok=True)


def _write_journal(folder: Path, moves: Sequence[tuple[str, str]], removals: Sequence[str]) -> None:
    aside = folder / f".teachlab-{secrets.token_hex(8)}.part"
    _held.add(aside)
    try:
        with aside.open("x", encoding="utf-8", errors="surrogateescape") as out:
            json.dump({"schema": 1, "files": moves, "remove": removals}, out, ensure_ascii=False)
            out.flush()
            os.fsync(out.fileno())
        aside.replace(folder / JOURNAL)  # from here on the result is decided
    except BaseException:
        aside.unlink(missing_ok=True)
        raise
    finally:
        _held.discard(aside)
    _sync(folder)


def _read_journal(folder: Path) -> tuple[list[tuple[str, str]], list[str]]:
    place = folder / JOURNAL
    try:
        text = place.read_text(encoding="utf-8", errors="surrogateescape") if ends(place) else ""
    except (FileNotFoundError, NotADirectoryError):
        return [], []
    try:
        found = json.loads(text)
        moves = [(str(part), str(name)) for part, name in found["files"]]
        removals = [str(name) for name in found["remove"]]
    except (ValueError, TypeError, KeyError, RecursionError):
        moves, removals = [("", "")], []
    # Only names in this folder, and none of ours as a target: a folder may come from a stranger.
    names = [name for _, name in moves] + removals
    plain = all(name and name == os.path.basename(name) and not name.startswith(".teachlab") for name in names)
    if not plain or not all(_PART.fullmatch(part) for part, _ in moves):
        raise InputError(f"{place}: this journal is not one that teachlab has written. Remove it.")
    return moves, removals


def _sync(folder: Path) -> None:
    if _locks is None:
        return  # where folders cannot be opened, they cannot be synced
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    except OSError as fault:
        if fault.errno not in {errno.EINVAL, errno.ENOTSUP, errno.EROFS}:
            raise
    finally:
        os.close(handle)


NO_FILE = "it is a pipe or a device, not a file"


def ends(place: Path) -> bool:
    """Whether a place is a file or a folder: a pipe waits for its writer, and a device may never end."""
    mode = place.stat().st_mode
    return stat.S_ISREG(mode) or stat.S_ISDIR(mode)


def read_text(path: str | Path, what: str, error: type[InputError]) -> str:
    """Return the text of a UTF-8 file, without a leading byte-order mark.

    `what`: what the file should be, for the message: "a setting".
    """

    def allow(size: int) -> None:
        need_memory(TEXT_BYTES * size, f"{path}: so long a text", f"Give the path of {what}.")

    def whole(place: Path) -> str:
        if not ends(place):
            raise OSError(errno.EINVAL, NO_FILE)
        allow(place.stat().st_size)
        return place.read_text(encoding="utf-8-sig")

    try:
        if "://" in str(path):
            from teachlab.data.addresses import read_at

            return read_at(str(path), allow).decode("utf-8-sig")
        return read_current(path, whole)
    except FileNotFoundError:
        raise error(f"{path}: there is no such file. Give the path of {what}.") from None
    except IsADirectoryError:
        raise error(f"{path}: this is a folder. Give the path of {what}.") from None
    except UnicodeDecodeError as fault:
        raise error(f"{path}: not a text file in UTF-8 (byte {fault.start}). Give the path of {what}.") from None
    except OSError as fault:
        raise error(f"{path}: cannot be read: {fault.strerror}. Give the path of {what}.") from None
    except ValueError:
        raise error(f"{str(path)!r}: a name cannot hold a zero byte. Give the path of {what}.") from None
