"""From how many lots, or stretches, on a decision may be made."""

from __future__ import annotations

import numpy as np
import pytest

from teachlab.statistics.claims.decisions import MeasuredCost, decide, enough_to_decide
from teachlab.statistics.claims.orders import ORDER_LOTS, cost_bound, lots_to_order, paired_p
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


@pytest.mark.parametrize(("mean", "sd"), [(-0.1, 0.12), (-0.05, 0.15), (0.02, 0.1)])
def test_so_many_lots_as_are_told_show_the_difference_in_4_of_5_recordings(mean: float, sd: float) -> None:
    rng = np.random.default_rng(0)
    like = np.array([-1.0, 1.0] * 10)
    need = lots_to_order(mean + sd * like / like.std(ddof=1))
    assert need is not None
    drawn = rng.normal(mean, sd, (2000, need))
    shown = [paired_p(d) < 0.05 for d in drawn]
    assert 0.78 < np.mean(shown) < 0.9
    if need > ORDER_LOTS:
        fewer = [paired_p(d[: need * 3 // 4]) < 0.05 for d in drawn]
        assert np.mean(fewer) < 0.75


def test_no_number_of_lots_shows_what_is_no_difference() -> None:
    assert lots_to_order([0.0] * 8) is None
    assert lots_to_order([0.1]) is None
    assert lots_to_order([-0.1] * 8) == ORDER_LOTS
    assert lots_to_order([-0.3, 0.31] * 10) is None
