"""Writing files aside, so that nothing half-written is ever left behind."""

from __future__ import annotations

import os
import secrets
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from teachlab.errors import InputError


@contextmanager
def write_aside(path: str | Path) -> Iterator[Path]:
    """Give a temporary file beside `path`; it takes the place of `path` when the block ends well.

    On any exception, an interrupt included, the temporary file is removed and `path` stays as it was.

    Parameters
    ----------
    path : str or Path
        Where the finished file shall be. Its folder must exist.

    Raises
    ------
    InputError
        If the folder is missing or closed to writing, or `path` is not an ordinary file.

    Examples
    --------
    >>> import tempfile
    >>> target = Path(tempfile.mkdtemp()) / "setting.json"
    >>> with write_aside(target) as aside:
    ...     _ = aside.write_text("{}")
    >>> target.read_text()
    '{}'
    """
    # A link keeps pointing where it did: its target is replaced, not the link.
    target = Path(os.path.realpath(path))
    aside = _reserve(target, path)
    try:
        yield aside
        aside.replace(target)
    except BaseException:
        aside.unlink(missing_ok=True)
        raise


def _reserve(target: Path, given: str | Path) -> Path:
    if "://" in str(given):
        raise InputError(f"cannot write to '{given}': results are written to local folders only. Give a local path.")
    if target.exists() and not target.is_file():
        what = "a folder" if target.is_dir() else "not an ordinary file"
        raise InputError(f"cannot write to '{given}': it is {what}. Give the name of a file.")
    aside = target.with_name(f".{target.name}.{os.getpid()}-{secrets.token_hex(4)}.part")
    try:
        # 0o666 less the umask, as an ordinary file would get; temporary files of the library are private.
        os.close(os.open(aside, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o666))
    except FileNotFoundError:
        raise InputError(f"cannot write '{given}': there is no folder '{target.parent}'. Create it first.") from None
    except OSError as error:
        raise InputError(f"cannot write '{given}': {error.strerror}. Choose another place.") from None
    return aside


def read_text(path: str | Path, what: str, error: type[InputError]) -> str:
    """Return the text of a UTF-8 file, a leading byte-order mark removed.

    Parameters
    ----------
    path : str or Path
        The file.
    what : str
        What it should be, for the message: "a setting".
    error : type of InputError
        What to raise if it cannot be read.
    """
    place = Path(path)
    try:
        return place.read_text(encoding="utf-8-sig")
    except FileNotFoundError:
        raise error(f"{path}: there is no such file. Give the path of {what}.") from None
    except IsADirectoryError:
        raise error(f"{path}: this is a folder. Give the path of {what}.") from None
    except UnicodeDecodeError as fault:
        raise error(f"{path}: not a text file in UTF-8 (byte {fault.start}). Give the path of {what}.") from None
    except OSError as fault:
        raise error(f"{path}: cannot be read: {fault.strerror}.") from None
