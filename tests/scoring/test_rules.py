"""The rules of scoring are checked where they are made, and travel as one value."""

from __future__ import annotations

import math

import pytest

from teachlab.errors import ParameterError
from teachlab.model.score import USUAL_RULES, Rules


@pytest.mark.parametrize(
    ("given", "told"),
    [
        ({"tolerance_ms": -0.1}, "tolerance-ms must be a finite number of at least 0 ms, got -0.1"),
        ({"tolerance_ms": math.inf}, "tolerance-ms must be a finite number"),
        ({"tolerance_ms": math.nan}, "tolerance-ms must be a finite number"),
        ({"confidence": 0.0}, "confidence must lie strictly between 0 and 1, got 0"),
        ({"confidence": 95}, "a percentage\\? give 0.95 for 95 %"),
        ({"first_pass": -1}, "must be at least 0, got -1"),
    ],
)
def test_rules_out_of_range_are_refused_where_they_are_made(given: dict[str, float], told: str) -> None:
    with pytest.raises(ParameterError, match=told):
        Rules(**given)  # type: ignore[arg-type]


def test_scored_from_changes_the_first_pass_alone() -> None:
    rules = Rules(tolerance_ms=3.0, confidence=0.9)
    assert rules.scored_from(7) == Rules(tolerance_ms=3.0, confidence=0.9, first_pass=7)
    assert Rules() == USUAL_RULES == Rules(tolerance_ms=0.0, confidence=0.95, first_pass=0)
