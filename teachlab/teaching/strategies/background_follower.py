"""Background follower: levels that keep their distance from a background that moves."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from teachlab.errors import Abstained
from teachlab.light.event_statistics import EventStatistics
from teachlab.light.noise import median
from teachlab.model.following_and_window import Follow, FollowingSetting
from teachlab.model.setting import Setting
from teachlab.model.teaching import Events, Shown, TeachView
from teachlab.teaching.parameters import CheckedParameters, parameter, record
from teachlab.teaching.rules.classic import above_dark, show
from teachlab.teaching.rules.labelled_events import statistics_of

Positions = NDArray[np.int64]


@dataclass(frozen=True, slots=True, kw_only=True)
class BackgroundFollower(CheckedParameters):
    """Keep the level at a distance from the background, and follow the background while no object is there.

    Parameters
    ----------
    follow : Follow
        gain: the distance is a share of the light above dark; offset: an amount of light.
    distance : float, share of the light above dark for gain, recording units for offset, optional
        Distance of the level from the background; none: taken from the events.
    position, share : float
        Without `distance`: phi and a of the quantile guard, on distances from the local background.
    hysteresis_share : float, share of the distance
        Distance of the release from the level.
    time_constant : float, evaluations
        In which the reference covers 63 % of a step; 1 / alpha.
    guard : float, share of the distance
        Light further from the reference than this does not count as background.
    release_after_s : float, s
        Once nothing counted as background for so long, the light that is there becomes the background.
    lowest : float, share of the light above dark
        The reference is held, and the alarm raised, below this share of the taught background and at full scale.

    Notes
    -----
    The local background b_k of an event is interpolated between the medians of the gaps around it. With the
    sustained peaks P_k of the passes and G_j of the gaps, and s = ±1 the direction of the objects, distances
    are d = s·(P_k − b_k) for offset and d = s·(P_k − b_k)/(b_k − dark) for gain. Then S = q_a(d of passes),
    B = q_{1−a}(d of gaps), distance D = B + phi·(S − B). T = b ± D for offset, T = b ± D·(b − dark) for
    gain, H = `hysteresis_share` · |T − b|; b is the median of the gap medians. How the reference follows is in
    ``teachlab/switching/SWITCHING.md``.

    When it fails: on a step of the background that reaches the level faster than the reference follows. The output
    is then stuck until `release_after_s`. An object at rest for longer than that becomes background. A fast follower
    without a guard follows what is brighter or darker within an object, and then no longer switches.
    It abstains with fewer than 3 passes, if S ≤ B, and for gain without light above dark.

    References
    ----------
    Exponential smoothing of a background: common practice, no source.

    Examples
    --------
    >>> BackgroundFollower(follow="gain", distance=0.065).time_constant
    1000.0
    """

    name: ClassVar[str] = "background-follower"
    needs: ClassVar[frozenset[Shown]] = frozenset({Shown.EVENTS})

    follow: Follow = parameter(Follow.OFFSET, "whether distances are amounts or ratios of light")
    distance: float | None = parameter(
        None, "distance of the level from the background; none: from the events", unit="see follow", above=0
    )
    position: float = parameter(0.5, "distance from the background guard", unit="share", above=0, below=1)
    share: float = parameter(0.01, "events that may lie beyond a guard", unit="share", at_least=0, below=0.5)
    hysteresis_share: float = parameter(
        0.35, "distance of the release", unit="share of the distance", at_least=0, at_most=0.95
    )
    time_constant: float = parameter(
        1000.0, "time constant of the reference", unit="evaluations", at_least=1e-3, at_most=1e7
    )
    guard: float = parameter(0.9, "light that still counts as background", unit="share of the distance", above=0)
    release_after_s: float = parameter(120.0, "patience before the reference is set anew", unit="s", above=0)
    lowest: float = parameter(0.2, "lower limit of the reference", unit="share of the light above dark", above=0)

    @property
    def equivariant(self) -> frozenset[str]:
        """Ratios follow a gain, amounts an offset, and amounts taken from the events both."""
        if self.follow is Follow.GAIN:
            return frozenset({"gain"})
        return frozenset({"offset"}) if self.distance is not None else frozenset({"gain", "offset"})

    def teach(self, view: TeachView) -> Setting:
        """Return levels that follow the background of the gaps shown."""
        found = statistics_of(view)
        at, medians = gap_medians(view.events)
        if medians.size == 0:
            raise Abstained("no gap has valid light to follow", "0 gaps with a valid evaluation", "at least 1")
        background = float(np.median(medians))
        gain = self.follow is Follow.GAIN
        if gain:
            above_dark(view, float(medians.min()), "the darkest gap")
        distance = self._from_events(view, found, at, medians) if self.distance is None else self.distance
        scale = background - view.dark_level if gain else 1.0
        level = background + view.sign * distance * scale
        if gain:
            above_dark(view, level, "the level")
        width = self.hysteresis_share * abs(level - background)
        if not view.sign * (level - background) - width > 0 or level - view.sign * width == background:
            raise Abstained(
                "the release is not beyond the background: the distance is lost in the rounding of the light",
                f"distance {show(view, distance * scale)} from {show(view, background)}",
                "a distance that is larger than the noise of the background",
            )
        told = {"background": background, "passes": int(found.peaks.size), "distance": distance}
        placed = view.place(level, width, record(self, **told))
        low, high = self._limits(view, background)
        return FollowingSetting.of(
            placed,
            reference=background,
            low_limit=low,
            high_limit=high,
            follow=self.follow,
            dark_level=view.dark_level,
            time_constant_ms=self.time_constant * 1000 / view.rate_hz,
            guard=self.guard,
            release_after_ms=self.release_after_s * 1000,
        )

    def _from_events(
        self, view: TeachView, found: EventStatistics, at: Positions, medians: NDArray[np.float64]
    ) -> float:
        def distances(heights: NDArray[np.float64], where: Positions) -> NDArray[np.float64]:
            # Distances from the background beside each event, not from the overall background: this is what a follower
            # will see.
            local = np.interp(where, at, medians)
            apart = heights - view.sign * local
            return apart / (local - view.dark_level) if self.follow is Follow.GAIN else apart

        with np.errstate(over="ignore", invalid="ignore"):  # next to no light: such a ratio is refused below
            objects = float(np.quantile(distances(found.peaks, found.peak_at), self.share))
            gaps = float(np.quantile(distances(found.gap_peaks, found.gap_at), 1 - self.share))
        if not (math.isfinite(objects) and objects > max(gaps, 0.0)):
            unit = "of the light above dark" if self.follow is Follow.GAIN else view.unit
            raise Abstained(
                "no distance from the local background has the objects on one side and the gaps on the other",
                f"weakest passes {objects:.6g} {unit}, strongest gaps {gaps:.6g} {unit}",
                "the first above the second",
            )
        gaps = max(gaps, 0.0)
        return gaps + self.position * (objects - gaps)

    def _limits(self, view: TeachView, background: float) -> tuple[float, float]:
        above = abs(background - view.dark_level)
        low = background - (1 - self.lowest) * above if self.lowest < 1 else background
        high = view.full_scale if view.full_scale is not None else background + 4 * max(above, 1.0)
        if high < background:
            raise Abstained("the background is above full scale", show(view, background), f"at most {show(view, high)}")
        return min(low, background), high


def gap_medians(events: Events) -> tuple[Positions, NDArray[np.float64]]:
    """Return the middle of every gap with valid light, in evaluations, and the median light of each.

    A gap lies outside every pass widened by the border uncertainty; `events` must hold one at least.
    """
    starts = np.concatenate([[0], events.end + events.guard])
    stops = np.concatenate([events.start - events.guard, [events.light.size]])
    at, medians = [], []
    for a, b in zip(starts.tolist(), stops.tolist(), strict=True):
        # A border widened by its uncertainty may lie before the stretch: a negative number would count from its end.
        light = events.light[max(a, 0) : max(b, 0)]
        light = light[~np.isnan(light)]
        if light.size:
            at.append((a + b) // 2)
            medians.append(median(light))
    return np.array(at, np.int64), np.array(medians)
