"""The rules of the house: what a folder, a file and a name must be so that people find their way."""

from __future__ import annotations

import ast
import io
import re
import sys
import tokenize
from collections import Counter, defaultdict
from collections.abc import Iterator
from graphlib import TopologicalSorter
from importlib import import_module
from importlib.metadata import packages_distributions
from pathlib import Path

import pytest

import teachlab

ROOT = Path(teachlab.__file__).parent
REPOSITORY = ROOT.parent
ONE_FILE_EACH = ("teaching/strategies", "cli")
"""Folders with one file a strategy or command may hold as many as there are."""
TESTS_ONE_FILE_EACH = ("cli", "reference", "properties")
MOST_FILES = 15
LONGEST = 16
"""Modules in a row, each imported by the one before it; imports for annotations alone do not count."""
BARE = frozenset(
    ("measured", "counted", "asked", "taught", "look", "reach", "fold", "cover", "stretch", "hardly", "lost", "own",
     "one", "other", "found")
)  # fmt: skip
"""Words that say nothing about the line without a noun."""
ROOMS = sorted(
    path.stem
    for path in (ROOT / "questions").iterdir()
    if path.stem not in ("__init__", "verdict") and (path.suffix == ".py" or (path / "__init__.py").exists())
)
"""Rooms of questions; the verdict on a setting is no command but what the others say first."""
BESIDE = frozenset(
    ("Limit", "MOST_LEVELS", "Question", "USUAL_LIMITS", "cycle_of", "read_levels", "in_words", "range_in_words")
)  # fmt: skip
"""What commands need to read the words that were typed, and to word a time or a place."""
TAUGHT = "Taught"
"""The history in a setting bears the word that the file contract gives it."""


def modules() -> Iterator[tuple[Path, ast.Module]]:
    for file in sorted(ROOT.rglob("*.py")):
        yield file, ast.parse(file.read_text(encoding="utf-8"))


def own_files(folder: Path) -> int:
    return sum(file.suffix == ".py" and file.name not in ("__init__.py", "conftest.py") for file in folder.iterdir())


@pytest.mark.parametrize(("root", "free"), [(ROOT, ONE_FILE_EACH), (REPOSITORY / "tests", TESTS_ONE_FILE_EACH)])
def test_a_folder_holds_at_most_fifteen_files(root: Path, free: tuple[str, ...]) -> None:
    folders = [root, *(f for f in root.rglob("*") if f.is_dir() and "__pycache__" not in f.parts)]
    crowded = {
        str(folder.relative_to(root)): own_files(folder)
        for folder in folders
        if folder.relative_to(root).as_posix() not in free and own_files(folder) > MOST_FILES
    }
    assert not crowded


def test_what_a_command_prints_as_json_is_made_by_its_answer() -> None:
    """No dict literal reaches `emit_json`, neither directly nor by a function of the command's own file."""
    for file in sorted((ROOT / "cli").glob("*.py")):
        tree = ast.parse(file.read_text(encoding="utf-8"))
        makes = {
            function.name
            for function in ast.walk(tree)
            if isinstance(function, ast.FunctionDef)
            for node in ast.walk(function)
            if isinstance(node, ast.Return) and isinstance(node.value, ast.Dict)
        }
        literal = {
            target.id
            for node in ast.walk(tree)
            if isinstance(node, (ast.Assign, ast.AnnAssign)) and isinstance(node.value, (ast.Dict, ast.DictComp))
            for target in (node.targets if isinstance(node, ast.Assign) else [node.target])
            if isinstance(target, ast.Name)
        }
        for node in ast.walk(tree):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "emit_json":
                (document, *_) = node.args
                where = f"{file.name}:{node.lineno}"
                assert not isinstance(document, ast.Dict), where
                assert not (isinstance(document, ast.Name) and document.id in literal), where
                called = document.func if isinstance(document, ast.Call) else None
                assert not (isinstance(called, ast.Name) and called.id in makes), where


def test_names_of_files_classes_and_functions_say_a_noun() -> None:
    bare = []
    for file, tree in modules():
        names = [file.stem] + [
            node.name
            for node in tree.body
            if isinstance(node, (ast.ClassDef, ast.FunctionDef)) and not node.name.startswith("_")
        ]
        bare += [f"{file.relative_to(ROOT)}: {name}" for name in names if name.lower() in BARE and name != TAUGHT]
    assert not bare


def test_no_benchmark_hides_a_library() -> None:
    # A script's folder is searched first: there, what bears the name of a library is imported in its place where that
    # library is not installed, as `coverage` by numba, which takes it where it finds it.
    libraries = sys.stdlib_module_names | set(packages_distributions()) | {"coverage"}
    here = REPOSITORY / "benchmarks"
    hidden = [
        str(path.relative_to(here))
        for path in here.rglob("*")
        if (path.is_dir() or path.suffix == ".py") and path.stem in libraries
    ]
    assert not hidden


