"""Difference of two recordings where passes may resemble each other."""

from __future__ import annotations

from dataclasses import dataclass

from teachlab.model.json_values import Document
from teachlab.statistics.differences import Difference, newcombe
from teachlab.statistics.lots import Dependence


@dataclass(frozen=True, slots=True, kw_only=True)
class UnpairedLots(Document):
    """An unpaired difference at the effective numbers of trials.

    Parameters
    ----------
    design_effects : (float, float)
        Upper limits of the design effects of both recordings, as used.
    difference : Difference
        Newcombe's interval at the effective counts.
    """

    design_effects: tuple[float, float]
    difference: Difference


def unpaired_lots(first: Dependence, second: Dependence, *, confidence: float = 0.95) -> UnpairedLots:
    """Bound the difference of two rates; each rate is bounded by its own lots.

    Parameters
    ----------
    first, second : Dependence
        As `teachlab.scoring.by_lot.lot_rate` gives them, at the same confidence.

    Notes
    -----
    Events and trials of each recording are divided by its design effect, an upper limit. The interval is Newcombe's
    hybrid of Wilson's limits at these counts. Simulated coverage: ``benchmarks/coverages/differences.py``.

    References
    ----------
    Newcombe, Statistics in Medicine 17 (1998) 873–890; Rao and Scott, Biometrics 48 (1992) 577–585. Their combination
    is this project's own.

    Examples
    --------
    >>> from teachlab.scoring.by_lot import lot_rate
    >>> one, other = lot_rate([0, 4, 0, 3] * 5, [50] * 20), lot_rate([0, 1, 0, 0] * 5, [50] * 20)
    >>> found = unpaired_lots(one, other).difference
    >>> round(found.estimate, 3), found.low < newcombe((35, 1000), (5, 1000)).low
    (0.03, True)
    """
    counts = [(one.naive.events / one.design_effect, one.effective_trials) for one in (first, second)]
    return UnpairedLots(
        design_effects=(first.design_effect, second.design_effect),
        difference=newcombe(counts[0], counts[1], confidence),
    )
