"""The guide as pages for a browser."""

from __future__ import annotations

import re
from collections.abc import Iterable
from pathlib import Path

from teachlab.data.atomic_files import one_result, write_aside
from teachlab.guide import FOLDER, GuidePage

_PRINTED = re.compile(r"<pre>(?=[^<]*<code[^>]*>(?:(?!</code>).)*\S {2,}\S)", re.DOTALL)
"""Opens a block with columns: it scrolls on a narrow screen, where running text wraps."""
_FIGURE = r'<figure tabindex="0"><img src="\1" alt=""><figcaption>\2</figcaption></figure>'


def web_pages(pages: Iterable[GuidePage]) -> dict[str, str]:
    """Return each page as HTML by the name of its file, and an index of all; figures are files beside them."""
    from jinja2 import Environment, FileSystemLoader
    from markdown_it import MarkdownIt

    marks = MarkdownIt("commonmark", {"html": False}).enable("table")
    template = Environment(loader=FileSystemLoader(FOLDER), autoescape=True).get_template("page.html.j2")
    pages = tuple(pages)
    found = {}
    for page in pages:
        # Pages link to each other by their sources.
        body = marks.render(page.with_names).replace('.md">', '.html">')
        body = re.sub(r'<p><img src="(.*?)" alt="(.*?)" /></p>', _FIGURE, body)
        body = _PRINTED.sub(lambda block: block[0].replace("<pre>", '<pre class="table" tabindex="0">', 1), body)
        found[f"{page.name}.html"] = template.render(title=page.question, body=body, pages=pages, here=page.name)
    listed = "\n\n".join(f"**[{page.question}]({page.name}.html)**  \n{page.answer}" for page in pages)
    title = "teachlab: which question do you have?"
    found["index.html"] = template.render(title=title, body=marks.render(listed), pages=pages, here="")
    return found


def write_guide(folder: Path, pages: Iterable[GuidePage]) -> Path:
    """Write pages and figures into a folder as one result; return the page to open.

    `folder`: it is made if it does not exist.
    """
    pages = tuple(pages)
    folder.mkdir(parents=True, exist_ok=True)
    with one_result():
        for name, text in web_pages(pages).items():
            with write_aside(folder / name) as aside:
                aside.write_text(text, encoding="utf-8")
        for figure in dict.fromkeys(figure for page in pages for figure in page.figures):
            with write_aside(folder / figure) as aside:
                aside.write_bytes((FOLDER / "figures" / figure).read_bytes())
    return folder / (f"{pages[0].name}.html" if len(pages) == 1 else "index.html")
