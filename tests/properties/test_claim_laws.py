"""Laws of bounds by lots, of orders and of decisions."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from teachlab.statistics.claims.decisions import Decision, MeasuredCost, decide
from teachlab.statistics.claims.lot_claims import INDEPENDENT, Assumption, claim_by_lots, join_small_lots, lots_needed
from teachlab.statistics.claims.orders import CostBound, OrderStanding, cost_bound, orders
from teachlab.statistics.lots import Source

LOTS = st.lists(st.integers(1, 80).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n))), min_size=1, max_size=30)


def _plainly_joined(lots: list[tuple[int, int]]) -> list[tuple[int, int]]:
    """Join lots of fewer than five passes with the next, by the rule read aloud."""
    out = list(lots)
    k = 0
    while k < len(out) - 1:
        if out[k][1] < 5:
            out[k : k + 2] = [(out[k][0] + out[k + 1][0], out[k][1] + out[k + 1][1])]
        else:
            k += 1
    if len(out) > 1 and out[-1][1] < 5:
        out[-2:] = [(out[-2][0] + out[-1][0], out[-2][1] + out[-1][1])]
    return out


@given(LOTS)
def test_small_lots_join_as_the_rule_says(lots: list[tuple[int, int]]) -> None:
    lost, of = join_small_lots(*zip(*lots, strict=True))
    assert list(zip(lost.tolist(), of.tolist(), strict=True)) == _plainly_joined(lots)


@given(LOTS, st.floats(0.5, 0.999))
def test_bounds_enclose_the_mean_and_mirror(lots: list[tuple[int, int]], confidence: float) -> None:
    lost, of = (np.array(v) for v in zip(*lots, strict=True))
    found, mirror = (claim_by_lots(k, of, confidence=confidence) for k in (lost, of - lost))
    assert found.mean is not None
    assert 0 <= found.low <= found.mean + 1e-9
    assert found.mean - 1e-9 <= found.upper <= 1
    assert found.low == pytest.approx(1 - mirror.upper, abs=1e-9)
    if lost.sum() == of.sum():
        assert found.upper == 1


@given(LOTS, st.integers(0, 29))
def test_one_more_loss_never_lowers_the_bound(lots: list[tuple[int, int]], where: int) -> None:
    k = where % len(lots)
    lost, of = lots[k]
    worse = [*lots[:k], (min(lost + 1, of), of), *lots[k + 1 :]]
    before, after = (claim_by_lots(*zip(*each, strict=True)) for each in (lots, worse))
    assert after.upper >= before.upper - 1e-12


@given(LOTS)
def test_what_assumes_more_claims_no_less_only_for_whole_lots(lots: list[tuple[int, int]]) -> None:
    """Without losses more assumption gives a smaller bound: independence, then any correlation, then lots alone."""
    of = [n for _, n in lots]
    claims = [claim_by_lots([0] * len(of), of, assumption=Assumption(icc)).upper for icc in (0.0, 0.1, 1.0)]
    assert claims == sorted(claims)
    assert claims[2] <= 1
    assert claim_by_lots([0] * len(of), of).beside == ((INDEPENDENT, pytest.approx(claims[0])),)


@given(st.floats(0.005, 0.9), st.floats(0.5, 0.999), st.sampled_from([0.0, 0.5, 1.0, 2.0]))
def test_planned_lots_just_suffice(rate: float, confidence: float, lost: float) -> None:
    need = lots_needed(rate, confidence, lost_lots=lost)

    def upper(lots: int) -> float:
        lots = max(lots, int(np.ceil(lost)))
        losses = [min(20.0, 20 * max(0.0, lost - k)) for k in range(lots)]
        return claim_by_lots(losses, [20] * lots, confidence=confidence).upper

    assert upper(need) <= rate * (1 + 1e-9)
    if need - 1 > lost:
        assert upper(need - 1) > rate


@given(st.lists(st.lists(st.floats(-1, 1), min_size=2, max_size=40), min_size=1, max_size=6))
def test_orders_turn_with_their_sign_and_adverse_never_helps(differences: list[list[float]]) -> None:
    found = orders(differences)
    turned = orders([[-x for x in d] for d in differences])
    for one, other, d in zip(found, turned, differences, strict=True):
        assert one.standing is other.standing
        assert one.standing is OrderStanding.OPEN or len(d) >= 10
        if one.standing is OrderStanding.ESTABLISHED:
            assert max(one.p, one.p_adverse) < 0.05
    assert all(
        o.standing in {OrderStanding.OPEN, OrderStanding.HERE} for o in orders(differences, source=Source.BLOCKS)
    )


@given(st.lists(st.floats(0, 2), min_size=1, max_size=40), st.floats(0.5, 0.999))
def test_a_larger_confidence_widens_the_cost(costs: list[float], confidence: float) -> None:
    found, wider = cost_bound(costs, confidence=confidence), cost_bound(costs, confidence=(1 + confidence) / 2)
    assert wider.low <= found.low <= found.upper <= wider.upper


@given(
    st.floats(0, 1), st.floats(0, 1), st.floats(0, 2), st.integers(0, 30), st.booleans(), st.integers(0, 2),
    st.sampled_from(list(Source)),
)  # fmt: skip
def test_a_setting_is_used_only_for_what_its_evidence_could_have_denied(
    errors: float, low: float, upper: float, lots: int, usable: bool, conditions: int, source: Source
) -> None:
    cost = CostBound(mean=errors, low=low, upper=upper, lots=lots, source=source, confidence=0.95)
    named = lots if source is Source.LOTS else 0
    got = decide(
        MeasuredCost(errors=errors, cost=cost, never=1.0, named_lots=named, usable=usable, conditions=conditions),
        [(cost, usable)],
    )
    if got in {Decision.USE, Decision.LIMIT}:
        assert usable
        assert errors <= 0.05
        assert upper < 1
        assert lots >= (5 if source is Source.LOTS else 10)
    if got is Decision.USE:
        assert named >= 5
        assert not conditions
    if got is Decision.NONE:
        assert not usable or low > 0.05
