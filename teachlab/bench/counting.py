"""Count what many settings do on the scored block, together where that is exact, and measure it."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, fields, replace

from teachlab.bench.options import BenchOptions
from teachlab.explore.hindsight import hindsight
from teachlab.explore.surface.pairs import PairCounts, score_pairs
from teachlab.explore.surface.run import surface
from teachlab.model.benchmark import BestFixed, Costs
from teachlab.model.recording import Recording
from teachlab.model.setting import Polarity, Setting
from teachlab.model.truth import Truth
from teachlab.replay import replay_family
from teachlab.score import score

Counted = Mapping[Setting, PairCounts]


@dataclass(frozen=True, slots=True)
class Tally:
    """What every distinct setting did from one pass on."""

    counts: Counted

    def __getitem__(self, setting: Setting) -> PairCounts:
        return self.counts[bare(setting)]

    def before(self, later: Tally) -> Tally:
        """Return what is left without the later part: the counts of the first half from those of both."""
        return Tally({s: _less(n, later.counts[s]) for s, n in self.counts.items()})


def count_all(
    recording: Recording,
    truth: Truth,
    settings: Iterable[Setting],
    *,
    options: BenchOptions,
    first_pass: int,
    progress: Callable[[float], None] | None = None,
) -> Tally:
    """Count every distinct setting; equal to replaying and scoring each by itself.

    Settings of fixed levels are counted together; those that follow or have two thresholds are replayed.
    """
    distinct = list(dict.fromkeys(bare(s) for s in settings))
    fixed = [s for s in distinct if type(s) is Setting]
    moving = [s for s in distinct if type(s) is not Setting]
    share = len(fixed) / max(len(distinct), 1)
    found: dict[Setting, PairCounts] = {}
    if fixed:
        counts = score_pairs(
            recording, truth, fixed, tolerance_ms=options.tolerance_ms, first_pass=first_pass,
            progress=None if progress is None else lambda done: progress(share * done),
        )  # fmt: skip
        found.update(zip(fixed, counts, strict=True))
    for rate in dict.fromkeys(s.evaluation_rate_hz for s in moving):
        family = [s for s in moving if s.evaluation_rate_hz == rate]
        for setting, output in zip(family, replay_family(recording, family), strict=True):
            scored = score(output, truth, tolerance_ms=options.tolerance_ms, first_pass=first_pass, tables=False)
            found[setting] = PairCounts.of(scored)
            if progress is not None:
                progress(len(found) / len(distinct))
    return Tally(found)


def best_fixed(
    recording: Recording, truth: Truth, tally: Tally, *, options: BenchOptions, first_pass: int
) -> BestFixed:
    """Find the best fixed setting among all pairs of levels, and among all fixed settings that were taught."""
    fixed = [(s, n.cost(options.costs)) for s, n in tally.counts.items() if type(s) is Setting]
    polarities = [s.polarity for s, _ in fixed]
    polarity = max(dict.fromkeys(polarities), key=polarities.count, default=Polarity.LIGHT_ON)
    base = options.base or Setting(unit=recording.info.unit, on_level=0.0, off_level=0.0)
    table = surface(
        recording, truth, base.with_levels(0.0, 0.0, polarity), tolerance_ms=options.tolerance_ms, first_pass=first_pass
    )
    found = hindsight(table, costs=options.costs, others=fixed)
    return BestFixed(
        setting=found.setting,
        cost=found.cost,
        equally_good=found.equally_good,
        on_interval=found.on_interval,
        off_interval=found.off_interval,
        searched=found.searched,
    )


def measures_of(setting: Setting, counts: PairCounts, costs: Costs, *, best_cost: float) -> dict[str, float]:
    """Return the measures of one draw; NaN where there is no denominator."""
    cost = counts.cost(costs)
    return {
        "on_level": setting.on_level,
        "off_level": setting.off_level,
        "lost_rate": _ratio(counts.lost, counts.detect_trials),
        "merged_rate": _ratio(counts.merged, counts.detect_trials),
        "false_trips_per_gap": _ratio(counts.gaps_tripped, counts.gap_trials),
        "false_trips_per_running_hour": _ratio(counts.false_trips, counts.running_hours),
        "extra_per_pass": _ratio(counts.extra, counts.detect_trials),
        "cost": cost,
        "regret": cost - best_cost,
    }


def bare(setting: Setting) -> Setting:
    """Return the setting without its history: equal settings are replayed once."""
    return replace(setting, taught=None)


def _ratio(events: float, trials: float) -> float:
    return events / trials if trials else math.nan


def _less(all_of_it: PairCounts, later: PairCounts) -> PairCounts:
    names: Sequence[str] = [f.name for f in fields(PairCounts)]
    return PairCounts(**{name: getattr(all_of_it, name) - getattr(later, name) for name in names})
