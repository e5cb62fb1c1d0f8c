"""The command `teach`: one setting from one showing."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from dataclasses import replace
from typing import TYPE_CHECKING, Annotated, Any, TypeVar, cast

import typer

from teachlab.cli import options as opt
from teachlab.cli.again import carried, given_again
from teachlab.cli.console import NOT_ENOUGH, emit_json, note_last, say_lines, say_verdict, warn
from teachlab.cli.opening import load_base, teachers
from teachlab.errors import Abstained
from teachlab.model.recording import Recording
from teachlab.model.truth import Truth
from teachlab.wording.notes import passes_note

if TYPE_CHECKING:
    from teachlab.device.device_file import DeviceDocument
    from teachlab.model.setting import Setting
    from teachlab.model.teaching import Strategy
    from teachlab.questions.design import DesignAnswer
    from teachlab.questions.teach import TeachAnswer

Answer = TypeVar("Answer", "TeachAnswer", "DesignAnswer")


def teach_command(
    context: typer.Context,
    recording: opt.RecordingFile,
    strategy: Annotated[str, typer.Option(help="Name of a strategy, or ./file.py:Class.")],
    set_: opt.Assignments = None,
    truth: opt.PassesFile = None,
    base: opt.Base = None,
    seed: opt.Seed = 0,
    tolerance_ms: opt.Tolerance = 0.0,
    device: opt.DeviceFile = None,
    out: Annotated[str | None, typer.Option(help="Write the setting: JSON.")] = None,
    accept_cost: opt.AcceptCost = 0.05,
    details: opt.Details = False,
    json: opt.Json = False,
) -> None:
    """Teach one setting, as one person would on one day."""
    from teachlab.questions.teach import taught_and_judged

    (teacher,) = teachers([strategy], set_ or [])
    found = ask_for_setting(
        taught_and_judged, teacher, recording, context, truth=truth, base=base, seed=seed,
        tolerance_ms=tolerance_ms, out=out, accept_cost=accept_cost, device=device, json=json,
    )  # fmt: skip
    if not json:
        say_verdict(found.verdict, details=details)


def ask_for_setting(
    ask: Callable[..., Answer], teacher: Strategy, recording: str, context: typer.Context, *, truth: str | None,
    base: str | None, seed: int, tolerance_ms: float, out: str | None, accept_cost: float, json: bool,
    device: str | None = None, draw: Callable[[Answer, Recording, Truth], None] = lambda found, recording, truth: None,
) -> Answer:  # fmt: skip
    """Ask for a setting, write and draw it if wanted, and print what belongs to it, or the document.

    Raises `typer.Exit` if nothing was taught, or the setting cannot be keyed in; the reason was printed.
    """
    from teachlab.data.opening import open_pair
    from teachlab.data.setting_files import write_setting
    from teachlab.device.device_file import read_device
    from teachlab.device.keyed_in import REFUSED, check_unit
    from teachlab.model.score import Rules
    from teachlab.questions.verdict import FilesJudged, JudgedBy
    from teachlab.switching.fitting import naming
    from teachlab.wording.alignment import lead_lines

    opened, passes = open_pair(recording, truth)
    used, known = load_base(base), None
    if device is not None:
        known = read_device(device)
        check_unit(known, opened)
        with naming(device, recording):
            teacher = known.designing(teacher)
    files = FilesJudged(recording=recording, setting=out, truth=truth, keep=given_again(context, out="setting.json"))
    rules = Rules(tolerance_ms=tolerance_ms)
    by = JudgedBy(accepted=accept_cost, files=files)

    def asked(one: Strategy) -> tuple[Answer, TeachAnswer]:
        with naming(base, recording):
            got = ask(opened, passes, one, base=used, seed=seed, rules=rules, by=by)
        taught = cast("TeachAnswer", getattr(cast(object, got), "taught", got))
        if known is None:
            return got, taught
        keyed = _in_steps(taught, known, (opened, passes), recording, truth, accept_cost=accept_cost,
                          tolerance_ms=tolerance_ms, out=out)  # fmt: skip
        return got, keyed

    try:
        found, taught = asked(teacher)
    except Abstained as refusal:
        _tell_abstention(
            refusal, (opened, passes), recording, teacher, truth=truth,
            seed=seed, tolerance_ms=tolerance_ms, base=used, json=json,
        )  # fmt: skip
        raise typer.Exit(NOT_ENOUGH) from None
    if known is not None:
        for further in known.further_from_errors(teacher):
            if taught.verdict.decision != REFUSED:
                break
            with suppress(Abstained):
                other, keyed = asked(further)
                found, taught = (found, taught) if keyed.verdict.decision == REFUSED else (other, keyed)
        whole = getattr(cast(object, found), "taught", None) is not None
        found = cast("Answer", cast("Any", found).keyed_in(opened, passes, taught, rules) if whole else taught)
        if taught.verdict.decision == REFUSED:
            if json:
                emit_json(found.as_dict())
            else:
                say_verdict(taught.verdict, details=False)
            raise typer.Exit(NOT_ENOUGH)
    if out is not None:
        write_setting(out, taught.setting)
    draw(found, opened, passes)
    note_last(passes_note(passes))
    if json:
        emit_json(found.as_dict())
        return found
    say_lines(lead_lines(taught.alignment, recording, truth, step=taught.verdict.next_step))
    return found


def _in_steps(
    taught: TeachAnswer, device: DeviceDocument, opened: tuple[Recording, Truth], recording: str, truth: str | None, *,
    accept_cost: float, tolerance_ms: float, out: str | None,
) -> TeachAnswer:  # fmt: skip
    """Return the setting as it can be keyed in at a device, judged at the worse end of what its display may mean."""
    from teachlab.device.card import keyed_in
    from teachlab.model.score import Rules
    from teachlab.questions.verdict import FilesJudged, JudgedBy

    files = FilesJudged(recording=recording, setting=out, truth=truth)
    by = JudgedBy(accepted=accept_cost, alignment=taught.alignment, files=files)
    found = keyed_in(
        *opened, taught.setting, device, by=by, rules=Rules(tolerance_ms=tolerance_ms),
        about=taught.verdict.about,
    )  # fmt: skip
    return replace(taught, setting=found.setting, verdict=found.verdict)


def _tell_abstention(
    refusal: Abstained, opened: tuple[Recording, Truth], path: str, teacher: Strategy, *, truth: str | None, seed: int,
    tolerance_ms: float, base: Setting | None, json: bool,
) -> None:  # fmt: skip
    """Print why nothing was taught, and what can help: the document, or misaligned passes and the reason."""
    from teachlab.data.alignment.room import alignment_of
    from teachlab.model.printable_text import typed_again
    from teachlab.model.verdict import sentence
    from teachlab.teaching.strategies.designed import Designed
    from teachlab.wording.alignment import lead_lines

    if json:
        from teachlab.evidence.abstention import Abstention

        told = Abstention.of(teacher, refusal, seed=seed, tolerance_ms=tolerance_ms, base=base)
        emit_json(told.as_dict())
    lies = alignment_of(*opened)
    # A design has tried all parts of a setting; then only the light can tell more.
    ask = "inspect" if teacher.name == Designed.name else "design"
    step = f"teachlab {ask} {typed_again(path, truth=truth)}"
    if lies is not None and lies.off:
        step = lies.command(path, truth)
    for line in lead_lines(lies, path, truth, step=step):
        warn(line)
    warn(f"No setting: {teacher.name} gives none. {sentence(refusal.reason)}")
    warn(f"Measured: {refusal.measured}.")
    warn(f"Needed: {refusal.required}.")
    warn(carried(f"Next: {step}"))
