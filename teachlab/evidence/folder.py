"""The folder of a record: the record itself, its page, and its PDF, written as one result."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from teachlab.data.atomic_files import one_result, outdated, write_aside
from teachlab.errors import InputError
from teachlab.evidence.page import page_pdf
from teachlab.evidence.record_parts import record_text
from teachlab.evidence.sealing import page_of, seal, with_levels
from teachlab.model.recording import Recording

RECORD, PAGE, PRINTED, LEVELS = "result.json", "report.html", "report.pdf", "levels.html"


def write_record(
    record: dict[str, Any], recording: Recording, folder: str | Path, *, pdf: bool = False, levels: str | None = None
) -> dict[str, Any]:
    """Write a record of either kind with its page into a folder, completely or not at all.

    The record is returned with the digests of the files beside it.

    `folder`: the folder is made if it does not exist; the PDF of an earlier record is removed.
    `pdf`: whether to write the page as PDF too; needs the extra pdf.
    `levels`: HTML of the page on which levels can be dragged, to be written beside; that of an earlier record is
    removed.
    Raises InputError if the folder cannot be made.
    """
    record = with_levels(record, levels)
    html = page_of(record, recording)
    printed = page_pdf(html) if pdf else None
    sealed = seal(record, html, printed)
    place = Path(folder)
    try:
        place.mkdir(parents=True, exist_ok=True)
    except OSError as fault:
        raise InputError(f"cannot make the folder '{folder}': {fault.strerror}. Choose another place.") from None
    with one_result():
        for name, content in (
            (RECORD, record_text(sealed).encode()),
            (PAGE, html.encode()),
            (PRINTED, printed),
            (LEVELS, None if levels is None else levels.encode()),
        ):
            if content is None:
                outdated(place / name)
                continue
            with write_aside(place / name) as aside:
                aside.write_bytes(content)
    return sealed
