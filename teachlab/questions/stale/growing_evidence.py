"""Evidence on losses and trips that grows during a recording: when it was first sufficient, and how often by chance."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from teachlab.model.arrays import Floats, Integers
from teachlab.model.json_values import picked
from teachlab.model.score import Outcome, Trials
from teachlab.model.truth import Truth
from teachlab.scoring.by_lot import lot_codes
from teachlab.statistics.betting import BettingEvidence, evidence_above

ACCEPTED = 0.05
"""Accepted share of passes lost, or of gaps tripped, if no earlier recording shows the usual one."""
HIGHEST_LIMIT = 0.95


@dataclass(frozen=True, slots=True, kw_only=True)
class GrowingEvidence:
    """Evidence that more passes are lost, or more gaps trip, than a limit allows.

    `of`: ``"losses"`` or ``"trips"``.
    `unit`: what is assumed to be independent: ``"lots"``, or ``"stretches"`` of passes if no lots are named, whose
    shares are bet on; ``"passes"`` or ``"gaps"`` if these are too few for stretches.
    `reached_pass`, `reached_sample`: row and first sample of the pass with which it was first sufficient.
    """

    of: str
    unit: str
    found: BettingEvidence
    reached_pass: int | None
    reached_sample: int | None

    @property
    def told(self) -> str:
        """Say that there is more than the limit, by what, and until when."""
        by = "by lots" if self.unit == "lots" else "in this recording"
        return f"more than {100 * self.found.limit:.3g} % {by}, up to pass {self.reached_pass}"

    def in_table(self, table: Truth) -> GrowingEvidence:
        """Return the same, with the pass told by its row in a table in which touching passes are apart."""
        if self.reached_sample is None:
            return self
        return replace(self, reached_pass=int(np.searchsorted(table.start, self.reached_sample)))

    def as_dict(self) -> dict[str, Any]:
        """Return the plain JSON form."""
        return {
            **picked(self, "of", "unit"),
            **self.found.as_dict(),
            **picked(self, "reached_pass", "reached_sample"),
        }


def evidence_on_losses(truth: Truth, trials: Trials, limit: float) -> GrowingEvidence:
    """Bet, lot by lot or stretch by stretch, against "at most `limit` of the passes are lost".

    `limit` (in (0, 1)): limited to 0.95.
    """
    lost = trials.lost[trials.wanted].astype(float)
    return _evidence("losses", "passes", truth, trials.rows(trials.wanted), lost, limit)


def evidence_on_trips(truth: Truth, trials: Trials, limit: float) -> GrowingEvidence:
    """Bet, lot by lot or stretch by stretch, against "at most `limit` of the gaps trip".

    A burst in one gap counts once.

    `truth`, `trials`, `limit`: as for losses. A gap belongs to the lot of the pass before it.
    """
    scored = (trials.gaps != Outcome.EXCLUDED) & (trials.gap_after >= trials.first_pass)
    tripped = (trials.gaps[scored] == Outcome.TRIPPED).astype(float)
    return _evidence("trips", "gaps", truth, trials.gap_after[scored], tripped, limit)


def _evidence(of: str, unit: str, truth: Truth, rows: Integers, events: Floats, limit: float) -> GrowingEvidence:
    values, last = events, rows
    code, source = lot_codes(truth, rows)
    if rows.size and int(code.max()) > 0:
        unit = source.units[1]
        values = np.bincount(code, events) / np.bincount(code)
        # A lot, or stretch, is known after its last pass.
        last = np.zeros(values.size, np.int64)
        np.maximum.at(last, code, rows)
        order = np.argsort(last, kind="stable")
        values, last = values[order], last[order]
    found = evidence_above(values, min(limit, HIGHEST_LIMIT))
    reached = None if found.reached is None else int(last[found.reached])
    return GrowingEvidence(
        of=of,
        unit=unit,
        found=found,
        reached_pass=reached,
        reached_sample=None if reached is None else int(truth.start[reached]),
    )
