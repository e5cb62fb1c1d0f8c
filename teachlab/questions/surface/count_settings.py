"""Results of many settings on the scored passes: counted together where that is exact, and as measures."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from teachlab.model.following_and_window import FollowingSetting, TurningPointSetting
from teachlab.model.recording import Recording
from teachlab.model.score import USUAL_RULES, Rules
from teachlab.model.setting import Setting, bare
from teachlab.model.truth import Truth
from teachlab.questions.surface.given_settings.pairs import PairCounts, score_pairs_from
from teachlab.questions.surface.values.levels import FirstLook
from teachlab.scoring.scoring import score
from teachlab.sensor.output import Output
from teachlab.switching.family import replay_family

if TYPE_CHECKING:
    from teachlab.model.draws import Costs, Draw

Counted = Mapping[Setting, PairCounts]
"""Keyed by the setting without its history, as `bare` gives it."""


MOVING = FollowingSetting, TurningPointSetting


def count_settings(
    recording: Recording,
    truth: Truth,
    settings: Iterable[Setting],
    *,
    rules: Rules = USUAL_RULES,
    progress: Callable[[float], None] | None = None,
) -> dict[Setting, PairCounts]:
    """Count every distinct setting from one pass on; equal to replaying and scoring each one separately.

    Settings of fixed levels or with two thresholds are counted together. Settings that follow are replayed together,
    and those with the same output are scored once.
    """
    return count_settings_from(recording, truth, settings, (rules,), progress=progress)[0]


def count_settings_from(
    recording: Recording,
    truth: Truth,
    settings: Iterable[Setting],
    several: Sequence[Rules],
    *,
    look: FirstLook | None = None,
    progress: Callable[[float], None] | None = None,
) -> list[dict[Setting, PairCounts]]:
    """Count as `count_settings`, by several rules that differ in the first pass scored, the earliest first."""
    distinct = list(dict.fromkeys(bare(s) for s in settings))
    fixed = [s for s in distinct if not isinstance(s, MOVING)]
    moving = [s for s in distinct if isinstance(s, MOVING)]
    share = len(fixed) / max(len(distinct), 1)
    found: list[dict[Setting, PairCounts]] = [{} for _ in several]
    if fixed:
        each = score_pairs_from(
            recording,
            truth,
            fixed,
            several,
            look=look,
            progress=None if progress is None else lambda done: progress(share * done),
        )
        for of, counts in zip(found, each, strict=True):
            of.update(zip(fixed, counts, strict=True))
    for rate in dict.fromkeys(s.evaluation_rate_hz for s in moving):
        family = [s for s in moving if s.evaluation_rate_hz == rate]
        # Followers of neighbouring levels mostly switch at the same evaluations: scored once, separated by a cheap
        # summary first.
        alike: dict[tuple[object, ...], list[tuple[Output, list[PairCounts]]]] = {}
        for setting, output in zip(family, replay_family(recording, family), strict=True):
            seen = alike.setdefault(_summary(output), [])
            known = next((counts for other, counts in seen if _same(output, other)), None)
            if known is None:
                known = [PairCounts.of(score(output, truth, rules=rules, tables=False), truth) for rules in several]
                seen.append((output, known))
            for of, counted in zip(found, known, strict=True):
                of[setting] = counted
            if progress is not None:
                progress(len(found[0]) / len(distinct))
    return found


def measures_of(setting: Setting, counts: PairCounts, costs: Costs, *, best_cost: float) -> dict[str, float]:
    """Return the measures of one setting by the names of `model.benchmark.MEASURES`; NaN without a denominator."""
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
        # 0.7 and seven times 0.1 are one cost.
        "regret": 0.0 if math.isclose(cost, best_cost, rel_tol=1e-12) else cost - best_cost,
    }


def with_measures(draws: Iterable[Draw], counts: Counted, costs: Costs, *, best_cost: float) -> list[Draw]:
    """Return the draws with their measures; a draw without a setting stays unchanged."""
    return [
        d
        if d.setting is None
        else replace(d, measures=measures_of(d.setting, counts[bare(d.setting)], costs, best_cost=best_cost))
        for d in draws
    ]


def _summary(output: Output) -> tuple[object, ...]:
    """Return a value that outputs with the same score share, and few others."""
    signals = output.undelayed, output.output
    return (output.lag, *((s.first, s.edges.size, int(s.edges.sum())) for s in signals))


def _same(one: Output, other: Output) -> bool:
    """Whether two outputs over the same light, with one summary, have the same score."""
    return np.array_equal(one.undelayed.edges, other.undelayed.edges) and np.array_equal(
        one.output.edges, other.output.edges
    )


def _ratio(events: float, trials: float) -> float:
    return events / trials if trials else math.nan
