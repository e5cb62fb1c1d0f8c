"""A study: its rows are those of a bench, told apart and kept; what it says follows from them."""

from __future__ import annotations

import json
import math
import re
from dataclasses import dataclass, replace
from pathlib import Path
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any, ClassVar, cast

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from matplotlib.figure import Figure

import teachlab
from teachlab.errors import InputError, ParameterError, StrategyError
from teachlab.model.draws import MEASURES, Costs, DrawOptions
from teachlab.model.score import Rules
from teachlab.model.setting import Setting, Taught
from teachlab.model.teaching import Shown, TeachView
from teachlab.model.truth import Truth, TruthSource
from teachlab.scoring import score
from teachlab.scoring.claims import lot_counts
from teachlab.studies.claim_half import claim_halves, fixed_settings
from teachlab.studies.family import effect_figure, study_run
from teachlab.studies.family.family_tables import method_lines, parameter_table
from teachlab.studies.family.line_conditions import LineCondition
from teachlab.studies.family.row_store import NESTED
from teachlab.studies.family.study_plan import planned_study, read_study, studied_lines
from teachlab.studies.family.study_run import work_ahead
from teachlab.studies.taught_draws import Teaching, new_share, taught_draws
from teachlab.switching import replay
from teachlab.teaching.registry import installed_class
from tests.studies.family.made_lines import line, write_line

if TYPE_CHECKING:
    from teachlab.studies.family.family_answer import StudyAnswer
    from teachlab.studies.family.study_grid import StudyPiece

GRID = {"quantile-guard": {"position": [0.3, 0.6]}, "two-sample-midpoint": {"hysteresis_share": [0.1]}}


@dataclass(frozen=True, slots=True, kw_only=True)
class Broken:
    """Breaks in a way of its own."""

    name: ClassVar[str] = "broken"
    at: float = 1.0

    @property
    def needs(self) -> frozenset[Shown]:
        raise ValueError("no idea")

    def teach(self, view: TeachView) -> Setting:
        raise AssertionError


def test_a_row_is_what_a_bench_says_of_that_strategy(tmp_path: Path) -> None:
    place = write_line(tmp_path / "line.parquet", 3, weak=0.2)
    delays = Setting(unit="counts", on_level=0, off_level=0, on_delay_ms=2)
    frame = teachlab.study(
        place, GRID, draws=7, seeds=[4], bases={"slow": delays}, cost_miss=2.0, tolerance_ms=1.0
    ).to_pandas()
    options = DrawOptions(draws=7, seed=4, base=delays, costs=Costs(miss=2.0), rules=Rules(tolerance_ms=1.0))
    checked = 0
    for strategy, values in (("quantile-guard", {"position": 0.3}), ("two-sample-midpoint", {"hysteresis_share": 0.1})):
        one = installed_class(strategy)(**values)
        bench = teachlab.bench(place, [one], options=options)
        (result,) = bench.results
        (row,) = frame[
            (frame.strategy == strategy) & (frame[next(iter(values))] == next(iter(values.values())))
        ].to_dict("records")
        for name in MEASURES:
            if name == "regret":  # the bench measures it against the settings tried, too
                continue
            spread = result.spreads[name]
            told = [row[f"{name}{end}"] for end in ("", "_p05", "_p95", "_worst")]
            assert told == pytest.approx([spread.median, spread.p05, spread.p95, spread.worst], nan_ok=True), name
        assert (row["taught"], row["abstained"], row["failed"]) == (7 - result.abstained, result.abstained, 0)
        found = bench.recommendation
        assert found is not None
        n = found.worth.score.counts
        assert row["setting"] == json.dumps(replace(found.setting, taught=None).as_dict())
        assert (row["claim_passes"], row["claim_lost"]) == (n.scored_passes, n.lost)
        assert row["claim_false"] == n.false_trips + n.extra + n.ignore_false_trips
        assert row["chosen_cost"] == found.chosen_cost
        checked += 1
    assert checked == 2


