"""The request for a study, in Python or in a file, turned into a plan."""

from __future__ import annotations

import os
import shlex
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from datetime import date, time
from pathlib import Path
from typing import Annotated, Any, TypedDict

from pydantic import BeforeValidator, Field

from teachlab.data.addresses import is_address
from teachlab.data.atomic_files import read_text
from teachlab.data.recording_places import find_recordings
from teachlab.data.setting_files import read_setting
from teachlab.data.strict_json import SchemaOne, StrictModel, check, model_of, parse_toml, shown
from teachlab.errors import InputError, ParameterError, StrategyError
from teachlab.evidence.criteria import read_criteria
from teachlab.model.draws import DRAWS, TEACH_SHARE, Costs, DrawOptions
from teachlab.model.following_and_window import without_kind
from teachlab.model.recording import Recording
from teachlab.model.score import Rules
from teachlab.model.setting import Polarity, Setting, Switching
from teachlab.model.teaching import Strategy
from teachlab.model.truth import Truth
from teachlab.questions.feasibility.windows import AS_RECORDED
from teachlab.statistics.claims.decisions import ACCEPTED_ERRORS
from teachlab.statistics.claims.lot_claims import assumption_from
from teachlab.studies.family.configurations import Grid, configurations
from teachlab.studies.family.family_criteria import check_criteria
from teachlab.studies.family.family_verdict import FamilyJudge
from teachlab.studies.family.line_conditions import LineCondition
from teachlab.studies.family.study_grid import StudiedLine, StudyGrid, StudyPlan
from teachlab.teaching.parameters import as_text
from teachlab.teaching.registry import installed_class

NO_BASE = "none"
Base = Switching | str | os.PathLike[str] | Mapping[str, Any] | None


class _ConditionFile(StrictModel):
    gain: float = Field(default=1.0, ge=0, le=1000)
    ambient: float = Field(default=0.0, ge=-1e30, le=1e30)
    pedestal: float = Field(default=0.0, ge=-1e30, le=1e30)


def _without_grids(given: Any) -> Any:
    """Return a list of names as strategies with their default parameters."""
    listed = isinstance(given, list) and all(isinstance(name, str) for name in given)
    return {name: {} for name in given} if listed else given


def _listed(given: Any) -> Any:
    """Return one text, or any other sequence than a list, as a list: numbers of NumPy as plain ones."""
    if isinstance(given, str):
        return [given]
    many = isinstance(given, Iterable) and not isinstance(given, Mapping)
    return [_plain(one) for one in given] if many else given


def _plain(given: Any) -> Any:
    """Return a number of NumPy as a plain one."""
    return given.item() if hasattr(given, "item") else given


def _told(given: Any) -> Any:
    """Return a number, a day or a time as a text."""
    return str(given) if isinstance(given, int | float | date | time) else given


_Seed = Annotated[int, Field(ge=0, lt=2**63)]
_Number = Annotated[float, BeforeValidator(_plain)]
_Fact = Annotated[str, BeforeValidator(_told)]


class StudyOptions(StrictModel):
    """Options of a study, in Python and in a file, with the ranges of the command's options of these names."""

    draws: Annotated[int, BeforeValidator(_plain)] = Field(default=DRAWS, ge=1, le=1_000_000)
    seeds: Annotated[list[_Seed], BeforeValidator(_listed)] = Field(default=[0], min_length=1, max_length=1000)
    teach_share: _Number = Field(default=TEACH_SHARE, gt=0, lt=1)
    tolerance_ms: _Number = Field(default=0.0, ge=0, le=86_400_000)
    confidence: _Number = Field(default=0.95, gt=0, lt=1)
    cost_miss: _Number = Field(default=1.0, ge=0, le=1e9)
    cost_false: _Number = Field(default=1.0, ge=0, le=1e9)
    accept_cost: _Number = Field(default=ACCEPTED_ERRORS, ge=0, le=1)
    assume: str = "lots"


