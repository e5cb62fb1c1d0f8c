"""Small faults planted in the product, one at a time: which of them do the tests find?

    python benchmarks/mutants.py --map               run the suite once under coverage: which tests run which line
    python benchmarks/mutants.py --count 200         plant, run the tests that run the line, print killed and survived
    python benchmarks/mutants.py --count 200 --start 100 --seed 1     a part of the same draw, for a second process

The map needs `pytest-cov` (pip install pytest-cov). Everything happens in a copy of the checkout in a temporary folder.
Faults are drawn with a seed from every place of the package where an operator applies; none is picked by hand, none
left out afterwards. A fault on a line that no test runs survives. Survivors are argued one by one in
`results/mutants.md`, by line: equivalent (no input can show it), or a test that is missing.
"""

from __future__ import annotations

import argparse
import ast
import json
import os
import random
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from copy import deepcopy
from dataclasses import dataclass
from pathlib import Path

HERE = Path(__file__).resolve().parent
ROOT = HERE.parent
LEAVE_OUT = ("__main__.py",)
MOST_TESTS, MOST_SECONDS = 60, 150
NOT_FOUND = 4
"""How pytest ends where a test it was given is not there: that kills nothing."""
COMPARISONS = {
    ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt,
    ast.Eq: ast.NotEq, ast.NotEq: ast.Eq, ast.Is: ast.IsNot, ast.IsNot: ast.Is,
}  # fmt: skip
ARITHMETIC = {ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult, ast.FloorDiv: ast.Mult}


@dataclass(frozen=True, slots=True)
class Fault:
    """One planted fault: where it is, which operator made it, and the two texts."""

    file: str
    line: int
    last: int
    operator: str
    before: str
    after: str
    order: int


def faults_at(node: ast.AST) -> Iterator[tuple[str, ast.AST]]:
    """Yield what each operator makes of one node."""
    if isinstance(node, ast.Compare) and len(node.ops) == 1 and type(node.ops[0]) in COMPARISONS:
        changed = deepcopy(node)
        changed.ops = [COMPARISONS[type(node.ops[0])]()]
        yield "comparison", changed
    if isinstance(node, ast.BinOp) and type(node.op) in ARITHMETIC:
        changed = deepcopy(node)
        changed.op = ARITHMETIC[type(node.op)]()
        yield "arithmetic", changed
    if isinstance(node, ast.BoolOp):
        changed = deepcopy(node)
        changed.op = ast.Or() if isinstance(node.op, ast.And) else ast.And()
        yield "and, or", changed
    if isinstance(node, ast.IfExp | ast.If):
        changed = deepcopy(node)
        changed.test = ast.UnaryOp(ast.Not(), changed.test)
        yield "condition turned", changed
    if isinstance(node, ast.Constant) and type(node.value) in (int, float) and node.value == node.value:
        yield "number", ast.Constant(node.value + 1 if isinstance(node.value, int) else node.value * 2 + 0.5)
    if isinstance(node, ast.Call):
        named = [k for k in node.keywords if k.arg]
        for word in named:
            changed = deepcopy(node)
            changed.keywords = [k for k in changed.keywords if k.arg != word.arg]
            yield f"argument {word.arg} dropped", changed
        if len(named) > 1:
            changed = deepcopy(node)
            first, second = [k for k in changed.keywords if k.arg][:2]
            first.value, second.value = second.value, first.value
            yield f"{first.arg} and {second.arg} swapped", changed
    if isinstance(node, ast.Return) and isinstance(node.value, ast.Name | ast.Call | ast.BinOp):
        yield "returns None", ast.Return(ast.Constant(None))


