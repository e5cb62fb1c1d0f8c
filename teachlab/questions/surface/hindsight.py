"""The best fixed setting in hindsight, the levels that are as good, and the additional cost of other settings."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from teachlab.errors import ParameterError
from teachlab.model.arrays import Flags, Floats, Where
from teachlab.model.draws import Costs
from teachlab.model.json_values import picked
from teachlab.model.recording import Recording
from teachlab.model.score import USUAL_RULES, Rules
from teachlab.model.setting import Setting
from teachlab.model.truth import Truth
from teachlab.questions.surface.count import surface
from teachlab.questions.surface.values.levels import FirstReading
from teachlab.questions.surface.values.table import Surface
from teachlab.statistics.claims.decisions import ACCEPTED_ERRORS
from teachlab.teaching.block import polarity_for

if TYPE_CHECKING:
    from teachlab.questions.surface.count_settings import Counted

ROWS_AT_ONCE = 32
"""On-levels whose pairs are looked at together for the one with the most room."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Hindsight:
    """The cheapest of all counted settings, chosen with full knowledge of the scored passes.

    `cost`: per scored pass. Passes that merge with the one that they touch cost nothing: no level is worse for them.
    `setting`: of all equally cheap pairs, the one with the most room to the next more expensive pair, along either
    level.
    `counts`: its losses and trips; empty if the setting did not come from the surface.
    `equally_good`: how many pairs cost the same.
    `on_interval`, `off_interval` (recording units): on-levels that are as good with that off-level, and off-levels that
    are as good with that on-level, without a more expensive one between the ends. If all distinct levels were counted,
    the low end itself is not as good.
    `open_below`: whether the low end of the two intervals is excluded.
    `searched`: the settings among which it is the best.
    `touching`: passes among its losses that merged with the one that they touch.
    `pair`: the best pair of levels of the surface: the setting itself, unless one with other delays is cheaper.
    """

    cost: float
    setting: Setting
    counts: dict[str, int]
    equally_good: int
    on_interval: tuple[float, float]
    off_interval: tuple[float, float]
    open_below: tuple[bool, bool]
    costs: Costs
    searched: str
    touching: int
    pair: Setting

    def regret(self, cost: float) -> float:
        """Return the additional cost of a setting over the best; never below 0 if the setting was searched."""
        return cost - self.cost

    def as_dict(self) -> dict[str, Any]:
        """Return the plain JSON form."""
        return {
            **picked(self, "cost", "touching"),
            **picked(self.setting, "on_level", "off_level"),
            **picked(self, "setting", "counts"),
            "equally_good_pairs": self.equally_good,
            **picked(self, "on_interval", "off_interval", "open_below"),
            "cost_miss": self.costs.miss,
            "cost_false": self.costs.false,
            "searched": self.searched,
        }


def hindsight(
    surface: Surface, *, costs: Costs | None = None, others: Iterable[tuple[Setting, float]] = ()
) -> Hindsight:
    """Find the best fixed setting for stated costs.

    `surface`: of the scored passes.
    `costs`: default: 1 for a lost pass, 1 for a false or extra switching.
    `others`: further settings with their cost on the same passes, such as those of a bench: if only a selection of
    levels was counted, or if delays differ, one of them may be better than every pair of the surface.
    Raises ParameterError if no detect pass was scored.

    Examples
    --------
    >>> from teachlab.questions.surface.count import surface as count
    >>> from teachlab.model.recording import Recording, RecordingInfo
    >>> from teachlab.model.truth import Truth
    >>> info = RecordingInfo(sample_rate_hz=1000, unit="counts")
    >>> light = np.array([1, 2, 9, 8, 1, 3, 7, 9, 2, 1], np.uint8)
    >>> found = count(Recording.from_array(light, info), Truth.from_arrays([2, 6], [4, 8]),
    ...               Setting(unit="counts", on_level=0, off_level=0))
    >>> best = hindsight(found)
    >>> best.cost, best.on_interval, best.equally_good
    (0.0, (3.0, 9.0), 12)
    """
    costs = costs or Costs()
    if surface.detect_trials == 0:
        raise ParameterError(
            "no pass is left to score: all are excluded, or none has to be detected. Without passes there is no "
            "best setting; log longer."
        )
    table = surface.cost(costs)
    best = float(table.min())
    good: Flags = table == best
    with np.errstate(over="ignore"):  # room between the ends of the numbers is as large as can be
        i, j, on, off = _roomiest(good, surface)
    pair = surface.setting(i, j)
    found = Hindsight(
        cost=best,
        setting=pair,
        counts=surface.at(i, j),
        equally_good=int(np.count_nonzero(good)),
        on_interval=(on[0], on[1]),
        off_interval=(off[0], off[1]),
        open_below=(on[2], off[2]),
        costs=costs,
        searched=surface.how,
        touching=int(surface.touching_merges[i, j]),
        pair=pair,
    )
    for setting, cost in others:
        if cost < found.cost:
            level = (setting.on_level, setting.on_level), (setting.off_level, setting.off_level)
            found = Hindsight(
                cost=cost, setting=setting, counts={}, equally_good=1, on_interval=level[0], off_interval=level[1],
                open_below=(False, False), costs=costs, searched=surface.how + "; and the settings given beside it",
                touching=0, pair=pair,
            )  # fmt: skip
    return found


