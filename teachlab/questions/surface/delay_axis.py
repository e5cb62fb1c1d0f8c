"""Levels and delays together: errors of every level under every on- and off-delay, from one reading."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from teachlab.errors import ParameterError, SettingError
from teachlab.light.windows import border_evaluations
from teachlab.model.draws import Costs
from teachlab.model.json_values import picked, plain
from teachlab.model.printable_text import level_text, number_of
from teachlab.model.recording import Recording
from teachlab.model.score import USUAL_RULES, Rules
from teachlab.model.setting import DelaysActOn, Setting
from teachlab.model.truth import Truth
from teachlab.sensor.clock import Clock, no_valid_sample
from teachlab.sensor.evaluated_blocks import evaluated
from teachlab.sensor.level_pairs import LevelPairs
from teachlab.teaching.cells.delay_counts import COUNTED, DelayCounter, DelayCounts

STEPS = 25
"""Delays of a range, its ends included."""
MOST_STEPS = 200
MOST_LEVELS = 200
"""Levels that are counted if none are given and more are known: a picture shows no more."""
BLOCK = 1 << 20

Levels = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DelaySurface(DelayCounts):
    """The result of every level under every delay, without hysteresis; every cell is exact: equal to its replay.

    `levels`: shape (n,), recording units.
    `on_delays_ms`, `off_delays_ms`: ms.
    `base`: polarity, filter and evaluation rate of all cells; its levels and delays are not used.
    """

    levels: Levels
    on_delays_ms: Levels
    off_delays_ms: Levels
    base: Setting
    costs: Costs

    @property
    def cost(self) -> NDArray[np.float64]:
        """Cost per scored pass of every cell; NaN without passes."""
        false = self.extra + self.false_trips + self.ignore_trips
        with np.errstate(invalid="ignore", divide="ignore"):
            trials = self.detect_trials.reshape(1, -1, 1)
            out: NDArray[np.float64] = self.costs.of(lost=self.lost, touching=self.touching, false=false, passes=trials)
        return out

    @property
    def best(self) -> tuple[int, int, int]:
        """Place of the cheapest cell; among equal ones the shortest delays, then the level in their middle."""
        cost = self.cost
        level, on, off = np.nonzero(cost <= np.nanmin(cost))
        # The last key sorts first: the shortest on-delay, and of these the shortest off-delay.
        first = np.lexsort((off, on))[0]
        alike = np.sort(level[(on == on[first]) & (off == off[first])])
        # The middle of the longest run of neighbouring levels, so that the level has room on both sides.
        parts = np.split(alike, np.flatnonzero(np.diff(alike) > 1) + 1)
        longest = max(parts, key=len)
        return int(longest[len(longest) // 2]), int(on[first]), int(off[first])

    def setting(self, at: tuple[int, int, int]) -> Setting:
        """Return the setting of one cell."""
        level = float(self.levels[at[0]])
        return replace(
            self.base.with_levels(level, level), delays_act_on=DelaysActOn.OUTPUT,
            on_delay_ms=float(self.on_delays_ms[at[1]]), off_delay_ms=float(self.off_delays_ms[at[2]]),
        )  # fmt: skip

    @property
    def left(self) -> int:
        """Errors that the cheapest cell leaves."""
        return int(self.errors[self.best])

    def sentence(self, step: float | None = None) -> str:
        """Say which cell is the cheapest, and what the shortest delays of the range achieve; `step`: of the light."""
        at = self.best
        setting = self.setting(at)
        apart = int(self.detect_trials[at[1]] - self.touching[at])
        return (
            f"Without hysteresis, level {level_text(setting.on_level, step)} {self.base.unit} with on-delay "
            f"{setting.on_delay_ms:.5g} ms and off-delay {setting.off_delay_ms:.5g} ms makes "
            f"{number_of(self.left, 'error')} in {number_of(apart, 'pass', 'passes')}; the best level at "
            f"{self.on_delays_ms[0]:.5g} and {self.off_delays_ms[0]:.5g} ms makes {int(self.errors[:, 0, 0].min())}."
        )

    def as_dict(self) -> dict[str, Any]:
        """Return the plain JSON form."""
        at = self.best
        return {
            "exact": True,
            "levels": plain(self.levels),
            "on_delay_ms": plain(self.on_delays_ms),
            "off_delay_ms": plain(self.off_delays_ms),
            **picked(self, "detect_trials", *COUNTED),
            "best": {
                "level": float(self.levels[at[0]]),
                "on_delay_ms": float(self.on_delays_ms[at[1]]),
                "off_delay_ms": float(self.off_delays_ms[at[2]]),
                "cost": float(self.cost[at]),
                **{name: int(getattr(self, name)[at]) for name in COUNTED},
            },
        }


def delay_surface(
    recordings: Sequence[tuple[Recording, Truth]],
    base: Setting,
    levels: Levels,
    *,
    on_delays_ms: Sequence[float],
    off_delays_ms: Sequence[float],
    rules: Rules = USUAL_RULES,
    costs: Costs | None = None,
    progress: Callable[[float], None] | None = None,
) -> DelaySurface:
    """Count every level without hysteresis under every pair of delays; the counts of several recordings are added.

    `base`: polarity, filter and evaluation rate.
    `levels`: shape (n,), recording units, ascending.
    `on_delays_ms`, `off_delays_ms`: ms, ascending.
    Raises SettingError if the delays of the base act on the light state of a dark-on output: they would act in another
    order.
    Raises RecordingError if a recording holds no valid sample.

    Notes
    -----
    One reading compares the light with all levels; `teachlab.teaching.cells.delay_counts` counts all delays from the
    runs that result.
    """
    if base.delays_swap_roles:
        raise SettingError(
            "levels and delays are counted together for delays that act on the output; those of the base setting act "
            "on the light state of a dark-on output, in another order. Set delays_act_on to 'output', or replay "
            "single settings."
        )
    total: DelayCounts | None = None
    for k, (recording, truth) in enumerate(recordings):
        clock = Clock.of(recording.samples, recording.info.sample_rate_hz, base.evaluation_rate_hz)
        pairs = LevelPairs([(level, level) for level in levels.tolist()])
        for block in evaluated(recording.blocks(size=BLOCK), clock):
            pairs.push(block)
            if progress is not None:
                progress((k + block.stop / clock.count) / len(recordings))
        if pairs.first is None:
            raise no_valid_sample(recording.name, recording.samples)
        counter = DelayCounter(
            truth, clock, pairs.validity(), border=border_evaluations(truth, clock, rules),
            first_pass=rules.first_pass,
        )  # fmt: skip
        found = counter.count(
            list(pairs.light_states()), light_on=base.light_on, consecutive=min(base.consecutive, clock.count + 1),
            on_delays=[clock.delay(ms) for ms in on_delays_ms], off_delays=[clock.delay(ms) for ms in off_delays_ms],
        )  # fmt: skip
        total = found if total is None else total + found
    if total is None:
        raise ParameterError("a surface needs at least one recording.")
    return DelaySurface(
        levels=levels, on_delays_ms=np.array(on_delays_ms), off_delays_ms=np.array(off_delays_ms),
        **{name: getattr(total, name) for name in COUNTED}, detect_trials=total.detect_trials, base=base,
        costs=costs or Costs(),
    )  # fmt: skip


def delay_range(text: str | None, option: str, kept: float) -> list[float]:
    """Return the delays of ``A:B`` or ``A:B:HOW_MANY`` in ms; without a range, the one delay that is kept.

    Raises ParameterError if the text is not such a range.
    """
    if text is None:
        return [kept]
    parts = text.split(":")
    try:
        low, high = float(parts[0]), float(parts[1])
        count = int(parts[2]) if len(parts) == 3 else STEPS
    except (ValueError, IndexError):
        low, high, count = 0.0, -1.0, 0
    if len(parts) > 3 or not 0 <= low < high < 86_400_000 or not 2 <= count <= MOST_STEPS:
        raise ParameterError(
            f"{option} takes a range in ms, LOW:HIGH or LOW:HIGH:HOW_MANY with 0 <= LOW < HIGH and 2 to {MOST_STEPS} "
            f"delays, such as 0:60, got '{text}'."
        )
    out: list[float] = np.linspace(low, high, count).tolist()
    return out


def counted_levels(levels: Levels) -> Levels:
    """Return the levels that are counted with delays: all, or evenly spread ones from end to end."""
    if levels.size <= MOST_LEVELS:
        return levels
    return levels[np.unique(np.linspace(0, levels.size - 1, MOST_LEVELS).round().astype(np.int64))]