def test_a_public_class_name_stands_once() -> None:
    where: dict[str, list[str]] = defaultdict(list)
    for file, tree in modules():
        for node in tree.body:
            if isinstance(node, ast.ClassDef) and not node.name.startswith("_"):
                where[node.name].append(str(file.relative_to(ROOT)))
    assert {name: files for name, files in where.items() if len(files) > 1} == {}


def test_only_model_and_sensor_ask_which_level_activates() -> None:
    """Elsewhere a setting says it: `activation`, `release`, and what its delays hold back and on."""
    asking = [
        f"{file.relative_to(ROOT)}:{node.lineno}"
        for file, tree in modules()
        if file.relative_to(ROOT).parts[0] not in ("model", "sensor")
        for node in ast.walk(tree)
        if isinstance(node, ast.Compare)
        and isinstance(node.ops[0], (ast.Is, ast.IsNot))
        and re.search(r"polarity$", ast.unparse(node.left))
    ]
    assert not asking


@pytest.mark.parametrize(
    ("name", "home"),
    [
        ("teach_draws", "teaching/once.py"),
        ("best_fixed", "questions/surface/hindsight.py"),
        ("reasons_of", "scoring/reasons.py"),
        ("worth_of", "questions/stress/worth.py"),
        ("open_pair", "data/opening.py"),
        ("setting_in_words", "model/setting_words.py"),
        ("cure_reason", "questions/feasibility/tried_cures.py"),
        ("write_results", "cli/writing.py"),
    ],
)
def test_a_question_has_one_home(name: str, home: str) -> None:
    homes = [
        str(file.relative_to(ROOT).as_posix())
        for file, tree in modules()
        for node in tree.body
        if isinstance(node, ast.FunctionDef) and node.name == name
    ]
    assert homes == [home]


def test_the_draws_of_a_strategy_are_taught_in_one_place() -> None:
    """Who catches abstentions of `teach_once` in a loop makes a second way of what a failure is."""
    looping = [
        f"{file.relative_to(ROOT)}:{node.lineno}"
        for file, tree in modules()
        if file.relative_to(ROOT).as_posix() not in ("teaching/once.py", "testing/suite.py")
        for loop in ast.walk(tree)
        if isinstance(loop, (ast.For, ast.ListComp, ast.DictComp, ast.GeneratorExp))
        for node in ast.walk(loop)
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "teach_once"
    ]
    assert not looping


def test_a_question_hands_on_one_function_and_one_value() -> None:
    """A room with several commands hands on as many functions; a question in one file is read by its `__all__` too."""
    for room in ROOMS:
        kinds = Counter(name[0].isupper() for name in import_module(f"teachlab.questions.{room}").__all__)
        assert kinds == ({True: 2, False: 5} if room == "surroundings" else {True: 1, False: 1}), room


def test_commands_ask_a_question_through_its_room_alone() -> None:
    """Beside the question, a command takes only its figure, and words in and out."""
    beside = [
        f"{file.name}: {node.module}: {name.name}"
        for file in sorted((ROOT / "cli").glob("*.py"))
        for node in run_time_imports(ast.parse(file.read_text(encoding="utf-8")))
        if (node.module or "").startswith("teachlab.questions.")
        and node.module.count(".") > 2  # type: ignore[union-attr]
        and not node.module.endswith("figure")  # type: ignore[union-attr]
        for name in node.names
        if name.name not in BESIDE
    ]
    assert not beside


def run_time_imports(tree: ast.Module) -> Iterator[ast.ImportFrom]:
    typing = {
        id(inner)
        for node in ast.walk(tree)
        if isinstance(node, ast.If) and ast.unparse(node.test) == "TYPE_CHECKING"
        for inner in ast.walk(node)
    }
    yield from (node for node in ast.walk(tree) if isinstance(node, ast.ImportFrom) and id(node) not in typing)


def test_the_guide_for_developers_names_every_room() -> None:
    rows = dict(re.findall(r"^\| `([\w.]+)/?` \| (.*) \|$", (REPOSITORY / "DEVELOPERS.md").read_text("utf-8"), re.M))
    there = {path.name for path in ROOT.iterdir() if path.suffix == ".py" or (path / "__init__.py").exists()}
    assert there - set(rows) == {"__init__.py", "__main__.py"}
    for room in [*ROOMS, "verdict"]:
        assert room in rows["questions"], room


def test_no_room_bears_the_name_of_a_verb() -> None:
    """`teachlab.replay` must stay a function, whatever submodules are imported."""
    rooms = {path.stem for path in ROOT.iterdir() if path.is_dir() or path.suffix == ".py"}
    assert not rooms & set(teachlab.__all__)


def test_comments_say_why_where_a_reader_would_stop() -> None:
    """A goal of two in a hundred lines; fewer than 1.4 means that fast or odd code came without its reason."""
    lines = comments = 0
    for file in ROOT.rglob("*.py"):
        text = file.read_text(encoding="utf-8")
        lines += text.count("\n")
        tokens = tokenize.generate_tokens(io.StringIO(text).readline)
        comments += sum(token.type == tokenize.COMMENT for token in tokens)
    assert comments / lines >= 0.014


