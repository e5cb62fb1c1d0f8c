"""A whole bench: repeatable, fair, equal to replay of every draw, and saying what it may not be used for."""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from pathlib import Path
from typing import ClassVar

import numpy as np
import pyarrow.parquet as pq
import pytest

from teachlab.data.opening import open_pair
from teachlab.data.recording_files import write_recording
from teachlab.data.split import split
from teachlab.data.truth_files import write_truth
from teachlab.errors import Abstained, StrategyError, TruthError
from teachlab.light.pass_and_gap_extremes import PassAndGapExtremes
from teachlab.model.draws import DrawOptions
from teachlab.model.recording import Recording, RecordingInfo
from teachlab.model.score import Rules, Score
from teachlab.model.setting import Polarity, Setting
from teachlab.model.teaching import Shown, TeachView
from teachlab.model.truth import Truth, TruthSource
from teachlab.questions.repeatability.redraw import repeat_teaching
from teachlab.questions.repeatability.values import Variant
from teachlab.scoring import score
from teachlab.scoring.reasons import reasons_of
from teachlab.studies import bench_recording
from teachlab.studies.claim_half import second_half
from teachlab.studies.document import bench_document
from teachlab.studies.in_hindsight.ceiling import COMPLETE, FIXED
from teachlab.studies.many_recordings import bench_files, write_bench
from teachlab.studies.tables import margin_table
from teachlab.switching import replay
from teachlab.synthetic import generate, load_scenario
from teachlab.teaching import resolve

CLASSICS = ("single-sample", "background-referenced", "sweep-minmax", "two-sample-midpoint")
INFO = RecordingInfo(sample_rate_hz=1000.0, unit="counts")


def line(passes: int = 40, seed: int = 5, low: float = 20.0, high: float = 60.0) -> tuple[Recording, Truth]:
    """Passes of 100 samples every 250 with uneven objects and noise."""
    rng = np.random.default_rng(seed)
    light = rng.normal(10, 1, passes * 250 + 150)
    start = 150 + 250 * np.arange(passes)
    for a in start:
        light[a : a + 100] += rng.uniform(low, high)
    return Recording.from_array(light.astype(np.float32), INFO, name="line"), Truth.from_arrays(start, start + 100)


def test_a_bench_repeats_to_the_last_digit() -> None:
    recording, truth = line()
    built = [resolve(name) for name in CLASSICS]
    once, again = (bench_recording(recording, truth, built, options=DrawOptions(draws=20)) for _ in range(2))
    assert json.dumps(bench_document([once])) == json.dumps(bench_document([again]))
    other = bench_recording(recording, truth, built, options=DrawOptions(draws=20, seed=1))
    assert json.dumps(bench_document([once])) != json.dumps(bench_document([other]))


def by_score(setting: Setting, alone: Score, best_cost: float) -> dict[str, float | None]:
    """Measures of a draw from the score of its own replay, at costs of 1 and 1."""
    n = alone.counts
    cost = (n.lost + n.false_trips + n.ignore_false_trips + n.extra) / n.scored_passes
    return {
        "on_level": setting.on_level,
        "off_level": setting.off_level,
        "lost_rate": alone.lost_rate.estimate,
        "merged_rate": alone.merged_rate.estimate,
        "false_trips_per_gap": alone.false_trips_per_gap.estimate,
        "false_trips_per_running_hour": alone.false_trips_per_running_hour.estimate,
        "extra_per_pass": alone.extra_per_pass.estimate,
        "cost": cost,
        "regret": cost - best_cost,
    }


@pytest.mark.parametrize(
    "base", [None, Setting(unit="counts", on_level=0, off_level=0, on_delay_ms=3, off_delay_ms=150)]
)
def test_every_draw_equals_its_own_replay(base: Setting | None) -> None:
    recording, truth = line()
    options = DrawOptions(draws=12, base=base, rules=Rules(tolerance_ms=2))
    bench = bench_recording(recording, truth, [resolve(name) for name in CLASSICS], options=options)
    first = split(truth, recording.samples).first_scored
    checked = 0
    for result in bench.results:
        for drawn in result.draws:
            if drawn.setting is None:
                continue
            alone = score(replay(recording, drawn.setting), truth, rules=Rules(tolerance_ms=2, first_pass=first))
            assert drawn.measures == pytest.approx(by_score(drawn.setting, alone, bench.best_fixed.cost), nan_ok=True)
            if base is not None:
                assert (drawn.setting.on_delay_ms, drawn.setting.off_delay_ms) == (3, 150)
            checked += 1
        assert result.median_score is not None
        median = result.spreads["cost"].median
        n = result.median_score.counts
        assert median == (n.lost + n.false_trips + n.ignore_false_trips + n.extra) / n.scored_passes
    assert checked == 48


