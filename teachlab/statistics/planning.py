"""How many passes, or hours, a claim needs, and what the data in hand allow to claim."""

from __future__ import annotations

import math
from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum
from fractions import Fraction

import numpy as np
from scipy.special import betaincc, gammainccinv

from teachlab.errors import ParameterError, check_least
from teachlab.model.printable_text import number_of
from teachlab.model.score import CountRate, Rate
from teachlab.sensor.clock import exact
from teachlab.statistics.claims.lot_claims import CLAIM_LOT_PASSES, joined_lots

EXACT_UP_TO = 2000
"""Near a tie, up to this number of passes, the decision is made in whole numbers."""
NEAR = 1e-9
MOST_JOINED = 10**5
"""Up to this number of lots, small ones are joined one by one."""
MOST_PASSES = 2**53
"""Beyond this, whole numbers are not exact in floating point; no recording is that long."""


class Standing(StrEnum):
    """How a recording compares with its plan."""

    ENOUGH = "enough"
    NOT_YET = "not yet"
    FAILED = "failed"


@dataclass(frozen=True, slots=True, kw_only=True)
class PassPlan:
    """How many passes show that a rate is at most `max_rate`.

    `passes`: fewest passes, with lots taken into account.
    `independent_passes`: fewest passes if all of them are independent.
    `lots`: number of lots over which the passes are spread.
    `design_effect`: passes per independent pass.
    """

    passes: int
    independent_passes: int
    lots: int | None
    design_effect: float
    max_rate: float
    confidence: float
    events: int
    best_of: int

    def chance(self, rate: float) -> float:
        """Return the probability that the plan is met if the true rate is `rate`: its operating characteristic.

        Notes
        -----
        ``P(X ≤ F | n, rate)`` for independent passes; with lots it is nearer to one half.

        Examples
        --------
        A plan for 1 % without losses needs a line that is far better than 1 %:

        >>> round(plan_passes(0.01, 0.95).chance(0.001), 3)
        0.741
        """
        if not 0 <= rate <= 1:
            raise ParameterError(f"true-rate must lie between 0 and 1, got {rate:g}.")
        return acceptance(self.passes, self.events, rate)

    def standing(self, seen: int, lost: int) -> Standing:
        """Say whether a recording of `seen` passes, `lost` of them lost, meets the plan."""
        check_least("seen", seen)
        if not 0 <= lost <= seen:
            raise ParameterError(f"lost must lie between 0 and the passes seen ({seen}), got {lost}.")
        if lost > self.events:
            return Standing.FAILED
        return Standing.ENOUGH if seen >= self.passes else Standing.NOT_YET


