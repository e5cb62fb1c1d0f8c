"""A small, fast part of the suite of difficult products, with fixed seeds; the whole of it runs in benchmarks/."""

from pathlib import Path

import loading
import numpy as np
import pytest

FOLDER = Path(__file__).parents[2] / "benchmarks" / "products"
MODULES = ("figures", "cases", "run", "seeds")

pytestmark = pytest.mark.skipif(not (FOLDER / "run.py").is_file(), reason="the benchmarks are not beside the tests")


@pytest.fixture(scope="module")
def modules():
    """The scripts of the suite, which import each other by their bare names."""
    with loading.scripts(FOLDER, MODULES) as found:
        yield found


@pytest.fixture(scope="module")
def suite(modules):
    return modules["cases"], modules["figures"].load()


@pytest.mark.parametrize(
    ("id_", "what", "passes"),
    [
        ("A01", "clean, off-delay 140 ms", 1000),
        ("A01", "gain 0.95, off-delay 140 ms", 200),
        ("A03", "as it is", 600),
        ("A04", "off-delay 8 ms", 1500),
        ("A05", "gain 0.6", 600),
        ("A06", "ambient +4", 200),
        ("A07", "off-delay 400 ms", 60),
        ("A08", "2 kHz, three in a row", 3000),
        ("A09", "taught on white only", 1500),
        ("A10", "the seam meets gaps and products", 3000),
        ("A12", "as it is", 400),
    ],
)
def test_figures_and_orderings_hold(suite, id_, what, passes):
    module, all_cases = suite
    (case,) = (c for c in all_cases.case if (c.id, c.what) == (id_, what))
    verdicts, orders = module.judge(case, module.run_case(all_cases, case, draws=25, passes=passes))
    refused = [
        f"{v.figure.of} {v.figure.measure}: {v.median:g}, wanted {v.figure.accepted_range}"
        for v in verdicts
        if not v.accepted
    ]
    refused += [text for text, holds in orders if not holds]
    assert refused == []


def test_every_product_is_in_the_suite(suite):
    _, all_cases = suite
    assert {c.id for c in all_cases.case} == {f"A{k:02d}" for k in range(1, 13)}
    for case in all_cases.case:
        assert case.figure
        for figure in case.figure:
            assert figure.recomputed is None or figure.because


@pytest.mark.parametrize(
    ("figure", "accepted_range"),
    [
        ({"value": 10, "range": (8, 14)}, (6.5, 15.5)),  # 11 ± 1.5 · 3
        ({"value": 10}, (8, 12)),
        ({"value": 0.2}, (0.1, 0.3)),
        ({"value": 0}, (-0.1, 0.1)),
        # near zero either way is enough: 0.28 ± 1.5 · 0.08, or 0.23 ± 0.1
        ({"value": 0.23, "range": (0.2, 0.36)}, (0.13, 0.4)),
        ({"value": 10, "range": (8, 14), "recomputed": 20, "because": "x"}, (16, 24)),
        ({"value": 100, "limits": (99, 100)}, (99, 100)),
        # counts per pass have no 0.1 points, but one in a thousand passes
        ({"value": 0.2, "measure": "false"}, (0.16, 0.24)),
        ({"value": 0, "measure": "extra"}, (-0.001, 0.001)),
        ({"value": 0.0012, "range": (0, 0.041), "measure": "false"}, (-0.01025, 0.05125)),
        ({"value": 7.6, "measure": "low"}, (6.08, 9.12)),
        ({"value": 0, "measure": "false_per_hour"}, (0, 0)),
        ({"value": 0, "measure": "lost:dark"}, (-0.1, 0.1)),
    ],
)
def test_how_a_figure_is_accepted(modules, figure, accepted_range):
    made = modules["figures"].Figure(of="x", **{"measure": "lost", **figure})
    assert made.accepted_range == pytest.approx(accepted_range)
    low, high = accepted_range
    assert made.accepts(low)
    assert made.accepts(high)
    assert not made.accepts(low - 0.001)
    assert not made.accepts(high + 0.001)
    assert not made.accepts(float("nan"))