def test_settings_that_follow_are_measured_by_their_own_replay() -> None:
    recording, truth = line()
    bench = bench_recording(
        recording, truth, [resolve("background-follower"), resolve("two-threshold")], options=DrawOptions(draws=4)
    )
    first = split(truth, recording.samples).first_scored
    for result in bench.results:
        assert result.worth is not None
        assert result.worth.margin is None
        for drawn in result.draws:
            assert drawn.setting is not None
            alone = score(replay(recording, drawn.setting), truth, rules=Rules(first_pass=first))
            assert drawn.measures == pytest.approx(by_score(drawn.setting, alone, bench.best_fixed.cost), nan_ok=True)


@pytest.mark.parametrize(
    "base", [None, Setting(unit="counts", on_level=0, off_level=0, on_delay_ms=3, off_delay_ms=150)]
)
@pytest.mark.parametrize("low", [2.0, 20.0])
def test_no_fixed_setting_does_better_than_the_best_in_hindsight(base: Setting | None, low: float) -> None:
    recording, truth = line(low=low)
    bench = bench_recording(recording, truth, [resolve(n) for n in CLASSICS], options=DrawOptions(draws=12, base=base))
    first = split(truth, recording.samples).first_scored
    best = bench.best_fixed
    alone = score(replay(recording, best.setting), truth, rules=Rules(first_pass=first))
    assert by_score(best.setting, alone, 0.0)["cost"] == best.cost
    assert best.on_interval[0] <= best.setting.on_level <= best.on_interval[1]
    assert min(d.measures["regret"] for r in bench.results for d in r.draws if d.setting) >= 0


def test_the_best_levels_of_a_bench_have_no_filter_of_a_strategy() -> None:
    start = 200 + 160 * np.arange(40)
    light = 10.0 + np.resize([0.0, 1, 0, -1], int(start[-1]) + 160)
    for a in start:
        light[a : a + 60] = light[a + 100 : a + 112] = 110.0
    recording = Recording.from_array(light, RecordingInfo(sample_rate_hz=1000.0, unit="mV"))
    truth = Truth.from_arrays(start, start + 60)
    bench = bench_recording(recording, truth, [resolve("filtered-guard")], options=DrawOptions(draws=4))
    by = {one.kind: one for one in bench.ceiling.found}
    assert bench.best_fixed.cost == 0
    assert bench.best_fixed.setting.has_memory
    assert not by[FIXED].setting.has_memory
    assert by[FIXED].errors > 0, "no pair of levels lets the flashes pass"
    assert by[COMPLETE].errors == 0


