"""How often `compare` calls equal settings different: made lines of lots, of bursts, and of independent passes."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from teachlab.model.score import Outcome, Trials
from teachlab.model.truth import Truth
from teachlab.questions.compare.answer import _pair, _verdict
from teachlab.scoring.by_lot import lost_rate_by_lot
from teachlab.scoring.paired_lots import passes_by_lot, unpaired_lots
from teachlab.scoring.pairs import compare_passes
from teachlab.statistics.differences import miettinen_nurminen

LINES, SIZE, RATE = 200, 20, 0.2
MOST = 21
"""Of 200 lines, each false with 5 %, more are so in fewer than 1 of 1,000 cases (binomial distribution)."""


def _lost(kind: str, passes: int, rng: np.random.Generator) -> NDArray[np.bool_]:
    if kind == "independent":
        return rng.random(passes) < RATE
    if kind == "bursts":
        out = np.zeros(passes, bool)
        for first in rng.integers(-8, passes, rng.poisson(passes * RATE / 8)):
            out[max(first, 0) : max(first + rng.geometric(1 / 8), 0)] = True
        return out
    lots = rng.beta(RATE, 1 - RATE, -(-passes // SIZE))  # intra-lot correlation 0.5
    return rng.random(passes) < lots[np.arange(passes) // SIZE]


def _trials(lost: NDArray[np.bool_]) -> Trials:
    return Trials(
        passes=np.where(lost, Outcome.MISS, Outcome.HIT).astype(np.int8),
        pass_onsets=(~lost).astype(np.int64),
        gaps=np.empty(0, np.int8),
        gap_onsets=np.empty(0, np.int64),
        gap_after=np.empty(0, np.int64),
    )


@pytest.mark.parametrize("kind", ["independent", "lots", "bursts"])
@pytest.mark.parametrize("named", [True, False])
def test_equal_settings_are_called_different_in_one_of_twenty_lines(kind: str, named: bool) -> None:
    rng, start = np.random.default_rng(1), np.arange(100) * 20
    lots = [f"L{k // SIZE}" for k in range(100)] if named else None
    truth = Truth.from_arrays(start + 10, start + 15, lot=lots)
    different = by_exact_p = 0
    for _ in range(LINES):
        one, other = (_trials(_lost(kind, 100, rng)) for _ in range(2))
        found = compare_passes(one, other)
        row = _pair(found, passes_by_lot(truth, one, other), 0.95)
        different += _verdict(row, row[row["p_used"]], 0.05) == "different."
        by_exact_p += found.p_exact < 0.05
    assert different <= MOST
    # A p of independent passes would not do.
    assert (by_exact_p > MOST) is (kind != "independent")


@pytest.mark.parametrize("kind", ["independent", "lots", "bursts"])
def test_the_difference_of_two_recordings_leaves_out_0_in_one_of_twenty_lines(kind: str) -> None:
    rng, start = np.random.default_rng(2), np.arange(100) * 20
    truth = Truth.from_arrays(start + 10, start + 15)
    told = independent = 0
    for _ in range(LINES):
        lost = [_lost(kind, 100, rng) for _ in range(2)]
        one, other = (lost_rate_by_lot(truth, _trials(each)) for each in lost)
        assert one is not None
        assert other is not None
        found = unpaired_lots(one, other).difference
        told += not found.low <= 0 <= found.high
        plain = miettinen_nurminen((int(lost[0].sum()), 100), (int(lost[1].sum()), 100))
        independent += not plain.low <= 0 <= plain.high
    assert told <= MOST
    # The interval of independent passes would not do.
    assert (independent > MOST) is (kind != "independent")
