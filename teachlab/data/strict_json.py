"""Strict JSON: every fault of a document in one message, each with its place."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any, Literal, NoReturn, TypeVar

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from teachlab.errors import InputError


class StrictModel(BaseModel):
    """Base of what is checked: unknown keys, wrong types, NaN and infinity are faults."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True, allow_inf_nan=False)


class SchemaOne(StrictModel):
    """A document of schema 1."""

    schema_: Literal[1] = Field(default=1, alias="schema")


Model = TypeVar("Model", bound=BaseModel)


def parse_json(text: str | bytes, where: str, error: type[InputError]) -> Any:
    """Parse JSON, refusing what JSON does not have (NaN, Infinity) and keys given twice.

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
        raise error(f"{where}: not valid JSON: {fault.msg} (line {fault.lineno}, column {fault.colno}).") from None
    except UnicodeDecodeError as fault:
        raise error(f"{where}: not valid JSON: not UTF-8 (byte {fault.start}).") from None
    except ValueError:  # what Python says of an integer of more than 4300 digits names a function of its own
        raise error(f"{where}: a whole number has too many digits. Write a number that a computer can hold.") from None
    except RecursionError:
        raise error(f"{where}: not valid JSON: nested too deeply.") from None


def check(model: type[Model], values: object, where: str, error: type[InputError]) -> Model:
    """Return `values` as `model`, or raise one message that lists every fault.

    Parameters
    ----------
    model : type of BaseModel
        What must hold.
    values : object
        The parsed document.
    where : str
        File and key, for the message.
    error : type of InputError
        What to raise.
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
    """Return the model of the schema that a document says it has, 1 where it says none."""
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
        return f"key '{place}' is unknown (known: {known})"
    if place == "schema":
        return f"schema must be 1, got {shown(came)}: this version reads schema 1"
    what = str(fault["msg"]).replace("Input should be ", "must be ", 1)
    return f"{place}: {what}, got {shown(came)}"


def shown(value: object) -> str:
    """Return a value for a message, cut short."""
    text = repr(value)
    return text if len(text) <= 60 else text[:57] + "..."
