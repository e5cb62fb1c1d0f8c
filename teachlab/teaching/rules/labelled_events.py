"""Common parts of the strategies on labelled events: statistics of a view, the two guards, and contradictions."""

from __future__ import annotations

import hashlib
import math
from collections import Counter, OrderedDict
from dataclasses import dataclass, replace
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from teachlab.errors import Abstained
from teachlab.light.event_statistics import EventStatistics, measure_events
from teachlab.light.noise import SIGMA, deviation, median, quantile
from teachlab.light.shown.tabled_light import TabledEvents, once_shown
from teachlab.model.printable_text import number_of
from teachlab.model.teaching import Events, TeachView, polarity_of
from teachlab.sensor.clock import delay_evaluations
from teachlab.teaching.rules.classic import show

Heights = NDArray[np.float64]

HOLD_EVALUATIONS = 3
"""A pass must last this long at its peak, or longer if filter and delays require it."""
RARE_PASSES = 5
"""If a kind was shown less often than this, its weakest pieces are unknown."""
COMMON_PASSES = 20
"""... if another kind was shown at least this often."""
SATURATED_SHARE = 0.5
"""If this share of the events of a class is at the end of the scale, its spread cannot be measured."""
PARTS = 4
"""The stretch is divided into this many parts to find conditions that change in time."""
LEAST_STEPS = 2
"""Light above dark counts as at least this many steps of the converter, because a ratio needs a value above zero."""
KEPT = 256

_cache: OrderedDict[tuple[Any, ...], EventStatistics] = OrderedDict()


@dataclass(frozen=True, slots=True)
class Waits:
    """What filter and delays of the base setting require of the light, in evaluations.

    `onset`: evaluations in a row that switch the output on: ``lag + 1``.
    `release`: evaluations in a row that release it.
    """

    onset: int
    release: int

    @classmethod
    def of(cls, view: TeachView) -> Waits:
        """Return the waits of a view: the delay before an onset, and the delay before a release."""
        base = replace(view.base.switching, polarity=polarity_of(view.direction))
        back, hold = (delay_evaluations(ms, view.rate_hz) for ms in (base.holds_back_ms, base.holds_on_ms))
        return cls(base.consecutive + back, base.consecutive + hold)


def statistics_of(view: TeachView, *, passes: int = 3, rare_kinds: bool = False) -> EventStatistics:
    """Return the statistics of the events shown; abstain if there is too little to measure.

    `passes`: fewest usable passes.
    `rare_kinds`: whether a kind may have been shown very few times.

    Raises `Abstained` with fewer usable passes, without a usable gap, or, unless `rare_kinds`, if one of several kinds
    was shown very few times.
    """
    waits = Waits.of(view)
    found = _measured(view.events, view.sign, waits)
    if found.peaks.size < passes:
        raise Abstained(
            "too few passes with valid light were shown",
            f"{found.peaks.size} usable passes, {found.passes_left_out} left out for invalid light",
            f"at least {passes}",
        )
    if found.gap_peaks.size == 0:
        raise Abstained(
            "no gap between the passes was shown: they and their border uncertainty leave none",
            f"0 usable gaps, {found.gaps_left_out} left out for invalid light",
            "at least 1 gap",
        )
    for kinds, what in ((found.kinds, "to be detected"), (found.ignored_kinds, "to be ignored")):
        if not rare_kinds:
            _require_common(kinds, what)
    return found


def _measured(events: Events, sign: int, waits: Waits) -> EventStatistics:
    """Measure events; many strategies are shown the same ones, so the last results are kept by content."""
    hold = max(HOLD_EVALUATIONS, waits.onset)
    measure = partial(measure_events, events, sign, hold=hold, gap_hold=waits.onset, release_hold=waits.release)
    if isinstance(events, TabledEvents):
        return once_shown(events, (sign, waits), measure)
    # Ten strategies use the same events, draw after draw: measured once, and found again by content. The key is a
    # digest, because arrays cannot be keys; two showings with equal bytes are the same showing.
    digest = hashlib.blake2b(digest_size=16)
    for values in (events.light, events.start, events.end, events.detect):
        digest.update(np.ascontiguousarray(values).data)
    key = (digest.digest(), tuple(events.label.tolist()), events.light.size, events.guard, sign, waits)
    if key in _cache:
        _cache.move_to_end(key)
        return _cache[key]
    found = _cache[key] = measure()
    while len(_cache) > KEPT:
        _cache.popitem(last=False)
    return found


