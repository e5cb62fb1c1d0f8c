"""Counts of many given settings at once: by one surface over their own levels where that is exact.

Accepted: every setting of fixed levels (schema 1) in the recording's unit, with any levels, polarity, consecutive
filter, delays and evaluation rate, all mixed in one call. Settings that follow the background or have two
thresholds (schema 2) are refused with a `SettingError`: replay and score those one by one. The counts are those of
`score(replay(recording, setting), truth)`, exclusions, `first_pass` and tolerance included.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from teachlab.explore.surface.grid import counts_by_table
from teachlab.explore.surface.run import has_memory, surface
from teachlab.model.benchmark import Costs
from teachlab.model.recording import Recording
from teachlab.model.score import Score
from teachlab.model.setting import Polarity, Setting
from teachlab.model.truth import Truth
from teachlab.replay import replay_family
from teachlab.score import score

TOGETHER = 256
"""Settings counted in one reading: a surface over twice as many levels costs four times the memory."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PairCounts:
    """Counts of one setting, as scoring its replay gives them.

    Parameters
    ----------
    lost, merged, extra, false_trips, gaps_tripped, ignore_trips, ignore_tripped : int
    detect_trials, ignore_trials, gap_trials : int
        What was scored.
    running_hours : float, hours
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

    Settings without filter and delays are looked up in a surface over their own levels, a few hundred in
    one reading, however much they chatter. The others are replayed as a family and scored one by one.

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
        if has_memory(setting):
            others.setdefault(setting.evaluation_rate_hz, []).append(setting)
        else:
            plain.setdefault((setting.polarity, setting.evaluation_rate_hz), []).append(setting)
    total = sum(map(len, (*plain.values(), *others.values())))

    def say(count: int) -> None:
        if progress is not None:
            progress(count / total)

    for family in plain.values():
        # Neighbouring levels together: then most light lies beyond all of them and is passed over.
        ordered = sorted(family, key=lambda s: (s.on_level, s.off_level))
        for a in range(0, len(ordered), TOGETHER):
            part = ordered[a : a + TOGETHER]
            levels = np.unique([level for s in part for level in (s.on_level, s.off_level)])
            table = surface(
                recording, truth, part[0], levels=levels, tolerance_ms=tolerance_ms, first_pass=first_pass, fast=fast
            )
            for s in part:
                i, j = (int(np.searchsorted(levels, level)) for level in (s.on_level, s.off_level))
                found[_key(s)] = PairCounts(
                    **table.at(i, j),
                    detect_trials=table.detect_trials,
                    ignore_trials=table.ignore_trials,
                    gap_trials=table.gap_trials,
                    running_hours=table.running_hours,
                )
            say(len(found))
    for family in others.values():
        for s, output in zip(family, replay_family(recording, family), strict=True):
            scored = score(output, truth, tolerance_ms=tolerance_ms, first_pass=first_pass, tables=False)
            found[_key(s)] = PairCounts.of(scored)
            say(len(found))
    return [found[_key(s)] for s in settings]


def _bare(setting: Setting) -> Setting:
    return replace(setting, taught=None)


def _key(setting: Setting) -> tuple[object, ...]:
    return (
        setting.on_level, setting.off_level, setting.polarity, setting.consecutive, setting.on_delay_ms,
        setting.off_delay_ms, setting.delays_act_on, setting.evaluation_rate_hz,
    )  # fmt: skip