# Percentages end at 100, days at 24 h, and a half is a half: these are no constants of ours.
NATURAL = frozenset(("0", "1", "2", "100", "24", "0.5", "100 %"))
TYPED = re.compile(r"(?<![\w.,#{/-])(\d+(?:[,.]\d+)*)(?: ?(%))?(?![\w])")


def constants(tree: ast.Module) -> dict[str, float]:
    """Return the numbers that a module names in capitals."""
    return {
        node.targets[0].id: node.value.value
        for node in tree.body
        if isinstance(node, ast.Assign)
        and isinstance(node.targets[0], ast.Name)
        and isinstance(node.value, ast.Constant)
        and type(node.value.value) in (int, float)
    }


def typed_numbers(tree: ast.AST) -> Iterator[tuple[int, str]]:
    """Yield (line, number) of every number that is typed within a sentence of these nodes, docstrings left out."""
    told = {id(node.value) for node in ast.walk(tree) if isinstance(node, ast.Expr)}
    for node in ast.walk(tree):
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in told:
            text = re.sub(r"5(–| to )95 %|schema \d(, \d)*( or \d)?|schema must be [\d, or]*", "", node.value)
            for number, percent in TYPED.findall(text) if " " in text.strip() else ():
                yield node.lineno, f"{number} %" if percent else number


def as_typed(value: float) -> set[str]:
    shares = {f"{100 * value:g} %", f"{100 * (1 - value):g} %"} if isinstance(value, float) else set()
    return {f"{value:g}", f"{value:,}", *shares} - NATURAL


def test_a_constant_in_a_sentence_is_printed_from_the_constant() -> None:
    """Neither a constant that a module names or imports, nor a bound just compared with, is typed again in words."""
    trees = dict(modules())
    named = {
        ".".join(("teachlab", *file.relative_to(ROOT).with_suffix("").parts)): constants(t) for file, t in trees.items()
    }
    again = []
    for file, tree in trees.items():
        if file.name == "commands.py":  # examples are calls, not sentences
            continue
        known = dict(constants(tree))
        for node in ast.walk(tree):
            if isinstance(node, ast.ImportFrom):
                known |= {
                    a.name: named[node.module][a.name] for a in node.names if a.name in named.get(node.module or "", {})
                }
        texts = {text: name for name, value in known.items() for text in as_typed(value)}
        where = file.relative_to(ROOT).as_posix()
        again += [
            f"{where}:{line}: {number} is {texts[number]}" for line, number in typed_numbers(tree) if number in texts
        ]
        for node in ast.walk(tree):
            if isinstance(node, ast.If):
                held = {
                    f"{c.value:g}"
                    for c in ast.walk(node.test)
                    if isinstance(c, ast.Constant) and type(c.value) in (int, float)
                }
                body = ast.Module(body=node.body, type_ignores=[])
                again += [f"{where}:{line}: {n} is compared" for line, n in typed_numbers(body) if n in held - NATURAL]
    assert not again


def test_typed_numbers_are_found_and_names_and_examples_are_not() -> None:
    found = typed_numbers(ast.parse("raise Fault(f'{x} shown, at least 8 or 12.5 % are needed; a-4, schema 3')"))
    assert [number for _, number in found] == ["8", "12.5 %"]
    assert as_typed(0.1) == {"0.1", "10 %", "90 %"}
    assert as_typed(20_000) == {"20000", "20,000"}


def name_of(file: Path) -> str:
    parts = file.relative_to(ROOT.parent).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def imports() -> dict[str, set[str]]:
    """Return the modules of the package that each of them imports, also within functions."""
    trees = {name_of(file): tree for file, tree in modules()}
    graph = {}
    for module, tree in trees.items():
        for block in ast.walk(tree):
            if isinstance(block, ast.If) and ast.unparse(block.test) == "TYPE_CHECKING":
                block.body = []
        found = set()
        for node in ast.walk(tree):
            if isinstance(node, ast.ImportFrom):
                found |= {f"{node.module}.{alias.name}" for alias in node.names} | {str(node.module)}
            elif isinstance(node, ast.Import):
                found |= {alias.name for alias in node.names}
        own = set()
        for name in found:
            while name and name not in trees:
                name = name.rpartition(".")[0]
            own.add(name)
        graph[module] = own - {"", "teachlab", module}
    return graph


def test_no_module_comes_back_to_itself_and_no_row_of_imports_is_longer() -> None:
    """A reader who follows one import comes to an end; a circle is an error of the sorter, which names it."""
    graph, rows = imports(), dict[str, tuple[str, ...]]()
    for name in TopologicalSorter(graph).static_order():
        rows[name] = (name, *max((rows[other] for other in graph[name]), key=len, default=()))
    longest = max(rows.values(), key=len)
    assert len(longest) <= LONGEST, " <- ".join(longest)
