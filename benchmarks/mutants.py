"""Small faults planted in the product, one at a time: which of them do the tests find?

    python benchmarks/mutants.py --map               run the suite once under coverage: which tests run which line
    python benchmarks/mutants.py --map tests/x.py    the same for new tests, added to the map
    python benchmarks/mutants.py --count 200         plant, run the tests that run the line, print killed and survived
    python benchmarks/mutants.py --since REVISION    only places in lines that were written or changed since then
    python benchmarks/mutants.py --near 60           first the test files that import the module, for 60 s, then the map
    python benchmarks/mutants.py --again             survivors once more, on the code and the tests of now
    python benchmarks/mutants.py --check             do the tests that killed pass without a fault? else they did not
    python benchmarks/mutants.py --write             results/mutants.md from what is kept; of seed 2 mutants_seed_2.md

The map needs `pytest-cov` (pip install pytest-cov). Everything happens in a copy of the checkout in a temporary folder.
Faults are drawn with a seed from every place of the package where an operator applies; none is picked by hand, none
left out afterwards. The tests that run the line run nearest first until one fails, in a process that has the libraries
but nothing of the package; a fault that no test runs survives. Survivors are argued one by one in
`mutants_argued.toml`: equivalent (no input can show it), cosmetic (a colour, a size), or why it may stay.
"""

from __future__ import annotations

import argparse
import ast
import importlib
import json
import math
import os
import random
import re
import resource
import shutil
import signal
import subprocess
import sys
import tempfile
import time
import tomllib
from collections import defaultdict
from collections.abc import Iterable, Iterator
from copy import deepcopy
from dataclasses import asdict, dataclass
from functools import cache
from pathlib import Path

HERE = Path(__file__).resolve().parent
ROOT = HERE.parent
LEAVE_OUT = ("__main__.py",)
LEFT_OUT_TESTS = ("tests/attack/", "tests/browser/", "tests/test_answers.py")
RESULTS = HERE / "results"
ARGUED = HERE / "mutants_argued.toml"
FIRST_SECONDS, MOST_SECONDS = 3.0, 12.0
"""Of tests, by the time they took under coverage: a first helping, and all that a fault is given."""
SLOWER, STARTING_SECONDS = 4.0, 20.0
"""A helping that takes this many times its time, and so much to begin with, has no end: of the processor, s."""
BUSY = 30
"""Times of the clock on the wall that a second of the processor may take."""
PASSED, NOT_FOUND, NO_TESTS, CRASHED = 0, 4, 5, 70
"""How pytest ends: all is well, a test is not there (that kills nothing), there is none at all, it did not run."""
NEAR_BYTES, NEAR_SHARE = 12_000, 0.8
"""Size of a group of near test files, and the share of the time for all of them that one group may take."""
FILES_A_SECOND = 0.6
"""Of near test files, so many are looked at."""
ENDLESS = "no end"
LIBRARIES = (
    "numpy", "pandas", "pyarrow.parquet", "scipy.special", "scipy.stats", "scipy.optimize", "scipy.signal",
    "sklearn.mixture", "sklearn.model_selection", "pydantic", "typer.testing", "jinja2", "joblib", "numba",
    "jsonschema", "matplotlib.figure", "matplotlib.backends.backend_svg", "matplotlib.backends.backend_agg",
)  # fmt: skip
"""What tests import again and again, loaded once before a process is split off."""
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


def lines_since(revision: str) -> dict[str, set[int]]:
    """Return the lines of every file of the package that were written or changed since a revision."""
    words = ["git", "diff", "-U0", "-M", revision, "--", "teachlab"]
    lines: dict[str, set[int]] = defaultdict(set)
    file = ""
    for line in subprocess.run(words, cwd=ROOT, capture_output=True, text=True, check=True).stdout.splitlines():
        file = line[6:] if line.startswith("+++ b/") else file
        if hunk := re.match(r"@@ \S+ \+(\d+)(?:,(\d+))? @@", line):
            lines[file].update(range(int(hunk[1]), int(hunk[1]) + int(hunk[2] or 1)))
    return lines


