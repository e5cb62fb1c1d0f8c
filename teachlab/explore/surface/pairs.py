"""Counts of many given settings at once: in one reading, where that is exact.

Accepted: every setting of fixed levels (schema 1) in the recording's unit, with any levels, polarity, consecutive
filter, delays and evaluation rate, all mixed in one call. Settings that follow the background or have two
thresholds (schema 2) are refused with a `SettingError`: replay and score those one by one. The counts are those of
`score(replay(recording, setting), truth)`, exclusions, `first_pass` and tolerance included.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from teachlab.explore.surface.asked import AskedTally
from teachlab.explore.surface.grid import counts_by_table
from teachlab.explore.surface.levels import FirstReading, read_first
from teachlab.explore.surface.run import has_memory, read_spans
from teachlab.explore.surface.spans import Spans
from teachlab.explore.surface.table import TABLES
from teachlab.model.benchmark import Costs
from teachlab.model.recording import Recording
from teachlab.model.score import Score
from teachlab.model.setting import Polarity, Setting
from teachlab.model.setting_kinds import fixed_levels
from teachlab.model.truth import Truth
from teachlab.replay import replay_family
from teachlab.replay.run import check_unit
from teachlab.score import score

TOGETHER = 4000
"""Settings counted in one reading: ranks among their levels fit 15 bits, kinds of trial beside them."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PairCounts:
    """Counts of one setting, as scoring its replay gives them.

    Parameters
    ----------
    lost, merged, extra, false_trips, gaps_tripped, ignore_trips, ignore_tripped : int
    detect_trials, ignore_trials, gap_trials : int
        What was scored.
    running_hours, gap_hours : float, hours
        As in `Score`: of all that was scored, and of the scored gaps.
    """

    lost: int
    merged: int
    extra: int
    false_trips: int
    gaps_tripped: int
    ignore_trips: int
    ignore_tripped: int
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
        """Return the cost per scored pass, NaN without one."""
        false = self.false_trips + self.ignore_trips + self.extra
        if self.detect_trials == 0:
            return float("nan")
        return (costs.miss * self.lost + costs.false * false) / self.detect_trials

    @classmethod
    def of(cls, scored: Score) -> PairCounts:
        """Take the counts from a score."""
        n = scored.counts
        return cls(
            **counts_by_table(n),
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
    tolerance_ms: float = 0.0,
    first_pass: int = 0,
    fast: bool | None = None,
    progress: Callable[[float], None] | None = None,
) -> list[PairCounts]:
    """Count what every one of many settings does; equal to `replay` and `score` of each.

    Settings without filter and delays are counted together, thousands in one reading, however much they
    chatter: what one reading books for all pairs of levels is summed up for these. The others are replayed as
    a family and scored one by one.

    Parameters
    ----------
    recording : Recording
    truth : Truth
    settings : sequence of Setting
        Any levels, polarities, filters, delays and evaluation rates; equal ones are counted once.
    tolerance_ms, first_pass, fast, progress
        As in `surface`.

    Returns
    -------
    list of PairCounts
        In the order of the settings.
    """
    found: dict[tuple[object, ...], PairCounts] = {}
    plain: dict[tuple[Polarity, float | None], list[Setting]] = {}
    others: dict[float | None, list[Setting]] = {}
    for setting in dict.fromkeys(_bare(s) for s in settings):
        fixed_levels(setting, "counting many settings at once")
        check_unit(recording, setting)
        if has_memory(setting):
            others.setdefault(setting.evaluation_rate_hz, []).append(setting)
        else:
            plain.setdefault((setting.polarity, setting.evaluation_rate_hz), []).append(setting)
    readings = {rate: read_first(recording, rate, inner_range=False) for _, rate in plain}
    steps = [
        (f[a : a + TOGETHER], readings[rate]) for (_, rate), f in plain.items() for a in range(0, len(f), TOGETHER)
    ]
    total = sum(map(len, (*plain.values(), *others.values())))

    def say(share: float) -> None:
        if progress is not None:
            progress((len(found) + share) / total)

    for family, reading in steps:
        counts = _count(recording, truth, family, reading, tolerance_ms, first_pass, fast, say)
        found.update(zip(map(_key, family), counts, strict=True))
    for family in others.values():
        for s, output in zip(family, replay_family(recording, family), strict=True):
            scored = score(output, truth, tolerance_ms=tolerance_ms, first_pass=first_pass, tables=False)
            found[_key(s)] = PairCounts.of(scored)
            say(0.0)
    return [found[_key(s)] for s in settings]


def _count(
    recording: Recording,
    truth: Truth,
    family: Sequence[Setting],
    reading: FirstReading,
    tolerance_ms: float,
    first_pass: int,
    fast: bool | None,
    say: Callable[[float], None],
) -> list[PairCounts]:
    """Count settings without memory that share polarity and rate, in one reading."""
    clock = reading.clock
    spans = Spans.of(truth, clock, reading.invalid, tolerance_ms=tolerance_ms, first_pass=first_pass)
    pairs = np.array([(s.on_level, s.off_level) for s in family])
    levels = np.unique(pairs)
    n, dips = levels.size, family[0].polarity is Polarity.DARK_ON
    on, off = np.searchsorted(levels, pairs).T
    if dips:  # ranks are mirrored: the on-index of the one is the off-index of the other
        on, off = n - 1 - off, n - 1 - on
    tally = AskedTally(on, off, n)
    read_spans(recording, levels, reading, spans, tally, dips=dips, fast=fast, progress=lambda d: say(d * len(family)))
    counts = tally.counts(spans)
    per_hour = clock.rate_hz * 3600
    running, gaps = (clock.count - spans.begin) / per_hour, spans.gap_evaluations / per_hour
    rows = zip(*(counts[name].tolist() for name in TABLES), strict=True)
    return [
        PairCounts(
            **dict(zip(TABLES, row, strict=True)),
            detect_trials=spans.detect,
            ignore_trials=spans.ignore,
            gap_trials=spans.gaps,
            running_hours=running,
            gap_hours=gaps,
        )
        for row in rows
    ]


def _bare(setting: Setting) -> Setting:
    return setting if setting.taught is None else replace(setting, taught=None)


def _key(setting: Setting) -> tuple[object, ...]:
    return (
        setting.on_level, setting.off_level, setting.polarity, setting.consecutive, setting.on_delay_ms,
        setting.off_delay_ms, setting.delays_act_on, setting.evaluation_rate_hz,
    )  # fmt: skip
