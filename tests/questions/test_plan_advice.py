"""What a plan says of the hours recorded so far."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import beta, binom, nbinom, poisson

from teachlab.questions.plan import plan
from teachlab.statistics.claims.lot_claims import claim_by_lots


@pytest.mark.parametrize(
    ("seen", "lost", "standing", "told", "more"),
    [
        # Garwood: no event in 2.996 h shows at most 1 per hour at 95 %.
        (1.0, 0, "not yet", "1.996 more hours would do, with no false trip in all.", 1.9957),
        (3.0, 0, "enough", "You may stop now if false trips come one by one: the plan is fulfilled.", 0.0),
        (1.0, 1, "failed", "The plan allowed 0 events, 1 was seen", None),
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
    holds = ", if false trips come one by one" if standing == "enough" else ""
    assert found.verdict.about == f"{seen:g} running hours, {lost} false trip{'' if lost == 1 else 's'}{holds}"
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


@pytest.mark.parametrize(("events", "size"), [(5, 50), (2, 20), (1, 5), (3, None)])
def test_lots_of_the_size_that_is_told_show_the_rate_with_the_losses_allowed(events: int, size: int | None) -> None:
    """Each loss in another lot of the least size is the worst: 63 lots of 5 with 5 lost would show 7.3 % only."""
    found = plan(0.05, events=events, lot_size=size)
    lots = found.found["lots_without_assumption"]
    least = max(5, size or 5)
    assert f"If {lots} independent lots of at least {least} passes lose at most " in found.verdict.claim.text
    assert found.verdict.next_step.startswith(f"Log {lots} lots of at least {least} passes")
    lost = [1] * events + [0] * (lots - events)
    assert claim_by_lots(lost, [least] * lots, confidence=0.95).upper <= 0.05


@pytest.mark.parametrize(("rate", "false"), [(0.01, 0.73), (0.05, 0.70)])
def test_lots_are_told_to_be_independent_and_what_runs_of_bad_lots_take(rate: float, false: float) -> None:
    found = plan(rate)
    lots = found.found["lots_without_assumption"]
    assert f"If {lots} independent lots" in found.verdict.claim.text
    assert "Where bad lots come in runs of ten, it takes ten times as many." in found.verdict.claim.text

    def none_lost(of: int, run: float) -> float:
        # A bad lot is followed by another with chance 1 − 1/run; the share of bad lots is the rate.
        return (1 - rate) * (1 - rate / (1 - rate) / run) ** (of - 1)

    assert none_lost(lots, 1 / (1 - rate)) <= 0.05 < none_lost(lots - 1, 1 / (1 - rate))  # independent lots
    assert none_lost(lots, 10) == pytest.approx(false, abs=0.005)
    assert none_lost(9 * lots, 10) > 0.05 >= none_lost(10 * lots, 10)


def test_the_chance_of_success_is_told_of_the_passes_and_of_the_lots() -> None:
    found = plan(0.01, true_rate=0.001)
    assert found.found["chance_of_success"] == pytest.approx(0.999**299)
    assert found.found["chance_of_success_by_lots"] == pytest.approx(0.999 ** (299 * 5))
    (told,) = [one.text for one in found.verdict.reasons if "true rate" in one.text]
    assert told.endswith("the chance of none lost is 74.1 % in 299 passes, and 22.4 % in 299 lots of 5.")


@pytest.mark.parametrize("lots", [1, 8, 20, 200])
def test_what_stated_lots_can_show_at_most_is_what_their_claim_shows(lots: int) -> None:
    upper = claim_by_lots([0] * lots, [500] * lots, confidence=0.95).upper
    (told,) = [one.text for one in plan(0.001, lots=lots).verdict.reasons if "however large" in one.text]
    assert told.startswith(f"{lots} lot")
    shown = float(told.partition("at most ")[2].partition(" %")[0])
    assert 100 * upper <= shown <= 100 * upper + (1 if upper > 0.1 else 0.1)
    assert not any("however large" in one.text for one in plan(0.1, lots=29).verdict.reasons)


def test_few_lots_of_the_passes_are_told_without_another_demand() -> None:
    """Under "Record: 299 lots" stood "299 passes are 15 lots ... Record from more lots"."""
    found = plan(0.01, lot_size=20).verdict
    assert found.about == "299 lots"
    assert "Those 299 passes would be 15 lots: fewer than 20 hardly show how much lots differ." in [
        one.text for one in found.reasons
    ]
    assert not any("Record" in one.text for one in found.reasons)


def test_rates_are_told_in_percent() -> None:
    found = plan(0.01, true_rate=0.001, values=300, figure=4.0)
    text = " ".join(found.lines)
    for told in ("at most 1 % are lost, at 95 %", "If the true rate is 0.1 %", "At most 1 % of all further",
                 "at most 1 % lie", "at most 0.011 % lie"):  # fmt: skip
        assert told in text, told
    assert "0.01 " not in text


@pytest.mark.parametrize("rate", [0.07, 0.2, 0.9, 1.1, 3.3, 17.0])
@pytest.mark.parametrize("events", [0, 2])
def test_the_hours_that_are_told_are_enough(rate: float, events: int) -> None:
    """Logging as many hours as the text says shows the rate: no rounding takes any of them away."""
    told = plan(rate, hours=True, events=events)
    hours = float(told.verdict.next_step.split()[1])
    assert poisson.cdf(events, hours * rate) <= 0.05 < poisson.cdf(events, 0.999 * hours * rate)
    stopped = plan(rate, hours=True, events=events, seen=hours).verdict
    assert (stopped.decision, stopped.about.split(", ")[-1]) == ("enough", "if false trips come one by one")
    # Bursts of ten at a tenth of the rate: ten times as long shows no more, for one length as for geometric ones.
    assert told.verdict.claim is not None
    assert told.verdict.claim.text.endswith("; for bursts of ten it takes ten times as long.")
    bursts = poisson.pmf(np.arange(60), hours * rate)
    for none_more in (
        np.array([k * 10 <= events for k in range(60)]),
        nbinom.cdf(events - np.arange(60), np.arange(60), 0.1),
    ):
        assert bursts[0] + float((bursts * none_more)[1:].sum()) <= 0.05
    begun = plan(rate, hours=True, events=events, seen=hours / 3).verdict
    assert hours / 3 + float(begun.next_step.split()[1]) >= told.found["hours"] * (1 - 1e-12)


@pytest.mark.parametrize(("size", "icc", "condition", "stated"), [
    (None, 0.0, "if passes are independent", 'assume = "independent"'),
    (50, 0.05, "if passes of a lot correlate by at most 0.05", "icc = 0.05"),
    (20, 0.3, "if passes of a lot correlate by at most 0.3", "icc = 0.3"),
])  # fmt: skip
@pytest.mark.parametrize("events", [0, 1, 4])
def test_enough_passes_are_enough_under_the_stated_assumption_only(
    size: int | None, icc: float, condition: str, stated: str, events: int
) -> None:
    effect = 1 + ((size or 1) - 1) * icc
    wanted = plan(0.02, events=events, lot_size=size, icc=icc).found["passes"]
    told = plan(0.02, events=events, lot_size=size, icc=icc, seen=wanted, lost=events)
    assert told.verdict.about == f"{wanted:,} passes, {events} lost, {condition}"
    assert told.verdict.next_step == f"Stop recording. Write the record, with {stated} in its criteria."
    assert told.lines[-1].endswith(f"Holds {condition}.")
    assert any(f"You may stop now {condition}" in line for line in told.lines)
    # The bound is that of as many independent passes as these count for.
    bound = beta.ppf(0.95, events / effect + 1, (wanted - events) / effect)
    assert f"one-sided upper bound {100 * bound:.3g} %" in told.lines[-1]


@pytest.mark.parametrize("rate", [0.001, 0.01, 0.05, 0.3])
@pytest.mark.parametrize(("events", "size"), [(0, None), (2, None), (2, 50)])
@pytest.mark.parametrize("confidence", [0.8, 0.95, 0.99])
def test_lots_and_passes_are_the_fewest_by_the_tables(
    rate: float, events: int, size: int | None, confidence: float
) -> None:
    found = plan(rate, confidence, events=events, lot_size=size).found
    lots, passes, lost = found["lots_without_assumption"], found["passes"], events / (size or 1)
    assert beta.ppf(confidence, lost + 1, lots - lost) <= rate * (1 + 1e-9)
    assert lots - 1 <= lost or beta.ppf(confidence, lost + 1, lots - 1 - lost) > rate
    assert binom.cdf(events, passes, rate) <= (1 - confidence) * (1 + 1e-9)
    assert binom.cdf(events, passes - 1, rate) > 1 - confidence


def test_few_lots_are_told_with_the_design_effect() -> None:
    """1 + 29 · 0.01 = 1.29; 0.95^59 is the first power below 0.05."""
    said = plan(0.05, lot_size=30, icc=0.01).lines
    assert "Design effect 1.29: 59 independent passes would do; spread over 3 lots it takes 76." in said
    assert "Those 76 passes would be 3 lots: fewer than 20 hardly show how much lots differ." in said