def drawn(package: Path, count: int, seed: int, since: str = "") -> list[Fault]:
    """Draw faults, every one that could be planted with the same chance."""
    written = lines_since(since) if since else None
    every: list[Fault] = []
    for path in sorted(package.rglob("*.py")):
        if path.name in LEAVE_OUT:
            continue
        tree = ast.parse(path.read_text(encoding="utf-8"))
        name = path.relative_to(package.parent).as_posix()
        for node, *_ in places(tree):
            if not hasattr(node, "lineno") or (written is not None and node.lineno not in written[name]):
                continue
            for order, (operator, changed) in enumerate(faults_at(node)):
                short = node.test if isinstance(node, ast.If) else node
                made = changed.test if isinstance(changed, ast.If) else changed
                texts = (ast.unparse(short), ast.unparse(ast.fix_missing_locations(made)))
                last = node.test.end_lineno if isinstance(node, ast.If) else node.end_lineno
                every.append(Fault(name, node.lineno, last or node.lineno, operator, *texts, order))
    return random.Random(seed).sample(every, min(count, len(every)))


def planted(source: str, fault: Fault) -> str:
    """Return a source with the fault in it, at the place of the same text that is nearest to its line."""
    tree = ast.parse(source)
    found = [
        (abs(node.lineno - fault.line), node.lineno, k, parent, field, index, changed)
        for k, (node, parent, field, index) in enumerate(places(tree))
        if hasattr(node, "lineno")
        for order, (operator, changed) in enumerate(faults_at(node))
        if operator == fault.operator
        and order == fault.order
        and ast.unparse(node.test if isinstance(node, ast.If) else node) == fault.before
    ]
    if not found:
        raise LookupError(f"{fault} is not there any more")
    _, _, _, parent, field, index, changed = min(found, key=lambda f: f[:3])
    if index is None:
        setattr(parent, field, changed)
    else:
        getattr(parent, field)[index] = changed
    return ast.unparse(ast.fix_missing_locations(tree)) + "\n"


def coverage_map(kept: Path, words: list[str]) -> None:
    """Run the suite, or named files, under coverage; keep which tests run which lines, and how long each takes."""
    data = kept.with_suffix(".coverage")
    options = ["-q", "--cov=teachlab", "--cov-context=test", "--cov-report=", "--durations=0", "--durations-min=0"]
    environment = {**os.environ, "COVERAGE_FILE": str(data), "PYTHONPATH": str(ROOT)}
    out = subprocess.run(
        [sys.executable, "-m", "pytest", *options, *words],
        cwd=ROOT, env=environment, capture_output=True, text=True, check=False,
    )  # fmt: skip
    kept.with_suffix(".out").write_text(out.stdout)
    made = read_map(data, out.stdout)
    kept.write_text(json.dumps(joined(json.loads(kept.read_text()), made) if words and kept.exists() else made))
    print(out.stdout.splitlines()[-1], file=sys.stderr)


def joined(old: dict[str, dict], new: dict[str, dict]) -> dict[str, dict]:
    """Return a map in which the tests of the files that ran again are those of the new one."""
    files = {test.partition("::")[0] for test in new["seconds"]}

    def stays(test: str) -> bool:
        return test.partition("::")[0] not in files

    lines = {
        file: {
            line: [test for test in old["lines"].get(file, {}).get(line, ()) if stays(test)]
            + new["lines"].get(file, {}).get(line, [])
            for line in {**old["lines"].get(file, {}), **new["lines"].get(file, {})}
        }
        for file in {**old["lines"], **new["lines"]}
    }
    return {"seconds": {t: s for t, s in old["seconds"].items() if stays(t)} | new["seconds"], "lines": lines}


