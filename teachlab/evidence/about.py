"""What a record is about and where its data come from, as people state it; anything left out is "not stated"."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from teachlab.data.atomic_files import read_text
from teachlab.data.strict_json import SchemaOne, check, parse_toml
from teachlab.errors import ParameterError
from teachlab.evidence.identity import file_digest

NOT_STATED = "not stated"
FIELDS = (
    ("document_number", "document number"),
    ("revision", "revision"),
    ("asset", "asset"),
    ("product", "product"),
    ("conditions", "conditions"),
    ("log", "log that was imported"),
    ("log_sha256", "SHA-256 of the log"),
    ("import_arguments", "arguments of the import"),
    ("criteria_fixed", "criteria fixed on"),
    ("prepared_by", "prepared by"),
    ("reviewed_by", "reviewed by"),
    ("approved_by", "approved by"),
)
"""Keys, and their names on the page."""
PEOPLE = (("Prepared", "prepared_by"), ("Reviewed", "reviewed_by"), ("Approved", "approved_by"))


class AboutDocument(SchemaOne):
    """A document that says what a record is about. Every key is text and may be left out.

    `log` names the file that was imported, beside this document or by its path; its digest goes into the record.
    """

    document_number: str = ""
    revision: str = ""
    asset: str = ""
    product: str = ""
    conditions: str = ""
    log: str = ""
    import_arguments: str = ""
    criteria_fixed: str = ""
    prepared_by: str = ""
    reviewed_by: str = ""
    approved_by: str = ""


def nothing_stated() -> dict[str, str | None]:
    """Return the form in which nothing is stated."""
    return {key: None for key, _ in FIELDS}


def read_about(path: str | Path) -> dict[str, str | None]:
    """Read from TOML what a record is about.

    Raises ParameterError if the file is no TOML, a key is unknown or its value is no text, or the named log is not
    found.
    """
    text = read_text(path, "a TOML file of what the record is about", ParameterError)
    values = parse_toml(text, str(path), ParameterError)
    given = check(AboutDocument, values, str(path), ParameterError)
    out = nothing_stated() | {key: getattr(given, key).strip() or None for key, _ in FIELDS if key != "log_sha256"}
    if out["log"] is not None:
        log = Path(path).parent / out["log"]
        if not log.is_file():
            raise ParameterError(f"{path}: key 'log': there is no file '{log}'. Name the log that was imported.")
        out["log"], out["log_sha256"] = log.name, file_digest(str(log))
    return out


def about_of_record(record: Mapping[str, Any]) -> dict[str, str | None]:
    """Return what a record states; older records state nothing."""
    given = record.get("about") or {}
    return {key: given.get(key) for key, _ in FIELDS}


def people(record: dict[str, Any]) -> list[tuple[str, str]]:
    """Return who prepares, reviews and approves; a name that is not stated is empty, to be filled in by hand."""
    given = about_of_record(record)
    return [(role, given[key] or "") for role, key in PEOPLE]


def about_rows(record: dict[str, Any], *keys: str) -> list[tuple[str, str]]:
    """Return names and texts of some or all of the statements."""
    given = about_of_record(record)
    return [(name, given[key] or NOT_STATED) for key, name in FIELDS if not keys or key in keys]
