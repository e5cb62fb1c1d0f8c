"""What commands say of small lines is what they said when it was read last: every number and every sentence.

A difference that is meant is renewed with `python tests/answers.py`, read, and committed with its reason.
"""

from __future__ import annotations

import math
import re
from pathlib import Path

import answers
import pytest

from teachlab.cli.commands import COMMANDS

NUMBER = re.compile(r"[-+]?\d+\.?\d*(?:e[-+]?\d+)?")
KEPT = sorted(file.stem for file in answers.FOLDER.glob("*.txt"))


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, list[str]]:
    place = tmp_path_factory.mktemp("answers")
    return place, answers.prepared(place)


def differs(kept: str, now: str) -> bool:
    """Tell whether two lines differ by more than the last digits of their numbers."""
    if kept == now:
        return False
    pairs = zip(NUMBER.findall(kept), NUMBER.findall(now), strict=False)
    return NUMBER.sub("#", kept) != NUMBER.sub("#", now) or not all(
        math.isclose(float(a), float(b), rel_tol=1e-6, abs_tol=1e-9) for a, b in pairs
    )


def test_every_command_has_its_answers(folder: tuple[Path, list[str]]) -> None:
    assert sorted({line.split()[0] for line in folder[1]}) == KEPT
    assert set(COMMANDS) | {answers.KEYS} == set(KEPT)


@pytest.mark.parametrize("command", KEPT)
def test_a_command_says_what_it_said(folder: tuple[Path, list[str]], command: str) -> None:
    place, lines = folder
    kept = (answers.FOLDER / f"{command}.txt").read_text(encoding="utf-8").splitlines()
    now = "".join(answers.answers(place, [line for line in lines if line.split()[0] == command])).splitlines()
    other = [f"- {a}\n+ {b}" for a, b in zip(kept, now, strict=False) if differs(a, b)]
    assert not other, "\n".join([f"`python tests/answers.py {command}` renews:", *other[:12]])
    assert len(kept) == len(now)


def test_numbers_may_differ_in_their_last_digits_and_in_nothing_else() -> None:
    assert not differs("at 1.23456789 %", "at 1.23456788 %")
    assert differs("at 1.2345 %", "at 1.2346 %")
    assert differs("at 3 of 4", "at 3 of 5")
    assert differs("lost", "tripped")