def read_map(data: Path, said: str) -> dict[str, dict]:
    """Return seconds by test and tests by line from what coverage and pytest left.

    What a fixture runs is written down for the first test that asks for it, and serves all of its file.
    """
    from coverage import CoverageData

    seconds: dict[str, float] = defaultdict(float)
    for line in said.splitlines():
        words = line.split(maxsplit=2)
        if len(words) == 3 and re.fullmatch(r"[\d.]+s", words[0]) and words[1] in ("call", "setup"):
            seconds[words[2]] += float(words[0][:-1])
    of_file = defaultdict(list)
    for test in seconds:
        of_file[test.partition("::")[0]].append(test)

    @cache
    def serving(context: str) -> list[str]:
        test, _, phase = context.rpartition("|")
        return [test] if phase == "run" else of_file[test.partition("::")[0]]

    measured = CoverageData(str(data))
    measured.read()
    lines = {
        Path(file).as_posix().rpartition("/teachlab/")[2]: {
            str(line): sorted({test for context in contexts if context for test in serving(context)})
            for line, contexts in measured.contexts_by_lineno(file).items()
        }
        for file in measured.measured_files()
    }
    return {"seconds": dict(seconds), "lines": {f"teachlab/{file}": held for file, held in lines.items()}}


@cache
def users_of(module: str) -> tuple[str, ...]:
    """Return the files of the package, and of the tests, that import a module by its dotted name."""
    word = re.compile(
        rf"{re.escape(module)}\b|from {re.escape(module.rpartition('.')[0])} import .*\b{module.rpartition('.')[2]}\b"
    )
    return tuple(
        path.relative_to(ROOT).as_posix()
        for folder in ("teachlab", "tests")
        for path in sorted((ROOT / folder).rglob("*.py"))
        if word.search(path.read_text(encoding="utf-8"))
    )


def in_function(fault: Fault) -> bool:
    """Tell whether a fault lies in the body of a function, and not in what runs when its module is imported."""
    tree = ast.parse((ROOT / fault.file).read_text(encoding="utf-8"))
    return any(
        isinstance(node, ast.FunctionDef) and node.body[0].lineno <= fault.line <= (node.end_lineno or 0)
        for node in ast.walk(tree)
    )


def tests_of(fault: Fault, known: dict[str, dict]) -> list[str]:
    """Return the tests that run the line of a fault, nearest first, until their time is spent.

    Nearest: those that bear the module's name, then the quick ones. A line that runs when its module is imported is
    seen by whichever test comes first, and one that is compiled by none: then those that run the module, else those
    that run a module which imports it.
    """
    lines, seconds = known["lines"], known["seconds"]
    own = lines.get(fault.file, {})
    found = {test for line in range(fault.line, fault.last + 1) for test in own.get(str(line), ())}
    if not found or not in_function(fault):
        found = {test for tests in own.values() for test in tests}
        for user in users_of(fault.file[:-3].replace("/", ".").removesuffix(".__init__")):
            found |= {test for tests in lines.get(user, {}).values() for test in tests}
            found |= {test for test in seconds if test.startswith(f"{user}::")}
    stem = Path(fault.file).stem
    words = {stem, *stem.split("_"), Path(fault.file).parent.name}

    def distance(test: str) -> tuple[int, float]:
        file = test.partition("::")[0]
        near = file == fault.file or bool(words & {Path(file).stem, *Path(file).stem.removeprefix("test_").split("_")})
        return (not near, seconds.get(test, 0.0))

    near_first = sorted(found, key=distance)
    chosen, spent = [], 0.0
    for test in near_first:
        if spent + seconds.get(test, 0.0) <= MOST_SECONDS:
            chosen.append(test)
            spent += seconds.get(test, 0.0)
    return chosen or near_first[:1]


