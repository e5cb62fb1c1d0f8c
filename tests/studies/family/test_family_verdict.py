"""The verdict on one way of teaching for a family of lines, from rows written by hand."""

from __future__ import annotations

import json
import math
import re
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pytest

import teachlab
from teachlab import DrawOptions, Rules, shipped
from teachlab.errors import ParameterError
from teachlab.evidence.criteria import Criteria, Criterion
from teachlab.model.recording import Recording
from teachlab.model.setting import Setting
from teachlab.model.truth import TruthSource
from teachlab.studies.family.family_answer import RankedMethod, _best_here, _choice, _Line, _Price, study_answer
from teachlab.studies.family.family_criteria import judged_study
from teachlab.studies.family.family_verdict import FamilyJudge, LineVerdict
from teachlab.studies.family.row_store import RowTable
from teachlab.studies.family.study_grid import COUNTED
from teachlab.studies.family.study_piece import piece_code
from teachlab.studies.family.study_plan import planned_study, read_study, studied_lines
from teachlab.studies.family.study_run import run_study
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


def row(lost: int, false: int, strategy: str = "balanced-guard", **kept: Any) -> dict[str, Any]:
    """A row of 40 passes in 8 lots over which its errors are spread; `kept`: what it keeps for a judgement."""
    none = dict.fromkeys(COUNTED, 0)
    lots = [
        none
        | {"lot": f"lot {k}", "passes": 5, "gaps": 5, "lost": len(range(k, lost, 8)), "trips": len(range(k, false, 8))}
        for k in range(8)
    ]
    counts = {name: [lot[name] for lot in lots] for name in COUNTED} | {"source": "lots", "named_lots": 8}
    errors = [lot["lost"] + lot["trips"] for lot in lots]
    half = {"passes": [5] * 8, "lost": counts["lost"], "errors": errors, "usable": True}
    judged = {
        **dict.fromkeys(("empty", "still", "ignore_passes"), 0),
        **dict.fromkeys(("scale_end", "beside", "off", "useless"), False),
        **dict.fromkeys(("both_sides", "swapped", "lone_gap", "moved", "rare", "taught")),
        **{name: [] for name in ("groups", "places", "outside", "causes")},
        "wrong": lost + false, "mistaken": lost + false, "of": 40, "scored": 40, "usable": True, "share": 1.0,
        "few_lots": ["", ""], "left_out": {"shown": 0}, "failing": counts, "tried": counts, "tried_usable": True,
        "half": half | {"like": [f"lot {k}" for k in range(8)], "at_s": [0.0] * 8},
    }  # fmt: skip
    setting = Setting(unit="counts", on_level=20.0, off_level=18.0)
    return {
        "recording": "line", "strategy": strategy, "parameters": "{}", "base": "none", "claim_passes": 40,
        "claim_lost": lost, "claim_false": false, "usable": True, "open": [], "synthetic": False, "lag_ms": None,
        "chosen_cost": 0.0, "chosen_p95": 0.0, "room": None, "draw": 0, "lots": lots, "named_lots": 8,
        "lot_source": "lots", "setting": json.dumps(setting.as_dict()), "judged": json.dumps(judged | kept),
    }  # fmt: skip


def verdict(lost: int, false: int, *others: tuple[int, int]) -> Any:
    lines = [Line(f"line {k}", f"line{k}.parquet") for k in range(12)]
    rows = [(line, row(lost, false)) for line in lines]
    tried = {
        line.name: {str(k): row(*each, f"way {k}") for k, each in enumerate([(lost, false), *others])} for line in lines
    }
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
        "The costliest recording is line 0: 4 lost and 3 switchings too many in 40 passes of its claim half; all "
        "claim halves together have 84 errors."
    )


def test_a_part_of_synthetic_recordings_is_told() -> None:
    """The first words call the whole study a rehearsal."""
    rows = [(Line(f"line {k}", f"line{k}.parquet"), row(0, 0) | {"synthetic": k < 3}) for k in range(12)]
    lines = [LineVerdict(recording=one.name, path=one.path) for one, _ in rows]
    found = FamilyJudge().family(CHOSEN, rows, {one.name: {CHOSEN.label: told} for one, told in rows}, lines)
    assert found.rehearsal
    assert found.reasons[0].text.startswith("3 of 12 recordings are synthetic.")


def claim_of(*changed: dict[str, Any]) -> Any:
    """Return the claim on twelve recordings without a loss, of which the first ones are changed."""
    rows = [(Line(f"line {k}", f"line{k}.parquet"), row(0, 0)) for k in range(12)]
    for (_, one), change in zip(rows, changed, strict=False):
        one.update(change)
    lines = [LineVerdict(recording=one.name, path=one.path) for one, _ in rows]
    return FamilyJudge().family(CHOSEN, rows, {one.name: {CHOSEN.label: told} for one, told in rows}, lines).claim


