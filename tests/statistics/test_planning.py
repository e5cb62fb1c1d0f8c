"""Planning: laws, ties, refusals, and the command."""

from __future__ import annotations

import json
import math
import re
from fractions import Fraction

import numpy as np
import pytest
import shell
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import binom

from teachlab.errors import ParameterError
from teachlab.statistics.claims.lot_claims import Assumption, claim_by_lots
from teachlab.statistics.intervals import count, proportion
from teachlab.statistics.planning import (
    Standing,
    acceptance,
    claim_hours_sentence,
    claim_sentence,
    plan_hours,
    plan_passes,
)


def _chance(n: int, events: int, rate: Fraction) -> Fraction:
    return sum((math.comb(n, k) * rate**k * (1 - rate) ** (n - k) for k in range(events + 1)), Fraction(0))


@given(st.integers(1, 99), st.integers(1, 99), st.integers(0, 6), st.integers(1, 4))
@settings(max_examples=150, deadline=None, derandomize=True)
def test_fewest_passes_in_whole_numbers(rate_percent: int, confidence_percent: int, events: int, best_of: int) -> None:
    rate, alpha = Fraction(rate_percent, 100), (1 - Fraction(confidence_percent, 100)) / best_of
    n = plan_passes(rate_percent / 100, confidence_percent / 100, events=events, best_of=best_of).passes
    assert _chance(n, events, rate) <= alpha
    assert n == events + 1 or _chance(n - 1, events, rate) > alpha


def test_ties_are_decided_exactly() -> None:
    # Half of a half: two passes reach exactly 25 %; ten percent of ten percent exactly 1 %.
    assert plan_passes(0.5, 0.75).passes == 2
    assert plan_passes(0.9, 0.99).passes == 2
    assert plan_passes(0.9, 0.999).passes == 3


@pytest.mark.parametrize("events", [0, 1, 3, 40])
@pytest.mark.parametrize("rate", [0.3, 1e-3, 1e-6, 1e-9])
def test_the_bound_of_the_plan_is_the_rate(rate: float, events: int) -> None:
    n = plan_passes(rate, 0.95, events=events).passes
    assert proportion(events, n, 0.95).upper <= rate * (1 + 1e-12)
    assert proportion(events, n - 1, 0.95).upper > rate * (1 - 1e-12)


@pytest.mark.parametrize("events", [0, 2, 9])
def test_the_bound_of_the_planned_hours_is_the_rate(events: int) -> None:
    assert count(events, plan_hours(0.25, 0.9, events=events), 0.9).upper == pytest.approx(0.25)


def test_lots_given_by_number_solve_the_same_equation() -> None:
    by_number = plan_passes(1e-2, 0.95, lots=40, icc=0.05)
    by_size = plan_passes(1e-2, 0.95, lot_size=by_number.passes / 40, icc=0.05)
    assert by_number.passes == pytest.approx(by_size.passes, abs=1)
    assert by_number.design_effect == pytest.approx(1 + (by_number.passes / 40 - 1) * 0.05, rel=1e-3)


def test_too_few_lots_are_refused_with_the_number_needed() -> None:
    # 299 independent passes at icc 0.2: even endless lots count as 1 / icc = 5 passes each.
    with pytest.raises(ParameterError, match="more than 59 lots"):
        plan_passes(1e-2, 0.95, lots=30, icc=0.2)


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ({"max_rate": 0.0}, "max-rate"),
        ({"max_rate": 1.0}, "percentage"),
        ({"confidence": 95.0}, "percentage"),
        ({"events": -1}, "events"),
        ({"best_of": 0}, "best-of"),
        ({"icc": 0.1}, "needs lots"),
        ({"icc": 1.0, "lots": 20}, "icc"),
        ({"icc": 0.1, "lots": 20, "lot_size": 10}, "not both"),
        ({"icc": 0.1, "lot_size": 0.5}, "lot-size"),
        ({"max_rate": float("nan")}, "max-rate"),
    ],
)
def test_bad_plans_are_refused(arguments: dict[str, float], words: str) -> None:
    with pytest.raises(ParameterError, match=words):
        plan_passes(**{"max_rate": 0.01, "confidence": 0.95, **arguments})  # type: ignore[arg-type]


def test_standing() -> None:
    plan = plan_passes(0.01, 0.95, events=1)
    assert plan.standing(472, 1) is Standing.NOT_YET
    assert plan.standing(473, 1) is Standing.ENOUGH
    assert plan.standing(10_000, 2) is Standing.FAILED


@pytest.mark.parametrize(("events", "trials"), [(0, 299), (3, 1000), (0, 1), (0, 10**6), (17, 20_000), (0, 10**12)])
def test_the_sentence_claims_no_more_than_the_bound(events: int, trials: int) -> None:
    rate = proportion(events, trials)
    said = float(claim_sentence(rate).split("fewer than ")[1].split(" %")[0]) / 100
    assert rate.upper * (1 - 1e-6) <= said <= min(1.0, rate.upper * 1.11)


def test_no_trials_no_claim() -> None:
    assert claim_sentence(proportion(0, 0)) == "Nothing may be claimed: no passes were scored."


def test_all_lost_no_claim() -> None:
    said = claim_sentence(proportion(10, 10))
    assert said == "Nothing may be claimed: the upper bound is 100 % (10 of 10 passes are lost)."


@pytest.mark.parametrize(("events", "hours"), [(0, 8.0), (2, 8.0), (0, 1e9), (7, 0.001), (0, 3e300), (0, 1e-300)])
def test_the_sentence_per_hour_claims_no_more_than_the_bound(events: int, hours: float) -> None:
    rate = count(events, hours)
    said = float(claim_hours_sentence(rate).split("fewer than ")[1].split(" ")[0])
    assert rate.upper * (1 - 1e-9) <= said <= rate.upper * 1.011