def _require_common(kinds: NDArray[np.object_], what: str) -> None:
    counts = Counter(kinds.tolist())
    # In a short showing every kind is rare, and none can be required to be common.
    if not counts or max(counts.values()) < COMMON_PASSES:
        return
    kind, few = min(counts.items(), key=lambda item: (item[1], str(item[0])))
    if few < RARE_PASSES:
        raise Abstained(
            f"too few passes of the kind '{kind}' {what} were shown to say how weak it gets",
            f"{few} of {number_of(kinds.size, 'pass', 'passes')}",
            f"at least {RARE_PASSES}, or none: show a longer stretch",
        )


@dataclass(frozen=True, slots=True)
class Guards:
    """The weakest objects and the strongest background, heights: objects upwards.

    `object` (recording units): S: this share a of the passes of the weakest kind stays below it.
    `background` (recording units): B: this share a of the gaps, or of the passes of an `ignore` kind, reaches above it.
    `weakest`, `strongest`: the kind that gives S, and the source of B.
    `strong` (recording units): the peaks of that source.
    """

    object: float
    background: float
    weakest: str
    strongest: str
    strong: Heights

    def told(self, sign: int) -> dict[str, Any]:
        """Return what a record says of them, as light."""
        levels = {"object_guard": sign * self.object, "background_guard": sign * self.background}
        return levels | {"weakest": self.weakest, "strongest": self.strongest}


def guards_of(view: TeachView, found: EventStatistics, share: float) -> Guards:
    """Return the two guards; abstain if they overlap, and name the contradiction.

    `share` (in [0, 0.5)): a: share of the events of a class that may lie beyond its guard.

    Raises `Abstained` if the weakest objects do not reach above the strongest background.
    """
    guards = _guards(found, share)
    if guards.object > guards.background:
        return guards
    reason = contradiction(found, share) or (
        "no fixed level has the objects on one side and the background on the other: the contrast is too small"
    )
    raise Abstained(
        reason,
        f"{_called('the weakest passes', guards.weakest)} reach {show(view, found.sign * guards.object)}, but "
        f"{guards.strongest} reach {show(view, found.sign * guards.background)}, {100 * share:.2g} % of each left out",
        "passes that reach further from the background than all gaps and all objects to be ignored",
    )


def contradiction(found: EventStatistics, share: float) -> str:
    """Return which conditions of the events need levels that exclude each other; empty if the classes just overlap."""
    return _ignored(_guards(found, share)) or _drifting(found)


def _guards(found: EventStatistics, share: float) -> Guards:
    weakest = min((quantile(p, share), k) for k, p in by_kind(found.peaks, found.kinds))
    strong = [("the gaps", found.gap_peaks)]
    for kind, peaks in by_kind(found.ignored_peaks, found.ignored_kinds):
        strong.append((_called("the passes to be ignored", kind), peaks))
    background, name, k = max((quantile(peaks, 1 - share), name, k) for k, (name, peaks) in enumerate(strong))
    return Guards(weakest[0], background, weakest[1], name, strong[k][1])


