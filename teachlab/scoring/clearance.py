"""How near the light comes to the levels, pass by pass and lot by lot, and what this shows about future ones."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from teachlab.light.noise import SIGMA, deviation
from teachlab.model.json_values import Document
from teachlab.model.printable_text import cut, in_figures
from teachlab.model.score import Outcome, Trials
from teachlab.model.truth import Truth
from teachlab.scoring.by_lot import lot_codes
from teachlab.statistics.claims.lot_claims import joined_lots
from teachlab.statistics.lots import Source

if TYPE_CHECKING:
    from teachlab.model.margin import Margin
    from teachlab.model.setting import Setting

SIDES = ("detect", "trip", "release")
NEAR_SHARE, NEAR_SPREADS = 0.5, 4.0
"""A near miss keeps less than this share of the usual distance and lies this many deviations below: planning values."""

Levels = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Clearance(Document):
    """The smallest distance of the light to the levels, and what it shows about future lots or passes.

    `least` (recording units): negative if the light passed a level.
    `side`: detect: a pass against the level of activation; trip: a gap against it; release: the lowest light of a gap
    against the level of release.
    `row`: pass in which, or after which, the light comes nearest.
    `units`: ``"lots"``, or ``"passes"``; they are assumed to be independent.
    `count`: number of units.
    `content`: at least this share of the units keeps at least this distance, at the confidence given.
    """

    least: float
    side: str
    row: int
    units: str
    count: int
    content: float
    confidence: float

    def sentence(self, unit: str) -> str:
        """Say what distance is kept, by what share, and what is assumed."""
        sure = (
            f"At {100 * self.confidence:g} % confidence {100 * self.content:.3g} % of {self.units} to come keep as "
            f"much, from {self.count} {self.units}, if {self.units} are independent."
        )
        if self.least < 0:
            return f"Light passes a level by {in_figures(-self.least)} {unit} (pass {self.row}, side '{self.side}')."
        return (
            f"Weak moments inside passes left out, light keeps at least {in_figures(cut(self.least, 4))} {unit} from "
            f"the levels (nearest at pass {self.row}, side '{self.side}'). {sure}"
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class NearMisses(Document):
    """Passes, or gaps, that were scored without an error but came far nearer to the level than the others.

    `side`: detect: passes near the level of activation; trip: gaps or `ignore` passes near it.
    `rows`: passes, or the passes before such gaps, the nearest first.
    `least`, `usual` (recording units): distance of the nearest one to the level, and the median of all.
    `count`: how many passes, or gaps, were examined.
    """

    side: str
    rows: tuple[int, ...]
    least: float
    usual: float
    count: int


def near_misses(truth: Truth, setting: Setting, margin: Margin, trials: Trials) -> list[NearMisses]:
    """Find passes and gaps whose distance to the level is far smaller than that of the others, the clearer side first.

    Of the passes that were hit, these are the ones whose distance to the level of activation is below half the median
    distance and at least four robust deviations (1.4826 · MAD) below the median. If objects vary evenly, there are
    none. The same is done for gaps without a trip and for `ignore` passes. They are no errors. They look like the next
    error, such as a kind of object that nobody named.
    """
    first, passes = trials.first_pass, np.arange(trials.passes.size)
    rows = first + passes
    reach = _distances(setting, margin, rows)
    if not reach.size:
        return []
    detect = truth.detect[rows]
    hit = detect & (trials.passes == Outcome.HIT)
    quiet = ~detect & (trials.passes != Outcome.EXCLUDED) & (trials.pass_onsets == 0)
    clear = trials.gap_after[(trials.gaps != Outcome.EXCLUDED) & (trials.gap_onsets == 0)]
    sides = {
        "detect": [(rows[hit], reach[0][hit])],
        # `ignore` passes and gaps are two different groups.
        "trip": [(rows[(k := np.isin(rows, clear))], reach[1][k]), (rows[quiet], -reach[0][quiet])],
    }
    found = [near for side, crowds in sides.items() for crowd in crowds if (near := _near(side, *crowd)) is not None]
    return sorted(found, key=lambda near: near.least / near.usual)


def _near(side: str, rows: NDArray[np.int64], distance: Levels) -> NearMisses | None:
    known = np.isfinite(distance) & (distance >= 0)
    rows, distance = rows[known], distance[known]
    if not rows.size:
        return None
    usual = float(np.median(distance))
    spread = SIGMA * deviation(distance)
    near = (distance < NEAR_SHARE * usual) & (distance <= usual - NEAR_SPREADS * spread)
    if not near.any():
        return None
    order = np.flatnonzero(near)[np.argsort(distance[near], kind="stable")]
    return NearMisses(
        side=side,
        rows=tuple(rows[order].tolist()),
        least=float(distance[order[0]]),
        usual=usual,
        count=int(rows.size),
    )


def clearance_of(
    truth: Truth, setting: Setting, margin: Margin, trials: Trials, *, confidence: float = 0.95
) -> Clearance | None:
    """Find the smallest clearance of the scored passes and the gaps after them, and the share that keeps it.

    The result is None if no pass was scored or measured.

    `truth`, `setting`: of fixed levels.
    `margin`: with the extremes of every pass and gap.
    `trials`: only scored detect passes and the gaps after them are examined.
    `confidence`: one-sided.

    Notes
    -----
    At confidence ``1 − α``, at least a share ``α^(1/n)`` of all values exceeds the smallest of n independent values: a
    lower tolerance limit for any distribution. The units are lots if they are named, because passes of one lot resemble
    each other. With 299 passes, or lots, the share is 99 % at 95 % confidence.

    References
    ----------
    Wilks, Determination of sample sizes for setting tolerance limits, Annals of Mathematical Statistics 12 (1941)
    91–96.
    """
    rows = trials.rows(trials.wanted)
    distance = _distances(setting, margin, rows)[:3]
    known = np.where(np.isnan(distance), np.inf, distance)
    if not known.size:
        return None
    side, at = np.unravel_index(int(np.argmin(known)), known.shape)
    if not np.isfinite(known[side, at]):
        return None
    code, source = lot_codes(truth, rows)
    lots = source is Source.LOTS
    count = int(np.unique(code).size) if lots else int(rows.size)
    return Clearance(
        least=float(known[side, at]),
        side=SIDES[int(side)],
        row=int(rows[at]),
        units="lots" if lots else "passes",
        count=count,
        content=float((1 - confidence) ** (1 / count)),
        confidence=confidence,
    )


def worst_by_unit(
    measure: str, truth: Truth, setting: Setting, margin: Margin, trials: Trials, *, dark_level: float, lots: bool
) -> Levels:
    """Return a figure of the margin for every lot, or every pass, from its own worst light.

    `measure`: margin_to_noise, population or excess_gain, as `Margin` defines them over the whole recording.
    `dark_level` (recording units): reading without any light, for the excess gain.
    `lots`: if true, by named lots, where small ones join the next; otherwise by passes, each with the gap after it.

    Lots or passes that cannot be measured are left out; a single pass has no population figure.
    """
    rows = trials.rows(trials.wanted)
    distance = _distances(setting, margin, rows)
    if not rows.size or not distance.size:
        return np.empty(0)
    code = np.arange(rows.size)
    if lots:
        code = lot_codes(truth, rows)[0]
        # As in claims, lots that are too small join the next one.
        code = joined_lots(np.bincount(code))[code]
    units = int(code.max()) + 1
    if measure == "population":
        floor = (margin.step or 0.0) / np.sqrt(12)
        # Peaks and gaps alone, as in `Margin`: where one of them has no spread, the release does not take its place.
        both = zip(SIDES[:2], distance, strict=False)
        sides = [side for name, side in both if name not in margin.no_variance]
        figures = [[_population(side[code == k], floor) for k in range(units)] for side in sides]
        out = np.fmin.reduce(np.array(figures or [[np.nan] * units]), axis=0)
    else:
        per_pass = _in_noise(margin, distance) if measure == "margin_to_noise" else _gains(
            setting, margin, rows, dark_level
        )  # fmt: skip
        out = np.full(units, np.nan)
        # `at`, because many passes belong to one lot: an assignment by index would keep the last of them only.
        np.fmin.at(out, code, per_pass)
    known: Levels = out[~np.isnan(out)]
    return known


def _distances(setting: Setting, margin: Margin, rows: NDArray[np.int64]) -> Levels:
    """Return detect, trip, release and hold of each row, recording units; without rows if nothing was measured."""
    peak, hold, top, valley = margin.peak_of_pass, margin.hold_of_pass, margin.gap_top, margin.gap_valley
    if peak is None or hold is None or top is None or valley is None:
        return np.empty((4, 0))
    act, release = setting.sign * setting.activation, setting.sign * setting.release
    return np.stack((peak[rows] - act, act - top[rows], release - valley[rows], hold[rows] - release))


def _in_noise(margin: Margin, distance: Levels) -> Levels:
    """Return the smallest distance of each row in units of local noise, without sides whose noise is unknown."""
    noise = [margin.noise_object, margin.noise_background, margin.noise_background, margin.noise_object]
    sides = zip((*SIDES, "hold"), noise, strict=True)
    scale = np.array([np.nan if name in margin.no_variance or not sigma else sigma for name, sigma in sides])
    out: Levels = np.fmin.reduce(distance / scale[:, None], axis=0)
    return out


def _gains(setting: Setting, margin: Margin, rows: NDArray[np.int64], dark: float) -> Levels:
    """Return the smaller excess gain of each row: of its light state, and of its dark state."""
    if margin.peak_of_pass is None or margin.gap_top is None:
        return np.empty(0)
    sign, level = setting.sign, setting.activation - dark
    object_, gap = sign * margin.peak_of_pass[rows] - dark, sign * margin.gap_top[rows] - dark
    light, shade = (object_, gap) if sign > 0 else (gap, object_)
    with np.errstate(divide="ignore", invalid="ignore"):
        bright = np.where(level > 0, light / level, np.nan)
        # fmin: if one state has no ratio (light at or below dark), the other one is used; min would return NaN.
        out: Levels = np.fmin(bright, np.where(shade > 0, level / shade, np.nan))
    return out


def _population(values: Levels, floor: float) -> float:
    """Return the mean over the standard deviation of distances; NaN for fewer than two distances or without spread."""
    values = values[~np.isnan(values)]
    spread = max(float(values.std(ddof=1)), floor) if values.size > 1 else 0.0
    return float(values.mean()) / spread if spread > 0 else np.nan
