"""Whether the light's edges lie nearer to borders than they would by chance."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from teachlab.data.alignment.crossings import Crossings, Reaches
from teachlab.data.alignment.lags import Lags

Floats = NDArray[np.float64]

LEAST, LEAST_PER_BORDER = 8.0, 0.2
"""Natural units of likelihood that passes of this light reach.

The first pays for the shifts and rates that were tried, the second for light that has a rhythm of its own: of 2400
simulated tables of other light (noise, sparks, slow waves, another line, 3 to 100 passes) one reached both. Passes of
60 to 110 ms with borders that vary by 8 ms exceed them from 8 passes on, by 2 ms from 3 on.
"""


def evidence(start: Floats, end: Floats, crossings: Crossings, reach: Reaches, lags: Lags) -> float:
    """Return how much likelier the edges of the light lie at borders than anywhere within their reach, in nats.

    Parameters
    ----------
    start, end : ndarray of float64, shape (n,), samples
        Passes that were examined, moved by the shift of `lags`.
    crossings : Crossings
    reach : Reaches
        Of these passes.
    lags : Lags
        With the remaining deviations of these passes alone.

    Notes
    -----
    Of all borders the share m has an edge within 1.5 jitters, and so near p would have one if each window kept its
    edges, but at random places: per border this is worth m ln(m/p) + (1 − m) ln((1 − m)/(1 − p)). The jitter of noise
    is as large as its edges are rare, so that m is near p whatever the noise is.

    References
    ----------
    The divergence of two shares, and what it says of rare samples: Sanov (1957).
    """
    hits, chance = [], []
    sides = (
        (start, crossings.begins, reach.before, reach.inside, lags.begins),
        (end, crossings.ends, reach.inside, reach.after, lags.ends),
    )
    for places, edges, back, forth, left in sides:
        edges_there = edges.searchsorted(places + forth, side="right") - edges.searchsorted(places - back)
        share = np.minimum(1.0, 2 * lags.within / np.maximum(back + forth, 1.0))
        chance.append(1 - (1 - share) ** edges_there)
        hits.append(np.abs(left) <= lags.within)  # no edge: not a number, and no hit
    m, p = float(np.mean(hits)), float(np.clip(np.mean(chance), 1e-9, 1 - 1e-9))
    if m <= p:
        return 0.0
    apart = m * np.log(m / p) + ((1 - m) * np.log((1 - m) / (1 - p)) if m < 1 else 0.0)
    return float(2 * start.size * apart)


def is_chance(start: Floats, end: Floats, crossings: Crossings, reach: Reaches, lags: Lags) -> bool:
    """Whether the borders are met no better than those of another recording could be; takes what `evidence` takes."""
    return evidence(start, end, crossings, reach, lags) < LEAST + LEAST_PER_BORDER * 2 * start.size
