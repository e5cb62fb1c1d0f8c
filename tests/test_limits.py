"""Every number that a person may write has the range that is told of it: its end is accepted, what lies beyond is not.

The ranges are read from `tests/answers/keys.txt`, which a person has read, and not from the code that holds them.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterator
from typing import Any

import answers
import pytest
from pydantic import BaseModel, ValidationError

from teachlab.errors import InputError
from teachlab.model.following_and_window import FollowingSetting, TurningPointSetting
from teachlab.model.recording import RecordingInfo
from teachlab.model.setting import Setting
from teachlab.teaching.registry import BUILT_IN, installed_class

LEVELS = {"unit": "mV", "on_level": 5.0, "off_level": 4.0}
VALUES: dict[type[Any], dict[str, Any]] = {
    Setting: LEVELS,
    FollowingSetting: {**LEVELS, "reference": 1.0, "low_limit": 0.0, "high_limit": 9.0},
    TurningPointSetting: {"unit": "mV", "background": 9.0, "distance": 2.0},
    RecordingInfo: {"sample_rate_hz": 100.0, "unit": "mV"},
}
"""What a value needs beside the number that is tried."""
AFTER: dict[str, list[float]] = {key: [1.0, 1.0] for key in ("on_delays_ms", "off_delays_ms")}
"""What follows in a list that has more than one number."""


def told() -> dict[str, Any]:
    """Return the schemas as they are kept, a table a name."""
    found: dict[str, Any] = {}
    for line in (answers.FOLDER / f"{answers.KEYS}.txt").read_text(encoding="utf-8").splitlines():
        where, _, text = line.partition(" = ")
        *path, last = where.split(".")
        inner = found
        for part in path:
            inner = inner.setdefault(part, {})
        inner[last] = json.loads(text)
    return found


def numbers(schema: Any, listed: bool = False) -> Iterator[tuple[dict[str, Any], bool]]:
    """Yield the schemas of numbers of one key, and whether they stand in a list."""
    if schema.get("type") in ("number", "integer"):
        yield schema, listed
    some = schema.get("anyOf", ())
    for one in some.values() if isinstance(some, dict) else some:
        yield from numbers(one, listed)
    if isinstance(schema.get("items"), dict):
        yield from numbers(schema["items"], True)


def ends(schema: dict[str, Any]) -> Iterator[tuple[float, float]]:
    """Yield (the last number accepted, the next one beyond) of either end of a range."""
    whole = schema["type"] == "integer"

    def beside(value: float, towards: float) -> float:
        return int(value) + (1 if towards > 0 else -1) if whole else math.nextafter(value, towards)

    for name, out in (("minimum", -math.inf), ("maximum", math.inf)):
        if name in schema:
            yield schema[name], beside(schema[name], out)
        if (open_end := f"exclusive{name.title()}") in schema:
            yield beside(schema[open_end], -out), schema[open_end]


LIMITS = [
    (table, key, *([one, *AFTER.get(key, ())] if listed else one for one in (good, bad)))
    for table, held in told().items()
    for key, schema in held.get("properties", {}).items()
    for number, listed in numbers(schema)
    for good, bad in ends(number)
]
TABLES: dict[str, type[BaseModel]] = {}


def known(model: type[BaseModel]) -> None:
    """Find the tables within a model."""
    if model.__name__ not in TABLES:
        TABLES[model.__name__] = model
        for field in model.model_fields.values():
            waiting = [field.annotation]
            while waiting:
                one = waiting.pop()
                waiting += getattr(one, "__args__", ())
                if isinstance(one, type) and issubclass(one, BaseModel):
                    known(one)


for _model in answers.WRITTEN:
    known(_model)


def faults(table: str, key: str, value: Any) -> list[str]:
    """Return what is said against one value of one key."""
    if table in BUILT_IN:
        try:
            installed_class(table)(**{key: value})
        except InputError as fault:
            return [str(fault)] if f"'{key}'" in str(fault) else []
        return []
    try:
        TABLES[table].model_validate({key: value})
    except ValidationError as found:
        return [str(one["msg"]) for one in found.errors() if one["loc"][:1] == (key,)]
    return []


@pytest.mark.parametrize(("table", "key", "good", "bad"), LIMITS, ids=[f"{a}.{b}-{d}" for a, b, _, d in LIMITS])
def test_the_end_of_a_range_is_accepted_and_what_lies_beyond_is_refused(
    table: str, key: str, good: Any, bad: Any
) -> None:
    assert not faults(table, key, good)
    assert faults(table, key, bad)


@pytest.mark.parametrize("value", VALUES)
def test_a_value_that_a_program_makes_is_held_as_one_from_a_file(value: type[Any]) -> None:
    tried = [(key, bad) for table, key, _, bad in LIMITS if table == f"{value.__name__}Document"]
    assert tried
    value(**VALUES[value])
    for key, bad in tried:
        with pytest.raises(InputError, match=key):
            value(**VALUES[value] | {key: bad})


def test_none_is_forgotten() -> None:
    assert len(LIMITS) > 250
    assert {table for table, *_ in LIMITS} >= {"Stops", "Lamp", "StudyFile", "DeviceDocument", "Criterion"}
