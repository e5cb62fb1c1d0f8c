"""Whether the light's edges lie nearer to borders than they would by chance."""

from __future__ import annotations

import numpy as np

from teachlab.data.alignment.crossings import Crossings, Reaches
from teachlab.data.alignment.lags import Lags
from teachlab.model.arrays import Floats

LEAST = 11.0
"""Natural units of likelihood that passes of this light reach; they pay for the shifts and scatters that were tried.

Of 29400 simulated tables of other light (noise, sparks, slow waves, another line, 3 to 12 passes) 68 reached them. Of
200 tables each of their own light, with passes of 60 to 110 ms, 8 of 3 passes whose borders vary by 5 ms did not, and
4 of 5 passes whose borders vary by 8 ms.
"""
SPREADS = np.geomspace(0.5, 100, 20)
"""Standard deviations of borders that are tried, samples: steep edges and borders lie on whole samples."""
STRAYS = np.array([0.03, 0.1, 0.25, 0.5, 0.75, 0.9])
"""Shares of borders that are tried for those whose nearest edge is not their own."""


def evidence(
    start: Floats, end: Floats, crossings: Crossings, reach: Reaches, lags: Lags, *, exact: float = 0.0
) -> float:
    """Return how much likelier the edges of the light lie about borders than anywhere within their reach, in nats.

    `start`, `end` (shape (n,), samples): passes that were examined, moved by the shift of `lags`.
    `reach`: of these passes.
    `lags`: with the remaining deviations of these passes alone.
    `exact` (samples): no smaller spread is tried.

    Notes
    -----
    A border either has its own edge, normally about it, or the nearest of those that lie in its window by chance, or
    none. The likelihood of that mixture, of its best spread and share, is compared with that of chance alone. Edges
    nearby are not only counted: of few passes, a count takes a wide scatter for chance.

    References
    ----------
    Fits of a mixture with strays: Hogg, Bovy & Lang (2010), arXiv:1008.4686, section 3.
    """
    ratios, without = [], 0
    spreads = np.maximum(SPREADS, exact)
    sides = (
        (start, crossings.begins, reach.before, reach.inside, lags.begins),
        (end, crossings.ends, reach.inside, reach.after, lags.ends),
    )
    for places, edges, back, forth, left in sides:
        edges_there = edges.searchsorted(places + forth, side="right") - edges.searchsorted(places - back)
        by_chance = np.maximum(edges_there, 1) / np.maximum(back + forth, 1.0)
        known = ~np.isnan(left)
        own = np.exp(-0.5 * (left[known, None] / spreads) ** 2) / (spreads * np.sqrt(2 * np.pi))
        ratios.append(own / by_chance[known, None])
        without += int(np.count_nonzero(~known))
    ratio = np.concatenate(ratios)
    return float(
        max((np.log((1 - stray) * ratio + stray).sum(axis=0) + without * np.log(stray)).max() for stray in STRAYS)
    )
