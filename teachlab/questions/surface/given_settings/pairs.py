"""Counts of many given settings at once: in one reading, where that is exact.

Accepted: every setting of fixed levels or with two thresholds in the recording's unit, with any levels, polarity,
consecutive filter, delays and evaluation rate, all mixed in one call. Settings that follow the background are refused
with a `SettingError`: their levels depend on their own output; replay and score those one by one. The counts are those
of `score(replay(recording, setting), truth)`, including exclusions and rules.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, fields, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from teachlab.model.following_and_window import WindowSetting, fixed_levels
from teachlab.model.recording import Recording
from teachlab.model.score import USUAL_RULES, Rules, Score
from teachlab.model.setting import Polarity, Setting, bare
from teachlab.model.truth import Truth
from teachlab.questions.surface.all_pairs.reading import read_spans
from teachlab.questions.surface.condensed import Condensed, condensed
from teachlab.questions.surface.given_settings.asked_tally import TallyOfGivenPairs
from teachlab.questions.surface.given_settings.many import count_many
from teachlab.questions.surface.values.levels import FirstLook, FirstReading, read_first
from teachlab.questions.surface.values.spans import Spans
from teachlab.questions.surface.values.table import COUNTED, counts_by_table
from teachlab.scoring.claimable import touching_merges
from teachlab.scoring.scoring import score
from teachlab.sensor.clock import Clock
from teachlab.switching.family import replay_family
from teachlab.switching.run import check_unit

if TYPE_CHECKING:
    from teachlab.model.draws import Costs

LONG = 1 << 20
"""From this number of samples on, a recording is reduced before settings without filter and delays are counted."""
TOGETHER = 4000
"""Settings counted in one reading: the ranks among their levels fit 15 bits, with the kinds of trial beside them."""
FEW = 8
"""Up to this number of settings with filter, delays or two thresholds are replayed: chains read the recording twice."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PairCounts:
    """Counts of one setting, as scoring its replay gives them.

    `touching`: those of the merged passes that touch the one before.
    `running_hours`, `gap_hours` (hours): as in `Score`: of everything that was scored, and of the scored gaps.
    """

    lost: int
    merged: int
    extra: int
    false_trips: int
    gaps_tripped: int
    ignore_trips: int
    ignore_tripped: int
    touching: int
    detect_trials: int
    ignore_trials: int
    gap_trials: int
    running_hours: float
    gap_hours: float

    @property
    def ignore_false_trips(self) -> int:
        """The name that a score uses for `ignore_trips`."""
        return self.ignore_trips

    def cost(self, costs: Costs) -> float:
        """Return the cost per scored pass; NaN without one."""
        false = self.false_trips + self.ignore_trips + self.extra
        if self.detect_trials == 0:
            return float("nan")
        return float(costs.of(lost=self.lost, touching=self.touching, false=false, passes=self.detect_trials))

    def by_table(self) -> dict[str, int]:
        """Return the counts under the names of the tables, with those of touching passes that merged."""
        return {name: getattr(self, name) for name in COUNTED}

    @property
    def errors(self) -> int:
        """Lost passes and unwanted switchings; passes that merged with the one that they touch are none."""
        return self.apart_lost + self.extra + self.false_trips + self.ignore_trips

    @property
    def apart_lost(self) -> int:
        """Lost passes without those that merged with the one that they touch."""
        return self.lost - self.touching

    @property
    def apart(self) -> PairCounts:
        """The same without the passes that merged with the one that they touch."""
        return replace(self, lost=self.apart_lost, merged=self.merged - self.touching, touching=0)

    def before(self, later: PairCounts) -> PairCounts:
        """Return the counts without those of the later part of the same passes."""
        return PairCounts(**{f.name: getattr(self, f.name) - getattr(later, f.name) for f in fields(self)})

    @classmethod
    def of(cls, scored: Score, truth: Truth) -> PairCounts:
        """Take the counts from a score of these passes."""
        n = scored.counts
        return cls(
            **counts_by_table(n),
            touching=int(touching_merges(truth, scored.trials).sum()),
            detect_trials=n.scored_passes,
            ignore_trials=n.scored_ignore_passes,
            gap_trials=n.gaps,
            running_hours=scored.running_hours,
            gap_hours=scored.gap_hours,
        )


def score_pairs(
    recording: Recording,
    truth: Truth,
    settings: Sequence[Setting],
    *,
    rules: Rules = USUAL_RULES,
) -> list[PairCounts]:
    """Count the result of each of many settings, in their order; equal to `replay` and `score` of each.

    Settings without filter and delays are counted together, thousands in one reading, however often they switch: what
    one reading books for all pairs of levels is summed for these. Those with a filter, delays or two thresholds are
    divided into chains of one signal each (`many`).

    `settings`: any levels, polarities, filters, delays and evaluation rates; equal settings are counted once.
    """
    return score_pairs_from(recording, truth, settings, (rules,))[0]


