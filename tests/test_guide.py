"""The guide tells the truth: every page is what its own commands print and draw today."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import guide
import numpy as np
import pytest
import shell

from teachlab.cli.commands import COMMANDS
from teachlab.errors import ParameterError, TeachlabError
from teachlab.evidence.page import GLOSSARY
from teachlab.guide import FOLDER, ORDER, GuidePage, guide_page, guide_pages, terminal_text
from teachlab.guide.web import web_pages
from teachlab.wording.lines import screen

MOST_DIFFERENT = 0.01
"""Share of pixels that may differ by font and rounding."""


def test_every_page_prints_and_draws_what_its_commands_make() -> None:
    from matplotlib.image import imread

    stale = []
    for name, text, folder in guide.renewed_pages():
        page = guide_page(name)
        if page.text != text:
            stale.append(f"{name}: renew with python tests/guide.py\n{text}")
        for figure in page.figures:
            made, kept = imread(folder / figure), imread(FOLDER / "figures" / figure)
            assert made.shape == kept.shape, figure
            assert np.mean(np.abs(made - kept).max(axis=2) > 0.2) < MOST_DIFFERENT, figure
    assert not stale, "\n".join(stale)


def test_pages_and_figures_are_all_there_and_none_is_left_over() -> None:
    assert {f.stem for f in (FOLDER / "pages").iterdir()} == set(ORDER)
    assert {f.name for f in (FOLDER / "figures").iterdir()} == {f for p in guide_pages().pages for f in p.figures}


@pytest.mark.parametrize("name", ORDER)
def test_a_page_answers_first_and_names_real_commands_and_pages(name: str) -> None:
    page = guide_page(name)
    question, answer = page.text.split("\n\n")[:2]
    assert question.endswith("?")
    assert answer.startswith("**Answer.** ")
    for command in re.findall(r"\bteachlab ([a-z]+)", page.text):
        assert command in COMMANDS or command in ("is", "replaces"), command
    for other in re.findall(r"\]\((\w+)\.md\)", page.text):
        assert other in ORDER
    for sentence in re.findall(r"!\[([^\]]*)\]", page.text):
        assert sentence.endswith("."), "a figure has a sentence that says what to see"


def test_what_stands_in_running_text_is_a_command_that_parses() -> None:
    """Commands beside the blocks are not run: each must at least name options that the command has."""
    for page in guide_pages().pages:
        prose = re.sub(r"^```.*?^```$", "", page.text, flags=re.MULTILINE | re.DOTALL)
        for line in re.findall(r"`teachlab ([^`]+)`", prose):
            command, *words = shlex.split(line)
            help_text = shell.invoke(command, "--help", env={"COLUMNS": "200"}).output
            for word in words:
                assert not word.startswith("--") or word in help_text, line


def test_the_terminal_shows_no_marks() -> None:
    for page in guide_pages().pages:
        text = terminal_text(page)
        assert "```" not in text
        assert "**" not in text
        assert "](" not in text
    assert "Figure (teachlab guide log --html FOLDER): The light over time." in terminal_text(guide_page("log"))


@pytest.mark.parametrize("columns", [100, 60, 40])
def test_prose_fits_the_terminal_and_every_file_has_its_name(columns: int) -> None:
    """Before, lines had up to 133 columns, rows of tables had bars, and nothing said which file a block is."""
    for page in guide_pages().pages:
        with screen(columns):
            text = terminal_text(page)
        assert "\n|" not in text
        blocks = re.findall(r"^```(\w+)(?: (\S+))?\n(.*?)^```$", page.text, flags=re.MULTILINE | re.DOTALL)
        rest = text
        for _, name, body in blocks:
            assert f"File {name}:\n\n" in text or not name, (page.name, name)
            rest = rest.replace(body.rstrip("\n"), "")
        # A command stays in one piece.
        long = [line for line in rest.splitlines() if len(line) > columns and "teachlab " not in line]
        assert not long, (page.name, long)


def test_web_pages_link_to_each_other_and_show_their_figures(tmp_path: Path) -> None:
    shell.run("guide", "--html", tmp_path / "guide")
    files = {f.name for f in (tmp_path / "guide").iterdir()}
    pages = web_pages(guide_pages().pages)
    assert set(pages) <= files
    for name, text in pages.items():
        for target in re.findall(r'(?:href|src)="([^"]+)"', text):
            assert target in files, f"{name}: {target}"
        assert "Not a safety device" in text
        assert text.count("<figcaption>") == text.count("<img ")
    titles = {name: re.findall("<title>(.*?)</title>", text) for name, text in pages.items()}
    assert titles.pop("index.html") == ["teachlab: which question do you have?"]
    assert titles == {f"{page.name}.html": [page.question] for page in guide_pages().pages}


def test_the_index_gives_every_answer_and_only_printed_tables_scroll() -> None:
    pages = guide_pages().pages
    index = web_pages(pages)["index.html"]
    for page in pages:
        assert page.answer
        assert f'<a href="{page.name}.html">{page.question}</a></strong><br />' in index
    text = "# Q\n\n**Answer.** A.\n\n```\n{}\n```\n\nAfter  this  prose.\n"
    printed = {row: web_pages([GuidePage("q", "Q", text.format(row))])["q.html"] for row in ("Claim: 1 pass", "a   1")}
    assert ['<pre class="table" tabindex="0">' in page for page in printed.values()] == [False, True]


def test_an_unknown_page_is_refused_with_the_nearest() -> None:
    with pytest.raises(ParameterError, match="Did you mean 'method'"):
        guide_page("methods")
    shell.run("guide", "methods", code=2)
    listed = shell.invoke("guide").output
    assert all(name in listed for name in ORDER)


def errors() -> list[type[TeachlabError]]:
    found = [TeachlabError]
    for one in found:
        found += one.__subclasses__()
    return found


def test_errors_name_pages_that_are_there() -> None:
    named = {one.guide for one in errors()} - {None}
    assert {"log", "truth", "strategy", "declined"} <= named <= set(ORDER)


def test_a_long_message_names_its_page_and_a_short_one_does_not(tmp_path: Path) -> None:
    (tmp_path / "log.csv").write_text("time,light\n0,1\n1,2\n")
    (tmp_path / "none.parquet").write_bytes(b"")
    long = shell.invoke("inspect", tmp_path / "log.csv").output
    assert long.count("\n") == 1
    assert len(long) > 100
    assert long.endswith(" More: teachlab guide log\n")
    assert "More:" not in shell.invoke("guide", "xyz").output


def test_words_mean_on_the_page_what_they_mean_in_a_record() -> None:
    rows = dict(re.findall(r"^\| ([^|]+) \| ([^|]+) \|$", guide_page("words").text, flags=re.MULTILINE))
    assert {word: rows.get(word) for word, _ in GLOSSARY} == dict(GLOSSARY)
    assert list(rows)[2:] == sorted(list(rows)[2:])
