"""Result of a verification: one difference between a record and what was found."""

from __future__ import annotations

from dataclasses import dataclass

from teachlab.model.json_values import Document

EVIDENCE, ABSTENTION = "teachlab.evidence", "teachlab.abstention"
"""Kinds of records."""


@dataclass(frozen=True, slots=True)
class Finding:
    """One difference between a record and what was found.

    Parameters
    ----------
    where : str
        Which part differs: data, truth, setting, record, page, pdf, or the path of a value.
    serious : bool
        False for differences that are normal on another computer: versions of software, and the figures they draw.
    """

    where: str
    message: str
    serious: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class Verification(Document):
    """The result of recomputing a record.

    Parameters
    ----------
    verified : bool
        Whether there is no serious difference.
    """

    schema: int = 1
    record: str
    verified: bool
    findings: tuple[Finding, ...]