@pytest.mark.parametrize(("rate", "events"), [(1e-300, 0), (1e-310, 0), (1e-12, 10**6), (1e-9, 10**9)])
def test_plans_beyond_any_recording_are_refused(rate: float, events: int) -> None:
    with pytest.raises(ParameterError, match="no recording is that long"):
        plan_passes(rate, 0.95, events=events)
    with pytest.raises(ParameterError, match="endless hours"):
        plan_hours(1e-320, 0.95)


def test_hardly_any_confidence_needs_hardly_any_pass() -> None:
    """One more pass than events: with fewer there is nothing to claim."""
    assert plan_passes(0.3, 1e-12, events=3).passes == 4
    assert plan_passes(0.3, 1e-12, events=3, lot_size=10, icc=0.1).passes == 8


def _run(*arguments: str) -> tuple[int, dict[str, object]]:
    result = shell.invoke("plan", *arguments, "--json")
    return result.exit_code, json.loads(result.stdout)


def test_command() -> None:
    assert _run("--max-rate", "0.0001", "--confidence", "0.95")[1]["passes"] == 29956
    code, found = _run("--max-rate", "0.01", "--confidence", "0.95", "--events", "1", "--seen", "400")
    assert (code, found["standing"], found["more_passes"]) == (3, "not yet", 73)
    assert _run("--max-rate", "0.01", "--seen", "299")[0] == 0
    assert _run("--max-rate", "0.01", "--seen", "9999", "--lost", "1")[0] == 1
    assert _run("--max-rate", "0.125", "--hours")[1]["hours"] == pytest.approx(23.97, abs=0.01)


def test_chance_of_success() -> None:
    found = _run("--max-rate", "0.01", "--true-rate", "0.001")[1]
    assert found["chance_of_success"] == pytest.approx(0.999**299)
    plan = plan_passes(0.01, 0.95, events=3)
    assert plan.chance(0.01) <= 0.05
    assert plan.chance(0) == 1
    with pytest.raises(ParameterError, match="true-rate"):
        plan.chance(1.5)


def test_command_refuses_in_one_line() -> None:
    result = shell.run("plan", "--max-rate", "5", "--confidence", "0.95", code=2)
    assert result.stderr.count("\n") == 1


def test_a_percentage_is_told_as_the_share_it_stands_for() -> None:
    with pytest.raises(
        ParameterError,
        match=re.escape("max-rate must lie strictly between 0 and 1, got 5 (a percentage? give 0.05 for 5 %)."),
    ):
        plan_passes(5, 0.95)
    with pytest.raises(ParameterError, match=re.escape("got 95 (a percentage? give 0.95 for 95 %).")):
        plan_passes(0.01, 95)


@pytest.mark.parametrize("icc", [0.05, 0.2])
@pytest.mark.parametrize("rate", [0.005, 0.05, 0.3])
@pytest.mark.parametrize(
    ("lot_size", "lots"), [(1, None), (2.5, None), (3, None), (5, None), (7, None), (50, None), (None, 70), (None, 301)]
)
@pytest.mark.parametrize("events", [0, 2])
def test_doing_what_a_plan_says_is_met_at_the_same_correlation(
    icc: float, rate: float, lot_size: float | None, lots: int | None, events: int
) -> None:
    """Whole lots are uneven, and lots under five passes are joined by the claim."""
    try:
        n = plan_passes(rate, 0.95, events=events, lot_size=lot_size, lots=lots, icc=icc).passes
    except ParameterError:
        assert lots is not None
        return
    number = lots or math.ceil(n / (lot_size or 1))
    ways = [[n // number + (k < n % number) for k in range(number)]]
    if lot_size is not None and lot_size == int(lot_size):
        ways.append([*[int(lot_size)] * (n // int(lot_size)), n % int(lot_size)])
    for sizes in ways:
        lost = [min(size, max(0, events - sum(sizes[:k]))) for k, size in enumerate(sizes[:events])]
        claim = claim_by_lots([*lost, *[0] * (len(sizes) - len(lost))], sizes, assumption=Assumption(icc))
        assert claim.trials == n
        assert claim.upper <= rate * (1 + 1e-9)


def test_a_plan_of_whole_lots_is_not_longer_for_the_rest_of_a_shorter_one() -> None:
    """19 passes count as 41 in lots of five: 9 lots hold 45, and a rest of one to four passes joins a lot."""
    found = plan_passes(0.15, 0.95, lot_size=5, icc=0.3)
    assert (found.passes, found.lots, found.design_effect) == (45, 9, pytest.approx(2.2))


def test_no_plan_is_longer_than_it_must_be() -> None:
    """One pass fewer would not show it: by scipy's binomial distribution, over plans of all sizes."""
    rng = np.random.default_rng(5)
    for _ in range(300):
        rate, confidence = float(10 ** rng.uniform(-3, -0.3)), float(rng.uniform(0.5, 0.995))
        events = int(rng.integers(0, 6))
        n = plan_passes(rate, confidence, events=events).passes
        assert binom.cdf(events, n, rate) <= (1 - confidence) * (1 + 1e-9)
        assert n == events + 1 or binom.cdf(events, n - 1, rate) > (1 - confidence) * (1 - 1e-9)


@pytest.mark.parametrize("events", [3, 4])
def test_a_plan_that_allows_every_pass_to_be_lost_is_always_met(events: int) -> None:
    assert acceptance(3, events, 0.999) == 1.0
    assert acceptance(3, 2, 0.999) == pytest.approx(1 - 0.999**3)
