"""Files that commands write beside their output: the document, or its picture."""

from __future__ import annotations

from typing import Any

from teachlab.errors import ParameterError


def kind_of(name: str) -> str:
    """Return the kind of a file to write by its name: json, svg or png."""
    kind = name.lower().rpartition(".")[2]
    if kind not in ("json", "svg", "png"):
        raise ParameterError(f"--out needs a name that ends in .json, .svg or .png, got '{name}'.")
    return kind


def picture_kind(name: str) -> str:
    """Return the kind of a picture to draw by its name: svg or png."""
    kind = name.lower().rpartition(".")[2]
    if kind not in ("svg", "png"):
        raise ParameterError(f"--plot needs a name that ends in .svg or .png, got '{name}'.")
    return kind


def write_result(name: str, kind: str, document: dict[str, Any], picture: bytes) -> None:
    """Write a document, or its picture, into a file of this kind: completely, or not at all."""
    from teachlab.data.atomic_files import write_aside
    from teachlab.model.json_values import json_text

    content = json_text(document).encode() if kind == "json" else picture
    with write_aside(name) as aside:
        aside.write_bytes(content)
