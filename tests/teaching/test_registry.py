"""Finding strategies: by name, by file, plugged in, broken, claimed twice."""

from __future__ import annotations

import ast
import hashlib
import inspect
import pickle
import subprocess
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass, fields
from importlib.metadata import EntryPoint
from pathlib import Path

import pytest

from teachlab.errors import ParameterError, StrategyError
from teachlab.model.teaching import Shown, Strategy
from teachlab.teaching import registry, resolve
from teachlab.teaching.registry import BUILT_IN, StrategyOrigin, installed_class, listings, source_fingerprint

MINE = '''
from dataclasses import dataclass, fields
from typing import ClassVar

from teachlab.model.setting import Taught
from teachlab.model.teaching import Shown

@dataclass(frozen=True)
class Fixed:
    """Always the same level."""

    name: ClassVar[str] = "{name}"
    needs: ClassVar[frozenset[Shown]] = frozenset({{Shown.SWEEP}})
    level: float = 5.0

    def teach(self, view):
        return view.place(self.level, 0.0, Taught(strategy=self.name))
'''


@dataclass(frozen=True)
class _Distribution:
    name: str


def entry(name: str, value: str, distribution: str = "outside") -> EntryPoint:
    point = EntryPoint(name, value, registry.GROUP)
    vars(point)["dist"] = _Distribution(distribution)
    return point


Plug = Callable[..., None]


@pytest.fixture
def plug(monkeypatch: pytest.MonkeyPatch) -> Iterator[Plug]:
    """Pretend that these entry points are installed, and nothing else."""
    registry._claims.cache_clear()

    def install(*points: EntryPoint) -> None:
        monkeypatch.setattr(registry, "plug_ins", lambda: points)
        registry._claims.cache_clear()

    install()
    yield install
    monkeypatch.undo()
    registry._claims.cache_clear()