def score_pairs_from(
    recording: Recording,
    truth: Truth,
    settings: Sequence[Setting],
    several: Sequence[Rules],
    *,
    look: FirstLook | None = None,
    progress: Callable[[float], None] | None = None,
) -> list[list[PairCounts]]:
    """Count as `score_pairs`, by several rules that differ in the first pass scored, the earliest first.

    A `look` for which nothing was read yet takes part in a reading, if there is one at its rate.
    """
    found: list[dict[Setting, PairCounts]] = [{} for _ in several]
    plain: dict[tuple[Polarity, float | None], list[Setting]] = {}
    others: dict[float | None, list[Setting]] = {}
    wanted = [bare(s) for s in settings]
    for setting in dict.fromkeys(wanted):
        if not isinstance(setting, WindowSetting):
            fixed_levels(setting, "counting many settings at once")
        check_unit(recording, setting)
        if isinstance(setting, WindowSetting) or setting.has_memory:
            others.setdefault(setting.evaluation_rate_hz, []).append(setting)
        else:
            plain.setdefault((setting.polarity, setting.evaluation_rate_hz), []).append(setting)
    # One condensed recording serves all settings of a rate: it is made for the least hysteresis, and those with more of
    # it see even less of the light.
    looks = {} if look is None else {look.evaluation_rate_hz: look}
    shorter = {rate: _condensed(recording, truth, plain, rate, several[0], looks) for _, rate in plain}
    long = [rate for _, rate in plain if shorter[rate] is None]
    rates = dict.fromkeys([*long, *(rate for rate, f in others.items() if len(f) > FEW)])
    readings = {rate: _first_reading(recording, rate, looks.get(rate)) for rate in rates}
    total = sum(map(len, (*plain.values(), *others.values()))) * len(several)

    def say(share: float) -> None:
        if progress is not None:
            progress((sum(map(len, found)) + share) / total)

    for (_, rate), family in plain.items():
        short = shorter[rate]
        for some in _together(family):
            first = readings[rate] if short is None else read_first(short.recording, None, inner_range=False)
            for rules, counted in zip(several, found, strict=True):
                if short is None:
                    counts = _count(recording, truth, some, first, rules, say)
                else:
                    own = replace(short.rules, first_pass=rules.first_pass)
                    counts = _count(short.recording, short.truth, some, first, own, say)
                    spans = Spans.of(truth, short.clock, short.invalid, rules=rules)
                    counts = [replace(n, **_scored(spans, short.clock)) for n in counts]
                counted.update(zip(some, counts, strict=True))
    for rate, family in others.items():
        if len(family) > FEW:
            for some in _together(family):
                for rules, counted in zip(several, found, strict=True):
                    counts = _count_chains(recording, truth, some, readings[rate], rules, say)
                    counted.update(zip(some, counts, strict=True))
            continue
        for s, output in zip(family, replay_family(recording, family), strict=True):
            for rules, counted in zip(several, found, strict=True):
                counted[s] = PairCounts.of(score(output, truth, rules=rules, tables=False), truth)
            say(0.0)
    return [[counted[s] for s in wanted] for counted in found]


def _condensed(
    recording: Recording,
    truth: Truth,
    plain: dict[tuple[Polarity, float | None], list[Setting]],
    rate: float | None,
    rules: Rules,
    looks: dict[float | None, FirstLook],
) -> Condensed | None:
    """Reduce a long recording for all settings of a rate; None for a short one, and where it is impossible."""
    if recording.samples < LONG:
        return None
    together = [setting for (_, own), family in plain.items() if own == rate for setting in family]
    least = min(together, key=lambda setting: setting.hysteresis)
    look = looks.get(rate)
    return condensed(recording, truth, least, rules=rules, **({} if look is None else {"beside": look.push}))


def _first_reading(recording: Recording, rate: float | None, look: FirstLook | None) -> FirstReading:
    if look is None:
        return read_first(recording, rate, inner_range=False)
    # Where condensing was given up on the way, the look begins anew.
    return look.reading() if look.whole else look.read()


def _together(family: list[Setting]) -> Iterator[list[Setting]]:
    return (family[a : a + TOGETHER] for a in range(0, len(family), TOGETHER))


def _count_chains(
    recording: Recording,
    truth: Truth,
    family: Sequence[Setting],
    reading: FirstReading,
    rules: Rules,
    say: Callable[[float], None],
) -> list[PairCounts]:
    """Count settings with filter, delays or two thresholds and the same rate, as chains."""
    counted = count_many(
        recording, truth, family, reading, rules=rules,
        progress=lambda d: say(d * len(family)),
    )  # fmt: skip
    # Settings of one chain share their spans: their trials are counted once.
    scored = {id(spans): _scored(spans, reading.clock) for _, spans in counted}
    return [PairCounts(**counts, **scored[id(spans)]) for counts, spans in counted]


def _scored(spans: Spans, clock: Clock) -> dict[str, Any]:
    """Return the numbers of trials, by the names of `PairCounts`."""
    per_hour = clock.rate_hz * 3600
    return {
        "detect_trials": spans.detect,
        "ignore_trials": spans.ignore,
        "gap_trials": spans.gaps,
        "running_hours": (clock.count - spans.begin) / per_hour,
        "gap_hours": spans.gap_evaluations / per_hour,
    }


def _count(
    recording: Recording,
    truth: Truth,
    family: Sequence[Setting],
    reading: FirstReading,
    rules: Rules,
    say: Callable[[float], None],
) -> list[PairCounts]:
    """Count settings without memory and with the same polarity and rate, in one reading."""
    clock = reading.clock
    spans = Spans.of(truth, clock, reading.invalid, rules=rules)
    pairs = np.array([(s.on_level, s.off_level) for s in family])
    # Ranks among the levels that are asked for: what lies between two of them is the same to all of these settings.
    levels = np.unique(pairs)
    n, dips = levels.size, not family[0].light_on
    on, off = np.searchsorted(levels, pairs).T
    if dips:  # ranks are mirrored: the on-index of the one is the off-index of the other
        on, off = n - 1 - off, n - 1 - on
    tally = TallyOfGivenPairs(on, off, n)
    read_spans(recording, levels, reading, spans, tally, dips=dips, fast=None, progress=lambda d: say(d * len(family)))
    counts = tally.counts(spans)
    rows = zip(*(values.tolist() for values in counts.values()), strict=True)
    scored = _scored(spans, clock)
    return [PairCounts(**dict(zip(counts, row, strict=True)), **scored) for row in rows]