def level_decision(best: Hindsight, passes: int) -> str:
    """Return what the best pair of fixed levels is good for: with as many errors as are accepted, it may still serve.

    `passes`: passes to detect.
    """
    if best.cost == 0:
        return "a fixed level can work here"
    return f"{'a fixed level makes few errors' if serves(errors_of(best), passes) else 'no fixed level works'} here"


def serves(errors: int, passes: int) -> bool:
    """Tell whether a setting makes no more errors than are accepted."""
    return errors <= ACCEPTED_ERRORS * passes


def errors_of(best: Hindsight) -> int:
    """Return losses, false trips and extra switchings of the best pair; passes that touch and merge are none."""
    return sum(best.counts.get(k, 0) for k in ("lost", "extra", "false_trips", "ignore_trips")) - best.touching


def best_fixed(
    recording: Recording,
    truth: Truth,
    counts: Counted,
    *,
    base: Setting | None = None,
    costs: Costs | None = None,
    rules: Rules = USUAL_RULES,
    reading: FirstReading | None = None,
    progress: Callable[[float], None] | None = None,
) -> Hindsight:
    """Find the best fixed setting among all pairs of levels, and among all fixed settings that were counted.

    Pairs have the filter and the delays of the base, whatever a strategy designs: so the regret of a draw is the same
    number everywhere. Their polarity is the most frequent one of the counted settings.

    `counts`: counts of the taught settings, on the same passes.
    `base`: delays, filter and evaluation rate; default: none.
    `reading`: of the recording at the evaluation rate of the base, if it was read already.
    Raises ParameterError if no detect pass was scored.
    """
    costs = costs or Costs()
    fixed = [(s, n.cost(costs)) for s, n in counts.items() if type(s) is Setting]
    polarities = [s.polarity for s, _ in fixed] or [polarity_for(recording, truth)]
    polarity = max(dict.fromkeys(polarities), key=polarities.count)
    kept = base or Setting(unit=recording.info.unit, on_level=0.0, off_level=0.0)
    none = kept.with_levels(0.0, 0.0, polarity)
    table = surface(recording, truth, none, rules=rules, reading=reading, progress=progress)
    found = hindsight(table, costs=costs, others=fixed)
    name = f"filter {kept.consecutive}, on-delay {kept.on_delay_ms:g} ms, off-delay {kept.off_delay_ms:g} ms"
    return replace(found, searched=f"{found.searched}; all pairs with the base's {name}")


def best_of(surfaces: Sequence[Surface], *, costs: Costs | None = None) -> Hindsight:
    """Return the cheapest of the best settings of several surfaces of the same passes; the first of equal ones.

    If there are delays and hysteresis, a grid of pairs and the exact curve without hysteresis both count.
    """
    found = [hindsight(one, costs=costs) for one in surfaces]
    if not found:
        raise ParameterError("the best of no surface at all is not known.")
    best = min(found, key=lambda one: one.cost)
    return replace(best, searched="; and ".join(dict.fromkeys(one.searched for one in found)))


