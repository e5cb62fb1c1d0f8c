"""Balanced guard: between weakest objects and strongest background, nearer to the side that is known better."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import ClassVar

import numpy as np

from teachlab.model.setting import Setting
from teachlab.model.teaching import Shown, TeachView
from teachlab.signal.event_statistics import EventStatistics, inner_valleys
from teachlab.teach.hysteresis import design, wanted_width
from teachlab.teach.independence import independent
from teachlab.teach.parameters import about, check_parameters, record
from teachlab.teach.shown_events import Guards, Heights, Waits, by_kind, guards_of, statistics_of, told


@dataclass(frozen=True, slots=True, kw_only=True)
class BalancedGuard:
    """Place the level between the guards, nearer to the side of which more independent events were shown.

    Parameters
    ----------
    position : float, share of the distance, in (0, 1)
        phi: how far from the background guard the level lies where both sides are known equally well.
    share : float, share of the events, in [0, 0.5)
        a of the quantile guard.

    Notes
    -----
    B = q_{1−a}(G) is the background guard of `quantile-guard`, H the width that the background asks for (as in
    `hysteresis`). S_k = q_a(P) of every kind k of object, and at most q_a(K) + H where that is above B: the
    valleys K inside the passes, down from the weakest q_a(P), must not release the output.

    What is not known about a side is u = 1/(n + 1): with this probability a new event goes further than n
    others did, if all are independent, whatever their distribution. Events that come in lots are not: n
    counts as n/(1 + 2·Σρ_i), with the correlations ρ_i of the ranks of events i apart, up to the first below
    2/√n. For a kind, n is its passes, but no more than all passes count for together: where kinds come in
    lots, one may not have come yet. The better known side gets the level:

        w = phi·u_G/(phi·u_G + (1 − phi)·u_k),  T_k = B + max(w·(S_k − B), min(H, phi·(S_k − B))),

    and T is the smallest T_k. As many passes as gaps, independent of each other, give T = B + phi·(S − B), as
    `quantile-guard` does; few lots, or few pieces of a rare kind, give T = B + H, which the background does
    not reach. H is designed for T (`hysteresis`).

    When it fails: on any stress that was not shown. With few lots it lies close to the background: a rise of
    the background that was not shown trips it sooner than a level in the middle. A kind that was not shown,
    of objects that show no lots, is not foreseen. It abstains as `quantile-guard` does, except for kinds that
    were shown too rarely.

    References
    ----------
    1/(n + 1): exchangeability; Wilks 1941. Effective number: Bartlett 1946, J. R. Stat. Soc. Suppl. 8,
    27-41. The weights are this package's own.

    Examples
    --------
    >>> BalancedGuard(position=0.4).share
    0.01
    """

    name: ClassVar[str] = "balanced-guard"
    needs: ClassVar[frozenset[Shown]] = frozenset({Shown.EVENTS})
    equivariant: ClassVar[frozenset[str]] = frozenset({"gain", "offset"})

    position: float = field(
        default=0.5,
        metadata=about(
            "distance of the level from the background guard", unit="share of the distance", above=0, below=1
        ),
    )
    share: float = field(
        default=0.01,
        metadata=about("events that may lie beyond a guard", unit="share of the events", at_least=0, below=0.5),
    )

    def __post_init__(self) -> None:
        check_parameters(self)

    def teach(self, view: TeachView) -> Setting:
        """Return the level between the two guards of the events shown."""
        found = statistics_of(view, rare_kinds=True)
        guards = guards_of(view, found, self.share)
        held = self._held(view, found, guards)
        strong = dict(by_kind(found.ignored_peaks, found.ignored_kinds)).get(guards.strongest, found.gap_peaks)
        passes, gaps = independent(found.peaks), independent(strong)
        level = min(
            self._level(found, guards.background, kind, held, passes, gaps)
            for _, kind in by_kind(found.peaks, found.kinds)
        )
        width = design(view, found, level, share=self.share, guard=guards.background)
        evidence = told(
            found,
            object_guard=found.sign * guards.object,
            background_guard=found.sign * guards.background,
            weakest=guards.weakest,
            strongest=guards.strongest,
            independent_passes=passes,
            independent_gaps=gaps,
            hysteresis=width.told(),
        )
        return view.place(found.sign * level, width.width, record(self, **evidence))

    def _held(self, view: TeachView, found: EventStatistics, guards: Guards) -> float:
        """Return the height up to which the valleys inside the passes allow a level, infinite without a limit."""
        inner = inner_valleys(view.events, view.sign, guards.object, release_hold=Waits.of(view).release)
        if inner.size == 0:
            return math.inf
        held = float(np.quantile(inner, self.share)) + wanted_width(found)[0]
        return held if held > guards.background else math.inf

    def _level(
        self, found: EventStatistics, background: float, kind: Heights, held: float, passes: float, gaps: float
    ) -> float:
        apart = min(float(np.quantile(kind, self.share)), held) - background
        known = min(float(kind.size), passes)
        weight = self.position / (self.position + (1 - self.position) * (gaps + 1) / (known + 1))
        return background + max(weight * apart, min(wanted_width(found)[0], self.position * apart))
