"""Hypothetical sensors: faster, with a filter, with averages; and the margin that white noise requires for each."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from teachlab.errors import ParameterError, TruthError, check_positive
from teachlab.model.setting import Setting

if TYPE_CHECKING:
    from teachlab.model.recording import Recording
    from teachlab.model.truth import Truth

SHORT = 0.05
"""Share of the passes, or of the gaps, that is shorter than the average used as matched filter."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ComparedSensor:
    """A hypothetical sensor.

    `setting`: filter, delays and rate.
    `average` (evaluations): light is averaged over so many evaluations before the comparator; 1: no average.
    `missing`: why this recording shows nothing about it, otherwise empty.
    """

    name: str
    setting: Setting
    average: int = 1
    missing: str = ""


def needed_margin(rate_hz: float, consecutive: int = 1, delay: int = 0, *, trips_per_hour: float = 1.0) -> float:
    """Return how many sigma below the level white noise must lie to trip no more often than stated.

    `rate_hz`: evaluations per second.
    `delay`: evaluations for which a delay holds an onset back.

    Notes
    -----
    Solves ``3600 · rate · Q(m)ⁿ · (1 − Q(m)) = trips``, Q the upper tail of the normal distribution: n evaluations in a
    row beyond the level after one that is not. With a delay of d, a trip takes at least k = ⌊d / n⌋ further evaluations
    beyond the level, none of them n after the one before: at most ``nᵏ`` ways, so ``nᵏ · Q(m)ⁿ⁺ᵏ`` takes the place of
    ``Q(m)ⁿ``; for n = 1 that is exact. Elementary probability for independent Gaussian noise; it is not valid for
    texture, flicker and beats.

    Examples
    --------
    >>> [round(needed_margin(2000, n), 1) for n in (1, 2, 3)], round(needed_margin(2000, 1, 2), 1)
    ([5.1, 3.4, 2.6], 2.6)
    """
    from scipy.optimize import brentq
    from scipy.special import log_ndtr

    if not (rate_hz > 0 and trips_per_hour > 0) or consecutive < 1 or delay < 0:
        raise ParameterError(
            "rate and trips per hour must be above 0, consecutive at least 1 and the delay at least 0, got "
            f"{rate_hz:g}, {trips_per_hour:g}, {consecutive} and {delay}."
        )
    more = delay // consecutive
    ways, consecutive = more * np.log(consecutive), consecutive + more

    def excess(m: float) -> float:
        return float(consecutive * log_ndtr(-m) + log_ndtr(m) + np.log(3600 * rate_hz / trips_per_hour) + ways)

    # Beyond its maximum at Q = n / (n + 1) the rate falls with m.
    from scipy.special import ndtri

    peak = -float(ndtri(consecutive / (consecutive + 1)))
    return peak if excess(peak) <= 0 else float(brentq(excess, peak, 40.0))


def sensors(recording: Recording, truth: Truth, setting: Setting, *, mains_hz: float = 50.0) -> list[ComparedSensor]:
    """Return the present sensor and four hypothetical ones.

    Twice the evaluation rate; a consecutive count of three; an average over one period of mains flicker, ``rate / (2 ·
    mains)`` evaluations; and an average as long as the shortest twentieth of the passes or of the gaps between them,
    whichever is shorter. The last is the matched filter of a rectangular object in white noise, but short enough to
    keep neighbours separate.
    """
    check_positive(mains_hz=mains_hz)
    samples = recording.info.sample_rate_hz
    rate = setting.evaluation_rate_hz or samples
    setting = replace(setting, taught=None)
    lengths = (truth.end - truth.start)[truth.detect]
    if lengths.size == 0:
        raise TruthError("a counterfactual sensor needs passes to be detected.")
    # Touching passes leave no gap that an average would have to keep.
    between = truth.start[1:] - truth.end[:-1]
    shortest = min(float(np.quantile(span, SHORT)) for span in (lengths, between[between > 0]) if span.size)
    short = max(1, round(shortest * rate / samples))
    mains = max(1, round(rate / (2 * mains_hz)))
    faster = "" if 2 * rate <= samples else f"the log holds {samples:g} samples per second, no more"
    doubled = replace(setting, evaluation_rate_hz=2 * rate if not faster else setting.evaluation_rate_hz)
    return [
        ComparedSensor(name="as it is", setting=setting),
        ComparedSensor(name="twice the evaluation rate", setting=doubled, missing=faster),
        ComparedSensor(name="filter of three evaluations", setting=replace(setting, consecutive=3)),
        ComparedSensor(
            name=f"average over one flicker of {mains_hz:g} Hz mains",
            setting=setting,
            average=mains,
            missing="" if rate > 2 * mains_hz else "evaluated too slowly to average over a flicker",
        ),
        ComparedSensor(name="matched filter", setting=setting, average=short),
    ]
