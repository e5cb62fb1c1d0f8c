"""The page of levels that lies beside an evidence record."""

from __future__ import annotations

from teachlab.evidence.record_parts import Sources, source_name
from teachlab.model.recording import Recording
from teachlab.model.score import Rules
from teachlab.model.setting import Setting
from teachlab.model.truth import Truth
from teachlab.page.assembly import page_html
from teachlab.page.contents import page_contents
from teachlab.questions.verdict import FilesJudged


def levels_page(recording: Recording, truth: Truth, setting: Setting, sources: Sources, rules: Rules) -> str:
    """Return the HTML of the page of a setting on its whole recording; it names files as they lie beside the record."""
    given = None if sources.setting is None else source_name(sources.setting)
    files = FilesJudged(
        recording=source_name(sources.recording), setting=given, truth=source_name(sources.truth),
    )  # fmt: skip
    return page_html(page_contents(recording, truth, setting, rules=rules, files=files))
