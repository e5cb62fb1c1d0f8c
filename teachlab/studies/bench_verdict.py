"""The first lines of a bench: the verdict on the setting it recommends, and rows of strategies that cost the same."""

from __future__ import annotations

import math
import shlex
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from teachlab.device.keyed_in import refusal
from teachlab.model.draws import TEACH_SHARE
from teachlab.model.printable_text import in_figures, number_of
from teachlab.model.recording import Recording
from teachlab.model.truth import Truth
from teachlab.model.verdict import Verdict, VerdictReason
from teachlab.questions.stress.setting_reading import SettingReading
from teachlab.questions.verdict.count_words import DECIDING_PASSES
from teachlab.questions.verdict.judged_by import JudgedBy
from teachlab.questions.verdict.judgement import Overturned
from teachlab.questions.verdict.of_setting import setting_verdict
from teachlab.scoring.scoring import score
from teachlab.statistics.claims.decisions import Decision
from teachlab.statistics.claims.orders import Order
from teachlab.statistics.intervals import proportion
from teachlab.studies.claim_half import ClaimHalf, HalfByLot
from teachlab.studies.recommend import by_choice

if TYPE_CHECKING:
    from teachlab.studies.result import Recommendation, RecordingBench, StrategyResult

NAMED = 1
"""Number of strategies of a row that are named."""


def bench_verdict(
    recording: Recording,
    truth: Truth,
    found: Recommendation | None,
    halves: Mapping[str, ClaimHalf],
    rows: Sequence[Sequence[str]],
    orders: Sequence[Order | None],
    *,
    by: JudgedBy,
    results: Sequence[StrategyResult] = (),
    reading: SettingReading | None = None,
) -> Verdict:
    """Judge the recommended setting as a replay does, among all settings that were fixed for it.

    It says which half it was chosen on, so the claim rests on the other one.

    `results`: of all strategies, for why they teach too seldom.
    `reading`: of the judged setting over all passes; without it no setting is judged.
    """
    if found is None or reading is None:
        text = (
            "Too few passes are scored to choose on one half and to claim on the other: log more."
            if rows
            else f"No strategy teaches in at least half of the draws. {_why_not(results)}".strip()
        )
        # With the usual share, so many passes leave enough for a decision on the half that the claim rests on.
        passes = math.ceil(2 * DECIDING_PASSES / (1 - TEACH_SHARE))
        step = f"Log a new recording with at least {passes} passes, and run this again on it."
        if not rows:
            step = "" if by.files is None else f"teachlab inspect {shlex.quote(by.files.recording)}"
            if results and all(r.failed == len(r.draws) for r in results):
                step = "Correct the strategy, and check it: teachlab conform FILE.py:CLASS"
        return Verdict(decision=str(Decision.OPEN), reasons=(VerdictReason(text=text),), next_step=step)
    if found.keyed is not None and found.keyed.refused is not None:
        return refusal(recording, found.keyed, about=found.strategy, files=by.files)
    result = score(reading.output, truth, rules=reading.rules)
    others = by_choice((half for name, half in halves.items() if name != found.strategy), "")
    against = overturned(
        found.strategy,
        HalfByLot.of(recording, truth, found.worth.score),
        ((half.strategy, HalfByLot.of(recording, truth, half.score)) for half in others),
        accepted=by.accepted,
        confidence=found.worth.score.confidence,
    )
    verdict = setting_verdict(
        reading,
        found.worst or found.setting,
        result,
        by=by,
        about=found.strategy if found.keyed is None else f"{found.strategy}, {found.keyed.key}",
        candidates=[
            (counts.bound(confidence=result.confidence), usable)
            for counts, usable in (half.errors(truth) for half in halves.values())
        ],
        margin=reading.margin_where_known(result),
        overturned=against,
    )
    verdict = replace(verdict, setting=found.setting if against is None else against.kept_in(found.setting))
    for strategy, why in found.passed_over[:1]:
        verdict = verdict.then(VerdictReason(text=f"{strategy} costs no more, but cannot be keyed in: {why}"))
    said = [room_sentence(found, halves), order_sentence(found.strategy, rows, orders)]
    text = " ".join(one for one in said if one)
    return verdict if not text else verdict.then(VerdictReason(text=text))


