"""Parameters as people type them: parsed by type, refused by name."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from enum import StrEnum
from typing import Any, ClassVar, Literal

import numpy as np
import pytest
from sklearn.base import clone
from sklearn.model_selection import ParameterGrid

from teachlab.errors import ParameterError, StrategyError
from teachlab.teaching.parameters import (
    about,
    as_text,
    check_parameters,
    describe,
    parameter_schema,
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
        ("count=2.0", "must be a whole number, got '2.0'. See `teachlab strategies NAME` for units"),
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
        ({"share": 0}, r"'share' \(share of the light\) must be above 0 and at most 1, got 0"),
        ({"share": 1.01}, "must be above 0 and at most 1, got 1.01"),
        ({"count": 10}, r"'count' \(passes\) must be at least 1 and below 10, got 10"),
        ({"count": 0}, "must be at least 1 and below 10, got 0"),
        ({"count": 2.0}, "must be a whole number, got 2.0"),
        ({"share": "0.5"}, "must be a finite number, got '0.5'"),
        ({"share": None}, "must be a finite number, got None"),
        ({"quick": 1}, "must be true or false, got 1"),
        ({"note": 5}, "must be a text, got 5"),
        ({"colour": "green"}, "must be one of red, dark-blue, got 'green'"),
        ({"limit": float("nan")}, "must be a finite number or none, got nan"),
        ({"share": True}, "must be a finite number, got True"),
        ({"count": True}, "must be a whole number, got True"),
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
        levels: dict[str, float] = field(default_factory=dict)

    with pytest.raises(StrategyError, match="must be declared as float, int, bool, str, an enum"):
        parse_parameters(Listy, {"levels": "1"})
    with pytest.raises(StrategyError, match="a parameter must be a number, a text"):
        parameters_of(Listy())


@dataclass(frozen=True, slots=True, kw_only=True)
class Several:
    name: ClassVar[str] = "several"
    gains: tuple[float, ...] = field(default=(1.0,), metadata=about("gains", unit="share of the light", above=0))
    pairs: list[tuple[float, ...]] = field(default_factory=list)
    where: Literal["above", "below"] | None = None

    def __post_init__(self) -> None:
        check_parameters(self)


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("gains=1,0.5", (1.0, 0.5)),
        ("gains=[1, 0.5]", (1.0, 0.5)),
        ("gains=", ()),
        ("pairs=[[1, 0], [0.9, 2]]", [(1.0, 0.0), (0.9, 2.0)]),
        ("where=below", "below"),
        ("where=none", None),
    ],
)
def test_lists_and_choices_are_parsed(text: str, value: object) -> None:
    made = Several(**parse_parameters(Several, parse_assignments([text])))
    assert getattr(made, text.partition("=")[0]) == value
    again = {name: as_text(plain) for name, plain in parameters_of(made).items()}
    assert Several(**parse_parameters(Several, again)) == made
    assert Several(**parameters_of(made)) == made  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("text", "must"),
    [
        ("gains=1,x", r"'gains' \(share of the light\) must be a list, each a finite number, got \[1.0, 'x'\]"),
        ("gains=1,0", "must be above 0, got "),
        ("gains=[1", "must be a list, each a finite number, got '\\[1'"),
        ("where=beside", "must be one of above, below or none, got 'beside'"),
    ],
)
def test_lists_and_choices_that_do_not_fit_are_refused(text: str, must: str) -> None:
    with pytest.raises(ParameterError, match=must):
        parse_parameters(Several, parse_assignments([text]))


def test_the_schema_tells_types_ranges_units_and_defaults() -> None:
    schema = parameter_schema(Everything)
    assert schema["properties"]["share"] == {
        "default": 0.5,
        "description": "a share",
        "exclusiveMinimum": 0,
        "maximum": 1,
        "title": "Share",
        "type": "number",
        "unit": "share of the light",
    }
    assert schema["additionalProperties"] is False
    assert parameter_schema(Several)["properties"]["gains"]["items"] == {"exclusiveMinimum": 0, "type": "number"}


def test_grids_and_copies_of_scikit_learn_work_on_strategies() -> None:
    # Numbers of an array are plain numbers. `clone` demands a mutable estimator unless told safe=False: a strategy
    # is a frozen value, and replace is how another is made from it.
    grid = ParameterGrid({"share": np.linspace(0.25, 0.75, 3), "count": np.arange(1, 3), "colour": ["dark-blue"]})
    made = [replace(Everything(), **values) for values in grid]
    assert [(one.count, one.share) for one in made] == [(c, s) for c in (1, 2) for s in (0.25, 0.5, 0.75)]
    assert {type(one.share) for one in made} == {float}
    assert all(clone(one, safe=False) == one for one in made)