class StudyKeywords(TypedDict, total=False):
    """The options of a study as keywords."""

    bases: Mapping[str, Base]
    conditions: Mapping[str, Mapping[str, float]]
    criteria: str | os.PathLike[str] | None
    draws: int
    seeds: int | Sequence[int]
    teach_share: float
    tolerance_ms: float
    confidence: float
    cost_miss: float
    cost_false: float
    accept_cost: float
    assume: str


class StudyFile(SchemaOne, StudyOptions):
    """A study in TOML.

    Paths are relative to the file. Strategies are installed ones; a class in a file is named on the command line, by
    the person who runs it.
    """

    recordings: Annotated[list[str], BeforeValidator(_listed)] = Field(default_factory=list)
    recording: list[dict[str, _Fact]] = Field(default_factory=list)
    strategies: Annotated[
        dict[str, dict[str, Any] | list[dict[str, Any]]],
        BeforeValidator(_without_grids),
    ] = Field(default_factory=dict)
    bases: dict[str, str | dict[str, Any]] = Field(default_factory=dict)
    conditions: dict[str, _ConditionFile] = Field(default_factory=dict)
    criteria: str | None = None


def read_study(path: str | Path) -> tuple[list[StudiedLine], list[tuple[type[Strategy], Grid]], dict[str, Any]]:
    """Read a study from TOML; all faults are in one message.

    The lines, the strategies with their grids, and the arguments of `planned_study` that the file states are returned.
    """
    text = read_text(path, "a study in TOML", ParameterError)
    values = parse_toml(text, str(path), ParameterError)
    named = _listed(values.get("recording", []))
    if isinstance(named, list) and any(isinstance(one, str) for one in named):
        raise ParameterError(f"{path}: a list of paths is 'recordings'; each [[recording]] is a table with a path.")
    found = check(StudyFile, values, str(path), ParameterError)
    folder = Path(path).parent
    lines = [StudiedLine(p) for p in _found(found.recordings, folder)]
    for entry in found.recording:
        facts = {name: value for name, value in entry.items() if name not in ("path", "truth")}
        truth = entry.get("truth")
        if "path" not in entry:
            raise ParameterError(f"{path}: a [[recording]] needs a 'path', got {', '.join(entry) or 'nothing'}.")
        paths = _found([entry["path"]], folder)
        if truth is not None and len(paths) > 1:
            raise ParameterError(f"{path}: 'truth' names the passes of one recording, got {len(paths)} recordings.")
        lines += [StudiedLine(p, None if truth is None else _placed(truth, folder), facts) for p in paths]
    strategies: list[tuple[type[Strategy], Grid]] = []
    for name, grid in found.strategies.items():
        if name.endswith(".py") or ".py:" in name:
            raise ParameterError(
                f"{path}: '{name}' is a file, and no file of data has one run. Name it on the command line: --strategy "
                f"{name}"
            )
        with _in_file(path):
            strategies.append((installed_class(name), grid))
    with _in_file(path):
        for made, values_of in strategies:
            configurations(made, values_of)
        for name, base in found.bases.items():
            if not isinstance(base, str):
                _base(name, base)
        assumption_from(found.assume)
    options = found.model_dump(include=found.model_fields_set & set(StudyOptions.model_fields))
    if found.criteria is not None:
        options["criteria"] = _placed(found.criteria, folder)
    if found.bases:
        options["bases"] = {n: _placed(b, folder) if isinstance(b, str) else b for n, b in found.bases.items()}
    if found.conditions:
        options["conditions"] = {name: one.model_dump() for name, one in found.conditions.items()}
    return lines, strategies, options


@contextmanager
def _in_file(path: str | Path) -> Iterator[None]:
    """Let a refusal name the file of the study."""
    try:
        yield
    except (ParameterError, StrategyError) as fault:
        raise type(fault)(f"{path}: {fault}") from None


