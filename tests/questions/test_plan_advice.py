"""What a plan says of the hours recorded so far."""

from __future__ import annotations

import pytest

from teachlab.questions.plan import plan


@pytest.mark.parametrize(
    ("seen", "lost", "standing", "told", "more"),
    [
        # Garwood: no event in 2.996 h shows at most 1 per hour at 95 %.
        (1.0, 0, "not yet", "Not yet: 1.996 more hours without exceeding 0 events.", 1.9957),
        (3.0, 0, "enough", "You may stop now: the plan is fulfilled.", 0.0),
        (1.0, 1, "failed", "The plan allowed 0 events and 1 were seen", None),
    ],
)
def test_hours_that_are_missing_are_told(seen: float, lost: int, standing: str, told: str, more: float | None) -> None:
    found = plan(1.0, hours=True, seen=seen, lost=lost)
    assert found.found["standing"] == standing
    assert any(line.startswith(told) for line in found.lines), found.lines
    assert found.found["more_hours"] == (None if more is None else pytest.approx(more, abs=1e-4))
