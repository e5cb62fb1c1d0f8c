"""Every screen fits 100 columns; sentences are broken at words, commands never."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from teachlab.wording.lines import WIDTH, page_lines, wrapped

ANSWERS = sorted((Path(__file__).parents[1] / "answers").glob("*.txt"))
MEMBER = re.compile(r"[\w.-]+ = ")
COMMAND = re.compile(r"\bteachlab [a-z]+ ")


def screens(text: str) -> list[str]:
    """Return the lines of screens: neither calls, nor members of documents, nor the words of pages and pictures."""
    out: list[str] = []
    shown = True
    for line in text.splitlines():
        if line.startswith("$ "):
            shown = True
        elif line.startswith("> ") or MEMBER.match(line):
            shown = False
        elif shown:
            out.append(line)
    return out


@pytest.mark.parametrize("path", ANSWERS, ids=lambda path: path.stem)
def test_every_screen_fits_its_columns(path: Path) -> None:
    """But a command, which must work as printed, a message of bad input, which is one line, and a single long value."""
    lines = screens(path.read_text(encoding="utf-8"))
    assert len(lines) > 5 or path.stem == "scenario-keys"
    for line in lines:
        allowed = COMMAND.search(line) or line.startswith("teachlab: ") or len(line.split()) == 1
        assert len(line) <= WIDTH or allowed, line


def test_the_screens_of_the_answers_are_found() -> None:
    text = "$ teachlab x\nexit 0\nUse: a setting.\nschema = 1\nfile = 2\n$ teachlab y\nexit 0\nNext.\n> a.html\nwords\n"
    assert screens(text) == ["exit 0", "Use: a setting.", "exit 0", "Next."]


def test_a_short_sentence_stays_as_it_is() -> None:
    assert wrapped("  Two  words.") == ["  Two  words."]


def test_a_long_sentence_is_broken_at_words_and_numbers_keep_their_percent_sign() -> None:
    text = "    Why: " + "word " * 17 + "at 95 % confidence."
    assert wrapped(text) == ["    Why: " + "word " * 17 + "at", "      95 % confidence."]


@pytest.mark.parametrize("command", ["teachlab report tubs.parquet --setting a.json --criteria b.toml --out record"])
def test_a_command_is_never_broken(command: str) -> None:
    """With files, options, values and placeholders; what is said after it may stand in the next line."""
    long = f"{command} --draws 200 --title 'one-word' NAME.parquet"
    lines = wrapped(f"The limits were fixed before the run, so now: {long}, and then sign the page that it writes.")
    assert sum(long in line for line in lines) == 1
    assert " ".join(map(str.strip, lines)) == (
        f"The limits were fixed before the run, so now: {long}, and then sign the page that it writes."
    )


def test_a_line_that_leads_to_a_command_is_one_line() -> None:
    for lead in ("Mend it", "Next, with the setting saved there"):
        line = f"{lead}: teachlab align {'/folder' * 12}/line.parquet --out moved.parquet"
        assert wrapped(line) == [line]


def test_a_page_flows_but_for_its_code() -> None:
    table, code = "| a | b |\n|---|---|\n| `c` | d \\| e |\n", "```toml\nx = 1   # as it is\n```\n"
    page = f"# Head\n\nOne\ntwo.\n\n{table}\n{code}- item\n  more\n- next\n"
    assert page_lines(page) == [
        "# Head", "", "One two.", "", "a: b", "`c`: d \\| e", "", "x = 1   # as it is", "", "- item more", "- next", "",
    ]  # fmt: skip
