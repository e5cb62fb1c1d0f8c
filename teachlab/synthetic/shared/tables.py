"""Common properties of the tables of a scenario: unknown keys are refused, values never change."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from pydantic import BaseModel, ConfigDict, ValidationError, model_validator
from pydantic_core import ErrorDetails

from teachlab.errors import ScenarioError
from teachlab.synthetic.shared.consistency import object_faults, scenario_faults


class Table(BaseModel):
    """A table of a scenario file, frozen: known keys, finite numbers and no text for them; see SCENARIOS.md."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True, allow_inf_nan=False)

    @model_validator(mode="before")
    @classmethod
    def _listed(cls, given: Any) -> Any:
        """Turn lists into tuples, which TOML does not have."""
        if not isinstance(given, Mapping):
            return given
        return {key: _tuple(value) for key, value in given.items()}


def _tuple(value: Any) -> Any:
    return tuple(map(_tuple, value)) if isinstance(value, list) else value


def place(where: Sequence[int | str]) -> str:
    """Return the place of a fault in the file, as TOML would write it.

    Examples
    --------
    >>> place(("object", 1, "glints", "per_object"))
    '[object 2.glints] per_object'
    >>> place(("title",))
    'title'
    """
    parts: list[str] = []
    for part in where:
        if isinstance(part, int):
            parts[-1] = f"{parts[-1]} {part + 1}" if parts else str(part + 1)
        elif part not in _SHAPES:
            parts.append(str(part))
    if not parts:
        return "the whole scenario:"
    return parts[0] if len(parts) < 2 else f"[{'.'.join(parts[:-1])}] {parts[-1]}"


_SHAPES = frozenset(
    {"constant", "normal", "lognormal", "uniform", "pareto", "exponential", "gaussian", "circular", "slit"}
)


def refusal(source: str, faults: ValidationError, tables: Mapping[str, Any] | None = None) -> ScenarioError:
    """Turn the faults found by pydantic into one error that names all of them.

    `tables`: the raw tables: keys that do not fit together are named too, if single faults prevented that check.
    """
    lines = []
    found = faults.errors()
    inside = {fault["loc"][:1] for fault in found if len(fault["loc"]) > 1}
    for fault in found:
        # a list without its faulty entries is not "too short" in addition
        if fault["type"] == "too_short" and fault["loc"][:1] in inside:
            continue
        lines.append(f"{place(fault['loc'])}{_given(fault)}{_message(fault)}")
    lines += _unseen(found, {} if tables is None else tables)
    count = "1 fault" if len(lines) == 1 else f"{len(lines)} faults"
    return ScenarioError(f"{source}: the scenario has {count}: " + "; ".join(line.strip() for line in lines))


def _unseen(found: Sequence[ErrorDetails], tables: Mapping[str, Any]) -> list[str]:
    """Return the faults between keys that were not checked, because single keys were faulty."""
    places = [fault["loc"] for fault in found]
    lines = []
    kinds = tables.get("object")
    for k, kind in enumerate(kinds if isinstance(kinds, list) else ()):
        faulty = any(where[:2] == ("object", k) and len(where) > 2 for where in places)
        if faulty and isinstance(kind, Mapping):
            lines += [f"  {place(('object', k))}: {text}" for text in object_faults(kind)]
    if () not in places:
        lines += [f"  {place(())} {text}" for text in scenario_faults(tables)]
    return lines


def _message(fault: ErrorDetails) -> str:
    context = fault.get("ctx", {})
    known = {
        "extra_forbidden": "is not a known key; remove it or correct its spelling",
        "missing": "is missing; give it",
        "model_type": "must be one table with its keys, its heading in one pair of brackets",
        "tuple_type": "must be a list of tables: put its heading into two pairs of brackets, such as [[object]]",
        "union_tag_not_found": 'needs a shape, such as shape = "gaussian" for a beam or "normal" for a spread',
        "union_tag_invalid": f"has no shape {context.get('tag')!r}; there are {context.get('expected_tags')}",
    }
    # pydantic adds a prefix to the message of a validator of ours
    text = fault["msg"].removeprefix("Value error, ")
    return known.get(fault["type"], f"{text[0].lower()}{text[1:]}")


def _given(fault: ErrorDetails) -> str:
    value = fault.get("input")
    if fault["type"] in ("missing", "extra_forbidden", "tuple_type", "model_type"):
        return " "
    if isinstance(value, (dict, list, tuple)):
        # messages about a table as a whole
        return ": " if fault["loc"] and fault["type"] == "value_error" else " "
    return f" = {value!r}: "
