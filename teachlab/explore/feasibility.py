"""Whether any one level can work under several conditions or for several kinds of object, and what would help."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Any

import numpy as np

from teachlab.errors import TruthError
from teachlab.explore.stress import Stress, receiver_range
from teachlab.model.recording import Recording
from teachlab.model.setting import Polarity, Setting
from teachlab.model.truth import Truth
from teachlab.replay.evaluating import evaluated
from teachlab.score.scoring import excluded_trials
from teachlab.signal.evaluation import Clock
from teachlab.signal.output import onset_lag
from teachlab.signal.running import Hold, SustainedExtremes
from teachlab.signal.validity import Validity
from teachlab.signal.windows import Windows, border_evaluations


@dataclass(frozen=True, slots=True)
class Window:
    """Levels at which nothing is lost and nothing trips, for one condition and one kind of object.

    Parameters
    ----------
    condition, label : str
    background, objects : float, recording units
        The strongest background and the weakest object: a rise needs ``background < T <= objects``, a dip
        ``objects < T <= background``.
    rise : bool
    """

    condition: str
    label: str
    background: float
    objects: float
    rise: bool

    @property
    def low(self) -> float:
        """Levels must lie above it."""
        return self.background if self.rise else self.objects

    @property
    def high(self) -> float:
        """Levels must not lie above it."""
        return self.objects if self.rise else self.background

    @property
    def open(self) -> bool:
        """Whether there is any such level."""
        return self.low < self.high

    def as_dict(self) -> dict[str, Any]:
        """Return the plain JSON form."""
        return {
            "condition": self.condition, "label": self.label, "above": self.low, "up_to": self.high,
            "feasible": self.open,
        }  # fmt: skip


@dataclass(frozen=True, slots=True)
class Contradiction:
    """Two demands that no level meets together, or one that no level meets (`second` is None)."""

    first: Window
    second: Window | None
    helps: str

    def as_dict(self) -> dict[str, Any]:
        """Return the plain JSON form."""
        return {
            "first": self.first.as_dict(),
            "second": None if self.second is None else self.second.as_dict(),
            "what_would_help": self.helps,
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class Feasibility:
    """Windows of levels per condition and label, and where they exclude each other.

    Parameters
    ----------
    windows : tuple of Window
    common : tuple of float or None
        ``(above, up to)`` of the levels that serve all; None if there is none.
    contradictions : tuple of Contradiction
        Widest first.
    survivable_loss : float or None
        Largest share of light that any fixed level survives: ``1 − dark_hi / light_lo`` above the dark
        level, with the strongest dark side and the weakest light side; None where they overlap already.
    """

    windows: tuple[Window, ...]
    common: tuple[float, float] | None
    contradictions: tuple[Contradiction, ...]
    survivable_loss: float | None

    def as_dict(self) -> dict[str, Any]:
        """Return the plain JSON form."""
        return {
            "feasible": self.common is not None,
            "common_window": None if self.common is None else list(self.common),
            "survivable_loss": self.survivable_loss,
            "windows": [w.as_dict() for w in self.windows],
            "contradictions": [c.as_dict() for c in self.contradictions],
        }


def feasibility(
    recording: Recording,
    truth: Truth,
    setting: Setting,
    *,
    stresses: Sequence[Stress] = (),
    tolerance_ms: float = 0.0,
) -> Feasibility:
    """Find the levels that lose nothing, per label and per condition, and the demands that conflict.

    A level without hysteresis detects a pass if its sustained peak reaches it, and trips in a gap if the
    gap's does; a stress moves both. Every fixed setting needs such a level, so windows that exclude each
    other prove that no fixed setting serves both; an open window does not prove that one works, since
    merging and hysteresis are not looked at: count the surface.

    Parameters
    ----------
    recording, truth, setting
        The setting gives polarity, filter, delays and rate.
    stresses : sequence of Stress
        Conditions beside the unstressed one.
    tolerance_ms : float, ms
    """
    rise = setting.polarity is Polarity.LIGHT_ON
    peaks, gap, labels, extremes = _measure(recording, truth, setting, tolerance_ms)
    low, high = receiver_range(recording, *extremes)
    dark = recording.info.dark_level
    conditions = [("as recorded", Stress(1.0, dark=dark, low=low, high=high))]
    conditions += [
        (f"gain {s.gain:g}, ambient {s.ambient:g}, pedestal {s.pedestal:g}",
         Stress(s.gain, s.ambient, s.pedestal, dark, low, high)) for s in stresses
    ]  # fmt: skip
    windows = []
    for name, stress in conditions:
        for label in dict.fromkeys(labels):
            chosen = [p for p, of in zip(peaks, labels, strict=True) if of == label]
            weakest = min(chosen) if rise else max(chosen)
            moved = stress.apply(np.array([gap, weakest]))
            windows.append(Window(name, label, float(moved[0]), float(moved[1]), rise))
    above, up_to = max(w.low for w in windows), min(w.high for w in windows)
    common = (above, up_to) if above < up_to else None
    first = [w for w in windows if w.condition == conditions[0][0]]
    top = max(w.low for w in first) - dark
    bottom = min(w.high for w in first) - dark
    return Feasibility(
        windows=tuple(windows),
        common=common,
        contradictions=() if common else _contradictions(windows),
        survivable_loss=1 - max(top, 0.0) / bottom if bottom > 0 and top < bottom else None,
    )


def _measure(
    recording: Recording, truth: Truth, setting: Setting, tolerance_ms: float
) -> tuple[list[float], float, list[str], tuple[float, float]]:
    """Return the sustained peak of every trial pass, the strongest gap, labels, and the extremes of all light."""
    clock = Clock.of(recording.samples, recording.info.sample_rate_hz, setting.evaluation_rate_hz)
    lag = onset_lag(setting, clock)
    windows = Windows.of(truth, clock, border=border_evaluations(truth, clock, tolerance_ms), lag=lag)
    span = min(lag + 1, clock.count)
    passes = SustainedExtremes(windows.start, windows.stop, span)
    gaps = SustainedExtremes(windows.gap_start, windows.gap_stop, span)
    hold, validity = Hold(), Validity()
    low, high = math.inf, -math.inf
    for block in evaluated(recording.blocks(), clock):
        invalid = block.invalid_mask()
        validity.push(invalid, block.light.size)
        held = hold.push(block.light, invalid)
        if held.size:
            low, high = min(low, float(held.min())), max(high, float(held.max()))
            for into in (passes, gaps):
                into.push(block.start + block.light.size - held.size, held)
    pass_out, gap_out = excluded_trials(truth, windows, clock, validity.state(), lag=lag)
    rise = setting.polarity is Polarity.LIGHT_ON
    reach, other = (passes.high, gaps.high) if rise else (passes.low, gaps.low)
    rows = np.flatnonzero(truth.detect & ~pass_out & ~np.isnan(reach))
    ignored = np.flatnonzero(~truth.detect & ~pass_out & ~np.isnan(reach))
    background = np.concatenate((other[~gap_out & ~np.isnan(other)], reach[ignored]))
    if rows.size == 0 or background.size == 0:
        raise TruthError("feasibility needs a pass to be detected and a gap that are trials; log longer.")
    strongest = float(background.max() if rise else background.min())
    return reach[rows].tolist(), strongest, [str(x) for x in truth.label[rows]], (low, high)


def _contradictions(windows: Sequence[Window]) -> tuple[Contradiction, ...]:
    found = [(w.low - w.high, Contradiction(w, None, _help_alone(w))) for w in windows if not w.open]
    for a, b in combinations([w for w in windows if w.open], 2):
        apart = max(a.low, b.low) - min(a.high, b.high)
        if apart >= 0:
            found.append((apart, Contradiction(a, b, _help_pair(a, b))))
    found.sort(key=lambda item: -item[0])
    return tuple(c for _, c in found)


def _help_alone(w: Window) -> str:
    of = f"'{w.label}'" if w.label else "the weakest pass"
    return (
        f"The background reaches as far as {of} {w.condition}: no fixed level tells them apart. What would help: more "
        "contrast by mounting, background or sensing mode; an on-delay if the background peaks are shorter than the "
        "objects; a window comparator if objects may lie on either side of the background."
    )


def _help_pair(a: Window, b: Window) -> str:
    if a.condition != b.condition:
        return (
            "Each condition has levels of its own, none serves both. What would help: a level that tracks the "
            "background, cleaning or teaching again between the two, a cleaner window, or shielding from ambient light."
        )
    return (
        f"'{a.label}' and '{b.label}' need different levels. What would help: a setting per kind of object, a sensing "
        "mode that depends less on colour, or a window comparator."
    )
