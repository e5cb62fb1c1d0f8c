"""Sweep min/max: let product run by unlabelled, and place the level between the extremes of the light."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import ClassVar

import numpy as np

from teachlab.model.setting import Setting
from teachlab.model.teaching import Levels, Shown, TeachView
from teachlab.teaching.parameters import CheckedParameters, parameter, record
from teachlab.teaching.rules.classic import require, require_difference


class SweepExtremes(StrEnum):
    """Which extremes of the sweep count."""

    RAW = "raw"
    PASS_PEAKS = "pass-peaks"
    TRIMMED = "trimmed"


@dataclass(frozen=True, slots=True, kw_only=True)
class SweepMinmax(CheckedParameters):
    """Place the level between the extremes of a running sweep.

    Parameters
    ----------
    extremes : SweepExtremes
        `raw`: smallest and largest light; `pass-peaks`: the mean of the peaks of the passes stands for the
        object; `trimmed`: a share of the evaluations is left off at both ends.
    weight : float, share of the span, in (0, 1)
        phi: how far from the background extreme to the object extreme the level lies; 0.5 is the middle.
    trim : float, share of the evaluations, in [0, 0.5)
        Left off at either end, for `trimmed` and to find the passes for `pass-peaks`.
    hysteresis_share : float, share of the span, in [0, 1)
        Distance from the active level to the release.
    sweep_passes : int, passes, at least 1
        m: the sweep stops after this many.

    Notes
    -----
    Rise: T = min + phi·(max − min). Dip: T = max − phi·(max − min). H = `hysteresis_share` · (max − min).

    `trimmed` puts the quantiles `trim` and 1 − `trim` of all evaluations for min and max. `pass-peaks` puts
    the mean of the per-pass peaks for the extreme on the object's side. The sweep has no labels, so the
    passes are found by a switch of its own: a pass begins where the light crosses the middle of the trimmed
    extremes, and ends where it falls behind it by `hysteresis_share` of their span. Trimmed, since one glint
    would lift the middle of the raw extremes above every other object.

    When it fails: one glint or spike sets an extreme; the longer the sweep, the more likely. With products of
    several colours, the middle of the extremes loses the weakest. It does not take noise into account. It abstains
    where the span is zero.

    References
    ----------
    Common practice of dynamic teaching, no source; a hysteresis of 5 to 20 % of the span is usual.
    Sample quantiles: Hyndman & Fan 1996, type 7 (the default of `numpy.quantile`).

    Examples
    --------
    >>> SweepMinmax(sweep_passes=3).sweep_passes
    3
    """

    name: ClassVar[str] = "sweep-minmax"
    needs: ClassVar[frozenset[Shown]] = frozenset({Shown.SWEEP})

    extremes: SweepExtremes = parameter(SweepExtremes.RAW, "which extremes of the sweep count")
    weight: float = parameter(
        0.5, "distance of the level from the background", unit="share of the span", above=0, below=1
    )
    trim: float = parameter(
        0.01,
        "left off at either end, for trimmed and pass-peaks",
        unit="share of the evaluations",
        at_least=0,
        below=0.5,
    )
    hysteresis_share: float = parameter(
        0.1, "distance of the release from the level", unit="share of the span", at_least=0, below=1
    )
    sweep_passes: int = parameter(5, "the sweep stops after this many", unit="passes", at_least=1)

    def teach(self, view: TeachView) -> Setting:
        """Return the level between the extremes of the sweep shown."""
        sweep = view.sweep
        require(sweep.valid, "in the sweep")
        # Upwards is towards the object from here on: dips are mirrored exactly.
        upward = view.sign * sweep.valid
        found: dict[str, int] = {}
        if self.extremes is SweepExtremes.TRIMMED:
            low, high = _trimmed(upward, self.trim)
        else:
            low, high = float(upward.min()), float(upward.max())
        if self.extremes is SweepExtremes.PASS_PEAKS:
            peaks = _pass_peaks(upward, self.trim, self.hysteresis_share)
            high, found = float(peaks.mean()), {"passes_found": int(peaks.size)}
        span = require_difference(view, high - low, "the sweep shows no span")
        level = view.sign * (low + self.weight * span)
        extremes = sorted((view.sign * low, view.sign * high))
        told = record(self, low=extremes[0], high=extremes[1], passes=sweep.passes, **found)
        return view.place(level, self.hysteresis_share * span, told)


def _trimmed(upward: Levels, share: float) -> tuple[float, float]:
    low, high = np.quantile(upward, [share, 1 - share])
    return float(low), float(high)


def _pass_peaks(upward: Levels, trim: float, hysteresis_share: float) -> Levels:
    """Return the peak of every pass that a switch at the middle of the trimmed extremes finds.

    `upward` (shape (n,), recording units, objects upwards): valid evaluations, at least one.
    """
    low, high = _trimmed(upward, trim)
    begin = (low + high) / 2
    end = begin - hysteresis_share * (high - low)
    # +1 begins a pass, −1 ends it, 0 holds: the state is that of the last code other than 0.
    code = (upward >= begin).astype(np.int8) - (upward < end).astype(np.int8)
    told = np.flatnonzero(code)
    # As if it were dark before: a pass that is there at the start begins there.
    change = told[np.flatnonzero(np.diff(code[told], prepend=np.int8(-1)))]
    starts, ends = change[code[change] > 0], change[code[change] < 0]
    if ends.size < starts.size:
        ends = np.append(ends, upward.size)
    borders = np.column_stack([starts, ends]).ravel()
    borders = borders[:-1] if borders[-1] == upward.size else borders
    return np.maximum.reduceat(upward, borders)[::2]
