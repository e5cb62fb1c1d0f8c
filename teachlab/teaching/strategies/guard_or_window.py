"""Guard or window: one level where one suffices, two for brighter and darker objects, else the least errors."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import ClassVar

import numpy as np

from teachlab.errors import Abstained
from teachlab.light.direction import REQUIRED_RATIO
from teachlab.light.event_statistics import EventStatistics, measure_events
from teachlab.model.setting import Setting
from teachlab.model.teaching import Shown, TeachView
from teachlab.teaching.parameters import CheckedParameters, record
from teachlab.teaching.rules.guard_parameters import ABOUT_POSITION, ABOUT_SHARE, POSITION, SHARE
from teachlab.teaching.rules.labelled_events import contradiction, guards_of, statistics_of, told
from teachlab.teaching.rules.least_errors import LeastErrors, errors_shown, least_errors
from teachlab.teaching.strategies.balanced_guard import BalancedGuard
from teachlab.teaching.strategies.two_threshold import TwoThreshold

FEW_ERRORS = 4
"""With this many errors or fewer, no other setting can have fewer by two deviations."""


@dataclass(frozen=True, slots=True, kw_only=True)
class GuardOrWindow(CheckedParameters):
    """Place one level by `balanced-guard`, else two by `two-threshold`, else the level with the fewest errors.

    Parameters
    ----------
    position : float, share of the distance, in (0, 1)
        phi of both.
    share : float, share of the events, in [0, 0.5)
        a of both.

    Notes
    -----
    S and B are the guards of `quantile-guard` for the events shown. There are three cases.

    - S > B: T and H of `balanced-guard`.
    - Else, if every pass reaches beyond the gaps on one of its two sides: the window of `two-threshold`.
    - Else, if weak objects and strong background overlap: the level and the hysteresis with the fewest errors on
      the events shown (`teachlab.teaching.rules.least_errors`).

    The second or third case also takes over from `balanced-guard` if that gets k of the events shown wrong, and
    the other only j, with k − j > 2·√(k + j): two deviations of the difference. The record says in `handed_to`
    which one placed the levels, and in `errors_shown` how many errors the third one makes.

    When it fails: as the strategy that placed the levels. A level of fewest errors is good only for the shares of
    weak and strong events that were shown. With an off-delay longer than the shortest gaps (wrapped bars, 3 ms) it
    lost more than the best classic rule, whose release happened to be higher: the level takes into account how
    dark a gap becomes, but not for how long.

    It abstains with the reasons of `balanced-guard` where conditions or kinds contradict each other. It abstains
    where the passes reach nearly as far to the other side (less than 1.25 times as far to their own: the direction
    is in doubt), and where k errors in n passes are no fewer than those of an output that never switches:
    k + 2·√k ≥ n. It also abstains where one level is enough, but filter and delays hold the output through the gaps.

    References
    ----------
    Of the two strategies, and of `least_errors`. That one hands over to the other is this package's own.

    Examples
    --------
    >>> sorted(GuardOrWindow().needs)
    [<Shown.EVENTS: 'events'>]
    """

    name: ClassVar[str] = "guard-or-window"
    needs: ClassVar[frozenset[Shown]] = frozenset({Shown.EVENTS})
    either_direction: ClassVar[bool] = True
    equivariant: ClassVar[frozenset[str]] = frozenset({"gain", "offset"})

    position: float = field(default=POSITION, metadata=ABOUT_POSITION)
    share: float = field(default=SHARE, metadata=ABOUT_SHARE)

    def teach(self, view: TeachView) -> Setting:
        """Return one level, or a window, for the events shown."""
        found = statistics_of(view, passes=1, rare_kinds=True)
        try:
            guards_of(view, found, self.share)
        except Abstained as overlap:
            return self._without_guards(view, found, overlap)
        guarded = self._handed_to(BalancedGuard(position=self.position, share=self.share), view)
        wrong = errors_shown(view, found, guarded)
        best = least_errors(view, found) if wrong > FEW_ERRORS else None
        return self._least(view, found, best) if best is not None and best.clearly_below(wrong) else guarded

    def _handed_to(self, placer: BalancedGuard | TwoThreshold, view: TeachView) -> Setting:
        setting = placer.teach(view)
        evidence = setting.taught.evidence if setting.taught is not None else {}
        return replace(setting, taught=record(self, handed_to=placer.name, **evidence))

    def _without_guards(self, view: TeachView, found: EventStatistics, overlap: Abstained) -> Setting:
        try:
            return self._handed_to(TwoThreshold(position=self.position, share=self.share), view)
        except Abstained:
            if contradiction(found, self.share) or _in_doubt(view, found):
                raise overlap from None
        best = least_errors(view, found)
        if best is None or not best.better_than_never:
            tried = "" if best is None else f"; at best {best.errors} errors in {best.passes} passes"
            raise Abstained(overlap.reason, overlap.measured + tried, overlap.required) from None
        return self._least(view, found, best)

    def _least(self, view: TeachView, found: EventStatistics, best: LeastErrors) -> Setting:
        evidence = told(found, errors_shown=best.errors)
        return view.place(found.sign * best.level, best.width, record(self, handed_to="least-errors", **evidence))


def _in_doubt(view: TeachView, found: EventStatistics) -> bool:
    """Whether the passes reach nearly as far beyond the background to the other side as to their own."""
    other = measure_events(view.events, -found.sign, hold=found.hold, gap_hold=found.gap_hold)
    own, opposite = (float(np.median(f.peaks)) - f.background for f in (found, other))
    return not own > 0 or own < REQUIRED_RATIO * opposite
