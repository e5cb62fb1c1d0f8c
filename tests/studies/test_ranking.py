"""Spreads, median draw, ranking and significance, on draws made by hand."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import cast

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binomtest
from statsmodels.stats.multitest import multipletests

from teachlab.errors import ParameterError
from teachlab.model.draws import MEASURES, Costs, Draw
from teachlab.model.score import Score
from teachlab.model.setting import Setting
from teachlab.questions.stress.worth import Worth
from teachlab.statistics.paired_tests import Discordance, holm
from teachlab.studies.ranking import by_cost, median_draw, ranked, ranking_cost, spreads_of
from teachlab.studies.result import StrategyResult


def draw(number: int, cost: float | None, on: float = 5.0) -> Draw:
    if cost is None:
        return Draw(draw=number, setting=None, abstained="nothing to see", measures={})
    measures = dict.fromkeys(MEASURES, 0.0) | {"cost": cost, "on_level": on, "off_level": on - 1}
    return Draw(draw=number, setting=Setting(unit="V", on_level=on, off_level=on - 1), measures=measures)


def result(name: str, draws: list[Draw]) -> StrategyResult:
    return StrategyResult(
        strategy=name,
        parameters={},
        draws=draws,
        spreads=spreads_of(draws),
        median_draw=median_draw(draws),
        worth=None,
        ranking_cost=ranking_cost(draws),
    )


@pytest.mark.parametrize(("miss", "false"), [(0, 0), (-1, 1), (1, math.inf), (math.nan, 1)])
def test_costs_must_mean_something(miss: float, false: float) -> None:
    with pytest.raises(ParameterError, match="cost-miss"):
        Costs(miss=miss, false=false)


def test_median_draw_is_the_lower_middle_by_cost_then_levels_then_number() -> None:
    draws = [draw(0, 0.3), draw(1, 0.1, on=9.0), draw(2, None), draw(3, 0.1, on=4.0), draw(4, 0.1, on=4.0)]
    assert [d.draw for d in by_cost(draws)] == [3, 4, 1, 0]
    middle = median_draw(draws)
    assert middle is not None
    assert middle.draw == 4
    assert median_draw([draw(0, None)]) is None


def test_spread_is_of_values_that_occurred_and_worst_belongs_to_the_costliest_draw() -> None:
    draws = [draw(k, k / 100, on=100.0 - k) for k in range(100)]
    spread = spreads_of(draws)
    assert (spread["cost"].p05, spread["cost"].median, spread["cost"].p95) == (0.04, 0.49, 0.94)
    assert spread["cost"].worst == 0.99
    assert spread["on_level"].worst == 1.0  # of the costliest draw, not the largest
    assert spreads_of([draw(0, None)]) == {}


def test_abstentions_cost_infinity_and_more_than_half_is_unranked() -> None:
    half = [draw(k, 0.2 if k < 5 else None) for k in range(10)]
    more = [draw(k, 0.0 if k < 4 else None) for k in range(10)]
    assert ranking_cost(half) == 0.2
    assert math.isinf(ranking_cost(more))
    rows, ordered = ranked([result("more", more), result("half", half), result("good", [draw(0, 0.1)])])
    assert rows == [["good"], ["half"]]
    assert [r.strategy for r in ordered] == ["good", "half", "more"]


def test_strategies_of_one_cost_are_one_row_most_light_in_reserve_first() -> None:
    def reserved(name: str, cost: float, reserve: float | None) -> StrategyResult:
        worth = Worth(score=cast(Score, None), margin=None, reserves={"contamination_reserve": reserve})
        return replace(result(name, [draw(0, cost)]), worth=worth)

    found = [reserved("a", 0.1, 0.1), reserved("b", 0.1, None), reserved("c", 0.1, 0.4), reserved("d", 0.0, None)]
    rows, ordered = ranked(found)
    assert rows == [["d"], ["c", "a", "b"]]
    assert [r.strategy for r in ordered] == ["d", "c", "a", "b"]


@given(st.lists(st.one_of(st.none(), st.floats(0, 5)), min_size=1, max_size=40))
def test_the_median_draws_cost_is_the_median_cost(costs: list[float | None]) -> None:
    draws = [draw(k, c) for k, c in enumerate(costs)]
    taught = sorted(c for c in costs if c is not None)
    middle = median_draw(draws)
    if not taught:
        assert middle is None
        return
    assert middle is not None
    assert middle.measures["cost"] == spreads_of(draws)["cost"].median == taught[(len(taught) - 1) // 2]


@given(st.lists(st.floats(0, 1), min_size=1, max_size=15))
def test_holm_agrees_with_statsmodels(p: list[float]) -> None:
    assert np.allclose(holm(p), multipletests(p, method="holm")[1], rtol=1e-12)


# (discordant b, c, two-sided exact p, source)
MCNEMAR = [
    (1, 7, 0.0703125, "Fagerland, Lydersen and Laake, BMC Med. Res. Methodol. 13:91 (2013), airway data, p = .070"),
    (150, 86, 3.71594e-5, "Agresti, Categorical Data Analysis, approval of the prime minister; value recomputed"),
    (5, 15, 0.0413895, "sign test, closed form"),
    (2, 8, 0.109375, "sign test, closed form"),
    (6, 0, 0.03125, "sign test, closed form"),
    (5, 0, 0.0625, "sign test, closed form"),
    (0, 0, 1.0, "nothing discordant"),
]


@pytest.mark.parametrize(("b", "c", "p", "source"), MCNEMAR)
def test_exact_mcnemar_matches_published(b: int, c: int, p: float, source: str) -> None:
    assert Discordance(b, c, 1000).p_exact == pytest.approx(p, rel=2e-6), source


@given(st.integers(0, 60), st.integers(0, 60))
def test_exact_mcnemar_agrees_with_scipy(b: int, c: int) -> None:
    want = binomtest(b, b + c).pvalue if b + c else 1.0
    assert Discordance(b, c, 200).p_exact == pytest.approx(want, rel=1e-9)
