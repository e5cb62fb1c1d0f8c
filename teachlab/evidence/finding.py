"""Result of a verification: one difference between a record and what was found."""

from __future__ import annotations

from dataclasses import dataclass

from teachlab.model.json_values import Document

EVIDENCE, ABSTENTION = "teachlab.evidence", "teachlab.abstention"
"""Kinds of records."""
CHANGED = ("record", "data", "truth", "setting")
"""What is found changed by its digest: no other software explains that."""


@dataclass(frozen=True, slots=True)
class Finding:
    """One difference between a record and what was found.

    `where`: which part differs: data, truth, setting, record, page, pdf, or the path of a value.
    `serious`: false for differences that are normal on another computer: versions of software, and the figures they
    draw.
    """

    where: str
    message: str
    serious: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class Verification(Document):
    """The result of recomputing a record.

    `verified`: whether there is no serious difference.
    """

    schema: int = 1
    record: str
    verified: bool
    findings: tuple[Finding, ...]

    @property
    def sentence(self) -> str:
        """Whether the record holds."""
        if self.verified:
            return "Verified: everything was computed again and is the same. This does not release the setting."
        where = {one.where for one in self.findings}
        if "software" in where and where.isdisjoint(CHANGED):
            return "Not verified: other software made the record, and the differences may come from that."
        return "Not verified: the record does not follow from these files."
