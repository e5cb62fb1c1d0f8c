"""Criteria on the switching position: the largest allowed spread, and what the data show."""

from __future__ import annotations

import numpy as np

from teachlab.model.printable_text import number_of
from teachlab.scoring.switching_position import SwitchingPosition
from teachlab.statistics.quantiles import HIGH, LOW, QuantileSpread, least_values

POSITIONS = ("onset_spread_ms", "onset_spread_mm", "release_spread_ms")


def judged_position(
    measure: str, most: float, position: SwitchingPosition | None, *, confidence: float, by_lots: bool, least_lots: int
) -> tuple[str, str, str, str]:
    """Judge one spread.

    `measure`: one of `POSITIONS`.
    `most` (ms or mm): limit.
    `confidence`: one-sided.
    `by_lots`: whether passes of one lot may resemble each other. If so, the range of the lots must stay within the
    limit, from the lowest 5 % quantile of a lot to the highest 95 % quantile. Otherwise passes are assumed to be
    independent, and the upper limit by order statistics must stay within it.
    `limit`, `measured`, `judgement`, `because`: the judgement is ``"met"``, ``"not met"`` or ``"not enough evidence"``.
    """
    unit = measure[-2:]
    limit = f"at most {most:g} {unit} at {100 * confidence:g} % confidence"
    undecided = "not enough evidence"
    if position is None:
        return limit, "nothing to measure", undecided, "no pass was hit, so there is no position"
    scale = 1.0 if unit == "ms" else position.line_speed_m_s
    if scale is None:
        return limit, "nothing to measure", undecided, "mm need the line speed: import with it"
    values = scale * (position.onset_ms if measure.startswith("onset") else position.release_ms)
    known = ~np.isnan(values)
    found = QuantileSpread.of(values[known], confidence=2 * confidence - 1)
    if found is None:
        return limit, "nothing to measure", undecided, "no release came before the next pass"
    doubt = 2 * scale * position.doubt_ms
    said = f"{found.spread:.4g} {unit} on {number_of(found.count, 'pass', 'passes')}"
    if most < doubt:
        why = f"a spread below {doubt:.3g} {unit} is smaller than the {position.doubt_of} of the passes"
        return limit, said, undecided, why
    upper, basis, few = found.spread_high, "if passes are independent", ""
    if by_lots:
        names = None if position.lot is None else np.unique(position.lot[known].astype(str))
        if names is None or names.size < least_lots:
            count = 0 if names is None else names.size
            few = f"{count} named lots, {least_lots} are needed: record from more lots, or take passes as independent"
        else:
            lots = [values[known & (position.lot == name)] for name in names]
            ends = [np.quantile(lot, (LOW, HIGH), method="inverted_cdf") for lot in lots]
            upper = float(max(high for _, high in ends) - min(low for low, _ in ends))
            basis = f"from the earliest to the latest of {number_of(names.size, 'lot')}"
    if found.spread_low is not None and found.spread_low > most:
        return limit, said, "not met", f"even the lower limit, {found.spread_low:.3g} {unit}, lies beyond"
    if few:
        return limit, said, undecided, few
    if upper is None:
        hit = number_of(found.count, "pass was", "passes were")
        return limit, said, undecided, f"{hit} hit, {least_values(2 * confidence - 1)} are needed"
    if upper <= most:
        return limit, said, "met", f"at most {upper:.3g} {unit}, {basis}"
    return limit, said, undecided, f"at most {upper:.3g} {unit}, {basis}: beyond the limit"
