"""Sentences divided into lines of a screen."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar

from teachlab.model.printable_text import printable

WIDTH, NARROWEST = 100, 40
"""Columns of a screen, and of the narrowest."""
_columns = ContextVar("columns", default=WIDTH)
_QUOTED = r"(?:[^\s'\"]*(?:'[^']*'|\"[^\"]*\"))+[^\s'\"]*"
_COMMAND = re.compile(
    r"(?:^[^:]{1,40}: |(?<=\. )[^:.]{1,30}: |\w+: )?teachlab [a-z]+"
    rf"(?: (?:--[\w-]+(?: (?:{_QUOTED}|[^\s-]\S*))?|{_QUOTED}|\S*[./=*'\"]\S*|[A-Z][A-Z_]+|\d\S*))*"
)
"""A command with its options, values, files and placeholders, and the words of its sentence before it."""


@contextmanager
def screen(columns: int) -> Iterator[None]:
    """Divide lines for a screen of so many columns within this block, if it is narrower than `WIDTH`."""
    before = _columns.set(max(NARROWEST, min(WIDTH, columns)))
    try:
        yield
    finally:
        _columns.reset(before)


def lines_for(count: int) -> int:
    """Return how many lines of the screen hold what so many lines of `WIDTH` do."""
    return -(-count * WIDTH // _columns.get())


def wrapped(text: str, *, indent: str = "  ") -> list[str]:
    """Divide a text into lines of the screen; a command is never broken, so that it works as printed.

    Line breaks and what else is not printable come from the texts of files: they are spelled out, so that no text of a
    file begins a line.

    `text`: one line; the spaces at its start are put before every further line, too.
    `indent`: put before further lines, after those spaces.
    """
    text = printable(text)
    width = _columns.get()
    if len(text) <= width:
        return [text]
    # A number stays with its percent sign, and a command stays in one piece.
    tied = _COMMAND.sub(lambda found: found[0].replace(" ", "\u00a0"), text.replace(" %", "\u00a0%"))
    first = text[: len(text) - len(text.lstrip(" "))]
    lines = textwrap.wrap(
        tied[len(first) :], width, initial_indent=first, subsequent_indent=first + indent, break_long_words=False,
        break_on_hyphens=False,
    )  # fmt: skip
    return [line.replace("\u00a0", " ") for line in lines]


def page_lines(page: str) -> list[str]:
    """Return a page of Markdown as lines of a screen: paragraphs flow, a table row is one entry, code is unchanged."""
    out: list[str] = []
    for k, block in enumerate(re.split(r"^```.*\n((?:.*\n)*?)```$", page, flags=re.MULTILINE)):
        if k % 2:
            out += [*block.splitlines(), ""]
            continue
        for part in filter(str.strip, re.split(r"\n\s*\n", block)):
            # A table row or a list item begins an entry; other lines continue the one before.
            for entry in re.split(r"\n(?=[|#] ?|- |\d+\. )", part.strip("\n")):
                cells = [cell.strip() for cell in re.split(r"(?<!\\)\|", entry.strip("|"))] if entry[0] == "|" else []
                if not set("".join(cells)) <= set("- :") or not cells:
                    text = ": ".join(cells) if cells else " ".join(map(str.strip, entry.splitlines()))
                    out += wrapped(text, indent="  " if entry[0] in "|-" or entry[0].isdigit() else "")
            out.append("")
    return out
