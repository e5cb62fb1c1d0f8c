"""Faults are planted where they are said to be, each once, and the same ones for a seed."""

import ast
import dataclasses
import subprocess
from pathlib import Path

import pytest
from loading import script

FILE = Path(__file__).parents[2] / "benchmarks" / "mutants.py"
PACKAGE = Path(__file__).parents[2] / "teachlab" / "model"
SOURCE = """
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    limit: int = 9

def f(x: int, low=3) -> int:
    '''Add 5.'''
    if x >= low and low > 0:
        return g(x, rate=2.5, confidence=low)
    return x + 1
"""


@pytest.fixture(scope="module")
def mutants():
    return script(FILE)


def test_every_operator_has_its_place_and_nothing_that_does_not_run_is_touched(mutants, tmp_path):
    file = tmp_path / "house" / "a.py"
    file.parent.mkdir()
    file.write_text(SOURCE)
    faults = mutants.drawn(file.parent, 1000, 0)
    found = {(fault.operator, fault.before, fault.after) for fault in faults}
    call = "g(x, rate=2.5, confidence=low)"
    assert found == {
        ("condition turned", "x >= low and low > 0", "not (x >= low and low > 0)"),
        ("and, or", "x >= low and low > 0", "x >= low or low > 0"),
        ("comparison", "x >= low", "x > low"),
        ("comparison", "low > 0", "low >= 0"),
        ("number", "0", "1"),
        ("number", "3", "4"),
        ("number", "2.5", "5.5"),
        ("number", "1", "2"),
        ("arithmetic", "x + 1", "x - 1"),
        ("argument rate dropped", call, "g(x, confidence=low)"),
        ("argument confidence dropped", call, "g(x, rate=2.5)"),
        ("rate and confidence swapped", call, "g(x, rate=low, confidence=2.5)"),
        ("returns None", f"return {call}", "return None"),
        ("returns None", "return x + 1", "return None"),
    }
    sound = ast.unparse(ast.parse(SOURCE))
    planted = [mutants.planted(SOURCE, fault) for fault in faults]
    assert len(set(planted)) == len(faults)
    assert all(ast.unparse(ast.parse(text)) != sound for text in planted)


def test_a_draw_is_repeated_by_its_seed(mutants):
    assert mutants.drawn(PACKAGE, 5, 1) == mutants.drawn(PACKAGE, 5, 1) != mutants.drawn(PACKAGE, 5, 2)


def test_a_fault_is_found_again_where_lines_have_moved(mutants, tmp_path):
    file = tmp_path / "house" / "a.py"
    file.parent.mkdir()
    file.write_text(SOURCE)
    (fault,) = (f for f in mutants.drawn(file.parent, 1000, 0) if f.before == "x + 1")
    moved = mutants.planted("\n\n# a word more\n" + SOURCE, fault)
    assert "return x - 1" in moved
    with pytest.raises(LookupError, match="not there any more"):
        mutants.planted("x = 1\n", fault)


def test_tests_of_a_line_run_nearest_first_and_no_longer_than_they_may(mutants, monkeypatch):
    fault = mutants.Fault("teachlab/light/noise.py", 5, 6, "number", "1", "2", 0)
    own, quick, slow, long = "tests/light/test_noise.py::t", "tests/a.py::q", "tests/a.py::s", "tests/a.py::l"
    seconds = {own: 2.0, quick: 0.1, slow: 5.0, long: mutants.MOST_SECONDS}
    lines = {"teachlab/light/noise.py": {"5": [slow, quick], "6": [own, long], "7": ["tests/a.py::never"]}}
    monkeypatch.setattr(mutants, "in_function", lambda fault: True)
    assert mutants.tests_of(fault, {"seconds": seconds, "lines": lines}) == [own, quick, slow]
    # A line that runs at import is seen by whichever test came first: all that run the module may know better.
    monkeypatch.setattr(mutants, "in_function", lambda fault: False)
    assert mutants.tests_of(fault, {"seconds": seconds, "lines": lines}) == [own, "tests/a.py::never", quick, slow]
    first, rest = mutants.helpings([own, quick, slow], seconds)
    assert (first, rest) == ([own, quick], [slow])


