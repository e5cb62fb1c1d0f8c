"""The card of a setting as a page: what to key in, and the sheet for teaching and checking it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from teachlab.evidence.identity import json_digest
from teachlab.evidence.page import rendered
from teachlab.model.json_values import plain
from teachlab.model.verdict import MOST_REASONS
from teachlab.wording.verdict import first_text

if TYPE_CHECKING:
    from teachlab.device.card import SettingCard

CAUTIONS = (
    "Not a safety device: nothing here may justify protection of people, guarding, muting or a machine stop.",
    "The manual of the equipment takes precedence. Check with marked pieces before release.",
)


def card_html(found: SettingCard, *, title: str) -> str:
    """Return the card as one HTML page."""
    return rendered(
        "card.html.j2",
        r={"title": title, "record_sha256": json_digest(plain(found.as_dict()))},
        device=found.device,
        refused=found.refused,
        decided=first_text(found.verdict),
        said=[
            *(f"Limit: {text}" for text in found.verdict.conditions[:1]),
            *(reason.told for reason in found.verdict.reasons[:MOST_REASONS]),
        ],
        parts=[
            *([] if found.refused else [("Key in", found.key_lines())]),
            ("What it rests on", found.rest_lines()),
            ("Teach and check", found.sheet_lines()),
        ],
        cautions=CAUTIONS,
    )
