"""Criteria on the spread of the switching position: met only on evidence that could have failed them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from teachlab.evidence.sections.position_criteria import judged_position
from teachlab.scoring.switching_position import SwitchingPosition
from teachlab.statistics.quantiles import QuantileSpread


def position(
    onset_ms: np.ndarray, lots: int = 0, *, doubt_ms: float = 0.1, speed: float | None = 0.5
) -> SwitchingPosition:
    size = onset_ms.size
    lot = None if not lots else np.array([f"lot {k * lots // size}" for k in range(size)], object)
    return SwitchingPosition(
        rows=np.arange(size), onset_ms=onset_ms, release_ms=np.full(size, np.nan), peak=np.full(size, np.nan),
        label=np.full(size, "jar", object), lot=lot, doubt_ms=doubt_ms, doubt_is="uncertainty", line_speed_m_s=speed,
        confidence=0.95,
    )  # fmt: skip


def judged(
    found: SwitchingPosition | None, most: float, measure: str = "onset_spread_ms", *, by_lots: bool = True
) -> list[str]:
    return list(judged_position(measure, most, found, confidence=0.95, by_lots=by_lots, least_lots=5))


EVEN = np.tile(np.linspace(0.0, 2.0, 20), 10)


def test_met_by_lots_and_its_twin_of_one_late_lot() -> None:
    met = judged(position(EVEN, 10), 2.5)
    assert met[1:3] == ["1.895 ms on 200 passes", "met"]
    assert met[3] == "at most 1.89 ms, from the earliest to the latest of 10 lots"
    late = EVEN.copy()
    late[-20:] += 3.0
    assert judged(position(late, 10), 2.5)[2] != "met"
    # Not by pooling: a tenth that is late hardly moves the pooled quantile's lower limit beyond.
    assert judged(position(late, 10), 6.0)[2] == "met"


@pytest.mark.parametrize(
    ("lots", "by_lots", "word"), [(0, True, "not enough"), (4, True, "not enough"), (0, False, "met")]
)
def test_few_lots_decide_nothing_unless_passes_are_taken_as_independent(lots: int, by_lots: bool, word: str) -> None:
    assert judged(position(EVEN, lots), 2.5, by_lots=by_lots)[2].startswith(word)


def test_few_passes_doubtful_borders_and_no_speed_decide_nothing() -> None:
    few = judged(position(EVEN[:71]), 2.5, by_lots=False)
    assert few[2:] == ["not enough evidence", "71 passes were hit, 72 are needed"]
    assert judged(position(EVEN[:72]), 2.5, by_lots=False)[2] == "met"
    doubt = judged(position(EVEN, 10, doubt_ms=1.3), 2.5)
    assert doubt[2] == "not enough evidence"
    # 2 · 1.3 ms.
    assert doubt[3] == "a spread below 2.6 ms is smaller than the doubt of the borders of the passes"
    assert judged(position(EVEN, 10), 1.25, "onset_spread_mm")[2] == "met"
    assert judged(position(EVEN, 10, speed=None), 1.25, "onset_spread_mm")[2] == "not enough evidence"
    assert judged(None, 2.5)[2] == "not enough evidence"
    assert judged(position(EVEN, 10), 2.5, "release_spread_ms")[2] == "not enough evidence"


def test_not_met_where_even_the_lower_limit_lies_beyond() -> None:
    wide = position(EVEN * 4, 10)
    found = QuantileSpread.of(wide.onset_ms, confidence=0.9)
    assert found is not None
    assert judged(wide, 2.5)[2:] == ["not met", f"even the lower limit, {found.spread_low:.3g} ms, lies beyond"]
    released = replace(position(EVEN, 10), release_ms=EVEN * 4)
    assert judged(released, 2.5, "release_spread_ms")[2] == "not met"
