"""Paired outcomes: exact McNemar, and Holm's correction over many pairs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import bdtr


@dataclass(frozen=True, slots=True)
class Discordance:
    """Trials, valid under both settings, on which exactly one setting had an error.

    `only_first`, `only_second`: trials with an error under the first setting only, and under the second only.
    `trials`: trials valid under both.
    """

    only_first: int
    only_second: int
    trials: int

    @property
    def p_exact(self) -> float:
        """Two-sided exact McNemar p-value: a sign test on the discordant trials; 1 if there are none.

        References
        ----------
        McNemar, Note on the sampling error of the difference between correlated proportions or
        percentages, Psychometrika 12 (1947) 153–157; exact form as in Fagerland, Lydersen and Laake,
        BMC Medical Research Methodology 13:91 (2013).
        """
        discordant = self.only_first + self.only_second
        fewer = min(self.only_first, self.only_second)
        return 1.0 if discordant == 0 else min(1.0, 2 * float(bdtr(fewer, discordant, 0.5)))


def holm(p_values: Sequence[float]) -> NDArray[np.float64]:
    """Return p-values corrected for their number by Holm's step-down rule, at most 1, in the order given.

    References
    ----------
    Holm, A simple sequentially rejective multiple test procedure, Scandinavian Journal of Statistics 6
    (1979) 65–70.

    Examples
    --------
    >>> holm([0.01, 0.04, 0.03]).tolist()
    [0.03, 0.06, 0.06]
    """
    p = np.asarray(p_values, np.float64)
    order = np.argsort(p, kind="stable")
    stepped = np.maximum.accumulate(p[order] * np.arange(p.size, 0, -1))
    corrected = np.empty_like(p)
    corrected[order] = np.minimum(stepped, 1.0)
    return corrected
