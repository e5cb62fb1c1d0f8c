"""Hysteresis designed from the evidence: as wide as background and objects require, no wider than gaps allow."""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

import numpy as np
from numpy.typing import NDArray

from teachlab.errors import Abstained
from teachlab.light.event_statistics import EventStatistics, inner_valleys
from teachlab.light.noise import quantile
from teachlab.model.printable_text import number_of
from teachlab.model.teaching import TeachView
from teachlab.teaching.rules.classic import show
from teachlab.teaching.rules.labelled_events import Waits

# How wide, and what says so (rising objects):
#
#                  __      _
#                 /  \____/ \          the dip inside: held through where the release can lie below it
#     level   ---/-----------\------   output becomes active
#               /             \        wanted: more than noise or texture of the background cross within one edge
#     release -/---------------\----   widest: the release lies above the valleys of the gaps, or it never comes
#     valleys ~                 ~~~~
DEVIATIONS = 6.0
"""Slow edges need this many standard deviations of the local noise."""
CLEARANCE = 2.0
"""The release stays this many standard deviations of the local noise above the valleys of the gaps."""
RELEASE_SHARE = 0.001
"""Share of the gaps that may fail to release the output."""
STUCK_SHARE = 0.1
"""If a larger share of gaps never falls to the level, no width helps."""


class WidthReason(StrEnum):
    """What requires width, or limits it."""

    NOISE = "noise"
    TEXTURE = "texture"
    CONTRAST = "contrast"
    GAP = "gap"


@dataclass(frozen=True, slots=True)
class Width:
    """A designed width and its reason.

    `width` (recording units): H, at least 0.
    `wanted` (recording units): the required width, by `wanted_by`.
    `widest` (recording units): the largest allowed width, by `limited_by`; infinite without a limit.
    """

    width: float
    wanted: float
    wanted_by: WidthReason
    widest: float
    limited_by: WidthReason | None

    def told(self) -> dict[str, Any]:
        """Return the plain form for the record."""
        return {
            "wanted": self.wanted,
            "wanted_by": str(self.wanted_by),
            "widest": self.widest if math.isfinite(self.widest) else None,
            "limited_by": None if self.limited_by is None else str(self.limited_by),
        }


def wanted_width(found: EventStatistics) -> tuple[float, WidthReason]:
    """Return the width that exceeds the range of the background within one edge time, and its reason.

    ``H ≥ max(R_edge, 6 σ)``. R_edge is the 99 % quantile of the range of the background within one edge time (10–90 %):
    while the light climbs past the level, it must not fall back by more than H. With white noise of σ on slow edges, 5
    to 6 σ are needed for less than one extra count in a thousand edges (own simulation).
    """
    noise = DEVIATIONS * found.noise
    texture = found.edge_range
    if math.isfinite(texture) and texture >= noise:
        return texture, WidthReason.TEXTURE
    return noise, WidthReason.NOISE


def reserved_height(found: EventStatistics, apart: float) -> float:
    """Return the height above the background guard that a delayed onset reserves for the hysteresis.

    With a filter or a delay before the onset, the release stays above B. So the required width has to fit between B and
    the level: H, at most half of the distance `apart` between the guards; otherwise 0.
    """
    return min(wanted_width(found)[0], apart / 2) if found.gap_hold > 1 else 0.0


