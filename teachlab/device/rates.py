"""Evaluation rates that logged edges suggest: edges lie on the sensor's own grid of time."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING

import numpy as np
from scipy.signal import find_peaks

from teachlab.model.arrays import Floats

if TYPE_CHECKING:
    from teachlab.device.logged_edges import LoggedEdges, Samples
    from teachlab.model.recording import Light

SEARCHED_SAMPLES = 200_000
"""Length of the spectra; a peak is then refined on the whole log."""
LEVELS_TRIED = 32
"""Number of levels after which edges may be late; the one after which they are most evenly late is taken."""
CROSSINGS_BACK = 4
"""How many crossings before an edge may have made it."""
MOST_CROSSINGS = 8
"""A level crossed more than so many times as often as the output switches is one in the noise."""
WAITS_CLEAR = 7.0
"""A peak of the waits suggests a rate above this plus the logarithm of the number of frequencies."""
HARMONICS = 3
MOST_LATE = 3
LATE_ROOM = 1.1
"""A ratio that leaves at most so many times the variance of the best one is tried too."""
MOST_WAITS, PHASES, ENDS = 2000, 64, 4
"""Number of edges, of phases of the evaluations and of ends of delays between samples on which a ratio is tried."""
MOST_PHASES = 2
"""Number of phases, the best of each direction and of both, at which a ratio of no exact phase is replayed."""
LIKELY_LAGS, LIKELY_PHASES = 16, 4
"""Where edges tell the phase but for the lag: so many phases of the lags below so many samples are tried as well."""
CLEARLY_EVEN = 4.0
"""Edges lie evenly if at most half of what chance leaves out is left out, and so many deviations less."""
FINE = 1 << 12
"""Parts of a sample to which a phase is given."""
DRIFTS, STEPS_OF_DRIFT = 0.4, 20
"""By how much a proposed ratio may be off over the whole log, evaluations, and in how many steps it is looked for."""
LONGEST_RATIO = 64
"""The spectrum is searched up to this number of samples per evaluation."""
MOST_PROPOSALS = 6
SLOWEST_BIN = 16
PERIODIC = 0.25
"""If a slow period holds this share of the power of edges that all fall together, it suggests no rate."""
CLEAR = 3.0
"""A peak of the spectrum suggests a rate if it is at least this many times ``√edges``; replay decides."""


def hidden_ratios(jitter: int, per: int) -> list[Fraction]:
    """Return ratios of one denominator, between whole ratios, that this jitter hides from the spectrum."""
    found = (Fraction(k, per) for k in range(per + 1, (2 * jitter + 1) * per))
    return [one for one in found if one.denominator == per]


@dataclass(frozen=True, slots=True)
class EdgeWaits:
    """How late edges of one direction are after crossings of a level.

    `unevenness` (samples²): spread of the lateness, in which edges without a crossing count in full.
    `crossings`: samples.
    `late` (samples): from the mean.
    """

    unevenness: float
    crossings: Samples
    late: Floats

    @classmethod
    def after(
        cls, light: Light, logged: Samples, level: float, begins: bool, jitter: int, longest: int
    ) -> EdgeWaits | None:
        """Measure it; None if the level is not crossed about as often as there are edges."""
        beyond = light >= level
        at = np.flatnonzero(beyond[1:] != beyond[:-1]) + 1
        crossings = at[beyond[at] == begins]
        if not 8 <= crossings.size <= MOST_CROSSINGS * logged.size:
            return None
        half = 2 * jitter + 3
        k = np.searchsorted(crossings, logged, "right")[:, None] - 1 - np.arange(CROSSINGS_BACK)
        before = crossings[np.maximum(k, 0)]
        late = logged[:, None] - before
        known = (k >= 0) & (late <= longest)
        common = np.convolve(np.bincount(late[known], minlength=longest + 1), np.ones(2 * half + 1, np.int64), "same")
        centres = np.flatnonzero(common == common.max())
        off = np.where(known, np.abs(late - centres[centres.size // 2]), longest + half)
        nearest = off.argmin(axis=1)
        rows = np.flatnonzero(off[np.arange(logged.size), nearest] <= half)
        if 2 * rows.size < logged.size or rows.size < 8:
            return None
        wait = late[rows, nearest[rows]].astype(np.float64)
        wait -= wait.mean()
        uneven = (float(wait @ wait) + (logged.size - rows.size) * (half + 1) ** 2) / logged.size
        return cls(uneven, before[rows, nearest[rows]], wait) if wait.any() else None

    def unexplained(self, ratio: float, phases: Floats) -> Floats:
        """Return the variance that an evaluation every so many samples leaves, for every phase."""
        few = slice(None, None, -(-self.crossings.size // MOST_WAITS))
        at = self.crossings[few].astype(np.float64)
        phases = phases[:, None, None]
        # The filter and the delays move an edge by whole evaluations, which end between samples.
        ends = np.arange(ENDS)[:, None] / ENDS
        told = np.floor(phases + np.ceil((at - phases) / ratio) * ratio + ends) - at
        left: Floats = (self.late[few] - told).var(axis=-1).min(axis=-1)
        return left


@dataclass(frozen=True, slots=True)
class Lateness:
    """How late edges are after the light crosses the level after which they are most evenly late.

    An edge is later the longer its crossing had to wait for the next evaluation. This wait goes up and down with the
    place of the crossing, with the period of the evaluations. The jitter of the edges is only noise in it: rates show
    that jitter hides from the spectrum of the edges.

    `waits`: after crossings in either direction, of the polarity with the more even ones; empty if there is no such
    level.
    """

    samples: int
    waits: tuple[EdgeWaits, ...]

    @classmethod
    def of(cls, light: Light, edges: LoggedEdges, jitter: int, longest: int) -> Lateness:
        """Measure it.

        `light`: in the stored type, NaN where invalid.
        `jitter`, `longest` (samples): jitter that is allowed, and the longest latency.
        """
        early = min(edges.samples, SEARCHED_SAMPLES)
        levels = _tried_levels(light[:early])
        found = []
        for light_on in (True, False):
            waits = []
            for logged, begins in ((edges.active, light_on), (edges.inactive, not light_on)):
                tried = [
                    EdgeWaits.after(light[:early], logged[logged < early], x, begins, jitter, longest) for x in levels
                ]
                known = [(one.unevenness, level) for level, one in zip(levels, tried, strict=True) if one is not None]
                if known and (best := EdgeWaits.after(light, logged, min(known)[1], begins, jitter, longest)):
                    waits.append(best)
            if len(waits) == 2:
                found.append(tuple(waits))
        # A level on the wrong side of the noise is crossed by chance.
        return cls(edges.samples, min(found, key=lambda waits: max(one.unevenness for one in waits), default=()))

    def ratios(self) -> list[Fraction]:
        """Return samples per evaluation, between whole numbers, that explain the waits, the best first."""
        tried = _periods(self.waits, self.samples) if self.waits else []
        left = {ratio: self._unexplained(ratio) for ratio in [Fraction(1), *tried] if self.waits}
        near = Fraction(1, min(self.samples, SEARCHED_SAMPLES))
        out: list[Fraction] = []
        for ratio in sorted(left, key=lambda one: (left[one], one.denominator)):
            if left[ratio] <= LATE_ROOM * min(left.values()) and all(abs(1 / ratio - 1 / x) > near for x in out):
                out.append(ratio)
        return [ratio for ratio in out if ratio.denominator > 1][:MOST_LATE]

    def phases(self, ratio: Fraction, place: float | None = None, longest: int = 0) -> list[Fraction]:
        """Return the phases of the first evaluation, samples, that explain the waits best.

        `place`: where an edge is logged, by `even_places`. Then the phase is that place, less a lag of whole samples.
        `longest` (samples): the longest lag.
        """
        if place is None and not self.waits:
            return [Fraction(k, 2) for k in range(math.ceil(2 * ratio))]
        lags = np.arange(longest + 1 if self.waits else LIKELY_LAGS)
        tried: Floats = _spread(ratio)
        if place is not None:
            tried = np.remainder(place - lags, float(ratio))
        sides = [one.unexplained(float(ratio), tried) for one in self.waits]
        # A level that is a little off moves the phase of a side: the best of each side is tried, and of both together.
        orders = [np.argsort(left, kind="stable") for left in (np.mean(sides, axis=0), *sides)] if sides else [lags]
        best = [order[:MOST_PHASES] for order in orders]
        if place is not None:
            best.append(orders[0][orders[0] < LIKELY_LAGS][:LIKELY_PHASES])
        chosen = dict.fromkeys(np.concatenate(best).tolist())
        return [ratio * k / PHASES if place is None else Fraction(round(tried[k] * FINE), FINE) for k in chosen]

    def _unexplained(self, ratio: Fraction) -> float:
        """Return the variance of the waits that an evaluation every so many samples leaves, at the best phases."""
        return float(np.mean([one.unexplained(float(ratio), _spread(ratio)).min() for one in self.waits]))


def _spread(ratio: Fraction) -> Floats:
    return np.arange(PHASES) * float(ratio) / PHASES


def even_multiples(ratios: Iterable[Fraction], edges: Samples, samples: int, jitter: int) -> list[Fraction]:
    """Return multiples of ratios at which edges lie evenly too: of a slow rate, jitter may show a harmonic only."""
    tried = dict.fromkeys(k * one for one in ratios if one.denominator > 4 for k in (2, 3))
    slow = [one for one in tried if one <= LONGEST_RATIO]
    return [one for one in slow if even_places(edges, one, samples, jitter) is not None]


def even_places(edges: Samples, ratio: Fraction, samples: int, jitter: int) -> tuple[Fraction, float] | None:
    """Return the ratio near a proposed one, and the place, at which most edges are logged; None if jitter hides it.

    Every edge is logged at the sample of an evaluation, after the lag of the log: edges of both directions lie at
    ``⌊place + i · ratio⌋``, if the jitter is less than half an evaluation. An edge at sample e allows the places from
    e − jitter to e + jitter + 1, less a whole number of evaluations; the place is the one that most edges allow.

    `edges` (ascending, samples): of both directions.
    `jitter`: samples.
    """
    wide = 2 * jitter + 1
    if wide >= ratio:
        return None
    at, evaluations = edges - jitter, samples / float(ratio)

    def allowed(one: float) -> tuple[int, float]:
        begins = np.sort(at % one)
        # Of a place, those that begin at or before it, on this turn or the one before, and have not ended.
        both = np.concatenate((begins - one, begins))
        count = np.arange(at.size, 2 * at.size) + 1 - np.searchsorted(both + wide, begins, "right")
        most = int(np.argmax(count))
        ends = both + wide
        return int(count[most]), float(begins[most] + ends[np.searchsorted(ends, begins[most], "right")]) / 2

    step, best = float(ratio), float(ratio)
    for wander in (DRIFTS, DRIFTS / STEPS_OF_DRIFT):
        step = wander * best / STEPS_OF_DRIFT / evaluations
        tried = best + step * np.arange(-STEPS_OF_DRIFT, STEPS_OF_DRIFT + 1)
        counts = np.array([allowed(one)[0] for one in tried.tolist()])
        good = np.flatnonzero(counts == counts.max())
        best = float(tried[good[good.size // 2]])
    # This share of the edges allows no common place by chance; the best of all places and ratios tried has fewer. Of
    # pulses and gaps of one length all edges lie alike, at any ratio: only different lengths count.
    chance, lengths = 1 - wide / float(ratio), np.unique(np.diff(edges)).size
    if 1 - counts.max() / at.size > min(chance / 2, chance - CLEARLY_EVEN * math.sqrt(chance / max(lengths, 1))):
        return None
    found = _simplest(best - step * good.size / 2, best + step * good.size / 2)
    return found, allowed(float(found))[1]


def _tried_levels(light: Light) -> list[float]:
    seen = light[np.isfinite(light)] if light.dtype.kind == "f" else light
    if not seen.size:
        return []
    low, high = np.quantile(seen, (0.01, 0.99)).astype(np.float64).tolist()
    return np.linspace(low, high, LEVELS_TRIED + 2)[1:-1].tolist() if low < high else []


def _periods(waits: tuple[EdgeWaits, ...], samples: int) -> list[Fraction]:
    """Return ratios with whose period waits go up and down, where that is no chance."""
    span = min(samples, SEARCHED_SAMPLES)
    sides = [(one.crossings, one.late / np.sqrt(one.late @ one.late)) for one in waits]
    power, size = _spectrum(sides, span)
    out = []
    for peak in _highest(power, size // LONGEST_RATIO, math.log(power.size) + WAITS_CLEAR):
        frequency, width = _refined(sides, peak / size, span, samples)
        # Waits of few samples are steps: their harmonics are as strong, and all are seen folded at half the log's rate.
        for harmonic in range(1, HARMONICS + 1):
            for f in ((turns + sign * frequency) / harmonic for turns in range(harmonic + 1) for sign in (1, -1)):
                if 1 / LONGEST_RATIO < f < 1 - 2 / size:
                    out.append(_simplest(1 / (f + width), 1 / (f - width)))
    return out


def _spectrum(sides: Sequence[tuple[Samples, Floats]], span: int) -> tuple[Floats, int]:
    """Return the power of pulses by frequency, added over sides, and the samples of which this is the transform."""
    train = np.zeros(1 << (span - 1).bit_length() + 1)
    power = np.zeros(train.size // 2 + 1)
    # Both directions lie on one grid only up to the difference of their latencies: take each alone and add the powers.
    for at, height in sides:
        train[:] = 0
        early = at < span
        np.add.at(train, at[early], height[early])
        power += np.abs(np.fft.rfft(train)) ** 2
    return power, train.size


def _highest(power: Floats, begin: int, least: float) -> list[int]:
    """Return the highest peaks from one frequency on, the highest first."""
    peaks, _ = find_peaks(power[begin:], height=least, distance=8)
    highest: list[int] = (peaks[np.argsort(-power[begin:][peaks])][:MOST_PROPOSALS] + begin).tolist()
    return highest


def proposed_ratios(edges: Samples, samples: int, jitter: int) -> list[Fraction]:
    """Return samples per evaluation that are worth a replay, simple ones first.

    Jitter hides ratios up to ``2 · jitter + 1`` from the spectrum, so whole ones and halves up to there are always
    included. If objects come at exactly equal distances, there are no others: such a log shows no rate.

    `edges` (ascending, samples): edges of both directions.
    `jitter`: samples.
    """
    out = [Fraction(k) for k in range(1, 2 * jitter + 4)] + hidden_ratios(jitter, 2)
    span = min(samples, SEARCHED_SAMPLES)
    sides = [(side, np.ones(side.size)) for side in (edges[::2], edges[1::2])]
    power, size = _spectrum(sides, span)
    begin = size // LONGEST_RATIO
    early = int(np.count_nonzero(edges < span))
    # Products at exactly equal distances put peaks everywhere: these would suggest any rate.
    if power[SLOWEST_BIN:begin].max(initial=0.0) > PERIODIC * early**2 / 2:
        return out
    for peak in _highest(power, begin, CLEAR**2 * max(1, early)):
        frequency = peak / size
        if frequency > 0.5 - 2 / size:
            continue
        frequency, width = _refined(sides, frequency, span, samples)
        for f in (frequency, 1 - frequency):
            ratio = _simplest(1 / (f + width), 1 / (f - width))
            if 1 < ratio <= LONGEST_RATIO and ratio not in out:
                out.append(ratio)
    return out


def _refined(sides: Sequence[tuple[Samples, Floats]], frequency: float, span: int, samples: int) -> tuple[float, float]:
    """Climb the peak on longer and longer stretches, each fine enough for the next; return it with its width."""
    while True:
        width = 1.0 / span
        for _ in range(3):
            tried = frequency + np.linspace(-width, width, 17)
            power = np.zeros(tried.size)
            for at, weight in sides:
                early = at[at < span].astype(np.float64)
                turned = (np.exp(-2j * np.pi * f * early) @ weight[: early.size] for f in tried)
                power += np.abs(np.array(list(turned))) ** 2
            frequency = float(tried[int(np.argmax(power))])
            width /= 4
        if span >= samples:
            return frequency, 0.1 / span
        span = min(2 * span, samples)


def _simplest(low: float, high: float) -> Fraction:
    """Return the fraction of smallest denominator within the bounds (Stern–Brocot, by continued fractions)."""
    a, b = Fraction(low), Fraction(high)
    terms = []
    while (whole := -(-a.numerator // a.denominator)) > b:
        floor = a.numerator // a.denominator
        terms.append(floor)
        a, b = 1 / (b - floor), 1 / (a - floor)
    out = Fraction(whole)
    for term in reversed(terms):
        out = term + 1 / out
    return out
