"""Parameters of strategies: fields of a frozen dataclass, checked by a pydantic model made from them.

A parameter is a float, int, bool, str, enum or `Literal`, a list or tuple of such, or one of them or None.
"""

from __future__ import annotations

import json
import math
import types
from collections.abc import Iterable, Mapping
from dataclasses import MISSING, Field, dataclass, field, fields, is_dataclass
from difflib import get_close_matches
from enum import Enum
from functools import cache
from typing import Annotated, Any, Literal, Union, get_args, get_origin, get_type_hints

import numpy as np
from pydantic import BaseModel, BeforeValidator, ConfigDict, Strict, ValidationError, create_model
from pydantic import Field as Checked

from teachlab.errors import ParameterError, StrategyError
from teachlab.model.setting import Taught

Plain = str | int | float | bool | list[Any] | None
"""A value of a parameter as JSON holds it."""

_LIMITS = {
    "above": ("gt", "above"),
    "at_least": ("ge", "at least"),
    "below": ("lt", "below"),
    "at_most": ("le", "at most"),
}
_TRUTHS = {"true": True, "yes": True, "1": True, "false": False, "no": False, "0": False}
_WORDS = {float: "a finite number", int: "a whole number", bool: "true or false", str: "a text"}


def about(
    help: str,
    *,
    unit: str = "",
    above: float | None = None,
    at_least: float | None = None,
    below: float | None = None,
    at_most: float | None = None,
) -> dict[str, Any]:
    """Return the metadata of a strategy's field: its meaning, unit and range.

    `help`, `unit`: for listings and messages.
    `above`, `at_least`, `below`, `at_most`: range of the number, or of every number in a list; checked by
    `check_parameters`.
    """
    limits = {"above": above, "at_least": at_least, "below": below, "at_most": at_most}
    return {"unit": unit, "help": help, "limits": {name: v for name, v in limits.items() if v is not None}}


def parameter(default: Any, help: str, **told: Any) -> Any:
    """Return the field of a parameter with its default; the rest is for `about`."""
    return field(default=default, metadata=about(help, **told))


@dataclass(frozen=True, slots=True)
class ParameterInfo:
    """One parameter, as listings show it.

    `name`, `type`, `unit`, `help`: `unit` and `help` are empty if the strategy does not give them.
    `default`: None also if there is none.
    `required`: whether the parameter has no default.
    `choices`: values of an enum.
    """

    name: str
    type: str
    default: Plain
    unit: str
    help: str
    required: bool
    choices: tuple[str, ...]


def describe(strategy: type) -> tuple[ParameterInfo, ...]:
    """Return the parameters of a strategy class, in their order."""
    hints = _hints(strategy)
    return tuple(_info(f, hints[f.name]) for f in _fields(strategy))


def _info(f: Field[Any], hint: Any) -> ParameterInfo:
    default, required = None, False
    if f.default is not MISSING:
        default = plain(f.default)
    elif f.default_factory is not MISSING:
        default = plain(f.default_factory())
    else:
        required = True
    unit, text = str(f.metadata.get("unit", "")), str(f.metadata.get("help", ""))
    return ParameterInfo(f.name, _type_word(hint), default, unit, text, required, _choices(hint))


def parameter_schema(strategy: type) -> dict[str, Any]:
    """Return the JSON Schema of the parameters of a strategy class: types, ranges, units, defaults.

    Examples
    --------
    >>> from teachlab.teaching.strategies.sweep_minmax import SweepMinmax
    >>> parameter_schema(SweepMinmax)["properties"]["sweep_passes"]["minimum"]
    1
    """
    return {**_model(strategy).model_json_schema(), "title": str(getattr(strategy, "name", strategy.__name__))}


def parameters_of(strategy: object) -> dict[str, Plain]:
    """Return the parameters of a strategy as plain JSON values."""
    return {f.name: plain(getattr(strategy, f.name)) for f in _fields(type(strategy))}


def record(strategy: Any, **evidence: Any) -> Taught:
    """Return what a setting records about its origin: strategy, all parameters, and the numbers used."""
    return Taught(strategy=strategy.name, parameters=parameters_of(strategy), evidence=evidence)


def plain(value: Any) -> Plain:
    """Return a parameter value as JSON holds it; an enum as its value, a tuple as a list.

    Raises `StrategyError` if the value has no plain form.
    """
    if isinstance(value, Enum):
        value = value.value
    if isinstance(value, list | tuple):
        return [plain(one) for one in value]
    if value is None or isinstance(value, str | bool | int | float):
        return value
    raise StrategyError(
        "a parameter must be a number, a text, a truth value, an enum, a list of them or none, got "
        f"{type(value).__name__} {value!r}."
    )


