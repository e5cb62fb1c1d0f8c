"""Whether truth shifted by a whole pass would fit the light nearly as well."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from teachlab.data.alignment.crossings import Crossings, Reaches
from teachlab.data.alignment.lags import Lags, nearest
from teachlab.model.arrays import Flags, Floats

TRIED = (-2, -1, 1, 2)
"""Whole passes that are also tried."""
NEARLY_AS_WELL = 0.8
"""A shift by whole passes cannot be separated from the best one if edges fit at least this share as often."""
NEAR_LIMIT = 0.1
"""Four standard errors of a share of 256 borders."""
FEWEST_MET = 0.25
"""A shift is no alternative if fewer borders than this share have an edge within half a pitch."""
FEWEST_TOLD = 2
"""A single border fits any shift."""


@dataclass(frozen=True, slots=True)
class OtherFit:
    """The fit of truth that is shifted by whole passes.

    `passes`: how many passes it is shifted.
    `shift` (samples): additional shift.
    `matched`: share of the borders that have a crossing within 1.5 jitters.
    `met`: share of the borders with a crossing within half a pitch. Lost and missing passes lower it, and `matched`
    with it, on a regular line too.
    `edges`: how many borders have such a crossing.
    """

    passes: int
    shift: float
    matched: float
    met: float
    edges: int = 0

    @property
    def agreeing(self) -> float:
        """Of the borders with a crossing within half a pitch, the share with a crossing within 1.5 jitters."""
        return self.matched / self.met if self.met else 0.0


def other_fits(
    start: Floats, end: Floats, crossings: Crossings, reach: Reaches, lags: Lags, runs: Sequence[tuple[int, int]]
) -> list[OtherFit]:
    """Return how well the truth fits unshifted (0 passes), and shifted by one and two passes.

    `start`, `end`, `crossings`, `reach`, `lags`: as `fit_lags` took and gave them.
    `runs`: passes ``[first, stop)`` that were examined.
    """
    moved = lags.shift.of(start), lags.shift.of(end)
    found = []
    pitch = float(np.median(np.diff(moved[0]))) if start.size > 1 else float(lags.shift.samples)
    for passes in (0, *TRIED):
        steps = [_pitch(start[a:b], passes) for a, b in runs]
        steps = [step for step in steps if step.size]
        if not steps:
            continue
        by = float(np.median(np.concatenate(steps)))
        hits = trials = met = 0
        shifts = []
        for places, seen, fit in ((moved[0], crossings.begins, lags.begin), (moved[1], crossings.ends, lags.end)):
            inside = _covered(places + by, moved, reach, runs)
            half = np.full(places.size, pitch / 2)
            off = nearest(seen, places + by + fit - lags.shift.shift, half, half)[inside]
            known = off[~np.isnan(off)]
            if known.size < (FEWEST_TOLD if passes else 1):
                continue
            shifts.append(float(np.median(known)))
            met += int(known.size)
            hits += int(np.count_nonzero(np.abs(known - shifts[-1]) <= lags.within))
            trials += int(np.count_nonzero(inside))
        if trials:
            found.append(OtherFit(passes, by + float(np.mean(shifts)), hits / trials, met / trials, met))
    return found


def own_fit(fits: list[OtherFit]) -> OtherFit:
    """Return how well the truth fits unshifted."""
    return next(fit for fit in fits if fit.passes == 0)


def ambiguous(fits: list[OtherFit]) -> bool:
    """Whether a shift by whole passes fits nearly as well as the unshifted truth."""
    enough = NEARLY_AS_WELL * own_fit(fits).agreeing
    return any(fit.agreeing >= enough and fit.met >= FEWEST_MET for fit in fits if fit.passes)


def fuller(fits: list[OtherFit]) -> int:
    """Return the shift by whole passes, of those that fit nearly as well, at which more borders have edges; or 0.

    On a regular line the empty pass at one end, with a product beyond the other, tells what nothing else does. Counts
    are compared, not shares: passes at an end in which nothing is seen leave a share when they are moved out.
    """
    own = own_fit(fits)
    near = [fit for fit in fits if fit.agreeing >= NEARLY_AS_WELL * own.agreeing]
    best = max(near, key=lambda fit: (fit.edges, -abs(fit.passes)))
    return best.passes if best.edges > own.edges else 0


def is_clear(fits: list[OtherFit]) -> bool:
    """Whether no other shift is so near to the limit of `ambiguous` that more passes could change the answer."""
    enough = NEARLY_AS_WELL * own_fit(fits).agreeing
    return all(abs(fit.agreeing - enough) > NEAR_LIMIT or fit.met < FEWEST_MET for fit in fits if fit.passes)


def _pitch(start: Floats, passes: int) -> Floats:
    far = abs(passes)
    return np.sign(passes) * (start[far:] - start[: start.size - far]) if far < start.size else np.empty(0)


def _covered(places: Floats, moved: tuple[Floats, Floats], reach: Reaches, runs: Sequence[tuple[int, int]]) -> Flags:
    """Return which places were examined in the light."""
    out = np.zeros(places.size, bool)
    for a, b in runs:
        low, high = moved[0][a] - reach.before[a], moved[1][b - 1] + reach.after[b - 1]
        out[a:b] = (places[a:b] >= low) & (places[a:b] <= high)
    return out
