"""``python -m teachlab`` and the command `teachlab`: signals, streams, end of the process; loads nothing heavy."""

from __future__ import annotations

import io
import os
import signal
import sys
from types import FrameType
from typing import Any

ENDS = {signal.SIGINT: (130, "interrupted"), signal.SIGTERM: (143, "ended")}


def main() -> None:
    """Run the command line."""
    for number in ENDS:
        signal.signal(number, _end)
    # Worker processes leave what they shared to a process of its own, which removes it, and says so in many lines.
    os.environ.setdefault("PYTHONWARNINGS", "ignore:resource_tracker")
    _open_closed()
    sys.stdout, sys.stderr = _tolerant(sys.stdout, "standard output"), _tolerant(sys.stderr, "standard error")
    code: Any = 0
    try:
        from teachlab.cli import app

        app(prog_name="teachlab")
    except SystemExit as end:
        code = end.code
    except Exception as fault:  # noqa: BLE001 -- exit code 1 would say "criterion not met"
        code = 2
        import traceback

        where = traceback.extract_tb(fault.__traceback__)[-1]
        sys.stderr.write(
            f"teachlab: a fault of teachlab itself, not of the input: {type(fault).__name__} in "
            f"{os.path.basename(where.filename)}, line {where.lineno}: {str(fault)[:300]!r}. Please report it.\n"
        )
    for stream in (sys.stdout, sys.stderr):
        try:
            stream.flush()
        except OSError as fault:
            code = code or 2
            if stream is sys.stdout:
                sys.stderr.write(f"teachlab: {fault.filename}: {fault.strerror}. The output is not complete.\n")
    for number in ENDS:
        signal.signal(number, signal.SIG_IGN)  # all is done: the exit code stands
    sys.exit(code)


def _open_closed() -> None:
    """Open the streams that were closed before the start, with nobody at their other end.

    The first file that is opened would else take their place, and what is printed would land in it.
    """
    for name, mode in (("stdin", "r"), ("stdout", "w"), ("stderr", "w")):
        if getattr(sys, name) is None:
            # The lowest number that is free is that of the stream. It stays open when another object takes it over.
            number = os.open(os.devnull, os.O_RDWR)
            setattr(sys, name, open(number, mode, encoding="utf-8", closefd=False))  # noqa: SIM115


def _end(number: int, frame: FrameType | None) -> None:
    """End at once, even while a library is loading, where an exception would appear as another one."""
    writing = sys.modules.get("teachlab.data.atomic_files")
    # While it is loading, it has written nothing yet.
    abandon = getattr(writing, "abandon", None)
    if abandon is not None and abandon(lambda: _end(number, None)) is False:
        return  # a result is being put in place: it ends when that is done
    code, word = ENDS[signal.Signals(number)]
    spools = sys.modules.get("teachlab.data.importing.spool")
    left = getattr(spools, "end_all", str)() or "nothing half-written is left behind"
    calm = b"\r\x1b[K\x1b[?25h" if os.isatty(2) else b""  # the line of a progress bar, and the cursor that it hid
    try:
        os.write(2, calm + f"teachlab: {word}; {left}.\n".encode())
    finally:
        os._exit(code)


class _Raw(io.RawIOBase):
    """A stream whose reader may go away: later output is dropped, and the command continues to its end."""

    def __init__(self, number: int, name: str) -> None:
        self._number, self._name, self._dead = number, name, False

    def writable(self) -> bool:
        return True

    def fileno(self) -> int:
        return self._number

    def isatty(self) -> bool:
        return os.isatty(self._number)

    def write(self, data: Any) -> int:
        size = len(data)
        if self._dead:
            return size
        try:
            return os.write(self._number, data)
        except BrokenPipeError:
            self._dead = True
            return size
        except OSError as fault:
            self._dead = True  # said once
            raise OSError(fault.errno, fault.strerror, self._name) from None


def _tolerant(stream: Any, name: str) -> Any:
    raw = _Raw(stream.fileno(), name)
    # Characters that the terminal's encoding lacks are spelled out; the command does not end.
    return io.TextIOWrapper(
        io.BufferedWriter(raw), encoding=stream.encoding, errors="backslashreplace", line_buffering=True
    )


if __name__ == "__main__":
    main()