def check_parameters(strategy: Any) -> None:
    """Check every parameter of a frozen dataclass against its type and its declared range.

    Call it from ``__post_init__``. Numbers and enum values are converted to the declared type.

    Raises `ParameterError` with strategy and parameter, what must hold, and what came.
    """
    made = type(strategy)
    for name, value in checked_values(made, {f.name: getattr(strategy, f.name) for f in _fields(made)}).items():
        # The dataclass is frozen, so the converted value is put in its place past its own guard.
        object.__setattr__(strategy, name, value)


class CheckedParameters:
    """A base for frozen dataclasses whose parameters are checked, as `check_parameters` does, when they are made."""

    __slots__ = ()

    def __post_init__(self) -> None:
        check_parameters(self)


def checked_values(strategy: type, values: Mapping[str, object]) -> dict[str, Any]:
    """Return values converted to the types of a strategy's fields; defaults are not filled in.

    Raises `ParameterError` if a name is unknown, or a value does not fit its type or range.
    Raises `StrategyError` if a field has a type that no parameter may have.
    """
    model, hints = _model(strategy), _hints(strategy)
    known = {f.name: f for f in _fields(strategy)}
    label = str(getattr(strategy, "name", strategy.__name__))
    out: dict[str, Any] = {}
    for name, value in values.items():
        if name not in known:
            near = get_close_matches(name, known, n=1)
            hint = f" Did you mean '{near[0]}'?" if near else ""
            raise ParameterError(
                f"strategy '{label}' has no parameter '{name}'.{hint} It has: {', '.join(known) or 'none'}."
            )
        try:
            # One assignment to an empty, unchecked model: fields that did not come are neither demanded nor filled in.
            out[name] = getattr(
                model.__pydantic_validator__.validate_assignment(model.model_construct(), name, value), name
            )
        except ValidationError as fault:
            must = _must(hints[name])
            if all(error["type"] in _RANGE_FAULTS for error in fault.errors(include_url=False)):
                must = _range(known[name])
            raise refusal(label, name, must, value, unit=known[name].metadata.get("unit", "")) from None
    return out


def refusal(strategy: str, name: str, must: str, value: object, *, unit: str = "") -> ParameterError:
    """Return the error for an unusable parameter value."""
    told = f" ({unit})" if unit else ""
    return ParameterError(
        f"strategy '{strategy}': parameter '{name}'{told} must {must}, got {value!r}. "
        f"See `teachlab strategies NAME` for units and defaults; set it with --set {name}=…, in a study with --grid."
    )


def parse_assignments(assignments: Iterable[str]) -> dict[str, str]:
    """Split ``name=value`` texts; a dash in a name means an underscore.

    Text before a dot, such as the name of a strategy, is unchanged.

    Raises `ParameterError` if a text has no name or no equals sign, or sets a parameter twice.

    Examples
    --------
    >>> parse_assignments(["hysteresis-share=0.1", "single-sample.reduction=0.2"])
    {'hysteresis_share': '0.1', 'single-sample.reduction': '0.2'}
    """
    out: dict[str, str] = {}
    for text in assignments:
        key, equals, value = (part.strip() for part in text.partition("="))
        owner, dot, name = key.rpartition(".")
        if not (equals and name):
            raise ParameterError(f"a parameter is set as name=value, got {text!r}. Write for example name=0.2.")
        key = owner + dot + name.replace("-", "_")
        if key in out:
            raise ParameterError(f"parameter '{key}' is set twice: {out[key]!r} and {value!r}. Keep one.")
        out[key] = value
    return out


def parse_parameters(strategy: type, texts: Mapping[str, str]) -> dict[str, Any]:
    """Parse texts by the types of a strategy's fields; a list is ``1,2,3`` or JSON.

    `strategy`: a dataclass with a `name`.
    `texts`: parameter names and values as typed by a person.

    Raises `ParameterError` if a name is unknown or a text does not fit its type.
    """
    hints = _hints(strategy)
    return checked_values(strategy, {name: _read(hints.get(name, str), text) for name, text in texts.items()})


def _read(hint: Any, text: str) -> object:
    """Return the value of a text, or the text itself if it has none: the check then refuses it."""
    inner, optional = _without_none(hint)
    if optional and text.lower() in ("none", "null"):
        return None
    if (parts := _items(inner)) is not None:
        if text.lstrip().startswith("["):
            try:
                return json.loads(text)
            # Thousands of nested brackets exceed the depth that the parser of the library can follow.
            except (ValueError, RecursionError):
                return text
        return [_read(parts, part.strip()) for part in text.split(",")] if text.strip() else []
    try:
        value = _TRUTHS[text.lower()] if inner is bool else inner(text) if inner in (float, int) else text
    except (ValueError, KeyError):
        return text
    # Python reads nan and inf as numbers: as texts they are refused by the check, as they were typed.
    return text if isinstance(value, float) and not math.isfinite(value) else value


def as_text(value: Plain) -> str:
    """Return a plain value as `parse_parameters` reads it."""
    return "none" if value is None else json.dumps(value) if isinstance(value, list | bool) else str(value)


