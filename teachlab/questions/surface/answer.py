"""The operating surface as one value: counts of all pairs, the best in hindsight, given settings, draws."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import reduce
from operator import add
from typing import Any

import numpy as np
from numpy.typing import NDArray

from teachlab.data.alignment.answer import Alignment
from teachlab.data.alignment.finding import aligned_first
from teachlab.data.alignment.measure import AlignmentReading
from teachlab.data.alignment.room import alignment_of
from teachlab.errors import ParameterError
from teachlab.model.draws import DrawOptions
from teachlab.model.json_values import plain
from teachlab.model.margin import EqualCost
from teachlab.model.printable_text import number_of, wrong_text
from teachlab.model.recording import Recording
from teachlab.model.score import Rules
from teachlab.model.setting import Setting
from teachlab.model.teaching import Strategy
from teachlab.model.truth import Truth
from teachlab.model.verdict import HeadlineClaim, Verdict, VerdictReason
from teachlab.questions.stress.equal_cost import equal_cost
from teachlab.questions.surface.cloud import SurfaceCloud, check_family, taught_cloud
from teachlab.questions.surface.condensed import Condensed, Condensing
from teachlab.questions.surface.count import surface_of
from teachlab.questions.surface.delay_axis import DelaySurface, counted_levels, delay_range, delay_surface
from teachlab.questions.surface.given_settings.grid import GRID, replayed_surface
from teachlab.questions.surface.hindsight import Hindsight, best_of, errors_of, level_decision, regret_of, serves
from teachlab.questions.surface.position_axis import PositionAxis, position_axis
from teachlab.questions.surface.values.levels import read_first, stated_levels
from teachlab.questions.surface.values.table import Surface
from teachlab.teaching.block import polarity_for

Opened = Sequence[tuple[Recording, Truth]]
Progress = Callable[[float], None]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SurfaceAnswer:
    """The result of every pair of levels.

    `curve`: with filter or delays: every level exactly, without hysteresis; the surface is then a grid.
    `names`: names of the settings that were looked up.
    `positions`: where in the pass the output would switch at every level; for a single recording.
    `delays`: levels and delays together, if a range of delays was asked for.
    `room`: levels that cost as much as the best pair; for a single recording.
    """

    recordings: tuple[str, ...]
    surface: Surface
    curve: Surface | None
    best: Hindsight
    names: tuple[str, ...]
    given: tuple[Setting, ...]
    cloud: SurfaceCloud | None
    positions: PositionAxis | None
    delays: DelaySurface | None = None
    room: EqualCost | None = None
    step: float | None = None
    alignment: Alignment | None = None

    def looked_up(self) -> list[dict[str, Any]]:
        """Return the counts of every given setting and its additional cost over the best; None if not counted."""
        found, best = self.surface, self.best
        # The best pair of the grid may cost more than that of the exact curve: regret is measured against the cheaper
        # one.
        worse = float(found.cost(best.costs)[found.counted].min()) - best.cost
        regrets = (regret_of(found, self.given, costs=best.costs) + worse).tolist()
        return [
            {
                "on_level": s.on_level,
                "off_level": s.off_level,
                "counts": None if (where := found.index_of(s)) is None else found.at(*where),
                "touching": None if where is None else int(found.touching_merges[where]),
                "regret": None if where is None else regret,
            }
            for s, regret in zip(self.given, regrets, strict=True)
        ]

    @property
    def works(self) -> bool:
        """Whether the best pair makes no more errors than are accepted."""
        return serves(errors_of(self.best), int(self.surface.detect_trials) - self.best.touching)

    @property
    def delays_help(self) -> bool:
        """Whether a level with delays leaves fewer errors than the best pair of levels, which may have hysteresis."""
        return self.delays is not None and self.delays.left < errors_of(self.best)

    @property
    def verdict(self) -> Verdict:
        """Whether any pair of fixed levels makes no error here, and which pair is the best."""
        best = self.best
        n = best.counts
        lost, false = (
            n.get("lost", 0) - best.touching, sum(n.get(k, 0) for k in ("extra", "false_trips", "ignore_trips"))
        )  # fmt: skip
        wrong, errors = wrong_text(lost, false), lost + false
        apart = int(self.surface.detect_trials) - best.touching
        passes = number_of(apart, "pass", "passes")
        told = f"The best pair of all that were counted: {wrong} on {passes}."
        if best.equally_good > 1:
            told = f"{told[:-1]}; {best.equally_good:,} pairs cost the same."
        reasons = [VerdictReason(text=told)]
        if best.touching:
            touch = number_of(best.touching, "pass touches", "passes touch")
            reasons.append(
                VerdictReason(
                    text=f"{touch} the one before, and the light does not come back between: the output counts both "
                    "as one. That is no error of a level, and left out here.",
                    count=best.touching,
                )
            )
        for name, looked in zip(self.names, self.looked_up(), strict=True):
            if (counts := looked["counts"]) is not None:
                lost = counts["lost"] - looked["touching"]
                given = wrong_text(lost, sum(counts[k] for k in ("extra", "false_trips", "ignore_trips")))
                dearer = f"costs {looked['regret']:.3g} per pass more than" if looked["regret"] > 0 else "as good as"
                text = f"{name}: {given}; {dearer} the best."
                reasons.append(VerdictReason(text=text))
        if self.delays is not None:
            reasons.insert(0, VerdictReason(text=self.delays.sentence(self.step), better=self.delays_help))
        found = Verdict(
            decision=level_decision(best, apart),
            about=f"best in hindsight, with {number_of(errors, 'error') if errors else 'no error'}:",
            setting=best.setting,
            claim=HeadlineClaim(
                text="none, since the best pair was chosen with full knowledge of these passes.",
                passes=int(self.surface.detect_trials),
            ),
            reasons=tuple(reasons),
            equal_cost=self.room,
            step=self.step,
        )
        return found if self.works else aligned_first(found, self.alignment)

    def as_dict(self) -> dict[str, Any]:
        """Return the plain JSON form."""
        names = list(self.recordings)
        out: dict[str, Any] = {
            "schema": 1,
            "verdict": self.verdict,
            "recording": names[0] if len(names) == 1 else names,
            **self.surface.as_dict(),
        }
        out["hindsight"] = self.best.as_dict()
        if self.curve is not None:
            line = {name: getattr(self.curve, name).diagonal() for name in ("lost", "merged", "extra", "false_trips")}
            out["zero_hysteresis"] = {
                "levels": self.curve.levels, "exact": True, "how": self.curve.how, **line
            }  # fmt: skip
        out["switching_position"] = None if self.positions is None else self.positions.as_dict()
        out["delays"] = None if self.delays is None else self.delays.as_dict()
        out["settings"] = self.looked_up()
        out["taught"] = None if self.cloud is None else self.cloud.as_dict(self.best.cost)
        return {name: plain(value) for name, value in out.items()}


def operating_surface(
    opened: Opened,
    *,
    given: Sequence[tuple[str, Setting]] = (),
    strategy: Strategy | None = None,
    levels: NDArray[np.float64] | None = None,
    on_delay: str | None = None,
    off_delay: str | None = None,
    options: DrawOptions | None = None,
    progress: Progress | None = None,
) -> SurfaceAnswer:
    """Count lost passes and false trips for every pair of levels at once, and name the best in hindsight.

    `opened`: their counts are added.
    `given`: settings to look up, with their names. With a base they take its filter and delays; otherwise all pairs
    have those of the first setting.
    `strategy`: strategy whose draws are placed on the surface.
    `levels` (recording units): levels to count at; default: all distinct ones, or a selection if there are too many.
    `on_delay`, `off_delay`: range of delays in ms that is counted together with the levels, ``"0:60"`` or
    ``"0:60:13"``.
    `options`: draws and seed of the strategy, base setting, rules and costs.
    Raises InputError if the pieces do not fit together.
    """
    how = options or DrawOptions()
    ranges = on_delay is not None or off_delay is not None
    names, settings = [name for name, _ in given], [setting for _, setting in given]
    shared = _shared(opened, how.base, settings)
    on_delays = delay_range(on_delay, "--on-delay", shared.on_delay_ms)
    off_delays = delay_range(off_delay, "--off-delay", shared.off_delay_ms)
    if how.base is not None:
        settings = [shared.with_levels(one.on_level, one.off_level, one.polarity) for one in settings]
    for name, one in zip(names, settings, strict=True):
        check_family([one], shared, of=name)
    cloud = None
    if strategy is not None:
        cloud = taught_cloud(opened, strategy, options=replace(how, base=shared))
        check_family(cloud.settings, shared, of=f"what {strategy.name} teaches")
    found, curve = _counted(opened, shared, levels, settings, how.rules, progress)
    line = found if curve is None else curve
    best = best_of([found] if curve is None else [found, curve], costs=how.costs)
    positions, short, lies = None, None, None
    if len(opened) == 1:
        near, short = _read_for(*opened[0], best.setting, how.rules)
        lies = alignment_of(*opened[0], how.rules, near)
        positions = position_axis(
            *opened[0], line, best.setting, rules=how.rules, costs=how.costs, progress=progress,
            jitter_ms=None if lies is None else lies.jitter_ms,
        )  # fmt: skip
    delays = None
    if ranges:
        delays = delay_surface(
            opened, shared, counted_levels(line.levels), on_delays_ms=on_delays, off_delays_ms=off_delays,
            rules=how.rules, costs=how.costs, progress=progress,
        )  # fmt: skip
    return SurfaceAnswer(
        recordings=tuple(recording.name for recording, _ in opened), surface=found, curve=curve,
        best=best, positions=positions, delays=delays,
        names=tuple(names), given=tuple(settings), cloud=cloud,
        room=_room(opened, best, line, how, short),
        alignment=lies,
        step=max((one.whole_step or 0.0 for one, _ in opened), default=0.0) or None,
    )  # fmt: skip


def _read_for(
    recording: Recording, truth: Truth, setting: Setting, rules: Rules
) -> tuple[AlignmentReading, Condensed | None]:
    """Read a recording once for its alignment, and condense it for a setting."""
    near, short = AlignmentReading(recording, truth), Condensing(recording, truth, setting, rules)
    for block in recording.blocks():
        near.push(block)
        short.push(block)
    return near, short.finish()


def _room(
    opened: Opened, best: Hindsight, line: Surface, how: DrawOptions, known: Condensed | None
) -> EqualCost | None:
    reach = float(line.levels.max() - line.levels.min()) / 2
    if len(opened) > 1 or not 0 < reach < np.inf:
        return None
    (recording, truth), rules = opened[0], how.rules
    if known is not None:
        recording, truth, rules = known.recording, known.truth, known.rules
    return equal_cost(recording, truth, best.setting, reach=reach, rules=rules, costs=how.costs)


def _shared(opened: Opened, base: Setting | None, given: Sequence[Setting]) -> Setting:
    """Return the polarity, filter, delays and rate of all pairs: from the base, or from the first given setting."""
    if given:
        polarity = given[0].polarity
    else:
        found = {polarity_for(recording, truth) for recording, truth in opened}
        if len(found) > 1:
            raise ParameterError("objects raise the light in one recording and lower it in another: count them apart.")
        polarity = found.pop()
    chosen = base or (given[0] if given else Setting(unit=opened[0][0].info.unit, on_level=0.0, off_level=0.0))
    return chosen.with_levels(0.0, 0.0, polarity)


def _counted(
    opened: Opened, base: Setting, levels: NDArray[np.float64] | None, given: Sequence[Setting], rules: Rules,
    progress: Progress | None,
) -> tuple[Surface, Surface | None]:  # fmt: skip
    """Return the surface and, if there are delays, the exact curve of zero hysteresis beside the grid."""
    marked = [level for s in given for level in (s.on_level, s.off_level)]
    if levels is None and marked:
        readings = [read_first(r, base.evaluation_rate_hz) for r, _ in opened]
        levels, distinct = stated_levels(readings)
        levels = levels if distinct else np.union1d(levels, marked)
    # Without filter and delays all pairs are exact at once; with them only pairs on one chain are: zero hysteresis.
    found = surface_of(opened, base, levels=levels, rules=rules, progress=progress)
    if not base.has_memory:
        return found, None
    # Both curves over one range: the grid spans the levels at which the exact curve was counted.
    grid = np.union1d(np.linspace(found.levels[0], found.levels[-1], GRID), marked)
    each = (replayed_surface(*one, base, levels=grid, rules=rules, progress=progress) for one in opened)
    return reduce(add, each), found