def near_files(fault: Fault, most: int = 6) -> Iterator[list[str]]:
    """Yield groups of test files that bear the module's name or import it, those of its name and the small ones first.

    No map is needed, so that a fault near its tests dies early; what they leave is left to the map.
    """
    stem = Path(fault.file).stem
    users = {fault.file, *users_of(fault.file[:-3].replace("/", ".").removesuffix(".__init__"))}
    named = {path.relative_to(ROOT).as_posix() for path in (ROOT / "tests").rglob(f"test_{stem}*.py")}
    files = named | {file for file in users if file == fault.file or file.startswith("tests/")}
    files = {file for file in files if file == fault.file or "/test_" in file}
    size = {file: (ROOT / file).stat().st_size for file in files if not file.startswith(LEFT_OUT_TESTS)}
    order = sorted(size, key=lambda file: (file != fault.file, file not in named, size[file]))[:most]
    group: list[str] = []
    for file in order:
        if group and sum(size[one] for one in group) + size[file] > NEAR_BYTES:
            yield group
            group = []
        group.append(file)
    if group:
        yield group


def helpings(tests: list[str], seconds: dict[str, float]) -> Iterator[list[str]]:
    """Divide tests into a quick first helping and the rest, those of one file beside each other."""
    first: list[str] = []
    spent = 0.0
    for test in tests:
        if first and spent + seconds.get(test, 0.0) > FIRST_SECONDS:
            break
        first.append(test)
        spent += seconds.get(test, 0.0)
    for part in (first, tests[len(first) :]):
        if part:
            files = list(dict.fromkeys(test.partition("::")[0] for test in part))
            yield sorted(part, key=lambda test: files.index(test.partition("::")[0]))


def run_apart(copy: Path, tests: list[str], most_seconds: float, left_out: Iterable[str] = ()) -> str:
    """Run tests in a process split off from this one, which has the libraries; return what failed, or nothing.

    Raises
    ------
    LookupError
        Where the map names tests that are not there any more.
    """
    log = copy.parent / "said.txt"
    child = os.fork()
    if child == 0:
        # Nothing of this process may clean up behind the child: it ends here, whatever happens.
        try:
            os.setsid()
            os.chdir(copy)
            # By the clock of the processor: a busy machine kills nothing.
            resource.setrlimit(resource.RLIMIT_CPU, (math.ceil(most_seconds), math.ceil(most_seconds) + 1))
            signal.signal(signal.SIGXCPU, lambda *_: _name_the_endless(log))
            with log.open("w") as out:
                os.dup2(out.fileno(), 1)
                os.dup2(out.fileno(), 2)
            sys.path[:0] = [str(copy)]
            os.environ["PYTHONPATH"] = str(copy)
            import pytest

            words = ["-q", "-x", "-p", "no:cacheprovider", "--no-header", "--tb=line", f"--rootdir={copy}"]
            os._exit(int(pytest.main([*words, *(f"--deselect={one}" for one in left_out), *tests])))
        except BaseException as error:  # noqa: BLE001
            print(f"did not run: {error!r}", flush=True)
            os._exit(CRASHED)
    ends = time.monotonic() + BUSY * most_seconds
    while True:
        done, status = os.waitpid(child, os.WNOHANG)
        if done:
            break
        if time.monotonic() > ends:
            os.killpg(child, signal.SIGKILL)
            os.waitpid(child, 0)
            raise RuntimeError(f"the machine gave the tests no time within {BUSY * most_seconds:.0f} s")
        time.sleep(0.05)
    code = os.waitstatus_to_exitcode(status)
    if code in (-signal.SIGXCPU, -signal.SIGKILL):
        return f"{ENDLESS} within its time of the processor"
    if code in (PASSED, NO_TESTS):
        return ""
    said = log.read_text(errors="replace").splitlines()
    if code == CRASHED:
        raise RuntimeError("\n".join(said[-4:]))
    if code == NOT_FOUND and any("not found: " in line for line in said):
        raise LookupError(f"the map names tests that are not there any more: make it anew.\n{said[-4:]}")
    failed = [line for line in said if line.startswith(("FAILED", "ERROR"))]
    return (failed or said[-1:] or [f"ended with {code}"])[0]


def _name_the_endless(log: Path) -> None:
    with log.open("a") as out:
        test = os.environ.get("PYTEST_CURRENT_TEST", "").rpartition(" ")[0]
        print(f"\nFAILED {test} - {ENDLESS} within its time of the processor" if test else ENDLESS, file=out)
    os._exit(1)


