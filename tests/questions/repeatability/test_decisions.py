"""How often a decision on repeated teachings is wrong: exact, by the binomial distribution."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from scipy.stats import binom

from teachlab.model.draws import DrawOptions
from teachlab.questions.repeatability.study import RepeatabilityAnswer
from teachlab.questions.repeatability.values import Limit
from teachlab.statistics.intervals import proportion


def _decision(failed: int, draws: int) -> str:
    worse = ((Limit(measure="lost_rate", high=0.0), proportion(failed, draws)),)
    cloud = SimpleNamespace(strategy="s", abstained=proportion(0, draws), worse=worse, taught=[1] * draws)
    one: Any = SimpleNamespace(cloud=cloud, always_lost=())
    study: Any = SimpleNamespace(recording="r", strategies=(one,), scored_passes=40, best=None)
    return RepeatabilityAnswer(options=DrawOptions(), studies=(study,), between=()).verdict.decision


@pytest.mark.parametrize("draws", [1, 5, 20, 60, 200])
def test_a_decision_that_teachings_are_alike_is_wrong_in_one_of_twenty_lines(draws: int) -> None:
    told = np.array([_decision(k, draws) for k in range(draws + 1)])
    for share in (0.1001, 0.2, 0.5, 0.8, 0.8999):
        chance = binom.pmf(np.arange(draws + 1), draws, share)
        assert chance[told == "repeatable"].sum() <= 0.05, share
        # "Every teaching fails alike": also where one of twenty did not.
        assert chance[told == "wrong every time"].sum() <= 0.05, share
    assert set(told[1:-1]) <= {"not repeatable", "repeatable", "too few teachings"}
