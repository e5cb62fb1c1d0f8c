"""Taught by different people, or on different lots: how levels and costs vary, and which passes all settings lose."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from teachlab.data.split import split
from teachlab.errors import Abstained, ParameterError
from teachlab.model.draws import Draw, DrawOptions
from teachlab.model.json_values import Document, picked
from teachlab.model.recording import Recording
from teachlab.model.score import USUAL_RULES, Rules
from teachlab.model.setting import Setting, bare
from teachlab.model.teaching import Strategy
from teachlab.model.truth import Truth
from teachlab.questions.surface.count_settings import count_settings, measures_of
from teachlab.scoring.claimable import without_touching
from teachlab.scoring.scoring import score
from teachlab.statistics.variance_components import Components, variance_components
from teachlab.switching.family import replay_family
from teachlab.teaching.block import TeachBlock
from teachlab.teaching.once import drawn, teach_once

SCORED = ("lost_rate", "false_trips_per_running_hour", "extra_per_pass", "cost")
"""Figures of a score whose spread is also divided."""
MOST_TEACHINGS = 400
"""Largest number of teachings used for variance components; of more, an even selection is made."""
PASSES = 5
"""Number of consecutive passes shown in one teaching of a lot."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Divided(Document):
    """How the spread of one figure divides between groups and within them.

    `values`: values of every group with at least one setting.
    `refused`: why there are no components.
    """

    values: Mapping[str, list[float]]
    components: Components | None
    refused: str | None = None

    @classmethod
    def of(cls, values: Mapping[str, list[float]], *, confidence: float = 0.95) -> Divided:
        """Divide the spread, or say why that cannot be done."""
        known = {name: [v for v in group if not math.isnan(v)] for name, group in values.items()}
        try:
            return cls(values=values, components=variance_components(known, confidence=confidence))
        except Abstained as refusal:
            return cls(values=values, components=None, refused=str(refusal))


@dataclass(frozen=True, slots=True, kw_only=True)
class ByGroup:
    """What several people taught, or what several lots taught, and how the spread divides.

    `figures`: on_level, off_level and hysteresis, in recording units; if the settings were scored also lost_rate,
    false_trips_per_running_hour, extra_per_pass and cost.
    `abstained`: teachings that gave no setting.

    Notes
    -----
    The interval of a share is valid for normal values. Levels are nearly normal; rates and costs, many of which are
    equal, are not: their interval is only indicative.
    """

    what: str
    figures: Mapping[str, Divided]
    abstained: int

    @property
    def levels(self) -> Mapping[str, list[float]]:
        """On-levels of every group with at least one setting, recording units."""
        return self.figures["on_level"].values

    @property
    def components(self) -> Components | None:
        """Variance components of the on-level."""
        return self.figures["on_level"].components

    @property
    def refused(self) -> str | None:
        """Why there are no components."""
        return self.figures["on_level"].refused

    def as_dict(self) -> dict[str, Any]:
        """Return the plain JSON form."""
        return {
            "what": self.what,
            "on_levels": dict(self.levels),
            **picked(self, "abstained", "components", "refused", "figures"),
        }


def by_group(
    what: str,
    draws: Mapping[str, Sequence[Draw]] | Mapping[str, Sequence[Setting]],
    *,
    measures: Mapping[Setting, Mapping[str, float]] | None = None,
    confidence: float = 0.95,
) -> ByGroup:
    """Divide the spread of the levels, losses and costs into the spread between groups and within groups.

    `what`: what the groups are: lots, people and so on.
    `measures`: losses and costs of every setting without its history.
    """
    taught: dict[str, list[Setting]] = {}
    abstained = 0
    for name, group in draws.items():
        for one in group:
            setting = one if isinstance(one, Setting) else one.setting
            if setting is None:
                abstained += 1
            else:
                taught.setdefault(name, []).append(setting)
    values: dict[str, dict[str, list[float]]] = {
        "on_level": {name: [s.on_level for s in group] for name, group in taught.items()},
        "off_level": {name: [s.off_level for s in group] for name, group in taught.items()},
        "hysteresis": {name: [s.hysteresis for s in group] for name, group in taught.items()},
    }
    if measures is not None:
        for key in SCORED:
            values[key] = {name: [measures[bare(s)][key] for s in group] for name, group in taught.items()}
    figures = {key: Divided.of(found, confidence=confidence) for key, found in values.items()}
    return ByGroup(what=what, figures=figures, abstained=abstained)


def scored_by_group(
    what: str,
    draws: Mapping[str, Sequence[Draw]] | Mapping[str, Sequence[Setting]],
    recording: Recording,
    truth: Truth,
    *,
    options: DrawOptions,
    first_pass: int,
) -> ByGroup:
    """Do the same with the losses and costs of all settings on the same passes, those from `first_pass` on."""
    given = [one if isinstance(one, Setting) else one.setting for group in draws.values() for one in group]
    settings = [s for s in given if s is not None]
    counts = count_settings(recording, truth, settings, rules=options.rules.scored_from(first_pass))
    measures = {s: measures_of(s, n.apart, options.costs, best_cost=math.nan) for s, n in counts.items()}
    return by_group(what, draws, measures=measures, confidence=options.rules.confidence)


