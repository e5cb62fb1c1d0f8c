"""The course of a recording over time, in sentences: levels, sequential sums, trend, time ahead."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from teachlab.model.printable_text import LONG_S, Recorded, in_figures, moment, number_of
from teachlab.wording.rates import FURTHEST, time_unit

if TYPE_CHECKING:
    from teachlab.questions.stale.growing_evidence import GrowingEvidence

UNIT = {"lots": "lot", "stretches": "stretch", "passes": "pass", "gaps": "gap"}


def duration(hours: float) -> str:
    """Return a time in the unit in which a recording of that length is read, or in days."""
    if 3600 * hours < LONG_S:
        return f"{3600 * hours:.3g} s"
    if hours < 1:
        return f"{60 * hours:.3g} min"
    return f"{hours:.3g} h" if hours < 72 else f"{number_of(hours / 24, 'day', spec='.3g')}"


def course_lines(over_time: dict[str, Any]) -> list[str]:
    """Return the sentences on trend and alarms; empty if there were too few passes."""
    if not over_time["blocks"]:
        return []
    out, trend = [], over_time["trend"]
    if trend is None:
        out.append("Too few passes, or lots, for a trend.")
    else:
        out.append(_trend(trend))
    alarms = over_time["alarms"]
    if (found := alarms["sequential"]) is not None:
        out.append(sequential_line(found, f"the first {number_of(found['baseline'], 'pass', 'passes')}"))
    if (opening := alarms.get("opening")) is not None and opening["alarm"] is not None:
        out.append(
            f"Up to about pass {opening['since']}, the margin of side '{opening['side']}' lies below that of later "
            "passes."
        )
    if (warned := alarms["margin"]) is not None:
        out.append(margin_alarm(warned))
    return out


def sequential_line(found: dict[str, Any], against: str) -> str:
    """Return the sentence on a cumulative sum, with what it assumes to be independent."""
    side = "smallest margin" if found["side"] is None else f"margin of side '{found['side']}'"
    when = "no alarm" if found["alarm"] is None else f"alarm at pass {found['alarm']}"
    learnt, independent = f" ({number_of(found['lots'], 'lot')})", "lots are independent and of one kind"
    if found["source"] != "lots":
        learnt = f" ({number_of(found['lots'], 'stretch', 'stretches')} of passes; not every pass has a lot)"
        independent = "stretches resemble each other as those did"
    return (
        f"Cumulative sum on the {side} of every pass, against {against}{learnt}: {when}. If nothing changes and "
        f"{independent}, one false alarm comes in about {in_figures(found['run_length'], 2)} passes on average."
    )


def evidence_line(evidence: GrowingEvidence, of: Recorded) -> str:
    """Return the sentence on growing evidence of losses or trips, with its assumption and its false alarms."""
    found = evidence.found
    what = "Passes lost" if evidence.of == "losses" else "Gaps tripped"
    limit = f"more than {100 * found.limit:.3g} %"
    if not found.units:
        return f"{what}: nothing was scored to gather evidence from."
    if evidence.reached_pass is None or evidence.reached_sample is None:
        odds = f"odds {found.largest:.3g} to 1 at most; an alarm takes {found.needed:g} to 1"
        said = f"no evidence of {limit} at any time ({odds})"
    else:
        said = (
            f"evidence of {limit} from pass {evidence.reached_pass} on, {moment(evidence.reached_sample, of)} (odds "
            f"{min(found.largest, 1e12):.3g} to 1 in the end; an alarm takes {found.needed:g} to 1)"
        )
    return (
        f"{what}: {said}. Looked at after every {UNIT[evidence.unit]}, it is a false alarm in at most "
        f"{100 / found.needed:g} % of recordings, if {evidence.unit} are independent."
    )


def _trend(trend: dict[str, Any]) -> str:
    followed = "the passes" if trend["of"] == "passes" else "the gaps, which objects darken"
    by = "lots" if trend["source"] == "lots" else "stretches"
    word, of = time_unit(trend["hours_observed"])
    each, low, high = (in_figures(trend[name] / of, 3) for name in ("per_hour", "low", "high"))
    said = (
        f"Trend of the light of {followed} ({trend['scale']}): {each} per {word}, {low} to {high} by "
        f"{trend['groups']} {by}, over {duration(trend['hours_observed'])} observed."
    )
    return f"{said} {_ahead(trend)}"


def _ahead(trend: dict[str, Any]) -> str:
    ahead, longest = trend["ahead"], FURTHEST * trend["hours_observed"]

    def within(hours: float) -> str:
        return duration(hours) if hours <= longest else f"more than {duration(longest)}"

    if not trend["established"]:
        soonest = ahead["earliest"]
        if soonest is None or soonest > longest:
            return "No trend is established."
        if soonest < trend["hours_observed"]:
            return "No trend is established; the recording is too short to rule out a fall to the on-level at any time."
        return f"No trend is established; a fall to the on-level in {duration(soonest)} is not ruled out."
    if ahead["estimate"] is None:
        return "It rises: no fall to the on-level is ahead."
    if ahead["estimate"] == 0:
        return "More than a tenth lies below the on-level already."
    if (ahead["earliest"] or 0.0) > longest:
        return f"Time to cleaning: more than {duration(longest)}; {duration(trend['hours_observed'])} show no more."
    return (
        f"Time to cleaning: if it goes on, a tenth lies below the on-level after {within(ahead['estimate'])} "
        f"({within(ahead['earliest'])} to {'never' if ahead['latest'] is None else within(ahead['latest'])}, "
        f"{100 * trend['confidence']:g} % interval)."
    )


def margin_alarm(found: dict[str, Any]) -> str:
    """Return the sentence on passes that came near the level, what followed, and whether they warned of a loss."""
    lead = found["lead"]
    if lead is None:
        first = ""
    elif lead > 0:
        first = f" The first warning came {number_of(lead, 'pass', 'passes')} before the first loss."
    else:
        first = " No warning came before the first loss."
    # Of passes that darken the light, the level is that many times the light: no "times the level" fits both.
    below = f"an excess gain below {found['factor']:g}"
    if not found["warned"]:
        return f"No pass that was detected has {below}.{first}"
    groups, quiet = found["warnings"], found["for_nothing"]
    after = "after it" if groups == 1 else f"after {quiet} of these groups" if quiet < groups else "after these groups"
    nothing = f" Nothing was lost {after}." if quiet else " Losses followed."
    return (
        f"{number_of(found['warned'], 'pass', 'passes')} in {number_of(groups, 'group')} had {below}: a "
        f"warning.{nothing}{first}"
    )