def test_lots_of_a_row_are_those_of_its_setting(tmp_path: Path) -> None:
    recording, truth = line(5, 90, weak=0.3)
    found = teachlab.study((recording, truth), {"sweep-minmax": None}, draws=5)
    (row,) = found.table.to_pylist()
    options = DrawOptions(draws=5)
    one = installed_class("sweep-minmax")()
    taught = taught_draws(recording, truth, {"x": Teaching(one, None, 0)}, options=options)
    half = claim_halves(
        recording,
        truth,
        fixed_settings(taught.draws, taught.first_half, options),
        first_half=taught.first_half,
        first_scored=taught.cut.first_scored,
        middle=taught.middle,
        options=options,
    )["x"]
    again = score(replay(recording, half.setting), truth, rules=options.rules.scored_from(taught.middle))
    counts = lot_counts(truth, again.trials)
    assert [lot["lost"] for lot in row["lots"]] == counts.lost.tolist()
    assert sum(lot["passes"] for lot in row["lots"]) == row["claim_passes"]
    assert [lot["lot"] for lot in row["lots"]] == [str(truth.lot[k]) for k in counts.first_pass]
    assert row["lot_source"] == "lots"
    by_lot = {one.name: one for one in found.groups if one.by == "lot"}
    assert sum(one.passes for one in by_lot.values()) == row["claim_passes"]


def test_the_frame_is_tidy_and_tells_files_of_one_name_apart(tmp_path: Path) -> None:
    for place, seed in (("north/line", 1), ("south/line", 2)):
        write_line(tmp_path / f"{place}.parquet", seed)
    found = teachlab.study(tmp_path, GRID, draws=4, out=tmp_path / "out")
    frame = found.to_pandas()
    first = ["recording", "path", "strategy", "position", "hysteresis_share", "base", "seed", "condition", *MEASURES]
    assert [name for name in frame.columns if name in first] == first
    assert (frame.columns[:4].tolist(), frame.columns[-2:].tolist()) == (first[:4], ["parameters", "key"])
    assert len(frame) == 6
    assert set(frame.recording) == {"line"}
    assert frame.path.nunique() == 2
    assert {one.recording for one in found.lines} == {"north/line", "south/line"}
    assert {"strategy", "position", "hysteresis_share", "lost_rate", "cost", "regret"} <= set(frame.columns)
    assert frame[frame.strategy == "two-sample-midpoint"].position.isna().all()
    assert frame.key.is_unique
    kept = pd.read_parquet(tmp_path / "out" / "rows")
    assert kept.recording_id.nunique() == 2
    assert [name for name in kept.columns if name not in {"recording_id", *NESTED}] == frame.columns.tolist()
    assert set(kept.key) == set(frame.key)
    assert found.plot()._repr_svg_()


def test_facts_of_lines_are_columns_and_groups(tmp_path: Path) -> None:
    rows = [
        {"path": str(write_line(tmp_path / f"l{k}.parquet", k)), "sensor": "AB"[k % 2], "shift": "early"}
        for k in range(4)
    ]
    found = teachlab.study(pd.DataFrame(rows), {"quantile-guard": None}, draws=3)
    assert found.to_pandas().sensor.tolist() == ["A", "B", "A", "B"]
    groups = {(one.by, one.name): one.lines for one in found.groups}
    assert (groups["sensor", "A"], groups["sensor", "B"], groups["shift", "early"]) == (2, 2, 4)
    with pytest.raises(InputError, match="strategy"):
        teachlab.study([{"path": rows[0]["path"], "strategy": "x"}], {"quantile-guard": None}, draws=3)


