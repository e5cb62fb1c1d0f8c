"""The twin itself, on cases small enough to work out by hand."""

from __future__ import annotations

from fractions import Fraction
from types import ModuleType
from typing import Any

import pytest

PLAIN: dict[str, Any] = {
    "on_level": 5.0,
    "off_level": 3.0,
    "polarity": "light-on",
    "consecutive": 1,
    "on_delay_ms": 0.0,
    "off_delay_ms": 0.0,
    "delays_act_on": "output",
    "evaluation_rate_hz": None,
}


def spell(states: list[bool]) -> str:
    return "".join("X" if s else "." for s in states)


def read(text: str) -> list[float | None]:
    """One digit per sample, '-' for none."""
    return [None if c == "-" else float(c) for c in text]


@pytest.mark.parametrize(
    ("light", "changes", "output"),
    [
        ("0453452504", {}, "..XXXX.X.."),
        ("4523", {}, ".X.."),  # between the levels at first: dark
        ("--90", {}, "XXX."),  # invalid before the first valid one: as that
        ("0-9-0", {}, "..XX."),
        ("009090990900", {"consecutive": 2}, ".......XXXX."),
        ("09-90-0", {"consecutive": 2}, "...XXX."),
        ("099900", {"on_delay_ms": 1.0}, "..XX.."),
        ("099900", {"on_delay_ms": 3.0}, "......"),
        ("09000900", {"off_delay_ms": 2.0}, ".XXX.XXX"),
        ("09009000", {"off_delay_ms": 2.0}, ".XXXXXX."),
        ("099000", {"polarity": "dark-on", "on_delay_ms": 1.0}, "X...XX"),
        ("099000", {"polarity": "dark-on", "on_delay_ms": 1.0, "delays_act_on": "light"}, "XX.XXX"),
    ],
)
def test_switching(light: str, changes: dict[str, Any], output: str, twin: ModuleType) -> None:
    assert spell(twin.plain_replay(read(light), 1000.0, {**PLAIN, **changes})["output"]) == output


def test_void_begins_with_the_sixth(twin: ModuleType) -> None:
    replayed = twin.plain_replay(read("0-----0------0"), 1000.0, PLAIN)
    assert spell(replayed["void"]) == "............X."


def test_evaluations_read_the_latest_sample(twin: ModuleType) -> None:
    slow = {**PLAIN, "evaluation_rate_hz": 400.0}
    assert twin.plain_replay([0.0] * 10, 1000.0, slow)["reads"] == [0, 2, 5, 7]
    assert twin.step_ratio(1000.0, 333.3333333333333) == 3
    assert twin.step_ratio(999.412, 333.0) == Fraction(999412, 333000)
    with pytest.raises(ValueError, match="faster"):
        twin.step_ratio(1000.0, 1000.1)


@pytest.mark.parametrize(
    ("spans", "changes", "tolerance_ms", "expected"),
    [
        # Far apart: each reaches 2 to both sides and the lag of 3 further behind.
        ([(10, 14), (30, 35)], {"on_delay_ms": 3.0}, 2.0, [(8, 19), (28, 40)]),
        # Touching: the second begins the lag later, and no later than it ends.
        ([(10, 20), (20, 30)], {"on_delay_ms": 3.0}, 0.0, [(10, 23), (23, 33)]),
        ([(10, 20), (20, 22)], {"on_delay_ms": 3.0}, 0.0, [(10, 22), (22, 25)]),
        # A gap of 5 under a tolerance of 4: it is halved, rounded down.
        ([(10, 20), (25, 30)], {}, 4.0, [(6, 22), (22, 34)]),
        # A gap of 8, 1 to each side, a lag of 6: the window behind has the full lag, not the middle.
        ([(10, 20), (28, 40)], {"on_delay_ms": 6.0}, 1.0, [(9, 27), (27, 47)]),
        # Cut by the record on both sides.
        ([(1, 5), (45, 48)], {}, 5.0, [(0, 10), (40, 50)]),
    ],
)
def test_windows(
    spans: list[tuple[int, int]],
    changes: dict[str, Any],
    tolerance_ms: float,
    expected: list[tuple[int, int]],
    twin: ModuleType,
) -> None:
    replayed = twin.plain_replay([0.0] * 50, 1000.0, {**PLAIN, **changes})
    _, found = twin.windows(replayed, spans, tolerance_ms, 0.0)
    assert [(w.start, w.stop) for w in found] == expected


def test_score(twin: ModuleType) -> None:
    #                              1         2         3         4         5
    #                    0123456789012345678901234567890123456789012345678901234
    light = read("0000090900009000099900000099999999999900090000000099000")
    passes = [
        (4, 10, "detect"),  # two onsets, 5 and 7: hit and extra; 12 is a trip between
        (16, 18, "ignore"),  # one onset, 17
        (20, 24, "detect"),  # nothing: a miss
        (25, 30, "detect"),  # one onset, 26
        (30, 34, "detect"),  # still light from before: merged
        (34, 36, "ignore"),  # still light from before: held
        (50, 55, "detect"),  # cut by the record: excluded with its onset, 50
    ]
    assert twin.plain_score(twin.plain_replay(light, 3600.0, PLAIN), passes) == {
        "detect_passes": 5,
        "hits": 2,
        "misses": 1,
        "merged": 1,
        "extra": 1,
        "excluded_passes": 1,
        "excluded_onsets": 1,
        "ignore_passes": 2,
        "ignore_false_trips": 1,
        "ignore_held": 1,
        "excluded_ignore_passes": 0,
        "gaps": 5,  # 0-3, 10-15, 18-19, 24, 36-49
        "gaps_tripped": 2,
        "false_trips": 2,  # 12 and 41
        "excluded_gaps": 0,
        "excluded_gap_hours": 0.0,
        "gap_hours": pytest.approx(27 / 3600 / 3600),
        "running_hours": pytest.approx(55 / 3600 / 3600),
        "false_active_share": 6 / 27,  # at 12, 18, 19, 36, 37 and 41
    }
