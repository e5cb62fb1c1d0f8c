"""Why passes were lost, and which passes came nearest to being lost, as rows of the record."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from teachlab.model.score import Outcome, Score

if TYPE_CHECKING:
    from teachlab.model.margin import Margin
    from teachlab.model.setting import Setting
    from teachlab.model.truth import Truth
    from teachlab.scoring.reasons import Reasons

WORST = 20
"""Number of passes listed: lost ones, those nearest to being lost, and last those that touch and count as one."""
LISTED = 1000
"""This many lost passes are listed one by one."""


def lost_and_worst(truth: Truth, setting: Setting, margins: Margin, result: Score, why: Reasons) -> dict[str, Any]:
    """Return every lost pass by reason, and the worst passes with their reasons.

    `margins`: margin with the peak of every pass.
    Returned: ``reasons``: count of every code; ``reasons_say``: its sentence; ``lost_passes``: pass, code and place of
    the first `LISTED` lost passes; ``worst``: rows for the page.
    """
    reach = np.full(truth.passes, np.nan) if margins.peak_of_pass is None else margins.peak_of_pass
    trials = result.trials
    scored = trials.rows(trials.wanted)
    codes = {loss.row: loss.code for loss in why.losses}
    # That a pass merges with the one that it touches is no error: such passes would fill the list.
    touching = np.isin(scored, [row for row, code in codes.items() if code == "touching"])
    rows = scored[np.lexsort((reach[scored], ~trials.lost[trials.wanted], touching))[:WORST]].tolist()
    found = why.as_dict()
    return {
        "reasons": found["counts"],
        "reasons_say": found["says"],
        "lost_passes": found["lost_passes"][:LISTED],
        "worst": [_row(truth, setting, k, result, reach) | {"reason": codes.get(k)} for k in rows],
    }


def _row(truth: Truth, setting: Setting, row: int, result: Score, reach: NDArray[np.float64]) -> dict[str, Any]:
    sign = setting.sign
    known = not np.isnan(reach[row])
    return {
        "pass": row,
        "start": int(truth.start[row]),
        "end": int(truth.end[row]),
        "label": str(truth.label[row]),
        "lot": None if truth.lot is None else str(truth.lot[row]),
        "outcome": Outcome(result.trials.passes[row - result.trials.first_pass]).name.lower(),
        "reach": sign * float(reach[row]) if known else None,
        "distance_to_level": float(reach[row]) - sign * setting.activation if known else None,
    }
