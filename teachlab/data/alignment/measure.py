"""The measurement of alignment: coarse step, crossings, lags, whole passes."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from teachlab.data.alignment.answer import Alignment, Group, Parted
from teachlab.data.alignment.chance import LEAST, evidence
from teachlab.data.alignment.coarse_shift import bins_of, coarse_shifts
from teachlab.data.alignment.crossings import Crossings, Reaches, crossings_beside, stretches_of
from teachlab.data.alignment.drowned import shown_by_means
from teachlab.data.alignment.lags import MEDIAN_ERROR, Lags, fit_lags
from teachlab.data.alignment.shift import ClockShift
from teachlab.data.alignment.stepped import step_of
from teachlab.data.alignment.stretches import EXAMINED, RUNS, Bins, NearLight, runs_of
from teachlab.data.alignment.whole_periods import (
    OtherFit,
    ambiguous,
    fuller,
    is_clear,
    other_fits,
    own_fit,
)
from teachlab.data.border_doubt import common_step
from teachlab.data.kept_light import KeptLight
from teachlab.light.noise import SIGMA, median
from teachlab.model.arrays import Flags, Floats, Integers
from teachlab.model.printable_text import moment
from teachlab.model.recording import Block, Direction, Recording
from teachlab.model.truth import Truth

UPWARDS = {Direction.RISE: 1.0, Direction.DIP: -1.0}
TIME_GROUPS = 8
"""Number of equal stretches of time for which remaining deviations are given."""
MOST_OF = 0.7
NEAR_ENOUGH = 1.0
"""Samples; windows that differ by no more than this see the same step."""
SHARP, HALF = 1.5, 0.5
"""Samples. Steeper edges may lie on whole samples as borders do: then a median knows no more than half a sample."""
KNOWN = 0.25
"""Of a long recording, more passes are examined until the shift is known to this share of the doubt of a border."""
FEWEST_PARTED, MOST_AMONG = 5, 4
"""Passes that lie elsewhere together are at least so many, with at most one of others among so many of them."""
PARTED_FIT = 0.8
"""Share of their borders that another shift must move to the light."""
SURELY, FEWEST_OF_KIND = 4.0, 10
"""Kinds lie apart by so many standard errors, each known by so many borders."""
BETTER, ONLY, AS_WELL = 0.8, 0.5, 1.25
"""Kinds are what looks like a drift if they leave at most the first share of what it leaves, and what looks like a jump
at the second; up to the third, nobody can tell it from them."""
PASSES_OF_KIND = 5
"""More kinds than one for so many passes would follow any drift."""
EXACT, SURELY_TURNED, TIGHTER, QUARTER = 2.0, 0.1, 0.5, 1.5
"""For a direction: scatters below so many samples are equal; it must be likelier by so many nats a border, since a
regular line has patterns of rounding; passes that are off in it as well must be tighter by this share of the jitter;
and up to 1.5 times as far off they are about as likely in the other."""
SLOW, CLOSE, MOST_MOVES = 0.2, 0.1, 8
"""For edges that take this share of a usual pass, windows are laid anew until they move less, samples, or so often."""


class _Found(NamedTuple):
    """Lags, the fit of other shifts, the crossings, and the shift at which windows were laid for them."""

    lags: Lags
    fits: list[OtherFit]
    crossings: Crossings
    guess: ClockShift


class _Seen(NamedTuple):
    """How the truth lies in one direction, and from what."""

    alignment: Alignment
    found: _Found


class AlignmentReading:
    """What one reading of a recording keeps for its alignment: means of bins, and the light near borders.

    `recording`, `truth`: as for `measure_alignment`.
    `beside` (samples): further stretches that will be needed.
    """

    def __init__(self, recording: Recording, truth: Truth, *, beside: Sequence[tuple[int, int]] = ()) -> None:
        start, end = truth.start.astype(np.float64), truth.end.astype(np.float64)
        self.bins = {key: Bins(*key) for key in bins_of(start, end, recording.samples)}
        self._kept = KeptLight(recording, [*stretches_of(start, end, recording.samples), *beside])

    def push(self, block: Block) -> None:
        """Take the next samples."""
        for bins in self.bins.values():
            bins.push(block)
        self._kept.push(block)

    def recording(self) -> Recording:
        """Return the recording; its kept parts are not read again."""
        return self._kept.recording()


def measure_alignment(recording: Recording, truth: Truth, reading: AlignmentReading | None = None) -> Alignment | None:
    """Measure how far the borders of the truth are from the crossings of the light.

    `reading`: reading of both, if the recording was read already.
    The result is None if fewer than three passes have a crossing near the start and near the end.
    Raises TruthError if a pass ends outside the recording.

    Notes
    -----
    In a long recording, runs of neighbouring passes are examined, at most 512 passes in all, so the work does not grow
    with the recording. First 64 of them are, then twice as many, until they tell the shift to a quarter of the doubt of
    a border. A coarse step correlates the edges of truth and light. Then crossings of half the local step are measured
    near every border, and lag, drift and jitter follow from the nearest ones. Truth shifted by whole passes is tried as
    well. If that matches better, it is used; if it matches nearly as well, the shift is ambiguous, and the smaller
    shift is reported. Unless the passes agree with the light, the direction that is not stored is tried as well. Where
    edges lie about the borders as by chance, the means of the light may still show that the passes lie in place.
    """
    truth.check_inside(recording.samples)
    stored, bins = recording.info.direction, None
    if reading is not None:
        recording, bins = reading.recording(), reading.bins

    def seen(direction: Direction) -> _Seen | None:
        light = NearLight(recording, UPWARDS[direction], bins)
        found = _found(light, truth, recording.samples)
        if found is None:
            return None
        found = _by_kind(found, light, truth, recording.samples)
        return _Seen(_measured(found, light, direction, recording, truth), found)

    first = stored or Direction.RISE
    own = seen(first)
    # What agrees with the light needs no other direction.
    if stored is not None and own is not None and own.alignment.agrees:
        return own.alignment
    other = seen(Direction.DIP if first is Direction.RISE else Direction.RISE)
    best = _of_two(own, other, truth, stored=stored is not None)
    if best is None or best.by_chance:
        borders = truth.start.astype(np.float64), truth.end.astype(np.float64)
        for direction in Direction if stored is None else (stored,):
            if shown_by_means(NearLight(recording, UPWARDS[direction], bins), *borders, recording.samples, LEAST):
                return _drowned(direction, recording, truth)
    return best


def _measured(found: _Found, light: NearLight, direction: Direction, recording: Recording, truth: Truth) -> Alignment:
    """Return how the truth lies if products do this to the light."""
    lags, fits, crossings, _ = found
    if crossings.edge < SHARP:
        low, high = min(lags.low, lags.shift.shift - HALF), max(lags.high, lags.shift.shift + HALF)
        lags = replace(lags, low=low, high=high)
    passes = ~np.isnan(lags.begins) | ~np.isnan(lags.ends)
    measured = Alignment(
        samples=recording.samples,
        sample_rate_hz=recording.info.sample_rate_hz,
        lags=lags,
        edge=crossings.edge,
        uncertainty_samples=truth.uncertainty_samples,
        passes=int(np.count_nonzero(passes)),
        fits=tuple(fits),
        ambiguous=ambiguous(fits),
        direction=direction,
        fuller=fuller(fits) if ambiguous(fits) else 0,
        shortest=_shortest(truth, lags, recording.samples),
        by_kind=tuple(_group(str(name), lags, truth.label == name) for name in np.unique(truth.label.astype(str))),
        by_time=tuple(
            _group(moment(int(a), recording), lags, (truth.start >= a) & (truth.start < b))
            for a, b in pairwise(np.linspace(0, recording.samples, TIME_GROUPS + 1).tolist())
        ),
        step=_step(truth),
    )
    rows = _examined(truth, crossings)
    if _evidence(truth, rows, found, recording.samples) < LEAST:
        return replace(measured, by_chance=True)
    measured = _kinds_apart(_one_side_right(measured), truth)
    return replace(measured, parted=_stepped(measured, truth, rows) or _parted(measured, light, truth, rows))


def _drowned(direction: Direction, recording: Recording, truth: Truth) -> Alignment:
    """Return how passes lie that the means of the light show where they are, and its edges do not."""
    unknown, samples = np.full(truth.passes, np.nan), recording.samples
    lags = Lags(ClockShift(samples), 0.0, 0.0, 0.0, -math.inf, math.inf, -math.inf, math.inf, 0.0, unknown, unknown)
    return Alignment(
        samples=samples, sample_rate_hz=recording.info.sample_rate_hz, lags=lags, edge=math.nan,
        uncertainty_samples=truth.uncertainty_samples, passes=0, fits=(OtherFit(0, 0.0, 0.0, 0.0),), ambiguous=False,
        direction=direction, shortest=float(np.median(np.minimum(truth.end - truth.start, _gaps(truth, samples)))),
        by_kind=(), by_time=(), drowned=True,
    )  # fmt: skip


def _one_side_right(measured: Alignment) -> Alignment:
    """Keep borders of one side where they are, if they agree with the light and those of the other side do not.

    Such passes have wrong lengths, and no lag: the mean of both would move the right borders away. Lengths that differ
    by less than the edges take may do so by where crossings are seen.
    """
    lags = measured.lags
    side = min(lags.begin, lags.end, key=abs)
    there = replace(lags.shift, shift=side)
    clear = measured.misfits and not abs(measured.width) <= measured.edge
    if not (clear and measured.moves and there.most <= measured.doubt):
        return measured
    by = side - lags.shift.shift
    return replace(measured, lags=replace(lags, shift=there, low=lags.low + by, high=lags.high + by))


def _of_two(own: _Seen | None, other: _Seen | None, truth: Truth, *, stored: bool) -> Alignment | None:
    """Return how the truth lies in the direction that is stored, or in the other one where that is surely better.

    `own`, `other`: in the stored direction and in the contrary one, or in both if none is stored.

    Notes
    -----
    Where gaps are as long as passes, passes that are half a product late lie on the gaps, and the gaps turned over look
    like passes. How the edges scatter about the borders tells the two apart, unless the line is regular: then the
    lengths may do so, and otherwise nothing.
    """
    if own is None or other is None:
        one = own or other
        if one is None or one is own or not stored:
            return None if one is None else one.alignment
        return replace(one.alignment, turned=True) if one.alignment.alone else None
    if not stored:
        # Nothing speaks for either but the light: the one that asks for the smaller change is tried first.
        own, other = sorted((own, other), key=lambda one: (one.alignment.by_chance, one.alignment.apart))
    a, b = own.alignment, other.alignment
    if b.by_chance:
        return a
    if a.by_chance and b.alone:
        return replace(b, turned=True, contrary=a) if stored else b
    rows = _examined(truth, min(own.found.crossings, other.found.crossings, key=lambda seen: seen.passes))
    # What a shift moves to an end of the record has no edge there to meet, or a whole gap beside it.
    rows, near = rows[(rows > 0) & (rows < truth.passes - 1)], a.shortest / 2
    for shift in (a.shift, b.shift):
        rows = rows[(shift.of(truth.start[rows]) >= near) & (shift.of(truth.end[rows]) <= a.samples - near)]
    exact = max(EXACT, a.doubt / 2)
    ours, theirs = (_evidence(truth, rows, one.found, a.samples, exact) for one in (own, other))
    surely = max(LEAST, SURELY_TURNED * 2 * rows.size)
    alike = abs(theirs - ours) < surely
    # Gaps that are far from the passes in place or length meet borders too: unless the others are met far worse, or
    # hardly at all, that is no evidence against a stored direction.
    worse = b.lags.jitter < TIGHTER * a.lags.jitter or _share(own.found) < MOST_OF * _share(other.found)
    clear = theirs >= ours + surely and (b.near or (not b.misfits and (worse or not stored)))
    if clear or (alike and b.agrees and a.misfits):
        return replace(b, turned=True, contrary=a) if stored else b
    # On a line that is half and half, a quarter of the pitch late in one direction is a quarter early in the other.
    quarter = not b.misfits and b.apart <= min(QUARTER * a.apart, (QUARTER / 2) * a.shortest)
    if stored and theirs > ours - surely and (quarter or (b.near and b.apart < a.apart)):
        return replace(a, contrary=b)
    return a


def _middles(lags: Lags) -> Floats:
    """Return the deviation of every pass, samples: of its middle, or of the border that has a crossing."""
    begins, ends = lags.begins, lags.ends
    return np.where(np.isnan(begins), ends, np.where(np.isnan(ends), begins, (begins + ends) / 2))


def _about_kinds(values: Floats, truth: Truth) -> Floats:
    """Return values of passes less the medians of their kinds."""
    out = values.copy()
    for name in np.unique(truth.label.astype(str)):
        rows = (truth.label == name) & ~np.isnan(values)
        if rows.any():
            out[rows] -= median(values[rows])
    return out


def _by_kind(found: _Found, light: NearLight, truth: Truth, samples: int) -> _Found:
    """Return the fit without a difference of rate, if kinds that come one after the other are what looks like it."""
    lags = found.lags
    if not lags.shift.rate or not 2 <= np.unique(truth.label.astype(str)).size <= truth.passes / PASSES_OF_KIND:
        return found
    left = _middles(lags)
    raw = left + lags.shift.rate * ((truth.start + truth.end) / 2 - samples / 2)
    if not np.nansum(np.abs(_about_kinds(raw, truth))) <= BETTER * np.nansum(np.abs(_about_all(left))):
        return found
    there = lags.shift.shift + lags.shift.rate * (float(np.median(truth.start)) - samples / 2)
    return _fitted(light, truth, samples, ClockShift(samples, there), np.inf) or found


def _about_all(values: Floats) -> Floats:
    return np.asarray(values - median(values[~np.isnan(values)]))


def _kinds_apart(measured: Alignment, truth: Truth) -> Alignment:
    """Add the kinds whose passes come earliest and latest against the light, if they surely lie apart."""
    lags, middles = measured.lags, _middles(measured.lags)
    of_kind = middles - _about_kinds(middles, truth)
    own = np.concatenate([side - of_kind for side in (lags.begins, lags.ends)])
    jitter = SIGMA * median(np.abs(own[~np.isnan(own)]))
    known = sorted((kind for kind in measured.by_kind if kind.borders >= FEWEST_OF_KIND), key=lambda kind: kind.middle)
    if len(known) < 2:
        return measured
    # Light that comes late after a border means that the border is early.
    late, early = known[0], known[-1]
    error = MEDIAN_ERROR * jitter * np.sqrt(2 / late.borders + 2 / early.borders)
    if not early.middle - late.middle > max(2 * measured.doubt, SURELY * error):
        return measured
    return replace(measured, kinds=(early, late), own_jitter=jitter)


def _evidence(truth: Truth, rows: Integers, found: _Found, samples: int, exact: float = 0.0) -> float:
    """Return how much better than by chance the borders of the rows that were examined are met, in nats."""
    lags = found.lags
    start, end = (lags.shift.of(side.astype(np.float64)) for side in (truth.start, truth.end))
    left = replace(lags, begins=lags.begins[rows], ends=lags.ends[rows])
    return evidence(
        start[rows], end[rows], found.crossings, Reaches.of(start, end, samples).of_rows(rows), left, exact=exact
    )


def _examined(truth: Truth, crossings: Crossings) -> Integers:
    """Return the rows of the passes whose light was examined."""
    runs = runs_of(truth.passes, stop=crossings.passes // RUNS)
    return np.concatenate([np.arange(*run) for run in runs])


def _stepped(measured: Alignment, truth: Truth, rows: Integers) -> Parted | None:
    """Return the shorter side of a jump of the clock that lies within reach; None if there is none.

    A shift with a difference of rate would lie half-way between both sides everywhere.
    """
    lags, times = measured.lags, (truth.start + truth.end)[rows] / 2
    found = step_of(lags.begins[rows], lags.ends[rows], times)
    edge = 0.0 if np.isnan(measured.edge) else measured.edge
    if found is None or not abs(found.size) > max(measured.doubt, measured.step, 2 * found.jitter + edge):
        return None
    of_kind = False
    if measured.kinds is not None:
        left = _middles(lags)
        sides = left[rows[: found.at]], left[rows[found.at :]]
        share = np.nansum(np.abs(_about_kinds(left, truth))) / sum(np.nansum(np.abs(_about_all(one))) for one in sides)
        if share <= ONLY:  # kinds that take turns tell what a jump at one place does not
            return None
        of_kind = bool(share <= AS_WELL)
    if 2 * found.at < rows.size:
        return Parted(0, int(rows[found.at - 1]), -found.size, of_kind)
    return Parted(int(rows[found.at]), truth.passes - 1, found.size, of_kind)


def _parted(measured: Alignment, light: NearLight, truth: Truth, rows: Integers) -> Parted | None:
    """Return a run of passes that another shift moves to the light; None if there is none.

    Borders without a crossing may also lie where nothing is seen. So that run is measured by itself.
    """
    lags = measured.lags
    off = max(measured.doubt, measured.step, measured.doubt_after)
    left = np.abs([lags.begins[rows], lags.ends[rows]])
    # Passes that lie elsewhere meet another edge at one border by chance.
    elsewhere = np.asarray((left > off).any(axis=0) | np.isnan(left).all(axis=0))
    found = _densest(elsewhere)
    if found is None:
        return None
    first, last = (int(rows[k]) for k in found)
    part = truth.select(slice(first, last + 1))
    other = _found(light, part, measured.samples)
    if other is None or other.lags.borders < 2 * PARTED_FIT * other.crossings.passes:
        return None
    if _evidence(part, _examined(part, other.crossings), other, measured.samples) < LEAST:
        return None
    middle = np.array([(part.start[0] + part.end[-1]) / 2])
    lag = float((other[0].shift.of(middle) - lags.shift.of(middle))[0])
    # On a regular line passes that nothing shows are found again at others, about as many passes away.
    near = abs(lag) < (part.end[-1] - part.start[0]) / 4
    return Parted(first, last, lag) if near and abs(lag) > off + 2 * other[0].jitter else None


def _densest(elsewhere: Flags) -> tuple[int, int] | None:
    """Return first and last of the run in which passes lie elsewhere together; None if there is none.

    Examples
    --------
    >>> _densest(np.arange(40) >= 20)
    (20, 39)
    >>> _densest(np.arange(40) % 2 == 0) is None
    True
    """
    sums = np.concatenate(([0], np.cumsum(np.where(elsewhere, 1, -MOST_AMONG))))
    lowest = np.minimum.accumulate(sums)
    stop = int(np.argmax(sums - lowest))
    if sums[stop] - lowest[stop] < FEWEST_PARTED:
        return None
    return int(np.flatnonzero(sums[: stop + 1] == lowest[stop])[-1]), stop - 1


def _step(truth: Truth) -> float:
    """Return the step of which the times of the passes are multiples, samples; 1 if none is found."""
    rows = np.concatenate([np.arange(*run) for run in runs_of(truth.passes)])
    return common_step(truth.start[rows].astype(np.float64), truth.end[rows].astype(np.float64), rounded=False)


def _gaps(truth: Truth, samples: int) -> NDArray[Any]:
    """Return the smaller gap beside every pass that has one; otherwise the length of the record."""
    gaps = np.concatenate(([samples], truth.start[1:] - truth.end[:-1], [samples]))
    gaps = np.where(gaps > 0, gaps, samples)
    return np.minimum(gaps[:-1], gaps[1:])


def _shortest(truth: Truth, lags: Lags, samples: int) -> float:
    """Return the median of the shorter of every pass and its gaps, as long as the light shows them, samples."""
    longer = lags.end - lags.begin
    gaps = _gaps(truth, samples)
    return float(np.median(np.minimum(truth.end - truth.start + longer, gaps - longer)))


def _group(name: str, lags: Lags, rows: NDArray[Any]) -> Group:
    begins, ends = (side[rows & ~np.isnan(side)] for side in (lags.begins, lags.ends))
    borders = int(begins.size + ends.size)
    begin, end = (float(np.median(side)) if side.size else float("nan") for side in (begins, ends))
    return Group(name, borders, begin, end)


def _found(light: NearLight, truth: Truth, samples: int) -> _Found | None:
    start, end, step = truth.start.astype(np.float64), truth.end.astype(np.float64), _step(truth)
    fitted = [_fitted(light, truth, samples, guess, step) for guess in coarse_shifts(light, start, end, samples)]
    known = [one for one in fitted if one is not None]
    if not known:
        return None
    # A shift that fits by chance matches loosely: of those that reach most borders, the tightest is used.
    most = max(_share(one) for one in known)
    found = min((one for one in known if _share(one) >= MOST_OF * most), key=lambda one: one[0].jitter)
    best = max(found[1], key=lambda fit: (fit.matched, fit.passes == 0))
    if best.passes:
        guess = ClockShift(samples, found[0].shift.shift + best.shift, found[0].shift.rate)
        better = _fitted(light, truth, samples, guess, step)
        if better is not None and own_fit(better[1]).matched > own_fit(found[1]).matched:
            found = better
    for _ in range(MOST_MOVES):
        # Windows at the places of the passes see cleaner steps than windows at a guess. Where edges take much of a
        # pass, crossings go half of the way with the windows, and one step is not enough.
        slow = found.crossings.edge > SLOW * float(np.median(end - start))
        if _apart(found.guess, found.lags.shift) <= (CLOSE if slow else NEAR_ENOUGH):
            break
        found = _fitted(light, truth, samples, found.lags.shift, step) or found
    lags, fits, *_ = found
    pitch = next((abs(fit.shift) for fit in fits if fit.passes in (-1, 1)), None)
    if ambiguous(fits) and pitch and (off := round(lags.shift.shift / pitch)):
        # If shifts cannot be separated, the smallest one is reported.
        other = _fitted(light, truth, samples, ClockShift(samples, lags.shift.shift - off * pitch), step)
        found = other if other is not None else found
    return found


def _apart(one: ClockShift, other: ClockShift) -> float:
    """Return the largest distance between two shifts of the same recording, samples."""
    return abs(one.shift - other.shift) + abs(one.rate - other.rate) * one.samples / 2


def _share(found: _Found) -> float:
    """Return how many borders of the passes that were examined have a crossing."""
    return found[0].borders / found[2].passes


def _fitted(light: NearLight, truth: Truth, samples: int, guess: ClockShift, step: float) -> _Found | None:
    start, end = truth.start.astype(np.float64), truth.end.astype(np.float64)
    a, b = guess.of(start), guess.of(end)
    reach = Reaches.of(a, b, samples)
    known: list[Crossings] = []
    found: _Found | None = None
    whole = runs_of(start.size)
    for done, stop in pairwise((0, *EXAMINED)):
        runs = runs_of(start.size, stop=stop)
        known.append(crossings_beside(light, a, b, reach, samples, runs_of(start.size, first=done, stop=stop)))
        crossings = Crossings.joined(known)
        # What was not examined has no crossing, and would only take time.
        rows = np.concatenate([np.arange(*run) for run in runs])
        places = start[rows], end[rows], crossings, reach.of_rows(rows)
        if (lags := fit_lags(*places, guess, step=step)) is not None:
            ends = np.cumsum([stop - first for first, stop in runs]).tolist()
            fits = other_fits(*places, lags, [*pairwise([0, *ends])])
            left = np.full((2, start.size), np.nan)
            left[:, rows] = lags.begins, lags.ends
            found = _Found(replace(lags, begins=left[0], ends=left[1]), fits, crossings, guess)
        if runs == whole or (found is not None and _is_enough(found, truth, samples)):
            break
    return found


def _is_enough(found: _Found, truth: Truth, samples: int) -> bool:
    """Whether the shift is known everywhere to a fraction of the doubt of a border, also as to whole passes."""
    lags, fits, *_ = found
    at_ends = (lags.high - lags.low) / 2 + (lags.rate_high - lags.rate_low) / 2 * samples / 2
    return bool(at_ends <= KNOWN * max(1.0, truth.uncertainty_samples)) and is_clear(fits)
