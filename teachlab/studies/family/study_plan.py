"""The request for a study, in Python or in a file, turned into a plan."""

from __future__ import annotations

import os
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

from pydantic import BeforeValidator, Field

from teachlab.data.atomic_files import read_text
from teachlab.data.recording_places import find_recordings
from teachlab.data.setting_files import read_setting
from teachlab.data.strict_json import SchemaOne, StrictModel, check, parse_toml
from teachlab.errors import InputError, ParameterError
from teachlab.evidence.criteria import read_criteria
from teachlab.model.draws import DRAWS, TEACH_SHARE, Costs, DrawOptions
from teachlab.model.following_and_window import without_kind
from teachlab.model.recording import Recording
from teachlab.model.score import Rules
from teachlab.model.setting import Setting, Switching
from teachlab.model.truth import Truth
from teachlab.statistics.claims.decisions import ACCEPTED_ERRORS
from teachlab.statistics.claims.lot_claims import assumption_from
from teachlab.studies.family.configurations import Grid, configurations
from teachlab.studies.family.family_criteria import check_criteria
from teachlab.studies.family.family_verdict import FamilyJudge
from teachlab.studies.family.line_conditions import AS_RECORDED, LineCondition
from teachlab.studies.family.study_grid import StudiedLine, StudyGrid, StudyPlan
from teachlab.teaching.registry import installed_class

if TYPE_CHECKING:
    from teachlab.model.teaching import Strategy

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


class StudyFile(SchemaOne):
    """A study in TOML.

    Paths are relative to the file. Strategies are installed ones; a class in a file is named on the command line, by
    the person who runs it.
    """

    recordings: str | list[str] = Field(default_factory=list)
    recording: list[dict[str, str]] = Field(default_factory=list)
    strategies: Annotated[
        dict[str, dict[str, Any] | list[dict[str, Any]]],
        BeforeValidator(_without_grids),
    ] = Field(default_factory=dict)
    bases: dict[str, str | dict[str, Any]] = Field(default_factory=dict)
    conditions: dict[str, _ConditionFile] = Field(default_factory=dict)
    # The ranges of the options with these names.
    draws: int | None = Field(default=None, ge=1, le=1_000_000)
    seeds: list[Annotated[int, Field(ge=0, lt=2**63)]] | None = Field(default=None, max_length=1000)
    teach_share: float | None = Field(default=None, gt=0, lt=1)
    tolerance_ms: float | None = Field(default=None, ge=0, le=86_400_000)
    confidence: float | None = Field(default=None, gt=0, lt=1)
    cost_miss: float | None = Field(default=None, ge=0, le=1e9)
    cost_false: float | None = Field(default=None, ge=0, le=1e9)
    accept_cost: float | None = Field(default=None, ge=0, le=1)
    assume: str | None = None
    criteria: str | None = None


def read_study(path: str | Path) -> tuple[list[StudiedLine], list[tuple[type[Strategy], Grid]], dict[str, Any]]:
    """Read a study from TOML; all faults are in one message.

    Returns
    -------
    lines : list of StudiedLine
    strategies : list of (class, grid)
    options : dict
        Arguments of `planned_study` that the file states.
    """
    text = read_text(path, "a study in TOML", ParameterError)
    values = parse_toml(text, str(path), ParameterError)
    found = check(StudyFile, values, str(path), ParameterError)
    folder = Path(path).parent
    lines = [StudiedLine(p) for p in _found(found.recordings, folder)]
    for entry in found.recording:
        facts = {name: value for name, value in entry.items() if name not in ("path", "truth")}
        truth = entry.get("truth")
        if "path" not in entry:
            raise ParameterError(f"{path}: a [[recording]] needs a 'path', got {', '.join(entry) or 'nothing'}.")
        paths = _found(entry["path"], folder)
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
        strategies.append((installed_class(name), grid))
    options = {
        name: getattr(found, name)
        for name in ("draws", "seeds", "teach_share", "tolerance_ms", "confidence", "cost_miss", "cost_false",
                     "accept_cost", "assume")
        if getattr(found, name) is not None
    }  # fmt: skip
    if found.criteria is not None:
        options["criteria"] = _placed(found.criteria, folder)
    if found.bases:
        options["bases"] = {n: _placed(b, folder) if isinstance(b, str) else b for n, b in found.bases.items()}
    if found.conditions:
        options["conditions"] = {name: one.model_dump() for name, one in found.conditions.items()}
    return lines, strategies, options


