"""One thing is told in the singular, in everything that commands print."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from teachlab.model.printable_text import number_of

HERE = Path(__file__).parent.parent
NOUNS = (
    "samples|evaluations|passes|gaps|lots|draws|onsets|releases|recordings|products|errors|borders|values|levels|hours|"
    "pulses|rows|strategies|settings|stretches|teachings|groups|steps|pairs|days|edges"
)
ONE_OF_MANY = re.compile(rf"(?<![\w.,/–−-])1 (?:{NOUNS})\b")
STORED = sorted([*(HERE / "answers").glob("*.txt"), *(HERE.parent / "teachlab" / "guide" / "pages").glob("*.md")])


@pytest.mark.parametrize("path", STORED, ids=lambda path: path.name)
def test_no_stored_answer_has_one_of_a_plural(path: Path) -> None:
    told = " ".join(path.read_text().split())
    assert [told[max(found.start() - 40, 0) : found.end()] for found in ONE_OF_MANY.finditer(told)] == []


@pytest.mark.parametrize(
    ("n", "spec", "told"),
    [
        (1, ",", "1 pass"), (0, ",", "0 passes"), (1000, ",", "1,000 passes"), (1.0, "g", "1 pass"),
        (0.99996, ".3g", "1 pass"), (1.04, ".3g", "1.04 passes"),
    ],
)  # fmt: skip
def test_the_noun_follows_the_number_as_it_is_printed(n: float, spec: str, told: str) -> None:
    assert number_of(n, "pass", "passes", spec=spec) == told
