"""A noun follows its number as it is printed."""

from __future__ import annotations

import pytest

from teachlab.model.printable_text import number_of


@pytest.mark.parametrize(
    ("n", "spec", "told"),
    [
        (1, ",", "1 pass"), (0, ",", "0 passes"), (1000, ",", "1,000 passes"), (1.0, "g", "1 pass"),
        (0.99996, ".3g", "1 pass"), (1.04, ".3g", "1.04 passes"),
    ],
)  # fmt: skip
def test_the_noun_follows_the_number_as_it_is_printed(n: float, spec: str, told: str) -> None:
    assert number_of(n, "pass", "passes", spec=spec) == told
