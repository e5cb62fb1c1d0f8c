"""Where the output switches at every level: the level with the smallest spread of positions, and what it costs."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from teachlab.model.draws import Costs
from teachlab.model.json_values import picked, plain
from teachlab.model.printable_text import level_text, number_of
from teachlab.model.recording import Recording
from teachlab.model.score import USUAL_RULES, Rules
from teachlab.model.setting import Setting
from teachlab.model.truth import Truth
from teachlab.scoring.claimable import wrong_apart
from teachlab.scoring.scoring import score
from teachlab.scoring.switching_position import switching_position
from teachlab.statistics.quantiles import QuantileSpread
from teachlab.switching.family import replay_family

if TYPE_CHECKING:
    from teachlab.questions.surface.values.table import Surface

TRIED = 41
"""Levels at which positions are measured."""
SEEN_SHARE = 0.9
"""A level counts only if it hits at least this share of the passes: positions of a few passes always spread little."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PositionAtLevel:
    """Positions at one level.

    `hits`, `errors`: passes hit; and the sum of lost passes, false trips, extra onsets and trips on `ignore` passes.
    `cost`: per scored pass.
    `onset`, `release`: QuantileSpread or None, ms.
    """

    setting: Setting
    hits: int
    errors: int
    cost: float
    onset: QuantileSpread | None
    release: QuantileSpread | None

    @property
    def level(self) -> float:
        """Level at which the output becomes active, recording units."""
        return self.setting.activation

    def as_dict(self) -> dict[str, Any]:
        """Return the plain JSON form."""
        return {
            "level": self.level,
            **picked(self.setting, "on_level", "off_level"),
            **picked(self, "hits", "errors", "cost"),
            "onset_ms": plain(self.onset),
            "release_ms": plain(self.release),
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class PositionAxis:
    """Positions along the axis of levels; the distance of the two levels stays the same.

    `levels`: ascending.
    `doubt_ms`: uncertainty of the borders of the truth.
    """

    levels: tuple[PositionAtLevel, ...]
    scored_passes: int
    doubt_ms: float
    line_speed_m_s: float | None

    def _seen(self) -> list[PositionAtLevel]:
        return [one for one in self.levels if one.onset is not None and one.hits >= SEEN_SHARE * self.scored_passes]

    @property
    def steepest(self) -> PositionAtLevel | None:
        """The level with the smallest spread of onsets of those that hit enough passes; of equal ones the cheapest."""
        return min(self._seen(), key=lambda one: (_width(one.onset), one.cost), default=None)

    @property
    def cheapest(self) -> PositionAtLevel | None:
        """The level with the lowest cost; of equal ones that with the smallest spread."""
        return min(self._seen(), key=lambda one: (one.cost, _width(one.onset)), default=None)

    def as_dict(self) -> dict[str, Any]:
        """Return the plain JSON form."""
        return {
            **picked(self, "scored_passes", "doubt_ms", "line_speed_m_s", "levels"),
            "smallest_spread": plain(self.steepest),
            "least_cost": plain(self.cheapest),
            "sentence": self.sentence(),
        }

    def sentence(self) -> str:
        """Say which level has the smallest spread, and what it costs."""
        steepest, cheapest = self.steepest, self.cheapest
        if steepest is None or cheapest is None or steepest.onset is None or cheapest.onset is None:
            return (
                f"No level hits {100 * SEEN_SHARE:g} % of the passes: it cannot be said where the onset spreads least."
            )
        unit = steepest.setting.unit
        least, beside = steepest.onset, cheapest.onset
        if cheapest.onset.spread < 2 * self.doubt_ms:
            return (
                f"Position of the onset: at the level of least cost, {level_text(cheapest.level)} {unit}, it spreads "
                f"by {self._amount(beside)}. Borders are uncertain by ±{self.doubt_ms:.3g} ms, so no level can be "
                "shown to be better."
            )
        if steepest.level == cheapest.level:
            return (
                f"Position of the onset: it spreads least, by {self._amount(least)}, at the level of least cost, "
                f"{level_text(cheapest.level)} {unit}."
            )
        more = steepest.errors - cheapest.errors
        costs = f"It costs {more} more errors" if more > 0 else "It costs no error more"
        return (
            f"Position of the onset: it spreads least at the level {level_text(steepest.level)} {unit}, by "
            f"{self._amount(least)}; at the level of least cost, {level_text(cheapest.level)} {unit}, by "
            f"{self._amount(beside)}. {costs} on {number_of(self.scored_passes, 'pass', 'passes')}."
        )

    def _amount(self, spread: QuantileSpread) -> str:
        mm = "" if self.line_speed_m_s is None else f" ({spread.spread * self.line_speed_m_s:.3g} mm)"
        return f"{spread.spread:.3g} ms{mm}"


def position_axis(
    recording: Recording,
    truth: Truth,
    surface: Surface,
    setting: Setting,
    *,
    rules: Rules = USUAL_RULES,
    costs: Costs | None = None,
    jitter_ms: float | None = None,
    progress: Callable[[float], None] | None = None,
) -> PositionAxis | None:
    """Measure positions at levels between the most expensive ones, in one reading.

    The result is None if no level costs less than losing all passes.

    `surface`: surface of the same recording: levels are tried where its cost without hysteresis is below that of losing
    all passes.
    `setting`: its hysteresis, polarity, filter and delays are kept.
    `jitter_ms`: jitter of the borders, if it was measured.
    """
    weights = Costs() if costs is None else costs
    tried = _levels(surface, weights)
    if not tried.size:
        return None
    settings = [setting.activating_at(level, setting.hysteresis) for level in tried.tolist()]
    found, passes, doubt = [], 0, 0.0
    for one, output in zip(settings, replay_family(recording, settings, progress=progress), strict=True):
        scored = score(output, truth, rules=rules, tables=False)
        position = switching_position(
            output, truth, scored.trials, recording.info, rules=rules, jitter_ms=jitter_ms,
        )  # fmt: skip
        n, (lost, false) = scored.counts, wrong_apart(truth, scored)
        passes, doubt = n.scored_passes, position.doubt_ms
        found.append(
            PositionAtLevel(
                setting=one,
                hits=n.hits,
                errors=lost + false,
                cost=weights.of(lost=lost, touching=0, false=false, passes=max(passes, 1)),
                onset=position.onset,
                release=position.release,
            )
        )
    return PositionAxis(
        levels=tuple(found), scored_passes=passes, doubt_ms=doubt, line_speed_m_s=recording.info.line_speed_m_s
    )


def _levels(surface: Surface, costs: Costs) -> NDArray[np.float64]:
    """Return evenly selected levels of the surface at which zero hysteresis costs less than losing all passes."""
    cost = surface.cost(costs).diagonal()
    # Where the cost of a loss is 0, losing all passes costs 0 too, and no level costs less.
    useful = surface.levels[cost < costs.miss] if costs.miss > 0 else surface.levels
    if useful.size <= TRIED:
        return useful
    picked: NDArray[np.float64] = useful[np.linspace(0, useful.size - 1, TRIED).astype(np.int64)]
    return picked


def _width(spread: QuantileSpread | None) -> float:
    return np.inf if spread is None else spread.spread