def stated(values: Mapping[str, Plain]) -> dict[str, str]:
    """Return the parameters that hold something, as texts for people: what may be anything is not stated.

    Examples
    --------
    >>> stated({"levels": 41, "expect_flashes": True, "filters": [1, 3], "level_steps": [], "hysteresis": None})
    {'levels': '41', 'expect_flashes': 'true', 'filters': '[1, 3]'}
    """
    return {name: as_text(value) for name, value in values.items() if value not in (None, [])}


def _plain_number(value: object) -> object:
    return value.item() if isinstance(value, np.generic) else value


_RANGE_FAULTS = {"greater_than", "greater_than_equal", "less_than", "less_than_equal"}


@cache
def _model(strategy: type) -> type[BaseModel]:
    """Return the pydantic model of the fields of a strategy, which checks each field separately."""
    hints, declared = _hints(strategy), {}
    for f in _fields(strategy):
        limits = {_LIMITS[name][0]: limit for name, limit in f.metadata.get("limits", {}).items()}
        checked = _checked_type(hints[f.name], limits)
        more: dict[str, Any] = {"description": f.metadata.get("help") or None}
        if unit := str(f.metadata.get("unit", "")):
            more["json_schema_extra"] = {"unit": unit}
        if f.default is not MISSING:
            more["default"] = plain(f.default)
        elif f.default_factory is not MISSING:
            more["default"] = plain(f.default_factory())
        declared[f.name] = (checked, Checked(**more))
    # Without protected names: pydantic warns of fields whose names begin like its own methods, which a strategy may
    # use.
    settings = ConfigDict(extra="forbid", allow_inf_nan=False, validate_assignment=True, protected_namespaces=())
    made: type[BaseModel] = create_model(strategy.__name__, __config__=settings, **declared)  # type: ignore[call-overload]
    return made


def _checked_type(hint: Any, limits: Mapping[str, float]) -> Any:
    """Return a type as pydantic checks it: numbers and texts strictly, numbers of arrays as plain ones."""
    inner, optional = _without_none(hint)
    if optional:
        return Union[_checked_type(inner, limits), None]  # noqa: UP007 - made at run time
    if (item := _items(inner)) is not None:
        checked = _checked_type(item, limits)
        return list[checked] if get_origin(inner) is list else tuple[checked, ...]  # type: ignore[valid-type]
    if inner in (float, int):
        bounds: dict[str, Any] = dict(limits)
        return Annotated[inner, Strict(), Checked(**bounds), BeforeValidator(_plain_number)]
    if inner in (bool, str):
        return Annotated[inner, Strict()]
    if get_origin(inner) is Literal or (isinstance(inner, type) and issubclass(inner, Enum)):
        return inner
    raise StrategyError(
        "a parameter must be declared as float, int, bool, str, an enum, a Literal, a list or tuple[…, ...] of them, "
        f"or one of them or None, got {hint!r}."
    )


def _must(hint: Any) -> str:
    inner, optional = _without_none(hint)
    if (item := _items(inner)) is not None:
        must = f"be a list, each {_must(item).removeprefix('be ')}"
    elif choices := _choices(inner):
        must = "be one of " + ", ".join(choices)
    else:
        must = "be " + _WORDS[inner]
    return must + (" or none" if optional else "")


def _range(f: Field[Any]) -> str:
    limits: Mapping[str, float] = f.metadata.get("limits", {})
    return "be " + " and ".join(f"{_LIMITS[name][1]} {limit:g}" for name, limit in limits.items())


def _type_word(hint: Any) -> str:
    inner, optional = _without_none(hint)
    item = _items(inner)
    word = f"list of {_type_word(item)}" if item is not None else "choice" if _choices(inner) else inner.__name__
    return word + (" or none" if optional else "")


def _choices(hint: Any) -> tuple[str, ...]:
    inner = _without_none(hint)[0]
    if get_origin(inner) is Literal:
        return tuple(str(value) for value in get_args(inner))
    if isinstance(inner, type) and issubclass(inner, Enum):
        return tuple(str(member.value) for member in inner)
    return ()


def _items(hint: Any) -> Any:
    """Return the type of the items of a list, or of a tuple of any length; otherwise None."""
    args = get_args(hint)
    if get_origin(hint) is list or (get_origin(hint) is tuple and args[1:] == (...,)):
        return args[0]
    return None


def _without_none(hint: Any) -> tuple[Any, bool]:
    """Return the type of a field without None, and whether it may be None."""
    if get_origin(hint) not in (Union, types.UnionType):
        return hint, False
    parts = [part for part in get_args(hint) if part is not type(None)]
    return (parts[0] if len(parts) == 1 else hint), len(parts) < len(get_args(hint))


@cache
def _hints(strategy: type) -> dict[str, Any]:
    return get_type_hints(strategy)


def _fields(strategy: type) -> tuple[Field[Any], ...]:
    if not is_dataclass(strategy):
        return ()
    return tuple(f for f in fields(strategy) if f.init)
