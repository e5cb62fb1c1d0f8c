"""What a verification says: one difference between a record and what was found."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Finding:
    """One difference between a record and what was found.

    Parameters
    ----------
    where : str
        Which part differs: data, truth, setting, record, page, pdf, or a value by its path.
    message : str
    serious : bool
        False for what may differ on another machine: versions of software, and the figures they draw.
    """

    where: str
    message: str
    serious: bool = True