def _found(named: list[str], folder: Path) -> list[str]:
    return find_recordings([_placed(one, folder) for one in named]) if named else []


def _placed(name: str, folder: Path) -> str:
    return name if "://" in name or os.path.isabs(name) else os.path.normpath(folder / name)


def studied_lines(given: Any, *, left_out: str | None = None) -> list[StudiedLine]:
    """Return the meant recordings.

    `given`: a path, (Recording, Truth), a mapping with `path` and facts, an iterable of such, or a frame of such rows.
    Paths may be patterns, folders and addresses.
    `left_out`: folder of results.
    """
    if isinstance(given, str | os.PathLike | Mapping) or _is_pair(given):
        given = [given]
    elif hasattr(given, "to_dict") and hasattr(given, "notna"):
        given = given.astype(object).where(given.notna(), None).to_dict("records")
    else:
        # Tables of Arrow, frames of Polars.
        rows = next((read for name in ("to_pylist", "to_dicts") if (read := getattr(given, name, None))), None)
        given = given if rows is None else rows()
    out: dict[str, StudiedLine] = {}
    if not isinstance(given, Iterable):
        raise ParameterError(f"a study needs recordings, one or several, got {shown(given)}.")
    for one in given:
        facts: dict[str, Any] = {}
        truth = None
        if isinstance(one, StudiedLine):
            _add(out, one)
            continue
        if _is_pair(one):
            if one[0].name in out:
                raise InputError(f"two recordings in memory are called '{one[0].name}'. Give each a name of its own.")
            out[one[0].name] = StudiedLine(one[0].name, opened=(one[0], one[1]))
            continue
        if isinstance(one, Mapping):
            if "path" not in one:
                raise InputError(f"a row of recordings needs a 'path', got the columns: {', '.join(map(str, one))}.")
            facts = {str(k): v for k, v in one.items() if k != "path" and v is not None and v == v}
            truth, one = facts.pop("truth", None), one["path"]
            facts = {name: str(value) for name, value in facts.items()}
            if not isinstance(truth, str | os.PathLike | None):
                raise InputError(f"the 'truth' of a row is the path of a table of passes, got {shown(truth)}.")
            truth = None if truth is None else os.fspath(truth)
        if not isinstance(one, str | os.PathLike):
            raise InputError(f"a recording is a path, a row with a path, or a Recording with its Truth, got {one!r}.")
        for path in find_recordings([one], left_out=left_out):
            _add(out, StudiedLine(path, truth, facts))
    return list(out.values())


def _add(lines: dict[str, StudiedLine], one: StudiedLine) -> None:
    """Add a recording; one that is named again, also by another spelling of its path, gets what is said of it there."""
    place = one.path if one.opened is not None or is_address(one.path) else os.path.realpath(one.path)
    before = lines.get(place)
    if before is None:
        lines[place] = one
        return
    stated = {"truth": before.truth, **before.facts}
    for name, value in {"truth": one.truth, **one.facts}.items():
        if value is not None and stated.get(name) not in (None, value):
            raise InputError(f"{one.path}: '{name}' is stated twice: '{stated[name]}' and '{value}'. Keep one of them.")
    lines[place] = StudiedLine(before.path, before.truth or one.truth, {**before.facts, **one.facts})


def _is_pair(given: Any) -> bool:
    return (
        isinstance(given, tuple) and len(given) == 2 and isinstance(given[0], Recording) and isinstance(given[1], Truth)
    )


