"""What a plan says of the hours recorded so far."""

from __future__ import annotations

import pytest

from teachlab.questions.plan import plan
from teachlab.statistics.claims.lot_claims import claim_by_lots


@pytest.mark.parametrize(
    ("seen", "lost", "standing", "told", "more"),
    [
        # Garwood: no event in 2.996 h shows at most 1 per hour at 95 %.
        (1.0, 0, "not yet", "1.996 more hours would do, with no false trip in all.", 1.9957),
        (3.0, 0, "enough", "You may stop now: the plan is fulfilled.", 0.0),
        (1.0, 1, "failed", "The plan allowed 0 events, 1 were seen", None),
    ],
)
def test_hours_that_are_missing_are_told(seen: float, lost: int, standing: str, told: str, more: float | None) -> None:
    found = plan(1.0, hours=True, seen=seen, lost=lost)
    assert found.found["standing"] == standing
    assert any(line.startswith(told) for line in found.lines), found.lines
    next_step = {
        "not yet": "Log 1.996 more running hours and count every false trip.",
        "enough": "Stop recording. Write the record of the setting on this recording.",
        "failed": "Choose another setting, or allow more losses. Then log other passes.",
    }
    assert found.verdict.next_step == next_step[standing]
    assert found.verdict.about == f"{seen:g} running hours, {lost} false trip{'' if lost == 1 else 's'}"
    assert found.found["more_hours"] == (None if more is None else pytest.approx(more, abs=1e-4))


def test_hours_of_a_plan_without_a_recording_are_all_to_be_logged() -> None:
    assert plan(1.0, hours=True).verdict.next_step == "Log 2.996 running hours and count every false trip."


@pytest.mark.parametrize(
    ("rate", "step", "reasons"),
    [
        # ln 0.05 / ln(1 − p) lots without a loss: 2,995, 299, 59; a year of 365.25 days.
        (
            0.001,
            "Log 2,995 lots of at least 5 passes (8.2 years at one lot a day).",
            ["To show at most 5 % takes 59 lots."],
        ),
        (
            0.01,
            "Log 299 lots of at least 5 passes (9.8 months at one lot a day).",
            ["To show at most 5 % takes 59 lots."],
        ),
        (0.05, "Log 59 lots of at least 5 passes. Name", []),
    ],
)
def test_how_long_many_lots_take_is_told(rate: float, step: str, reasons: list[str]) -> None:
    found = plan(rate).verdict
    assert found.next_step.startswith(step)
    assert [one.text for one in found.reasons] == reasons


@pytest.mark.parametrize("lots", [1, 8, 20, 200])
def test_what_stated_lots_can_show_at_most_is_what_their_claim_shows(lots: int) -> None:
    upper = claim_by_lots([0] * lots, [500] * lots, confidence=0.95).upper
    (told,) = [one.text for one in plan(0.001, lots=lots).verdict.reasons if "however large" in one.text]
    assert told.startswith(f"{lots} lot")
    shown = float(told.partition("at most ")[2].partition(" %")[0])
    assert 100 * upper <= shown <= 100 * upper + (1 if upper > 0.1 else 0.1)
    assert not any("however large" in one.text for one in plan(0.1, lots=29).verdict.reasons)


def test_rates_are_told_in_percent() -> None:
    found = plan(0.01, true_rate=0.001, values=300, figure=4.0)
    text = " ".join(found.lines)
    for told in ("at most 1 % are lost, at 95 %", "If the true rate is 0.1 %", "At most 1 % of all further",
                 "at most 1 % lie", "at most 0.011 % lie"):  # fmt: skip
        assert told in text, told
    assert "0.01 " not in text
