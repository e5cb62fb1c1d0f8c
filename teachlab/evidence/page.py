"""One self-contained page, and its PDF, made from a record."""

from __future__ import annotations

import hashlib
import os
import re
from pathlib import Path
from typing import Any

import teachlab.evidence.sections.repeat_wording as repeats
import teachlab.evidence.wording as wording
from teachlab.errors import InputError
from teachlab.evidence.about import about_rows, people
from teachlab.evidence.figures import record_figures
from teachlab.model.printable_text import printable
from teachlab.model.recording import Recording
from teachlab.model.verdict import MOST_REASONS, VerdictReason
from teachlab.teaching.parameters import stated
from teachlab.wording.course import course_lines

FOLDER = Path(__file__).parent / "templates"


GLOSSARY = (
    ("pass", "One object in front of the sensor, from its start to its end."),
    ("gap", "What lies between the windows of passes. A gap is one trial: nothing may switch in it."),
    ("window", "A pass with the doubt of its borders and the time by which filter and delay may hold the output back."),
    ("hit", "The output switched on in the window of a pass that must be detected."),
    ("miss", "The output did not switch on in the window of a pass that must be detected."),
    (
        "merged",
        "The output did not switch on, since it was still on from before. A merged pass is lost like a missed one.",
    ),
    ("extra", "The output switched on again in the same pass: the piece is counted twice."),
    ("false trip", "The output switched on in a gap, or on something that must be ignored."),
    ("truth", "The table of passes against which the output is scored, with its doubt; where it comes from is stated."),
    ("lot", "Pieces that share a batch, a shift or a material, and are more similar to one another than to others."),
    ("upper bound", "The largest rate that the data do not rule out at the confidence given; one-sided."),
    ("design effect", "By how much fewer passes count as independent, since those of one lot are similar."),
    (
        "margin to noise",
        "Distance from the level to the light that comes nearest, in standard deviations of noise.",
    ),
    ("contamination reserve", "Share of the light that may be lost before the first fault, of what was recorded."),
    ("switching position", "Where in the pass the output switches on, and after its end off."),
    ("not stated", "Nobody gave it. It does not mean that there is none."),
)


def page_html(record: dict[str, Any], recording: Recording | None = None) -> str:
    """Return the page of a record: without network or script; every text of the record stays text.

    `recording`: needed for the light of the worst passes.
    """
    from markupsafe import Markup

    # Figures are made here, and the drawing library escapes all their text: only this markup is allowed.
    figures = {
        name: {"svg": Markup(svg), "caption": caption}
        for name, (svg, caption) in record_figures(record, recording).items()
    }
    return rendered(
        "page.html.j2",
        r=record,
        **wording.verdict_parts(record),
        percent=f"{100 * record['options']['confidence']:g} %",
        rates=wording.rate_rows(record["score"]),
        counted=wording.counted_lines(record),
        dependences=wording.dependence_rows(record["dependence"]),
        warnings=wording.dependence_warnings(record["dependence"]),
        bursts=wording.burst_rows(record),
        groups=wording.group_tables(record["score"]),
        margins=wording.margin_rows(record),
        course=course_lines(record["over_time"]),
        figures=figures,
        cloud=repeats.cloud_rows(record["teach_cloud"], record["data"]["unit"], record["score"]["running_hours"]),
        divided=repeats.divided_rows(record["teach_cloud"], record["data"]["unit"]),
        repeated=repeats.cloud_lines(record["teach_cloud"]),
        cycles=repeats.cycle_rows(record["cycles"]),
        setting=wording.setting_rows(record),
        brief=wording.brief_rows(record),
        explore=wording.explore_line(record),
        levels="levels_page_sha256" in record,
        about=dict(about_rows(record)),
        people=people(record),
        positions=(record["switching_position"] or {"said": []})["said"],
        kept=wording.kept_lines(record),
        glossary=GLOSSARY,
        reasons=[VerdictReason(**reason).told for reason in record["verdict"]["reasons"][:MOST_REASONS]],
        identity=wording.identity_rows(record),
    )


def abstention_html(record: dict[str, Any]) -> str:
    """Return the page of the record of an abstention."""
    return rendered(
        "abstained.html.j2",
        r=record,
        parameters=stated(record["abstained"]["parameters"]),
        percent=f"{100 * record['options']['confidence']:g} %",
        offers=wording.offer_rows(record),
        people=people(record),
        about=about_rows(record, "document_number", "revision", "asset", "product", "conditions"),
        identity=wording.data_rows(record, record["source"]),
    )


def rendered(template: str, **values: Any) -> str:
    """Return a page made from a template beside this file; every text except `Markup` is escaped."""
    from jinja2 import Environment, FileSystemLoader, StrictUndefined
    from markupsafe import Markup

    def shown(value: Any) -> Any:
        return printable(value, keep="\n\t") if isinstance(value, str) and not isinstance(value, Markup) else value

    environment = Environment(
        loader=FileSystemLoader(FOLDER), autoescape=True, undefined=StrictUndefined, trim_blocks=True, finalize=shown
    )
    environment.filters |= {
        "judged": wording.judged_text,
        "g": wording.number,
        "pc": wording.percent,
        "words": lambda name: str(name).replace("_", " "),
        "breakable": _breakable,
    }
    page: str = environment.get_template(template).render(**values)
    return page.lstrip()


def _breakable(text: Any) -> Any:
    """Return a text in which a long name may be broken behind its marks, else after 16 letters."""
    from markupsafe import Markup, escape

    long = re.sub(r"([_/\\](?=\w)|[^\s_/\\-]{16}(?=[^\s_/\\-]{4}))", "\\1\0", printable(str(text), keep="\n\t"))
    return Markup("<wbr>").join(map(escape, long.split("\0")))


def pdf_printer() -> Any:
    """Return the function that makes a PDF from HTML, or refuse; call this before any work.

    Raises InputError if WeasyPrint is not installed, or its system libraries are missing.
    """
    try:
        from weasyprint import HTML
    except (ImportError, OSError) as fault:
        raise InputError(
            f"a PDF needs WeasyPrint and its system libraries ({fault}). Install it with: pip install 'teachlab[pdf]', "
            "or open the HTML page and print it."
        ) from None
    return HTML


def page_pdf(html: str) -> bytes:
    """Return the page as PDF, by the optional library WeasyPrint.

    Raises InputError if it is not installed, or its system libraries are missing.
    """
    printer = pdf_printer()
    # Without an identifier, a random one is used; without this variable, fonts carry the time of day.
    before = os.environ.get("SOURCE_DATE_EPOCH")
    os.environ["SOURCE_DATE_EPOCH"] = "0"
    try:
        pdf: bytes = printer(string=html).write_pdf(pdf_identifier=hashlib.sha256(html.encode()).digest()[:16])
    finally:
        if before is None:
            del os.environ["SOURCE_DATE_EPOCH"]
        else:
            os.environ["SOURCE_DATE_EPOCH"] = before
    return pdf
