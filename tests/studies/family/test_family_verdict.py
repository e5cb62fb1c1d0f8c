"""The verdict on one way of teaching for a family of lines, from rows written by hand."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import teachlab
from teachlab import DrawOptions, Rules, shipped
from teachlab.errors import ParameterError
from teachlab.model.recording import Recording
from teachlab.model.truth import TruthSource
from teachlab.studies.family.family_answer import RankedMethod, _choice, _Price
from teachlab.studies.family.family_verdict import FamilyJudge, LineVerdict
from teachlab.studies.family.study_piece import piece_code
from teachlab.studies.family.study_plan import planned_study, read_study, studied_lines
from teachlab.teaching.strategy_files import strategy_class
from tests.studies.family.made_lines import line


@dataclass(frozen=True)
class Line:
    name: str
    path: str


CHOSEN = RankedMethod(
    strategy="balanced-guard", base="none", parameters={}, varied=(), label="balanced-guard", cost=0.2, chosen_cost=0.2,
    claim_cost=0.2, unranked=0, worst="", worst_cost=None, between_sd=None, within_sd=None, share_between=None,
)  # fmt: skip


def row(lost: int, false: int, strategy: str = "balanced-guard") -> dict[str, Any]:
    return {
        "strategy": strategy, "parameters": "{}", "base": "none", "claim_passes": 40, "claim_lost": lost,
        "claim_false": false, "usable": True, "open": [], "synthetic": False, "lag_ms": None,
    }  # fmt: skip


def verdict(lost: int, false: int, *others: tuple[int, int]) -> Any:
    lines = [Line(f"line {k}", f"line{k}.parquet") for k in range(12)]
    rows = [(line, row(lost, false)) for line in lines]
    tried = {line.name: [row(lost, false), *(row(*each, "other") for each in others)] for line in lines}
    return FamilyJudge().family(CHOSEN, rows, tried, [LineVerdict(recording=a.name, path=a.path) for a in lines])


@pytest.mark.parametrize(
    ("lost", "false", "others", "decision"),
    [
        (0, 0, [], "use"),
        # 4 lost and 4 switchings too many in 40 passes are 8 errors: 20 in 100, and the same on every line.
        (4, 4, [], "none of these works"),
        (0, 8, [], "none of these works"),
        # Another way that is not bad for sure leaves it open.
        (4, 4, [(1, 0)], "cannot be decided"),
        (4, 4, [(4, 4)], "none of these works"),
    ],
)
def test_lost_passes_and_switchings_too_many_both_count(
    lost: int, false: int, others: list[tuple[int, int]], decision: str
) -> None:
    assert verdict(lost, false, *others).decision == decision


def test_the_costliest_line_is_named_with_both_kinds_of_errors() -> None:
    reasons = [reason.text for reason in verdict(4, 3).reasons]
    assert reasons[0] == (
        "The costliest recording is line 0: 4 lost and 3 switchings too many in 40 passes; all recordings together "
        "have 84 errors."
    )


def test_a_part_of_synthetic_recordings_is_told() -> None:
    """The first words call the whole study a rehearsal."""
    rows = [(Line(f"line {k}", f"line{k}.parquet"), row(0, 0) | {"synthetic": k < 3}) for k in range(12)]
    lines = [LineVerdict(recording=one.name, path=one.path) for one, _ in rows]
    found = FamilyJudge().family(CHOSEN, rows, {one.name: [told] for one, told in rows}, lines)
    assert found.rehearsal
    assert found.reasons[0].text.startswith("3 of 12 recordings are synthetic.")


def claim_of(*changed: dict[str, Any]) -> Any:
    """Return the claim on twelve recordings without a loss, of which the first ones are changed."""
    rows = [(Line(f"line {k}", f"line{k}.parquet"), row(0, 0)) for k in range(12)]
    for (_, one), change in zip(rows, changed, strict=False):
        one.update(change)
    lines = [LineVerdict(recording=one.name, path=one.path) for one, _ in rows]
    return FamilyJudge().family(CHOSEN, rows, {one.name: [told] for one, told in rows}, lines).claim


def test_a_claim_rests_on_recordings_that_could_have_contradicted_it() -> None:
    """1 - 0.05^(1/L), by L recordings without a loss."""
    assert claim_of().upper == pytest.approx(1 - 0.05 ** (1 / 12))
    for change in ({"open": ["The passes were labelled from this very light."]}, {"lag_ms": 3.0}):
        found = claim_of(*[change] * 4)
        assert (found.lots, found.passes, found.upper) == (8, 320, pytest.approx(1 - 0.05 ** (1 / 8)))
        assert found.more == ("Left out of the claim: 4 recordings that can support none.",)
        assert claim_of(*[change] * 8).upper is None
    useless = {"usable": False, "open": ["The output never switches on."]}
    assert claim_of(useless).upper is None
    assert claim_of(useless).text == (
        "Nothing is claimed. The output is active for most of the gap time, or never: line 0."
    )


def test_declining_on_a_few_recordings_costs_their_passes_and_no_more() -> None:
    """5 errors in 100 on 40 recordings and none taught on 2: 9.5 in 100, less than 75 in 100 on all 42."""
    asked = [(strategy_class(name), {}) for name in ("balanced-guard", "single-sample")]
    grid = planned_study(studied_lines(str(shipped("demo_tubs"))), asked, draws=1).grid
    declines = replace(CHOSEN, cost=0.05, chosen_cost=0.05, unranked=2)
    wrong = replace(CHOSEN, strategy="single-sample", label="single-sample", cost=0.75, chosen_cost=0.75)
    price = _Price(42, 1.0)
    assert price.of(declines, declines.cost) == pytest.approx((0.05 * 40 + 2) / 42)
    assert sorted([wrong, declines], key=price.order)[0] is declines
    assert _choice([wrong, declines], price, grid) is declines
    # Where a lost pass costs more than all those errors, declining is the worse of the two.
    assert _choice([wrong, declines], _Price(42, 20.0), grid) is wrong
    assert price.of(declines, None) == math.inf


def test_every_configuration_is_tried_with_every_base_seed_and_condition() -> None:
    asked = [(strategy_class("quantile-guard"), {"position": [0.4, 0.5, 0.6]})]
    plan = planned_study(
        studied_lines(str(shipped("demo_tubs"))), asked, seeds=[0, 1], draws=1,
        conditions={"dim": {"gain": 0.9}, "bright": {"ambient": 5.0}},
    )  # fmt: skip
    # The light as recorded is a condition of its own.
    assert (len(plan.grid.configurations), len(plan.grid.conditions)) == (3, 3)
    assert plan.grid.rows == 3 * 1 * 2 * 3


@pytest.mark.parametrize("gain", [-0.1, 1001])
def test_a_condition_with_a_gain_beyond_sense_is_refused(tmp_path: Path, gain: float) -> None:
    page = tmp_path / "study.toml"
    page.write_text(
        f'recordings = "{shipped("demo_tubs")}"\n[strategies.single-sample]\n[conditions.dim]\ngain = {gain}\n'
    )
    with pytest.raises(ParameterError, match="gain"):
        read_study(page)


def test_what_makes_the_numbers_of_a_piece_has_a_fingerprint() -> None:
    assert re.fullmatch("[0-9a-f]{8,}", piece_code())


@pytest.mark.parametrize(
    ("lost", "decision"),
    # 40 passes in 8 lots: without an error it may be used; 1 in 20 passes is accepted, 1 in 5 is not.
    [(0, "use"), (1, "none of these works")],
)
def test_the_setting_of_one_line_is_decided_by_its_own_errors(lost: int, decision: str) -> None:
    lot = dict.fromkeys(("gaps", "tripped", "trips", "extra", "ignore_trips"), 0) | {"passes": 5, "lost": lost}
    held = row(8 * lost, 0) | {
        "lots": [lot] * 8,
        "named_lots": 8,
        "lot_source": "lots",
        "chosen_cost": 0.0,
        "setting": {},
    }
    method = ("balanced-guard", "{}", "none")
    found = FamilyJudge().line("line", "line.parquet", {method: [held]}, {method: "balanced-guard"}, method, "")
    assert (found.decision, found.lost, found.passes) == (decision, 8 * lost, 40)


@pytest.mark.parametrize(
    ("sources", "lots", "standing"),
    [(0, 12, "for lots like those recorded"), (3, 9, None), (12, 0, None)],
)
def test_an_order_rests_on_recordings_that_could_have_contradicted_it(
    sources: int, lots: int, standing: str | None
) -> None:
    """It was established by 12 recordings whose passes were labelled from their own light."""
    pairs = []
    for k in range(12):
        recording, truth = line(k, 60, name=f"line {k}")
        source = TruthSource.SELF_LABELLED if k < sources else TruthSource.INDEPENDENT
        pairs.append((recording, replace(truth, source=source)))
    found = teachlab.study(pairs, ["balanced-guard", "background-referenced"], draws=5)
    order = found.strategies[0].order
    assert order is not None
    assert order.lots == lots
    assert str(order.standing) == (standing or "not established")
    assert (found.verdict.claim.text == "Nothing is claimed. No recording can support a claim.") is (sources == 12)


@pytest.mark.parametrize(("named", "left"), [(6, "only 2 lots are left to claim on"), (0, "not every pass has a lot")])
def test_a_limit_of_few_lots_is_named_for_a_single_recording(named: int, left: str) -> None:
    """It said "use with a limit" without one."""
    recording, truth = line(1, 300)
    lot = [f"lot {k * named // 300}" for k in range(300)] if named else None
    found = teachlab.study(
        [(recording, replace(truth, lot=None if lot is None else np.array(lot)))], ["balanced-guard"], draws=5
    )
    assert found.verdict.decision == "use with a limit"
    assert found.verdict.conditions == (f"For this recording alone: {left}.",)


def test_a_study_of_one_recording_counts_the_passes_that_a_bench_counts() -> None:
    """Where windows fill the gaps, the first pass of the claim half is next to one by which the setting was chosen."""
    recording, truth = line(1, 60)
    light, start = next(recording.blocks()).light.copy(), truth.start.copy()
    start[40] -= 50
    light[start[40] : truth.end[40]] = light[truth.end[40] - 1]
    recording, truth = Recording.from_array(light, recording.info), replace(truth, start=start)
    rules = Rules(tolerance_ms=5)
    bench = teachlab.bench(recording, ["balanced-guard"], truth, options=DrawOptions(draws=5, rules=rules))
    study = teachlab.study([(recording, truth)], ["balanced-guard"], draws=5, tolerance_ms=5)
    assert (bench.verdict.claim.passes, study.lines[0].passes) == (19, 19)


def test_a_study_of_one_recording_says_which_strategies_a_bench_would_choose_from() -> None:
    """A study takes the first of those that cost the same, a bench the one with the most room: they may differ."""
    found = teachlab.study([line(1, 60)], ["balanced-guard", "quantile-guard"], draws=5)
    assert {row["chosen_cost"] for row in found.rows()} == {0.0}
    assert found.verdict.reasons[0].text == (
        "1 other strategy costs as little on earlier passes: a bench takes the one with the most room."
    )
    assert "--strategy balanced-guard --strategy quantile-guard --out results" in found.verdict.next_step
    alone = teachlab.study([line(1, 60)], ["balanced-guard"], draws=5)
    assert not any("room" in one.text for one in alone.verdict.reasons)


def test_a_study_of_one_recording_says_that_a_bench_counts_more_passes() -> None:
    """The bench says "none of these works" by both halves, the study decides by the claim half alone."""
    recording, truth = line(3, 60, weak=0.4)
    study = teachlab.study([(recording, truth)], ["two-sample-midpoint"], draws=5)
    bench = teachlab.bench(recording, ["two-sample-midpoint"], truth, options=DrawOptions(draws=5))
    assert (study.verdict.decision, bench.verdict.decision) == ("cannot be decided", "none of these works")
    told = [one.text for one in study.verdict.reasons]
    assert told[0].endswith("A bench counts the passes of choosing too: they may show that it fails.")


def test_passes_beside_the_light_are_told_before_what_the_output_does_there() -> None:
    """It said that the level or the polarity was wrong, where a bench said that the passes lie beside the light."""
    held = row(40, 0) | {"open": ["The output is active for most of the gap time."], "lag_ms": 60.0, "chosen_cost": 0.0}
    held |= {"lots": [], "named_lots": 0, "lot_source": "blocks", "setting": {}, "usable": False}
    method = ("balanced-guard", "{}", "none")
    found = FamilyJudge().line("line", "line.parquet", {method: [held]}, {method: "balanced-guard"}, method, "")
    assert (found.decision, found.claim) == (
        "cannot be decided",
        "Nothing is claimed. The passes lie beside the light.",
    )
