"""Criteria on margins and reserves: what every lot keeps, and the share of future lots that will keep it."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from teachlab.model.printable_text import cut, in_figures
from teachlab.statistics.claims.lot_claims import CLAIM_LOTS
from teachlab.statistics.intervals import proportion_limits

PASSES_CONTENT = 0.99
"""Share of independent passes, unless stated otherwise: it needs 299 passes at 95 %."""


def judged_kept(
    least: float, kept: NDArray[np.float64], *, lots: bool, content: float | None, confidence: float
) -> tuple[str, str, str]:
    """Judge whether enough lots, or passes, keep a margin.

    `least`: value that each must keep.
    `kept` (shape (lots or passes,)): the worst value of each.
    `lots`: whether they are named lots; otherwise they are passes, assumed to be independent.
    `content`: share of all future ones that must keep it. None: every recorded lot kept it, and there are at least 5
    lots; for passes, 99 %.
    `confidence`: one-sided.
    `measured`, `judgement`, `because`: the judgement is ``"met"``, ``"not met"`` or ``"not enough evidence"``.

    Notes
    -----
    If k of n are below the limit, the share that falls short is at most Clopper and Pearson's upper bound. With k = 0
    this is ``1 − α^(1/n)``, the tolerance limit of Wilks (1941).

    Examples
    --------
    >>> judged_kept(3.0, np.array([4.0] * 20), lots=True, content=None, confidence=0.95)[1:]
    ('met', 'at 95 % confidence 86 % of lots to come keep as much, if lots are independent')
    """
    units, n, below = "lots" if lots else "passes", int(kept.size), int(np.count_nonzero(kept < least))
    condition = f", if {units} are independent"
    if not n:
        return "nothing to measure", "not enough evidence", "the recording holds nothing to measure it by"
    worst = float(kept.min())
    measured = f"{in_figures(cut(worst, 4, up=worst < 0))} in the worst of {n} {units}"
    low = proportion_limits(below, n, 2 * confidence - 1)[0]
    upper = proportion_limits(below, n, confidence)[2]
    wanted = content if content is not None or lots else PASSES_CONTENT
    if (below and content is None) or (wanted is not None and low > 1 - wanted):
        return measured, "not met", f"{below} of {n} {units} keep less"
    needed = CLAIM_LOTS if wanted is None else math.ceil(math.log(1 - confidence) / math.log(wanted) - 1e-9)
    sure = f"at {100 * confidence:g} % confidence {100 * (1 - upper):.2g} % of {units} to come keep as much{condition}"
    if (wanted is None and n >= CLAIM_LOTS) or (wanted is not None and upper <= 1 - wanted):
        return measured, "met", sure
    asked = "" if wanted is None else f", {100 * wanted:g} % are asked for"
    more = f"{needed} {units} are needed without one that keeps less" if n < needed else "record more"
    return measured, "not enough evidence", f"{sure}{asked}: {more}"
