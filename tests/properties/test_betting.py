"""Evidence by betting: against a plain loop, exact expectations, and its laws."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest

from teachlab.errors import ParameterError
from teachlab.statistics.betting import BOLDEST, STAKES, evidence_above


def plain(values: list[float], limit: float) -> list[float]:
    """Money after every unit, a stake at a time."""
    purses = [1 / STAKES] * STAKES
    ratio = (BOLDEST / 0.01) ** (1 / (STAKES - 1))
    out = []
    for x in values:
        purses = [p * (1 + 0.01 * ratio**k / limit * (x - limit)) for k, p in enumerate(purses)]
        out.append(sum(purses))
    return out


@pytest.mark.parametrize("seed", range(30))
def test_equals_the_plain_loop(seed: int) -> None:
    rng = np.random.default_rng(seed)
    limit = float(rng.uniform(0.01, 0.5))
    values = rng.random(int(rng.integers(1, 60))) ** 4
    if seed % 2:
        values = np.round(values)
    money, found = plain(values.tolist(), limit), evidence_above(values, limit)
    assert found.last == pytest.approx(money[-1])
    assert found.largest == pytest.approx(max(1.0, *money))
    enough = [k for k, m in enumerate(money) if m >= 20]
    assert found.reached == (enough[0] if enough else None)


@pytest.mark.parametrize(("limit", "length"), [(0.05, 8), (0.3, 10)])
def test_no_bet_wins_on_average_at_the_limit(limit: float, length: int) -> None:
    """Over all sequences: expected money is one, and the chance of ever having twenty is at most one in twenty."""
    expected = ever = 0.0
    for sequence in itertools.product((0, 1), repeat=length):
        chance = math.prod(limit if x else 1 - limit for x in sequence)
        found = evidence_above(sequence, limit)
        expected += chance * found.last
        ever += chance * (found.reached is not None)
    assert expected == pytest.approx(1.0)
    assert ever <= 0.05


def test_more_lost_is_more_evidence_and_a_higher_limit_is_less() -> None:
    rng = np.random.default_rng(4)
    values = (rng.random(200) < 0.1).astype(float)
    worse = values.copy()
    worse[np.flatnonzero(values == 0)[:10]] = 1
    assert evidence_above(worse, 0.05).last > evidence_above(values, 0.05).last
    assert evidence_above(values, 0.05).last > evidence_above(values, 0.08).last


def test_ten_of_ten_is_evidence_and_none_of_a_thousand_is_not() -> None:
    assert evidence_above([1] * 10, 0.05).reached == 1
    none = evidence_above([0] * 1000, 0.05)
    assert (none.largest, none.reached) == (1.0, None)
    assert evidence_above([], 0.05).mean is None


@pytest.mark.parametrize(("values", "limit"), [([2.0], 0.1), ([0.5], 0.0), ([0.5], 1.0), ([math.nan], 0.1)])
def test_refused(values: list[float], limit: float) -> None:
    with pytest.raises(ParameterError):
        evidence_above(values, limit)
