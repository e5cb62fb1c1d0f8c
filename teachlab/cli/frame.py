"""The common frame of the commands: examples, ranges, memory, and results that never replace inputs."""

from __future__ import annotations

import functools
import inspect
import os
import re
from collections.abc import Callable, Container, Iterable, Iterator, Mapping
from pathlib import Path
from typing import Annotated, Any, get_type_hints

import typer

from teachlab.cli.options import APART
from teachlab.cli.ranges import RANGES, hold, is_number, range_of, with_range
from teachlab.cli.writing import check_folder, need_name
from teachlab.errors import InputError

Memory = Annotated[
    float | None,
    typer.Option(
        "--memory", help="Largest memory to use, GB. Default: half of what is free.", rich_help_panel="Limits"
    ),
]
Force = Annotated[bool, typer.Option("--force", help="Write over a file of another kind.", rich_help_panel="Limits")]
SINGLE = ("plot", "speed_out", "bundle")
"""Parameters that name a picture or a bundle, written beside the result: always a single file."""
RESULTS = ("out", "edges", *SINGLE)
"""Parameters that name what a command writes; every other text may name an input."""
WRITES: Mapping[str, Mapping[str, str]] = {
    "synth": {"parquet": "a recording", "csv": "a raw log"},
    "import": {"parquet": "a recording"},
    "align": {"parquet": "a recording"},
    "label": {"parquet": "a table of passes", "csv": "a table of passes"},
    "teach": {"*": "a setting"},
    "design": {"*": "a setting"},
    "identify": {"*": "a setting"},
    "replay": {"parquet": "a table of edges", "csv": "a table of edges"},
}
"""What commands write, by the ending of its name; pictures, pages and JSON documents need no other check."""
ASSUMED_STRATEGIES = 25
"""Assumed if a command decides by itself how many strategies it teaches."""
USUAL = {
    "svg": "an SVG picture",
    "png": "a PNG picture",
    "pdf": "a PDF",
    "html": "a page",
    "zip": "a bundle",
    "json": "another JSON file",
}
IN_FOLDERS: Mapping[str, Mapping[str, str]] = {
    "bench": {
        "bench.json": "a bench", "draws.parquet": "the draws of a bench", "*.svg": "an SVG picture",
        "*.setting.json": "a setting",
    },
    "study": {"study.json": "a study", "study.html": "a page"},
    "report": {
        "result.json": "an evidence record", "report.html": "a page", "report.pdf": "a PDF", "levels.html": "a page",
    },
    "demo": {"teachlab-demo.svg": "an SVG picture", "teachlab-demo.html": "a page"},
}  # fmt: skip
"""Names that a command writes in the folder of --out, and their contents."""
ALIKE = {("an abstention", "an evidence record"), ("an evidence record", "an abstention")}
"""What report writes about a setting and about an abstention: each may replace the other."""


def explain(app: typer.Typer, examples: Iterable[str], *, before: str = "teachlab") -> None:
    """Put the examples below the help of every command, and let its paragraphs follow the width."""
    for command in app.registered_commands:
        words = f"{before} {command.name}"
        command.epilog = "\n\n".join(f"Example: {line}" for line in examples if f"{line} ".startswith(f"{words} "))
        text = (command.callback.__doc__ or "") if command.callback is not None else ""
        paragraphs = re.split(r"\n\s*\n", text.strip())
        command.help = "\n\n".join(" ".join(one.split()) for one in paragraphs)
    for group in app.registered_groups:
        if group.typer_instance is not None:
            explain(group.typer_instance, examples, before=f"{before} {group.name}")


def framed(name: str, command: Callable[..., None]) -> Callable[..., None]:
    """Return a command with --memory and, if it writes, --force; its results are checked before it works."""
    signature = inspect.signature(command)
    kinds = get_type_hints(command, include_extras=True)
    own_force = "force" in signature.parameters
    writes = any(result in signature.parameters for result in RESULTS)
    added: dict[str, tuple[Any, Any]] = {"memory": (Memory, None)}
    if writes and not own_force:
        added["force"] = (Force, False)

    @functools.wraps(command)
    def run(*args: Any, **values: Any) -> None:
        from teachlab.cli.again import remember
        from teachlab.cli.console import answer_first
        from teachlab.data.atomic_files import protect, same_inputs
        from teachlab.model.memory import memory_of

        memory = values.pop("memory", None)
        for parameter, held in ranges.items():
            given = memory if parameter == "memory" else values.get(parameter)
            hold(f"--{parameter.rstrip('_').replace('_', '-')}", given, held)
        remember(command, values)
        force = values["force"] if own_force else values.pop("force", False)
        inputs = _inputs(name, values, apart)
        most = None if memory is None else memory * 1e9
        with answer_first(document=bool(values.get("json"))), memory_of(most), protect(inputs):
            for result, target in _results(values):
                _look_at(name, target, inputs, single=result in SINGLE, force=bool(force))
            _need(name, values)
            try:
                command(*args, **values)
            except typer.Exit:  # such as with code 1 or 3, which would be told of a mixture too
                same_inputs()
                raise

    apart = {key for key, kind in kinds.items() if APART in getattr(kind, "__metadata__", ())}
    ranges = {"memory": RANGES["memory"]}
    for parameter, kind in kinds.items():
        if is_number(kind) and (held := range_of(name, parameter, kind)) is not None:
            ranges[parameter], kinds[parameter] = held, with_range(kind, held)
    run.__signature__ = _signature(signature, kinds, added)  # type: ignore[attr-defined]
    run.__annotations__ = {**kinds, **{key: kind for key, (kind, _) in added.items()}}
    return run