def test_a_claim_rests_on_recordings_that_could_have_contradicted_it() -> None:
    """1 - 0.05^(1/L), by L recordings without a loss."""
    assert claim_of().upper == pytest.approx(1 - 0.05 ** (1 / 12))
    for change in (
        {"open": [{"condition": "self-labelled", "text": "The passes were labelled from this very light."}]},
        {"lag_ms": 3.0},
    ):
        found = claim_of(*[change] * 4)
        assert (found.lots, found.passes, found.upper) == (8, 320, pytest.approx(1 - 0.05 ** (1 / 8)))
        assert found.more == ("Left out of the claim: 4 recordings that can support none.",)
        assert claim_of(*[change] * 8).upper is None
    useless = {"usable": False, "open": [{"condition": "never switches", "text": "The output never switches on."}]}
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
    held = row(8 * lost, 0)
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


@pytest.mark.parametrize(
    ("named", "left"),
    [
        (6, "only 2 of 6 lots are left to claim on. Record 3 more lots."),
        (0, "no lots are named. To claim more, name 5 in the table of passes."),
    ],
)
def test_a_limit_of_few_lots_is_named_for_a_single_recording(named: int, left: str) -> None:
    """It said "use with a limit" without one."""
    recording, truth = line(1, 300)
    lot = [f"lot {k * named // 300}" for k in range(300)] if named else None
    found = teachlab.study(
        [(recording, replace(truth, lot=None if lot is None else np.array(lot)))], ["balanced-guard"], draws=5
    )
    assert found.verdict.decision == "use with a limit"
    assert found.verdict.conditions == (f"For this recording alone: {left}",)
    assert found.lines[0].why == found.verdict.conditions[0]


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


def test_passes_beside_the_light_are_told_before_what_the_output_does_there() -> None:
    """It said that the level or the polarity was wrong, where a bench said that the passes lie beside the light."""
    told = {"condition": "inverted", "text": "The output is active for most of the gap time."}
    held = row(40, 0, beside=True, off=True, moved=[False, 40, 40], usable=False)
    held |= {"open": [told], "lag_ms": 60.0, "usable": False}
    method = ("balanced-guard", "{}", "none")
    found = FamilyJudge().line("line", "line.parquet", {method: [held]}, {method: "balanced-guard"}, method, "")
    assert (found.decision, found.claim) == (
        "cannot be decided",
        "Nothing is claimed.",
    )


def family(*kept: dict[str, Any]) -> Any:
    """Return the verdict on recordings without an error that counts, each with what it keeps."""
    rows = [(Line(f"line {k}", f"line{k}.parquet"), row(0, 0, **one)) for k, one in enumerate(kept)]
    lines = [LineVerdict(recording=one.name, path=one.path) for one, _ in rows]
    return FamilyJudge().family(CHOSEN, rows, {one.name: {CHOSEN.label: told} for one, told in rows}, lines)


BOTH = {"both_sides": {"text": "5 passes are brighter than the background and 3 are darker.", "count": 3}}


@pytest.mark.parametrize(("darker", "decision"), [(0, "use"), (2, "use with a limit"), (6, "cannot be decided")])
def test_products_on_both_sides_limit_a_single_threshold(darker: int, decision: str) -> None:
    """It said "use" of all."""
    found = family(*[BOTH] * darker, *[{}] * (12 - darker))
    assert found.decision == decision
    told = f"On {darker} of 12 recordings products lie on both sides of the background"
    assert any(text.startswith(told) for text in found.conditions) is bool(darker)


def test_a_kind_that_is_lost_on_many_recordings_is_named_though_none_shows_it_alone() -> None:
    """1 of 3 dark products lost on every line: too few of them on one line to tell."""
    kinds = [
        {"what": "kind", "name": name, "lost": lost, "of": of} for name, lost, of in (("a", 0, 57), ("dark", 1, 3))
    ]
    found = family(*[{"groups": kinds}] * 12)
    assert found.decision == "use with a limit"
    assert found.conditions == ("Not for the kind 'dark': 12 of 36 passes lost in 12 recordings.",)
    alone = [kinds[0], kinds[1] | {"lost": 20, "of": 20}]
    assert family({"groups": alone}, *[{}] * 11).conditions == (
        "line 0: Not for the kind 'dark': 20 of 20 passes lost.",
    )


@pytest.mark.parametrize(
    ("kept", "text", "decision"),
    [
        ({"scale_end": True}, "The level lies at an end of the scale", "use with a limit"),
        ({"wrong": 9}, "On all passes, those of teaching and choosing too", "use with a limit"),
    ],
)
def test_what_a_bench_says_of_one_recording_limits_the_family(kept: dict[str, Any], text: str, decision: str) -> None:
    found = family(kept, *[{}] * 11)
    assert found.decision == decision
    assert found.conditions[0].startswith(f"line 0: {text}")


