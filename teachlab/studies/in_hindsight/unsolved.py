"""Passes and gaps that no setting gets right, each with its cause: borders, truth or light."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

import numpy as np
from numpy.typing import NDArray

from teachlab.data.alignment.answer import Alignment
from teachlab.data.alignment.room import aligned_truth
from teachlab.light.pass_and_gap_extremes import PassAndGapExtremes
from teachlab.model.json_values import Document
from teachlab.model.recording import Recording
from teachlab.model.score import Outcome, Rules, Score
from teachlab.model.truth import Truth
from teachlab.scoring.scoring import score
from teachlab.sensor.output import Output

UNSEEN = 0.2
"""A lost pass whose light stays below this share of the usual height shows no object."""
LIKE_A_PASS = 0.5
"""A trip that is as high as the passes and at least this share of the shortest pass long is an object by its light."""
LOWEST_TOPS = 0.05
"""From this quantile of the heights of the passes on, light is as high as a pass."""
MOST_TOLD = 5


class ErrorCause(StrEnum):
    """The cause of an error that no setting avoids."""

    BORDERS = "borders"
    TRUTH = "truth"
    LIGHT = "light"


_SEEN = {"pass": "with under a fifth of the light of a pass", "gap": "with the light of a pass"}


@dataclass(frozen=True, slots=True, kw_only=True)
class UnsolvedTrial(Document):
    """A pass or a gap that the best setting in hindsight gets wrong.

    `where`: pass, or gap.
    `row`: row of the pass; for a gap, row of the pass before it, −1 at the start of the record.
    `start`, `end` (samples): the pass, or what lies between the neighbouring passes.
    `what`: lost, switched again, tripped.
    """

    where: str
    row: int
    start: int
    end: int
    what: str
    cause: ErrorCause

    @property
    def name(self) -> str:
        """The pass by its row, the gap by the pass before it."""
        if self.where == "pass":
            return f"pass {self.row}"
        return f"the gap after pass {self.row}" if self.row >= 0 else "the gap before the first pass"

    @property
    def why(self) -> str:
        """The cause as what the light shows: whether the table or the light is wrong is for people to say."""
        if self.cause is ErrorCause.TRUTH:
            return _SEEN[self.where]
        return "by borders in doubt" if self.cause is ErrorCause.BORDERS else "by the light"


def unsolved_trials(
    recording: Recording, truth: Truth, output: Output, found: Score, *, alignment: Alignment | None, rules: Rules
) -> tuple[UnsolvedTrial, ...]:
    """Return the trials that an output gets wrong, in time order, each with its cause.

    `output`: of the best setting in hindsight.

    Notes
    -----
    *Borders*: the error disappears when the passes are moved to the light, or a pass is lost and the gap beside it
    trips no further from it than the length of the shortest pass. *Truth*: a lost pass shows no object, because its
    light stays within 0.2 of the usual height; or a gap holds what looks like an object, as high as the passes and at
    least half as long as the shortest. *Touching*: a pass that touches the one before, with the output active between
    them. *Light*: all others.
    """
    trials = found.trials
    tripped_passes = trials.passes == Outcome.TRIPPED
    lost, again, ignored = (trials.rows(one) for one in (trials.lost, trials.hit_again, tripped_passes))
    gaps = np.flatnonzero(trials.gaps == Outcome.TRIPPED)
    if not lost.size + again.size + ignored.size + gaps.size:
        return ()
    right_when_moved = _moved(truth, output, alignment, rules)
    heights = _Heights.of(recording, truth, output, rules)
    shortest = int((truth.end - truth.start)[truth.detect].min())
    ends = np.append(truth.end, 0)  # of the pass before a gap; the last place stands for the start of the record
    found_trials = []
    tripped: dict[int, list[tuple[int, int]]] = {}
    missing = set(lost.tolist())
    for k in gaps.tolist():
        row = int(trials.gap_after[k])
        begin = int(ends[row])
        stop = int(truth.start[row + 1]) if row + 1 < truth.passes else recording.samples
        tripped[row] = [(a, b) for a, b in _active(output, recording.samples) if begin <= a < max(stop, begin + 1)]
        seen = any(b - a >= LIKE_A_PASS * shortest for a, b in tripped[row]) and heights.gap_is_high(row)
        moved = right_when_moved is not None and row not in right_when_moved[1]
        moved |= row in missing and any(a <= begin + shortest for a, _ in tripped[row])
        moved |= row + 1 in missing and any(a >= stop - shortest for a, _ in tripped[row])
        cause = ErrorCause.BORDERS if moved else ErrorCause.TRUTH if seen else ErrorCause.LIGHT
        found_trials.append(UnsolvedTrial(where="gap", row=row, start=begin, end=stop, what="tripped", cause=cause))
    for rows, what in ((lost, "lost"), (again, "switched again"), (ignored, "tripped")):
        for row in rows.tolist():
            a, b = int(truth.start[row]), int(truth.end[row])
            beside = [at for at, _ in tripped.get(row - 1, ()) if at >= a - shortest]
            beside += [at for at, _ in tripped.get(row, ()) if at <= b + shortest]
            cause = ErrorCause.LIGHT
            if (right_when_moved is not None and row not in right_when_moved[0]) or (what == "lost" and beside):
                cause = ErrorCause.BORDERS
            elif what == "lost" and heights.pass_is_unseen(row):
                cause = ErrorCause.TRUTH
            found_trials.append(UnsolvedTrial(where="pass", row=row, start=a, end=b, what=what, cause=cause))
    return tuple(sorted(found_trials, key=lambda one: (one.start, one.where)))


def unsolved_text(trials: Sequence[UnsolvedTrial]) -> str:
    """Say which passes and gaps prevent an error-free setting, and their causes.

    Examples
    --------
    >>> trial = UnsolvedTrial(where="pass", row=7, start=0, end=9, what="lost", cause=ErrorCause.TRUTH)
    >>> unsolved_text([trial])
    'In the way: pass 7 (lost, with under a fifth of the light of a pass).'
    """
    told = "; ".join(f"{one.name} ({one.what}, {one.why})" for one in trials[:MOST_TOLD])
    more = f"; and {len(trials) - MOST_TOLD} more" if len(trials) > MOST_TOLD else ""
    return f"In the way: {told}{more}."


def causes_text(trials: Sequence[UnsolvedTrial], *, all_tried: bool = True) -> str:
    """Say how many passes and gaps are wrong even with the best setting, and how many of each cause."""
    passes = sum(one.where == "pass" for one in trials)
    counted = ((passes, "pass", "passes"), (len(trials) - passes, "gap", "gaps"))
    what = " and ".join(f"{n} {one if n == 1 else many}" for n, one, many in counted if n)
    causes = [f"{n} {why}" for why, n in Counter(one.why for one in trials).items()]
    return f"{'Even the' if all_tried else 'The'} best gets {what} wrong: {', '.join(causes)}."


def _moved(truth: Truth, output: Output, alignment: Alignment | None, rules: Rules) -> tuple[set[int], set[int]] | None:
    """Return passes and gaps that are wrong after the passes are moved to the light; None if they need no move."""
    if alignment is None or not (alignment.matters and alignment.belongs) or alignment.ambiguous:
        return None
    moved, left_out = aligned_truth(alignment, truth)
    if left_out:
        return None
    trials = score(output, moved, rules=rules, tables=False).trials
    wrong = trials.rows(trials.lost | trials.hit_again | (trials.passes == Outcome.TRIPPED))
    return set(wrong.tolist()), set(trials.gap_after[trials.gaps == Outcome.TRIPPED].tolist())


def _active(output: Output, samples: int) -> list[tuple[int, int]]:
    """Return where the output is active, in samples: first one, and first one after it."""
    onsets, releases = output.onsets, output.releases
    ends = np.append(releases, samples)
    return [(int(a), int(ends[np.searchsorted(ends, a, side="right")])) for a in onsets]


@dataclass(frozen=True, slots=True, eq=False)
class _Heights:
    """How high the light of passes and gaps is, objects up: 0 for the usual gap, 1 for the usual pass."""

    passes: dict[int, float]
    gaps: dict[int, float]
    tops: float

    @classmethod
    def of(cls, recording: Recording, truth: Truth, output: Output, rules: Rules) -> _Heights:
        measured = PassAndGapExtremes.of(
            recording, truth, evaluation_rate_hz=output.setting.evaluation_rate_hz, rules=rules
        )
        direction = recording.info.direction
        up = output.setting.light_on if direction is None else direction == "rise"

        def heights(of: Any) -> NDArray[np.float64]:
            return np.asarray(of.high if up else -of.low, np.float64)

        passes, between = heights(measured.passes), heights(measured.between)
        middles = measured.gaps.middles()
        usual = (1 if up else -1) * float(np.median(middles)) if middles.size else 0.0
        contrast = float(np.nanmedian(passes)) - usual if passes.size else 0.0
        scale = contrast if 0 < contrast < np.inf else 1.0
        with np.errstate(invalid="ignore", over="ignore"):
            # Infinite light minus infinite light: the light is there, as far as is known.
            passes, between = (np.nan_to_num((of - usual) / scale, nan=1.0, posinf=np.inf, neginf=-np.inf)
                               for of in (passes, between))  # fmt: skip
        return cls(
            dict(zip(measured.pass_rows.tolist(), passes.tolist(), strict=True)),
            dict(zip((measured.between_before - 1).tolist(), between.tolist(), strict=True)),
            float(np.quantile(passes, LOWEST_TOPS, method="lower")) if passes.size else np.inf,
        )

    def pass_is_unseen(self, row: int) -> bool:
        return self.passes.get(row, np.inf) < UNSEEN

    def gap_is_high(self, row: int) -> bool:
        return self.gaps.get(row, -np.inf) >= self.tops