def _found(named: str | list[str], folder: Path) -> list[str]:
    listed = [named] if isinstance(named, str) else named
    return find_recordings([_placed(one, folder) for one in listed]) if listed else []


def _placed(name: str, folder: Path) -> str:
    return name if "://" in name or os.path.isabs(name) else os.path.normpath(folder / name)


def studied_lines(given: Any, *, left_out: str | None = None) -> list[StudiedLine]:
    """Return the meant recordings.

    Parameters
    ----------
    given : path, (Recording, Truth), mapping with `path` and facts, or an iterable of such; or a frame of such rows
        Paths may be patterns, folders and addresses.
    left_out : str, optional
        Folder of results.
    """
    if isinstance(given, str | os.PathLike | Mapping) or _is_pair(given):
        given = [given]
    elif hasattr(given, "to_dict"):
        given = given.to_dict("records")
    out: dict[str, StudiedLine] = {}
    for one in given:
        facts: dict[str, str] = {}
        truth = None
        if isinstance(one, StudiedLine):
            out.setdefault(one.path, one)
            continue
        if _is_pair(one):
            if one[0].name in out:
                raise InputError(f"two recordings in memory are called '{one[0].name}'. Give each a name of its own.")
            out[one[0].name] = StudiedLine(one[0].name, opened=(one[0], one[1]))
            continue
        if isinstance(one, Mapping):
            if "path" not in one:
                raise InputError(f"a row of recordings needs a 'path', got the columns: {', '.join(map(str, one))}.")
            facts = {str(k): str(v) for k, v in one.items() if k not in ("path", "truth") and v is not None}
            truth, one = one.get("truth"), one["path"]
        for path in find_recordings([one], left_out=left_out):
            out.setdefault(path, StudiedLine(path, truth, facts))
    return list(out.values())


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
    draws: int = DRAWS,
    seeds: Sequence[int] = (0,),
    teach_share: float = TEACH_SHARE,
    tolerance_ms: float = 0.0,
    confidence: float = 0.95,
    cost_miss: float = 1.0,
    cost_false: float = 1.0,
    accept_cost: float = ACCEPTED_ERRORS,
    assume: str = "lots",
    criteria: str | os.PathLike[str] | None = None,
) -> StudyPlan:
    """Return the plan of a study.

    Parameters
    ----------
    lines : sequence of StudiedLine
    strategies : iterable of (class, grid)
    bases : mapping of name to Setting, path, or mapping of delays and filter, optional
        Default: none, every sample.
    conditions : mapping of name to mapping with gain, ambient and pedestal, optional
        In addition to the recorded light.
    draws, seeds, teach_share, tolerance_ms, confidence, cost_miss, cost_false, accept_cost, assume
        As for `bench`.
    criteria : path, optional
        Acceptance criteria, fixed before the run.
    """
    costs, rules = Costs(miss=cost_miss, false=cost_false), Rules(tolerance_ms=tolerance_ms, confidence=confidence)
    found = [one for made, grid in strategies for one in configurations(made, grid)]
    named = {name: _base(name, base) for name, base in (bases or {NO_BASE: None}).items()}
    limits = None if criteria is None else read_criteria(os.fspath(criteria))
    if limits is not None:
        check_criteria(limits, str(criteria))
    if conditions and AS_RECORDED in conditions:
        raise ParameterError(f"the condition '{AS_RECORDED}' is the light itself. Give another name.")
    return StudyPlan(
        lines=tuple(lines),
        grid=StudyGrid(
            configurations=tuple(found),
            bases=named,
            seeds=tuple(seeds),
            conditions=(LineCondition(), *(LineCondition(name=n, **c) for n, c in (conditions or {}).items())),
            options=DrawOptions(draws=draws, seed=seeds[0], teach_share=teach_share, costs=costs, rules=rules),
        ),
        judge=FamilyJudge(
            costs=costs,
            confidence=confidence,
            accepted=accept_cost,
            assumption=assumption_from(assume),
            criteria=limits,
        ),
    )


def _base(name: str, given: Base) -> Switching | None:
    if given is None or isinstance(given, Setting):
        return given if given is None else without_kind(given)
    if isinstance(given, Switching):
        return given
    if isinstance(given, str | os.PathLike):
        return without_kind(read_setting(os.fspath(given)))
    try:
        return Switching(**given)
    except TypeError:
        known = ", ".join(Switching.__dataclass_fields__)
        raise ParameterError(f"the base '{name}' takes {known}, got {', '.join(map(str, given))}.") from None