def verdict(
    copy: Path,
    fault: Fault,
    tests: list[str],
    seconds: dict[str, float],
    sound_tests: dict[str, bool],
    *,
    nearby: float,
) -> str:
    """Plant a fault in the copy, run tests, take it out again; say what killed it, or nothing.

    A test that fails without the fault, too, kills nothing and is left out from then on.
    """
    path = copy / fault.file
    sound, stamp = path.read_text(encoding="utf-8"), path.stat()
    wrong = planted(sound, fault)

    def run_with(part: list[str], most: float) -> str:
        path.write_text(wrong, encoding="utf-8")
        try:
            return run_apart(copy, part, most, [test for test, passes in sound_tests.items() if not passes])
        finally:
            path.write_text(sound, encoding="utf-8")
            os.utime(path, ns=(stamp.st_atime_ns, stamp.st_mtime_ns))

    near = list(near_files(fault, round(FILES_A_SECOND * nearby))) if nearby else []
    waiting = near + list(helpings(tests, seconds))
    began = _spent_by_children()
    while waiting:
        part = waiting[0]
        timed = part not in near
        if not timed and _spent_by_children() - began > nearby:
            waiting.pop(0)
            continue
        most = (
            STARTING_SECONDS + SLOWER * sum(seconds.get(test, 0.0) for test in part) if timed else NEAR_SHARE * nearby
        )
        said = run_with(part, most)
        test = said.partition(" ")[2].partition(" - ")[0] if said.startswith(("FAILED", "ERROR")) else ""
        # How long whole files take is not known: many tests without an end say nothing, the one alone does.
        if said and not timed and ENDLESS in said:
            said = run_with([test], most) if test else ""
            said = said if ENDLESS in said else ""
        if not said:
            waiting.pop(0)
            continue
        if not test:
            return said
        if nearby and test not in sound_tests:
            return said  # whether it passes without the fault is asked of all of them at once: `--check`
        if test not in sound_tests:
            # A file that cannot even be collected is named without a test.
            words = [test] if "::" in test else ["--collect-only", test]
            sound_tests[test] = not run_apart(copy, words, max(most, STARTING_SECONDS))
        if sound_tests[test]:
            return said
        print(f"{test} fails without any fault: left out", file=sys.stderr)
        if test in part:
            part.remove(test)
    return ""


def _spent_by_children() -> float:
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


def judged(faults: dict[int, Fault], known: dict[str, dict], rows: Path, *, nearby: float) -> None:
    """Plant faults, run their tests, print and keep a row for each: the last one of a number counts."""
    os.environ |= {"PYTHONDONTWRITEBYTECODE": "1", "OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"}
    sys.dont_write_bytecode = True
    for name in LIBRARIES:
        importlib.import_module(name)
    sound_tests: dict[str, bool] = {}
    with tempfile.TemporaryDirectory() as folder:
        copy = Path(folder) / "copy"
        shutil.copytree(ROOT, copy, ignore=shutil.ignore_patterns(".git", ".venv", ".*_cache"))
        # Compiled once, so that no child has to: what a fault changes bears another time, and is never written.
        collected = [sys.executable, "-m", "pytest", "-q", "--collect-only", "-p", "no:cacheprovider"]
        ignored = [f"--ignore={place.rstrip('/')}" for place in LEFT_OUT_TESTS]
        environment = {k: v for k, v in os.environ.items() if k != "PYTHONDONTWRITEBYTECODE"} | {
            "PYTHONPATH": str(copy)
        }
        subprocess.run([*collected, *ignored], cwd=copy, env=environment, capture_output=True, check=False)
        for number, fault in faults.items():
            begun = time.perf_counter()
            tests = tests_of(fault, known)
            try:
                killed = verdict(copy, fault, tests, known["seconds"], sound_tests, nearby=nearby)
            except (LookupError, RuntimeError) as error:
                print(f"{number:4} left as it was: {error}", file=sys.stderr)
                continue
            row = {"number": number, **asdict(fault), "tests": len(tests), "killed": killed[:200]}
            with rows.open("a") as out:
                out.write(json.dumps(row) + "\n")
            print(f"{number:4} {told(row)} ({time.perf_counter() - begun:.0f} s)", flush=True)


