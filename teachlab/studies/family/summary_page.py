"""One page over a whole study: its verdict, every strategy, every recording, parameters, groups."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from rich.table import Table

from teachlab.evidence.figures import embedded_figure
from teachlab.evidence.identity import json_digest
from teachlab.evidence.page import rendered
from teachlab.evidence.record_parts import LIMITS_OF_USE
from teachlab.model.printable_text import number_of
from teachlab.studies.family.effect_figure import effect_figure
from teachlab.studies.family.family_tables import group_table, line_table, order_text, parameter_table, per_hundred
from teachlab.wording.verdict import verdict_lines

if TYPE_CHECKING:
    from teachlab.studies.family.family_answer import StudyAnswer

MOST_RANKED = 100
"""Number of configurations on the page; the rows hold all."""
KEPT = 3
"""First columns of a table, which are shown whatever they hold."""


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
        [_with_equals(one.method.label, one.equal), per_hundred(one.method.claim_cost), per_hundred(one.method.cost),
         _costliest(one.method.worst, one.method.worst_cost), one.method.unranked, _share(one.method.share_between),
         order_text(one.order) or "–"]
        for one in found.strategies
    ]  # fmt: skip
    ranked = [
        [one.label, *map(per_hundred, (one.cost, one.chosen_cost)), _costliest(one.worst, one.worst_cost), one.unranked]
        for one in found.ranking[:MOST_RANKED]
    ]
    tables = [
        _told(
            "The best of each strategy",
            f"Chosen on the first half of the scored passes of all recordings; {found.counted} in 100 passes on the "
            "second half, then over all scored passes, and there of the costliest recording.",
            {"strategy": "", "second half": "", "all": "", "costliest recording": "",
             "not taught": "Not taught: recordings on which it gives no setting in half of the draws; a strategy with "
             "fewer of them comes first.",
             "spread": "Spread: how much of the spread of the cost lies between recordings, the rest between draws.",
             "better than the next row?": ""},
            best,
        ),
        _of(line_table(found)),
        *([] if not (why := _reasons(found)) else [
            _PageTable("Reasons for these decisions", "", ("recording", "reason"), why)
        ]),
        *([] if (table := parameter_table(found)) is None else [_of(table, figure)]),
        *([] if (table := group_table(found)) is None else [_of(table)]),
        _told(
            "All configurations", f"{counted} in 100 passes, the mean over the recordings.",
            dict.fromkeys(("configuration", "all", "first half", "costliest recording", "recordings not taught"), ""),
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


def _told(title: str, caption: str, columns: Mapping[str, str], rows: list[list[Any]]) -> _PageTable:
    """Return a table without the columns that hold nothing; `columns`: what the caption says of each, by its name."""
    # A phone has room for five columns, and a tired reader too.
    kept = [k for k in range(len(columns)) if not rows or any(row[k] not in {0, "–"} for row in rows) or k < KEPT]
    said = [text for k, text in enumerate(columns.values()) if text and k in kept]
    head = [name for k, name in enumerate(columns) if k in kept]
    return _PageTable(title, " ".join([caption, *said]), head, [[row[k] for k in kept] for row in rows])


def _with_equals(label: str, equal: int) -> str:
    return f"{label}; {number_of(equal, 'other value')} cost{'s' if equal == 1 else ''} the same" if equal else label


def _costliest(name: str, cost: float | None) -> str:
    return f"{name}: {per_hundred(cost)}" if name else "–"


def _reasons(found: StudyAnswer) -> list[tuple[str, str]]:
    """Return the recordings of every reason, in the order in which reasons come first."""
    of: dict[str, list[str]] = {}
    for one in found.lines:
        if one.why:
            of.setdefault(one.why, []).append(one.recording)
    whole = len(found.lines)
    return [(f"all {whole}" if len(names) == whole > 1 else ", ".join(names), why) for why, names in of.items()]


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
