"""From how many lots, or stretches, on a decision may be made."""

from __future__ import annotations

import pytest

from teachlab.statistics.claims.decisions import MeasuredCost, decide, enough_to_decide
from teachlab.statistics.claims.orders import cost_bound
from teachlab.statistics.lots import Source


@pytest.mark.parametrize(
    ("source", "lots", "enough"),
    [(Source.LOTS, 4, False), (Source.LOTS, 5, True), (Source.BLOCKS, 9, False), (Source.BLOCKS, 10, True)],
)
def test_five_named_lots_or_ten_stretches_are_enough(source: Source, lots: int, enough: bool) -> None:
    bound = cost_bound([0.0] * lots, source=source)
    assert enough_to_decide(bound) is enough
    named = lots if source is Source.LOTS else 0
    found = decide(MeasuredCost(errors=0.0, cost=bound, never=1.0, named_lots=named), [(bound, True)])
    wanted = "use" if source is Source.LOTS else "use with a limit"
    assert str(found) == (wanted if enough else "cannot be decided")