def checked(rows: Path) -> None:
    """Run all tests that killed without any fault; take back the kills of those that fail."""
    kept = kept_rows(rows)
    by = {number: row["killed"].partition(" ")[2].partition(" - ")[0] for number, row in kept.items() if row["killed"]}
    tests = sorted({test for test in by.values() if "::" in test})
    words = ["-q", "-p", "no:cacheprovider", "--tb=no", *tests]
    out = subprocess.run(
        [sys.executable, "-m", "pytest", *words], cwd=ROOT, capture_output=True, text=True, check=False
    )  # fmt: skip
    failed = {
        line.partition(" ")[2].partition(" - ")[0]
        for line in out.stdout.splitlines()
        if line[:6] in ("FAILED", "ERROR ")
    }
    print(
        f"{len(tests)} tests killed; without a fault {len(failed)} of them fail: {sorted(failed)}\n{out.stdout[-300:]}"
    )
    with rows.open("a") as file:
        for number, test in by.items():
            if test in failed:
                file.write(json.dumps(kept[number] | {"killed": ""}) + "\n")


def told(row: dict) -> str:
    """Return one line on a fault."""
    texts = f"{row['before'][:50]!r} -> {row['after'][:50]!r}"
    return f"{'killed  ' if row['killed'] else 'SURVIVED'} {row['file']}:{row['line']} {row['operator']}: {texts}"


def kept_rows(rows: Path) -> dict[int, dict]:
    """Return the last row of every number, in their order; `first` says what killed it when it was first planted."""
    kept: dict[int, dict] = {}
    for line in rows.read_text().splitlines() if rows.exists() else []:
        row = json.loads(line)
        first = kept.get(row["number"], row)
        kept[row["number"]] = row | {"first": first.get("first", first["killed"])}
    return dict(sorted(kept.items()))


def difference(before: str, after: str, beside: int = 30) -> tuple[str, str]:
    """Return two texts cut to where they differ, with a little beside it.

    Examples
    --------
    >>> difference("f(a, rate=2.5)", "f(a, rate=5.5)", beside=5)
    ('…rate=2.5)', '…rate=5.5)')
    """

    def alike(a: str, b: str) -> int:
        return next((k for k, (x, y) in enumerate(zip(a, b, strict=False)) if x != y), min(len(a), len(b)))

    same = alike(before, after)
    tail = alike(before[same:][::-1], after[same:][::-1])
    low = max(0, same - beside)
    lead = "…" if low else ""

    def cut(text: str) -> str:
        high = min(len(text), len(text) - tail + beside)
        return f"{lead}{text[low:high]}{'…' if high < len(text) else ''}".replace("|", "\\|").replace("\n", " ")

    return cut(before), cut(after)


