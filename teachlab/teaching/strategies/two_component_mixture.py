"""Two-component mixture: how many levels a sweep has, and the level between them if there are two."""

from __future__ import annotations

import math
import warnings
from dataclasses import dataclass
from typing import Any, ClassVar

import numpy as np
from numpy.typing import NDArray

from teachlab.errors import Abstained
from teachlab.light.noise import local_noise
from teachlab.model.printable_text import number_of
from teachlab.model.setting import Setting
from teachlab.model.teaching import Shown, TeachView
from teachlab.teaching.parameters import CheckedParameters, parameter
from teachlab.teaching.rules.classic import show
from teachlab.teaching.rules.labelled_events import Heights
from teachlab.teaching.rules.unlabelled import SEPARATION, heights_of, level_floor, place_on_sweep
from teachlab.teaching.strategies.noise_weighted import balanced_costs

POINTS = 500
"""The mixture is fitted to this many quantiles of the sweep."""
GATE, LEAST_GATE = 2.4, 4.0
"""Evaluations on a slope steeper than this many standard deviations of the difference of two are edges: of the noise,
and of what a step of the converter leaves open, so that light that goes up and down by one step has no edge."""


@dataclass(frozen=True, slots=True)
class MixtureGroup:
    """One level of a sweep: components that overlap, taken together.

    `weight`: share of the evaluations.
    `mean`, `spread`: recording units, objects upwards.
    """

    weight: float
    mean: float
    spread: float


@dataclass(frozen=True, slots=True, kw_only=True)
class TwoComponentMixture(CheckedParameters):
    """Decide how many levels an unlabelled sweep has, and place the level between two, and only two.

    Parameters
    ----------
    sweep_passes : int, passes, at least 1
        The sweep stops after this many: it should meet every kind of object.
    most_components : int, from 2 to 8
        Largest mixture tried.
    least_weight : float, share of the evaluations, in (0, 0.5)
        A smaller level is no level.

    Notes
    -----
    Evaluations on edges are left out (slope gate); to 500 quantiles of the rest normal mixtures of 1, 2, …
    components are fitted by expectation maximisation, and the Bayesian information criterion chooses.
    Neighbouring components closer than 4 of their standard deviations, (m_j − m_i) < 4·√((s_i² + s_j²)/2),
    are one level: texture is no normal class, and takes several components. With two levels left, T is where
    the weighted density of the upper one overtakes that of the lower one.

    When it fails: texture or glints that bridge the levels, and kinds too rare for the sweep. It hands over
    instead of guessing: with one level, and with three or more, it abstains with the levels found, and names
    who to ask.

    References
    ----------
    Schwarz 1978, Annals of Statistics 6, 461-464 (the criterion); Hennig 2010, "Methods for merging Gaussian
    mixture components", Adv. Data Anal. Classif. 4, 3-34. The fit is that of
    `sklearn.mixture.GaussianMixture`.

    Examples
    --------
    >>> TwoComponentMixture(sweep_passes=50).most_components
    5
    """

    name: ClassVar[str] = "two-component-mixture"
    needs: ClassVar[frozenset[Shown]] = frozenset({Shown.SWEEP})
    equivariant: ClassVar[frozenset[str]] = frozenset({"gain", "offset"})

    sweep_passes: int = parameter(60, "the sweep stops after this many", unit="passes", at_least=1)
    most_components: int = parameter(5, "largest mixture tried", unit="components", at_least=2, at_most=8)
    least_weight: float = parameter(
        0.01, "a smaller level is none", unit="share of the evaluations", above=0, below=0.5
    )

    def teach(self, view: TeachView) -> Setting:
        """Return the level between two levels of the sweep shown, or say how many there are."""
        heights_of(view)
        floor = level_floor(view)
        steady = _steady(view.sign * view.sweep.light, floor)
        found = [g for g in groups(steady, self.most_components, floor) if g.weight >= self.least_weight]
        if len(found) != 2:
            raise self._handing_over(view, found)
        low, high = found
        level = balanced_costs(low.mean, low.spread, high.mean, high.spread, high.weight / low.weight)
        if level is None or not low.mean < level < high.mean:
            level = (high.spread * low.mean + low.spread * high.mean) / (low.spread + high.spread)
        told: dict[str, Any] = {
            "levels": [view.sign * g.mean for g in found],
            "spreads": [g.spread for g in found],
            "weights": [g.weight for g in found],
        }
        return place_on_sweep(self, view, level, **told)

    def _handing_over(self, view: TeachView, found: list[MixtureGroup]) -> Abstained:
        levels = ", ".join(f"{show(view, view.sign * g.mean)} ({100 * g.weight:.0f} %)" for g in found)
        if len(found) < 2:
            return Abstained(
                "the sweep has one level only: objects do not stand out, or none came by",
                f"{len(found)} level: {levels}",
                "2 levels: a sweep with objects and gaps",
            )
        return Abstained(
            f"the sweep has {number_of(len(found), 'level')}, and without labels it is unknown which of them are "
            f"products",
            f"{number_of(len(found), 'level')}: {levels}",
            "2 levels; show labelled passes of every kind to quantile-guard, or to minimax-regret with your stresses",
        )


