"""Location of the data that ships with teachlab."""

from __future__ import annotations

from pathlib import Path

from teachlab.errors import InputError


def datasets_root() -> Path:
    """Return the folder of the shipped data: `datasets` of a checkout, or its copy in an installed package.

    Raises InputError if neither exists, which means that the installation is damaged.
    """
    package = Path(__file__).resolve().parent.parent
    for candidate in (package / "_datasets", package.parent / "datasets"):
        if candidate.is_dir():
            return candidate
    raise InputError(f"the data that ships with teachlab is missing beside {package}. Install teachlab again.")
