"""An identification in words: what the logged output says about its sensor, and what it leaves open."""

from __future__ import annotations

from textwrap import wrap
from typing import TYPE_CHECKING

from teachlab.model.printable_text import level_text
from teachlab.questions.verdict.places import moment
from teachlab.wording.tables import plain_table

if TYPE_CHECKING:
    from collections.abc import Sequence

    from rich.table import Table

    from teachlab.device.identified import Identification, Interval
    from teachlab.device.matching import ContradictedEdge
    from teachlab.model.recording import RecordingInfo

WIDTH = 100
MOST_CLASSES = 8
MOST_PLACES = 5


def identification_lines(found: Identification, info: RecordingInfo, *, details: bool = False) -> list[str]:
    """Return what was identified, how sure that is, what it leaves open, and which pulse would tell."""
    if found.refused is not None:
        return _wrapped([f"Not identified: {found.refused}"])
    best, wrong, many = found.classes[0], len(found.contradictions), len(found.classes)
    share = 100 * wrong / max(found.edges, 1)
    polarity = " or ".join(found.as_dict()["polarity"])
    lines = [
        f"Identified: on-level {_between(found.span('on_level'))}, off-level {_between(found.span('off_level'))} "
        f"{found.unit}, {polarity}.",
        f"The replay contradicts {wrong} of {found.edges} logged edges ({share:.2g} %), at ±{found.jitter} "
        f"sample{'' if found.jitter == 1 else 's'} of jitter.",
        f"Latency to active {_between(found.span('latency_active'))} samples, to inactive "
        f"{_between(found.span('latency_inactive'))} samples.",
    ]
    if many == 1:
        lines.append("One class of filter and delays fits.")
    else:
        lines.append(f"{many:,} classes of filter, delays and evaluation rate fit: this log cannot separate them.")
    if telling := found.telling():
        ms = 1000 * float(best.ratio) / found.sample_rate_hz
        lines.append(f"To separate more of them, log {telling}; an evaluation takes {ms:.3g} ms.")
    lag = found.span("lag")
    if lag is not None and lag.high > found.jitter:
        lines.append(f"Of the latency {_between(lag)} samples are lag of the log; that is no part of the setting.")
    out = _wrapped(lines)
    return out + place_lines(found.contradictions, info, details=details)


def place_lines(edges: Sequence[ContradictedEdge], info: RecordingInfo, *, details: bool) -> list[str]:
    """Return where log and replay differ, a line an edge; few of them without details."""
    shown = edges if details else edges[:MOST_PLACES]
    out = []
    for one in shown:
        missing = "the replay does not switch" if one.side == "logged" else "the log has no such edge"
        out.append(f"  {moment(one.sample, info)}, sample {one.sample}: becomes {one.edge}; {missing}.")
    if len(shown) < len(edges):
        out.append(f"  … {len(edges) - len(shown)} more with --details.")
    return out


def class_table(found: Identification, *, details: bool = False) -> Table:
    """Return the classes that fit, simplest first: filter and delays in evaluations, lag in samples."""
    most = len(found.classes) if details else MOST_CLASSES
    left = len(found.classes) - most
    more = f"{left:,} more with --details. " if left > 0 else ""
    table = plain_table("Classes that fit", f"{more}Filter and delays in evaluations, lag in samples.")
    for head in ("samples per evaluation", "filter", "on-delay", "off-delay", "lag", "on / off", "contradicted"):
        table.add_column(head, justify="right")
    for one in found.classes[:most]:
        t = one.timing
        low, high = t.off_delay, t.longest_on_delay + t.delay_difference
        table.add_row(
            f"{float(one.ratio):.6g}",
            str(t.consecutive),
            f"{t.on_delay}" if t.on_delay == t.longest_on_delay else f"{t.on_delay} to {t.longest_on_delay}",
            f"{low}" if low == high else f"{low} to {high}",
            str(one.lag),
            f"{level_text(one.levels[0])} / {level_text(one.levels[1])}",
            str(one.contradictions),
        )
    return table


def _between(span: Interval | None) -> str:
    if span is None:
        return "unknown"
    low, high = level_text(span.low), level_text(span.high)
    return low if low == high else f"{low} to {high}"


def _wrapped(lines: list[str]) -> list[str]:
    return [part for line in lines for part in wrap(line, WIDTH, subsequent_indent="  ", break_on_hyphens=False)]