def _steady(light: Heights, floor: float) -> Heights:
    """Return the valid evaluations that do not lie on an edge; all of them if hardly any are left."""
    slope = np.diff(light)
    noise = local_noise(slope[~np.isnan(slope)], None) or 0.0
    # NaN on either side: the slope is unknown, and the evaluation is kept.
    steep = np.abs(np.nan_to_num(slope)) > max(GATE * noise, LEAST_GATE * floor) * math.sqrt(2)
    edge = np.concatenate((steep, [False])) | np.concatenate(([False], steep))
    valid = ~np.isnan(light)
    kept = light[valid & ~edge]
    return kept if kept.size >= light.size // 4 and np.ptp(kept) > 0 else light[valid]


def groups(heights: Heights, most: int, floor: float) -> list[MixtureGroup]:
    """Return the levels of a sweep, upwards.

    `heights`: shape (n,), recording units.
    `most`: largest number of components.
    `floor` (recording units): least standard deviation.
    """
    # Quantiles instead of all evaluations: the fit takes the same time for a minute and for a day, and outliers count
    # once.
    points = np.quantile(heights, (np.arange(POINTS) + 0.5) / POINTS)
    scale = float(np.ptp(points))
    if not scale > 0:
        return [MixtureGroup(1.0, float(points[0]), max(floor, np.finfo(np.float64).tiny))]
    fitted = _fit((points - points[0]) / scale, most, max(floor / scale, 1e-4))
    out: list[MixtureGroup] = []
    for weight, mean, spread in sorted(fitted.tolist(), key=lambda row: row[1]):
        group = MixtureGroup(weight, float(points[0]) + scale * mean, scale * spread)
        # A level that is not normal is fitted by two or three components at the same place: they are one level.
        while out and _overlap(out[-1], group):
            group = _joined(out.pop(), group)
        out.append(group)
    return out


def _fit(points: Heights, most: int, floor: float) -> NDArray[np.float64]:
    """Return weight, mean and standard deviation of the components that the criterion prefers, shape (k, 3)."""
    from sklearn.mixture import GaussianMixture

    column, best, chosen = points.reshape(-1, 1), math.inf, None
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        for count in range(1, min(most, np.unique(points).size) + 1):
            # Means spread over the range: the rarer level is at the far end, not among the quantiles.
            model = GaussianMixture(
                count,
                weights_init=np.full(count, 1 / count),
                means_init=np.linspace(0.0, 1.0, count + 2)[1:-1].reshape(-1, 1),
                precisions_init=np.full((count, 1, 1), 4.0 * count**2),
                init_params="random_from_data",  # not used, since all is given, but the quickest
                reg_covar=floor**2,
                random_state=0,
                max_iter=200,
            )
            criterion = float(model.fit(column).bic(column))
            if criterion < best:
                best, chosen = criterion, model
    if chosen is None:
        return np.array([[1.0, float(points.mean()), floor]])
    spread = np.sqrt(chosen.covariances_.reshape(-1))
    return np.column_stack([chosen.weights_, chosen.means_.reshape(-1), spread])


def _overlap(low: MixtureGroup, high: MixtureGroup) -> bool:
    return high.mean - low.mean < SEPARATION * math.sqrt((low.spread**2 + high.spread**2) / 2)


def _joined(a: MixtureGroup, b: MixtureGroup) -> MixtureGroup:
    weight = a.weight + b.weight
    mean = (a.weight * a.mean + b.weight * b.mean) / weight
    second = a.weight * (a.spread**2 + (a.mean - mean) ** 2) + b.weight * (b.spread**2 + (b.mean - mean) ** 2)
    return MixtureGroup(weight, mean, math.sqrt(second / weight))
