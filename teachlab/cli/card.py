"""The command `card`: what to key in at the device, and the sheet for teaching and checking it."""

from __future__ import annotations

import shlex
from dataclasses import replace
from typing import TYPE_CHECKING, Annotated

import typer

from teachlab.cli.console import NOT_ENOUGH, emit_json, note_last, say, say_verdict
from teachlab.cli.options import AcceptCost, Confidence, Details, DeviceFile, Json, PassesFile, RecordingFile, Tolerance
from teachlab.cli.writing import kind_of
from teachlab.model.printable_text import typed_again
from teachlab.wording.notes import passes_note

if TYPE_CHECKING:
    from teachlab.device.card import SettingCard


def card_command(
    recording: RecordingFile,
    setting: Annotated[str, typer.Option(help="Setting to key in: JSON.")],
    device: DeviceFile = None,
    truth: PassesFile = None,
    cycle: Annotated[
        list[str] | None,
        typer.Option(
            help="What repeats, such as belt=10s: teaching must go on until it was seen. May be given several times."
        ),
    ] = None,
    draws: Annotated[int, typer.Option(help="Teachings repeated for the value that is expected afterwards.")] = 50,
    tolerance_ms: Tolerance = 0.0,
    confidence: Confidence = 0.95,
    accept_cost: AcceptCost = 0.05,
    out: Annotated[str | None, typer.Option(help="Write the card as a page: .html or .pdf.")] = None,
    details: Details = False,
    json: Json = False,
) -> None:
    """Say what to key in at the device, and how to teach and check it: one page to take to the line.

    Exit code 3: the steps of the device are too coarse for this setting.
    """
    from teachlab.data.opening import open_pair
    from teachlab.data.setting_files import read_setting
    from teachlab.device.card import card
    from teachlab.device.device_file import read_device
    from teachlab.model.draws import DrawOptions
    from teachlab.model.score import Rules
    from teachlab.questions.coverage.cycles import cycle_of
    from teachlab.questions.verdict import FilesJudged, JudgedBy
    from teachlab.switching.fitting import refuse_unfit

    kind = "" if out is None else kind_of(out, "html", "pdf")
    if kind == "pdf":
        from teachlab.evidence.page import pdf_printer

        pdf_printer()
    opened, passes = open_pair(recording, truth)
    used = read_setting(setting)
    refuse_unfit([(setting, used)], [(recording, opened)])
    rules = Rules(tolerance_ms=tolerance_ms, confidence=confidence)
    files = FilesJudged(recording=recording, setting=setting, truth=truth)
    found = card(
        opened, passes, used, None if device is None else read_device(device),
        by=JudgedBy(accepted=accept_cost, files=files), options=DrawOptions(draws=draws, rules=rules),
        cycles=[cycle_of(text, line_speed_m_s=opened.info.line_speed_m_s) for text in cycle or []],
    )  # fmt: skip
    if found.refused is not None and device is not None:
        # The best pair of those that can be keyed in.
        step = f"teachlab surface {typed_again(recording, truth=truth)}"
        found = replace(found, verdict=found.verdict.leading_to(step))
    if out is not None:
        from teachlab.data.atomic_files import write_aside
        from teachlab.evidence.card_page import card_html
        from teachlab.evidence.page import page_pdf

        page = card_html(found, title=f"Setting card: {opened.info.title or opened.name}")
        with write_aside(out) as aside:
            aside.write_bytes(page_pdf(page) if kind == "pdf" else page.encode())
    note_last(passes_note(passes))
    if json:
        emit_json(found.as_dict())
    else:
        _say(found, details=details)
        if out is not None:
            say(f"Card: {out}")
        else:
            say(f"To print: add --out {shlex.quote(opened.name + '-card.html')}")
    if found.refused is not None:
        raise typer.Exit(NOT_ENOUGH)


def _say(found: SettingCard, *, details: bool) -> None:
    from teachlab.wording.verdict import REFUSED

    # One remark beside the claim, so that a reason has room: all of them are in the details and on the report.
    say_verdict(found.verdict, details=details, most=8 if found.refused is None else 12, remarks=1)
    keyed = found.key_lines() if found.refused is None else []
    if details:
        for name, value in (*keyed, *found.rest_lines(), *found.sheet_lines()):
            say(f"  {name}: {value}")
    elif keyed:
        trial = " for a trial only, it is not shown to work" if str(found.verdict.decision) in REFUSED else ""
        say(f"Key in{trial}: {', '.join(f'{name.lower()} {value}' for name, value in keyed)}.")
