"""Compare two settings on the same trials: exact McNemar, and Holm's correction over many pairs."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from teachlab.errors import ParameterError
from teachlab.model.score import Outcome, Trials
from teachlab.statistics.paired_tests import Discordance

_Pairs = tuple[NDArray[np.int64], NDArray[np.bool_], NDArray[np.bool_]]


def _discordance(first: NDArray[np.bool_], second: NDArray[np.bool_]) -> Discordance:
    return Discordance(int(np.count_nonzero(first & ~second)), int(np.count_nonzero(second & ~first)), int(first.size))


def compare_passes(first: Trials, second: Trials) -> Discordance:
    """Compare lost passes among the detect passes that are trials under both settings."""
    _, one, other = passes_valid_under_both(first, second)
    return _discordance(one, other)


def compare_gaps(first: Trials, second: Trials) -> Discordance:
    """Compare tripped gaps among the gaps that are trials under both settings."""
    _, one, other = gaps_valid_under_both(first, second)
    return _discordance(one, other)


def passes_valid_under_both(first: Trials, second: Trials) -> _Pairs:
    """Return the detect passes that are trials under both settings, and which are lost under each."""
    if first.first_pass != second.first_pass or first.passes.size != second.passes.size:
        raise ParameterError("only scores of the same passes can be compared; score both from the same pass on.")
    both = first.wanted & second.wanted
    return first.rows(both), first.lost[both], second.lost[both]


def gaps_valid_under_both(first: Trials, second: Trials) -> _Pairs:
    """Return the pass before every gap that is a trial under both settings, and which are tripped under each."""
    after, i, j = np.intersect1d(first.gap_after, second.gap_after, assume_unique=True, return_indices=True)
    both = (first.gaps[i] != Outcome.EXCLUDED) & (second.gaps[j] != Outcome.EXCLUDED)
    one, other = first.gaps[i][both] == Outcome.TRIPPED, second.gaps[j][both] == Outcome.TRIPPED
    return after[both], one, other
