"""Parameters as people type them: parsed by type, refused by name."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any, ClassVar

import pytest

from teachlab.errors import ParameterError, StrategyError
from teachlab.teaching.parameters import (
    about,
    check_parameters,
    describe,
    parameters_of,
    parse_assignments,
    parse_parameters,
    record,
)


class Colour(StrEnum):
    RED = "red"
    DARK_BLUE = "dark-blue"


@dataclass(frozen=True, slots=True, kw_only=True)
class Everything:
    name: ClassVar[str] = "everything"
    share: float = field(default=0.5, metadata=about("a share", unit="share of the light", above=0, at_most=1))
    count: int = field(default=3, metadata=about("a count", unit="passes", at_least=1, below=10))
    quick: bool = False
    colour: Colour = Colour.RED
    note: str = "n"
    limit: float | None = None

    def __post_init__(self) -> None:
        check_parameters(self)


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("share=0.25", 0.25),
        ("share = 1e-3", 0.001),
        ("share=1", 1.0),
        ("count=7", 7),
        ("quick=true", True),
        ("quick=No", False),
        ("colour=dark-blue", Colour.DARK_BLUE),
        ("note=a=b", "a=b"),
        ("note=", ""),
        ("limit=none", None),
        ("limit=2.5", 2.5),
    ],
)
def test_texts_are_parsed_by_the_type_of_the_field(text: str, value: object) -> None:
    parsed = parse_parameters(Everything, parse_assignments([text]))
    assert list(parsed.values()) == [value]
    assert type(next(iter(parsed.values()))) is type(value)
    Everything(**parsed)


@pytest.mark.parametrize(
    ("text", "must"),
    [
        ("share=abc", "must be a finite number, got 'abc'"),
        ("share=", "must be a finite number, got ''"),
        ("share=nan", "must be a finite number, got 'nan'"),
        ("share=inf", "must be a finite number, got 'inf'"),
        ("share=25%", "must be a finite number, got '25%'"),
        ("share=none", "must be a finite number, got 'none'"),
        ("count=2.0", "must be a whole number, got '2.0'"),
        ("quick=maybe", "must be true or false, got 'maybe'"),
        ("colour=blue", "must be one of red, dark-blue, got 'blue'"),
        ("limit=x", "must be a finite number or none, got 'x'"),
    ],
)
def test_texts_that_do_not_fit_are_refused(text: str, must: str) -> None:
    name = text.split("=")[0]
    with pytest.raises(ParameterError, match=f"strategy 'everything': parameter '{name}'") as refusal:
        parse_parameters(Everything, parse_assignments([text]))
    assert must in str(refusal.value)


def test_unknown_names_are_refused_with_those_that_are_known() -> None:
    with pytest.raises(
        ParameterError, match=r"no parameter 'shar'. Did you mean 'share'\? It has: share, count, quick"
    ):
        parse_parameters(Everything, {"shar": "1"})


@pytest.mark.parametrize("text", ["share", "=0.5", " =1", "a.=1"])
def test_assignments_without_name_or_equals_are_refused(text: str) -> None:
    with pytest.raises(ParameterError, match="name=value"):
        parse_assignments([text])


def test_a_parameter_set_twice_is_refused() -> None:
    with pytest.raises(ParameterError, match="'a_b' is set twice: '1' and '2'"):
        parse_assignments(["a-b=1", "a_b=2"])


@pytest.mark.parametrize(
    ("wrong", "message"),
    [
        ({"share": 0}, r"'share' \(share of the light\) must be above 0 and at most 1, got 0.0"),
        ({"share": 1.01}, "must be above 0 and at most 1, got 1.01"),
        ({"count": 10}, r"'count' \(passes\) must be at least 1 and below 10, got 10"),
        ({"count": 0}, "must be at least 1 and below 10, got 0"),
        ({"count": 2.0}, "must be a whole number, got 2.0"),
        ({"share": "0.5"}, "must be a finite number, got '0.5'"),
        ({"share": None}, "must be a finite number, got None"),
        ({"quick": 1}, "must be true or false, got 1"),
        ({"note": 5}, "must be a text, got 5"),
        ({"colour": "green"}, "must be one of red, dark-blue, got 'green'"),
        ({"limit": float("nan")}, "must be a finite number, got nan"),
    ],
)
def test_values_are_checked_where_the_strategy_is_made(wrong: dict[str, Any], message: str) -> None:
    with pytest.raises(ParameterError, match=message):
        Everything(**wrong)


def test_the_edges_that_belong_to_a_range_are_accepted() -> None:
    assert (Everything(share=1, count=1).share, Everything(count=9).count) == (1.0, 9)


def test_values_are_brought_to_their_type_and_go_into_records_as_plain_json() -> None:
    made = Everything(share=1, colour="dark-blue")  # type: ignore[arg-type]
    assert made.colour is Colour.DARK_BLUE
    told = record(made, seen=12.5)
    assert told.strategy == "everything"
    assert told.evidence == {"seen": 12.5}
    assert told.parameters == {
        "share": 1.0,
        "count": 3,
        "quick": False,
        "colour": "dark-blue",
        "note": "n",
        "limit": None,
    }
    assert type(told.parameters["colour"]) is str
    assert type(told.parameters["share"]) is float


def test_parameters_survive_a_round_trip_through_text() -> None:
    made = Everything(share=0.1 + 0.2, count=4, quick=True, colour=Colour.DARK_BLUE, limit=1 / 3)
    texts = {name: str(value) for name, value in parameters_of(made).items()}
    assert Everything(**parse_parameters(Everything, texts)) == made


def test_listing_tells_type_default_unit_and_choices() -> None:
    listed = {info.name: info for info in describe(Everything)}
    assert (listed["share"].type, listed["share"].default, listed["share"].unit) == ("float", 0.5, "share of the light")
    assert listed["colour"].choices == ("red", "dark-blue")
    assert (listed["limit"].type, listed["limit"].default, listed["limit"].required) == ("float or none", None, False)


def test_a_field_of_another_type_is_the_strategys_fault() -> None:
    @dataclass(frozen=True)
    class Listy:
        name: ClassVar[str] = "listy"
        levels: list[float] = field(default_factory=list)

    with pytest.raises(StrategyError, match="must be declared as float, int, bool, str, an enum"):
        parse_parameters(Listy, {"levels": "1"})
    with pytest.raises(StrategyError, match="a parameter must be a number, a text"):
        parameters_of(Listy())
