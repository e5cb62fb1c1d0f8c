"""How level, contrast, margin and losses change over a recording, when they would fail, and what would have warned."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from teachlab.light.usable_light import LARGEST
from teachlab.model.recording import RecordingInfo
from teachlab.model.score import Outcome, Score
from teachlab.model.truth import Truth
from teachlab.questions.stale.lot_alarm import falling_within
from teachlab.scoring.by_lot import lot_codes
from teachlab.statistics.lots import Source
from teachlab.statistics.over_time.cumulative_sums import FALSE_ALARM, MarginAlarm, Sequential, margin_alarm
from teachlab.statistics.over_time.trend import LEAST_GROUPS, Ahead, fall_to, fit_lowered

if TYPE_CHECKING:
    from teachlab.model.margin import Margin
    from teachlab.model.setting import Setting

BLOCKS = 10
LEAST_PER_BLOCK = 3
MOST_LOTS = 40
"""Neighbouring lots are joined until there are at most this many."""
WEAK_SHARE = 0.1
ONE_NOISE = 1.0
"""Distances to the levels, in noise, vary by at least this from pass to pass: steps of the light may hide it."""

Levels = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class CourseStretch:
    """One stretch of consecutive scored passes, or the passes of one lot or of joined lots.

    `hours`: time at which its middle pass begins.
    `object`, `weakest` (recording units): median of the sustained peaks of its passes, and the peak nearest to being
    lost.
    `background` (recording units): median of the light of its gaps; None without a gap.
    `contrast` (recording units): distance between the two medians, positive where objects stand out.
    `margin`: smallest distance of its extremes to the levels, in noise; None without measurable noise.
    `limited_by`: which side that is.
    """

    passes: int
    lost: int
    hours: float
    object: float
    weakest: float
    background: float | None
    contrast: float | None
    margin: float | None
    limited_by: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Trend:
    """Trend of the light that must stay above the on-level.

    `of`: ``"passes"`` where objects raise the light, ``"gaps"`` where they lower it.
    `scale`: ``"logarithm above the dark level"``, or ``"level"`` if the light is not above it.
    `per_hour`, `low`, `high`: slope on that scale and its interval.
    `ahead`: hours from the last pass until a tenth of them lies below the on-level: the time to cleaning.
    `source`: what the intervals assume to be independent: ``"lots"``, or ``"blocks"`` (stretches of passes).
    `groups`: number of these; neighbouring lots are joined if there are more than 40.
    """

    of: str
    scale: str
    per_hour: float
    low: float
    high: float
    established: bool
    hours_observed: float
    ahead: Ahead
    source: str
    groups: int
    confidence: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class WatchedSide:
    """Distances of the light to a level, of every pass, or of the gap after it, where they are known.

    `side`: as of a margin: detect, trip or release; None: the smallest of all.
    `margins`: in noise.
    `rows`: row of each of these in the table of passes.
    `lots`: number of the lot, or of the stretch of passes, of each of these.
    """

    side: str | None
    margins: Levels
    rows: NDArray[np.int64]
    lots: NDArray[np.int64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Course:
    """A recording followed over time with one setting.

    `sequential`: cumulative sum on the margin of every pass, as `alarm_of` chooses it.
    `opening`: the same from the end backwards: whether the first passes lie below those that follow. Its alarm is the
    last pass of that start. All alarms are rows of the table of passes.
    `levels` (recording units): the light that is followed, pass by pass in time order.
    `margins` (shape (stretches,)): mean over the passes of each stretch of their smallest distance to a level, in
    noise; NaN if it is not known. The smallest of a stretch depends on how many passes it has.
    `watched`: the smallest margin, and each side for itself.
    `lots_are`: whether their lots are lots or stretches.
    """

    stretches: tuple[CourseStretch, ...]
    stretches_are: Source
    trend: Trend | None
    sequential: Sequential | None
    opening: Sequential | None
    margin_alarm: MarginAlarm | None
    levels: Levels
    margins: Levels
    watched: tuple[WatchedSide, ...]
    lots_are: Source

    def as_dict(self) -> dict[str, Any]:
        """Return the plain JSON form."""
        return {
            "blocks": [asdict(block) for block in self.stretches],
            "trend": None if self.trend is None else asdict(self.trend),
            "alarms": {
                "sequential": None if self.sequential is None else self.sequential.as_dict(),
                "opening": None if self.opening is None else self.opening.as_dict(),
                "margin": None if self.margin_alarm is None else self.margin_alarm.as_dict(),
            },
        }


def follow(
    truth: Truth,
    setting: Setting,
    margins: Margin,
    result: Score,
    info: RecordingInfo,
    *,
    confidence: float = 0.95,
    in_table: NDArray[np.int64] | None = None,
) -> Course:
    """Divide the scored passes into lots, joined to at most ten, or into stretches; describe each, and look ahead.

    `margins`: with the extremes of every pass and gap.
    `info`: for rate and dark level.
    `confidence`: of the trend's intervals.
    `in_table`: row of every pass in the table of passes; by default that of the truth.

    Notes
    -----
    Dirt takes away the light of the passes if objects raise it, and that of the gaps if they lower it; it must stay
    above the on-level in both cases. The trend is the least-squares line through the logarithm of its medians per lot
    above the dark level, because dirt and ageing take shares. The line is lowered so that a tenth of the passes lies
    below it, and is followed to the on-level. The interval is Fieller's, with variances by leaving out one lot after
    another, and wide enough for lots that resemble the lot before (`statistics/over_time/trend.py`). If no lots are
    named, or fewer than four, stretches are used instead; two or three named lots show no trend.
    """
    trials, sign = result.trials, setting.sign
    in_table = np.arange(truth.passes) if in_table is None else in_table
    nothing = np.full(truth.passes, np.nan)
    reach = nothing if margins.peak_of_pass is None else margins.peak_of_pass
    top = nothing if margins.gap_top is None else margins.gap_top
    valley = nothing if margins.gap_valley is None else margins.gap_valley
    rows = np.arange(trials.passes.size) + trials.first_pass
    kept = trials.wanted & ~np.isnan(reach[rows])
    lost, rows = trials.passes[kept] != Outcome.HIT, rows[kept]
    hours = truth.start[rows] / info.sample_rate_hz / 3600
    all_lots, lots_are = lot_codes(truth, rows)
    groups, stretches_are = _groups(all_lots, lots_are, BLOCKS)
    of_stretch = [np.flatnonzero(groups == g) for g in range(int(groups.max(initial=-1)) + 1)]
    stretches = tuple(
        _stretch(reach[rows[p]], top[rows[p]], valley[rows[p]], lost[p], hours[p], setting, margins, sign)
        for p in of_stretch
    )
    light = reach[rows] if sign > 0 else -valley[rows]
    known = ~np.isnan(light)
    sides = dict[str | None, Levels](_sides(reach[rows], top[rows], valley[rows], setting, margins, sign))
    nearest = np.fmin.reduce([np.full(rows.size, np.nan), *sides.values()])
    smallest: dict[str | None, Levels] = {None: nearest} if sides else {}
    known_margins = [nearest[p][~np.isnan(nearest[p])] for p in of_stretch]
    watched = tuple(
        WatchedSide(side=side, margins=of[some], rows=in_table[rows][some], lots=all_lots[some])
        for side, of in (smallest | sides).items()
        if (some := ~np.isnan(of)).any()
    )
    gain = _excess(reach[rows], setting, info.dark_level, sign)
    return Course(
        stretches=stretches,
        stretches_are=stretches_are,
        trend=_trend(
            light[known], hours[known], all_lots[known], lots_are, setting.on_level, info.dark_level, sign, confidence
        ),
        sequential=_within(watched, lots_are, 1),
        opening=_within(watched, lots_are, -1),
        margin_alarm=None if gain is None else margin_alarm(gain, lost).at_rows(in_table[rows]),
        levels=light[known],
        margins=np.array([of.mean() if of.size else np.nan for of in known_margins]),
        watched=watched,
        lots_are=lots_are,
    )


def _within(watched: Sequence[WatchedSide], lots_are: Source, way: int) -> Sequential | None:
    """Watch forwards (1); or backwards (−1), since a level from the first passes cannot alarm there."""

    def falls(one: WatchedSide, chance: float) -> Sequential | None:
        x, lots = one.margins[::way], one.lots[::way]
        return falling_within(x, lots, source=lots_are, least=ONE_NOISE, chance=chance)

    return alarm_of(watched, falls, way)


def alarm_of(
    watched: Sequence[WatchedSide], falls: Callable[[WatchedSide, float], Sequential | None], way: int = 1
) -> Sequential | None:
    """Watch the smallest margin, and each side of it: an alarm takes both.

    A fall on a side that is far away does not matter. And which side is the nearest may change from lot to lot: then a
    few lots have a smallest margin far below that of the others although no side has such lots.
    `falls`: returns the sum of one of them for a probability of a false alarm.
    `way`: 1, or −1 if the sums run backwards.

    The result is the sum of the side that alarms first; if not both alarm, that of the one that does not.
    """
    each = FALSE_ALARM / max(1, len(watched) - 1)
    found = [
        replace(sum_, side=one.side).at_rows(one.rows[::way])
        for one in watched
        if (sum_ := falls(one, each if one.side else FALSE_ALARM)) is not None
    ]
    smallest, sides = ([one for one in found if (one.side is None) is of] for of in (True, False))
    if not smallest or not sides or smallest[0].alarm is None:
        return smallest[0] if smallest else None
    alarms = [one for one in sides if one.alarm is not None]
    if alarms:
        return min(alarms, key=lambda one: way * (one.alarm or 0))
    return max(sides, key=lambda one: one.largest / one.threshold)


def _stretch(
    reach: Levels,
    top: Levels,
    valley: Levels,
    lost: NDArray[np.bool_],
    hours: Levels,
    setting: Setting,
    margins: Margin,
    sign: float,
) -> CourseStretch:
    found = [
        (float(np.nanmin(side)), name) for name, side in _sides(reach, top, valley, setting, margins, sign).items()
    ]
    clear = valley[~np.isnan(valley)]
    margin, limited_by = min(found) if found else (None, None)
    middle = float(np.median(reach))
    background = float(np.median(clear)) if clear.size else None
    return CourseStretch(
        passes=int(reach.size),
        lost=int(lost.sum()),
        hours=float(np.median(hours)),
        object=sign * middle,
        weakest=sign * float(reach.min()),
        background=None if background is None else sign * background,
        contrast=None if background is None else middle - background,
        margin=margin,
        limited_by=limited_by,
    )


def _sides(
    reach: Levels, top: Levels, valley: Levels, setting: Setting, margins: Margin, sign: float
) -> dict[str, Levels]:
    """Return the distance of every pass, and of the gap after it, to the levels in noise, if known."""
    levels = (setting.on_level, setting.off_level) if sign > 0 else (-setting.off_level, -setting.on_level)
    # Levels near the largest number are as far away as light can be: means of the distances remain numbers.
    act, release = (min(max(level, -LARGEST), LARGEST) for level in levels)
    out = {}
    if margins.noise_object:
        out["detect"] = (reach - act) / margins.noise_object
    if margins.noise_background:
        out["trip"] = (act - top) / margins.noise_background
        out["release"] = (release - valley) / margins.noise_background
    return {name: side for name, side in out.items() if not np.isnan(side).all()}


def _trend(
    light: Levels,
    hours: Levels,
    lots: NDArray[np.int64],
    lots_are: Source,
    level: float,
    dark: float,
    sign: float,
    confidence: float,
) -> Trend | None:
    groups, source = _groups(lots, lots_are, MOST_LOTS)
    count = int(groups.max(initial=-1)) + 1
    # Stretches of a few lots show what lies between these lots.
    if count < LEAST_GROUPS or source is not lots_are:
        return None
    medians = np.array([np.median(light[groups == g]) for g in range(count)])
    multiplies = dark < min(level, float(medians.min()), float(np.quantile(light, WEAK_SHARE)))
    values = light
    if multiplies:
        # A pass at or below the dark level has no logarithm: it counts as the weakest, which does not change a quantile
        # above it.
        least = np.finfo(np.float64).tiny
        values, level = np.log(np.maximum(light - dark, least)), math.log(level - dark)
    line = fit_lowered(hours, values, groups, share=WEAK_SHARE, confidence=confidence)
    if line is None:
        return None
    return Trend(
        of="passes" if sign > 0 else "gaps",
        scale="logarithm above the dark level" if multiplies else "level",
        per_hour=line.slope,
        low=line.low,
        high=line.high,
        established=line.established,
        hours_observed=float(hours[-1] - hours[0]),
        ahead=fall_to(line, level, float(hours[-1])),
        source=str(source),
        groups=count,
        confidence=confidence,
    )


def _groups(lots: NDArray[np.int64], lots_are: Source, most: int) -> tuple[NDArray[np.int64], Source]:
    """Return the number of the lot of every pass, of at most so many joined lots, or of its stretch of passes."""
    if lots_are is Source.LOTS:
        names, code = np.unique(lots, return_inverse=True)
        if names.size >= LEAST_GROUPS:
            # Lots are numbered in time order, so this joins neighbours, as evenly as whole numbers allow.
            return code * min(most, names.size) // names.size, Source.LOTS
    count = min(BLOCKS, lots.size // LEAST_PER_BLOCK)
    parts = np.array_split(np.arange(lots.size), count) if count else []
    return np.repeat(np.arange(len(parts)), [part.size for part in parts]), Source.BLOCKS


def _excess(reach: Levels, setting: Setting, dark: float, sign: float) -> Levels | None:
    """Return how many times the light of every pass exceeds what is needed; None at or below the dark level."""
    needed = (setting.on_level if sign > 0 else setting.off_level) - dark
    if not needed > 0:
        return None
    light = sign * reach - dark
    # Objects that raise the light must exceed the level; those that lower it must stay below it.
    above, below = (light, np.full_like(light, needed)) if sign > 0 else (np.full_like(light, needed), light)
    with np.errstate(over="ignore"):  # a level next to nothing is exceeded without limit
        return np.divide(above, below, out=np.full_like(light, np.inf), where=below > 0)