def test_a_new_run_of_a_file_takes_the_place_of_its_old_one(mutants):
    old = {"seconds": {"a::x": 1.0, "b::y": 2.0}, "lines": {"f.py": {"1": ["a::x", "b::y"], "2": ["a::x"]}}}
    new = {"seconds": {"a::z": 3.0}, "lines": {"f.py": {"1": ["a::z"]}, "g.py": {"4": ["a::z"]}}}
    both = mutants.joined(old, new)
    assert both["seconds"] == {"b::y": 2.0, "a::z": 3.0}
    assert both["lines"] == {"f.py": {"1": ["b::y", "a::z"], "2": []}, "g.py": {"4": ["a::z"]}}


def test_the_page_tells_shares_and_what_is_argued(mutants, tmp_path, monkeypatch):
    row = {
        "number": 0,
        "file": "teachlab/a.py",
        "line": 3,
        "operator": "number",
        "before": "f(a, 25)",
        "after": "f(a, 26)",
    }
    rows = {0: row | {"killed": "FAILED tests/a.py::t - 1"}, 1: row | {"number": 1, "line": 9, "killed": ""}}
    monkeypatch.setattr(mutants, "ARGUED", tmp_path / "none.toml")
    page = mutants.report(rows, "a draw")
    assert "| killed | 1 of 2, 50.0 % |" in page
    assert "| survived, not argued | 1 |" in page
    (tmp_path / "some.toml").write_text(
        "[[survivor]]\nfile = 'teachlab/a.py'\noperator = 'number'\nbefore = 'f(a, 25)'\n"
        "kind = 'equivalent'\nwhy = 'so'\n"
    )
    monkeypatch.setattr(mutants, "ARGUED", tmp_path / "some.toml")
    assert "| 1 | a.py:9 | number | `f(a, 25)` | `f(a, 26)` | equivalent: so |" in mutants.report(rows, "a draw")


def test_texts_are_cut_to_where_they_differ(mutants):
    assert mutants.difference("f(a, rate=2.5)", "f(a, rate=5.5)", beside=5) == ("…rate=2.5)", "…rate=5.5)")


def test_a_fault_in_a_function_is_told_from_one_at_import(mutants):
    name = "teachlab/light/edge_time.py"
    tree = ast.parse((mutants.ROOT / name).read_text(encoding="utf-8"))
    body = next(node.body[-1].lineno for node in tree.body if isinstance(node, ast.FunctionDef))
    head = next(node.lineno for node in tree.body if isinstance(node, ast.Import))
    fault = mutants.Fault(name, body, body, "number", "1", "2", 0)
    assert mutants.in_function(fault)
    assert not mutants.in_function(dataclasses.replace(fault, line=head, last=head))


def test_near_files_bear_the_name_or_import_the_module(mutants):
    fault = mutants.Fault("teachlab/statistics/planning.py", 1, 1, "number", "1", "2", 0)
    groups = list(mutants.near_files(fault))
    assert groups[0][0] == fault.file  # its examples
    files = [file for group in groups for file in group]
    assert "tests/statistics/test_planning.py" in files
    assert len(files) <= 6
    assert sum(map(len, mutants.near_files(fault, 2))) == 2
    assert not any(file.startswith(mutants.LEFT_OUT_TESTS) for file in files)


def test_lines_since_a_revision_are_those_that_were_written_or_changed(mutants, tmp_path, monkeypatch):
    def git(*words):
        who = ("-c", "user.name=a", "-c", "user.email=a@b", "-c", "commit.gpgsign=false")
        subprocess.run(["git", *who, *words], cwd=tmp_path, check=True, capture_output=True)

    file = tmp_path / "teachlab" / "a.py"
    file.parent.mkdir()
    file.write_text("x = 1\ny = 2\nz = 3\n")
    (file.parent / "gone.py").write_text("x = 1\n")
    git("init")
    git("add", ".")
    git("commit", "-m", "one")
    file.write_text("x = 1\ny = 4\nw = 5\n")
    (file.parent / "gone.py").unlink()
    monkeypatch.setattr(mutants, "ROOT", tmp_path)
    assert mutants.lines_since("HEAD") == {"teachlab/a.py": {2, 3}}
    assert [fault.line for fault in mutants.drawn(file.parent, 10, 0, "HEAD")] == [2, 3]
