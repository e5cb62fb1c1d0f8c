"""How level, losses and margin develop over a recording, and when the trend would reach the level."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtrit

from teachlab.model.score import Outcome, Score

BLOCKS = 10
LEAST_PER_BLOCK = 3


def over_time(
    reach: NDArray[np.float64],
    hours: NDArray[np.float64],
    score: Score,
    *,
    level: float,
    dark: float,
    noise: float | None,
    confidence: float = 0.95,
) -> dict[str, Any]:
    """Cut the scored passes into stretches of equal number and describe each.

    Parameters
    ----------
    reach : ndarray of float64, shape (passes of the truth,)
        Sustained peaks turned so that active is up; NaN is left out.
    hours : ndarray of float64, shape (passes of the truth,), h
        When each pass begins.
    score : Score
        Outcomes of the scored passes.
    level, dark : float
        Level of activation and dark level, turned in the same way.
    noise : float, optional
        Local noise on objects.
    confidence : float
        Of the interval of the trend.

    Returns
    -------
    dict
        ``blocks``: passes, lost, hours, median and least level, margin. ``trend``: change of the medians per
        hour with its interval, and the hours until the weakest tenth of the passes reaches the level.

    Notes
    -----
    The trend is the least-squares slope b of the logarithm of the block medians above the dark level (of
    the medians themselves for mirrored light), with Student's t for its interval; the time to the level
    is the distance of the weakest tenth to it, on the same scale, divided by −b and by the limits of −b.
    """
    trials = score.trials
    rows = np.arange(trials.passes.size) + trials.first_pass
    detect = np.isin(trials.passes, (Outcome.HIT, Outcome.MISS, Outcome.MERGED)) & ~np.isnan(reach[rows])
    lost = np.isin(trials.passes, (Outcome.MISS, Outcome.MERGED))[detect]
    rows = rows[detect]
    count = min(BLOCKS, rows.size // LEAST_PER_BLOCK)
    if count < 1:
        return {"blocks": [], "trend": None}
    blocks = []
    for part in np.array_split(np.arange(rows.size), count):
        values = reach[rows[part]]
        blocks.append(
            {
                "passes": int(part.size),
                "lost": int(lost[part].sum()),
                "hours": float(hours[rows[part]].mean()),
                "median": float(np.median(values)),
                "least": float(values.min()),
                "margin": None if not noise else float((values.min() - level) / noise),
            }
        )
    return {"blocks": blocks, "trend": _trend(blocks, reach[rows], level, dark, confidence)}


def _trend(
    blocks: list[dict[str, Any]], reach: NDArray[np.float64], level: float, dark: float, confidence: float
) -> dict[str, Any] | None:
    if len(blocks) < 4:
        return None
    t, y = np.array([b["hours"] for b in blocks]), np.array([b["median"] for b in blocks])
    weakest = float(np.quantile(reach, 0.1))
    multiplies = dark < min(level, float(y.min()), weakest)
    if multiplies:
        y, distance = np.log(y - dark), math.log((weakest - dark) / (level - dark))
    else:
        distance = weakest - level
    spread = t - t.mean()
    if not float(spread @ spread) > 0:
        return None
    slope = float(spread @ y / (spread @ spread))
    rest = y - y.mean() - slope * spread
    error = math.sqrt(float(rest @ rest) / (t.size - 2) / float(spread @ spread))
    half = float(stdtrit(t.size - 2, (1 + confidence) / 2)) * error
    low, high = slope - half, slope + half

    def hours(rate: float) -> float | None:
        return None if rate >= 0 or distance <= 0 else distance / -rate

    return {
        "scale": "logarithm above the dark level" if multiplies else "level",
        "per_hour": slope,
        "low": low,
        "high": high,
        "significant": not low <= 0 <= high,
        "hours_observed": float(t[-1] - t[0]),
        "hours_to_level": hours(slope),
        "hours_to_level_earliest": hours(low),
        "hours_to_level_latest": hours(high),
        "confidence": confidence,
    }