def test_what_fails_is_a_row_with_its_reason(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    good = write_line(tmp_path / "good.parquet", 1)
    cut = tmp_path / "cut.parquet"
    cut.write_bytes(good.read_bytes()[:200])
    bare = write_line(tmp_path / "bare.parquet", 2)
    bare.with_suffix(".passes.parquet").unlink()
    asked = {Broken: {"at": [1.0, 2.0]}, "single-sample": None}
    flipped = write_line(tmp_path / "flipped.parquet", 3)
    # Files of earlier versions have no checksums.
    writer = pq.ParquetWriter
    monkeypatch.setattr(pq, "ParquetWriter", lambda *a, **k: writer(*a, **{**k, "write_page_checksum": False}))
    unchecked = write_line(tmp_path / "unchecked.parquet", 3)
    for place in (flipped, unchecked):
        light = bytearray(place.read_bytes())
        light[300] ^= 64
        place.write_bytes(light)
    found = teachlab.study([good, cut, bare, flipped, unchecked], asked, draws=3)
    frame = found.to_pandas().set_index("path")
    assert frame.loc[str(cut)].reason.startswith(f"{cut}: not a readable Parquet file")
    assert "no table of passes lies beside it" in frame.loc[str(bare)].reason
    assert "The file is damaged; copy it again" in frame.loc[str(flipped)].reason
    assert frame.loc[str(unchecked)].reason.startswith(f"{unchecked}: this is not the light that was written")
    rows = frame.loc[str(good)]
    broken = rows[rows.strategy == "broken"]
    assert broken.failed.tolist() == [3, 3]
    assert broken.reason.tolist() == ["strategy 'broken' failed: ValueError: no idea"] * 2
    assert rows[rows.strategy == "single-sample"].taught.tolist() == [3]
    assert [one.recording for one in found.faults] == ["cut", "bare", "flipped", "unchecked"]
    assert any("4 of 5 recordings could not be studied" in text for text in found.verdict.conditions)


def test_a_parameter_that_cannot_be_is_refused_before_any_work(tmp_path: Path) -> None:
    place = write_line(tmp_path / "line.parquet", 1)
    with pytest.raises(ParameterError, match="positon"):
        teachlab.study(place, {"quantile-guard": {"positon": [0.5]}})
    with pytest.raises((ParameterError, StrategyError), match="position"):
        teachlab.study(place, {"quantile-guard": {"position": [0.5, 7.0]}})
    with pytest.raises(ParameterError, match="no value"):
        teachlab.study(place, {"quantile-guard": {"position": []}})


@dataclass(frozen=True, kw_only=True)
class Counts:
    """A strategy with a whole number and a flag, which change nothing."""

    name: ClassVar[str] = "counts"
    needs: ClassVar[frozenset[Shown]] = frozenset({Shown.OBJECT})
    many: int = 1
    flag: bool = False

    def teach(self, view: TeachView) -> Setting:
        return view.place(20.0, 0.0, Taught(strategy=self.name))


@pytest.mark.parametrize(
    ("whole", "kept"), [(2**63 - 1, 2**63 - 1), (2**63, str(2**63)), (-(2**63) - 1, str(-(2**63) - 1))]
)
def test_a_whole_number_beyond_64_bits_is_a_text(whole: int, kept: int | str) -> None:
    found = teachlab.study(line(1), {Counts: {"many": [1, whole]}}, draws=1).to_pandas()
    assert found.many.tolist() == [type(kept)(1), kept]


def test_values_of_parameters_are_told_as_they_are_typed_and_no_line_joins_names() -> None:
    found = teachlab.study(line(1), {Counts: {"many": [1, 2], "flag": [True, False]}}, draws=1)
    table = parameter_table(found)
    assert table is not None
    assert list(table.columns[1].cells) == ["true", "false", "1", "2"]
    flag, many = Figure().subplots(1, 2)
    effect_figure._draw(flag, list(found.effects[:2]), "errors")
    effect_figure._draw(many, list(found.effects[2:]), "errors")
    assert [tick.get_text() for tick in flag.get_xticklabels()] == ["true", "false"]
    assert [one.get_linestyle() for part in (flag, many) for one in part.lines] == ["None", "-"]


def test_grids_are_those_of_scikit_learn(tmp_path: Path) -> None:
    from sklearn.model_selection import ParameterGrid

    grid = [{"position": [0.3, 0.5], "share": [0.0, 0.02]}, {"position": [0.7]}]
    plan = planned_study(studied_lines(line(1)), [(installed_class("quantile-guard"), grid)], draws=2)
    tried = [{k: one.parameters[k] for k in given} for one, given in zip(
        plan.grid.configurations, ParameterGrid(grid), strict=True)]  # fmt: skip
    assert tried == list(ParameterGrid(grid))


def test_conditions_stress_the_light_and_nothing_else() -> None:
    """The stress map of one setting counts the same: another way, by levels instead of light."""
    recording, truth = line(7, 40, weak=0.1)
    found = teachlab.study(
        (recording, truth), {"quantile-guard": None}, draws=3,
        conditions={"dim": {"gain": 0.5}, "bright": {"ambient": 25.0}, "dirty": {"gain": 0.6, "pedestal": 30.0}},
    )  # fmt: skip
    frame = found.to_pandas().set_index("condition")
    assert frame.index.tolist() == ["as recorded", "dim", "bright", "dirty"]
    assert frame.setting.nunique() == 1
    told = json.loads(frame.setting.iloc[0])
    setting = Setting(unit="counts", on_level=told["on_level"], off_level=told["off_level"])
    for name, row in frame.iterrows():
        condition = {"dim": (0.5, 0, 0), "bright": (1, 25.0, 0), "dirty": (0.6, 0, 30.0)}.get(str(name), (1, 0, 0))
        light = LineCondition(name="x", gain=condition[0], ambient=condition[1], pedestal=condition[2]).of(recording)
        middle = Rules(first_pass=27)
        n = score(replay(light, setting), truth, rules=middle).counts
        assert (row.claim_lost, row.claim_passes) == (n.lost, n.scored_passes)
        whole = score(replay(light, setting), truth).counts
        gain, ambient, pedestal = ([value] for value in condition)
        mapped = teachlab.stress(recording, setting, truth, gain=gain, ambient=ambient, pedestal=pedestal)
        assert whole.lost == mapped.as_dict()["lost"][0][0][0]
    assert frame.claim_lost["dim"] > frame.claim_lost["as recorded"]
    # Light that was asked for is answered: beyond the accepted errors it limits the decision, else it is a reason.
    for name, row in frame.drop(index="as recorded").iterrows():
        lost, false, of = int(row.claim_lost), int(row.claim_false), int(row.claim_passes)
        told = [*found.verdict.conditions] if lost + false > 0.05 * of else [one.text for one in found.verdict.reasons]
        assert sum(f"'{name}', {lost} of {of} passes are lost" in text for text in told) == 1
    assert any("'dim'" in text for text in found.verdict.conditions)


def test_strategies_without_a_grid_are_a_list_of_names(tmp_path: Path) -> None:
    page = tmp_path / "study.toml"
    page.write_text('recordings = []\nstrategies = ["single-sample", "quantile-guard"]\n')
    assert [(made.name, grid) for made, grid in read_study(page)[1]] == [("single-sample", {}), ("quantile-guard", {})]
    page.write_text('recordings = []\nstrategies = "single-sample"\n')
    with pytest.raises(ParameterError, match="strategies: must be a table of keys, got 'single-sample'"):
        read_study(page)


def test_the_choice_is_the_cheapest_over_all_lines_and_the_middle_of_equals(tmp_path: Path) -> None:
    lines = [line(seed, 60, name=f"l{seed}") for seed in range(6)]
    asked = {"quantile-guard": {"position": [0.2, 0.3, 0.4]}, "sweep-minmax": {"weight": [0.99]}}
    found = teachlab.study(lines, asked, draws=5)
    assert found.recommended.label == "quantile-guard (position 0.3)"
    costs = [one.cost for one in found.ranking]
    assert costs == sorted(costs)
    frame = found.to_pandas()
    by_hand = frame[(frame.strategy == "sweep-minmax")].ranking_cost.mean()
    assert next(one for one in found.ranking if one.strategy == "sweep-minmax").cost == pytest.approx(by_hand)
    effects = {one.value: one.cost for one in found.effects}
    assert effects == {v: pytest.approx(frame[frame.position == v].ranking_cost.mean()) for v in (0.2, 0.3, 0.4)}
    assert str(found.verdict.decision) == "use"
    assert found.verdict.claim.passes == int(frame[frame.position == 0.3].claim_passes.sum())
    # Six lines without a loss: 1 - 0.05^(1/6), the bound of section 7a of lots, here of lines.
    assert found.verdict.claim.upper == pytest.approx(1 - 0.05 ** (1 / 6))


def test_the_short_table_says_on_how_many_recordings_a_strategy_does_not_teach() -> None:
    """Both make no error, and one of them teaches on fewer recordings: they share no row."""
    lines = [line(seed, 60, name=f"l{seed}") for seed in range(3)]
    found = teachlab.study(lines, {"quantile-guard": None, "guard-or-window": None}, draws=3)
    assert "does not teach" not in method_lines(found)[0]
    assert len(method_lines(found)) == 2
    first, second = found.strategies
    fewer = replace(second, method=replace(second.method, unranked=1))
    less = cast("StudyAnswer", SimpleNamespace(strategies=(first, fewer), ranking=found.ranking, counted="errors"))
    told = method_lines(less)
    assert [row.split("  ")[-1].strip() for row in told] == ["better than the next row?", "–", "1 recording"]
    assert "does not teach" in told[0]
    assert told[1].split()[0] == first.method.label


def test_a_line_on_which_it_fails_is_named(tmp_path: Path) -> None:
    lines = [line(seed, 60, name=f"l{seed}", weak=0.5 if seed == 3 else 0.0) for seed in range(6)]
    found = teachlab.study(lines, {"two-sample-midpoint": None}, draws=5)
    assert "l3" in " ".join(one.text for one in found.verdict.reasons)
    assert found.ranking[0].worst == "l3"
    assert found.ranking[0].share_between is not None
    assert [one.recording for one in found.lines if one.lost + one.false] == ["l3"]


def test_a_recording_is_one_trial_however_often_it_is_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    for seed in range(2):
        write_line(Path(f"rec/l{seed}.parquet"), seed, 90)
    place = Path("rec/l0.parquet")
    named = ["rec", "./rec/l0.parquet", place.resolve(), {"path": place, "sensor": "A"}]
    lines = studied_lines(named)
    assert [(one.name, dict(one.facts)) for one in lines] == [("l0", {"sensor": "A"}), ("l1", {})]
    with pytest.raises(InputError, match="'sensor' is stated twice: 'A' and 'B'"):
        studied_lines([*named, {"path": place, "sensor": "B"}])
    # A copy under another name: its rows stay, and the claim counts it once.
    for ending in ("parquet", "passes.parquet"):
        Path(f"rec/z.{ending}").write_bytes(Path(f"rec/l0.{ending}").read_bytes())
    both = teachlab.study("rec", ["single-sample"], draws=3)
    assert [one.fault for one in both.lines] == ["", "", "light and passes are those of l0, which counts once."]
    frame = both.to_pandas()
    assert frame.recording.tolist() == ["l0", "l1", "z"]
    assert both.verdict.claim.lots == 2
    assert sum(one.passes for one in both.groups) == both.verdict.claim.passes == frame.claim_passes[:2].sum()


def test_a_stretch_has_the_name_of_no_lot() -> None:
    """Of two lots, too few for a claim, a stretch had the name of its first pass's lot, whatever else it held."""
    recording, truth = line(1, 30)
    for passes in (truth, replace(truth, lot=None)):
        (row,) = teachlab.study([(recording, passes)], ["single-sample"], draws=1).table.to_pylist()
        assert row["lot_source"] == "blocks"
        assert len(row["lots"]) == 2
        assert all(re.fullmatch(r"from pass [12]\d", one["lot"]) for one in row["lots"])  # the first 9 teach


@pytest.mark.parametrize("truth", [7, {"start": [1]}])
def test_passes_that_are_no_path_are_refused_before_any_work(truth: Any, tmp_path: Path) -> None:
    path = write_line(tmp_path / "l.parquet", 1)
    with pytest.raises(InputError, match="the 'truth' of a row is the path of a table of passes, got "):
        studied_lines({"path": path, "truth": truth})
    assert studied_lines({"path": path, "truth": math.nan})[0].truth is None
    assert studied_lines({"path": path, "truth": tmp_path / "p.csv"})[0].truth == str(tmp_path / "p.csv")


def test_costs_are_called_errors_only_where_both_kinds_cost_one(tmp_path: Path) -> None:
    """With --cost-miss 2 a table of costs was headed "errors in 100 passes"."""
    lines = [line(seed, 30, name=f"l{seed}", weak=0.3) for seed in range(2)]
    for options, word, other in (({}, "errors", "cost"), ({"cost_miss": 2.0}, "cost", "errors")):
        found = teachlab.study(lines, {"single-sample": {"reduction": [0.25, 0.3]}}, draws=1, out=tmp_path, **options)
        page = (tmp_path / "study.html").read_text()
        assert method_lines(found)[0].startswith(f"  best of each strategy: {word} ")
        table = parameter_table(found)
        assert table is not None
        assert str(table.columns[2].header) == word
        assert f"of all recordings; {word} in 100 passes on the second half" in page
        assert f"of all recordings; {other} in 100 passes" not in page
        assert f"{word.capitalize()} in 100 passes by the values of each parameter" in page


def test_what_is_not_stated_of_a_recording_is_no_value(tmp_path: Path) -> None:
    paths = [str(write_line(tmp_path / f"l{k}.parquet", k)) for k in range(2)]
    rows = [{"path": paths[0], "shift": "late", "week": 7}, {"path": paths[1], "shift": None, "week": None}]
    for given in (rows, pd.DataFrame(rows), pa.Table.from_pylist(rows)):
        lines = studied_lines(given)
        assert [one.facts.get("shift") for one in lines] == ["late", None]
        assert float(lines[0].facts["week"]) == 7
        assert "week" not in lines[1].facts
    page = tmp_path / "study.toml"
    page.write_text('recordings = "*.parquet"\n[[recording]]\npath = "l1.parquet"\nweek = 8\nday = 2026-01-31\n')
    lines = studied_lines(read_study(page)[0])
    assert [dict(one.facts) for one in lines] == [{}, {"week": "8", "day": "2026-01-31"}]


@pytest.mark.parametrize(
    ("options", "says"),
    [
        ({"draws": 2.5}, "draws: must be a valid integer, got 2.5"),
        ({"draws": "5"}, "draws: must be a valid integer"),
        ({"seeds": 5}, "seeds: must be a valid list, got 5"),
        ({"seeds": []}, "seeds: must hold at least 1 item, got"),
        ({"teach_share": 2}, "teach_share: must be less than 1, got 2"),
        ({"accept_cost": -1}, "accept_cost: must be greater than or equal to 0"),
        ({"drawz": 3}, "key 'drawz' is unknown"),
        ({"bases": [1]}, "bases of a study are a mapping"),
        ({"bases": {"slow": {"on_delay_ms": "x"}}}, "base 'slow': on_delay_ms: must be a valid number"),
        ({"conditions": {"dim": {"gane": 1.0}}}, "condition 'dim': key 'gane' is unknown"),
        ({"jobs": -1}, "jobs must be a whole number of at least 0"),
    ],
)
def test_options_of_a_wrong_kind_are_refused_before_any_work(options: dict[str, Any], says: str) -> None:
    with pytest.raises(ParameterError, match=says):
        teachlab.study(line(1), "single-sample", progress=lambda done, of: pytest.fail("worked"), **options)


@pytest.mark.parametrize(
    ("recordings", "strategies", "says"),
    [
        (5, ["single-sample"], "needs recordings, one or several, got 5"),
        ([("a.parquet", "a.passes.parquet")], ["single-sample"], "a recording is a path"),
        (line(1), {"quantile-guard": 5}, "a grid of quantile-guard gives values by parameter, got 5"),
        (line(1), {"quantile-guard": []}, "the list of grids of quantile-guard is empty"),
        (line(1), {"quantile-guard": {0: [1]}}, "a grid of quantile-guard gives values by parameter, got {0"),
        (line(1), {"quantile-guard": {"position": {0.4, 0.6}}}, "as a set, and rows have an order"),
        (line(1), {"quantile-guard": {name: [k / 900 for k in range(1, 400)] for name in ("position", "share")}},
         "159,201 combinations; a study takes at most 100,000"),
    ],
)  # fmt: skip
def test_what_is_no_study_is_refused(recordings: Any, strategies: Any, says: str) -> None:
    with pytest.raises((InputError, ParameterError), match=says):
        teachlab.study(recordings, strategies, draws=1)


@pytest.mark.parametrize(("by", "inside", "told"), [(0, 0, None), (12, 0, 12.0), (0, 5, 5.0), (None, 0, None)])
def test_passes_beside_the_light_are_no_evidence_against_a_setting(
    by: int | None, inside: int, told: float | None
) -> None:
    """12 samples late, 5 too short on either side, or of another recording: `bench` says it first, so does a study."""
    lines = [line(seed, 120, name=f"l{seed}") for seed in range(6)]
    recording, truth = lines[2]
    start = truth.start + (by or 0)
    if by is None:
        start = np.cumsum(np.random.default_rng(1).integers(45, 140, truth.passes))
    assert truth.lot is not None
    lines[2] = recording, Truth.from_arrays(start + inside, start + 40 - inside, lot=truth.lot.tolist())
    found = teachlab.study(lines, ["two-sample-midpoint"], draws=3)
    rows = found.to_pandas()
    assert rows.lag_ms.isna().tolist() == [k != 2 or told is None for k in range(6)]
    if told is not None:
        assert rows.lag_ms[2] == pytest.approx(told, abs=1)
    off = [text for text in found.verdict.conditions if text.startswith(("Passes lie beside", "l2: The borders"))]
    beside = by != 0 or inside > 0
    assert len(off) == beside
    assert all("l2" in text and "l3" not in text for text in off)
    assert not found.verdict.next_step  # no command opens a recording in memory
    alone = teachlab.study(lines[2], ["two-sample-midpoint"], draws=3)
    assert not alone.verdict.next_step
    assert str(alone.verdict.decision) == found.lines[2].decision
    assert (found.lines[2].decision in ("use", "use with a limit")) == (not beside)
    assert str(found.lines[2].decision) != "none of these works"


def test_a_limit_names_the_recordings_that_have_it() -> None:
    lines = [line(seed, 60, name=f"l{seed}") for seed in range(5)]
    recording, truth = lines[3]
    lines[3] = recording, replace(truth, source=TruthSource.SELF_LABELLED)
    told = teachlab.study(lines, ["two-sample-midpoint"], draws=3).verdict.conditions
    assert [text.partition(":")[0] for text in told] == ["l3"]


def test_the_best_of_a_line_is_the_recommended_one_if_none_costs_less_there() -> None:
    lines = [line(seed, 60, name=f"l{seed}") for seed in range(3)]
    found = teachlab.study(lines, {"quantile-guard": {"position": [0.2, 0.3, 0.4]}}, draws=3)
    assert found.recommended.label == "quantile-guard (position 0.3)"
    assert {one.best for one in found.lines} == {found.recommended.label}


def test_every_row_of_the_short_table_is_told_in_full() -> None:
    lines = [line(seed, 60, name=f"l{seed}", weak=0.3) for seed in range(3)]
    share = {"hysteresis_share": [0.123456, 0.2], "band": ["centred"]}
    found = teachlab.study(
        lines, {"two-sample-midpoint": share, "quantile-guard": None, "single-sample": None}, draws=3
    )
    *others, last = found.strategies
    fewer = replace(last, method=replace(last.method, unranked=1))
    rows = method_lines(
        cast("StudyAnswer", SimpleNamespace(strategies=(*others, fewer), ranking=found.ranking, counted="errors"))
    )
    assert "does not teach" in rows[0]
    assert max(map(len, rows)) <= 100
    assert any(row.endswith("not established (3 of 10 needed)") for row in rows)
    # A strategy that teaches on no recording was left out without a word.
    silent = replace(last.method, strategy="balanced-guard", unranked=3, chosen_cost=None)
    told = method_lines(
        cast("StudyAnswer", SimpleNamespace(strategies=found.strategies, ranking=[silent], counted="errors"))
    )
    assert re.fullmatch(r"  balanced-guard +–    3 recordings", told[-1])
    assert "does not teach" in told[0]


@pytest.mark.parametrize(("draws", "workers", "seconds"), [(50, 1, 3 * 6 + 2), (50, 3, 6 + 4), (10, 1, 3 * 2 + 2)])
def test_the_time_foretold_is_that_of_all_draws_once_everything_is_loaded(
    monkeypatch: pytest.MonkeyPatch, draws: int, workers: int, seconds: float
) -> None:
    """A piece takes 1 s and 0.1 s a draw, and the first one 5 s more; to start takes 2 s."""
    tried: list[int] = []

    def took(piece: Any, of: int) -> float:
        tried.append(of)
        return 1 + of / 10 + (5 if len(tried) == 1 else 0)

    monkeypatch.setattr(study_run, "_timed", took)
    monkeypatch.setattr("time.process_time", lambda: 2.0)
    lines = studied_lines([line(seed, name=f"l{seed}") for seed in range(3)])
    plan = planned_study(lines, [(installed_class("single-sample"), None)], draws=draws)
    expected = seconds + 3 * study_run.ROW_SECONDS
    assert work_ahead(plan, workers=workers).seconds == pytest.approx(expected)
    assert max(tried) <= draws


def test_a_study_of_nothing_is_refused() -> None:
    with pytest.raises(InputError, match="at least one recording"):
        planned_study([], [(installed_class("single-sample"), None)])
    with pytest.raises(ParameterError, match="at least one strategy"):
        teachlab.study(line(1), {})


def test_the_time_foretold_is_that_of_every_recording_by_its_length(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What one draw has measured saves the next ones time, and two workers share the recordings."""
    for k, passes in enumerate((20, 40, 60)):
        write_line(tmp_path / f"l{k}.parquet", k, passes)
    plan = planned_study(studied_lines(tmp_path), [(installed_class("single-sample"), None)], draws=200)
    tried: list[tuple[str, int]] = []

    def timed(piece: StudyPiece, draws: int) -> float:
        recording, truth = piece.line.open()
        tried.append((piece.line.name, draws))
        return recording.samples / 100 * new_share(draws, 200, int(truth.detect_passes * 0.3))

    monkeypatch.setattr(study_run, "_timed", timed)
    monkeypatch.setattr("time.process_time", lambda: 1.5)
    found = work_ahead(plan, workers=2)
    # 2,060 and 6,060 samples at one worker, 4,060 at the other; each starts once, after this process.
    assert found.seconds == pytest.approx(20.6 + 60.6 + 2 * 1.5 + 3 * study_run.ROW_SECONDS)
    assert found.tried == str(tmp_path / "l2.parquet")
    assert tried == [("l0", 2), ("l2", 2), ("l2", 24), ("l0", 2), ("l0", 24)]
    tried.clear()
    monkeypatch.setattr(study_run, "SHORT_SECONDS", 100.0)
    assert work_ahead(plan).seconds == pytest.approx(20.6 + 40.6 + 60.6 + 1.5 + 3 * study_run.ROW_SECONDS)
    assert ("l2", 200) in tried


def test_why_nothing_is_taught_is_told() -> None:
    """One of three passes is shown, and its light is too short."""
    lines = []
    for seed in range(2):
        recording, truth = line(seed, name=f"l{seed}")
        lines.append((recording, Truth.from_arrays(truth.start[:3], truth.start[:3] + 40)))
    found = teachlab.study(lines, {"quantile-guard": {"position": [0.4, 0.5]}}, draws=2)
    rows = found.to_pandas()
    assert rows.taught.tolist() == [0] * 4
    assert [one.text for one in found.verdict.reasons] == [
        f"quantile-guard (position 0.4) abstains on 2 of 2 recordings, and 1 other configuration abstains too: "
        f"{rows.reason[0]}.",
        "No strategy teaches in half of the draws.",
    ]
    assert found.failed == 0


def test_a_list_of_paths_under_the_name_of_tables_is_named(tmp_path: Path) -> None:
    """It said "recording.0: must be a table of keys"."""
    page = tmp_path / "study.toml"
    page.write_text('recording = ["a.parquet"]\n[strategies.single-sample]\n')
    with pytest.raises(ParameterError, match="a list of paths is 'recordings'"):
        read_study(page)
