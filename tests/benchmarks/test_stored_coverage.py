"""Stored coverage belongs to the code: a case of every script is simulated again, with the seed it was stored with."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType
from typing import Any

import loading
import pytest

FOLDER = Path(__file__).parents[2] / "benchmarks" / "coverages"
MODULES = (
    "alignment",
    "lots",
    "tail",
    "bursts",
    "alarms",
    "differences",
    "trend",
    "cleaning",
    "betting",
    "components",
    "verdicts",
)

pytestmark = pytest.mark.skipif(not FOLDER.parent.is_dir(), reason="the benchmarks are not beside the tests")


@pytest.fixture(scope="module")
def scripts() -> Iterator[dict[str, ModuleType]]:
    """The scripts, which import each other by their bare names."""
    with loading.scripts(FOLDER, MODULES) as found:
        yield found


def _stored(name: str) -> dict[str, Any]:
    return json.loads((FOLDER / f"{name}.json").read_text(encoding="utf-8"))


def _row(document: dict[str, Any], **wanted: Any) -> dict[str, Any]:
    found = [row for row in document["rows"] if all(row[key] == value for key, value in wanted.items())]
    assert len(found) == 1, wanted
    return found[0]


def _equal(row: dict[str, Any], simulated: dict[str, Any]) -> None:
    assert {key: row[key] for key in simulated} == pytest.approx(simulated, rel=1e-9)


def test_lots(scripts: dict[str, ModuleType]) -> None:
    stored = _stored("lots")
    row = _row(stored, kind="beta-binomial", icc=0.2, rate=0.01, lots=20)
    found = scripts["lots"].coverage("beta-binomial", 0.2, 0.01, 20, repetitions=stored["repetitions"])
    _equal(row, found)
    # As the docstring of `lot_rate` says, in percent: lots of one kind, rare bad lots, and what is assumed of them.
    assert stored["smallest_interval"] >= 0.95
    rare = min(row["upper"] for row in stored["rows"] if row["kind"] == "rare bad lots")
    figures = [100 * figure for figure in (stored["smallest_upper"], rare, stored["smallest_assumed"])]
    assert figures == pytest.approx([93.9, 65.4, 96.6], abs=0.05)


def test_alignment(scripts: dict[str, ModuleType]) -> None:
    """No shift was silently put a pass off; a regular line and an irregular one are simulated again."""
    stored = _stored("alignment")
    assert stored["largest_pass_off"] == 0
    assert stored["smallest_shift"] >= 0.85
    for irregular, jitter, wrong in ((0.0, 0.3, 0.0), (10.0, 2.0, 0.05)):
        case = {"passes": 20, "irregular": irregular, "jitter": jitter, "missing": wrong, "spurious": wrong}
        found = scripts["alignment"].coverage(*case.values(), repetitions=stored["repetitions"])
        assert found["ambiguous" if irregular == 0 else "found"] >= 0.95
        _equal(_row(stored, **case), {name: value for name, value in found.items() if value is not None})


def test_tail(scripts: dict[str, ModuleType]) -> None:
    """A whole case takes half a minute: the median of sixty bounds is near that of all."""
    stored = _row(_stored("tail"), family="normal", passes=500)
    found = scripts["tail"].coverage("normal", 1e-5, 500, repetitions=60)
    assert found["coverage"] == 1
    assert found["median_bound"] == pytest.approx(stored["median_bound"], rel=0.1)


def test_bursts(scripts: dict[str, ModuleType]) -> None:
    stored = _stored("bursts")
    row = _row(stored, kind="gamma", variance_over_mean=2.0, stretches=20, mean=0.5)
    _equal(row, scripts["bursts"].coverage("gamma", 2.0, 0.5, 20, repetitions=stored["repetitions"]))


def test_alarms(scripts: dict[str, ModuleType]) -> None:
    stored = _stored("alarms")
    row = _row(stored, kind="normal", icc=0.2, lots_before=5, lots_now=8)
    found = scripts["alarms"].alarms("normal", 0.2, (5, 8), 0.0, repetitions=stored["repetitions"])
    assert row["steady"] == pytest.approx(found)
    # Meant is one in twenty; where lots are named it is kept.
    assert max(stored["largest_steady"]["across"], stored["largest_steady"]["within"]) <= 0.05
    # As the docstring of the sum says: by lots, by stretches, by passes taken as independent.
    largest = [100 * stored["largest_steady"][name] for name in ("across", "unnamed", "passes")]
    assert largest == pytest.approx([4, 9, 99.8], abs=0.3)


def test_differences(scripts: dict[str, ModuleType]) -> None:
    stored = _stored("differences")
    for of in ("paired", "unpaired"):
        row = _row(stored, of=of, kind="beta-binomial", icc=0.2, lots=20, rates=[0.02, 0.02])
        simulated = getattr(scripts["differences"], of)
        _equal(row, simulated("beta-binomial", 0.2, (0.02, 0.02), 20, repetitions=stored["repetitions"]))
    # 95 % less three standard errors of the simulation: the smallest of some hundred cases. Likewise 5 %.
    error = (0.95 * 0.05 / stored["repetitions"]) ** 0.5
    assert min(stored["smallest_paired"], stored["smallest_unpaired"]) >= 0.95 - 3 * error
    assert stored["largest_size"] <= 0.05 + 3 * error


def test_trend(scripts: dict[str, ModuleType]) -> None:
    stored = _stored("trend")
    row = _row(stored, kind="normal", icc=0.2, lots=6, where="ahead")
    _equal(row, scripts["trend"].coverage("normal", 0.2, 6, 50, "ahead", repetitions=stored["repetitions"]))
    assert min(stored["smallest_named"], stored["smallest_unnamed"]) >= 0.93
    assert min(row["named"] for row in stored["rows"] if row["kind"] != "following") >= 0.97


def test_betting(scripts: dict[str, ModuleType]) -> None:
    stored = _stored("betting")
    row = _row(stored, kind="beta", icc=0.2, rate=0.05)
    _equal(row, scripts["betting"].alarms("beta", 0.2, 0.05, repetitions=stored["repetitions"]))
    largest = [stored[f"largest_{name}"] for name in ("known_by_lots", "known_by_stretches", "learnt_by_lots")]
    assert max(largest) <= stored["largest_meant"] == 0.05
    # What passes taken as independent would do.
    assert stored["largest_known_by_passes"] > 0.3


def test_cleaning(scripts: dict[str, ModuleType]) -> None:
    stored = _stored("cleaning")
    row = _row(stored, alike=0.6, days=10)
    _equal(row, scripts["cleaning"].coverage(0.6, 10, repetitions=stored["repetitions"]))
    assert stored["smallest_to_alike_0.6"] >= stored["demanded"] == 0.93
    assert stored["most_refused"] <= 0.005
    # As the docstring of the line says.
    figures = [100 * stored[f"smallest{name}"] for name in ("_to_alike_0.6", "", "_temperature", "_steps", "_season")]
    assert [round(figure) for figure in figures] == [94, 89, 92, 84, 65]
    assert [round(100 * row["covered"]) for row in stored["rows"] if row["kind"] == "steps"] == [84, 87, 89]
    # What independent days would have covered.
    assert min(row["plain"] for row in stored["rows"] if row["alike"] == 0.6) < 0.75


def test_components(scripts: dict[str, ModuleType]) -> None:
    stored = _stored("components")
    for effects in (("normal", "normal"), ("skew", "normal")):
        row = _row(stored, between=effects[0], within=effects[1], design="5 of 4", share=0.2)
        found = scripts["components"].coverage(effects, 0.2, (4,) * 5, repetitions=stored["repetitions"])
        _equal(row, found)
    assert stored["smallest_other"] < 0.8
    assert stored["smallest_normal"] >= 0.95 - 3 * (0.95 * 0.05 / stored["repetitions"]) ** 0.5


def test_verdicts_are_as_stored_and_hold_what_is_demanded(scripts: dict[str, ModuleType]) -> None:
    """Coverage of the claim .93, false orders .05; and what can still be said: a refusal to answer is no answer."""
    stored = _stored("verdicts")
    assert scripts["verdicts"].power(stored["repetitions"]) == stored["power"]
    assert min(row["covers"] for row in stored["coverage"]) >= 0.93
    assert max(row["established"] for row in stored["false_orders"]) <= 0.05
    # 5 % and three standard errors of the simulation: the largest of 42 cases.
    one_works = [r["none of these works"] for r in stored["decisions"] if r["line"] == "one is accepted"]
    assert len(one_works) == 42
    assert max(one_works) <= 0.05 + 3 * (0.05 * 0.95 / (2 * stored["repetitions"])) ** 0.5
    assert min(r["established"] for r in stored["power"] if r["icc"] == 0 and r["lots"] >= 40) >= 0.9
    clean = [r for r in stored["decisions"] if r["line"] == "clean" and r["lots"] == 20]
    assert min(row["use"] for row in clean) >= 0.95
    hopeless = [r for r in stored["decisions"] if r["line"] == "nothing works" and r["rate"] == 0.5 and r["lots"] >= 20]
    assert min(row["none of these works"] for row in hopeless) >= 0.9
    assert {row["family"] for row in hopeless} == set(scripts["verdicts"].FAMILIES)
