"""Filtered guard: the quantile guard together with the shortest filter that the evidence asks for."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any, ClassVar

import numpy as np

from teachlab.errors import Abstained
from teachlab.light.event_statistics import inner_valleys
from teachlab.model.setting import Setting
from teachlab.model.teaching import Shown, TeachView
from teachlab.teaching.parameters import CheckedParameters, parameter, record
from teachlab.teaching.rules.guard_parameters import ABOUT_POSITION, ABOUT_SHARE, POSITION, SHARE
from teachlab.teaching.rules.labelled_events import Waits, backgrounds, least_active, statistics_of
from teachlab.teaching.strategies.quantile_guard import QuantileGuard

LENGTHS = (1, 2, 3, 4, 6, 8, 12, 16, 24, 32, 48, 64, 96)
"""Filters tried, in evaluations in a row."""
SHORTEST = 0.05
"""Quantile of the passes, and of the gaps, that stands for the shortest of them."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FilteredGuard(CheckedParameters):
    """Place the level as the quantile guard does, and lengthen the filter only where the evidence asks for it.

    Parameters
    ----------
    position : float, share of the distance, in (0, 1)
        phi of the quantile guard.
    share : float, share of the events, in [0, 0.5)
        a of the quantile guard.
    longest : float, share of the shortest pass or gap, in (0, 0.5]
        The filter may take no more of either.

    Notes
    -----
    For every filter of n evaluations in a row, from that of the base setting up to `longest` · the 5 %
    quantile of the lengths of passes and gaps, the quantile guard places T and H, with peaks and valleys
    that last as long as n asks. On the events shown its cost per event is
    share(P < T) + share(G ≥ T) + share(V ≥ T − H) + share(K < T − H): lost, tripped, merged and counted
    twice; with a filter or an on-delay G counts from T − H on. The smallest n with the least cost is taken.
    So the filter stays as it is unless a longer one corrects errors seen while teaching.

    What it costs: the output switches n − 1 evaluations later at both ends, and objects and gaps shorter than n
    evaluations are not seen. `longest` limits both by what was shown.

    When it fails: on objects or gaps that are shorter, and on lines that are faster, than those shown; on stresses
    that were not shown, as `quantile-guard`. It abstains where the quantile guard abstains for every filter, with
    the reason for the filter of the base setting.

    References
    ----------
    Level and hysteresis: `quantile-guard`. Evaluations in a row: a flat rank filter commutes with the
    threshold (Fitch, Coyle & Gallagher 1984, threshold decomposition). The choice of n by the errors shown
    is this package's own.

    Examples
    --------
    >>> sorted(FilteredGuard().designs)
    ['consecutive']
    """

    name: ClassVar[str] = "filtered-guard"
    needs: ClassVar[frozenset[Shown]] = frozenset({Shown.EVENTS})
    equivariant: ClassVar[frozenset[str]] = frozenset({"gain", "offset"})
    designs: ClassVar[frozenset[str]] = frozenset({"consecutive"})

    position: float = field(default=POSITION, metadata=ABOUT_POSITION)
    share: float = field(default=SHARE, metadata=ABOUT_SHARE)
    longest: float = parameter(0.3, "longest filter", unit="share of the shortest pass or gap", above=0, at_most=0.5)

    def teach(self, view: TeachView) -> Setting:
        """Return level, hysteresis and filter for the events shown."""
        guard = QuantileGuard(position=self.position, share=self.share)
        refusal: Abstained | None = None
        best: tuple[float, Setting] | None = None
        tried: dict[str, float] = {}
        for length in self._lengths(view):
            filtered = replace(view, base=replace(view.base, consecutive=length))
            try:
                setting = guard.teach(filtered)
            except Abstained as reason:
                refusal = refusal or reason
                continue
            cost = cost_shown(filtered, setting)
            tried[str(length)] = cost
            if best is None or cost < best[0]:
                best = (cost, setting)
            # The shortest filter without an error: a longer one delays the response and improves nothing that was
            # shown.
            if cost == 0:
                break
        if best is None:
            raise refusal or Abstained("no filter could be tried", "0 filters", "at least 1")
        told = dict(best[1].taught.evidence) if best[1].taught is not None else {}
        return replace(best[1], taught=record(self, **told, filters_tried=tried))

    def _lengths(self, view: TeachView) -> list[int]:
        events, base = view.events, view.base.consecutive
        passes, gaps = events.end - events.start, events.start[1:] - events.end[:-1]
        gaps = gaps[gaps > 0]  # no filter separates passes that touch
        shortest = min((float(np.quantile(x, SHORTEST)) for x in (passes, gaps) if x.size), default=0.0)
        return [base, *(n for n in LENGTHS if base < n <= self.longest * shortest)]


def cost_shown(view: TeachView, setting: Setting) -> float:
    """Return the errors per event of a setting on the events shown: lost, tripped, merged and counted twice.

    `view`: with the filter and delays of the setting as its base.
    """
    found = statistics_of(view)
    rise = view.sign > 0
    level = least_active(found, view.sign * (setting.on_level if rise else setting.off_level))
    release = least_active(found, view.sign * (setting.off_level if rise else setting.on_level))
    inner = inner_valleys(view.events, view.sign, level, release_hold=Waits.of(view).release)
    shares: list[Any] = [
        found.peaks < level,
        backgrounds(found) >= (level if found.gap_hold == 1 else release),
        found.gap_valleys >= release,
        inner < release,
    ]
    return float(sum(np.mean(wrong) for wrong in shares if wrong.size))