def by_kind(peaks: Heights, kinds: NDArray[np.object_]) -> list[tuple[str, Heights]]:
    """Return the peaks of every kind; labels that hardly repeat are names of pieces, not of kinds, and are pooled."""
    names = sorted(set(kinds.tolist()), key=str)
    # Labels that are serial numbers are no kinds: quantiles of one piece each would mean nothing.
    if len(names) > max(1, kinds.size // RARE_PASSES):
        return [("all", peaks)]
    return [(str(name), peaks[kinds == name]) for name in names]


def _ignored(guards: Guards) -> str:
    if guards.strongest == "the gaps":
        return ""
    return (
        f"no fixed level can separate {_called('the passes', guards.weakest)} from {guards.strongest}: "
        "the levels that suit the two do not meet"
    )


def _called(what: str, kind: str) -> str:
    """Return passes with the name of their kind, if they have one."""
    return f"{what} '{kind}'" if kind else what


def _drifting(found: EventStatistics) -> str:
    """Return which parts of the stretch need levels that exclude each other, though each part has a level."""
    count = found.peaks.size
    if count < 2 * PARTS:
        return ""
    # Quarters by number of passes: each has a range of suitable levels, and the question is whether these ranges
    # overlap.
    borders = found.peak_at[np.linspace(0, count, PARTS + 1).astype(int)[1:-1]]
    of_pass, of_gap = (np.searchsorted(borders, at, side="right") for at in (found.peak_at, found.gap_at))
    window = [
        (float(found.gap_peaks[of_gap == k].max(initial=-math.inf)), float(found.peaks[of_pass == k].min()))
        for k in range(PARTS)
    ]
    if any(low >= high for low, high in window):
        return ""
    low = max(range(PARTS), key=lambda k: window[k][0])
    high = min(range(PARTS), key=lambda k: window[k][1])
    if window[low][0] < window[high][1]:
        return ""
    ends = sorted(found.sign * level for level in (window[low][0], window[high][1]))
    return (
        f"the light moved while it was shown: a level suits every quarter of the passes, but that of quarter "
        f"{low + 1} and that of quarter {high + 1} do not meet ({ends[0]:.6g} and {ends[1]:.6g}); "
        "no fixed level can do this, one that follows the background may"
    )


def require_spread(view: TeachView, found: EventStatistics) -> None:
    """Abstain if a class is at the end of the scale: no spread there does not mean certainty.

    For rules that measure the spread of a class.
    """
    for heights, what in ((found.peaks, "passes"), (found.gap_peaks, "gaps")):
        light = found.sign * heights
        # Clipped values are all equal: a spread of 0 there is a limit of the log, not certainty about the light.
        at_end = light <= min(0.0, view.dark_level)
        if view.full_scale is not None:
            at_end |= light >= view.full_scale
        share = float(np.mean(at_end))
        if share >= SATURATED_SHARE:
            raise Abstained(
                f"the {what} sit at the end of the scale, so their spread cannot be measured: saturated light "
                "has no variance, which is not certainty",
                f"{100 * share:.0f} % of the {what} at the end of the scale",
                f"less than {100 * SATURATED_SHARE:.0f} %",
            )


def wrong_side(measured: str) -> Abstained:
    """Return the abstention of a rule by which the passes lie on the side of the gaps."""
    return Abstained(
        "the middle of the passes is not on the object's side of the middle of the gaps: the contrast is too small",
        measured,
        "passes on the object's side",
    )


def least_active(found: EventStatistics, level: float) -> float:
    """Return the least height at which the output is active: a rise is active at its level, a dip only above it.

    Light begins at ``x >= on_level``, so upside down the level itself is not active.
    """
    return level if found.sign > 0 else math.nextafter(level, math.inf)


def active_at(found: EventStatistics, height: float) -> float:
    """Return the highest level at which the output is active at a height."""
    return height if found.sign > 0 else math.nextafter(height, -math.inf)


def backgrounds(found: EventStatistics) -> Heights:
    """Return the peaks of everything that must not switch the output: gaps, and `ignore` passes."""
    return np.concatenate([found.gap_peaks, found.ignored_peaks])


def least_light(found: EventStatistics, bright: float) -> float:
    """Return the smallest value that light above dark counts as, recording units: two steps of the converter.

    There is none if two steps are more than a tenth of the bright side: so few levels show no step.
    """
    floor = LEAST_STEPS * (found.step or 0.0)
    return floor if floor <= bright / 10 else 0.0


def robust(values: Heights, floor: float) -> tuple[float, float]:
    """Return median and robust standard deviation, the latter at least `floor`.

    ``1.4826 · MAD``: the standard deviation of a normal distribution with this MAD (Hampel 1974).

    Examples
    --------
    >>> robust(np.array([1.0, 2.0, 3.0, 100.0]), 0.5)
    (2.5, 1.4826)
    """
    return median(values), max(SIGMA * deviation(values), floor)


def told(found: EventStatistics, **more: Any) -> dict[str, Any]:
    """Return the numbers that every setting taught on events records; heights are converted back to light."""

    def number(value: float | None) -> float | None:
        return value if value is not None and math.isfinite(value) else None

    return {
        "passes": int(found.peaks.size),
        "gaps": int(found.gap_peaks.size),
        "passes_left_out": found.passes_left_out,
        "noise_background": number(found.noise_background),
        "noise_object": number(found.noise_object),
        "edge_evaluations": number(found.edge),
        "edge_range": number(found.edge_range),
        **{key: number(value) if isinstance(value, float) else value for key, value in more.items()},
    }