@pytest.mark.parametrize(
    ("kept", "text", "step"),
    [
        ({"lone_gap": {"text": "That gap is after pass 3."}}, "In one gap the output stays active", "inspect"),
        ({"still": 40, "mistaken": 40}, "The log stands still in lost passes", "inspect"),
        ({"empty": 30}, "Most passes have the light of the gaps", "inspect"),
        ({"beside": True}, "The borders of the passes are less sure than stated", "align"),
    ],
)
def test_what_shows_nothing_of_a_setting_is_not_held_against_it(kept: dict[str, Any], text: str, step: str) -> None:
    """One recording of 6 with 40 errors in 40 passes: on the others there is none."""
    bad = row(40, 0, **kept)
    rows = [(Line(f"line {k}", f"line{k}.parquet"), bad if k == 0 else row(0, 0)) for k in range(6)]
    lines = [LineVerdict(recording=one.name, path=one.path) for one, _ in rows]
    found = FamilyJudge().family(CHOSEN, rows, {one.name: {CHOSEN.label: told} for one, told in rows}, lines)
    assert found.decision == "cannot be decided"
    assert any(one.startswith(f"line 0: {text}") for one in found.conditions)
    assert found.next_step == f"teachlab {step} line0.parquet"


def test_of_several_that_are_right_the_first_one_given_is_named() -> None:
    """It named the strategy that a choice prefers, a bench the one that comes first by cost, spread, room and place."""
    lost = {"single-sample": 16, "balanced-guard": 0, "guard-or-window": 0}
    methods = {(name, "{}", "none"): [row(many, 0, name)] for name, many in lost.items()}
    found = FamilyJudge().line("line", "a.parquet", methods, {m: m[0] for m in methods}, next(iter(methods)), "")
    assert found.decision == "cannot be decided"
    assert found.why.startswith("single-sample was chosen on earlier passes. On the 40 passes")
    assert "it makes 16 errors, balanced-guard none." in found.why


def test_an_output_that_is_active_in_most_gaps_is_the_best_of_no_line() -> None:
    """As in a bench it comes last at any cost; its line was judged by it."""
    held = _Line("line", "a.parquet")
    held.by_method = {
        ("always", "{}", "none"): [row(0, 0, "always", useless=True)],
        ("balanced-guard", "{}", "none"): [row(1, 0) | {"chosen_cost": 0.1}],
    }
    always, guard = held.by_method
    assert _best_here(held) == _best_here(held, always) == guard


def test_the_choice_has_not_seen_the_passes_of_its_claim() -> None:
    """Among configurations of equal cost it took the one with fewest errors on all passes, and claimed on half of them.

    The best there of a recording was the strategy with fewest errors on the claim halves.
    """
    asked = [(strategy_class(name), {}) for name in ("single-sample", "balanced-guard", "two-sample-midpoint")]
    bases = {"plain": {}, "slow": {"on_delay_ms": 2.0}}
    plan = planned_study(studied_lines([line(k, name=f"l{k}") for k in range(3)]), asked, draws=2, bases=bases)
    found = run_study(plan)
    rows, rng = found.table.to_pylist(), np.random.default_rng(0)
    seen = set()
    for _ in range(20):
        for one in rows:
            one |= {"chosen_cost": 0.0, "chosen_p95": 0.0, "ranking_cost": rng.random(), "room": 1.0}
            one["claim_lost"] = int(rng.integers(one["claim_passes"]))
        table = pa.Table.from_pylist(rows, found.table.schema)
        told = study_answer(table, RowTable(plan.grid, plan.lines), plan.grid, plan.lines, plan.judge)
        assert told.recommended is not None
        seen.add((told.recommended.method, *(one.best for one in told.lines)))
    assert len(seen) == 1


@pytest.mark.parametrize(
    ("changed", "verdict", "because"),
    [
        ({}, "met", "the upper bound lies within the limit"),
        ({"lag_ms": 3.0}, "not enough evidence", "the passes of 1 recording lie beside the light"),
        ({"claim_passes": 0, "lots": []}, "not enough evidence", "11 recordings are scored"),
    ],
)
def test_a_criterion_counts_recordings_that_show_something(changed: dict[str, Any], verdict: str, because: str) -> None:
    """Passes beside the light met a criterion, and a recording without a scored pass counted as one."""
    rows = [row(0, 0) | (changed if k == 0 else {}) for k in range(12)]
    limits = [Criterion(measure="lost_rate", max=0.3), Criterion(measure="lots", min=12)]
    lost, lots = judged_study(Criteria(criterion=limits), rows)
    if "lots" in changed:
        assert (lots.verdict, lots.because) == (verdict, because)
    else:
        assert (lost.verdict, lost.because) == (verdict, because)
