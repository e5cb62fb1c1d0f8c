"""Contamination-aware: a level that still works when only a stated share of the light is left."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any, ClassVar

from teachlab.errors import Abstained
from teachlab.light.event_statistics import EventStatistics
from teachlab.model.recording import Direction
from teachlab.model.setting import Setting
from teachlab.model.teaching import Shown, TeachView
from teachlab.teaching.parameters import CheckedParameters, parameter
from teachlab.teaching.rules.classic import above_dark
from teachlab.teaching.rules.guard_parameters import ABOUT_SHARE, SHARE
from teachlab.teaching.rules.labelled_events import guards_of, least_light, statistics_of
from teachlab.teaching.rules.placing import place_on_events


@dataclass(frozen=True, slots=True, kw_only=True)
class ContaminationAware(CheckedParameters):
    """Place the level between the dim side and what is left of the bright side behind dirty windows.

    Parameters
    ----------
    least_gain : float, share of the light, in (0, 1], optional
        g_min: the gain at which the sensor must still work, stated by the owner of the line. Without it the
        strategy abstains: no default can know when the windows are cleaned.
    share : float, share of the events, in [0, 0.5)
        a: how many passes may peak below the object guard, and how many gaps above the background guard.

    Notes
    -----
    Guards as in `quantile-guard`, as light above the dark level. Rise: the bright side is S, the dim one B;
    dip: the bright side is the weakest clear light C, the dim one the brightest object D. The level is the
    geometric mean of the dim side and of what is left of the bright one:
    T = √(B·g_min·S), or √(D·g_min·C). Feasible if and only if g_min·S > B, or g_min·C > D; any fixed level
    can lose at most 1 − B/S, or 1 − D/C, of the light. The dim side is taken without any loss, and
    counts as at least two steps of the converter, unless these are more than a tenth of the bright side.
    The release of a dip must be reached by the clear light that is left.

    When it fails: on ambient light or backscatter, since the level is low. With dusty sacks it worked at a gain
    of 0.15, but not with +10 % of full scale of ambient light. It abstains without `least_gain`, at or below the
    dark level, and where the loss is too large for any fixed level.

    References
    ----------
    Derived from the loss model x → d + g·(x − d); contamination reserve as 1 − g. No other source.

    Examples
    --------
    >>> ContaminationAware(least_gain=0.6).share
    0.01
    """

    name: ClassVar[str] = "contamination-aware"
    needs: ClassVar[frozenset[Shown]] = frozenset({Shown.EVENTS})
    equivariant: ClassVar[frozenset[str]] = frozenset({"gain"})

    least_gain: float | None = parameter(
        None, "gain at which the sensor must still work; to be stated", unit="share of the light", above=0, at_most=1
    )
    share: float = field(default=SHARE, metadata=ABOUT_SHARE)

    def teach(self, view: TeachView) -> Setting:
        """Return the level that the stated loss of light leaves in order."""
        if self.least_gain is None:
            raise Abstained(
                "no loss of light was stated", "no least_gain", "the gain at which the sensor must still work"
            )
        found = statistics_of(view)
        guards = guards_of(view, found, self.share)
        dark, rise = view.dark_level, view.direction is Direction.RISE
        of_object, of_background = found.sign * guards.object - dark, found.sign * guards.background - dark
        bright, dim = (of_object, of_background) if rise else (of_background, of_object)
        above_dark(view, dark + bright, "the bright side")
        above_dark(view, dark + dim, "the dim side")
        dim = max(dim, least_light(found, bright))
        left = self.least_gain * bright
        if not left > dim:
            raise Abstained(
                "no fixed level survives the stated loss of light",
                f"at most {100 * max(0.0, 1 - dim / bright):.3g} % of the light may be lost",
                f"{100 * (1 - self.least_gain):.3g} %, as stated",
            )
        # The geometric mean: as many times above the dim side as below what is left of the bright one, since dirt takes
        # shares.
        level = dark + math.sqrt(dim * left)
        told: dict[str, Any] = {"bright": dark + bright, "dim": dark + dim, "largest_loss": 1 - dim / bright}
        lossy = found if rise else self._lossy(view, found)
        return place_on_events(self, view, found, found.sign * level, share=self.share, valley_of=lossy, **told)

    def _lossy(self, view: TeachView, found: EventStatistics) -> EventStatistics:
        """Return the statistics with the clear light of the gaps as it is behind dirty windows."""
        gain, up_dark = self.least_gain or 1.0, found.sign * view.dark_level
        return found.with_background(lambda heights: up_dark + gain * (heights - up_dark))
