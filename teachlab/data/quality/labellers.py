"""How far two tables of passes of the same light agree, as of two people who corrected them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from teachlab.model.truth import Truth

MOST = 0.95
"""Share of the borders that differ by at most `border_samples`."""


@dataclass(frozen=True, slots=True)
class TableAgreement:
    """Products that two tables have in common, and where they differ.

    `both`: products in both tables.
    `only_first`, `only_second`: rows of either table whose product the other lacks.
    `same`: products in both, with the same borders to the sample.
    `kinds_differ`: rows of the first table whose label, or whether they are to be detected, differs.
    `border_samples`: by how much 95 % of the borders of common products differ at most; 0 without any.
    """

    both: int
    only_first: tuple[int, ...]
    only_second: tuple[int, ...]
    same: int
    kinds_differ: tuple[int, ...]
    border_samples: float


def agreement_of(first: Truth, second: Truth) -> TableAgreement:
    """Return how far two tables agree; a product is in both where passes overlap, one of each table at most.

    Examples
    --------
    >>> agreement_of(Truth.from_arrays([0, 50], [9, 60]), Truth.from_arrays([2, 80], [9, 90])).only_second
    (1,)
    """
    pairs = []
    a = b = 0
    # The earlier end meets nothing later in the other table: so the most pairs are found.
    while a < first.passes and b < second.passes:
        if first.start[a] < second.end[b] and second.start[b] < first.end[a]:
            pairs.append((a, b))
            a, b = a + 1, b + 1
        elif first.end[a] <= second.start[b]:
            a += 1
        else:
            b += 1
    one, other = np.array(pairs, np.int64).reshape(-1, 2).T
    apart = np.abs([first.start[one] - second.start[other], first.end[one] - second.end[other]])
    differ = (first.label[one] != second.label[other]) | (first.detect[one] != second.detect[other])
    return TableAgreement(
        both=len(pairs),
        only_first=tuple(np.setdiff1d(np.arange(first.passes), one).tolist()),
        only_second=tuple(np.setdiff1d(np.arange(second.passes), other).tolist()),
        same=int(np.count_nonzero(~apart.any(axis=0))),
        kinds_differ=tuple(one[differ].tolist()),
        border_samples=float(np.quantile(apart, MOST, method="higher")) if pairs else 0.0,
    )
