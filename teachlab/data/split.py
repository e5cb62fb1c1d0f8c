"""Where teaching ends and scoring begins: two blocks in time order, with a pass left out between them."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from teachlab.errors import ParameterError, TruthError
from teachlab.model.draws import TEACH_SHARE
from teachlab.model.printable_text import number_of
from teachlab.model.truth import Truth
from teachlab.sensor.clock import CEIL_SLACK, ceil, exact


@dataclass(frozen=True, slots=True)
class Split:
    """A recording divided in time: teach block, left-out pass, scored block.

    `teach_end` (samples): the teach block is ``[0, teach_end)``; it ends in the middle of the gap after the last teach
    pass.
    `teach_passes`: detect passes in the teach block.
    `first_scored`: index of the first scored pass. The pass before it is left out, with the gap on either side of it;
    gaps are scored from the one after pass `first_scored` on.
    """

    teach_end: int
    teach_passes: int
    first_scored: int


def split(truth: Truth, samples: int, *, teach_share: float = TEACH_SHARE) -> Split:
    """Divide a recording into a teach block and a scored block.

    The teach block ends in the middle of the gap after detect pass ``ceil(teach_share · N)``, where N is the number of
    detect passes. The next pass, of either kind, is left out with its gap.

    Parameters
    ----------
    truth : Truth
        Passes of the recording.
    samples : int
        Length of the recording.
    teach_share : float, in (0, 1)
        Share of the detect passes for teaching.

    Raises
    ------
    ParameterError
        If `teach_share` is not strictly between 0 and 1.
    TruthError
        If no detect pass is left to score.

    Examples
    --------
    >>> truth = Truth.from_arrays([10, 30, 50, 70, 90], [20, 40, 60, 80, 100])
    >>> split(truth, 120)
    Split(teach_end=45, teach_passes=2, first_scored=3)
    """
    if not (math.isfinite(teach_share) and 0 < teach_share < 1):
        raise ParameterError(
            f"teach_share must lie strictly between 0 and 1, got {teach_share:g}. "
            f"It is the share of the passes to teach on: {TEACH_SHARE:g} for {100 * TEACH_SHARE:g} %."
        )
    truth.check_inside(samples)
    rows = np.flatnonzero(truth.detect)
    # At least one: a share below the slack of `ceil` would teach on no pass.
    taught = max(1, ceil(exact(teach_share) * rows.size))
    if rows.size <= taught or not truth.detect[rows[taught - 1] + 2 :].any():
        raise TruthError(
            f"a split at teach share {teach_share:g} needs at least "
            f"{number_of(_needed(teach_share), 'pass', 'passes')} to be detected, so that one "
            f"is left to score after a purged pass; got {number_of(rows.size, 'detect pass', 'detect passes')} among "
            f"{truth.passes}. Log longer, or teach on a smaller share."
        )
    last = int(rows[taught - 1])
    middle = (int(truth.end[last]) + int(truth.start[last + 1])) // 2
    return Split(middle, taught, last + 2)


def _needed(teach_share: float) -> int:
    """Return the smallest number of detect passes that leaves one to leave out and one to score.

    The smallest ``n >= 3`` with ``n − ceil(share · n) >= 2``, that is ``(1 − share) · n + slack >= 2``.
    """
    return max(3, math.ceil((2 - CEIL_SLACK) / (1 - exact(teach_share))))
