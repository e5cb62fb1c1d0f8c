"""Taught by other people, or on other lots: the on-level's variance between them, and the passes they lose alike."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from teachlab.data.split import split
from teachlab.errors import Abstained, ParameterError, StrategyError
from teachlab.explore.cloud import RepeatOptions
from teachlab.explore.components import Agreement, Components, agreement, variance_components
from teachlab.explore.counted import bare
from teachlab.model.benchmark import Draw
from teachlab.model.recording import Recording
from teachlab.model.score import Outcome
from teachlab.model.setting import Setting
from teachlab.model.teaching import Strategy
from teachlab.model.truth import Truth
from teachlab.replay import replay_family
from teachlab.score import score
from teachlab.teach import TeachBlock, teach_once

PASSES = 5
"""Consecutive passes that one teaching of a lot is shown."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ByGroup:
    """On-levels taught by several people, or on several lots, and how their spread divides.

    Parameters
    ----------
    what : str
        What the groups are.
    levels : mapping of str to list of float, recording units
        On-levels of every group that taught any.
    abstained : int
        Teachings that gave no setting.
    components : Components or None
    refused : str
        Why there are none, else empty.
    """

    what: str
    levels: Mapping[str, list[float]]
    abstained: int
    components: Components | None
    refused: str = ""

    def as_dict(self) -> dict[str, Any]:
        """Return the plain JSON form."""
        return {
            "what": self.what,
            "on_levels": dict(self.levels),
            "abstained": self.abstained,
            "components": None if self.components is None else self.components.as_dict(),
            "refused": self.refused or None,
        }


def by_group(
    what: str, draws: Mapping[str, Sequence[Draw]] | Mapping[str, Sequence[Setting]], *, confidence: float = 0.95
) -> ByGroup:
    """Divide the spread of the on-level into that between groups and that within.

    Parameters
    ----------
    what : str
        What the groups are: lots, people …
    draws : mapping of str to sequence of Draw or of Setting
    confidence : float
    """
    levels: dict[str, list[float]] = {}
    abstained = 0
    for name, group in draws.items():
        for one in group:
            setting = one if isinstance(one, Setting) else one.setting
            if setting is None:
                abstained += 1
            else:
                levels.setdefault(name, []).append(setting.on_level)
    try:
        found = variance_components(levels, confidence=confidence)
    except Abstained as refusal:
        return ByGroup(what=what, levels=levels, abstained=abstained, components=None, refused=str(refusal))
    return ByGroup(what=what, levels=levels, abstained=abstained, components=found)


def taught_apart(
    recording: Recording,
    truth: Truth,
    strategy: Strategy,
    names: Iterable[str] | None = None,
    *,
    options: RepeatOptions | None = None,
    passes: int = PASSES,
) -> dict[str, list[Draw]]:
    """Teach in stretches of the teach block that share no sample, each within one lot.

    Parameters
    ----------
    recording : Recording
    truth : Truth
    strategy : Strategy
    names : iterable of str, shape (passes of the truth,), optional
        The lot of every pass; default: the whole teach block is one group, named by the recording.
    options : RepeatOptions, optional
        Seed, teach share, tolerance, base setting.
    passes : int
        Consecutive detect passes of one lot that make a stretch; what is left over is not taught on.

    Returns
    -------
    dict of str to list of Draw
        By lot, in time order.

    Raises
    ------
    ParameterError
        If `passes` is below 1, or names do not belong to the passes.

    Notes
    -----
    Redrawing from one lot could be repeated without end and would make the group means look better known
    than its pieces allow. Stretches without a common sample are teachings that can be analysed as what they
    are: as many as there are.
    """
    how = RepeatOptions() if options is None else options
    if passes < 1:
        raise ParameterError(f"a teaching is shown at least 1 pass, got {passes}.")
    name = np.array([recording.name] * truth.passes if names is None else [str(n) for n in names], object)
    if name.size != truth.passes:
        raise ParameterError(f"{name.size} names were given for {truth.passes} passes; give one each.")
    cut = split(truth, recording.samples, teach_share=how.teach_share)
    whole = TeachBlock(recording, truth, base=how.base, tolerance_ms=how.tolerance_ms, stop_sample=cut.teach_end)
    out: dict[str, list[Draw]] = {}
    for number, (group, a, b) in enumerate(_stretches(truth, name, cut.teach_end, passes)):
        out.setdefault(group, []).append(_taught(recording, truth, strategy, whole, (a, b), number, how))
    return out


def _stretches(truth: Truth, name: NDArray[np.object_], stop: int, passes: int) -> list[tuple[str, int, int]]:
    """Return the lot and the samples of every stretch, from mid-gap to mid-gap."""
    rows = np.flatnonzero(truth.detect & (truth.end <= stop))
    out: list[tuple[str, int, int]] = []
    if rows.size == 0:
        return out
    runs = np.split(rows, np.flatnonzero(name[rows[1:]] != name[rows[:-1]]) + 1)
    for run in runs:
        for k in range(run.size // passes):
            first, last = int(run[k * passes]), int(run[(k + 1) * passes - 1])
            before = 0 if first == 0 else int(truth.end[first - 1])
            after = int(truth.start[last + 1]) if last + 1 < truth.passes else stop
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
    options: RepeatOptions,
) -> Draw:
    a, b = where
    try:
        # What objects do to the light is a fact of the line, not of five passes.
        info = replace(recording.info, direction=whole.direction)
        light = recording.read(a, b)
        part = Recording.from_array(light.light, info, name=recording.name, invalid=light.invalid)
        inside = truth.select((truth.start >= a) & (truth.end <= b))
        moved = replace(inside, start=inside.start - a, end=inside.end - a)
        block = TeachBlock(part, moved, base=options.base, tolerance_ms=options.tolerance_ms)
        return Draw(draw=number, setting=teach_once(strategy, block, options.seed, number), measures={})
    except Abstained as refusal:
        return Draw(draw=number, setting=None, abstained=refusal.reason, measures={})
    except StrategyError as fault:
        return Draw(draw=number, setting=None, failed=str(fault), measures={})


def settings_agreement(
    recording: Recording,
    truth: Truth,
    settings: Sequence[Setting],
    *,
    tolerance_ms: float = 0.0,
    first_pass: int = 0,
) -> Agreement:
    """Tell whether settings lose the same passes, among those that are trials under all of them.

    Parameters
    ----------
    recording : Recording
    truth : Truth
    settings : sequence of Setting
        At least two; equal ones count as often as they are given.
    tolerance_ms, first_pass
        As in `score`.
    """
    given = [bare(s) for s in settings]
    distinct = list(dict.fromkeys(given))
    lost = np.zeros(truth.passes - first_pass, np.int64)
    trial = np.ones(lost.size, bool)
    for rate in dict.fromkeys(s.evaluation_rate_hz for s in distinct):
        family = [s for s in distinct if s.evaluation_rate_hz == rate]
        for setting, output in zip(family, replay_family(recording, family), strict=True):
            passes = score(output, truth, tolerance_ms=tolerance_ms, first_pass=first_pass, tables=False).trials.passes
            trial &= np.isin(passes, (Outcome.HIT, Outcome.MISS, Outcome.MERGED))
            lost += np.isin(passes, (Outcome.MISS, Outcome.MERGED)) * given.count(setting)
    return agreement(lost[trial], len(given))
