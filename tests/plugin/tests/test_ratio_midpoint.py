"""The example plug-in, tested from outside: found by its entry point, taught like a built-in."""

from __future__ import annotations

import ast
import importlib
import json
from pathlib import Path

import numpy as np
import pytest
from teachlab_example_plugin import RatioMidpoint, ratio_midpoint
from typer.testing import CliRunner

from teachlab.errors import Abstained, ParameterError
from teachlab.model.recording import Direction, Recording, RecordingInfo
from teachlab.model.teaching import Strategy
from teachlab.model.truth import Truth
from teachlab.teaching import TeachBlock, listings, resolve, source_fingerprint, teach_once
from teachlab.testing import StrategyCheck, checks, conformance


@pytest.mark.parametrize("check", checks(RatioMidpoint()))
def test_it_conforms(check: StrategyCheck) -> None:
    check()


def test_only_the_check_of_what_it_does_not_declare_is_skipped() -> None:
    assert conformance(RatioMidpoint()).skipped == ("offset",)


def block(level: float, background: float, *, dark: float = 0.0) -> TeachBlock:
    light = np.full(1000, background)
    truth = Truth.from_arrays([200, 500, 800], [300, 600, 900])
    for a, b in zip(truth.start, truth.end, strict=True):
        light[a:b] = level
    direction = Direction.RISE if level >= background else Direction.DIP
    info = RecordingInfo(sample_rate_hz=1000.0, unit="mV", direction=direction, dark_level=dark)
    return TeachBlock(Recording.from_array(light, info), truth)


def test_it_is_found_by_its_entry_point() -> None:
    made = resolve("example-ratio-midpoint", {"hysteresis_share": 0.2})
    assert made == RatioMidpoint(hysteresis_share=0.2)
    assert isinstance(made, Strategy)
    listed = {one.name: one for one in listings()}["example-ratio-midpoint"]
    assert (listed.origin, listed.needs) == ("plug-in", ("background", "object"))
    assert "teachlab-example-plugin" in listed.source
    assert [(p.name, p.default, p.unit) for p in listed.parameters] == [
        ("hysteresis_share", 0.1, "share of the difference of the readings")
    ]


def test_the_level_is_the_geometric_mean_above_dark() -> None:
    # 10 + sqrt(90 * 40) = 70, hysteresis 10 % of 50
    setting = teach_once(RatioMidpoint(), block(100.0, 50.0, dark=10.0), 0, 0)
    assert (setting.on_level, setting.off_level) == (pytest.approx(70.0), pytest.approx(65.0))
    assert setting.light_on
    dip = teach_once(RatioMidpoint(), block(50.0, 100.0, dark=10.0), 0, 0)
    assert (dip.off_level, dip.on_level) == (pytest.approx(70.0), pytest.approx(75.0))
    assert dip.taught is not None
    assert dip.taught.parameters == {"hysteresis_share": 0.1}


@pytest.mark.parametrize(("level", "background"), [(50.0, 50.0), (50.0, 5.0), (5.0, 50.0)])
def test_it_abstains_where_no_ratio_exists(level: float, background: float) -> None:
    with pytest.raises(Abstained):
        teach_once(RatioMidpoint(), block(level, background, dark=10.0), 0, 0)


def test_its_parameter_has_a_range() -> None:
    with pytest.raises(ParameterError, match=r"hysteresis_share must be at least 0 and below 1, got 1.5"):
        resolve("example-ratio-midpoint", {"hysteresis_share": 1.5})


def test_it_needs_nothing_of_teachlab_but_model_and_errors() -> None:
    tree = ast.parse(Path(ratio_midpoint.__file__).read_text())
    used = {node.module for node in ast.walk(tree) if isinstance(node, ast.ImportFrom) and node.module}
    ours = {name for name in used if name.startswith("teachlab")}
    assert ours
    assert all(name.startswith(("teachlab.model", "teachlab.errors")) for name in ours)


def test_its_source_has_a_fingerprint() -> None:
    assert len(source_fingerprint(RatioMidpoint)) == 64


def test_the_command_line_lists_it() -> None:
    app = importlib.import_module("teachlab.cli").app
    result = CliRunner().invoke(app, ["strategies", "--json"])
    assert result.exit_code == 0
    assert "example-ratio-midpoint" in [one["name"] for one in json.loads(result.stdout)["strategies"]]
