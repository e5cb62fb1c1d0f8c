"""A document is what its dataclass says: fields, bounds, defaults, and what a file must state."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum
from typing import Literal

import pytest
from pydantic import Field

from teachlab.data.strict_json import check, model_of
from teachlab.errors import InputError


class Kind(StrEnum):
    A = "a"
    B = "b"


@dataclass(frozen=True)
class Inner:
    name: str
    size: int = field(default=3, metadata={"ge": 1})


@dataclass(frozen=True)
class Outer:
    rate: float = field(metadata={"gt": 0})
    kind: Kind = field(default=Kind.A, metadata={"stated": True})
    inner: Inner | None = None
    most: float | None = field(default=None, metadata={"le": 9})


SCHEMA = {"schema_": (Literal[1], Field(default=1, alias="schema"))}
STRICT, LENIENT = model_of(Outer, **SCHEMA), model_of(Outer, null_is_default=True, **SCHEMA)


def test_defaults_members_and_parts_come_from_the_dataclass() -> None:
    found = check(STRICT, {"rate": 2, "kind": "b", "inner": {"name": "x"}}, "here", InputError).model_dump()
    assert found == {"rate": 2.0, "kind": Kind.B, "inner": {"name": "x", "size": 3}, "most": None, "schema_": 1}


def test_every_fault_is_told_with_its_place() -> None:
    wrong = {"rate": 0, "inner": {"name": 5, "size": 0}, "most": 10.0, "more": 1}
    with pytest.raises(InputError) as told:
        check(STRICT, wrong, "here", InputError)
    text = str(told.value)
    for part in (
        "here: 6 faults: ",
        "rate: must be greater than 0, got 0",
        "key 'kind' is missing",
        "inner.name: must be a valid string, got 5",
        "inner.size: must be greater than or equal to 1, got 0",
        "most: must be less than or equal to 9, got 10.0",
        "key 'more' is unknown (known: rate, kind, inner, most, schema)",
    ):
        assert part in text, text


def test_a_key_that_is_misspelt_is_named() -> None:
    with pytest.raises(InputError, match=r"key 'rte' is unknown \(did you mean 'rate'\? known: rate, kind"):
        check(STRICT, {"rte": 2, "kind": "b", "inner": {"name": "x"}}, "here", InputError)


def test_null_stands_for_a_default_only_where_that_is_asked_for() -> None:
    assert check(LENIENT, {"rate": 1.0, "kind": "a", "inner": None}, "here", InputError).model_dump()["inner"] is None
    without = model_of(Outer, without=frozenset({"inner"}), **SCHEMA)
    with pytest.raises(InputError, match="key 'inner' is unknown"):
        check(without, {"rate": 1.0, "kind": "a", "inner": None}, "here", InputError)