def design(
    view: TeachView,
    found: EventStatistics,
    level: float,
    *,
    share: float = 0.01,
    guard: float | None = None,
    strict: bool = False,
) -> Width:
    """Design the hysteresis of a level, jointly with the delays of the base setting.

    `view`: its events, and the filter and delays of its base setting.
    `found`: of the events shown.
    `level` (recording units, objects upwards): T, where the output becomes active.
    `share` (in [0, 0.5)): a: share of the passes that may fall below the release, and of the gaps that may reach it.
    `guard` (recording units, objects upwards): B: with an on-delay the release stays above it; without B, the width is
    not increased beyond what is required.
    `strict`: abstain if the required width does not fit; otherwise it is reduced to what fits.
    Raises Abstained if so many gaps stay above the level that the output is not released, or, with `strict`, if the
    required width is not allowed. The message says which of noise, texture, contrast and gap prevents it.

    Notes
    -----
    Required: the width of `wanted_width`, and ``T − q_a(K)`` with the valleys K inside the passes that last long enough
    for a release (hold guard), as far as that fits and K lies above B: valleys as deep as the background are left to
    the delays. Allowed: ``T − H ≥ v + 2 σ`` with ``v = q_0.999(V)``, V the valleys of the gaps (release guard; halfway
    to the valleys if 2 σ do not fit). With a filter or a delay before the onset, also ``T − H ≥ B``: the comparator
    stays set down to the release, so the delay is timed against the release, and background between the two levels
    would count towards it.

    Free: ``B − v``, at most half of the distance from the level to v. With this width, the release clears the valleys
    of the gaps by at least as much as the level clears their peaks. So width up to there is taken even if nothing
    observed requires it: the noise of edges and objects is less well known than that of long gaps. Required width that
    does not fit is reduced to half of the distance: then the light has to fall as far for an extra count as the gaps
    have to rise to merge two passes.
    """
    wanted, by = wanted_width(found)
    widest, limit = _widest(view, found, level, guard)
    inner = inner_valleys(view.events, found.sign, level, release_hold=Waits.of(view).release)
    if inner.size:
        hold = level - quantile(inner, share)
        above = guard is None or level - hold > guard
        # Objects that dip inside are held if that fits; otherwise they count twice and the level stays.
        if above and wanted < hold and (hold <= widest or strict):
            wanted, by = hold, WidthReason.TEXTURE
    lowest = _lowest(found, level)
    half = (level - lowest) / 2
    if wanted <= widest:
        free = min(guard - lowest, half, widest) if guard is not None and math.isfinite(lowest) else 0.0
        return Width(max(wanted, free), wanted, by, widest, limit)
    if strict:
        raise Abstained(
            f"the {by} needs more hysteresis than the {limit} allows",
            f"{show(view, wanted)} wanted, {show(view, max(widest, 0.0))} allowed",
            "a width allowed that is at least the one wanted",
        )
    return Width(max(min(widest, half), 0.0), wanted, by, widest, limit)


def _lowest(found: EventStatistics, level: float) -> float:
    """Return v, the height below which the gaps release the output; −∞ without a gap between passes.

    A few gaps never fall to the level: the others decide.
    """
    valleys = found.gap_valleys[found.gap_valleys < level]
    return quantile(valleys, 1 - RELEASE_SHARE) if valleys.size else -math.inf


def _widest(
    view: TeachView, found: EventStatistics, level: float, guard: float | None
) -> tuple[float, WidthReason | None]:
    limits: list[tuple[float, WidthReason]] = []
    if found.gap_valleys.size:
        _require_release(view, found, level)
        lowest = _lowest(found, level)
        # If the clearance does not fit under the level, the release lies halfway: a release that no gap falls below
        # would never release the output.
        valley = min(lowest + CLEARANCE * found.noise, (lowest + level) / 2)
        limits.append((level - valley, WidthReason.GAP))
    if found.gap_hold > 1 and guard is not None:
        limits.append((level - guard, WidthReason.CONTRAST))
    return min(limits, default=(math.inf, None))


def _require_release(view: TeachView, found: EventStatistics, level: float) -> None:
    stuck: NDArray[np.bool_] = found.gap_valleys >= level
    share = float(np.mean(stuck))
    if share <= STUCK_SHARE:
        return
    wait = (
        f"; a release takes {number_of(found.release_hold, 'evaluation')}, of which filter and off-delay ask: "
        f"shorten them"
        if found.release_hold > 1
        else ""
    )
    raise Abstained(
        f"the output would not be released between the passes: the gaps are too bright or too short{wait}",
        f"{100 * share:.0f} % of the gaps stay beyond {show(view, found.sign * level)}",
        f"at most {100 * STUCK_SHARE:.0f} %",
    )
