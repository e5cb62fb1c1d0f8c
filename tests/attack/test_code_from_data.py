"""Data may name built-in and installed strategies; nothing that data says is ever run as code."""

import ast
import json
from pathlib import Path

import pytest
import shell

import teachlab

PACKAGE = Path(teachlab.__file__).parent
RUNS_CODE = {
    "exec", "eval", "__import__", "import_module", "exec_module", "spec_from_file_location", "run_path", "run_module",
    "loads_pickle", "check_output", "check_call", "Popen", "system", "popen", "load_module", "read_pickle", "unpickle",
}  # fmt: skip
MODULES = {"pickle", "marshal", "shelve", "subprocess", "dill", "cloudpickle", "runpy", "code", "imp", "yaml"}
ALLOWED = {
    "__init__.py": "names of this package, from a literal table",
    "cli/commands.py": "modules of commands, from a literal table",
    "questions/__init__.py": "modules of the rooms of questions, by literal names",
    "data/importing/reading/measurement_formats.py": "one of the readers of formats, by literal name",
    "teaching/registry.py": "the literal table of built-in strategies, and entry points of installed packages",
    "teaching/strategy_files.py": "a file that a person named on this command line",
    "testing/suite.py": "strategies that a person named go through pickle and back, inside this process",
    "testing/fresh_process.py": "the conformance checks run a strategy that a person named in another process",
}
"""Every file that can run code by name, with what it runs."""
NAMED_BY_PEOPLE = ("cli", "studies", "verbs.py", "teaching", "testing", "pipeline.py", "__init__.py", "questions")
"""Who may ask for a strategy in a file: what people call with the words they typed. Never `data` or `evidence`."""


def called(tree: ast.AST) -> set[str]:
    """Return the last name of everything that is called, and every module that is imported."""
    found: set[str] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Call):
            name = node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")
            found.add(name)
            if name == "load" and isinstance(node.func, ast.Attribute):
                found.add(f"load of {ast.unparse(node.func.value)}")
            found |= {f"{k.arg}=True" for k in node.keywords if k.arg == "allow_pickle"}
        elif isinstance(node, ast.Import):
            found |= {f"import {alias.name.split('.')[0]}" for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            found.add(f"import {node.module.split('.')[0]}")
    return found


def test_every_way_from_a_name_to_code_is_known() -> None:
    found = {}
    for path in PACKAGE.rglob("*.py"):
        names = called(ast.parse(path.read_text(encoding="utf-8")))
        ways = names & (RUNS_CODE | {f"import {module}" for module in MODULES} | {"allow_pickle=True"})
        ways |= {name for name in names if name in ("load of joblib", "load of pickle", "load of np", "load of yaml")}
        if ways:
            found[path.relative_to(PACKAGE).as_posix()] = ways
    assert set(found) == set(ALLOWED), {k: v for k, v in found.items() if k not in ALLOWED}


def test_readers_of_data_do_not_know_strategies_in_files() -> None:
    for path in PACKAGE.rglob("*.py"):
        name = path.relative_to(PACKAGE).as_posix()
        if "strategy_files" in path.read_text(encoding="utf-8"):
            assert name.startswith(NAMED_BY_PEOPLE), f"{name} could run a file that data names"


@pytest.fixture
def line(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    shell.run("synth", "demo", "--passes", "30", "--out", "a.parquet")
    teach = ["teach", "a.parquet", "--strategy", "single-sample", "--out", "s.json"]
    shell.run(*teach)
    (tmp_path / "evil.py").write_text("from pathlib import Path\nPath('ran').write_text('yes')\nclass X:\n    pass\n")
    return tmp_path


@pytest.mark.parametrize("name", ["./evil.py:X", "ABSOLUTE", "evil"])
def test_a_setting_or_record_that_names_a_file_has_it_not_run(line: Path, name: str) -> None:
    name = str(line / "evil.py") + ":X" if name == "ABSOLUTE" else name
    setting = json.loads((line / "s.json").read_text())
    setting["taught"]["strategy"] = name
    (line / "bad.json").write_text(json.dumps(setting))
    report = ["report", "a.parquet", "--draws", "2", "--out", "rec", "--setting"]
    for words in (
        [*report, "bad.json"],
        ["replay", "a.parquet", "--setting", "bad.json"],
        ["compare", "a.parquet", "--setting", "bad.json", "--setting", "s.json"],
    ):
        ran = shell.invoke(*words)
        assert ran.exception is None or isinstance(ran.exception, SystemExit), ran.exc_info
        assert ran.exit_code in (0, 1, 2, 3)
        assert not (line / "ran").exists(), f"{words[0]} has run a file that a setting names"
    assert shell.invoke(*report, "s.json").exit_code in (0, 3)
    record = (line / "rec" / "result.json").read_text().replace('"single-sample"', json.dumps(name))
    (line / "rec" / "result.json").write_text(record)
    ran = shell.invoke("verify", "rec/result.json")
    assert ran.exception is None or isinstance(ran.exception, SystemExit), ran.exc_info
    assert ran.exit_code in (1, 2)
    assert not (line / "ran").exists()
    abstained = {"abstained": {"strategy": name, "reason": "x", "measured": 1, "required": 2, "parameters": {}}}
    (line / "no.json").write_text(json.dumps(abstained))
    assert shell.invoke(*report, "no.json").exit_code in (2, 3)
    assert not (line / "ran").exists()
