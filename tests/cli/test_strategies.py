"""`teachlab strategies`: the listing, as text and as one JSON document."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from importlib.metadata import EntryPoint
from pathlib import Path

import pytest
import shell

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
    listed = {one["name"]: one for one in shell.document("strategies")["strategies"]}
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
    result = shell.run("strategies")
    assert result.stdout.startswith(f"Begin with {registry.RECOMMENDED}: teachlab bench R compares")
    assert len(result.stdout.splitlines()) < 20
    flowing = " ".join(result.stdout.split())
    assert f" {len(registry.BUILT_IN) + 1} strategies," in flowing
    assert " background, object: two-sample-midpoint " in flowing
    assert all(re.search(rf"[ ,]{name}[ ,]", flowing) for name in [*registry.BUILT_IN, "shaky"])
    whole = shell.invoke("strategies", "--details").stdout
    assert "two-sample-midpoint  [built-in]  needs: background, object" in whole
    assert "Place the level halfway between one object" in whole
    assert "--set" not in result.stdout
    assert "shaky  [broken]" in result.stdout
    assert "ModuleNotFoundError" in result.stdout
    for name, line in (("sweep-minmax", "--set sweep_passes = 5  [passes]"),
                       ("background-referenced", "--set offset = none  [recording units]")):  # fmt: skip
        assert line in shell.invoke("strategies", name).stdout


def test_one_alone_is_told_with_the_schema_of_its_parameters() -> None:
    told = shell.invoke("strategies", "sweep-minmax").stdout
    assert "sweep-minmax  [built-in]" in told
    assert "single-sample" not in told
    (document,) = json.loads(shell.invoke("strategies", "sweep-minmax", "--json").stdout)["strategies"]
    schema = document["parameter_schema"]
    assert (document["name"], schema["type"], schema["title"]) == ("sweep-minmax", "object", "sweep-minmax")
    assert list(schema["properties"]) == [p["name"] for p in document["parameters"]]
    passes = schema["properties"]["sweep_passes"]
    assert (passes["type"], passes["default"], passes["minimum"], passes["unit"]) == ("integer", 5, 1, "passes")


def test_every_schema_takes_the_defaults_of_its_strategy() -> None:
    for name in registry.BUILT_IN:
        (document,) = json.loads(shell.invoke("strategies", name, "--json").stdout)["strategies"]
        assert {p["name"]: p["default"] for p in document["parameters"]} == {
            key: value["default"] for key, value in document["parameter_schema"]["properties"].items()
        }


def test_one_in_a_file_is_told_and_one_that_is_broken_is_refused(tmp_path: Path) -> None:
    (tmp_path / "mine.py").write_text(
        "from dataclasses import dataclass\n"
        "@dataclass(frozen=True)\n"
        "class Mine:\n    'My rule.'\n    name = 'mine'\n    needs = frozenset({'sweep'})\n"
        "    gains: list[float] | None = None\n    def teach(self, view): ...\n"
    )
    told = shell.run("strategies", f"{tmp_path / 'mine.py'}:Mine")
    assert "mine  [file]" in told.stdout
    assert "--set gains = none" in told.stdout
    broken = shell.invoke("strategies", "shaky")
    assert (broken.exit_code, broken.stdout) == (2, "")
    assert "ModuleNotFoundError" in broken.stderr


def test_a_collision_is_one_message_and_exit_code_2(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(registry, "plug_ins", lambda: (EntryPoint("single-sample", "a:B", registry.GROUP),))
    registry._claims.cache_clear()
    result = shell.invoke("strategies", "--json")
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
