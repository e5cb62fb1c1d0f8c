"""Tests are no package: helpers beside the tests are loaded by their path."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest
from loading import script

from teachlab.data.parquet_source import ParquetSource
from teachlab.model.recording import Block


def _load(name: str) -> ModuleType:
    return script(Path(__file__).with_name(f"{name}.py"))


@pytest.fixture(scope="session")
def twin() -> ModuleType:
    """The plain twin of replay and score."""
    return _load("plain_twin")


@pytest.fixture(scope="session")
def cases() -> ModuleType:
    """Random small recordings with settings and passes, one per seed."""
    return _load("random_cases")


@pytest.fixture(scope="session")
def kinds() -> ModuleType:
    """Settings of schema 2 for the random recordings."""
    return _load("kind_cases")


@pytest.fixture(scope="session")
def ragged() -> Callable[[Any, Sequence[int]], Any]:
    """Make the samples of a case come in stretches of odd lengths."""
    source = _load("ragged_source").RaggedSource
    return lambda case, lengths: source(case.light, case.null, lengths)


@pytest.fixture
def decoded(monkeypatch: pytest.MonkeyPatch) -> Counter[str]:
    """Samples that were decoded."""
    found: Counter[str] = Counter()
    plainly = ParquetSource._decode_now

    def counted(self: ParquetSource, file: Any, chunk: Any, *groups: int) -> Block:
        found["samples"] += chunk.stop - chunk.start
        return plainly(self, file, chunk, *groups)

    monkeypatch.setattr(ParquetSource, "_decode_now", counted)
    return found
