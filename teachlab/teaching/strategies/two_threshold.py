"""Two-threshold window: for objects that may be brighter or darker than the background."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from teachlab.errors import Abstained
from teachlab.light.event_statistics import EventStatistics, measure_events
from teachlab.model.following_and_window import WindowSetting
from teachlab.model.printable_text import number_of
from teachlab.model.setting import Polarity, Setting
from teachlab.model.teaching import Shown, TeachView
from teachlab.teaching.parameters import CheckedParameters, parameter, record
from teachlab.teaching.rules.classic import show
from teachlab.teaching.rules.guard_parameters import ABOUT_POSITION, ABOUT_SHARE, POSITION, SHARE
from teachlab.teaching.rules.labelled_events import HOLD_EVALUATIONS, Waits

MIN_PASSES = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class TwoThreshold(CheckedParameters):
    """Place one level above and one below the background; the output is active beyond either.

    Parameters
    ----------
    position : float, share of the distance, in (0, 1)
        phi: how far from the background guard to the object guard a level lies.
    share : float, share of the events, in [0, 0.5)
        a: how many passes may stay short of the object guard, and how many gaps reach beyond the background's.
    hysteresis_share : float, share of the distance
        Distance of the release from the level, as a share of the level's distance from the background.

    Notes
    -----
    With U the sustained highs and D the sustained lows of passes or gaps: B⁺ = q_{1−a}(U of gaps),
    B⁻ = q_a(D of gaps). Every pass counts on the side on which it reaches further: up by U − B⁺, down by
    B⁻ − D. S⁺ and S⁻ are the a-quantiles of those reaches; a side that no pass took has the reach of the
    other. Levels: B⁺ + phi·S⁺ and B⁻ − phi·S⁻. With the median b of the gaps, the upper release is
    `hysteresis_share` · (level − b) below its level, the lower one mirrored.

    The direction of the objects is not used, and need not be known. When it fails: where light and dark parts of
    one object follow each other, the light between them lies within the window, and without an off-delay the
    object counts twice. Where the background varies widely on both sides, it makes twice the false trips of one
    level. It abstains with fewer than 3 passes, or if some passes reach beyond the gaps on neither side.

    References
    ----------
    Common practice of window comparators, no source.

    Examples
    --------
    >>> TwoThreshold().hysteresis_share
    0.25
    """

    name: ClassVar[str] = "two-threshold"
    needs: ClassVar[frozenset[Shown]] = frozenset({Shown.EVENTS})
    either_direction: ClassVar[bool] = True
    equivariant: ClassVar[frozenset[str]] = frozenset({"gain", "offset"})

    position: float = field(default=POSITION, metadata=ABOUT_POSITION)
    share: float = field(default=SHARE, metadata=ABOUT_SHARE)
    hysteresis_share: float = parameter(
        0.25, "distance of the release", unit="share of the distance", at_least=0, at_most=0.95
    )

    def teach(self, view: TeachView) -> Setting:
        """Return the window about the gaps shown."""
        wait = Waits.of(view).onset
        # The second time upside down: the lows of the light are then peaks, and the same rules serve both sides.
        high, low = (
            measure_events(view.events, sign, hold=max(HOLD_EVALUATIONS, wait), gap_hold=wait) for sign in (1, -1)
        )
        if high.peaks.size < MIN_PASSES or high.gap_peaks.size == 0:
            raise Abstained(
                "too few passes or gaps with valid light were shown",
                f"{number_of(high.peaks.size, 'pass', 'passes')} and {number_of(high.gap_peaks.size, 'gap')}",
                f"at least {MIN_PASSES} passes and 1 gap",
            )
        above, below = self._reaches(view, high, low)
        background = high.background
        upper = self._guard(high) + self.position * above
        lower = -self._guard(low) - self.position * below
        if not (lower < upper and lower <= background <= upper):
            raise Abstained(
                "the background swings faster than the output answers, and leaves no window between its two sides",
                f"lower {show(view, lower)}, background {show(view, background)}, upper {show(view, upper)}",
                "ascending levels",
            )
        told = {"background": background, "passes": int(high.peaks.size), "reach_above": above, "reach_below": below}
        return WindowSetting.of(
            view.base,
            on_level=upper,
            high_release=upper - self.hysteresis_share * max(upper - background, 0.0),
            low_release=lower + self.hysteresis_share * max(background - lower, 0.0),
            off_level=lower,
            polarity=Polarity.LIGHT_ON,
            taught=record(self, **told),
        )

    def _guard(self, found: EventStatistics) -> float:
        return float(np.quantile(np.concatenate([found.gap_peaks, found.ignored_peaks]), 1 - self.share))

    def _reaches(self, view: TeachView, high: EventStatistics, low: EventStatistics) -> tuple[float, float]:
        up, down = high.peaks - self._guard(high), low.peaks - self._guard(low)
        brighter = up >= down

        def weakest(reach: NDArray[np.float64]) -> float | None:
            return float(np.quantile(reach, self.share)) if reach.size else None

        above, below = weakest(up[brighter]), weakest(down[~brighter])
        short = min(reach for reach in (above, below) if reach is not None)
        if short <= 0:
            raise Abstained(
                "some passes reach beyond the gaps neither upwards nor downwards: the contrast is too small",
                f"the weakest {self.share:.2g} quantile reaches {show(view, short)} beyond them",
                f"more than {show(view, 0.0)}",
            )
        return above if above is not None else short, below if below is not None else short
