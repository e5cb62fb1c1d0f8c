"""Stepped trim: turn the level until the output flips, then one step back, as people do by hand."""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum
from typing import ClassVar

import numpy as np

from teachlab.errors import Abstained
from teachlab.model.printable_text import number_of
from teachlab.model.setting import Setting
from teachlab.model.teaching import Shown, TeachView
from teachlab.teaching.parameters import CheckedParameters, parameter, record
from teachlab.teaching.rules.classic import require_difference, show
from teachlab.teaching.rules.labelled_events import active_at, backgrounds, statistics_of, told


class Flip(StrEnum):
    """What passes by while the level is turned."""

    OBJECT = "object"
    BACKGROUND = "background"


@dataclass(frozen=True, slots=True, kw_only=True)
class SteppedTrim(CheckedParameters):
    """Move the level in steps until the output flips over what is shown, then one step back.

    Parameters
    ----------
    flip : Flip
        `object`: from the background towards the objects until one of the shown pieces is no longer
        detected; `background`: from the objects towards the background until the empty sensor switches.
    pieces : int, passes, at least 1
        How many pieces, and gaps, pass by while somebody turns.
    steps : int, at least 2
        Steps of the trim over the distance between the background and the strongest piece.
    hysteresis_share : float, share of the distance, in [0, 1)
        Distance from the level to the release, as built.

    Notes
    -----
    With objects upwards, b the median of the background, p_max and p_min the peaks of the strongest and the
    weakest of the first `pieces` passes shown, g the highest of as many gaps, and a step of
    s = (p_max − b)/`steps`:

    - `object`: T = b + s·⌊(p_min − b)/s⌋, the last step at which all pieces were detected;
    - `background`: T = p_max − s·(⌈(p_max − g)/s⌉ − 1), the last step at which no gap switched.

    What it costs: the level lies within one step of the class towards which it was turned. Its margin there is that
    of a few pieces; the next piece that is weaker is lost.

    When it fails: on most lines. It is here to compare it with rules that use both classes. It abstains if the
    output flips in the first step, and where background and objects do not differ.

    References
    ----------
    Common practice of setting a sensor by hand, no source.

    Examples
    --------
    >>> SteppedTrim(flip="background").pieces
    5
    """

    name: ClassVar[str] = "stepped-trim"
    needs: ClassVar[frozenset[Shown]] = frozenset({Shown.EVENTS})
    equivariant: ClassVar[frozenset[str]] = frozenset({"gain", "offset"})

    flip: Flip = parameter(Flip.OBJECT, "what passes by while the level is turned")
    pieces: int = parameter(5, "pieces that pass by meanwhile", unit="passes", at_least=1)
    steps: int = parameter(20, "steps between the background and the strongest piece", unit="steps", at_least=2)
    hysteresis_share: float = parameter(
        0.05, "distance of the release from the level", unit="share of the distance", at_least=0, below=1
    )

    def teach(self, view: TeachView) -> Setting:
        """Return the last step before the output flipped."""
        found = statistics_of(view, passes=1)
        peaks, gaps = found.peaks[: self.pieces], backgrounds(found)[: self.pieces]
        low, high = found.background, float(peaks.max())
        span = require_difference(view, high - low, "the strongest piece is at the level of the background")
        step = require_difference(view, span / self.steps, "the steps are too small to be separated")
        if self.flip is Flip.OBJECT:
            # What a person does at a trimmer: step until the output fails for the first time, then go one step back.
            taken = math.floor((float(peaks.min()) - low) / step)
            # A step may end at the peak of the weakest piece, which is detected there. Rounding, and light that must
            # lie below an off-level, would lose it.
            level = min(low + taken * step, active_at(found, float(peaks.min())))
        else:
            # A step that ends at the peak of a gap switches there.
            taken = math.ceil((high - float(gaps.max())) / step) - 1
            level = max(high - taken * step, math.nextafter(float(gaps.max()), math.inf))
        if not (span > 0 and taken >= 1):
            raise Abstained(
                "the output flips in the first step",
                f"{number_of(max(taken, 0), 'step')} of {show(view, abs(step))}",
                "at least 1 step before the output flips: more contrast, or finer steps",
            )
        evidence = told(
            found,
            pieces=int(peaks.size),
            weakest=found.sign * float(peaks.min()),
            step=step,
            steps_taken=taken,
            background=found.sign * low,
        )
        width = min(self.hysteresis_share * span, float(np.abs(level - low)))
        return view.place(found.sign * level, width, record(self, **evidence))