def taught_apart(
    recording: Recording,
    truth: Truth,
    strategy: Strategy,
    names: Iterable[str] | None = None,
    *,
    options: DrawOptions | None = None,
    passes: int = PASSES,
) -> dict[str, list[Draw]]:
    """Teach in stretches of the teach block that share no sample, each within one lot.

    The draws are by lot, in time order.

    `names` (shape (passes of the truth,)): the lot of every pass; default: the whole teach block is one group, named by
    the recording.
    `options`: seed, teach share, tolerance, base setting.
    `passes`: number of consecutive detect passes of one lot in a stretch; passes left over are not used.
    Raises ParameterError if `passes` is below 1, or names do not belong to the passes.

    Notes
    -----
    Drawing again from one lot could be repeated without end and would make the group means look better known than the
    data allow. Stretches without a common sample are separate teachings: as many as there are, but at most about 400 in
    all, evenly selected.
    """
    how = DrawOptions() if options is None else options
    if passes < 1:
        raise ParameterError(f"a teaching is shown at least 1 pass, got {passes}.")
    name = np.array([recording.name] * truth.passes if names is None else [str(n) for n in names], object)
    if name.size != truth.passes:
        raise ParameterError(f"{name.size} names were given for {truth.passes} passes; give one each.")
    cut = split(truth, recording.samples, teach_share=how.teach_share)
    whole = TeachBlock(recording, truth, base=how.base, rules=how.rules, stop_sample=cut.teach_end)
    out: dict[str, list[Draw]] = {}
    stretches = _thinned(_stretches(truth, name, cut.teach_end, passes))
    for number, (group, a, b) in enumerate(stretches):
        out.setdefault(group, []).append(_taught(recording, truth, strategy, whole, (a, b), number, how))
    return out


def _thinned(stretches: list[tuple[str, int, int]], *, most: int = MOST_TEACHINGS) -> list[tuple[str, int, int]]:
    """Return an even selection: fewer per lot as long as most lots keep two, otherwise fewer lots."""
    step = -(-len(stretches) // most)
    lots = list(dict.fromkeys(group for group, _, _ in stretches))
    if step <= 1:
        return stretches
    # At least two teachings per lot, because otherwise the spread within lots is unknown; if that is impossible, whole
    # lots are left out.
    if len(stretches) // step >= 2 * len(lots):
        return stretches[::step]
    kept = set(lots[::step])
    return [one for one in stretches if one[0] in kept]


def _stretches(truth: Truth, name: NDArray[np.object_], stop: int, passes: int) -> list[tuple[str, int, int]]:
    """Return the lot and the samples of every stretch, from mid-gap to mid-gap."""
    rows = np.flatnonzero(truth.detect & (truth.end <= stop))
    out: list[tuple[str, int, int]] = []
    if rows.size == 0:
        return out
    # Passes of one lot in a row: a lot that returns later belongs to the same group, but no stretch spans what lies
    # between.
    runs = np.split(rows, np.flatnonzero(name[rows[1:]] != name[rows[:-1]]) + 1)
    for run in runs:
        for k in range(run.size // passes):
            first, last = int(run[k * passes]), int(run[(k + 1) * passes - 1])
            before = 0 if first == 0 else int(truth.end[first - 1])
            after = int(truth.start[last + 1]) if last + 1 < truth.passes else stop
            # From mid-gap to mid-gap, so that neighbouring stretches share no sample.
            a, b = (before + int(truth.start[first])) // 2, min(stop, (int(truth.end[last]) + after) // 2)
            out.append((str(name[first]), a, b))
    return out


def _taught(
    recording: Recording,
    truth: Truth,
    strategy: Strategy,
    whole: TeachBlock,
    where: tuple[int, int],
    number: int,
    options: DrawOptions,
) -> Draw:
    a, b = where

    def teach() -> Setting:
        part = recording.between(a, b)
        # What objects do to the light is a fact of the line, not of five passes.
        part = replace(part, info=replace(part.info, direction=whole.direction))
        block = TeachBlock(part, truth.within(a, b), base=options.base, rules=options.rules)
        return teach_once(strategy, block, options.seed, number)

    return drawn(number, teach)


def lost_by_settings(
    recording: Recording, truth: Truth, settings: Sequence[Setting], *, rules: Rules = USUAL_RULES
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return the passes that are trials under all settings, and how many of the settings lose each.

    A pass that merges with the one that it touches under any setting is left out. Equal settings count as often as they
    are given.
    """
    given = [bare(s) for s in settings]
    distinct = list(dict.fromkeys(given))
    lost = np.zeros(truth.passes - rules.first_pass, np.int64)
    trial = np.ones(lost.size, bool)
    for rate in dict.fromkeys(s.evaluation_rate_hz for s in distinct):
        family = [s for s in distinct if s.evaluation_rate_hz == rate]
        for setting, output in zip(family, replay_family(recording, family), strict=True):
            trials = without_touching(truth, score(output, truth, rules=rules, tables=False).trials)
            trial &= trials.wanted
            lost += trials.lost * given.count(setting)
    return rules.first_pass + np.flatnonzero(trial), lost[trial]