def places(tree: ast.Module) -> Iterator[tuple[ast.AST, ast.AST, str, int | None]]:
    """Yield (node, parent, field, index) of all that runs: no annotation, no docstring, no import for types only."""
    waiting: list[ast.AST] = [tree]
    while waiting:
        parent = waiting.pop()
        for field, value in ast.iter_fields(parent):
            if field in ("annotation", "returns", "decorator_list", "bases", "type_params", "slice"):
                continue
            for index, child in enumerate(value) if isinstance(value, list) else [(None, value)]:
                if not isinstance(child, ast.AST):
                    continue
                if isinstance(child, ast.If) and "TYPE_CHECKING" in ast.unparse(child.test):
                    continue
                if isinstance(child, ast.Expr) and isinstance(child.value, ast.Constant):
                    continue
                yield child, parent, field, index
                waiting.append(child)


def drawn(package: Path, count: int, seed: int) -> list[Fault]:
    """Draw faults, every one that could be planted with the same chance."""
    every: list[Fault] = []
    for path in sorted(package.rglob("*.py")):
        if path.name in LEAVE_OUT:
            continue
        tree = ast.parse(path.read_text(encoding="utf-8"))
        name = path.relative_to(package.parent).as_posix()
        for node, *_ in places(tree):
            if not hasattr(node, "lineno"):
                continue
            for order, (operator, changed) in enumerate(faults_at(node)):
                short = node.test if isinstance(node, ast.If) else node
                made = changed.test if isinstance(changed, ast.If) else changed
                texts = (ast.unparse(short), ast.unparse(ast.fix_missing_locations(made)))
                last = node.test.end_lineno if isinstance(node, ast.If) else node.end_lineno
                every.append(Fault(name, node.lineno, last or node.lineno, operator, *texts, order))
    return random.Random(seed).sample(every, min(count, len(every)))


def planted(source: str, fault: Fault) -> str:
    """Return a source with the fault in it."""
    tree = ast.parse(source)
    for node, parent, field, index in places(tree):
        if getattr(node, "lineno", None) != fault.line:
            continue
        for order, (operator, changed) in enumerate(faults_at(node)):
            short = node.test if isinstance(node, ast.If) else node
            if operator == fault.operator and order == fault.order and ast.unparse(short) == fault.before:
                if index is None:
                    setattr(parent, field, changed)
                else:
                    getattr(parent, field)[index] = changed
                return ast.unparse(ast.fix_missing_locations(tree)) + "\n"
    raise LookupError(f"{fault} is not there any more")


def coverage_map(kept: Path) -> None:
    """Run the suite once under coverage; keep which tests run which lines, and how long each test takes."""
    data = kept.with_suffix(".coverage")
    words = ["-q", "--cov=teachlab", "--cov-context=test", "--cov-report=", "--durations=0", "--durations-min=0"]
    environment = {**os.environ, "COVERAGE_FILE": str(data), "PYTHONPATH": str(ROOT)}
    out = subprocess.run(
        [sys.executable, "-m", "pytest", *words, *sys.argv[sys.argv.index("--map") + 1 :]],
        cwd=ROOT, env=environment, capture_output=True, text=True, check=False,
    )  # fmt: skip
    seconds: dict[str, float] = {}
    for line in out.stdout.splitlines():
        words = line.split()
        if len(words) >= 3 and words[0].endswith("s") and words[1] in ("call", "setup"):
            seconds[" ".join(words[2:])] = seconds.get(" ".join(words[2:]), 0.0) + float(words[0][:-1])
    from coverage import CoverageData

    measured = CoverageData(str(data))
    measured.read()
    lines = {}
    for file in measured.measured_files():
        name = Path(file).relative_to(ROOT).as_posix()
        lines[name] = {
            str(line): sorted({c.split("|")[0] for c in contexts if c})
            for line, contexts in measured.contexts_by_lineno(file).items()
        }
    kept.write_text(json.dumps({"seconds": seconds, "lines": lines}))
    print(out.stdout.splitlines()[-1], file=sys.stderr)