def test_a_window_is_what_is_clean_and_its_best_what_is_least_wrong(suite):
    module, _ = suite
    measures = [dict(level=t, lost=float(t > 3), extra=0.0, false=float(t < 2)) for t in np.arange(1.0, 5.0)]
    assert module.of_scan(measures) == {"low": 2.0, "high": 3.0, "best": 0.0}
    dirty = [dict(level=t, lost=5.0 - t, extra=0.01, false=0.0) for t in (1.0, 2.0)]
    assert module.of_scan(dirty) == pytest.approx({"low": np.nan, "high": np.nan, "best": 4.0}, nan_ok=True)


def test_a_running_mean_looks_back(suite):
    module, _ = suite
    recording, _ = module.generate(module.load_scenario("a12"), 2, 0)
    light = np.asarray(recording.light[0:200], np.float64)
    mean = np.asarray(module.averaged(recording, 10).light[0:200])
    assert mean.size == light.size
    assert [mean[k] for k in (9, 10, 150)] == pytest.approx([light[k - 9 : k + 1].mean() for k in (9, 10, 150)])
    assert module.averaged(recording, 1) is recording


def test_figures_and_orderings_are_followed_over_seeds(modules, suite):
    """Two pairs of a short case give what the case gives at each of them by itself."""
    run, all_cases = suite
    (case,) = (c for c in all_cases.case if (c.id, c.what) == ("A08", "2 kHz, three in a row"))
    case = case.model_copy(update={"scored_passes": 400, "teach_passes": 60})
    pairs = [(100, 101), (200, 201)]
    figures, orders, first = modules["seeds"].follow(all_cases, [case], pairs, 5)
    alone = [run.judge(case, run.run_case(all_cases.seeded(*pair), case, draws=5)) for pair in pairs]
    assert [f.medians for f in figures] == [
        tuple(verdicts[k].median for verdicts, _ in alone) for k in range(len(case.figure))
    ]
    assert first == alone[0][0]
    assert figures[1].medians[0] != figures[1].medians[1]
    assert [o.holds for o in orders] == [tuple(chains[0][1] for _, chains in alone)]


def test_what_falls_outside_stands_in_bold(modules, suite):
    seeds, figures = modules["seeds"], modules["figures"]
    case = suite[1].case[0]
    figure = figures.Figure(of="x", measure="lost", value=10, across_seeds="Few events.")
    followed = seeds.Followed(case, figure, (9.0, 13.0))
    assert followed.inside == (True, False)
    text = seeds.study_table([followed], [seeds.Ordering(case, "a <= b", (True, False))], [(1, 2), (3, 4)])
    assert "| 8 to 12 | 9 | **13** | 1 of 2 |" in text
    assert "| a <= b | holds | **does not** |" in text
    assert text.endswith("x, lost: Few events.")
    assert "| 11 [9.2, 12.8] | 11 | 2.83 | 1 of 2 |" in seeds.further_table([followed], [])


def test_further_pairs_are_kept_beside_new_ones_and_judged_anew(modules, suite, tmp_path):
    seeds, (run, all_cases) = modules["seeds"], suite
    case, pairs = all_cases.case[0], [(1, 2), (3, 4)]
    followed = seeds.Followed(case, case.figure[0], (100.0, 0.0))
    order = seeds.Ordering(case, " <= ".join(case.ascending[0]), (True, False))
    gone = {**followed.row(), "measure": "no longer asked for"}
    path = tmp_path / "further.json"
    path.write_text(run.json.dumps({"pairs": pairs, "figures": [followed.row(), gone], "orders": [order.row()]}))
    assert seeds.stored_further(all_cases, pairs, path) == ([followed], [order])
    assert followed.inside == (True, False)
    assert seeds.stored_further(all_cases, [(5, 6)], path) == ([], [])
    assert seeds.stored_further(all_cases, pairs, tmp_path / "none.json") == ([], [])
