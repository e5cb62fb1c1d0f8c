"""One self-contained page, and its PDF, as a view of a record."""

from __future__ import annotations

import hashlib
import os
from pathlib import Path
from typing import Any

from teachlab.errors import InputError
from teachlab.evidence.figures import record_figures
from teachlab.model.recording import Recording

TEMPLATE = Path(__file__).with_name("page.html.j2")
RATES = (
    ("lost_rate", "lost passes"),
    ("miss_rate", "missed"),
    ("merged_rate", "merged"),
    ("false_trips_per_gap", "gaps tripped"),
    ("false_trips_per_running_hour", "false trips per running hour"),
    ("false_trips_per_gap_hour", "false trips per gap-hour"),
    ("ignore_trips_per_pass", "trips per pass to be ignored"),
    ("extra_per_pass", "extra onsets per pass"),
)


def page_html(record: dict[str, Any], recording: Recording | None = None) -> str:
    """Return the page of a record: no network, no script; every text of the record stays text.

    Parameters
    ----------
    record : dict
    recording : Recording, optional
        For the light of the worst passes.
    """
    from jinja2 import Environment, StrictUndefined
    from markupsafe import Markup

    environment = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True)
    environment.filters |= {"g": _number, "pc": _percent, "words": lambda name: str(name).replace("_", " ")}
    template = environment.from_string(TEMPLATE.read_text(encoding="utf-8"))
    # Figures are made here, with every text escaped by the drawing library: the only markup let through.
    figures = [Markup(svg) for svg in record_figures(record, recording)]
    return template.render(
        r=record,
        percent=f"{100 * record['options']['confidence']:g} %",
        rates=[(name, _rate(record["score"][key])) for key, name in RATES],
        groups=[
            (name, list(record["score"][key].items()))
            for key, name in (("by_label", "label"), ("by_lot", "lot"))
            if len(record["score"][key]) > 1
        ],
        figures=figures,
        captions=_captions(record, recording),
        setting=[(k, _value(v)) for k, v in record["setting"].items() if k not in {"schema", "taught"}]
        + _taught(record),
        identity=_identity(record),
    )


def page_pdf(html: str) -> bytes:
    """Return the page as PDF, by the optional library WeasyPrint.

    Raises
    ------
    InputError
        If it is not installed, or its system libraries are missing.
    """
    try:
        from weasyprint import HTML
    except (ImportError, OSError) as fault:
        raise InputError(
            f"a PDF needs WeasyPrint and its system libraries ({fault}). Install it with: pip install 'teachlab[pdf]', "
            "or open the HTML page and print it."
        ) from None
    # Without an identifier one is drawn at random; without this variable fonts carry the time of day.
    before = os.environ.get("SOURCE_DATE_EPOCH")
    os.environ["SOURCE_DATE_EPOCH"] = "0"
    try:
        pdf: bytes = HTML(string=html).write_pdf(pdf_identifier=hashlib.sha256(html.encode()).digest()[:16])
    finally:
        if before is None:
            del os.environ["SOURCE_DATE_EPOCH"]
        else:
            os.environ["SOURCE_DATE_EPOCH"] = before
    return pdf


def _captions(record: dict[str, Any], recording: Recording | None) -> list[str]:
    out = []
    if record["over_time"]["blocks"]:
        out.append("Level of the passes over the recording, in stretches of equal number.")
    if record["sensitivity"]:
        out.append("Faults when both levels are shifted together; 0 is the setting.")
    if recording is not None and record["worst"]:
        out.append("Light of the worst passes; the pass is shaded, the levels are drawn.")
    return out


def _rate(rate: dict[str, Any]) -> dict[str, str]:
    if "trials" in rate:
        return {
            "events": str(rate["events"]),
            "over": str(rate["trials"]),
            **{key: _percent(rate[key]) for key in ("estimate", "low", "high", "upper")},
        }
    return {
        "events": str(rate["events"]),
        "over": f"{rate['exposure']:.4g} {rate['per']}",
        **{key: _number(rate[key]) for key in ("estimate", "low", "high", "upper")},
    }


def _taught(record: dict[str, Any]) -> list[tuple[str, str]]:
    taught = record["setting"]["taught"]
    if taught is None:
        return [("taught by", "not stated")]
    parameters = ", ".join(f"{key} = {value}" for key, value in taught["parameters"].items())
    return [("taught by", f"{taught['strategy']} ({parameters})")]


def _identity(record: dict[str, Any]) -> list[tuple[str, str]]:
    data, source = record["data"], record["setting_source"]
    keys = ("recording_sha256", "samples", "stored_type", "samples_sha256", "sample_rate_hz", "origin")
    out = [(key, _value(data[key])) for key in keys]
    out += [(key, _value(data[key])) for key in ("truth", "truth_file_sha256", "truth_sha256")]
    out += [("setting_" + key if key == "file" else key, _value(value)) for key, value in source.items()]
    if record["split"]:
        out += [(key, record["split"][key]) for key in ("teach_samples_sha256", "scored_samples_sha256")]
    out += [(key, value) for key, value in record["software"].items()]
    return [*out, ("record_sha256", record["record_sha256"])]


def _number(value: float | None) -> str:
    return "–" if value is None else f"{value:.4g}"


def _percent(value: float | None) -> str:
    return "–" if value is None else f"{100 * value:.3g} %"


def _value(value: Any) -> str:
    return "–" if value is None else str(value)