def tests_of(fault: Fault, known: dict[str, dict]) -> list[str]:
    """Return the tests that run the line of a fault, quick ones first; those that name its module where none does."""
    lines = known["lines"].get(fault.file, {})
    found = {test for line in range(fault.line, fault.last + 1) for test in lines.get(str(line), ())}
    if not found and "compiled" in fault.file:  # coverage doesn't see what numba runs
        module = fault.file[:-3].replace("/", ".").rpartition(".")[0]
        users = [p for p in (ROOT / "tests").rglob("test_*.py") if module in p.read_text(encoding="utf-8")]
        return [p.relative_to(ROOT).as_posix() for p in users]
    by_time = sorted(found, key=lambda test: known["seconds"].get(test, 0.0))
    spread = by_time[: MOST_TESTS // 2] + by_time[MOST_TESTS // 2 :: max(1, len(by_time) // (MOST_TESTS // 2))]
    return spread[:MOST_TESTS]


def verdict(copy: Path, fault: Fault, tests: list[str]) -> str:
    """Plant a fault in the copy, run tests, take it out again; say what killed it, or nothing."""
    path = copy / fault.file
    sound = path.read_text(encoding="utf-8")
    path.write_text(planted(sound, fault), encoding="utf-8")
    try:
        run = subprocess.run(
            [sys.executable, "-m", "pytest", "-q", "-x", "-p", "no:cacheprovider", "--no-header", *tests],
            cwd=copy, env={**os.environ, "PYTHONPATH": str(copy)}, capture_output=True, text=True,
            timeout=MOST_SECONDS, check=False,
        )  # fmt: skip
    except subprocess.TimeoutExpired:
        return "no end"
    finally:
        path.write_text(sound, encoding="utf-8")
    if run.returncode == 0:
        return ""
    if run.returncode == NOT_FOUND and "not found: " in run.stdout:
        raise LookupError(f"the map names tests that are not there any more: make it anew.\n{run.stdout[-400:]}")
    said = [line for line in run.stdout.splitlines() if line.startswith(("FAILED", "ERROR"))]
    return (said or run.stdout.splitlines()[-1:] or ["does not import"])[0]


def main() -> None:
    """Plant, run, print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--map", action="store_true")
    parser.add_argument("--count", type=int, default=200)
    parser.add_argument("--start", type=int, default=0)
    parser.add_argument("--stop", type=int)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--kept", type=Path, default=Path(tempfile.gettempdir()) / "mutants_map.json")
    parser.add_argument("--out", type=Path, help="a row per fault is added to this file (JSON lines)")
    options, _ = parser.parse_known_args()
    if options.map:
        coverage_map(options.kept)
        return
    known = json.loads(options.kept.read_text())
    faults = drawn(ROOT / "teachlab", options.count, options.seed)[options.start : options.stop]
    survived = 0
    with tempfile.TemporaryDirectory() as folder:
        copy = Path(folder) / "copy"
        shutil.copytree(ROOT, copy, ignore=shutil.ignore_patterns(".git", ".venv", "__pycache__", ".*_cache"))
        for number, fault in enumerate(faults, options.start):
            begun = time.perf_counter()
            tests = tests_of(fault, known)
            killed = verdict(copy, fault, tests) if tests else ""
            survived += not killed
            row = {
                "number": number, "file": fault.file, "line": fault.line, "operator": fault.operator,
                "before": fault.before[:160], "after": fault.after[:160], "tests": len(tests), "killed": killed[:200],
            }  # fmt: skip
            if options.out:
                with options.out.open("a") as rows:
                    rows.write(json.dumps(row) + "\n")
            state, seconds = "killed  " if killed else "SURVIVED", time.perf_counter() - begun
            texts = f"{fault.before[:50]!r} -> {fault.after[:50]!r}"
            print(
                f"{number:4} {state} {fault.file}:{fault.line} {fault.operator}: {texts} ({seconds:.0f} s)", flush=True
            )
    print(f"{len(faults)} planted, {len(faults) - survived} killed, {survived} survived")


if __name__ == "__main__":
    main()
