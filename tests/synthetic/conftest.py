"""The small line that tests change piece by piece."""

import pytest
from synthetic import plain_line


@pytest.fixture
def line():
    return plain_line.line


@pytest.fixture
def light():
    return plain_line.light
