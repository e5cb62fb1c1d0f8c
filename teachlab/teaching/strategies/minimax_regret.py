"""Minimax regret: the level that does least badly over a set of stresses somebody answers for."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, ClassVar

import numpy as np

from teachlab.errors import Abstained
from teachlab.model.setting import Setting
from teachlab.model.teaching import Shown, TeachView
from teachlab.teaching.parameters import check_parameters, parameter, refusal
from teachlab.teaching.rules.classic import show
from teachlab.teaching.rules.hysteresis import wanted_width
from teachlab.teaching.rules.labelled_events import Heights, backgrounds, statistics_of
from teachlab.teaching.rules.placing import place_on_events


@dataclass(frozen=True, slots=True)
class StressSet:
    """One condition: ``x → dark + gain·(x − dark) + ambient + pedestal·(1 − gain)``.

    `gain`: at least 0.
    `ambient`, `pedestal` (recording units): light added to everything, and backscatter of what blocks the light.
    """

    gain: float
    ambient: float = 0.0
    pedestal: float = 0.0

    def __str__(self) -> str:
        return f"gain {self.gain:g}, ambient {self.ambient:+g}" + (
            f", pedestal {self.pedestal:g}" if self.pedestal else ""
        )

    def on(self, view: TeachView, heights: Heights) -> Heights:
        """Return heights as they are under the stress; clipped to 0 … full scale where that is known."""
        dark = view.dark_level
        added = self.ambient + self.pedestal * (1 - self.gain)
        light = dark + self.gain * (view.sign * heights - dark) + added
        if view.full_scale is not None:
            light = light.clip(0.0, view.full_scale)
        return view.sign * light


@dataclass(frozen=True, slots=True, kw_only=True)
class MinimaxRegret:
    """Place the level so that under none of the stated stresses another level would do much better.

    Parameters
    ----------
    stress : text, optional
        The stress set: gain,ambient[,pedestal] separated by semicolons, as in "1,0;0.9,0;1,5", the light in
        recording units. It must come from the person responsible for the line; without it the strategy abstains.
    cost_miss, cost_false : float, any one unit, above 0
        Of a lost pass, and of a gap that trips.
    limit : float, cost per event, at least 0
        Abstain where the regret of the best level exceeds this under some stress.

    Notes
    -----
    With P and G as heights under stress theta, L(T, theta) = c_m·share(P < T) + c_f·share(G ≥ T), and
    T = argmin over T of max over theta of (L(T, theta) − min over T' of L(T', theta)): the centre of the
    widest stretch of levels on which that is least. It changes only at the peaks themselves, so the search
    is exact. Where a filter or a delay holds back the onset, G counts from the release, as in
    `quantile-guard`. Gaps must let the output go under every stress.

    When it fails: on every stress outside the set. For the stresses inside the set it accepts errors on the light of
    today; the record says how many in `price_today`. It abstains without a set. It abstains where the levels of two
    stresses differ so much that the regret exceeds `limit`, and names both stresses.

    References
    ----------
    Savage 1951, "The theory of statistical decision", JASA 46, 55-67.

    Examples
    --------
    >>> [str(s) for s in stresses("1,0; 0.9,0,2")]
    ['gain 1, ambient +0', 'gain 0.9, ambient +0, pedestal 2']
    """

    name: ClassVar[str] = "minimax-regret"
    needs: ClassVar[frozenset[Shown]] = frozenset({Shown.EVENTS})
    equivariant: ClassVar[frozenset[str]] = frozenset()

    stress: str | None = parameter(None, "gain,ambient[,pedestal];… to be stated", unit="light in recording units")
    cost_miss: float = parameter(1.0, "cost of a lost pass", above=0)
    cost_false: float = parameter(1.0, "cost of a tripped gap", above=0)
    limit: float = parameter(0.05, "largest regret under any stress", unit="cost per event", at_least=0)

    def __post_init__(self) -> None:
        check_parameters(self)
        if self.stress is not None:
            try:
                stresses(self.stress)
            except ValueError:
                must = "be gain,ambient[,pedestal] separated by semicolons, the gain at least 0"
                raise refusal(self.name, "stress", must, self.stress) from None

    def teach(self, view: TeachView) -> Setting:
        """Return the level of least regret over the stated stresses."""
        if self.stress is None:
            raise Abstained(
                "no stress set was stated: it must come from the person responsible for the line",
                "no stress",
                "gain,ambient;…",
            )
        found = statistics_of(view)
        chosen = stresses(self.stress)
        reserved = 0.0
        if found.gap_hold > 1:
            apart = float(np.median(found.peaks) - np.median(found.gap_peaks))
            reserved = max(0.0, min(wanted_width(found)[0], apart / 2))
        passes = [s.on(view, found.peaks) for s in chosen]
        gaps = [s.on(view, backgrounds(found)) + reserved for s in chosen]
        best = least_regret(passes, gaps, self.cost_miss, self.cost_false)
        if best.regret > self.limit:
            raise Abstained(
                "no fixed level suits every stated stress: " + _conflict(view, chosen, passes, gaps),
                f"regret of the best level {best.regret:.3g}",
                f"at most {self.limit:g}",
            )
        today = float(
            self.cost_miss * np.mean(found.peaks < best.level)
            + self.cost_false * np.mean(backgrounds(found) + reserved >= best.level)
        )
        told: dict[str, Any] = {
            "regret": best.regret,
            "price_today": today,
            "levels": sorted(view.sign * edge for edge in (best.low, best.high)),
            "stresses": [str(s) for s in chosen],
        }
        # Every gap is as high as any stress lifts it.
        worst = found.with_background(lambda heights: np.max([s.on(view, heights) for s in chosen], axis=0))
        return place_on_events(self, view, found, best.level, valley_of=worst, **told)


def stresses(text: str) -> tuple[StressSet, ...]:
    """Parse a stress set; a ValueError where it is none."""
    out = []
    for part in text.split(";"):
        values = [float(number) for number in part.split(",")]
        if not (2 <= len(values) <= 3 and all(math.isfinite(v) for v in values) and values[0] >= 0):
            raise ValueError(part)
        out.append(StressSet(*values))
    return tuple(out)


@dataclass(frozen=True, slots=True)
class Best:
    """The levels of least regret, heights.

    `level`, `low`, `high` (recording units, objects upwards): the centre of the widest such stretch, and its ends.
    `regret`: cost per event.
    """

    level: float
    low: float
    high: float
    regret: float


def least_regret(passes: Sequence[Heights], gaps: Sequence[Heights], cost_miss: float, cost_false: float) -> Best:
    """Return the levels of least regret, exactly.

    `passes`, `gaps` (objects upwards): peaks of passes and gaps under every stress; none empty.

    Examples
    --------
    >>> best = least_regret([np.array([10.0]), np.array([8.0])], [np.array([2.0]), np.array([4.0])], 1.0, 1.0)
    >>> best.level, best.low, best.high, best.regret
    (6.0, 4.0, 8.0, 0.0)
    """
    # Every cost is constant on (edges[i], edges[i + 1]].
    edges = np.unique(np.concatenate([*passes, *gaps]))
    if edges.size < 2:
        raise Abstained(
            "passes and gaps peak at one and the same level: the contrast is too small", "1 level", "at least 2 levels"
        )
    worst = np.zeros(edges.size - 1)
    for p, g in zip(passes, gaps, strict=True):
        lost = np.searchsorted(np.sort(p), edges[1:], side="left") / p.size
        tripped = 1 - np.searchsorted(np.sort(g), edges[1:], side="left") / g.size
        loss = cost_miss * lost + cost_false * tripped
        # Regret under one stress: additional cost of this level over the best level under the same stress. The worst of
        # all stresses counts, so that a stress under which every level is bad does not decide alone.
        worst = np.maximum(worst, loss - loss.min())
    # Shares of passes and of gaps have different denominators: sums that should be equal differ in the last digits.
    flat = worst <= worst.min() + 1e-12
    # Runs of neighbouring intervals on which the regret is least.
    runs = np.flatnonzero(np.diff(flat, prepend=False, append=False)).reshape(-1, 2)
    low, high = edges[runs[:, 0]], edges[runs[:, 1]]
    widest = int(np.argmax(high - low))
    return Best(float((low[widest] + high[widest]) / 2), float(low[widest]), float(high[widest]), float(worst.min()))


def _conflict(view: TeachView, chosen: Sequence[StressSet], passes: Sequence[Heights], gaps: Sequence[Heights]) -> str:
    """Name the two stresses whose levels lie furthest apart, or the one that has none of its own."""
    windows = [(float(g.max()), float(p.min())) for p, g in zip(passes, gaps, strict=True)]
    own = max(range(len(chosen)), key=lambda k: windows[k][0] - windows[k][1])
    if windows[own][0] >= windows[own][1]:
        return f"under {chosen[own]} no level has all passes on one side and all gaps on the other"
    pairs = list(itertools.permutations(range(len(chosen)), 2))
    i, j = max(pairs, key=lambda pair: windows[pair[0]][0] - windows[pair[1]][1])
    return (
        f"{chosen[i]} asks for a level beyond {show(view, view.sign * windows[i][0])}, "
        f"{chosen[j]} for one before {show(view, view.sign * windows[j][1])}"
    )
