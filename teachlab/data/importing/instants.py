"""One time per product, with borders from the light's own crossings."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from teachlab.data.quality.labelling import propose_passes
from teachlab.errors import TruthError
from teachlab.model.printable_text import number_of
from teachlab.model.recording import Recording
from teachlab.model.truth import Truth, TruthSource

SHOWN_ROWS = 5


def borders_from_light(recording: Recording, instants: Truth, where: str) -> tuple[Truth, str]:
    """Give instants the borders that the light shows near them.

    `instants`: short passes around the instants; labels and lots are kept.
    The passes returned are self-labelled. An instant takes the stretch of light that contains it, otherwise the nearest
    stretch within half the usual distance of two products; no stretch is taken twice. An instant without a stretch
    keeps the usual length and the usual position: a product that the light does not show stays a product.
    The text returned says what was found.
    Raises TruthError if no instant has an object in the light, or two passes overlap.
    """
    found = propose_passes(recording).truth
    at = (instants.start + instants.end) // 2
    taken = _matched(at, found.start, found.end)
    own = taken >= 0
    if not own.any():
        raise TruthError(
            f"{where}: the light shows no object at any of the {at.size} times. Do the clocks agree? --shift-ms"
        )
    length = round(float(np.median((found.end - found.start)[taken[own]])))
    before = round(float(np.median(at[own] - found.start[taken[own]])))
    start = np.where(own, found.start[taken], at - before)
    end = np.where(own, found.end[taken], at - before + length)
    # If the usual length reaches into a neighbour's light, this light belongs to the neighbour.
    start[1:] = np.where(~own[1:], np.maximum(start[1:], end[:-1]), start[1:])
    end[:-1] = np.where(~own[:-1], np.minimum(end[:-1], start[1:]), end[:-1])
    start, end = start.clip(min=0), end.clip(max=recording.samples)
    text = f"{int(own.sum())} of {at.size} times have an object in the light, whose crossings are their borders."
    if not own.all():
        rows = ", ".join(map(str, np.flatnonzero(~own)[:SHOWN_ROWS].tolist()))
        more = " …" if int((~own).sum()) > SHOWN_ROWS else ""
        text += f" The others keep the usual length of {number_of(length, 'sample')}: rows {rows}{more}."
    passes = replace(
        instants,
        start=start,
        end=end,
        source=TruthSource.SELF_LABELLED,
        uncertainty_samples=found.uncertainty_samples,
    )
    return passes, text


def _matched(at: NDArray[np.int64], start: NDArray[np.int64], end: NDArray[np.int64]) -> NDArray[np.int64]:
    """Return the stretch of every instant, −1 for none; a stretch goes to the instant nearest to its middle."""
    out = np.full(at.size, -1, np.int64)
    if start.size == 0:
        return out
    reach = np.median(np.diff(at)) / 2 if at.size > 1 else np.inf
    after = np.clip(np.searchsorted(end, at, side="right"), 0, start.size - 1)
    before = np.maximum(after - 1, 0)
    away = [np.maximum(np.maximum(start[k] - at, at - (end[k] - 1)), 0) for k in (after, before)]
    nearest, distance = np.where(away[0] <= away[1], after, before), np.minimum(*away)
    middle = np.abs(at - (start + end)[nearest] / 2)
    given: set[int] = set()
    for k in np.lexsort((middle, distance)).tolist():
        if distance[k] <= reach and int(nearest[k]) not in given:
            out[k] = nearest[k]
            given.add(int(nearest[k]))
    return out
