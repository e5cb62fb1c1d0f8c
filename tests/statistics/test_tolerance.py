"""What taught values show: laws, ties, extremes, refusals, and the command."""

from __future__ import annotations

import itertools
import json
from fractions import Fraction

import pytest
import shell
from hypothesis import given, settings
from hypothesis import strategies as st

from teachlab.errors import ParameterError
from teachlab.statistics.tolerance import (
    coverage_confidence,
    samples_for_coverage,
    share_beyond,
    tolerance_claim,
    tolerance_factor,
)


@given(st.integers(1, 99), st.integers(1, 99), st.sampled_from([1, 2]))
@settings(max_examples=100, deadline=None, derandomize=True)
def test_fewest_values_in_whole_numbers(share: int, confidence: int, sides: int) -> None:
    p, wanted = Fraction(share, 100), Fraction(confidence, 100)
    n = samples_for_coverage(share / 100, confidence / 100, sides=sides)

    def sure(n: int) -> Fraction:
        return 1 - p**n if sides == 1 else 1 - n * p ** (n - 1) + (n - 1) * p**n

    assert sure(n) >= wanted
    assert n == sides or sure(n - 1) < wanted


def test_ties_are_decided_exactly() -> None:
    assert samples_for_coverage(0.1, 0.9, sides=1) == 1
    assert samples_for_coverage(0.1, 0.99, sides=1) == 2
    # 1 − 2 p + p² for two values.
    assert samples_for_coverage(0.1, 0.81) == 2
    assert samples_for_coverage(0.1, 0.8101) == 3


def test_shares_and_confidences_near_one_keep_their_digits() -> None:
    """Recomputed with mpmath at 50 digits: one value fewer is not enough."""
    assert samples_for_coverage(0.999999999, 0.999999) == 16_688_420_784
    assert samples_for_coverage(0.999999999999, 0.95) == 4_743_864_518_389
    assert coverage_confidence(10**9, 1 - 1e-9) == pytest.approx(0.264241118, abs=1e-9)


@pytest.mark.parametrize("sides", [1, 2])
def test_more_values_need_a_smaller_factor_and_more_share_a_larger_one(sides: int) -> None:
    by_size = [tolerance_factor(n, 0.99, 0.95, sides=sides) for n in (2, 3, 5, 10, 100, 10**4, 10**6)]
    assert all(a > b for a, b in itertools.pairwise(by_size))
    by_share = [tolerance_factor(20, p, 0.95, sides=sides) for p in (0.5, 0.9, 0.99, 0.9999, 1 - 1e-9)]
    assert all(a < b for a, b in itertools.pairwise(by_share))
    by_confidence = [tolerance_factor(20, 0.9, c, sides=sides) for c in (0.1, 0.5, 0.95, 0.999999)]
    assert all(a < b for a, b in itertools.pairwise(by_confidence))


def test_both_sides_ask_for_more_than_one_and_less_than_two_with_half_the_rest() -> None:
    for n, share in itertools.product((3, 10, 50, 1000), (0.8, 0.95, 0.999)):
        both = tolerance_factor(n, share, 0.95, sides=2)
        assert tolerance_factor(n, share, 0.95) < both < tolerance_factor(n, (1 + share) / 2, 0.975)


def test_mirror_of_one_side() -> None:
    """Mean + k·s exceeds the p quantile with confidence C as often as mean − k·s lies below the 1 − p quantile."""
    for n, share, confidence in itertools.product((2, 5, 40), (0.6, 0.99), (0.3, 0.95)):
        assert tolerance_factor(n, share, confidence) == pytest.approx(
            -tolerance_factor(n, 1 - share, 1 - confidence), rel=1e-8
        )


@pytest.mark.parametrize("samples", [2, 1000, 10**6, 10**9])
@pytest.mark.parametrize("figure", [-1e300, -40.0, 0.0, 6.0, 40.0, 1e300])
def test_any_figure_gives_a_share(samples: int, figure: float) -> None:
    assert 0 <= share_beyond(figure, samples, 0.95) <= 1
    assert 0 <= share_beyond(figure, samples, 0.999999) <= 1


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: coverage_confidence(0, 0.9), "samples must be at least 1"),
        (lambda: coverage_confidence(5, 90.0), "percentage"),
        (lambda: coverage_confidence(5, 0.9, sides=3), "sides must be 1 or 2"),
        (lambda: samples_for_coverage(0.9, 95.0), "percentage"),
        (lambda: tolerance_factor(1, 0.9, 0.95), "samples must be at least 2"),
        (lambda: tolerance_factor(5, float("nan"), 0.95), "share"),
        (lambda: share_beyond(float("nan"), 5, 0.95), "finite"),
        (lambda: share_beyond(3.0, 1, 0.95), "at least 2"),
    ],
)
def test_refusals(call: object, words: str) -> None:
    assert callable(call)
    with pytest.raises(ParameterError, match=words):
        call()


def test_a_single_value_has_no_spread() -> None:
    found = tolerance_claim(1, 0.9, 0.95)
    assert (found.range_confidence, found.extreme_confidence) == (0, pytest.approx(0.1))
    assert (found.factor, found.factor_both) == (None, None)


def test_command() -> None:
    def run(*arguments: str) -> tuple[int, str, str]:
        result = shell.invoke("plan", "--max-rate", "0.1", *arguments)
        return result.exit_code, result.stdout, result.stderr

    found = json.loads(run("--taught", "25", "--figure", "4", "--json")[1])["taught"]
    assert found["range_confidence"] == pytest.approx(0.729, abs=5e-4)
    assert (found["values_for_range"], found["values_for_extreme"]) == (46, 29)
    assert found["share_beyond"] == share_beyond(4.0, 25, 0.95)
    code, said, _ = run("--taught", "25", "--figure", "4", "--details")
    assert code == 0
    assert "outside the range of 25 taught ones with a confidence of 72.9 %" in " ".join(said.split())
    assert "Only if values are normal" in said
    for arguments, words in (
        (("--taught", "0"), "from 1 to"),
        (("--figure", "4"), "--figure needs --taught"),
        (("--hours", "--taught", "5"), "leave it out with --hours"),
        (("--taught", "1", "--figure", "4"), "at least 2"),
    ):
        code, said, complaint = run(*arguments)
        assert (code, said, complaint.count("\n")) == (2, "", 1)
        assert words in complaint