def report(rows: dict[int, dict], draw: str) -> str:
    """Return the page of a draw: how many, the survivors with what is argued of each, the killed."""
    argued = tomllib.loads(ARGUED.read_text(encoding="utf-8")).get("survivor", []) if ARGUED.exists() else []
    reasons = {(a["file"], a["operator"], a["before"]): a for a in argued}
    lived = [row for row in rows.values() if not row["killed"]]
    endless = sum(ENDLESS in row["killed"] for row in rows.values())
    at_first = sum(bool(row.get("first", row["killed"])) for row in rows.values())
    of = [reasons.get((row["file"], row["operator"], row["before"][:160])) for row in lived]
    kinds = [a["kind"] if a else "not argued" for a in of]
    lines = [
        "# Faults planted in the product", "",
        f"`mutants.py`, {draw}. Every fault was judged by test files that import its module and by tests that",
        "run its line, doctests included, nearest first, until one failed or their time was spent; what survived",
        "that, by further tests of the suite and by tests written since. Drawn from all places where an operator",
        "applies; none is picked by hand.", "",
        "| | faults |", "|---|---|",
        f"| killed | {len(rows) - len(lived)} of {len(rows)}, {100 * (len(rows) - len(lived)) / len(rows):.1f} % |",
        f"| of those, when they were first planted | {at_first} |",
        f"| of those, because the run had no end | {endless} |",
        *(f"| survived, {kind} | {kinds.count(kind)} |" for kind in sorted(set(kinds))),
        "", "## Survived", "", "| number | where | operator | before | after | |", "|---|---|---|---|---|---|",
    ]  # fmt: skip
    for row, why in zip(lived, of, strict=True):
        before, after = difference(row["before"], row["after"])
        said = f"{why['kind']}: {why['why']}" if why else "not argued"
        lines.append(f"| {row['number']} | {where(row)} | {row['operator']} | `{before}` | `{after}` | {said} |")
    lines += ["", "## Killed", "", "| number | where | operator | before | after | by |", "|---|---|---|---|---|---|"]
    for row in rows.values():
        if row["killed"]:
            before, after = difference(row["before"], row["after"])
            by = row["killed"].removeprefix("FAILED ").partition(" - ")[0].replace("|", "\\|")[:110]
            lines.append(f"| {row['number']} | {where(row)} | {row['operator']} | `{before}` | `{after}` | {by} |")
    return "\n".join(lines) + "\n"


def where(row: dict) -> str:
    """Return file and line of a fault within the package."""
    return f"{row['file'].removeprefix('teachlab/')}:{row['line']}"


def main() -> None:
    """Plant, run, print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--map", nargs=argparse.REMAINDER, help="words behind it go to pytest; files are added")
    parser.add_argument("--count", type=int, default=200)
    parser.add_argument("--start", type=int, default=0)
    parser.add_argument("--stop", type=int)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--since", default="", help="a revision: draw from lines written or changed since then")
    parser.add_argument(
        "--near",
        type=float,
        nargs="?",
        const=10.0,
        default=0.0,
        help="first the test files that import the module, for so many s",
    )
    parser.add_argument("--check", action="store_true", help="run what killed without any fault: it must pass")
    parser.add_argument("--again", action="store_true", help="only what survived, on the code of now")
    parser.add_argument("--write", action="store_true", help="write the page of the seed in results from the rows kept")
    parser.add_argument("--draw", default="", help="with --write: what the page says of the draw")
    parser.add_argument("--kept", type=Path, default=Path(tempfile.gettempdir()) / "mutants_map.json")
    parser.add_argument("--rows", type=Path, default=Path(tempfile.gettempdir()) / "mutants.jsonl")
    options = parser.parse_args()
    if options.map is not None:
        coverage_map(options.kept, options.map)
        return
    if options.check:
        checked(options.rows)
        return
    kept = kept_rows(options.rows)
    if not options.write:
        if options.again:
            fields = Fault.__dataclass_fields__
            lived = {number: row for number, row in kept.items() if not row["killed"]}
            faults = {number: Fault(**{name: row[name] for name in fields}) for number, row in lived.items()}
        else:
            drawn_now = drawn(ROOT / "teachlab", options.count, options.seed, options.since)
            chosen = range(len(drawn_now))[options.start : options.stop]
            faults = {number: drawn_now[number] for number in chosen if number not in kept}
        judged(faults, json.loads(options.kept.read_text()), options.rows, nearby=options.near)
        kept = kept_rows(options.rows)
    if options.write:
        draw = options.draw or f"draw of {options.count} by seed {options.seed}"
        if len(kept) < options.count and not options.draw:
            draw += f": the first {len(kept)} in the order in which they were drawn; the others were not planted"
        name = "mutants.md" if options.seed == 1 else f"mutants_seed_{options.seed}.md"
        (RESULTS / name).write_text(report(kept, draw), encoding="utf-8")
    survived = sum(not row["killed"] for row in kept.values())
    print(f"{len(kept)} planted, {len(kept) - survived} killed, {survived} survived")


if __name__ == "__main__":
    main()
