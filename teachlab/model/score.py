"""The rules of scoring, counts, rates with exact intervals, and the score of one setting on one recording."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from enum import IntEnum
from typing import Any

import numpy as np
from numpy.typing import NDArray

from teachlab.errors import ParameterError, check_least, check_share
from teachlab.model.json_values import Document, picked, plain

INDEPENDENT = "exact if trials are independent (no lots, no bursts)"
MOST_OF_THE_TIME = 0.5
"""An output that is active for more than this share of the gap time is of no use."""
"""What the intervals of a score assume."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Rules:
    """Rules by which an output is scored; reserves, margins and claims use the same ones.

    Parameters
    ----------
    tolerance_ms : float, ms
        Added to every border of every pass, in addition to the uncertainty of the truth; at least 0.
    confidence : float, in (0, 1)
        Confidence of every interval.
    first_pass : int
        Only this pass, and what comes after the start of its window, is scored.

    Raises
    ------
    ParameterError
        If one of them is outside its range.
    """

    tolerance_ms: float = 0.0
    confidence: float = 0.95
    first_pass: int = 0

    def __post_init__(self) -> None:
        if not (math.isfinite(self.tolerance_ms) and self.tolerance_ms >= 0):
            raise ParameterError(f"tolerance-ms must be a finite number of at least 0 ms, got {self.tolerance_ms:g}.")
        check_share("confidence", self.confidence)
        check_least("the first pass that is scored", self.first_pass)

    def scored_from(self, first_pass: int) -> Rules:
        """Return the same rules, with another first scored pass."""
        return replace(self, first_pass=first_pass)


USUAL_RULES = Rules()
"""No tolerance, 95 % confidence, every pass."""


class Outcome(IntEnum):
    """The result of one trial."""

    HIT = 0
    MISS = 1
    MERGED = 2
    EXCLUDED = 3
    QUIET = 4
    """An `ignore` pass or a gap without an onset."""
    TRIPPED = 5
    """An `ignore` pass or a gap with an onset."""
    HELD = 6
    """An `ignore` pass in which the output was active without an onset."""


LOST = (Outcome.MISS, Outcome.MERGED)


@dataclass(frozen=True, slots=True)
class Rate(Document):
    """A proportion with its exact interval.

    `estimate`: ``events / trials``; None without trials.
    `low`, `high`: two-sided interval.
    `upper`: one-sided upper bound, for claims.
    `confidence`: confidence of both, the interval and the bound.
    """

    events: int
    trials: int
    estimate: float | None
    low: float
    high: float
    upper: float
    confidence: float


