"""Balanced guard: between weakest objects and strongest background, nearer to the side that is known better."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from functools import partial
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from teachlab.light.event_statistics import EventStatistics, inner_valleys
from teachlab.light.noise import quantile
from teachlab.light.shown.tabled_light import once_shown
from teachlab.model.setting import Setting
from teachlab.model.teaching import Shown, TeachView
from teachlab.teaching.parameters import CheckedParameters, record
from teachlab.teaching.rules.guard_parameters import ABOUT_POSITION, ABOUT_SHARE, POSITION, SHARE
from teachlab.teaching.rules.hysteresis import design, reserved_height, wanted_width
from teachlab.teaching.rules.independence import independent, lots
from teachlab.teaching.rules.labelled_events import Guards, Waits, backgrounds, by_kind, guards_of, statistics_of, told

TAIL = 3
"""The highest peak of the background is compared with the third highest."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BalancedGuard(CheckedParameters):
    """Place the level between the guards, nearer to the side with more independent events shown.

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

    What is not known about a side is u = 1/(n + 1). With this probability a new event goes further than n others
    did, if all are independent, for any distribution. After n passes, the next pass is of kind k and weaker than
    all n_k of that kind with probability n_k/n · 1/(n_k + 1). That is about u again, so a rare kind needs no
    more passes. Events in lots are not independent: n counts as n/(1 + 2·Σρ_i), where ρ_i are the correlations of
    the ranks of events i apart, up to the first below 2/√n. It counts as no more than the number of lots that the
    changes between kinds show, since a kind may not have come yet. The level lies nearer to the side that is known
    better:

        w = phi·u_G/(phi·u_G + (1 − phi)·u_P),
        T_k = max(B + R + w·(S_k − B − R), M + min(max(H, M − M₃), phi·(W_k − M))),

    and T is the smallest T_k. R is 0, and with a filter or a delay that holds back the onset the height that
    the width needs above B, as in `quantile-guard`: min(H, (S_k − B)/2). M is the highest peak of the
    background, M₃ the third highest and W_k the weakest pass of the kind, so that the level goes above all
    background and below all objects that were shown; where M reaches W_k, B and S_k stand for them. As many
    passes as gaps, independent of each other, give T = B + phi·(S − B) without R, as `quantile-guard` does;
    few lots put the level above all that the background was seen to do, by H and by what its tail says: where
    peaks end exponentially, M − M₃ is 1.5 times the mean excess, and the next gap reaches 1.5 mean excesses
    beyond M with probability 0.22/n. H is designed for T (`hysteresis`).

    When it fails: on any stress that was not shown. With few lots the level lies close to the background, so a
    rise of the background that was not shown trips it sooner than a level in the middle. It cannot foresee a kind
    that was not shown if the objects show no lots, and no disturbance that no gap showed, such as the seam of a
    belt in step with the passes. It abstains as `quantile-guard` does, except for few passes and for kinds that
    were shown too rarely: for these w moves the level.

    References
    ----------
    1/(n + 1): exchangeability; Wilks 1941. Effective number: Bartlett 1946, J. R. Stat. Soc. Suppl. 8,
    27-41. Spacings of the largest of exponential events: Rényi 1953, Acta Math. Acad. Sci. Hung. 4, 191-231.
    The weights are this package's own.

    Examples
    --------
    >>> BalancedGuard(position=0.4).share
    0.01
    """

    name: ClassVar[str] = "balanced-guard"
    needs: ClassVar[frozenset[Shown]] = frozenset({Shown.EVENTS})
    equivariant: ClassVar[frozenset[str]] = frozenset({"gain", "offset"})

    position: float = field(default=POSITION, metadata=ABOUT_POSITION)
    share: float = field(default=SHARE, metadata=ABOUT_SHARE)

    def teach(self, view: TeachView) -> Setting:
        """Return the level between the two guards of the events shown."""
        # Other strategies hand over to this one, on the same events.
        return once_shown(view.events, (self, view.direction, view.base), partial(self._placed, view))

    def _placed(self, view: TeachView) -> Setting:
        found = statistics_of(view, passes=1, rare_kinds=True)
        guards = guards_of(view, found, self.share)
        held = self._held(view, found, guards)
        kinds = by_kind(found.peaks, found.kinds)
        # Events that resemble their neighbours are less informative than their number: 100 peaks of a slow drift are
        # not 100.
        passes, gaps = independent(found.peaks), independent(guards.strong)
        if len(kinds) > 1:
            passes = min(passes, lots(found.kinds))
        # The level goes towards the side that is better known: the next surprise of the other side is larger.
        weight = self.position / (self.position + (1 - self.position) * (gaps + 1) / (passes + 1))
        level = min(
            self._level(found, guards.background, np.minimum(np.quantile(kind, [self.share, 0.0]), held), weight)
            for _, kind in kinds
        )
        width = design(view, found, level, share=self.share, guard=guards.background)
        known = {"independent_passes": passes, "independent_gaps": gaps, "hysteresis": width.told()}
        evidence = told(found, **guards.told(found.sign), **known)
        return view.place(found.sign * level, width.width, record(self, **evidence))

    def _held(self, view: TeachView, found: EventStatistics, guards: Guards) -> float:
        """Return the height up to which the valleys inside the passes allow a level; infinite without a limit."""
        inner = inner_valleys(view.events, view.sign, guards.object, release_hold=Waits.of(view).release)
        if inner.size == 0:
            return math.inf
        held = quantile(inner, self.share) + wanted_width(found)[0]
        # Dips inside objects are held if the release then still lies above the background; otherwise they count twice.
        return held if held > guards.background else math.inf

    def _level(self, found: EventStatistics, background: float, objects: NDArray[np.float64], weight: float) -> float:
        """Return T_k between the background and a kind of objects: their guard, and the weakest shown."""
        guard, weakest = float(objects[0]), float(objects[1])
        peaks = np.sort(backgrounds(found))
        highest, third = float(peaks[-1]), float(peaks[-min(TAIL, peaks.size)])
        width = wanted_width(found)[0]
        clear = max(width, highest - third)
        if highest >= weakest:
            highest, weakest, clear = background, guard, width
        # At least as far above the highest peak as that is above the third highest: what was seen will be exceeded.
        above = highest + min(clear, self.position * (weakest - highest))
        reserved = reserved_height(found, guard - background)
        return max(background + reserved + weight * (guard - background - reserved), above)
