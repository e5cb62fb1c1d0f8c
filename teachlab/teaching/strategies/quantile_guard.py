"""Quantile guard: between the weakest objects and the strongest background, event by event."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import partial
from typing import ClassVar

from teachlab.errors import Abstained
from teachlab.light.shown.tabled_light import once_shown
from teachlab.model.setting import Setting
from teachlab.model.teaching import Shown, TeachView
from teachlab.teaching.parameters import CheckedParameters, parameter, record
from teachlab.teaching.rules.classic import show
from teachlab.teaching.rules.guard_parameters import ABOUT_POSITION, ABOUT_SHARE, POSITION, SHARE
from teachlab.teaching.rules.hysteresis import WidthReason, design, reserved_height, wanted_width
from teachlab.teaching.rules.labelled_events import guards_of, statistics_of, told


@dataclass(frozen=True, slots=True, kw_only=True)
class QuantileGuard(CheckedParameters):
    """Place the level between the weakest objects and the strongest background, event by event.

    Parameters
    ----------
    position : float, share of the distance, in (0, 1)
        phi: how far from the background guard to the object guard the level lies.
    share : float, share of the events, in [0, 0.5)
        a: how many passes may peak below the object guard, and how many gaps above the background guard.
    strict : bool
        Abstain where the hysteresis wanted does not fit, instead of cutting it to what fits.

    Notes
    -----
    With objects upwards, P the sustained peaks of the passes and G those of the gaps:
    S = q_a(P), B = q_{1−a}(G), T = B + phi·(S − B). Of several kinds the weakest gives S, and of gaps and
    kinds to be ignored the strongest gives B. Where a filter or a delay holds back the onset,
    T = B + H + phi·(S − B − H): the release, too, stays above B. H is designed (`hysteresis`).

    A peak of a pass lasts for max(3, lag + 1) evaluations, a peak of a gap for lag + 1. With few passes the
    quantiles lie near the extremes of what was shown. Show 200 passes or more.

    When it fails: on any stress that was not shown. +8 % of full scale of ambient light, or a gain of 0.4, lost
    all objects of its acceptance scenarios. A disturbance that comes less often than once in the stretch shown is
    not in B. It abstains with fewer than 3 passes. It abstains if S ≤ B, and says which kinds, or which parts of
    the stretch, contradict each other. It abstains where the output is held through the gaps.

    References
    ----------
    Common practice of guard bands on order statistics, no source. Sample quantiles: Hyndman & Fan 1996,
    type 7 (the default of `numpy.quantile`).

    Examples
    --------
    >>> QuantileGuard(position=0.4).share
    0.01
    """

    name: ClassVar[str] = "quantile-guard"
    needs: ClassVar[frozenset[Shown]] = frozenset({Shown.EVENTS})
    equivariant: ClassVar[frozenset[str]] = frozenset({"gain", "offset"})

    position: float = field(default=POSITION, metadata=ABOUT_POSITION)
    share: float = field(default=SHARE, metadata=ABOUT_SHARE)
    strict: bool = parameter(False, "abstain where the hysteresis wanted does not fit")

    def teach(self, view: TeachView) -> Setting:
        """Return the level between the two guards of the events shown."""
        # A strategy that tries filters hands over to this one, on the same events.
        return once_shown(view.events, (self, view.direction, view.base), partial(self._placed, view))

    def _placed(self, view: TeachView) -> Setting:
        found = statistics_of(view)
        guards = guards_of(view, found, self.share)
        apart = guards.object - guards.background
        if self.strict and found.gap_hold > 1:
            self._require_room(view, wanted_width(found), apart)
        reserved = reserved_height(found, apart)
        level = guards.background + reserved + self.position * (apart - reserved)
        width = design(view, found, level, share=self.share, guard=guards.background, strict=self.strict)
        evidence = told(found, **guards.told(found.sign), hysteresis=width.told())
        return view.place(found.sign * level, width.width, record(self, **evidence))

    def _require_room(self, view: TeachView, wanted: tuple[float, WidthReason], apart: float) -> None:
        if wanted[0] >= apart:
            raise Abstained(
                f"the {wanted[1]} needs more hysteresis than fits above the background guard: the contrast is too "
                "small",
                f"{show(view, wanted[0])} wanted, {show(view, apart)} between the guards",
                "less than the distance of the guards",
            )
