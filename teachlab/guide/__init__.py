"""The guide: one page per question. The output on a page was printed by its own commands; a test runs them again."""

from __future__ import annotations

import difflib
import re
from dataclasses import dataclass
from pathlib import Path

from teachlab.errors import ParameterError
from teachlab.model.json_values import Document
from teachlab.wording.lines import page_lines

FOLDER = Path(__file__).parent
ORDER = (
    "log", "truth", "align", "label", "method", "declined", "lost", "possible", "drag", "dirt", "fast", "passes",
    "sensor", "keyin", "sign", "stale", "many", "strategy", "words",
)  # fmt: skip
"""Pages in the order of a job. Their commands are one walk: a page may use results of an earlier one."""
_FIGURE = re.compile(r"!\[([^\]]*)\]\(([^)]+)\)")


@dataclass(frozen=True, slots=True)
class GuidePage(Document):
    """One page of the guide.

    `name`: the name that is typed to read it.
    `text`: Markdown, with the question as its heading.
    """

    name: str
    question: str
    text: str

    @property
    def answer(self) -> str:
        """The answer at the top of the page, as Markdown."""
        return self.text.split("\n\n")[1].removeprefix("**Answer.** ")

    @property
    def with_names(self) -> str:
        """The text, with the name of its file before every block that is a file."""
        return re.sub(r"^(```\w+) (\S+)$", r"File \2:\n\n\1", self.text, flags=re.MULTILINE)

    @property
    def figures(self) -> tuple[str, ...]:
        """Names of the files of its figures, in ``figures/``."""
        return tuple(found[2] for found in _FIGURE.finditer(self.text))


@dataclass(frozen=True, slots=True, kw_only=True)
class GuidePages(Document):
    """All pages, or the requested ones.

    `pages`: in the order of a job.
    """

    schema: int = 1
    pages: tuple[GuidePage, ...]


def guide_page(name: str) -> GuidePage:
    """Return one page.

    Raises ParameterError if no page has that name.
    """
    if name not in ORDER:
        near = difflib.get_close_matches(name, ORDER, 1, 0.4)
        hint = f" Did you mean '{near[0]}'?" if near else ""
        raise ParameterError(f"the guide has no page '{name}'.{hint} Its pages: {', '.join(ORDER)}.")
    text = (FOLDER / "pages" / f"{name}.md").read_text(encoding="utf-8")
    return GuidePage(name, text.partition("\n")[0].removeprefix("# "), text)


def guide_pages() -> GuidePages:
    """Return all pages."""
    return GuidePages(pages=tuple(guide_page(name) for name in ORDER))


def terminal_text(page: GuidePage) -> str:
    """Return a page for reading in a terminal, in its lines: without marks, each figure replaced by its caption."""
    text = _FIGURE.sub(lambda found: f"Figure (teachlab guide {page.name} --html FOLDER): {found[1]}", page.with_names)
    text = re.sub(r"\[([^\]]*)\]\((\w+)\.md\)", r"\1 (teachlab guide \2)", text)
    text = re.sub(r"^# |\*\*|(?<!`)`(?!`)", "", text, flags=re.MULTILINE)
    return "\n".join(page_lines(text)).rstrip("\n")