@dataclass(frozen=True, slots=True)
class CountRate(Document):
    """A count per unit of exposure with its exact interval; `high` and `upper` may be infinite.

    `exposure`: amount of exposure, in the unit `per`.
    `per`: unit of the exposure: hour, pass and so on.
    `estimate`: ``events / exposure``; None without exposure.
    """

    events: int
    exposure: float
    per: str
    estimate: float | None
    low: float
    high: float
    upper: float
    confidence: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Counts:
    """Every count of a score; the names are those of the documents."""

    onsets: int
    detect_passes: int
    hits: int
    misses: int
    merged: int
    extra: int
    excluded_passes: int
    excluded_onsets: int
    ignore_passes: int
    ignore_false_trips: int
    ignore_tripped: int
    ignore_held: int
    excluded_ignore_passes: int
    gaps: int
    gaps_tripped: int
    false_trips: int
    excluded_gaps: int

    @property
    def lost(self) -> int:
        """Misses and merged passes."""
        return self.misses + self.merged

    @property
    def false(self) -> int:
        """Unwanted switchings: in gaps, on passes to be ignored, and more than one on a pass."""
        return self.false_trips + self.ignore_false_trips + self.extra

    @property
    def errors(self) -> int:
        """Lost passes and unwanted switchings."""
        return self.lost + self.false

    @property
    def scored_passes(self) -> int:
        """Detect passes that are trials."""
        return self.detect_passes - self.excluded_passes

    @property
    def scored_ignore_passes(self) -> int:
        """Ignore passes that are trials."""
        return self.ignore_passes - self.excluded_ignore_passes


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Trials:
    """The result of every pass and gap, for paired comparison and pictures.

    `passes`, `gaps`: `Outcome` of each.
    `pass_onsets`, `gap_onsets`: onsets in every window and gap.
    `gap_after`: index of the pass before each gap, −1 for the first.
    `first_pass`: passes before this one, and their gaps, were not scored.
    """

    passes: NDArray[np.int8]
    pass_onsets: NDArray[np.int64]
    gaps: NDArray[np.int8]
    gap_onsets: NDArray[np.int64]
    gap_after: NDArray[np.int64]
    first_pass: int = 0

    @property
    def wanted(self) -> NDArray[np.bool_]:
        """Which passes are trials of a detection: hit, missed or merged."""
        return np.isin(self.passes, (Outcome.HIT, *LOST))

    @property
    def lost(self) -> NDArray[np.bool_]:
        """Which passes are missed or merged."""
        return np.isin(self.passes, LOST)

    @property
    def hit_again(self) -> NDArray[np.bool_]:
        """Which passes are hit more than once."""
        again: NDArray[np.bool_] = (self.passes == Outcome.HIT) & (self.pass_onsets > 1)
        return again

    def rows(self, which: NDArray[np.bool_]) -> NDArray[np.int64]:
        """Return the rows of some of these passes in the truth, which may begin earlier."""
        return self.first_pass + np.flatnonzero(which)

    def without(self, passes: NDArray[np.bool_], gaps: NDArray[np.bool_] | None = None) -> Trials:
        """Return the same with some passes, and some gaps, that are no trials."""
        out = np.int8(Outcome.EXCLUDED)
        kept = self.gaps if gaps is None else np.where(gaps, out, self.gaps)
        return replace(self, passes=np.where(passes, out, self.passes), gaps=kept)

    def from_pass(self, first: int) -> Trials:
        """Return the trials of one pass that was scored and of all later ones, with the gaps after them."""
        rows, gaps = slice(first - self.first_pass, None), self.gap_after >= first
        return Trials(
            passes=self.passes[rows], pass_onsets=self.pass_onsets[rows], gaps=self.gaps[gaps],
            gap_onsets=self.gap_onsets[gaps], gap_after=self.gap_after[gaps], first_pass=first,
        )  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Score:
    """The score of one setting on one recording.

    `false_active_share`: share of the scored gap time in which the undelayed output is active; None without gap time.
    `lost_rate`, `miss_rate`, `merged_rate`: per scored detect pass.
    `false_trips_per_gap`: gaps with at least one false trip, per scored gap.
    `false_trips_per_gap_hour`, `false_trips_per_running_hour`: the rate per running hour is the headline.
    `ignore_trips_per_pass`: false trips on `ignore` passes, per scored `ignore` pass.
    `extra_per_pass`: further onsets per scored detect pass.
    `by_label`, `by_lot`: lost rate of every label and lot.
    `self_labelled`: whether the truth was made from the same signal: it may be used for tuning, never for a claim.
    `confidence`: of every interval.
    """

    counts: Counts
    trials: Trials
    running_hours: float
    gap_hours: float
    excluded_gap_hours: float
    false_active_share: float | None
    lost_rate: Rate
    miss_rate: Rate
    merged_rate: Rate
    false_trips_per_gap: Rate
    false_trips_per_gap_hour: CountRate
    false_trips_per_running_hour: CountRate
    ignore_trips_per_pass: CountRate
    extra_per_pass: CountRate
    by_label: Mapping[str, Rate]
    by_lot: Mapping[str, Rate]
    self_labelled: bool
    confidence: float

    @property
    def probably_inverted(self) -> bool:
        """Whether the output is active for most of the gap time: then the polarity is probably inverted."""
        return self.false_active_share is not None and self.false_active_share > MOST_OF_THE_TIME

    def as_dict(self) -> dict[str, Any]:
        """Return the plain JSON form: every count and rate by name."""
        told = picked(
            self, "excluded_gap_hours", "gap_hours", "running_hours", "false_active_share", "probably_inverted",
            "self_labelled", "lost_rate", "miss_rate", "merged_rate", "false_trips_per_gap", "false_trips_per_gap_hour",
            "false_trips_per_running_hour", "ignore_trips_per_pass", "extra_per_pass",
        )  # fmt: skip
        return {**plain(self.counts), **told, "intervals": INDEPENDENT, **picked(self, "by_label", "by_lot")}
