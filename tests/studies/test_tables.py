"""Tables of a bench: readable at 100 columns, with margin and reserves in every row."""

from __future__ import annotations

import io

import numpy as np
import pytest
from rich.console import Console

from teachlab.model.draws import DrawOptions
from teachlab.model.recording import Recording, RecordingInfo
from teachlab.model.score import Rules
from teachlab.model.truth import Truth
from teachlab.questions.stress.reserves import reserves
from teachlab.studies import bench_recording
from teachlab.studies.document import bench_document
from teachlab.studies.result import RecordingBench
from teachlab.studies.tables import interval_table, label_table, margin_table, ranking_table, spread_table
from teachlab.teaching import resolve

NAMES = ("between-class-variance", "ratio-midpoint", "background-referenced", "single-sample", "background-follower")


def line() -> tuple[Recording, Truth]:
    """Sixty passes of two kinds, every third weak, with a belt that comes close to them."""
    rng = np.random.default_rng(3)
    light = rng.normal(10, 1, 60 * 250 + 150)
    start = 150 + 250 * np.arange(60)
    for k, a in enumerate(start):
        light[a : a + 100] += 12 if k % 3 == 0 else rng.uniform(30, 60)
    label = ["dark" if k % 3 == 0 else "white" for k in range(60)]
    info = RecordingInfo(sample_rate_hz=1000.0, unit="percent of full scale")
    recording = Recording.from_array(light.astype(np.float32), info, name="line")
    return recording, Truth.from_arrays(start, start + 100, label=label)


@pytest.fixture(scope="module")
def bench() -> RecordingBench:
    return bench_recording(*line(), [resolve(name) for name in NAMES], options=DrawOptions(draws=12))


@pytest.mark.parametrize("table", [ranking_table, spread_table, interval_table, margin_table, label_table])
def test_tables_cut_nothing_at_100_columns(bench: RecordingBench, table: object) -> None:
    out = io.StringIO()
    Console(file=out, width=100, highlight=False).print(table(bench))
    text = out.getvalue()
    assert "…" not in text
    assert max(map(len, text.splitlines())) <= 100
    for name in NAMES:
        assert name in text


def test_reserves_stand_beside_every_strategy(bench: RecordingBench) -> None:
    recording, truth = line()
    first = 19
    assert bench.teach_passes + 1 == first
    rows = bench_document([bench])["recordings"][0]["strategies"]
    with_reserve = 0
    for result, row in zip(bench.results, rows, strict=True):
        assert row["strategy"] == result.strategy
        if result.strategy == "background-follower":
            assert row["median_setting"]["reserves"] is None
            continue
        left = reserves(recording, truth, result.median_draw.setting, rules=Rules(first_pass=first))
        assert row["median_setting"]["reserves"] == left
        with_reserve += left["contamination_reserve"] is not None
    assert with_reserve


def test_a_count_is_told_with_whole_trials():
    from teachlab.statistics.intervals import count
    from teachlab.wording.rates import count_text

    assert count_text(count(3, 1269, 0.95, per="detect pass")).startswith("3 in 1269 detect passes: 0.00236 [")
    assert count_text(count(0, 0.0939, 0.95, per="running hour")).startswith("0 in 5.63 running minutes: 0 [0, ")
    assert count_text(count(0, 0.1, 0.95, per="running hour")).startswith("0 in 0.1 running hours: 0 [0, ")


def test_of_many_labels_those_with_most_losses_are_shown() -> None:
    recording, truth = line()
    names = [f"kind {k % 7}" for k in range(60)]
    many = Truth.from_arrays(truth.start, truth.end, label=names)
    found = bench_recording(recording, many, [resolve("single-sample")], options=DrawOptions(draws=5))
    out = io.StringIO()
    Console(file=out, width=100, highlight=False).print(label_table(found))
    text = out.getvalue()
    assert "4 more labels hold no more losses" in text
    rates = found.results[0].median_score.by_label
    worst = sorted(rates, key=lambda name: -rates[name].events)[:3]
    assert all(name in text for name in worst)
