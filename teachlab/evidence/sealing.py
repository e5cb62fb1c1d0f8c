"""The seal between a record and its page: digests in the record, and their check."""

from __future__ import annotations

import hashlib
import re
from pathlib import Path
from typing import Any

import teachlab.evidence.identity as identity
from teachlab.data.atomic_files import current, read_text
from teachlab.errors import InputError
from teachlab.evidence.finding import ABSTENTION, Finding
from teachlab.evidence.page import abstention_html, page_html
from teachlab.model.recording import Recording

PAGE, PDF, LEVELS = "page_sha256", "pdf_sha256", "levels_page_sha256"
SEALS = ("record_sha256", PAGE, PDF, LEVELS)
"""Keys of a record that its own digest leaves out."""
DRAWN_BY = ("source_sha256", "python", "matplotlib", "jinja2", "numpy")
"""Software on which the page or its figures depend."""
SHOWN = 60


def page_of(record: dict[str, Any], recording: Recording) -> str:
    """Return the page of a record of either kind: of a setting, or of an abstention."""
    return abstention_html(record) if record["kind"] == ABSTENTION else page_html(record, recording)


def with_levels(record: dict[str, Any], page: str | None) -> dict[str, Any]:
    """Return a record with the digest of the page of its levels, if there is one, so that its own page links to it."""
    return record if page is None else record | {LEVELS: hashlib.sha256(page.encode()).hexdigest()}


def seal(record: dict[str, Any], html: str, pdf: bytes | None = None) -> dict[str, Any]:
    """Return a record with the digests of its page, and of its PDF if there is one."""
    digests = {PAGE: hashlib.sha256(html.encode()).hexdigest()}
    if pdf is not None:
        digests[PDF] = hashlib.sha256(pdf).hexdigest()
    return record | digests


def check_page(record: dict[str, Any], recording: Recording, folder: Path, *, render: bool = True) -> list[Finding]:
    """Compare page and PDF beside a record with its digests, and the page with what the record gives when drawn again.

    The text of the page must be the same byte for byte. Other versions of the software may draw figures differently;
    then only the digest is checked.

    `render`: whether to draw the page again; useless if the record itself was changed.
    """
    out = []
    for name, key, what in (
        ("report.html", PAGE, "page"), ("report.pdf", PDF, "pdf"), ("levels.html", LEVELS, "levels page"),
    ):  # fmt: skip
        if key not in record:
            continue
        if not current(folder / name).is_file():
            out.append(Finding(what, f"{name} is not beside the record: not checked", serious=False))
        elif identity.file_digest(folder / name) != record[key]:
            out.append(Finding(what, f"{name} is not the file of the record (SHA-256 differs)"))
    if render and PAGE in record and current(folder / "report.html").is_file():
        out += _rendering(record, recording, folder / "report.html")
    return out


def _rendering(record: dict[str, Any], recording: Recording, path: Path) -> list[Finding]:
    try:
        page = read_text(path, "a page in UTF-8", InputError)
    except InputError as fault:
        return [Finding("page", str(fault))]
    ours = page_of(record, recording)
    if page == ours:
        return []
    here, recorded = identity.software(), record["software"]
    other = [name for name in DRAWN_BY if here.get(name) != recorded.get(name)]
    if _without_figures(page) == _without_figures(ours):
        message = "its figures differ from those drawn here"
    else:
        message = f"its text is not what the record renders to: {_first_difference(page, ours)}"
    if other:
        message += f"; drawn with another version of {', '.join(other)}, so its SHA-256 alone vouches for it"
    return [Finding("page", f"{path.name}: {message}", serious=not other)]


def _without_figures(page: str) -> str:
    return re.sub(r"<svg.*?</svg>", "", page, flags=re.DOTALL)


def _first_difference(page: str, ours: str) -> str:
    lines, expected = page.split("\n"), ours.split("\n")
    for number, (a, b) in enumerate(zip(lines, expected, strict=False), 1):
        if a != b:
            at = next((k for k, (x, y) in enumerate(zip(a, b, strict=False)) if x != y), min(len(a), len(b)))
            begin = max(0, at - SHOWN // 2)
            return f"line {number} reads '{a[begin : begin + SHOWN]}', not '{b[begin : begin + SHOWN]}'"
    return f"it has {len(lines)} lines, not {len(expected)}"