def _signature(
    own: inspect.Signature, kinds: Mapping[str, Any], added: Mapping[str, tuple[Any, Any]]
) -> inspect.Signature:
    """Return the parameters of a command with those of the frame after them, and --json last."""
    by_name = inspect.Parameter.KEYWORD_ONLY
    known = [p.replace(annotation=kinds[p.name]) for p in own.parameters.values()]
    places = [p for p in known if p.name != "json"]
    places += [inspect.Parameter(key, by_name, default=default, annotation=kind)
               for key, (kind, default) in added.items()]  # fmt: skip
    places += [p.replace(kind=by_name) for p in known if p.name == "json"]
    return own.replace(parameters=places)


def _results(values: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    """Yield the parameter and the name of everything that a command will write."""
    for result in RESULTS:
        given = values.get(result)
        every = given if isinstance(given, list) else [given]
        yield from ((result, str(target)) for target in every if target is not None)


def _need(name: str, values: Mapping[str, Any]) -> None:
    """Refuse work that needs more memory than allowed, as far as the command line shows; files are checked later."""
    from teachlab.model.memory import DRAW_BYTES, LIBRARY_BYTES, need_memory

    if not isinstance(draws := values.get("draws"), int):
        return
    strategies, recordings = values.get("strategy"), values.get("recordings")
    each = max(1, len(strategies)) if isinstance(strategies, list) else ASSUMED_STRATEGIES
    each *= max(1, len(recordings)) if isinstance(recordings, list) else 1
    need_memory(LIBRARY_BYTES + draws * each * DRAW_BYTES, f"{name} with {draws:,} draws", "Ask for fewer draws.")


def _inputs(name: str, values: Mapping[str, Any], apart: Container[str]) -> list[Path]:
    """Return every existing file named on the command line, with the files beside recordings.

    `apart`: parameters that name recordings each of which is a case of its own.
    """
    from teachlab.data.truth_files import beside

    found: list[Path] = []
    for key, value in values.items():
        if key in RESULTS or key == "continue_":  # a recording is continued in place
            continue
        for text in value if isinstance(value, (list, tuple)) else [value]:
            if not isinstance(text, str) or not _is_file(text):
                continue
            if key in apart and not text.endswith(".toml"):
                continue  # one that changes is a fault of its own, and ends no work on the others
            found.append(Path(text))
            # label may write the passes anew; import reads a log, synth a scenario, and none beside it
            if name not in {"label", "import", "synth"}:
                near = (beside(text, ending) for ending in (".passes.parquet", ".passes.csv"))
                found += [Path(one) for one in near if _is_file(one)]
    return found


def _is_file(text: str) -> bool:
    try:
        return "://" not in text and Path(text).is_file()
    except (OSError, ValueError):  # a name that is too long, or that no file can have
        return False


def _look_at(name: str, target: str, inputs: Iterable[Path], *, single: bool, force: bool) -> None:
    """Refuse a result before work: over an input, over a file of another kind, or where nothing can be written."""
    from teachlab.data.atomic_files import check_name, check_target, refuse_input
    from teachlab.data.truth_files import beside

    need_name(target)
    if "://" in target:
        if name in IN_FOLDERS and name != "study" and not single:
            raise InputError(f"cannot write to '{target}': {name} writes several files into a local folder. Name one.")
        check_target(target)
        return
    if name in IN_FOLDERS and not single:
        folder = Path(os.path.realpath(target))
        for place in inputs:
            real = Path(os.path.realpath(place))
            if real.parent == folder and any(real.match(pattern) for pattern in IN_FOLDERS[name]):
                raise refuse_input(place)
        # A study that is complete in a folder that can only be read is told all the same.
        if name != "study" or not Path(target, "rows").is_dir():
            check_folder(target)
        for pattern, held in IN_FOLDERS[name].items():
            # Names that stand for several files come from labels and strategies: only their own command makes them.
            if not force and "*" not in pattern:
                _hold_kind(name, str(Path(target) / pattern), held)
        return
    # Commands check the endings of their own results; a name with another ending is refused there.
    own = {} if single else WRITES.get(name, {})
    kinds = {**USUAL, **own}
    kind = own.get("*") or kinds.get(target.lower().rpartition(".")[2])
    if kind is None:
        return
    check_target(target)
    if kind == "a recording":
        check_name(beside(target, ".passes.parquet"))  # the longest name of what lies beside it
    if not force:
        _hold_kind(name, target, kind)


def _hold_kind(name: str, target: str, kind: str) -> None:
    from teachlab.data.file_kinds import kind_of

    there = kind_of(target)
    if there and there != kind and (there, kind) not in ALIKE:
        raise InputError(
            f"'{target}' holds {there}, and {name} would write {kind if kind != 'another JSON file' else 'a document'} "
            "over it. Name another file, or say --force."
        )