@pytest.fixture
def outside(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder from which modules can be imported."""
    monkeypatch.syspath_prepend(str(tmp_path))
    monkeypatch.setattr(sys, "dont_write_bytecode", True)
    return tmp_path


def _names() -> tuple[str, ...]:
    return tuple(one.name for one in listings())


@pytest.mark.usefixtures("plug")
def test_the_built_in_strategies() -> None:
    assert _names()[:4] == ("single-sample", "background-referenced", "sweep-minmax", "two-sample-midpoint")
    assert _names() == tuple(BUILT_IN)
    for name in BUILT_IN:
        made = resolve(name)
        assert made.name == name
        assert isinstance(made, Strategy)
    assert all(one.origin is StrategyOrigin.BUILT_IN for one in listings())
    assert {one.name: one.needs for one in listings()} == {
        "single-sample": ("object",),
        "background-referenced": ("background",),
        "sweep-minmax": ("sweep",),
        "two-sample-midpoint": ("background", "object"),
        "guard-or-window": ("events",),
        "balanced-guard": ("events",),
        "quantile-guard": ("events",),
        "filtered-guard": ("events",),
        "ratio-midpoint": ("events",),
        "noise-weighted-midpoint": ("events",),
        "tail-balanced": ("events",),
        "neyman-pearson": ("events",),
        "contamination-aware": ("events",),
        "minimax-regret": ("events",),
        "stepped-trim": ("events",),
        "between-class-variance": ("sweep",),
        "iterative-mean": ("sweep",),
        "minimum-error": ("sweep",),
        "two-component-mixture": ("sweep",),
        "background-follower": ("events",),
        "turning-point-follower": ("events",),
        "two-threshold": ("events",),
        "designed": ("events",),
    }


@pytest.mark.usefixtures("plug")
def test_parameters_are_set_from_values() -> None:
    made = resolve("single-sample", {"sample": "background", "reduction": 0.4})
    assert made.needs == {Shown.BACKGROUND}
    assert (made.reduction, made.hysteresis_share) == (0.4, 0.02)  # type: ignore[attr-defined]
    with pytest.raises(ParameterError, match=r"parameter 'reduction'.* must be a finite number, got '0.4'"):
        resolve("single-sample", {"reduction": "0.4"})
    with pytest.raises(ParameterError, match=r"parameter 'reduction'.* must be above 0 and below 1, got 4"):
        resolve("single-sample", {"reduction": 4})
    with pytest.raises(ParameterError, match=r"has no parameter 'redction'. Did you mean 'reduction'"):
        resolve("single-sample", {"redction": 0.4})


@pytest.mark.usefixtures("plug")
def test_a_typing_error_is_answered_with_the_nearest_name() -> None:
    with pytest.raises(StrategyError, match=r"named 'two-sample-midpont'. Did you mean 'two-sample-midpoint'\?"):
        resolve("two-sample-midpont")
    with pytest.raises(StrategyError, match=r"named 'xyz'. Installed: background-follower, background-referenced"):
        resolve("xyz")


def test_a_plug_in_is_an_equal(plug: Plug, outside: Path) -> None:
    (outside / "outside_fixed.py").write_text(MINE.format(name="fixed-level"))
    plug(entry("fixed-level", "outside_fixed:Fixed", "outside-strategies"))
    made = resolve("fixed-level", {"level": 7})
    assert made.level == 7.0  # type: ignore[attr-defined]
    listed = listings()[-1]
    assert (listed.name, listed.origin, listed.needs) == ("fixed-level", StrategyOrigin.PLUG_IN, ("sweep",))
    assert listed.source == "outside_fixed:Fixed (outside-strategies)"
    assert listed.summary == "Always the same level."
    assert [p.name for p in listed.parameters] == ["level"]


def test_plug_ins_are_not_imported_before_they_are_used(plug: Plug, outside: Path) -> None:
    (outside / "outside_lazy.py").write_text("raise RuntimeError('imported')")
    plug(entry("lazy", "outside_lazy:Lazy"))
    assert "lazy" in _names()
    assert resolve("single-sample").name == "single-sample"
    assert "outside_lazy" not in sys.modules


@pytest.mark.parametrize(
    ("content", "value", "reason"),
    [
        ("raise RuntimeError('no licence file')", "m:Thing", "RuntimeError: no licence file"),
        ("import sys; sys.exit(3)", "m:Thing", "SystemExit: 3"),
        ("x = (", "m:Thing", "SyntaxError"),
        ("", "m:Thing", "AttributeError"),
        ("", "not_there_at_all:Thing", "ModuleNotFoundError"),
        ("Thing = 5", "m:Thing", "must be a class, got int"),
        ("class Thing: name = 'broken'", "m:Thing", "it has no needs, teach"),
        ("class Thing:\n name = ''\n needs = ()\n def teach(self, view): ...", "m:Thing", "class variable `name`"),
        (MINE.format(name="other"), "m:Fixed", "calls itself 'other'"),
        (MINE.format(name="broken").replace("Shown.SWEEP", "'smell'"), "m:Fixed", "'smell' is not a valid Shown"),
    ],
)
def test_a_broken_plug_in_is_listed_and_fails_only_when_used(
    plug: Plug, outside: Path, content: str, value: str, reason: str
) -> None:
    module = "outside_broken_" + hashlib.sha256((content + value).encode()).hexdigest()[:8]
    (outside / f"{module}.py").write_text(content)
    plug(entry("broken", value.replace("m:", f"{module}:"), "shaky"))
    assert resolve("single-sample").name == "single-sample"
    broken = listings()[-1]
    assert (broken.name, broken.origin) == ("broken", StrategyOrigin.BROKEN)
    assert reason in broken.reason
    assert "shaky" in broken.source
    if "smell" not in content:  # what a strategy needs is asked when it teaches
        with pytest.raises(StrategyError) as refusal:
            resolve("broken")
        assert reason in str(refusal.value)


@pytest.mark.parametrize("name", ["single-sample", "taken"])
def test_two_claims_to_one_name_are_an_error_that_names_both(plug: Plug, name: str) -> None:
    plug(entry("taken", "a:B", "first-pack"), entry(name, "c:D", "second-pack"))
    with pytest.raises(StrategyError, match=rf"claim the name '{name}'.*\(second-pack\)") as refusal:
        resolve("sweep-minmax")
    assert ("first-pack" if name == "taken" else "built in") in str(refusal.value)


def test_entry_points_are_read_once(monkeypatch: pytest.MonkeyPatch, plug: Plug) -> None:
    calls = []
    monkeypatch.setattr(registry, "plug_ins", lambda: calls.append(1) or ())
    registry._claims.cache_clear()
    listings()
    listings()
    resolve("single-sample")
    assert len(calls) == 1


@pytest.mark.usefixtures("plug")
class TestFromFile:
    def test_a_class_in_a_file_needs_no_installation(self, tmp_path: Path) -> None:
        path = tmp_path / "mine.py"
        path.write_text(MINE.format(name="single-sample"))
        made = resolve(f"{path}:Fixed", {"level": 2.5})
        assert made.level == 2.5  # type: ignore[attr-defined]
        assert isinstance(made, Strategy)
        assert list(tmp_path.iterdir()) == [path]  # nothing is written beside it
        assert resolve(f"{path}:Fixed").__class__ is made.__class__

    def test_a_relative_path_works(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        (tmp_path / "mine.py").write_text(MINE.format(name="x"))
        monkeypatch.chdir(tmp_path)
        assert resolve("./mine.py:Fixed").name == resolve("mine.py:Fixed").name == "x"

    def test_an_edited_file_is_read_again(self, tmp_path: Path) -> None:
        path = tmp_path / "mine.py"
        path.write_text(MINE.format(name="before"))
        first = resolve(f"{path}:Fixed")
        path.write_text(MINE.format(name="after"))
        assert (first.name, resolve(f"{path}:Fixed").name) == ("before", "after")

    @pytest.mark.parametrize(
        ("content", "ask", "message"),
        [
            (MINE.format(name="x"), "mine.py:Fixd", "no class 'Fixd'. .*strategies in it: Fixed"),
            (MINE.format(name="x"), "mine.py", "no class is named. .*strategies in it: Fixed"),
            ("", "mine.py:Any", "strategies in it: none"),
            ("x = 5", "mine.py:x", "must be a class, got int"),
            ("class A: pass", "mine.py:A", "it has no name, needs, teach"),
            ("1/0", "mine.py:A", "cannot be loaded: ZeroDivisionError"),
            ("def", "mine.py:A", "cannot be loaded: SyntaxError"),
            (None, "mine.py:A", "there is no such file"),
        ],
    )
    def test_what_cannot_be_used_says_why(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, content: str | None, ask: str, message: str
    ) -> None:
        if content is not None:
            (tmp_path / "mine.py").write_text(content)
        monkeypatch.chdir(tmp_path)
        with pytest.raises(StrategyError, match=message):
            resolve(f"./{ask}")

    def test_a_parameter_without_default_must_be_set(self, tmp_path: Path) -> None:
        path = tmp_path / "mine.py"
        path.write_text(MINE.format(name="x").replace("level: float = 5.0", "level: float"))
        with pytest.raises(StrategyError, match=r"for: level. Set it with --set level=…, in a study with --grid."):
            resolve(f"{path}:Fixed")
        assert resolve(f"{path}:Fixed", {"level": 1}).level == 1.0  # type: ignore[attr-defined]

    def test_a_constructor_that_fails_is_named(self, tmp_path: Path) -> None:
        path = tmp_path / "mine.py"
        path.write_text(MINE.format(name="x") + "    def __post_init__(self):\n        raise KeyError('lens')\n")
        with pytest.raises(StrategyError, match="strategy 'x' cannot be built: KeyError: 'lens'"):
            resolve(f"{path}:Fixed")


@pytest.mark.usefixtures("plug")
class TestNeighbours:
    def test_a_file_imports_its_neighbour_and_each_folder_has_its_own(self, tmp_path: Path) -> None:
        for name, level in (("one", 3.0), ("two", 4.0)):
            (tmp_path / name).mkdir()
            (tmp_path / name / "level_beside.py").write_text(f"LEVEL = {level}\n")
            content = MINE.format(name=name).replace("float = 5.0", "float = LEVEL")
            (tmp_path / name / "mine.py").write_text("from level_beside import LEVEL\n" + content)
        made = [resolve(f"{tmp_path / name / 'mine.py'}:Fixed") for name in ("one", "two")]
        assert [one.level for one in made] == [3.0, 4.0]  # type: ignore[attr-defined]
        assert not list(tmp_path.rglob("*.pyc"))

    def test_a_neighbour_does_not_stand_in_for_an_installed_module(self, tmp_path: Path) -> None:
        (tmp_path / "colorsys.py").write_text("raise RuntimeError('not the library')\n")
        (tmp_path / "mine.py").write_text("import colorsys\n" + MINE.format(name="x"))
        assert resolve(f"{tmp_path / 'mine.py'}:Fixed").name == "x"

    def test_a_class_in_a_file_comes_back_from_a_pickle_in_another_process(self, tmp_path: Path) -> None:
        (tmp_path / "mine.py").write_text(MINE.format(name="x"))
        made = resolve(f"{tmp_path / 'mine.py'}:Fixed", {"level": 2.5})
        code = "import pickle, sys; print(pickle.load(sys.stdin.buffer).level)"

        def elsewhere() -> subprocess.CompletedProcess[bytes]:
            return subprocess.run([sys.executable, "-c", code], input=pickle.dumps(made), capture_output=True)

        assert elsewhere().stdout.strip() == b"2.5"
        (tmp_path / "mine.py").write_text(MINE.format(name="y"))
        assert b"mine.py has been changed since its strategy was loaded" in elsewhere().stderr


@pytest.mark.usefixtures("plug")
def test_no_file_is_loaded_for_what_data_names(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "evil.py").write_text("from pathlib import Path\nPath('marker').touch()\n" + MINE.format(name="evil"))
    monkeypatch.chdir(tmp_path)
    monkeypatch.syspath_prepend(str(tmp_path))
    for name in ("./evil.py:Fixed", "evil.py:Fixed", f"{tmp_path}/evil.py:Fixed", "evil:Fixed", "evil", "evil.py"):
        with pytest.raises(StrategyError, match="no strategy is named"):
            installed_class(name)
    assert not (tmp_path / "marker").exists()
    resolve("./evil.py:Fixed")
    assert (tmp_path / "marker").exists()


def test_only_what_a_person_typed_reaches_the_loader_of_files() -> None:
    """Rooms that read data never import the functions that run a file."""
    package = Path(registry.__file__).parents[1]
    loaders = {"strategy_class", "resolve", "strategy_files"}
    seen = 0
    for room in ("model", "data", "evidence", "questions", "scoring", "switching", "wording", "studies"):
        for file in (package / room).rglob("*.py"):
            seen += 1
            for node in ast.walk(ast.parse(file.read_text())):
                if isinstance(node, ast.ImportFrom | ast.Import):
                    named = {alias.name.rpartition(".")[2] for alias in node.names}
                    module = getattr(node, "module", None) or ""
                    assert not named & loaders, file
                    assert not module.endswith("strategy_files"), file
                if isinstance(node, ast.Call) and isinstance(node.func, ast.Name):
                    assert node.func.id not in {"exec", "eval", "compile", "__import__"}, file
    assert seen > 100
    assert "strategy_files" not in Path(registry.__file__).read_text()


def test_fingerprint_is_the_digest_of_the_source_file(tmp_path: Path) -> None:
    path = tmp_path / "mine.py"
    path.write_text(MINE.format(name="x"))
    made = resolve(f"{path}:Fixed")
    expected = hashlib.sha256(path.read_bytes()).hexdigest()
    assert source_fingerprint(made) == source_fingerprint(type(made)) == expected
    assert source_fingerprint(resolve("single-sample")) != source_fingerprint(resolve("sweep-minmax"))


def test_a_class_without_a_source_file_has_no_fingerprint() -> None:
    scope: dict[str, type[Strategy]] = {}
    exec("class Typed:\n    name = 'typed'\n    __module__ = 'nowhere_at_all'\n", scope)
    with pytest.raises(StrategyError, match=r"'typed' .* has no source file"):
        source_fingerprint(scope["Typed"])


@pytest.mark.parametrize("name", BUILT_IN)
def test_every_built_in_strategy_is_documented(name: str) -> None:
    """Formula, reference, when it fails and an example; a line with unit or range for every parameter."""
    made = installed_class(name)
    text = inspect.getdoc(made)
    assert text is not None
    for heading in ("Parameters\n----------", "Notes\n-----", "References\n----------", "When it fails", "Examples"):
        assert heading in text
    told = {one for line in text.splitlines() if " : " in line for one in line.split(" : ")[0].split(", ")}
    assert {field.name for field in fields(made)} <= told
