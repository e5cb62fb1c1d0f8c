"""Tests are no package: the bad strategies are loaded by their path."""

from __future__ import annotations

from pathlib import Path
from types import ModuleType

import pytest
from loading import script


@pytest.fixture(scope="session")
def bad() -> ModuleType:
    """The bad strategies."""
    return script(Path(__file__).with_name("bad_strategies.py"))
