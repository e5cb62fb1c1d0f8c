"""Files that commands write beside their output: the document, or its picture."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any

from teachlab.errors import InputError, ParameterError


def kind_of(name: str, *kinds: str, option: str = "--out") -> str:
    """Return the kind of a file to write by the ending of its name.

    `*kinds`: endings that may be given; default: json, svg or png.
    `option`: where the name was given.

    Raises `ParameterError` with the endings that may be given.
    """
    known = kinds or ("json", "svg", "png")
    _, dot, kind = name.lower().rpartition(".")
    if not dot or kind not in known:
        *others, last = (f".{one}" for one in known)
        ends = f"{', '.join(others)} or {last}" if others else last
        raise ParameterError(f"{option} needs a name that ends in {ends}, got '{name}'.")
    return kind


def need_name(target: str) -> None:
    """Refuse an empty name, such as that of a variable of the shell that is not set: it would mean this folder."""
    if not target:
        raise ParameterError("cannot write to '': the name is empty. Give a name; the current folder is '.'.")


def check_folder(target: str) -> None:
    """Refuse the name of a folder that cannot be made or written to."""
    need_name(target)
    place = Path(os.path.realpath(target))
    try:
        inside = next((p for p in (place, *place.parents) if os.path.lexists(p)), None)
    except (OSError, ValueError) as fault:
        raise InputError(f"cannot make the folder '{target}': {fault}. Choose another name.") from None
    if inside is not None and not inside.is_dir():
        raise InputError(f"cannot write to '{target}': '{inside}' is a file. Give the name of a folder.")
    if inside is not None and not os.access(inside, os.W_OK | os.X_OK):
        raise InputError(f"cannot write to '{target}': Permission denied. Choose another place.")


def picture_kind(name: str | None, option: str = "--plot") -> str:
    """Return the kind of a picture to draw by its name: svg or png; svg if there is no name."""
    return "svg" if name is None else kind_of(name, "svg", "png", option=option)


def write_results(targets: Iterable[tuple[str, str]], document: dict[str, Any], draw: Callable[[str], bytes]) -> None:
    """Write files, each completely or not at all: the document if the kind is json, otherwise the picture drawn."""
    from teachlab.cli.again import carried_document
    from teachlab.model.json_values import json_text

    for name, kind in targets:
        write_file(name, json_text(carried_document(document)).encode() if kind == "json" else draw(kind))


def write_file(name: str, content: bytes) -> None:
    """Write a file completely or not at all; its name is told after the answer."""
    from teachlab.cli.console import note_written
    from teachlab.data.atomic_files import write_aside

    with write_aside(name) as aside:
        aside.write_bytes(content)
    note_written(name)