def regret_of(surface: Surface, settings: Iterable[Setting], *, costs: Costs | None = None) -> Floats:
    """Return the regret of settings by look-up; NaN for one whose levels were not counted."""
    costs = costs or Costs()
    table = surface.cost(costs)
    best = float(table.min())
    out = []
    for setting in settings:
        where = surface.index_of(setting)
        out.append(math.nan if where is None else float(table[where]) - best)
    return np.array(out)


@dataclass(frozen=True)
class _Runs:
    """Runs of good cells along the lines of a table: their line, their first and their last place, in this order."""

    line: Where
    first: Where
    last: Where

    @classmethod
    def of(cls, good: Flags, axis: int) -> _Runs:
        """Find the runs along an axis: places lie along it, lines across."""
        padded = np.pad(good, [(1, 1) if k == axis else (0, 0) for k in range(2)])
        changes = padded[1:] != padded[:-1] if axis == 0 else padded[:, 1:] != padded[:, :-1]
        place, line = np.nonzero(changes) if axis == 0 else np.nonzero(changes)[::-1]
        order = np.argsort(line, kind="stable")
        place, line = place[order], line[order]
        return cls(line[::2], place[::2], place[1::2] - 1)

    def holding(self, line: Where, place: Where) -> Where:
        """Return which of the runs holds each of some good cells."""
        long = int(self.last.max()) + 1
        return np.searchsorted(self.line * long + self.first, line * long + place, side="right") - 1


def _roomiest(good: Flags, surface: Surface) -> tuple[int, int, tuple[float, float, bool], tuple[float, float, bool]]:
    """Return the good pair with the most room, the first of equal ones, and its runs of good on- and off-levels."""
    levels = surface.levels
    # With all distinct levels of the light, a level between two of them acts as the upper one: a run of good levels
    # then begins right above the level before its first.
    lows = np.concatenate((levels[:1], levels[:-1])) if surface.distinct else levels

    def room(level: Floats, runs: _Runs, k: Where) -> Floats:
        return np.minimum(level - lows[runs.first[k]], levels[runs.last[k]] - level)

    def told(runs: _Runs, k: int) -> tuple[float, float, bool]:
        first = int(runs.first[k])
        return float(lows[first]), float(levels[runs.last[k]]), surface.distinct and first > 0

    if not surface.every_pair:
        # Zero hysteresis: both levels move together.
        line = np.diagonal(good)
        runs, at = _Runs.of(line[:, None], 0), np.flatnonzero(line)
        k = runs.holding(np.zeros_like(at), at)
        best = int(np.argmax(room(levels[at], runs, k)))
        run, where = told(runs, int(k[best])), int(at[best])
        return where, where, run, run
    # The diagonal ends a run as a more expensive pair does: without hysteresis there is no room for noise.
    ons, offs = _Runs.of(good, 0), _Runs.of(good, 1)
    # No cell of a row has more room than the middle of its longest run, and than the row itself between the first and
    # the last good one. Rows with the highest bound come first; mostly a few of them are looked at.
    half = np.zeros(levels.size)
    np.maximum.at(half, offs.line, (levels[offs.last] - lows[offs.first]) / 2)
    rows = np.unique(offs.line)
    bound = np.minimum(levels[rows] - lows[rows[0]], levels[rows[-1]] - levels[rows]).clip(max=half[rows])
    bound = np.nextafter(bound * (1 + 1e-15), np.inf)  # a middle is rounded
    order = np.argsort(-bound, kind="stable")
    most, found = -1.0, (0, 0)
    for done in range(0, order.size, ROWS_AT_ONCE):
        some = np.sort(order[done : done + ROWS_AT_ONCE])
        if bound[order[done]] < most:
            break
        i, j = np.nonzero(good[rows[some]])
        i = rows[some][i]
        here = np.minimum(room(levels[i], ons, ons.holding(j, i)), room(levels[j], offs, offs.holding(i, j)))
        best = int(np.argmax(here))
        if here[best] > most or (here[best] == most and (i[best], j[best]) < found):
            most, found = float(here[best]), (int(i[best]), int(j[best]))
    one, other = (np.array([k]) for k in found)
    return *found, told(ons, int(ons.holding(other, one)[0])), told(offs, int(offs.holding(one, other)[0]))