def test_the_recommendation_is_chosen_on_one_half_and_claimed_on_the_other() -> None:
    recording, truth = line(passes=60)
    built = [resolve(name) for name in CLASSICS]
    options = DrawOptions(draws=15)
    found = bench_recording(recording, truth, built, options=options).recommendation
    assert found is not None
    first = split(truth, recording.samples).first_scored
    middle = second_half(first, truth.passes)
    assert (first, middle) == (19, 40)
    assert found.chosen_on == middle - first
    assert (
        found.worth.score.as_dict()
        == score(replay(recording, found.setting), truth, rules=Rules(first_pass=middle)).as_dict()
    )
    # Whatever the second half holds, the choice stays; what is claimed does not.
    light = recording.light[:].copy()
    light[int(truth.start[middle]) - 75 :] = 10.0
    dark = Recording.from_array(light, INFO, name="line")
    spoilt = bench_recording(dark, truth, built, options=options).recommendation
    assert spoilt is not None
    assert (spoilt.strategy, spoilt.setting, spoilt.chosen_cost) == (found.strategy, found.setting, found.chosen_cost)
    assert spoilt.worth.score.counts.misses == truth.passes - middle
    # The cheapest on the first half, by replay of every draw.
    costs = {}
    for result in bench_recording(recording, truth, built, options=options).results:
        halves = [
            [
                by_score(d.setting, score(replay(recording, d.setting), truth, rules=Rules(first_pass=k)), 0.0)
                for k in (first, middle)
            ]
            for d in result.draws
            if d.setting is not None
        ]
        trials = truth.passes - np.array([first, middle])
        each = sorted(
            (a["cost"] * trials[0] - b["cost"] * trials[1]) / (middle - first) for a, b in halves
        )  # fmt: skip
        costs[result.strategy] = each[(len(each) - 1) // 2]
    assert costs[found.strategy] == pytest.approx(min(costs.values()), abs=1e-12)


def test_among_equals_of_one_room_the_preferred_strategy_is_recommended_then_the_first_given() -> None:
    """Light without noise: every strategy that teaches here makes no error, and the alphabet does not decide.

    The guards lie in the middle of what is free; the midpoint of two samples has less room below it.
    """
    recording, truth = line(passes=60, low=50.0, high=60.0)
    light = np.round(recording.light[:] / 20) * 20
    for names, expected in (
        ("two-sample-midpoint balanced-guard guard-or-window", "guard-or-window"),
        ("two-sample-midpoint balanced-guard quantile-guard", "balanced-guard"),
        ("two-sample-midpoint quantile-guard balanced-guard", "quantile-guard"),
    ):
        given = names.split()
        found = bench_recording(
            Recording.from_array(light, INFO), truth, [resolve(n) for n in given], options=DrawOptions(draws=5)
        ).recommendation
        assert found is not None
        assert found.chosen_cost == 0
        assert found.strategy == expected
        assert set(found.tied) == set(given) - {expected}


def test_too_few_passes_for_two_halves_recommend_nothing() -> None:
    recording, truth = line(passes=4)
    bench = bench_recording(recording, truth, [resolve("two-sample-midpoint")], options=DrawOptions(draws=3))
    assert bench.scored_passes == 1
    assert bench.recommendation is None
    assert bench.verdict.decision == "cannot be decided"
    assert "log more" in bench.verdict.reasons[0].text


def test_teaching_never_sees_the_scored_block() -> None:
    """Garbage after the teach block changes every score but no taught setting."""
    recording, truth = line()
    cut = split(truth, recording.samples)
    light = recording.light[:].copy()
    light[cut.teach_end :] = light[cut.teach_end :][::-1] * 3
    built = [resolve(name) for name in CLASSICS]
    options = DrawOptions(draws=10)
    honest = bench_recording(recording, truth, built, options=options)
    spoilt = bench_recording(Recording.from_array(light, INFO), truth, built, options=options)
    taught = [
        {r.strategy: [(d.setting.on_level, d.setting.off_level) for d in r.draws if d.setting] for r in b.results}
        for b in (honest, spoilt)
    ]
    assert taught[0] == taught[1]


def test_permuted_labels_of_the_scored_block_change_no_setting() -> None:
    recording, truth = line()
    cut = split(truth, recording.samples)
    label = np.array([f"kind {k % 3}" for k in range(truth.passes)], object)
    shuffled = label.copy()
    shuffled[cut.first_scored :] = np.random.default_rng(1).permutation(shuffled[cut.first_scored :])
    built = [resolve(name) for name in CLASSICS]
    benches = [
        bench_recording(recording, replace(truth, label=names), built, options=DrawOptions(draws=5))
        for names in (label, shuffled)
    ]
    levels = [[d.setting for r in b.results for d in r.draws] for b in benches]
    assert levels[0] == levels[1]


@dataclass(frozen=True)
class Shy:
    """Abstains in two draws of three."""

    name: ClassVar[str] = "shy"
    needs: ClassVar[frozenset[Shown]] = frozenset({Shown.OBJECT})

    def teach(self, view: TeachView) -> Setting:
        if int(view.object.at_sample) % 3:
            raise Abstained("does not dare", "nothing", "courage")
        return Setting(unit=view.unit, on_level=30, off_level=25)


@dataclass(frozen=True)
class Faulty(Shy):
    name: ClassVar[str] = "faulty"

    def teach(self, view: TeachView) -> Setting:
        raise ZeroDivisionError("oops")


@dataclass(frozen=True, slots=True, kw_only=True)
class Latching(Setting):
    """A kind of setting that nothing in the lab knows."""


@dataclass(frozen=True)
class OfUnknownKind(Shy):
    name: ClassVar[str] = "of-unknown-kind"

    def teach(self, view: TeachView) -> Setting:
        return Latching(unit=view.unit, on_level=30, off_level=25)


@pytest.mark.parametrize("base", [None, Setting(unit="counts", on_level=0, off_level=0, consecutive=2)])
def test_bench_and_repeatability_tell_the_same_regret_of_the_same_draws(base: Setting | None) -> None:
    """A strategy that designs the filter: both took their own filter for the best fixed, and regrets differed."""
    recording, truth = generate(load_scenario("wrapped-bars"), 120, seed=3)
    if base is not None:
        base = replace(base, unit=recording.info.unit)
    strategies = [resolve("filtered-guard"), resolve("two-sample-midpoint")]
    bench = bench_recording(recording, truth, strategies, options=DrawOptions(draws=12, base=base))
    clouds = repeat_teaching(
        recording, truth, [Variant(strategy=s) for s in strategies], options=DrawOptions(draws=12, base=base)
    )
    assert clouds.best == bench.best_fixed
    assert f"all pairs with the base's filter {1 if base is None else 2}, on-delay 0 ms" in bench.best_fixed.searched
    for cloud in clouds.clouds:
        (row,) = [r for r in bench.results if r.strategy == cloud.strategy]
        assert [d.measures.get("regret") for d in cloud.draws] == [d.measures.get("regret") for d in row.draws]
        assert all(d.measures["regret"] >= 0 for d in cloud.taught)


def test_every_margin_on_the_screen_says_over_which_passes_it_is() -> None:
    recording, truth = line()
    bench = bench_recording(recording, truth, [resolve("two-sample-midpoint")], options=DrawOptions(draws=5))
    half = bench.recommendation
    assert half is not None
    assert half.worth.margin is not None
    assert half.worth.margin.passes < bench.scored_passes
    title = margin_table(bench).title
    assert (
        title == f"Margin and reserves of every strategy's median setting, over all {bench.scored_passes} scored passes"
    )


def test_abstentions_and_failures_are_rows_with_their_reason() -> None:
    recording, truth = line()
    bench = bench_recording(
        recording,
        truth,
        [Shy(), Faulty(), OfUnknownKind(), resolve("two-sample-midpoint")],
        options=DrawOptions(draws=30),
    )
    document = bench_document([bench])["recordings"][0]
    rows = {row["strategy"]: row for row in document["strategies"]}
    assert document["ranking"] == ["two-sample-midpoint"]
    assert rows["shy"]["abstained"] > 15
    assert rows["shy"]["reasons"] == {"does not dare": rows["shy"]["abstained"]}
    assert rows["faulty"]["failed"] == 30
    assert "ZeroDivisionError: oops" in next(iter(rows["faulty"]["reasons"]))
    assert rows["faulty"]["median_setting"] is None
    assert rows["of-unknown-kind"]["failed"] == 30
    assert "returns a Latching, a kind of setting that is not known" in next(iter(rows["of-unknown-kind"]["reasons"]))


def test_why_nothing_is_taught_stands_in_the_answer() -> None:
    recording, truth = line()
    alone = bench_recording(recording, truth, [Faulty()], options=DrawOptions(draws=30)).verdict
    assert [reason.text for reason in alone.reasons] == [
        "No strategy teaches in at least half of the draws. faulty, 30 of 30 draws: ZeroDivisionError: oops."
    ]
    both = bench_recording(recording, truth, [Shy(), Faulty()], options=DrawOptions(draws=30)).verdict
    (reason,) = both.reasons
    assert ": does not dare. --details has the other reasons." in reason.text


def test_a_name_twice_and_too_few_passes_are_refused() -> None:
    recording, truth = line()
    with pytest.raises(StrategyError, match="by name"):
        bench_recording(recording, truth, [Shy(), Shy()])
    with pytest.raises(TruthError, match="needs at least"):
        bench_recording(recording, truth.select(slice(0, 2)), [Shy()])


def test_document_has_the_keys_of_the_contract() -> None:
    recording, truth = line()
    bench = bench_recording(recording, truth, [resolve("two-sample-midpoint")], options=DrawOptions(draws=5))
    row = bench_document([bench])["recordings"][0]
    assert {"recording", "teach_passes", "scored_passes", "ranking", "strategies"} <= row.keys()
    assert (row["teach_passes"], row["scored_passes"]) == (12, 27)
    strategy = row["strategies"][0]
    for measure in (
        "on_level",
        "off_level",
        "lost_rate",
        "merged_rate",
        "false_trips_per_gap",
        "false_trips_per_running_hour",
        "extra_per_pass",
        "cost",
    ):
        assert strategy[measure].keys() == {"median", "p05", "p95", "worst"}, measure
    assert strategy["median_setting"]["score"]["detect_passes"] == 27


def test_verdict_claims_nothing_it_may_not() -> None:
    recording, truth = line(low=1.0, high=1.5)
    bench = bench_recording(recording, truth, [resolve("single-sample")], options=DrawOptions(draws=5))
    assert bench.verdict.decision in {"none of these works", "cannot be decided"}
    recording, truth = line(passes=200)
    labelled = replace(truth, source=TruthSource.SELF_LABELLED)
    bench = bench_recording(recording, labelled, [resolve("two-sample-midpoint")], options=DrawOptions(draws=5))
    assert bench.verdict.decision == "use with a limit"
    assert bench.verdict.claim is not None
    assert bench.verdict.claim.upper is None
    assert "support no claim" in bench.verdict.conditions[0]


def test_a_strategy_whose_output_never_switches_is_last_and_says_so() -> None:
    recording, truth = line(passes=60)

    @dataclass(frozen=True)
    class OutOfReach:
        name: ClassVar[str] = "out-of-reach"
        needs: ClassVar[frozenset[Shown]] = frozenset({Shown.OBJECT})

        def teach(self, view: TeachView) -> Setting:
            return replace(view.base, on_level=1e6, off_level=1e6)

    built = [OutOfReach(), resolve("two-sample-midpoint")]
    bench = bench_recording(recording, truth, built, options=DrawOptions(draws=5))
    assert bench.rows[-1] == ["out-of-reach"]
    assert bench.results[-1].unusable == "its output never switches on"


def test_the_claim_half_overturns_the_choice() -> None:
    """All is well on the choosing half; on the claim half every second object is too dark."""
    recording, truth = line(passes=100, low=40.0, high=60.0)
    lots = Truth.from_arrays(truth.start, truth.end, lot=[f"L{k // 5}" for k in range(100)])
    built = [resolve("two-sample-midpoint")]
    assert bench_recording(recording, lots, built, options=DrawOptions(draws=5)).verdict.decision == "use"
    light = recording.light[:].copy()
    for k in range(66, 100, 2):
        light[truth.start[k] : truth.end[k]] = np.resize([12.0, 12.5], 100)  # dark, and no light that stands still
    spoilt = bench_recording(Recording.from_array(light, INFO), lots, built, options=DrawOptions(draws=5)).verdict
    assert spoilt.decision == "none of these works"
    assert spoilt.reasons[0].count == 17
    assert spoilt.reasons[0].first_at_s == truth.start[66] / 1000


def test_orders_are_of_settings_fixed_on_the_choosing_half() -> None:
    recording, truth = line(passes=300, low=20.0, high=60.0)
    lots = Truth.from_arrays(truth.start, truth.end, lot=[f"L{k // 5}" for k in range(300)])
    built = [resolve("two-sample-midpoint"), resolve("single-sample")]
    bench = bench_recording(recording, lots, built, options=DrawOptions(draws=9))
    (order,) = [order for order in bench.orders if order is not None]
    assert order.lots >= 20
    document = bench_document([bench])
    (told,) = document["recordings"][0]["comparisons"]
    assert told["standing"] == str(order.standing)
    assert told["established"] == (str(order.standing) == "established")
    assert document["verdict"] == document["recordings"][0]["verdict"]


def test_reasons_name_level_latch_gap_and_filter() -> None:
    light = np.full(700, 10.0)
    start = np.array([100, 300, 500])
    for a, level in zip(start, (50.0, 20.0, 50.0), strict=True):
        light[a : a + 50] = level
    light[410:412] = 50.0  # a trip in the gap
    recording = Recording.from_array(light, INFO)
    truth = Truth.from_arrays(start, start + 50, label=["bright", "dim", "bright"])

    def why(setting: Setting) -> str:
        return "; ".join(reasons_of(recording, truth, setting, score(replay(recording, setting), truth)).lines())

    setting = Setting(unit="counts", on_level=40, off_level=35)
    assert "1 pass ('dim'" not in why(setting)
    assert "1 pass (1 'dim') lost: its strongest light reaches 20, not the level of 40 counts" in why(setting)
    assert "1 of 4 gaps tripped" in why(setting)
    # It falls below the off-level before the pass: the delay is to blame, not the level.
    assert "1 pass (1 'bright') merged: the off-delay of 160 ms bridges the gap" in why(
        replace(setting, off_delay_ms=160)
    )
    assert "merged: the output was still active" in why(replace(setting, on_level=9, off_level=5))
    assert "the on-delay of 60 ms is longer than they last" in why(replace(setting, on_delay_ms=60))
    assert "too briefly for filter or delay" in why(replace(setting, consecutive=60))
    other = replace(setting, on_level=6, off_level=5, polarity=Polarity.DARK_ON)
    assert "brighter than the background, and no level below the background sees them" in why(other)


HALVING = """
from dataclasses import dataclass
from typing import ClassVar

from by_half import half
from teachlab.model.setting import Taught
from teachlab.model.teaching import Shown

@dataclass(frozen=True, slots=True, kw_only=True)
class Halving:
    name: ClassVar[str] = "halving"
    needs: ClassVar[frozenset[Shown]] = frozenset({Shown.OBJECT})

    def teach(self, view):
        return view.place(half(view.object.light.mean()), 0.0, Taught(strategy=self.name))
"""
"""A strategy in a file that imports its neighbour; workers must find both."""


def test_files_are_benched_alike_alone_and_in_workers(tmp_path: Path) -> None:
    names = []
    for seed in (1, 2):
        recording, truth = line(seed=seed)
        names.append(str(tmp_path / f"line{seed}.parquet"))
        write_recording(names[-1], recording, INFO)
        write_truth(tmp_path / f"line{seed}.passes.parquet", truth)
    (tmp_path / "by_half.py").write_text("def half(x): return x / 2\n")
    (tmp_path / "mine.py").write_text(HALVING)
    specs = [resolve("two-sample-midpoint", {"hysteresis_share": 0.2}), resolve(f"{tmp_path / 'mine.py'}:Halving")]
    options = DrawOptions(draws=6)
    alone = bench_files(names, specs, options=options, jobs=1)
    together = bench_files(names, specs, options=options, jobs=2)
    assert json.dumps(bench_document(alone)) == json.dumps(bench_document(together))
    out = tmp_path / "results"
    pairs = [open_pair(name) for name in names]
    measured = [(recording, truth, PassAndGapExtremes.of(recording, truth)) for recording, truth in pairs]
    written = write_bench(alone, out, recordings=measured)
    assert sorted(p.name for p in out.iterdir()) == sorted(p.name for p in written)
    table = pq.read_table(out / "draws.parquet")
    assert table.num_rows == 2 * 2 * 6
    assert json.loads((out / "bench.json").read_text())["schema"] == 1
    first = (out / "line1.svg").read_bytes()
    (out / "line1.unsolved.svg").write_text("of an earlier bench")
    setting = (out / "line2.setting.json").read_bytes()
    write_bench(alone[:1], out, recordings=measured[:1])
    assert (out / "line1.svg").read_bytes() == first
    assert not (out / "line1.unsolved.svg").exists()
    assert (out / "line2.setting.json").read_bytes() == setting  # of another recording
