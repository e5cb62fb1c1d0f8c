"""Faults are planted where they are said to be, each once, and the same ones for a seed."""

import ast
import importlib.util
import sys
from pathlib import Path

import pytest

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
    spec = importlib.util.spec_from_file_location("_mutants", FILE)
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    yield module
    del sys.modules[spec.name]


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
