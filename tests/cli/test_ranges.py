"""Every number that a command takes has a range, told in its help and held before any work."""

import re
from typing import Annotated, Any, get_type_hints

import pytest
import shell
import typer
from typer.testing import CliRunner

from teachlab.cli.commands import COMMANDS, functions_of
from teachlab.cli.frame import framed
from teachlab.cli.ranges import RANGES, Range, is_number, range_of


def numbers() -> list[tuple[str, str, str, Any]]:
    """Return (words of the command, its name, parameter, annotation) of every number."""
    found = []
    for listed in COMMANDS:
        for command, function in functions_of(listed).items():
            words = command if command == listed else f"{listed} {command}"
            for name, kind in get_type_hints(function, include_extras=True).items():
                if is_number(kind):
                    found.append((words, command, name, kind))
    return found


NUMBERS = numbers()


def test_there_are_many_and_the_table_holds_no_others() -> None:
    assert len(NUMBERS) > 80
    used = {name for _, _, name, _ in NUMBERS} | {"memory", "shift_ms", "clock_ppm", "pass_ms"}
    assert set(RANGES) <= used


@pytest.mark.parametrize(("words", "command", "name", "kind"), NUMBERS, ids=[f"{w} {n}" for w, _, n, _ in NUMBERS])
def test_every_number_has_a_range(words: str, command: str, name: str, kind: Any) -> None:
    held = range_of(command, name, kind)
    assert held is not None, f"{words}: give {name} a range, beside its option or in cli/ranges.py"
    assert held.low < held.high < float("inf")


@pytest.mark.parametrize(("words", "command", "name", "kind"), NUMBERS, ids=[f"{w} {n}" for w, _, n, _ in NUMBERS])
def test_a_range_is_written_for_people(words: str, command: str, name: str, kind: Any) -> None:
    told = str(range_of(command, name, kind))
    assert not re.search(r"\de[+-]?\d", told), told


@pytest.mark.parametrize(
    ("words", "says"),
    [
        ("bench x.parquet --draws 9223372036854775808", "--draws must be a number from 1 to 1,000,000"),
        ("counterfactual x.parquet --mains-hz 1e-6", "--mains-hz must be a number from 1 to 10,000, got 1e-06"),
        ("plan --max-rate 1e-320", "--max-rate must be a number from 10^-12 to 1,000,000,000,000"),
        ("plan --max-rate 1e308", "--max-rate must be"),
        (f"plan --max-rate 0.01 --events {'9' * 400}", "--events must be a number from 0 to 1,000,000,000, got 9999"),
        ("surroundings target --memory nan", ""),
        ("inspect x.parquet --memory 0", "--memory must be a number from 0.001 to 1,000,000, got 0"),
        ("surroundings neighbour --width-us 1 --period-us 1e300 --period-us 3", "--period-us must be"),
    ],
)
def test_outside_is_refused_before_any_file_is_looked_for(words: str, says: str) -> None:
    ran = shell.run(*words.split(), code=2)
    assert says in ran.output
    assert len(ran.output) <= 2000


def test_a_range_beside_the_option_is_held_and_told() -> None:
    def weighed(draws: Annotated[int, typer.Option(help="Weighed."), Range(2, 5)] = 2) -> None:
        typer.echo(f"{draws}")

    own = typer.Typer()
    own.command()(framed("weighed", weighed))
    assert "Weighed. Range: 2 to 5." in CliRunner().invoke(own, ["--help"]).output
    assert CliRunner().invoke(own, ["--draws", "5"]).output == "5\n"
    assert "from 2 to 5, got 6" in str(CliRunner().invoke(own, ["--draws", "6"]).exception)


def test_help_tells_the_range() -> None:
    told = " ".join(shell.invoke("bench", "--help").output.replace("│", " ").split())
    assert "each time shown other passes. Range: 1 to 1,000,000." in told


@pytest.mark.parametrize(
    ("held", "inside", "outside"),
    [
        (Range(0, 1), (0, 0.5, 1), (-1e-9, 1.1)),
        (Range(0, 1, open_low=True), (1e-300, 1), (0, 2)),
        (Range(0, 1, open_high=True), (0, 0.99), (1, -1)),
        (Range(0, 1, open_low=True, open_high=True), (0.5,), (0, 1)),
    ],
)
def test_ends_of_a_range(held: Range, inside: tuple[float, ...], outside: tuple[float, ...]) -> None:
    assert all(value in held for value in inside)
    assert not any(value in held for value in outside)


def test_the_help_of_synth_tells_the_range_that_is_held() -> None:
    from teachlab.synthetic.produce import MOST_GAIN, MOST_PERCENT

    held = {name: (RANGES[name].low, RANGES[name].high) for name in ("gain", "ambient", "pedestal")}
    assert held == {"gain": (0, MOST_GAIN), "ambient": (-MOST_PERCENT, MOST_PERCENT), "pedestal": (0, MOST_PERCENT)}
