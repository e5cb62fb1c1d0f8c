"""What the stored benchmarks of the strategies claim: every prediction can fail, every row is of code that is named."""

import json
from pathlib import Path

import loading
import numpy as np
import pytest

import teachlab
from teachlab.synthetic import scenario_names
from teachlab.teaching import resolve

FOLDER = Path(__file__).parents[2] / "benchmarks" / "products"
MODULES = ("figures", "cases", "run", "fingerprints", "grid", "strategies")
RESULTS = FOLDER.parent / "results"
PERCENT = ("lost", "merged", "abstained")

pytestmark = pytest.mark.skipif(not (FOLDER / "run.py").is_file(), reason="the benchmarks are not beside the tests")


@pytest.fixture(scope="module")
def modules():
    """The scripts, which import each other by their bare names."""
    with loading.scripts(FOLDER, MODULES) as found:
        yield found


@pytest.fixture(scope="module")
def suite(modules):
    return modules["figures"].load(FOLDER / "predictions.toml")


@pytest.fixture(scope="module")
def cases(suite):
    return (*suite.case, *suite.teachings)


@pytest.fixture(scope="module")
def stored():
    return json.loads((RESULTS / "predictions.json").read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def grid(modules):
    return modules["grid"]


def is_percent(figure) -> bool:
    return figure.measure in PERCENT or figure.measure.startswith("lost:")


def test_every_rule_is_measured(suite, cases):
    used = {figure.of for case in cases for figure in (*case.figure, *case.absent)}
    assert used == set(suite.rule)
    for case in cases:
        named = {name.split(".")[0] for chain in case.ascending for name in chain}
        assert named <= {figure.of for figure in (*case.figure, *case.absent)} | set(suite.rule)


def test_every_rule_that_names_a_strategy_can_be_built(suite):
    """Numbers written as texts are no parameters: with them the whole run ended in its first minute."""
    rules = suite.rule.values()
    assert [resolve(rule.strategy, rule.parameters).name for rule in rules] == [rule.strategy for rule in rules]


def test_every_case_names_a_line_that_ships(cases, grid):
    names = {case.scenario for case in (*cases, *grid.CASES)} | {getattr(case, "teach_scenario", "") for case in cases}
    assert names - {""} <= set(scenario_names())
    assert {case.id for case in grid.WORKABLE} == {f"A{k:02d}" for k in range(1, 13)}


def test_every_range_can_fail(cases):
    """No range takes in all, or nearly all, that can be measured."""
    for case in cases:
        for figure in (*case.figure, *case.absent):
            where = f"{case.id} {case.what}, {figure.of}, {figure.measure}: {figure.accepted_range}"
            low, high = figure.accepted_range
            assert low <= high < np.inf, where
            if is_percent(figure):
                assert min(high, 100) - max(low, 0) <= 30, where
                assert not (figure.accepts(0) and figure.accepts(100)), where
            elif figure.measure in ("extra", "false"):
                assert high <= max(0.01, 2 * figure.target), where
            elif figure.measure.startswith(("level", "false_per_hour")):
                assert low > 0, where
                assert high <= 2 * low, where
            else:
                raise AssertionError(f"no rule for {where}")


def test_a_predicted_failure_is_not_taken_for_granted(cases):
    """Where one is to appear, none at all is refused; where it does not, the figure that was predicted is."""
    for case in cases:
        for figure in case.figure:
            least = 1.0 if is_percent(figure) else 0.011
            if figure.measure.split(":")[0] not in ("level", "abstained") and figure.target >= least:
                assert not figure.accepts(0), (case.id, figure)
        for figure in case.absent:
            assert not figure.accepts(figure.value), (case.id, figure)
            assert figure.because, (case.id, figure)


def test_limits_of_our_own_have_a_calculation_or_are_narrower(cases):
    for case in cases:
        for figure in (*case.figure, *case.absent):
            if figure.recomputed is not None or figure.limits is not None:
                low, high = figure.model_copy(update={"limits": None, "recomputed": None}).accepted_range
                narrower = figure.limits is not None and low <= figure.limits[0] <= figure.limits[1] <= high
                assert figure.because or narrower, (case.id, figure)


def verdicts_of(modules, cases, rows, part):
    """Figures of the file beside what is stored for them, in the order of the file."""
    figures = [(case, figure) for case in cases for figure in getattr(case, part)]
    assert len(figures) == len(rows)
    made = []
    for (case, figure), row in zip(figures, rows, strict=True):
        measured = {name: row[name] for name in ("median", "p05", "p95")}
        verdict = modules["figures"].Verdict(case, figure, *measured.values())
        (again,) = modules["cases"].rows_of([verdict])
        assert json.loads(json.dumps(again)) == row
        made.append(verdict)
    return made


def test_the_stored_predictions_are_those_of_the_file_and_the_page_says_the_same(modules, suite, cases, stored):
    verdicts, absent = (
        verdicts_of(modules, cases, stored[name], part) for name, part in (("figures", "figure"), ("absent", "absent"))
    )
    wanted = [(case.id, " <= ".join(chain)) for case in cases for chain in case.ascending]
    assert [(row["case"], row["order"]) for row in stored["orders"]] == wanted
    orders = [(row["case"], row["order"], row["holds"]) for row in stored["orders"]]
    page = modules["strategies"].page(verdicts, absent, orders, suite.other_seeds)
    assert (RESULTS / "predictions.md").read_text(encoding="utf-8") == page + "\n"


def test_kinds_of_figures_are_counted_apart(modules, suite):
    figures, strategies = modules["figures"], modules["strategies"]

    def verdict(median, **figure):
        made = figures.Figure(of="x", measure="lost", **figure)
        return figures.Verdict(suite.case[0], made, median, median, median)

    come = [verdict(10, value=10), verdict(50, value=10), verdict(5, value=10, recomputed=5, because="c")]
    text = strategies.counted(come, [verdict(0, value=36, limits=(0, 1), because="c")], [("A01", "a <= b", False)])
    assert "1 of 2 figures judged as printed" in text
    assert "1 of 1 figures judged by calculation" in text
    assert "0 of 1 orderings" in text
    assert "1 predicted failures do not appear here; what is expected in their place comes in 1." in text


def test_levels_over_recordings(modules, suite):
    """Two short recordings give the levels of each by itself."""
    strategies, run = modules["strategies"], modules["cases"]
    (case,) = suite.teachings
    case = case.model_copy(update={"teach_passes": 40, "seeds": (1, 2), "absent": (), "figure": case.figure[1:2]})
    case = case.model_copy(update={"ascending": ()})
    measured = strategies.over_teachings(suite, case)
    levels = []
    for seed in case.seeds:
        learning, lessons = run.generate(run.load_scenario(case.scenario), 40, seed)
        block = run.TeachBlock(learning, lessons)
        levels.append(run.teach_once(run.resolve("quantile-guard"), block, 0, 0).on_level)
    low, high = sorted(levels)
    assert low < high
    assert {name.split(".")[1]: float(value[0]) for name, value in measured.items()} == pytest.approx(
        {"level_median": (low + high) / 2, "level_low": low, "level_high": high, "level_range": high - low}
    )


def test_light_fades_evenly(modules):
    run = modules["cases"]
    recording, _ = run.generate(run.load_scenario("a06"), 2, 0)
    light, faded = (np.asarray(r.light[0 : r.samples], np.float64) for r in (recording, run.faded(recording, 0.6)))
    assert faded[[0, -1]] == pytest.approx(light[[0, -1]] * [1, 0.6])
    assert faded[light.size // 2] == pytest.approx(0.8 * light[light.size // 2], rel=1e-3)


def kept_rows():
    return [json.loads(line) for line in (RESULTS / "strategies.jsonl").read_text(encoding="utf-8").splitlines()]


def test_the_grid_keeps_every_cell_once_with_the_code_that_made_it(grid):
    rows = kept_rows()
    assert [grid.key_of(row) for row in rows] == [key for key, *_ in grid.cells()]
    for row in rows:
        assert set(row["code"]) == {"teach", "line", "cell"}
        assert set(row["cost"]) == set(grid.CLASSIC + grid.BETTER)


def test_the_page_of_the_grid_says_what_the_rows_say(grid):
    assert (RESULTS / "strategies.md").read_text(encoding="utf-8") == grid.grid_text(kept_rows()) + "\n"


def test_the_rules_of_teaching_say_what_the_rows_say(grid):
    """How often the recommended strategy costs no more than the best classic one."""
    name, counts = "guard-or-window", []
    for group in grid.GROUPS:
        mine = [row for row in grid.of_group(kept_rows(), group) if not grid.is_exception(row)]
        counts.append(f"{sum(grid.over(row, name) <= grid.ALLOWED for row in mine)} of {len(mine)} cells")
    long_delay = [grid.over(row, name) for row in kept_rows() if grid.is_exception(row)]
    many = sum(excess > grid.ALLOWED for excess in long_delay)
    told = " ".join((Path(teachlab.__file__).parent / "teaching" / "TEACHING.md").read_text(encoding="utf-8").split())
    assert f"in {counts[0]} at the seeds of its design, and in {counts[1]} at fresh seeds." in told
    assert f"in {many} of {len(long_delay)} cells, by up to {100 * max(long_delay):.1f} points" in told


def test_where_the_recommended_strategy_is_beyond_is_explained(grid):
    """No cell with workable delays is passed over, and no remark outlives its cell."""
    rows = [row for row in kept_rows() if not grid.is_exception(row)]
    assert {grid.key_of(row) for row in rows if grid.over(row, "guard-or-window") > grid.ALLOWED} == set(grid.REMARKS)


def test_fresh_seeds_are_used_nowhere_else(modules, suite, grid):
    difficult = modules["figures"].load()
    used = {suite.teach_seed, suite.scored_seed, *(seed for case in suite.teachings for seed in case.seeds)}
    used |= {difficult.teach_seed, difficult.scored_seed, *(s for pair in difficult.seed_pairs for s in pair)}
    used |= {seed for pair in grid.DESIGN.pairs for seed in pair}
    assert not used & {seed for pair in grid.FRESH.pairs for seed in pair}


def test_a_stored_cell_comes_again(grid):
    """The quickest line at a fresh pair; a row of other code is due to be run again, and proves nothing."""
    (row,) = (row for row in kept_rows() if grid.key_of(row) == ("A08", "10 kHz, three in a row", 120, 9301))
    if not grid.is_current(row):
        pytest.skip("the strategies or the generator changed since: python benchmarks/products/strategies.py --grid")
    (case,) = (case for case in grid.CASES if (case.id, case.what) == grid.key_of(row)[:2])
    assert grid.cell(case, 120, (9301, 9302)) == row["cost"]


def row_of(grid, number, cost, **code):
    keys = [key for key, *_ in grid.cells()]
    names = grid.CLASSIC + grid.BETTER
    return {"cell": list(keys[number]), "cost": dict.fromkeys(names, 0.0) | {"guard-or-window": cost}, "code": code}


def test_one_row_per_cell_is_kept_the_newest(grid):
    rows = [row_of(grid, 3, 0.1, teach="old"), row_of(grid, 1, 0.2, teach="a"), row_of(grid, 3, 0.3, teach="new")]
    gone = {**row_of(grid, 0, 0.0), "cell": ["A99", "gone", 120, 7001]}
    assert grid.one_per_cell([*rows, gone, rows[1]]) == [rows[1], rows[2]]
    with pytest.raises(ValueError, match="the same code gave cell"):
        grid.one_per_cell([rows[0], row_of(grid, 3, 0.4, teach="old")])


def test_rows_of_other_code_are_told(grid, capsys):
    row = row_of(grid, 0, 0.0)
    today = {**row, "code": grid.code_of("clear-jars")}
    assert grid.is_current(today)
    assert not grid.is_current(row)
    assert not grid.is_current({**today, "code": today["code"] | {"teach": "other"}})
    count = len(list(grid.cells()))
    assert grid.report_older([today]) == 1
    assert f"1 cells kept, {count - 1} missing, 0 of other code" in capsys.readouterr().err
    every = [{**row_of(grid, k, 0.0), "code": today["code"] | {"teach": "other"}} for k in range(count)]
    assert grid.report_older(every) == 1
    assert f"0 missing, {count} of other code" in capsys.readouterr().err
    assert "More than one code" in grid.grid_text([today, *every[1:]])


def test_cells_of_other_code_are_run_again(modules, tmp_path, monkeypatch):
    """And none besides; with one part of several nothing is written anew."""
    grid = modules["grid"]
    wanted = [entry for entry in grid.cells() if entry[0][0] == "A08"][:2]
    monkeypatch.setattr(grid, "cells", lambda: iter(wanted))
    monkeypatch.setattr(grid, "RESULTS", tmp_path)
    names = grid.CLASSIC + grid.BETTER
    done = {"cell": wanted[0][0], "cost": dict.fromkeys(names, 0.5), "code": grid.code_of("tumbling-rivets")}
    old = {"cell": wanted[1][0], "cost": dict.fromkeys(names, 0.5)}
    kept = tmp_path / "rows.jsonl"
    kept.write_text("".join(json.dumps(row) + "\n" for row in (done, old, done)))
    ran = []
    monkeypatch.setattr(grid, "cell", lambda case, passes, seeds: ran.append(passes) or dict.fromkeys(names, 0.25))
    monkeypatch.setattr(grid, "code_of", lambda scenario: done["code"])
    assert grid.grid(kept, 0, 2) == 0
    assert ran == []
    assert grid.grid(kept, 0, 1) == 0
    assert ran == [wanted[1][2]]
    assert [json.loads(line)["cost"]["sweep-minmax"] for line in kept.read_text().splitlines()] == [0.5, 0.25]
    assert (tmp_path / "strategies.md").read_text() == grid.grid_text(grid.read(kept)) + "\n"


def test_how_often_a_strategy_is_beyond(grid):
    rows = [row_of(grid, k, cost) for k, cost in enumerate((0.0, 0.0004, 0.0006, 0.002))]
    assert grid.beyond(rows, "guard-or-window") == "2 of 4 (above at all in 3, by at most 0.2)"
    assert grid.beyond(rows, "quantile-guard") == "0 of 4"


def test_a_fingerprint_is_of_what_runs(modules):
    prints = modules["fingerprints"]
    plain = "def f(x):\n    return x + 1\n"
    told = '"""A module."""\n\ndef f(x):  # adds\n    """Add one."""\n    return (x + 1)\n'
    assert prints.bare(plain) == prints.bare(told)
    assert prints.bare(plain) != prints.bare(plain.replace("1", "2"))
    assert prints.short_hash(["a", "bc"]) != prints.short_hash(["ab", "c"])


def test_a_fingerprint_follows_what_is_imported(modules, tmp_path, monkeypatch):
    prints = modules["fingerprints"]
    package = tmp_path / "house"
    package.mkdir()
    (package / "__init__.py").write_text("")
    (package / "a.py").write_text("def f():\n    from house.b import g\n    return g()\n")
    (package / "b.py").write_text("def g():\n    return 1\n")
    (package / "c.py").write_text("")
    monkeypatch.setattr(prints, "PACKAGE", package)
    assert prints.closure(["house.a"]) == ["house.a", "house.b"]
    before = prints.code_hash(["house.a"])
    (package / "c.py").write_text("x = 1\n")
    assert prints.code_hash(["house.a"]) == before
    (package / "b.py").write_text("def g():\n    return 2\n")
    assert prints.code_hash(["house.a"]) != before
    assert prints.code_hash(["house.a"], "more") != prints.code_hash(["house.a"])


def test_the_code_of_a_cell_covers_strategies_what_they_share_and_the_line(modules, grid):
    closure = modules["fingerprints"].closure([grid.BUILT_IN[name].split(":")[0] for name in grid.BETTER])
    assert {
        "teachlab.teaching.strategies.balanced_guard",
        "teachlab.teaching.rules.hysteresis",
        "teachlab.light.event_statistics",
    } <= set(closure)
    assert grid.code_of("belt-seam")["line"] != grid.code_of("clear-jars")["line"]
    assert grid.code_of("belt-seam")["teach"] == grid.code_of("clear-jars")["teach"]
