"""One page over a whole study: its verdict, every strategy, every recording, parameters, groups."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from rich.table import Table

from teachlab.evidence.figures import embedded_figure
from teachlab.evidence.identity import json_digest
from teachlab.evidence.page import rendered
from teachlab.evidence.record_parts import LIMITS_OF_USE
from teachlab.studies.family.effect_figure import effect_figure
from teachlab.studies.family.family_tables import group_table, line_table, order_text, parameter_table, per_hundred
from teachlab.wording.verdict import verdict_lines

if TYPE_CHECKING:
    from teachlab.studies.family.family_answer import StudyAnswer

MOST_RANKED = 100
"""Number of configurations on the page; the rows hold all."""


@dataclass(frozen=True, slots=True)
class _PageTable:
    title: str
    caption: str
    head: Sequence[str]
    rows: Sequence[Sequence[Any]]
    figure: Any = None


def summary_page(found: StudyAnswer) -> str:
    """Return the page: no network, no script; every text stays text, and the same study gives the same bytes."""
    from markupsafe import Markup

    # The drawing library escapes every text: only this markup is allowed.
    figure, counted = None, found.counted.capitalize()
    caption = (
        f"{counted} in 100 passes by the values of each parameter: the mean over the recordings, and from the cheapest "
        "to the costliest recording."
    )
    if found.effects:
        figure = Markup(embedded_figure(effect_figure(found).decode(), "effects", "What each parameter does", caption))
    best = [
        [one.method.label, per_hundred(one.method.claim_cost), per_hundred(one.method.cost), one.method.unranked,
         one.method.worst, per_hundred(one.method.worst_cost), _share(one.method.share_between), one.equal,
         order_text(one.order)]
        for one in found.strategies
    ]  # fmt: skip
    ranked = [
        [
            one.label,
            *map(per_hundred, (one.cost, one.chosen_cost)),
            one.worst,
            per_hundred(one.worst_cost),
            one.unranked,
        ]
        for one in found.ranking[:MOST_RANKED]
    ]
    why = [(one.recording, one.why) for one in found.lines if one.why]
    tables = [
        _PageTable(
            "The best of each strategy",
            f"Chosen on the first half of the scored passes of all recordings; {found.counted} in 100 passes on the "
            "second half, then over all scored passes, there also of the costliest recording. Not taught: those on "
            "which it gives no setting in half of the draws; a strategy with fewer of them comes first. Between "
            "recordings: the share of the spread of the cost that lies there.",
            ("strategy", "second half", "all", "not taught", "costliest recording", f"{found.counted} there",
             "between recordings", "others that cost the same", "better than the next row?"),
            best,
        ),
        _of(line_table(found)),
        *([] if not why else [_PageTable("Reasons for these decisions", "", ("recording", "reason"), why)]),
        *([] if (table := parameter_table(found)) is None else [_of(table, figure)]),
        *([] if (table := group_table(found)) is None else [_of(table)]),
        _PageTable(
            "All configurations", f"{counted} in 100 passes, the mean over the recordings.",
            ("configuration", "all", "first half", "costliest recording", f"{found.counted} there",
             "recordings not taught"),
            ranked,
        ),
        *([] if not found.faults else [
            _PageTable("Not studied", "", ("recording", "reason"), [(one.path, one.fault) for one in found.faults])
        ]),
    ]  # fmt: skip
    count = len(found.lines)
    title = f"Study of {count} recording{'' if count == 1 else 's'}"
    return rendered(
        "study.html.j2",
        r={"title": title, "caption": caption, "record_sha256": json_digest(found.as_dict(rows=False))},
        verdict=_paragraphs(verdict_lines(found.verdict, details=True)),
        caution=LIMITS_OF_USE[0],
        tables=tables,
    )


def _of(table: Table, figure: Any = None) -> _PageTable:
    """Return a table of the terminal for the page."""
    columns = [list(column.cells) for column in table.columns]
    head = [str(column.header) for column in table.columns]
    return _PageTable(str(table.title), str(table.caption or ""), head, list(zip(*columns, strict=True)), figure)


def _share(value: float | None) -> str:
    return "–" if value is None else f"{100 * value:.0f} %"


def _paragraphs(lines: Sequence[str]) -> list[str]:
    """Return lines of a terminal as paragraphs: continued lines are indented."""
    out: list[str] = []
    for line in lines:
        if line.startswith("  ") and out:
            out[-1] += f" {line.strip()}"
        else:
            out.append(line)
    return out