def overturned(
    strategy: str, mine: HalfByLot, others: Iterable[tuple[str, HalfByLot]], *, accepted: float, confidence: float
) -> Overturned | None:
    """Say so if the passes of the claim show another setting to be right where the chosen one is wrong.

    Both were fixed on the choosing half, so neither has seen these passes. The other one makes no error there, or it
    loses none where the chosen one loses some, at fewer errors in all. It is named, but not recommended: that would be
    a choice by the passes that are to prove it. Nor is the chosen setting, if a lot, or a stretch where no lots are
    named, shows at the confidence of the claim more errors than are accepted.

    `mine`, `others`: of the chosen setting, and of the others by name in the order in which they are recommended.
    """
    passes, errors, least = sum(mine.passes), sum(mine.errors), None
    for name, theirs in others:
        wrong = sum(theirs.errors)
        right = wrong == 0 or (any(mine.lost) and not any(theirs.lost))
        if right and wrong < errors and sum(theirs.passes) >= passes and theirs.usable:
            least = (wrong, name) if least is None or wrong < least[0] else least
    if least is None:
        return None
    fails = [
        k
        for k, (wrong, of) in enumerate(zip(mine.errors, mine.passes, strict=True))
        if wrong and proportion(min(wrong, of), of, confidence).low > accepted
    ]
    bad = max(fails or range(len(mine.errors)), key=lambda k: mine.errors[k])
    none = f"makes {least[0]}" if least[0] else "none"
    return Overturned(
        reason=VerdictReason(
            text=f"{strategy} was chosen on earlier passes. On the {passes:,} passes of the claim it makes "
            f"{number_of(errors, 'error', 'errors')}, {least[1]} {none}. Teach with {mine.like[bad]}, record more "
            "lots, then bench again.",
            count=errors,
            first_at_s=mine.at_s[bad],
        ),
        fails=bool(fails),
    )


def room_sentence(found: Recommendation, halves: Mapping[str, ClaimHalf]) -> str:
    """Return what decided among settings of equal cost, if it was their room on the choosing half."""
    rooms = {name: half.room for name, half in halves.items() if half.room is not None}
    mine = rooms.get(found.strategy)
    if mine is None or not min(rooms.values()) < mine == max(rooms.values()):
        return ""
    return (
        f"Of {len(rooms)} strategies with equal cost on earlier passes none has more room than {found.strategy}: "
        f"both levels may move by about {in_figures(mine, 2)} {found.setting.unit}."
    )


def order_sentence(strategy: str, rows: Sequence[Sequence[str]], orders: Sequence[Order | None]) -> str:
    """Return how many others a strategy shares its cost with, and how sure its order before the next row is."""
    at = next((k for k, row in enumerate(rows) if strategy in row), None)
    if at is None:
        return ""
    said = []
    if len(rows[at]) > 1:
        said.append(f"costs the same as {len(rows[at]) - 1} other{'' if len(rows[at]) == 2 else 's'}")
    if (order := orders[at]) is not None:
        said.append(f"costs less than {rows[at + 1][0]}: {order.told}")
    return f"Over all scored passes {strategy} {'; it '.join(said)}." if said else ""


def ranking_lines(bench: RecordingBench) -> list[str]:
    """Return the ranking, one line per row: strategies of one cost, that cost, how sure the order is.

    Empty where a single strategy is compared with nothing.
    """
    if not bench.rows or (len(bench.results) == 1 and not bench.results[0].unusable):
        return []
    named = [_names(row) for row in bench.rows]
    wide = min(42, max(map(len, [*named, "strategy"])))
    out = [f"  {'strategy':<{wide}}  cost per pass  better than the next row?"]
    costs = {r.strategy: r for r in bench.results}
    for name, row, order in zip(named, bench.rows, bench.orders, strict=True):
        first = costs[row[0]]
        told = first.unusable or ("" if order is None else order.told)
        out.append(f"  {name:<{wide}}  {first.ranking_cost:>13.3g}  {told}".rstrip()[:100])
    return out


def _names(row: Sequence[str]) -> str:
    left = len(row) - NAMED
    return ", ".join(row[:NAMED]) + (f" and {left} more" if left > 0 else "")


def _why_not(results: Sequence[StrategyResult]) -> str:
    """Return the commonest reason of the first strategy, and where the others stand."""
    if not results or not results[0].reasons:
        return ""
    first = results[0]
    reason, times = next(iter(first.reasons.items()))
    more = " --details has the other reasons." if len(results) > 1 or len(first.reasons) > 1 else ""
    reason = reason.removeprefix(f"strategy '{first.strategy}' failed: ")
    return f"{first.strategy}, {times} of {number_of(len(first.draws), 'draw')}: {reason.rstrip('.')}.{more}"
