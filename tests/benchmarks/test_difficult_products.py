"""A small, fast part of the suite of difficult products, with fixed seeds; the whole of it runs in benchmarks/."""

import importlib.util
import sys
from pathlib import Path

import numpy as np
import pytest

PATH = Path(__file__).parents[2] / "benchmarks" / "run.py"

pytestmark = pytest.mark.skipif(not PATH.is_file(), reason="the benchmarks are not beside the tests")


@pytest.fixture(scope="module")
def suite():
    spec = importlib.util.spec_from_file_location("difficult_products", PATH)
    module = importlib.util.module_from_spec(spec)
    sys.modules["difficult_products"] = module
    spec.loader.exec_module(module)
    yield module, module.load()
    del sys.modules["difficult_products"]


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
        f"{v.figure.of} {v.figure.measure}: {v.median:g}, wanted {v.target:g}" for v in verdicts if not v.accepted
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
    ("figure", "median", "accepted"),
    [
        ({"value": 10, "range": (8, 14)}, 6.5, True),  # 11 ± 1.5 · 3
        ({"value": 10, "range": (8, 14)}, 6.4, False),
        ({"value": 10}, 11.9, True),
        ({"value": 10}, 12.1, False),
        ({"value": 0.2}, 0.29, True),
        ({"value": 0.2}, 0.31, False),
        ({"value": 0}, 0.05, True),
        ({"value": 10, "range": (8, 14), "recomputed": 20, "because": "x"}, 17, True),
        ({"value": 10, "range": (8, 14), "recomputed": 20, "because": "x"}, 10, False),
        ({"value": 0.2, "measure": "false"}, 0.29, False),
    ],
)
def test_how_a_figure_is_accepted(suite, figure, median, accepted):
    module, all_cases = suite
    made = module.Figure(of="x", **{"measure": "lost", **figure})
    assert module.Verdict(all_cases.case[0], made, median, median, median).accepted is accepted


def test_a_window_is_what_is_clean(suite):
    module, _ = suite
    window = module.Window(name="w", low=0, high=1, step=0.1, hysteresis=0)
    measures = [dict(level=t, lost=float(t > 3), extra=0.0, false=float(t < 2)) for t in np.arange(1.0, 5.0)]
    assert module.zero_loss(window, measures) == {"low": 2.0, "high": 3.0}
