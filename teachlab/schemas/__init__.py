"""JSON Schemas of the documents that commands print with ``--json``: one file a command, draft 2020-12."""

from __future__ import annotations

import json
from importlib.resources import files
from typing import Any

from teachlab.errors import ParameterError


def schema_names() -> list[str]:
    """Return the commands whose documents have a schema."""
    return sorted(file.name.removesuffix(".json") for file in files(__name__).iterdir() if file.name.endswith(".json"))


def schema_of(command: str) -> dict[str, Any]:
    """Return the JSON Schema of a command's document.

    `command`: as it is typed, with a hyphen for a space: replay, surroundings-lamp …
    Raises ParameterError if there is none.

    Examples
    --------
    >>> schema_of("plan")["properties"]["passes"]["type"]
    'integer'
    """
    if command not in schema_names():
        raise ParameterError(f"there is no schema of '{command}'; there are those of {', '.join(schema_names())}.")
    schema: dict[str, Any] = json.loads(files(__name__).joinpath(f"{command}.json").read_text(encoding="utf-8"))
    return schema