def planned_study(
    lines: Sequence[StudiedLine],
    strategies: Iterable[tuple[type[Strategy], Grid]],
    *,
    bases: Mapping[str, Base] | None = None,
    conditions: Mapping[str, Mapping[str, float]] | None = None,
    criteria: str | os.PathLike[str] | None = None,
    **options: Any,
) -> StudyPlan:
    """Return the plan of a study.

    `bases`: by name a setting, its path, or a mapping of delays and filter; default: none, every sample.
    `conditions`: by name a mapping with gain, ambient and pedestal, in addition to the recorded light.
    `criteria`: acceptance criteria, fixed before the run.
    `**options`: `draws`, `seeds`, `teach_share`, `tolerance_ms`, `cost_miss`, `cost_false`, `confidence`, `accept_cost`
    and `assume`, as for `bench`: see `StudyOptions`.
    Raises `InputError` or `ParameterError` if one of them is unknown, of the wrong type or outside its range.
    """
    asked = check(StudyOptions, options, "study", ParameterError)
    costs = Costs(miss=asked.cost_miss, false=asked.cost_false)
    rules = Rules(tolerance_ms=asked.tolerance_ms, confidence=asked.confidence)
    found = [one for made, grid in strategies for one in configurations(made, grid)]
    named = {name: _base(name, base) for name, base in _named(bases or {NO_BASE: None}, "bases").items()}
    light = {
        name: check(_ConditionFile, one, f"condition '{name}'", ParameterError).model_dump()
        for name, one in _named(conditions or {}, "conditions").items()
    }
    limits = None if criteria is None else read_criteria(os.fspath(criteria))
    if limits is not None:
        check_criteria(limits, str(criteria))
    if AS_RECORDED in light:
        raise ParameterError(f"the condition '{AS_RECORDED}' is the light itself. Give another name.")
    return StudyPlan(
        lines=tuple(lines),
        grid=StudyGrid(
            configurations=tuple(found),
            bases=named,
            seeds=tuple(asked.seeds),
            conditions=(LineCondition(), *(LineCondition(name=name, **one) for name, one in light.items())),
            options=DrawOptions(
                draws=asked.draws, seed=asked.seeds[0], teach_share=asked.teach_share, costs=costs, rules=rules
            ),
        ),
        judge=FamilyJudge(
            costs=costs,
            rules=rules,
            accepted=asked.accept_cost,
            assumption=assumption_from(asked.assume),
            criteria=limits,
            options=_typed(asked),
            bases={name: _file_or(base, named[name]) for name, base in (bases or {}).items()},
            lines={line.path: line for line in lines},
        ),
    )


def _typed(asked: StudyOptions) -> str:
    """Return the options of a bench that differ from their defaults, as they are typed."""
    usual = StudyOptions()
    names = ("draws", "teach_share", "tolerance_ms", "confidence", "cost_miss", "cost_false", "accept_cost", "assume")
    given = {name: value for name in names if (value := getattr(asked, name)) != getattr(usual, name)}
    given |= {"seed": asked.seeds[0]} if asked.seeds[0] != usual.seeds[0] else {}
    return "".join(f" --{name.replace('_', '-')} {shlex.quote(as_text(value))}" for name, value in given.items())


def _file_or(given: Base, base: Switching | None) -> str | Switching | None:
    """Return the file of a base, or the base itself; None if it has neither delay nor filter."""
    if isinstance(given, str | os.PathLike):
        return os.fspath(given)
    return None if base is None or base.switching == Switching(polarity=base.polarity) else base


def _named(given: Any, what: str) -> Mapping[str, Any]:
    if not isinstance(given, Mapping):
        raise ParameterError(f"the {what} of a study are a mapping of a name to each, got {shown(given)}.")
    return given


def _base(name: str, given: Base) -> Switching | None:
    if given is None or isinstance(given, Setting):
        return given if given is None else without_kind(given)
    if isinstance(given, Switching):
        return given
    if isinstance(given, str | os.PathLike):
        return without_kind(read_setting(os.fspath(given)))
    polarity = (Annotated[Polarity, Field(strict=False)], Polarity.LIGHT_ON)
    found = check(model_of(Switching, polarity=polarity), given, f"base '{name}'", ParameterError)
    return Switching(**{key: getattr(found, key) for key in found.model_fields_set})
