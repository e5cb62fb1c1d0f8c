"""What exceeds a limit of repeatability, in words."""

import pytest

from teachlab.questions.repeatability.values import USUAL_LIMITS, Limit


@pytest.mark.parametrize(
    ("limit", "words"),
    [
        (USUAL_LIMITS[0], "lose a pass"),
        (USUAL_LIMITS[1], "cost more than the best fixed setting"),
        (Limit(measure="lost_rate", high=0.01), "give a lost rate above 0.01"),
        (Limit(measure="on_level", low=40, high=60), "give an on-level outside 40 to 60"),
    ],
)
def test_a_limit_says_what_breaks_it(limit: Limit, words: str) -> None:
    verb, rest = words.split(" ", 1)
    assert limit.breach(2) == words
    assert limit.breach(1) == f"{verb}s {rest}"
