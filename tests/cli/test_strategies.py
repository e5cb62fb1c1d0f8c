"""`teachlab strategies`: the listing, as text and as one JSON document."""

from __future__ import annotations

import json
import subprocess
import sys
from importlib.metadata import EntryPoint

import pytest
from typer.testing import CliRunner

from teachlab.cli import app
from teachlab.teaching import registry

HEAVY = {"scipy", "sklearn", "pandas", "pyarrow", "matplotlib"}


@pytest.fixture(autouse=True)
def _one_broken_plug_in(monkeypatch: pytest.MonkeyPatch) -> object:
    monkeypatch.setattr(registry, "plug_ins", lambda: (EntryPoint("shaky", "not_there:Thing", registry.GROUP),))
    registry._claims.cache_clear()
    yield
    monkeypatch.undo()
    registry._claims.cache_clear()


def test_json_lists_name_needs_parameters_and_origin() -> None:
    result = CliRunner().invoke(app, ["strategies", "--json"])
    assert result.exit_code == 0
    listed = {one["name"]: one for one in json.loads(result.stdout)["strategies"]}
    assert list(listed) == [*registry.BUILT_IN, "shaky"]
    single = listed["single-sample"]
    assert (single["origin"], single["needs"], single["reason"]) == ("built-in", ["object"], None)
    assert single["parameters"][1] == {
        "name": "reduction",
        "type": "float",
        "default": 0.25,
        "unit": "share of the light above dark",
        "help": "distance of the level from the reading",
        "required": False,
        "choices": [],
    }
    assert listed["shaky"]["origin"] == "broken"
    assert "ModuleNotFoundError" in listed["shaky"]["reason"]


def test_text_tells_units_defaults_and_what_is_broken() -> None:
    result = CliRunner().invoke(app, ["strategies"])
    assert result.exit_code == 0
    assert "two-sample-midpoint  [built-in]" in result.stdout
    assert "--set sweep_passes = 5  [passes]" in result.stdout
    assert "--set offset = none  [recording units]" in result.stdout
    assert "shaky  [broken]" in result.stdout


def test_a_collision_is_one_message_and_exit_code_2(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(registry, "plug_ins", lambda: (EntryPoint("single-sample", "a:B", registry.GROUP),))
    registry._claims.cache_clear()
    result = CliRunner().invoke(app, ["strategies", "--json"])
    assert (result.exit_code, result.stdout) == (2, "")
    assert "two strategies claim the name 'single-sample'" in result.stderr


def test_listing_the_built_ins_needs_no_heavy_library() -> None:
    code = (
        "import sys, teachlab.teaching.registry as r; r.plug_ins = lambda: (); r.listings(); "
        "print(*sorted({name.split('.')[0] for name in sys.modules}))"
    )
    loaded = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout.split()
    assert "numpy" in loaded
    assert not HEAVY & set(loaded)
