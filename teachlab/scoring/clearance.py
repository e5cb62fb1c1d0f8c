"""How near light comes to the levels, and how far they may be moved: what that shows of passes and lots to come."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from teachlab.model.json_values import Document
from teachlab.model.score import Outcome
from teachlab.scoring.by_lot import lot_codes
from teachlab.statistics.lots import Source

if TYPE_CHECKING:
    from teachlab.model.margin import Margin
    from teachlab.model.score import Trials
    from teachlab.model.setting import Setting
    from teachlab.model.truth import Truth

SIDES = ("detect", "trip", "release")


@dataclass(frozen=True, slots=True, kw_only=True)
class Clearance(Document):
    """The least distance of light to the levels, with what it shows of lots, or passes, to come.

    Parameters
    ----------
    least : float, recording units
        Negative where light passed a level.
    side : str
        detect: a pass above the level of activation; trip: a gap below it; release: a gap's lowest light below the
        level of release.
    row : int
        Pass at which, or after which, it comes nearest.
    units : str
        ``"lots"``, or ``"passes"``, which are taken as independent.
    count : int
        How many of them.
    content : float
        Share of them that keeps at least this distance, at the confidence given.
    confidence : float
    """

    least: float
    side: str
    row: int
    units: str
    count: int
    content: float
    confidence: float

    def sentence(self, unit: str) -> str:
        """Say what is kept, by what share, and what is assumed."""
        alone = "" if self.units == "lots" else ", if passes are independent"
        return (
            f"Light keeps at least {self.least:.4g} {unit} from the levels (nearest at pass {self.row}, side "
            f"'{self.side}'). At {100 * self.confidence:g} % confidence {100 * self.content:.3g} % of {self.units} to "
            f"come keep as much, from {self.count} {self.units}{alone}."
        )


def clearance_of(
    truth: Truth, setting: Setting, margin: Margin, trials: Trials, *, confidence: float = 0.95
) -> Clearance | None:
    """Find the least clearance of the scored passes and the gaps after them, and its content.

    Parameters
    ----------
    truth, setting
        Of fixed levels.
    margin : Margin
        With the extremes of every pass and gap.
    trials : Trials
        Of the score: only scored passes to be detected, and the gaps after them, are looked at.
    confidence : float
        One-sided.

    Returns
    -------
    Clearance or None
        None where no pass was scored or measured.

    Notes
    -----
    The least of n independent values is exceeded by at least a share ``α^(1/n)`` of all, at confidence ``1 − α``: a
    lower tolerance limit without any distribution. Units are lots where they are named, since passes of one lot
    resemble one another; 299 passes, or lots, give 99 % at 95 %.

    References
    ----------
    Wilks, Determination of sample sizes for setting tolerance limits, Annals of Mathematical Statistics 12 (1941)
    91–96.
    """
    scored = np.isin(trials.passes, (Outcome.HIT, Outcome.MISS, Outcome.MERGED))
    rows = trials.first_pass + np.flatnonzero(scored)
    if not rows.size or margin.peak_of_pass is None or margin.gap_top is None or margin.gap_valley is None:
        return None
    act, release = setting.sign * setting.activation, setting.sign * setting.release
    distance = np.stack(
        (margin.peak_of_pass[rows] - act, act - margin.gap_top[rows], release - margin.gap_valley[rows])
    )
    known = np.where(np.isnan(distance), np.inf, distance)
    side, at = np.unravel_index(int(np.argmin(known)), known.shape)
    if not np.isfinite(known[side, at]):
        return None
    code, source = lot_codes(truth, rows)
    lots = source is Source.LOTS
    count = int(np.unique(code).size) if lots else int(rows.size)
    return Clearance(
        least=float(known[side, at]),
        side=SIDES[int(side)],
        row=int(rows[at]),
        units="lots" if lots else "passes",
        count=count,
        content=float((1 - confidence) ** (1 / count)),
        confidence=confidence,
    )
