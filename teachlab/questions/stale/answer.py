"""Is an older setting still good? A setting on a new recording, compared with the one it was taught on."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace
from enum import StrEnum
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from teachlab.errors import ParameterError, UnmeasurableError
from teachlab.model.json_values import Document, picked
from teachlab.model.margin import SIDE_WORDS, Margin, wrong_side_text
from teachlab.model.printable_text import in_figures, moment, number_of, unlike_figures
from teachlab.model.recording import Recording
from teachlab.model.score import USUAL_RULES, Rate, Rules, Score
from teachlab.model.setting import Setting
from teachlab.model.truth import Truth, TruthSource
from teachlab.model.verdict import HeadlineClaim, Verdict, VerdictReason, sentence
from teachlab.questions.stale.course import ONE_NOISE, Course, WatchedSide, alarm_of, follow
from teachlab.questions.stale.growing_evidence import (
    ACCEPTED,
    GrowingEvidence,
    evidence_on_losses,
    evidence_on_trips,
)
from teachlab.questions.stale.lot_alarm import falling_below, level_of_lots
from teachlab.questions.stress.setting_reading import SettingReading
from teachlab.questions.stress.worth import worth_of
from teachlab.questions.verdict.claim_words import headline
from teachlab.questions.verdict.count_words import BESIDE_TEXT
from teachlab.questions.verdict.judged_by import Ground, JudgedBy
from teachlab.questions.verdict.judgement import JudgedSetting
from teachlab.scoring.by_lot import gaps_tripped_by_lot, lost_rate_by_lot
from teachlab.scoring.claimable import joined_where, shown_stretches, touching_rows
from teachlab.scoring.claims import LotCounts
from teachlab.scoring.clearance import Clearance
from teachlab.scoring.error_places import ErrorPlace, error_places
from teachlab.scoring.margin import LEAST_MARGIN
from teachlab.scoring.reasons import STANDS_STILL
from teachlab.statistics.claims.lot_claims import joined_lots
from teachlab.statistics.differences import p_more_by_lots
from teachlab.statistics.lots import Dependence, Source, quarter_means, quarters
from teachlab.statistics.over_time.autocorrelation import integrated_autocorrelation
from teachlab.statistics.over_time.cumulative_sums import LEAST_BASELINE, Sequential

if TYPE_CHECKING:
    from teachlab.data.alignment.answer import Alignment

USED_UP = 0.5
"""If this share of the reserve of light is lost, the setting is watched: a planning value."""
LEAST_PASSES = 20
TAUGHT_ON_THIS = "the setting was taught or chosen on this recording, which cannot show a change since"
MOST_LOST = 0.5
"""A loss of this share of the passes is an error, however much passes resemble each other."""


class Stale(StrEnum):
    """The decision on a setting."""

    KEEP = "keep"
    WATCH = "watch"
    RETEACH = "clean or teach again"
    NOT_ENOUGH = "not enough evidence"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RecordingUnderSetting:
    """Results of the setting on one recording.

    `margin`: None where no pass was scored: gaps alone show no margin.
    `reserves` (mapping of str to float or None, or None): as `teachlab.questions.stress.reserves.reserves` gives them;
    None with the margin.
    `clearance`: how near the light comes to the levels, and what that shows.
    `passes`: the passes that were scored: those that touch and merge as one.
    `claim`: as `replay` claims it: the bound of the lost rate by lots, or why nothing is claimed.
    `synthetic`: whether the light is synthetic: a rehearsal.
    `counts`: counts of the lots, or stretches, of the claim.
    `dependence`, `trips`: bounds of the lost rate, and of the share of gaps tripped, with lots taken into account.
    `places`: where most errors lie, if they lie at certain places.
    `alignment`: how the passes lie against the light, if that can be measured.
    `unjudged`: why these passes show nothing about the setting; empty if they do.
    """

    name: str
    score: Score
    margin: Margin | None
    reserves: Mapping[str, float | None] | None
    clearance: Clearance | None
    course: Course
    passes: Truth
    claim: HeadlineClaim
    synthetic: bool
    counts: LotCounts
    dependence: Dependence | None
    trips: Dependence | None
    places: tuple[ErrorPlace, ...]
    self_labelled: bool
    alignment: Alignment | None
    unjudged: str

    @property
    def to_noise(self) -> float | None:
        """Margin to noise; None where none was measured."""
        return None if self.margin is None else self.margin.to_noise

    @property
    def lost_limits(self) -> tuple[float, float]:
        """Interval of the lost rate, with lots taken into account."""
        return _limits(self.dependence, self.score.lost_rate)

    @property
    def tripped_limits(self) -> tuple[float, float]:
        """Interval of the share of gaps tripped, with lots taken into account."""
        return _limits(self.trips, self.score.false_trips_per_gap)

    def as_dict(self) -> dict[str, Any]:
        """Return the plain JSON form."""
        low, high = self.lost_limits
        return {
            "recording": self.name,
            "self_labelled": self.self_labelled,
            "lost_rate": self.score.lost_rate.as_dict(),
            "lost_low": low,
            "lost_high": high,
            "gaps_tripped": self.score.false_trips_per_gap.as_dict(),
            "places": [asdict(place) for place in self.places],
            "false_trips_per_running_hour": self.score.false_trips_per_running_hour.as_dict(),
            **picked(self, "margin", "reserves", "clearance"),
            **self.course.as_dict(),
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """One figure before and now, by the means of its lots, or of stretches where fewer than four are named.

    `figure`: object, background, contrast; or margin, the mean over passes of their smallest distance to a level.
    `change`, `low`, `high`: now minus before, with its interval by Welch over quarters of the recordings, wider where
    neighbouring ones resemble each other; the intervals of all figures hold together (Bonferroni).
    `established`: whether the interval does not contain 0, and goes by lots in both recordings.
    """

    figure: str
    before: float
    now: float
    change: float
    low: float
    high: float
    established: bool


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Staleness(Document):
    """The verdict on a setting, with its evidence.

    `across`: cumulative sum of the present margins, compared with the earlier lots, or with earlier stretches of passes
    if no lots are named; None without an earlier recording, or if that has too few lots.
    `evidence`: evidence on losses and on trips: against the earlier upper limits; without them, against one in twenty.
    """

    state: Stale
    because: tuple[str, ...]
    changes: tuple[Change, ...]
    across: Sequential | None
    evidence: tuple[GrowingEvidence, ...]
    now: RecordingUnderSetting
    before: RecordingUnderSetting | None
    confidence: float

    @property
    def verdict(self) -> Verdict:
        """The state as a verdict: what to do, the losses now and before, and why."""
        now, passes = self.now.claim, self.now.claim.passes or 0
        told = now.text if passes else "No pass is scored."
        if passes and now.upper is None and self.now.unjudged != BESIDE_TEXT:
            told = f"{_lost(self.now)}. {told}"
        elif left := self.now.score.lost_rate.trials - passes:
            told += f" {number_of(left, 'pass is', 'passes are')} left out, as replay does."
        if self.before is not None:
            told += f" Before, {_lost(self.before)}."
        decision, meaning, beside = self._meaning()
        return Verdict(
            decision=decision,
            about=f"the setting in use{meaning}",
            claim=replace(now, text=told, beside=(), more=()),
            rehearsal=self.now.synthetic,
            reasons=tuple(VerdictReason(text=sentence(text)) for text in (*beside, *self.because)),
            next_step=f"Log a new recording with at least {LEAST_PASSES} passes, and run this again on it."
            if self.state is Stale.NOT_ENOUGH and not self.unjudged
            else "",
        )  # fmt: skip

    @property
    def errors(self) -> int:
        """Lost passes and unwanted switchings of this recording, also on passes to be ignored: as in every verdict."""
        return self.now.score.counts.errors

    @property
    def unjudged(self) -> bool:
        """Whether the passes of a recording show nothing about the setting."""
        return bool(self.now.unjudged or (self.before is not None and self.before.unjudged))

    @property
    def taught_here(self) -> bool:
        """Whether the setting comes from this recording, which then shows no change."""
        return TAUGHT_ON_THIS in self.because

    def _meaning(self) -> tuple[str, str, tuple[str, ...]]:
        """Say what to do, what the state means, and what not: a setting that is kept may always have been bad."""
        now, was = self.now.score, None if self.before is None else self.before.score.lost_rate
        lost = now.lost_rate
        if self.state is Stale.KEEP:
            made = f"it makes {number_of(self.errors, 'error')} on {number_of(lost.trials, 'pass', 'passes')} here"
            worse = "get worse in this recording" if was is None else "be worse than before"
            kept = f", nothing is shown to {worse}"
            if self.errors > ACCEPTED * lost.trials:
                return str(self.state), f"{kept}. It may be poor all the same: {made}", ()
            return (
                str(self.state),
                kept,
                (f"this does not say that the setting is good: {made}",) if self.errors else (),
            )
        if self.state is not Stale.RETEACH or _worse(self.now, self.before, self.evidence):
            return str(self.state), "", ()
        if self.before is None:
            return str(self.state), "", ("no recording from before was given: a change since then is not looked for",)
        then = self.before.score.counts
        made = f"{number_of(then.errors, 'error')} on {number_of(then.scored_passes, 'pass', 'passes')} before"
        if inverted := self.before.score.probably_inverted:
            made = "its output was active for most of the gap time before, too"
        if inverted or then.errors > ACCEPTED * then.scored_passes:
            about = f" was poor from the start: {made}, and no change since is shown. Cleaning is not the cure"
            return "teach again", about, ()
        return str(self.state), "", (f"no change is shown: {made}",)

    def as_dict(self) -> dict[str, Any]:
        """Return the plain JSON form."""
        return {"schema": 1, "verdict": self.verdict.as_dict(), **Document.as_dict(self)}


def staleness(
    setting: Setting,
    now: tuple[Recording, Truth],
    before: tuple[Recording, Truth] | None = None,
    *,
    rules: Rules = USUAL_RULES,
    least_margin: float = LEAST_MARGIN,
    horizon_hours: float | None = None,
) -> Staleness:
    """Judge a setting on a recording, and compare with an earlier one if there is one.

    `rules`: tolerance of the borders, confidence of every interval.
    `least_margin`: margin to noise below which the setting is watched.
    `horizon_hours` (h): watch the setting if its time to cleaning may be shorter.

    Notes
    -----
    *Not enough evidence*, whatever else is seen: if the passes lie beside the light, the log stands still in passes
    that are lost, or the output is active for most of the gap time because of one gap, all as `replay` judges it.
    *Clean or teach again*, with any number of passes: if the output is active for most of the gap time; if the lost
    rate, or the share of gaps tripped, is now above the earlier one (the intervals do not overlap, with lots taken into
    account); if the evidence on either is sufficient (`teachlab.statistics.betting`: against the earlier upper limit,
    otherwise against one in twenty); if certainly more than half of the passes are lost; if the margin to noise is not
    above 0 and there are more errors than one in twenty passes; or if the trend has brought a tenth of the light below
    the on-level. Where only the setting itself is poor, more than one error in twenty passes also before, and none of
    this shows a change, it says to teach again: cleaning is not the cure. *Watch*: if more passes are lost, or more
    gaps trip, than before (permutation test by named lots, 5 or more in each recording); if there is more than one trip
    in twenty passes, and was not before; if the margin is below `least_margin`, or not above 0 with fewer errors, which
    `replay` accepts, too; if half of the earlier reserve of light is lost; if a cumulative sum on the margins alarms,
    at the end or at the start of the recording: it names the passes that lie nearer to a level, which may be one burst,
    or one lot; or if the time to cleaning may be shorter than the horizon. *Not enough evidence*, too: if none of this
    is true and fewer than 20 passes were scored. The cumulative sum assumes independent lots of one kind, or stretches
    as far as their means do not resemble each other (`teachlab.questions.stale.lot_alarm`); tests of losses and trips
    and the table of changes go by lots joined to quarters of a recording, the table by stretches where fewer than four
    are named: stretches establish no change. If lots correlate by 0.74 with the lot before, 4 to 8 of 100 lines on
    which nothing changed show more losses; a drift that is slower than a recording looks like a change more often.
    Margins of stretches are in the noise of the earlier recording, the margin to noise of each recording in its own
    noise.

    References
    ----------
    Welch, The generalization of "Student's" problem when several different population variances are involved,
    Biometrika 34 (1947) 28–35. The rules of the verdict are this project's own.
    """
    if not least_margin >= 0 or not (horizon_hours is None or horizon_hours > 0):
        raise ParameterError(
            f"least-margin must not be negative and horizon-hours must be above 0, got {least_margin:g} and "
            f"{horizon_hours}."
        )
    digest = now[0].info.digest
    if before is not None and digest is not None and digest == before[0].info.digest:
        raise ParameterError(
            f"{before[0].name}: it holds the same light as {now[0].name}, so it cannot show a change. Name the "
            "recording on which the setting was taught or last checked (--before)."
        )
    that = None if before is None else _followed(setting, *before, rules)
    this = _followed(setting, *now, rules, noise_of=None if that is None else that.margin)
    changes = () if that is None else _changes(that.course, this.course, rules.confidence)
    across = None if that is None else _across(that.course, this.course)
    limits = (ACCEPTED, ACCEPTED) if that is None else (that.lost_limits[1], that.tripped_limits[1])
    of = this.passes, this.score.trials
    evidence = tuple(
        one.in_table(now[1]) for one in (evidence_on_losses(*of, limits[0]), evidence_on_trips(*of, limits[1]))
    )
    state, because = _state(setting, this, that, evidence, across, least_margin, horizon_hours)
    if before is None and shown_stretches(setting, now[0]):
        because = (TAUGHT_ON_THIS, *because)
    return Staleness(
        state=state,
        because=because,
        now=this,
        before=that,
        changes=changes,
        across=across,
        evidence=evidence,
        confidence=rules.confidence,
    )


def _lost(one: RecordingUnderSetting) -> str:
    of, lost = number_of(one.claim.passes or 0, "pass", "passes"), int(one.counts.lost.sum())
    return f"{lost:,} of {of} {'was' if lost == 1 else 'were'} lost"


def _limits(dependence: Dependence | None, rate: Rate) -> tuple[float, float]:
    if dependence is None:
        return rate.low, rate.high
    # Two periods of one line are compared: both would have had their rare bad lots.
    alone = dependence.by_proxy is not None and dependence.lots_with_events < 2
    found = dependence.by_proxy if alone and dependence.by_proxy is not None else dependence
    return found.low, found.high


def _followed(
    setting: Setting,
    recording: Recording,
    truth: Truth,
    rules: Rules,
    *,
    noise_of: Margin | None = None,
    table: Truth | None = None,
) -> RecordingUnderSetting:
    """Follow a setting; passes are told by their rows in the `table` that was given, also where some are joined."""
    table = truth if table is None else table
    reading = SettingReading(recording, truth, setting, rules=rules)
    worth = worth_of(reading)
    if worth.left_out:
        raise UnmeasurableError(worth.left_out)
    result = worth.score
    if (met := touching_rows(truth, result.trials)).size:
        # Two that touch and merge count as one: nothing got worse where more of them touch.
        return _followed(setting, recording, joined_where(truth, met), rules, noise_of=noise_of, table=table)
    # By passes on which it was taught a setting looks better than it is.
    lies = reading.alignment()
    case = JudgedSetting(reading, setting, result, by=JudgedBy(alignment=lies), margin=worth.margin)
    unjudged = _unjudged(case)
    rows = np.searchsorted(table.start, truth.start)
    near = worth.clearance
    # Where no pass was scored, gaps show no margin of the setting, but still how the background went on.
    margins = worth.margin or reading.margin(result.trials)
    # In the same noise: two estimates of it would differ by some percent on a line that has not changed.
    one = margins if noise_of is None else noise_of
    scaled = replace(margins, noise_object=one.noise_object, noise_background=one.noise_background)
    return RecordingUnderSetting(
        name=recording.name,
        score=result,
        margin=worth.margin,
        reserves=worth.reserves,
        clearance=None if near is None else replace(near, row=int(rows[near.row])),
        course=follow(truth, setting, scaled, result, recording.info, confidence=rules.confidence, in_table=rows),
        passes=truth,
        claim=headline(case.counts, case.found, confidence=rules.confidence, shown=unjudged != BESIDE_TEXT),
        synthetic=case.found.synthetic,
        counts=case.counts,
        dependence=lost_rate_by_lot(truth, result.trials, confidence=rules.confidence, proxy=margins.peak_of_pass),
        trips=gaps_tripped_by_lot(truth, result.trials, confidence=rules.confidence),
        places=tuple(_in_table(place, rows) for place in error_places(truth, result.trials)),
        self_labelled=truth.source is TruthSource.SELF_LABELLED,
        alignment=lies,
        unjudged=unjudged,
    )


def _unjudged(case: JudgedSetting) -> str:
    """Say why the passes show nothing about the setting, as a replay says it; empty if they do.

    A sensor that sees nothing any more has no edges for the passes to lie at: that is its own fault, and told as such.
    """
    ground, lies = case.judge().ground, case.by.alignment
    if ground is Ground.PASSES_BESIDE and lies is not None:
        elsewhere = not lies.belongs and case.result.counts.onsets > 0
        return BESIDE_TEXT if elsewhere or (lies.belongs and lies.moves) else ""
    if ground is Ground.LOG_STOPPED:
        still = number_of(case.why_lost.counts[STANDS_STILL], "lost pass", "lost passes")
        return f"The log stands still in {still}: the logger or the sensor had stopped. Leave that stretch out."
    if ground is Ground.LONE_GAP and case.lone_row is not None:
        first = int(case.truth.end[case.lone_row]) if case.lone_row >= 0 else 0
        return (
            f"That gap lasts from {moment(first, case.recording)} on. If a product stands there, correct the end of "
            "its pass; else leave the stretch out."
        )
    return ""


def _in_table(place: ErrorPlace, rows: NDArray[np.int64]) -> ErrorPlace:
    # Before the first pass lies none.
    first, last = (int(rows[k]) if k >= 0 else k for k in (place.first_pass, place.last_pass))
    return replace(place, first_pass=first, last_pass=last)


def _changes(before: Course, now: Course, confidence: float) -> tuple[Change, ...]:
    from scipy.special import stdtrit

    out = []
    figures = ("object", "background", "contrast", "margin")
    # A lot may be longer than a stretch: what differs between stretches of two recordings may differ between any lots.
    by_lots = before.stretches_are is now.stretches_are is Source.LOTS
    for figure in figures:
        both = [_by_stretch(course, figure) for course in (before, now)]
        if min(one.size for one in both) < 2:
            continue
        was, is_ = (float(one.mean()) for one in both)
        both = [quarter_means(one) for one in both]
        # Quarters that resemble the one before count as fewer.
        alike = [max(1.0, integrated_autocorrelation(one) or 1.0) for one in both]
        variances = [float(one.var(ddof=1)) / one.size * times for one, times in zip(both, alike, strict=True)]
        half = 0.0
        if (variance := sum(variances)) > 0:
            shares = [(part / variance) ** 2 / (one.size - 1) for part, one in zip(variances, both, strict=True)]
            # Four figures are compared at once: each is given a quarter of the error that all may have (Bonferroni).
            quantile = stdtrit(max(1.0, 1 / sum(shares) / max(alike)), 1 - (1 - confidence) / len(figures) / 2)
            half = float(quantile) * variance**0.5
        low, high = is_ - was - half, is_ - was + half
        out.append(
            Change(
                figure=figure,
                before=was,
                now=is_,
                change=is_ - was,
                low=low,
                high=high,
                established=by_lots and (low > 0 or high < 0),
            )
        )
    return tuple(out)


def _by_stretch(course: Course, figure: str) -> NDArray[np.float64]:
    """Return a figure of every stretch; what is the smallest of its passes would change with their number."""
    values = course.margins
    if figure != "margin":
        values = np.array([getattr(one, figure) for one in course.stretches], np.float64)
    known: NDArray[np.float64] = values[~np.isnan(values)]
    return known


def _across(before: Course, now: Course) -> Sequential | None:
    """Compare the present margins with the earlier lots, or stretches."""
    levels = {
        one.side: (one.margins, level)
        for one in before.watched
        if one.margins.size >= LEAST_BASELINE
        and (level := level_of_lots(one.margins, one.lots, source=before.lots_are, least=ONE_NOISE)) is not None
    }

    def falls(one: WatchedSide, chance: float) -> Sequential | None:
        was, level = levels[one.side]
        return falling_below(one.margins, level, before=was, chance=chance)

    return alarm_of([one for one in now.watched if one.side in levels], falls)


def _state(
    setting: Setting,
    now: RecordingUnderSetting,
    before: RecordingUnderSetting | None,
    evidence: tuple[GrowingEvidence, ...],
    across: Sequential | None,
    least_margin: float,
    horizon_hours: float | None,
) -> tuple[Stale, tuple[str, ...]]:
    if now.unjudged:
        return Stale.NOT_ENOUGH, (now.unjudged,)
    if before is not None and (text := before.unjudged):
        return Stale.NOT_ENOUGH, (f"Before: {text[0].lower()}{text[1:]}",)
    worse, (doubts, seen) = _worse(now, before, evidence), _more(now, before)
    if bad := [*worse, *_poor(now, before, evidence, worse)]:
        return Stale.RETEACH, (*bad, *doubts)
    scored = now.score.lost_rate.trials
    if scored < LEAST_PASSES and not doubts:
        return Stale.NOT_ENOUGH, (f"{number_of(scored, 'pass was', 'passes were')} scored, {LEAST_PASSES} are needed",)
    doubts += _doubts(setting, now, before, across, least_margin, horizon_hours)
    if doubts:
        return Stale.WATCH, (*doubts, *seen)
    kept = "no loss of margin is shown"
    if before is not None:
        kept = "neither losses nor margin are shown to be worse than before"
    if before is not None and across is None:
        kept = "no more losses are shown than before (too few lots before to watch the margins)"
    return Stale.KEEP, (f"{kept}; margin to noise {in_figures(now.to_noise or 0, 3)}", *seen)


def _worse(
    now: RecordingUnderSetting, before: RecordingUnderSetting | None, evidence: tuple[GrowingEvidence, ...]
) -> list[str]:
    """Say what shows a change: against the recording before, or within this one."""
    out = []
    if before is not None:
        for one, (what, counts, limits, earlier) in zip(
            evidence,
            (
                ("passes are lost", now.score.lost_rate, now.lost_limits, before.lost_limits),
                ("gaps trip", now.score.false_trips_per_gap, now.tripped_limits, before.tripped_limits),
            ),
            strict=True,
        ):
            if limits[0] > earlier[1]:
                least, most = 100 * limits[0], 100 * earlier[1]
                out.append(f"more {what}: at least {least:.3g} % now, at most {most:.3g} % before")
            elif one.found.reached is not None:
                out.append(f"{counts.events} of {counts.trials} {what}, {one.told}, the most that before allows")
    trend = now.course.trend
    if trend is not None and trend.established and trend.ahead.estimate == 0:
        out.append(f"the light of the {trend.of} has fallen: more than a tenth lies below the on-level")
    return out


def _poor(
    now: RecordingUnderSetting, before: RecordingUnderSetting | None, evidence: tuple[GrowingEvidence, ...],
    worse: list[str],
) -> list[str]:  # fmt: skip
    """Say what this recording alone shows against the setting, changed or not, beside what shows a change."""
    out = []
    rates = now.score.lost_rate, now.score.false_trips_per_gap
    for one, what, counts in zip(evidence, ("passes are lost", "gaps trip"), rates, strict=True):
        shown = before is None and one.found.reached is not None
        if shown or (one.of == "losses" and counts.low > MOST_LOST and not worse):
            out.append(f"{counts.events} of {counts.trials} {what}{f', {one.told}' if shown else ''}")
    if now.score.probably_inverted:
        out.append("the output is active for most of the gap time: that is of no use, even without an error")
    if (gone := _gone(now)) and now.score.counts.errors > ACCEPTED * now.score.lost_rate.trials:
        out.append(gone)
    return out


def _gone(now: RecordingUnderSetting) -> str:
    """Say how far the nearest light lies beyond its level; empty if it does not."""
    if now.margin is None or (margin := now.margin.to_noise) is None or margin > 0:
        return ""
    return f"the margin is gone: {wrong_side_text(str(now.margin.limited_by), margin)}"


def _by_quarter(events: NDArray[Any], trials: NDArray[Any]) -> tuple[NDArray[Any], NDArray[Any]]:
    """Return events and trials of the quarters of a recording."""
    part = quarters(events.size)
    return np.bincount(part, events), np.bincount(part, trials)


def _more(now: RecordingUnderSetting, before: RecordingUnderSetting | None) -> tuple[list[str], list[str]]:
    """Say what is more than before, by named lots, or more than accepted; and which trips are only seen to be more.

    Trips come in bursts, and stretches of passes resemble each other: without named lots, no test of counts holds its
    promise, and none is made.
    """
    counts, hours = now.score.counts, now.score.running_hours
    passes = counts.scored_passes
    told = f"{number_of(counts.false_trips, 'false trip')} in {number_of(counts.gaps_tripped, 'gap')}"
    above = counts.false_trips > ACCEPTED * max(passes, 1)
    if before is None:
        return ([f"{told}, on {number_of(passes, 'pass', 'passes')}"] if above else []), []
    was, hours_before = before.score.counts.false_trips, before.score.running_hours
    of, then = (one.counts for one in (now, before))
    out = []
    if of.source is then.source is Source.LOTS:
        pairs = [
            ("passes are lost", (of.lost, of.passes), (then.lost, then.passes)),
            ("gaps trip", (of.tripped, of.gaps), (then.tripped, then.gaps)),
        ]
        groups = joined_lots(of.passes), joined_lots(then.passes)
        for what, *both in pairs:
            is_, was_ = ([np.bincount(group, k) for k in one] for group, one in zip(groups, both, strict=True))
            # Losses and trips are tested at once: each is given half of the error that both may have (Bonferroni).
            if p_more_by_lots(_by_quarter(*is_), _by_quarter(*was_)) < (1 - now.score.confidence) / len(pairs):
                (k, n), (k_before, n_before) = ([f"{int(x.sum()):,}" for x in one] for one in both)
                lots = f"{is_[0].size} and {was_[0].size} lots"
                told_as = f"{k} of {n} {what} now, {k_before} of {n_before} before: more than chance, by {lots}"
                out.append(f"{told_as}, unless the line drifts more slowly than a recording lasts")
    told += f" now, in {hours:.3g} h; {was} before, in {hours_before:.3g} h"
    if above and was <= ACCEPTED * max(before.score.counts.scored_passes, 1):
        return [*out, f"{told}: more than one in twenty passes"], []
    seen = not out and counts.false_trips * hours_before > was * hours
    return out, [f"{told}: not shown to be more than before"] if seen else []


def _doubts(
    setting: Setting,
    now: RecordingUnderSetting,
    before: RecordingUnderSetting | None,
    across: Sequential | None,
    least_margin: float,
    horizon_hours: float | None,
) -> list[str]:
    out = []
    trend = now.course.trend
    if now.margin is None:
        out.append("no pass was scored to measure a margin by")
    elif (margin := now.margin.to_noise) is None:
        out.append("there is no noise to measure a margin by")
    elif spent := _gone(now):
        counts = now.score.counts
        of = number_of(counts.scored_passes, "pass", "passes")
        made = f"It makes {number_of(counts.errors, 'error')} on {of}, which would still be accepted"
        out.append(f"{spent}. {made if counts.errors else f'It makes no error yet on {of}'}")
    elif margin < least_margin:
        of, what = SIDE_WORDS[str(now.margin.limited_by)]
        kept = unlike_figures(margin, least_margin, 3)
        out.append(f"the {of} keep {kept} times the noise from the {what}, less than {least_margin:g}")
    if before is not None and before.course.levels.size and now.course.levels.size:
        was, is_ = (float(np.median(log.course.levels)) for log in (before, now))
        if was > setting.on_level and was - is_ > USED_UP * (was - setting.on_level):
            gone = 100 * (was - is_) / (was - setting.on_level)
            out.append(f"{gone:.0f} % of the light in reserve above the on-level is gone")
    within = now.course.sequential if across is None else across
    if within is not None and within.alarm is not None:
        of, level = _side_words(within)
        than = "the first ones" if across is None else "before"
        out.append(f"{of} from about {within.since} to {within.alarm} keep less distance from {level} than {than}")
    opening = now.course.opening
    if across is None and opening is not None and opening.alarm is not None:
        of, level = _side_words(opening)
        out.append(f"{of} up to about pass {opening.since} keep less distance from {level} than those that follow")
    soonest = None if trend is None else trend.ahead.earliest
    if horizon_hours is not None and soonest is not None and soonest < horizon_hours:
        out.append(
            f"cleaning may be due in {number_of(soonest, 'hour', spec='.3g')}, before the horizon of {horizon_hours:g}"
        )
    return out


def _side_words(found: Sequential) -> tuple[str, str]:
    side = str(found.side)
    return "the passes" if side == "detect" else "the gaps", f"the {SIDE_WORDS[side][1]}"
