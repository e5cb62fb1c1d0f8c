"""A verdict as lines of a terminal: at most twelve lines of a hundred columns."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from teachlab.model.margin import EqualCost
from teachlab.model.printable_text import wrong_text
from teachlab.model.setting import Setting
from teachlab.model.setting_words import equal_cost_text, setting_in_words
from teachlab.model.verdict import MOST_REASONS, TO_BE_COMPARED, HeadlineClaim, Verdict, VerdictCure, VerdictReason
from teachlab.wording.lines import lines_for, wrapped

MOST_LINES = 12
REFUSED = ("none of these works", "cannot be decided")
"""Decisions against a setting."""
REHEARSAL = "Rehearsal on synthetic light, no evidence about a real line. "
FEWEST_ROWS = 3
"""If fewer lines of a table would fit, including its head, it is left to the details."""


def verdict_lines(
    verdict: Verdict, table: Sequence[str] = (), *, asked: Sequence[str] = (), details: bool = False,
    most: int = MOST_LINES, remarks: int = 2,
) -> list[str]:  # fmt: skip
    """Return decision, limit, claim, reasons, one small table and the next step, in at most twelve lines.

    `table`: head and rows; shortened if there is no room for all of them.
    `asked`: sentences that answer a further question of the user: never shortened, and not counted in `most`.
    `most`: number of lines available, of 100 columns; narrower ones are more.
    `remarks`: remarks given beside the claim where there are no details.
    `details`: whether to give everything: all reasons, all conditions, and the remarks beside the claim.
    """
    short, most = most <= MOST_LINES, lines_for(most)
    told = "" if verdict.claim is None else verdict.claim.text
    conditions = [text for text in verdict.conditions if text not in told][: None if details else 1]
    top = [line for text in (first_text(verdict), *(f"Limit: {text}" for text in conditions)) for line in wrapped(text)]
    kept: list[str] = []
    if verdict.setting is not None and verdict.equal_cost is not None:
        kept = wrapped(f"Room: {equal_cost_text(verdict.equal_cost, verdict.setting, verdict.step)}")
    # If the setting is not to be used, the reason comes first.
    late = str(verdict.decision) in REFUSED
    top += [] if late else kept
    claim = verdict.claim
    if claim is not None:
        beside = (*claim.beside, *claim.more) if details else claim.beside[: 1 if table and short else remarks]
        top += wrapped(f"Claim: {' '.join([claim.text, *beside])}")
    # A report of the same setting may limit what is said here.
    if verdict.sensor == TO_BE_COMPARED and not late and not details:
        top += wrapped(f"Sensor: {verdict.sensor}")
    # Remarks that are no errors are given if the setting is to be used; otherwise the errors come first.
    if verdict.near is not None and (details or not late):
        top += wrapped(f"Near: {verdict.near.text}")
    bottom = wrapped(f"Next: {verdict.next_step}") if verdict.next_step else []
    last = [line for text in asked for line in wrapped(text)] + bottom
    reasons = [wrapped(reason.told) for reason in verdict.reasons]
    if details:
        top += wrapped(f"Sensor: {verdict.sensor}") if verdict.sensor else []
        better = " ".join(reason.text for reason in verdict.reasons if reason.better)
        reasons += [
            wrapped(f"Tried: {cure.text}: {wrong_text(cure.lost, cure.false)}.")
            for cure in verdict.cures
            if cure.text not in better
        ]
        return top + [line for lines in reasons for line in lines] + (kept if late else []) + list(table) + last
    room = most - len(top) - len(bottom)
    body: list[str] = []
    for k, lines in enumerate(reasons[:MOST_REASONS]):
        # The first reason is always given; against a setting also the second one if it counts errors or says what is
        # better. Other reasons leave room for the table, and for the levels of equal cost.
        errors = bool(late) and (verdict.reasons[k].count is not None or verdict.reasons[k].better)
        kept_free = len(kept) if k and late and not errors else 0
        free = room - kept_free - (min(FEWEST_ROWS, len(table)) if k > errors else 0)
        if k == 0:
            free = max(room, lines_for(MOST_LINES) - len(top) - len(bottom))
        if len(body) + len(lines) <= free:
            body += lines
    if late and len(body) + len(kept) + min(FEWEST_ROWS, len(table)) <= room:
        body += kept
    rows = list(table)[: max(0, room - len(body))]
    return top + body + (rows if len(rows) >= min(FEWEST_ROWS, len(table)) else []) + last


def verdict_of(document: Mapping[str, Any], setting: Setting) -> Verdict:
    """Return a verdict from its JSON form, which a record holds beside its setting."""
    claim, room = document["claim"], document["equal_cost"]
    return Verdict(
        decision=document["decision"],
        about=document["about"],
        setting=setting,
        equal_cost=None if room is None else EqualCost(**room),
        step=document["step"],
        claim=None
        if claim is None
        else HeadlineClaim(**claim | {"beside": tuple(claim["beside"]), "more": tuple(claim.get("more", ()))}),
        reasons=tuple(VerdictReason(**reason) for reason in document["reasons"]),
        next_step=document["next_step"],
        conditions=tuple(document["conditions"]),
        rehearsal=document["rehearsal"],
        sensor=document.get("sensor", ""),
        cures=tuple(VerdictCure(**cure) for cure in document.get("cures", ())),
        near=None if document.get("near") is None else VerdictReason(**document["near"]),
        tried=document.get("tried"),
    )


def verdict_sentence(verdict: Verdict) -> str:
    """Return decision, first limit, claim and first reason as one text."""
    claim = [] if verdict.claim is None else [f"Claim: {verdict.claim.text}"]
    limits, reasons = verdict.conditions[:1], verdict.reasons[:1]
    return " ".join([first_text(verdict), *(f"Limit: {text}" for text in limits), *claim, *(r.told for r in reasons)])


def decision_text(decision: str, tried: int | None = None) -> str:
    """Return a decision as a sentence begins; of a setting that was `tried` alone, that it does not work.

    Examples
    --------
    >>> decision_text("none of these works", 3), decision_text("none of these works"), decision_text("use")
    ('None of these works', 'This setting does not work', 'Use')
    """
    words = "this setting does not work" if str(decision) == REFUSED[0] and (tried or 1) == 1 else str(decision)
    return words[:1].upper() + words[1:]


def first_text(verdict: Verdict) -> str:
    """Return the decision with the setting; of synthetic light, that it is a rehearsal goes before it."""
    said = decision_text(verdict.decision, verdict.tried)
    setting = "" if verdict.setting is None else setting_in_words(verdict.setting, verdict.step)
    # What ends in a colon leads to the setting.
    link = " " if verdict.about.endswith(":") else ", "
    about = link.join(filter(None, (verdict.about, setting)))
    return f"{REHEARSAL if verdict.rehearsal else ''}{f'{said}: {about}' if about else said}."
