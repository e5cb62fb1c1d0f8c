"""Strict JSON and TOML: every fault of a document in one message, each with its place."""

from __future__ import annotations

import functools
import json
import operator
import tomllib
import types
from collections.abc import Mapping
from dataclasses import MISSING, fields, is_dataclass
from datetime import datetime
from difflib import get_close_matches
from enum import Enum
from typing import Annotated, Any, Literal, NoReturn, TypeVar, cast, get_args, get_origin, get_type_hints

from pydantic import BaseModel, ConfigDict, Field, ValidationError, create_model

from teachlab.errors import InputError
from teachlab.model.printable_text import number_of


class StrictModel(BaseModel):
    """Base of checked documents: unknown keys, wrong types, NaN and infinity are faults."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True, allow_inf_nan=False)


class SchemaOne(StrictModel):
    """A document of schema 1."""

    schema_: Literal[1] = Field(default=1, alias="schema")


Model = TypeVar("Model", bound=BaseModel)
BOUNDS = ("ge", "gt", "le", "min_length", "pattern")
WHOLE_BITS = 64
STATED = "stated"
"""Metadata of a field that a file must state, although the value has a default."""


def model_of(
    made: type[Any], *, without: frozenset[str] = frozenset(), null_is_default: bool = False, **more: Any
) -> type[StrictModel]:
    """Return the strict model of a frozen dataclass: its fields, with the bounds in their metadata.

    `made`: a dataclass; fields that are dataclasses become models too.
    `without`: fields that such a document does not have.
    `null_is_default`: whether null may mean the default for every field that has one.
    `**more`: further fields of the document, as `pydantic.create_model` takes them: schema, kind and so on.
    """
    hints = get_type_hints(made)
    found: dict[str, Any] = {}
    for one in fields(made):
        if one.name in without or one.name in more:
            continue
        kind = _strict(hints[one.name], {key: one.metadata[key] for key in BOUNDS if key in one.metadata})
        if STATED in one.metadata or (one.default is MISSING and one.default_factory is MISSING):
            found[one.name] = (kind, ...)
        elif null_is_default:
            found[one.name] = (kind | None, None)
        elif one.default_factory is not MISSING:
            found[one.name] = (kind, Field(default_factory=one.default_factory))
        else:
            found[one.name] = (kind, one.default)
    model: type[StrictModel] = create_model(f"{made.__name__}Document", __base__=StrictModel, **found, **more)
    return model


def _strict(hint: Any, bounds: Mapping[str, Any]) -> Any:
    """Return the type that a document must have for a field of this type."""
    if isinstance(hint, types.UnionType):
        kinds = [None if one is type(None) else _strict(one, bounds) for one in get_args(hint)]
        return functools.reduce(operator.or_, kinds)
    if is_dataclass(hint):
        return model_of(cast("type[Any]", hint))
    if get_origin(hint) is Mapping:
        return dict[str, Any]
    # Texts give the members of an enum, and times: Python would not accept them in strict mode.
    loose = isinstance(hint, type) and issubclass(hint, (Enum, datetime))
    kept: dict[str, Any] = {**bounds, **({"strict": False} if loose else {})}
    return Annotated[hint, Field(**kept)] if kept else hint


def parse_json(text: str | bytes, where: str, error: type[InputError]) -> Any:
    """Parse JSON; refuse what JSON does not allow (NaN, Infinity), and repeated keys.

    Examples
    --------
    >>> parse_json('{"a": NaN}', "x.json", InputError)
    Traceback (most recent call last):
        ...
    teachlab.errors.InputError: x.json: NaN is not a number that JSON knows. Write a finite number or null.
    """

    def refuse(constant: str) -> NoReturn:
        raise error(f"{where}: {constant} is not a number that JSON knows. Write a finite number or null.")

    def unique(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
        out: dict[str, Any] = {}
        for key, value in pairs:
            if key in out:
                raise error(f"{where}: key '{key}' is given twice. Keep one of the two.")
            out[key] = value
        return out

    try:
        return json.loads(text, parse_constant=refuse, object_pairs_hook=unique)
    except json.JSONDecodeError as fault:
        raise error(
            f"{where}: not valid JSON: {fault.msg} (line {fault.lineno}, column {fault.colno}). Correct the file "
            "there, or give another."
        ) from None
    except UnicodeDecodeError as fault:
        raise error(f"{where}: not valid JSON: not UTF-8 (byte {fault.start}).") from None
    except ValueError:  # what Python says of an integer of more than 4300 digits names a function of its own
        raise error(f"{where}: a whole number has too many digits. Write a number that a computer can hold.") from None
    except RecursionError:
        raise error(f"{where}: not valid JSON: nested too deeply.") from None


def parse_toml(text: str, where: str, error: type[InputError]) -> dict[str, Any]:
    """Parse TOML 1.0, whose whole numbers have at most 64 bits.

    Examples
    --------
    >>> parse_toml("a = 0x1_0000_0000_0000_0000", "x.toml", InputError)
    Traceback (most recent call last):
        ...
    teachlab.errors.InputError: x.toml: key 'a': a whole number has too many digits. Write one of at most 64 bits.
    """
    try:
        values = tomllib.loads(text)
    except (ValueError, RecursionError) as fault:  # also of an integer with too many digits, and of deep nesting
        raise error(f"{where}: not valid TOML: {fault}. Correct the file at that place.") from None
    waiting: list[tuple[str, Any]] = list(values.items())
    for key, value in waiting:
        if isinstance(value, int) and value.bit_length() > WHOLE_BITS:
            told = f"a whole number has too many digits. Write one of at most {WHOLE_BITS} bits."
            raise error(f"{where}: key '{key}': {told}")
        inner = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
        waiting += [(f"{key}.{name}", one) for name, one in inner]
    return values


def check(model: type[Model], values: object, where: str, error: type[InputError]) -> Model:
    """Return `values` as `model`, or raise one message that lists every fault.

    `model`: the model that must be met.
    """
    if not isinstance(values, Mapping):
        raise error(f"{where}: must be a JSON object with keys, got {shown(values)}.")
    try:
        return model.model_validate(dict(values))
    except ValidationError as fault:
        known = ", ".join(field.alias or name for name, field in model.model_fields.items())
        found = [_sentence(dict(one), known) for one in fault.errors(include_url=False)]
        count = "" if len(found) == 1 else f"{len(found)} faults: "
        raise error(f"{where}: {count}{'; '.join(found)}.") from None


def schema_of(values: object, models: Mapping[int, type[Model]], where: str, error: type[InputError]) -> type[Model]:
    """Return the model of the schema that a document states, 1 if it states none."""
    schema = values.get("schema", 1) if isinstance(values, Mapping) else 1
    if not isinstance(schema, int) or isinstance(schema, bool) or schema not in models:
        known = " or ".join(str(number) for number in models)
        raise error(
            f"{where}: schema must be {known}, got {shown(schema)}. Files of a later schema need a later version."
        )
    return models[schema]


def _sentence(fault: dict[str, Any], known: str) -> str:
    place = ".".join(str(part) for part in fault["loc"])
    kind, came = fault["type"], fault["input"]
    if kind == "missing":
        return f"key '{place}' is missing"
    if kind == "extra_forbidden":
        # Of an inner table the keys are not known here.
        near = get_close_matches(place, known.split(", "), n=1)
        hint = f"did you mean '{near[0]}'? " if near else ""
        return f"key '{place}' is unknown" + (f" ({hint}known: {known})" if len(fault["loc"]) == 1 else "")
    if place == "schema":
        return f"schema must be 1, got {shown(came)}: this version reads schema 1"
    what = str(fault["msg"]).replace("Input should be ", "must be ", 1)
    # Of these the library names classes and steps of its own.
    what = {"model_type": "must be a table of keys", "dict_type": "must be a table of keys"}.get(kind, what)
    if kind == "too_short":
        what = f"must hold at least {number_of(fault['ctx']['min_length'], 'item')}"
    return f"{place}: {what}, got {shown(came)}"


def shown(value: object) -> str:
    """Return a value for a message, shortened."""
    text = repr(value)
    return text if len(text) <= 60 else text[:57] + "..."
