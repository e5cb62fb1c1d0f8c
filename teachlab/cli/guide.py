"""The command `guide`: one page a question, with commands that run as printed."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from teachlab.cli.console import emit_json, say, say_page
from teachlab.cli.options import Json


def guide_command(
    question: Annotated[str | None, typer.Argument(help="Name of a page; default: the list of all.")] = None,
    html: Annotated[str | None, typer.Option(help="Folder to write pages for a browser into.")] = None,
    json: Json = False,
) -> None:
    """Read the guide: one page a question, with commands that run as printed."""
    from teachlab.guide import GuidePages, guide_page, guide_pages, terminal_text

    asked = guide_pages() if question is None else GuidePages(pages=(guide_page(question),))
    page = None
    if html is not None:
        from teachlab.cli.writing import check_folder
        from teachlab.guide.web import write_guide

        check_folder(html)
        page = write_guide(Path(html), asked.pages)
    if json:
        emit_json(asked.as_dict())
        return
    if page is not None:
        say(f"Open {page} in a browser.")
    elif question is not None:
        say_page(terminal_text(asked.pages[0]))
    else:
        say("Which question do you have? Read its page with: teachlab guide NAME")
        for one in asked.pages:
            say(f"  {one.name:<9} {one.question}")
        say("All as pages for a browser: teachlab guide --html guide")