def plan_passes(
    max_rate: float,
    confidence: float,
    *,
    events: int = 0,
    best_of: int = 1,
    lot_size: float | None = None,
    lots: int | None = None,
    icc: float = 0.0,
) -> PassPlan:
    """Return the fewest passes that show a rate of at most `max_rate`.

    Parameters
    ----------
    max_rate : float, in (0, 1)
        Rate per pass to be shown.
    confidence : float, in (0, 1)
        One-sided.
    events : int
        Lost passes that are allowed.
    best_of : int
        Number of settings from which the claimed one was chosen on the same passes; the error probability is divided by
        it.
    lot_size : float, optional
        Passes per lot.
    lots : int, optional
        Number of lots, instead of the lot size.
    icc : float, in [0, 1)
        Intra-lot correlation of the outcomes.

    Raises
    ------
    ParameterError
        If a parameter is out of range, or no number of passes from so few lots is enough.

    Notes
    -----
    The smallest n with ``P(X ≤ F | n, q) = 1 − I_q(F + 1, n − F) ≤ (1 − C) / K``; for F = 0 it is ``⌈ln((1 − C) / K) /
    ln(1 − q)⌉``. With lots of m passes, n (before rounding) is multiplied by the design effect ``1 + (m − 1) icc``. If
    L lots are given instead, m = n / L, and n solves the same equation. Where the claim counts lots as larger (of
    uneven size, or too small to stand alone), n grows until `claim_by_lots` shows the rate (`lot_effect`).

    References
    ----------
    Clopper and Pearson, Biometrika 26 (1934) 404–413 (the bound that is inverted here); Kish, Survey
    Sampling (1965), chapter 5 (design effect).

    Examples
    --------
    >>> plan_passes(0.01, 0.95).passes, plan_passes(0.01, 0.95, events=1).passes
    (299, 473)
    >>> plan_passes(1e-4, 0.95, lot_size=50, icc=0.05).passes
    103348
    """
    _share("max-rate", max_rate)
    _share("confidence", confidence)
    check_least("events", events)
    check_least("best-of", best_of, 1)
    alpha = (1 - exact(confidence)) / best_of
    independent = _fewest(exact(max_rate), alpha, events)
    needed = _needed(max_rate, float(alpha), events)
    effect = _design_effect(needed, lot_size, lots, icc)
    passes = independent if effect == 1 else max(independent, math.ceil(needed * effect - NEAR))
    # Whole lots are not all of one size, and small ones are joined: the claim counts their passes as they lie.
    while needed * (counted := lot_effect(passes, lot_size, lots, icc)) > passes * (1 + NEAR):
        more = math.ceil(needed * counted - NEAR)
        if lot_size is not None and lot_size >= CLAIM_LOT_PASSES:
            # No number of whole lots is left out: of it fewer passes may be enough than of one with a rest.
            more = min(more, math.ceil(lot_size * (passes // lot_size + 1)))
        passes = max(passes + 1, more)
    effect = max(effect, counted)
    if lots is None and lot_size is not None:
        lots = math.ceil(passes / lot_size)
    return PassPlan(
        passes=passes,
        independent_passes=independent,
        lots=lots,
        design_effect=effect,
        max_rate=max_rate,
        confidence=confidence,
        events=events,
        best_of=best_of,
    )


def lot_effect(passes: int, lot_size: float | None, lots: int | None, icc: float) -> float:
    """Return the design effect of passes in lots as `claim_by_lots` counts it, small lots joined; 1 without lots.

    `lot_size`, `lots`: passes per lot, or the number of lots over which the passes are spread as evenly as possible.
    """
    number = math.ceil(passes / lot_size) if lot_size is not None else min(lots or 0, passes)
    if not (icc and number):
        return 1.0
    few, larger = divmod(passes, number)
    if few >= CLAIM_LOT_PASSES:
        size = (larger * (few + 1) ** 2 + (number - larger) * few**2) / passes
    elif number <= MOST_JOINED:
        size = _mean_size([few + 1] * larger + [few] * (number - larger))
    else:
        size = few + CLAIM_LOT_PASSES  # no joined lot is larger
    if lot_size is not None:
        size = max(size, lot_size)
        full, rest = divmod(passes, int(lot_size))
        if lot_size >= CLAIM_LOT_PASSES and full and 0 < rest < CLAIM_LOT_PASSES:
            # Whole lots one after the other: the last few passes join the last of them.
            size = max(size, int(lot_size) + rest * (rest + int(lot_size)) / passes)
    return 1 + (size - 1) * icc


def _mean_size(sizes: list[int]) -> float:
    """Return the size of the lot in which a pass lies, on average over passes, small lots joined."""
    joined = np.bincount(joined_lots(sizes), sizes)
    return float((joined**2).sum() / joined.sum())


def acceptance(passes: int, events: int, rate: float) -> float:
    """Return the probability of at most `events` lost among independent `passes` if the rate is `rate`.

    References
    ----------
    NIST/SEMATECH e-Handbook 6.2.3.2 (operating characteristic of a single sampling plan).

    Examples
    --------
    >>> round(acceptance(52, 3, 0.01), 3)
    0.998
    """
    return 1.0 if events >= passes else float(betaincc(events + 1, passes - events, rate))


def plan_hours(max_per_hour: float, confidence: float, *, events: int = 0, best_of: int = 1) -> float:
    """Return the running hours that show a rate of at most `max_per_hour` events per hour.

    Notes
    -----
    ``Γ⁻¹(F + 1; 1 − (1 − C) / K) / rate``: the one-sided bound of a Poisson count, solved for the exposure.

    References
    ----------
    Garwood, Biometrika 28 (1936) 437–442.

    Examples
    --------
    Fewer than one false trip per shift of 8 hours, none seen:

    >>> round(plan_hours(1 / 8, 0.95), 1)
    24.0
    """
    if not (math.isfinite(max_per_hour) and max_per_hour > 0):
        raise ParameterError(f"max-rate must be a finite number of events per hour above 0, got {max_per_hour:g}.")
    _share("confidence", confidence)
    check_least("events", events)
    check_least("best-of", best_of, 1)
    needed = float(gammainccinv(events + 1, (1 - confidence) / best_of)) / max_per_hour
    if not math.isfinite(needed):
        raise ParameterError(f"max-rate of {max_per_hour:g} per hour needs endless hours. Ask for a larger rate.")
    return needed


def claim_sentence(rate: Rate, *, best_of: int = 1) -> str:
    """Return the one sentence that a rate supports; the bound must already include lots and choice.

    Examples
    --------
    >>> from teachlab.statistics.intervals import proportion
    >>> claim_sentence(proportion(0, 299))
    'At 95 % confidence fewer than 1 % of passes are lost (0 of 299; one-sided upper bound 0.997 %).'
    """
    if rate.trials == 0:
        return "Nothing may be claimed: no passes were scored."
    if rate.upper >= 1:
        return (
            f"Nothing may be claimed: the upper bound is 100 % ({rate.events} of "
            f"{number_of(rate.trials, 'pass is', 'passes are')} lost)."
        )
    chosen = f", the setting chosen among {best_of} on the same passes" if best_of > 1 else ""
    return (
        f"At {100 * rate.confidence:g} % confidence fewer than {rounded_up(100 * rate.upper, 2)} % of passes are lost "
        f"({rate.events} of {rate.trials}; one-sided upper bound {100 * rate.upper:.3g} %{chosen})."
    )


def claim_hours_sentence(rate: CountRate) -> str:
    """Return the one sentence that a count per time supports."""
    if rate.exposure == 0:
        return "Nothing may be claimed: no time was scored."
    return (
        f"At {100 * rate.confidence:g} % confidence fewer than {rounded_up(rate.upper, 3)} false trips per {rate.per} "
        f"({rate.events} in {rate.exposure:.4g} {rate.per}s)."
    )


def rounded_up(value: float, digits: int) -> str:
    """Return a positive number rounded up to so many digits, so that a claim with it is not stronger.

    Examples
    --------
    >>> rounded_up(0.37447, 3), rounded_up(1.3816e-08, 2)
    ('0.375', '1.4e-08')
    """
    if not (math.isfinite(value) and value > 0):
        return f"{value:g}"
    place = math.floor(math.log10(value)) - digits + 1
    # A power of ten may itself be too small or too large for a division: use decimals.
    scaled = Decimal(value).scaleb(-place)
    whole = math.ceil(scaled - Decimal(NEAR))
    return f"{float(Decimal(whole).scaleb(place)):.{digits + 1}g}"


def _fewest(rate: Fraction, alpha: Fraction, events: int) -> int:
    """Return the smallest n with P(X ≤ events) ≤ alpha, exactly."""
    guess = _needed(float(rate), float(alpha), events)
    if not guess < MOST_PASSES:
        raise ParameterError(
            f"max-rate of {float(rate):g} needs about {guess:.1e} passes: no recording is that long. "
            "Ask for a larger rate, or allow fewer events."
        )
    n = max(events + 1, math.ceil(guess) - 1)
    while not _shows(n, events, rate, alpha):
        n += 1
    return n


def _shows(n: int, events: int, rate: Fraction, alpha: Fraction) -> bool:
    # Calculated from the rate itself: one minus a rate of 1e-9 would lose half of its digits.
    chance = float(betaincc(events + 1, n - events, float(rate)))
    if n > EXACT_UP_TO or abs(chance / float(alpha) - 1) > NEAR:
        return chance <= float(alpha)
    # A plan of exactly 299 passes must not become 298 by rounding: ties are decided with fractions.
    exactly = sum(math.comb(n, k) * rate**k * (1 - rate) ** (n - k) for k in range(events + 1))
    return exactly <= alpha


def _needed(rate: float, alpha: float, events: int) -> float:
    """Return the real n at which P(X ≤ events) = alpha; for real n by the incomplete beta function."""
    if events == 0:
        return math.log(alpha) / math.log1p(-rate)
    from scipy.optimize import brentq

    def excess(n: float) -> float:
        return float(betaincc(events + 1, n - events, rate)) - alpha

    low, high = events + 1e-9, events + 1.0
    if excess(high) <= 0:
        return high
    # Double, then find the root between the last two: about 30 evaluations for any rate.
    while excess(high) > 0:
        low, high = high, 2 * high
    return float(brentq(excess, low, high, xtol=1e-9, rtol=1e-15))


def _design_effect(needed: float, lot_size: float | None, lots: int | None, icc: float) -> float:
    if not 0 <= icc < 1:
        raise ParameterError(f"icc must lie in [0, 1), got {icc:g}.")
    if lot_size is not None and lots is not None:
        raise ParameterError("give the passes per lot (--lot-size) or the number of lots (--lots), not both.")
    if icc and lot_size is None and lots is None:
        raise ParameterError("icc needs lots: give the passes per lot (--lot-size) or the number of lots (--lots).")
    if lot_size is not None:
        if not 1 <= lot_size < math.inf:
            raise ParameterError(f"lot-size must be a finite number of at least 1 pass, got {lot_size:g}.")
        return 1 + (lot_size - 1) * icc
    if lots is None:
        return 1.0
    check_least("lots", lots, 1)
    if needed * icc >= lots:
        raise ParameterError(
            f"no number of passes from {number_of(lots, 'lot')} is enough: with an intra-lot correlation of {icc:g} "
            f"the claim needs more than {number_of(math.floor(needed * icc), 'lot')}. Record from more lots."
        )
    # n = needed · (1 + (n / lots − 1) · icc), solved for n / needed.
    return max(1.0, (1 - icc) / (1 - needed * icc / lots))


def _share(name: str, value: float) -> None:
    if not 0 < value < 1:
        hint = f" (a percentage? give {value / 100:g} for {value:g} %)" if 1 <= value < 100 else ""
        raise ParameterError(f"{name} must lie strictly between 0 and 1, got {value:g}{hint}.")
