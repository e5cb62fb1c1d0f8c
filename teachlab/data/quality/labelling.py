"""Passes proposed from the light alone: two levels, hysteresis, a shortest duration."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from teachlab.errors import ParameterError, RecordingError
from teachlab.light.noise import SIGMA, LightMemory, Selection, deviation, need_for_light
from teachlab.light.usable_light import bounded
from teachlab.model.printable_text import level_text
from teachlab.model.recording import Direction, Recording
from teachlab.model.truth import Truth, TruthSource
from teachlab.sensor.clock import delay_evaluations
from teachlab.sensor.comparator import Comparator
from teachlab.sensor.edges import Edges, TwoState

HELD = LightMemory(2.0, 300.0)
"""Crossings are those of the middle of the light: every crossing may be a border."""
REQUIRED_SEPARATION = 2.0
"""The distance of the two levels must be at least this many times the sum of their spreads."""
OUTLIERS = 0.0002
"""Share of the samples at each end that is left out of the split."""
HYSTERESIS = 0.2
"""Width of the switching band as a share of the distance of the two levels."""
CLEAR_MINORITY = 0.4
"""Objects are assumed to be the rarer level only if it takes at most this share of the time."""
SHORTEST_SHARE, SHORTEST_SAMPLES = 0.1, 3
FAINT, SPREADS = 0.15, 6.0
"""Light this share of the way to an object, and this many spreads from the background, may be a faint object."""
OPPOSITE = 0.05
"""On the other side of the background this share of the step is enough: in diffuse light there is little room."""
USUAL = 0.9
"""Quantile of the time over which the light crosses its middle at an edge: longer ones are sparks before it."""
AS_LONG = 2.0
"""A faint object lasts at most this many times the longest pass; longer stretches are drift."""


@dataclass(frozen=True, slots=True)
class Levels:
    """The two levels of a recording.

    `low`, `high` (recording units): medians of the samples below and above the split.
    `low_spread`, `high_spread` (recording units): 1.4826 · MAD of the samples on either side.
    `split` (recording units): the level that separates them best.
    `share_high`: share of the samples above the split.
    """

    low: float
    high: float
    low_spread: float
    high_spread: float
    split: float
    share_high: float

    @property
    def separation(self) -> float:
        """Distance of the two levels divided by the sum of their spreads."""
        spread = self.low_spread + self.high_spread
        return (self.high - self.low) / spread if spread > 0 else math.inf


@dataclass(frozen=True, slots=True, eq=False)
class Proposal:
    """Proposed passes, and how they were found.

    `truth`: self-labelled.
    `direction_from`: ``given``, ``stored`` or ``the rarer level``.
    `shortest_samples`: passes and gaps shorter than this were removed.
    `left_out`, `joined` (shape (n, 2), samples): the removed passes, and the removed gaps.
    `faint` (shape (n, 2), samples): stretches between the passes in which the light goes part of the way to an object,
    no longer than a pass may be. They are not proposed: a person must say whether they are products.
    `opposite` (shape (n, 2), samples): such stretches on the other side of the background: darker where objects are
    bright.
    """

    truth: Truth
    levels: Levels
    direction: Direction
    direction_from: str
    shortest_samples: int
    left_out: Edges
    joined: Edges
    faint: Edges
    opposite: Edges

    @property
    def dropped(self) -> int:
        """Number of passes and gaps that were removed."""
        return len(self.left_out) + len(self.joined)


def propose_passes(
    recording: Recording,
    *,
    direction: Direction | None = None,
    min_ms: float | None = None,
    progress: Callable[[float], None] = lambda share: None,
) -> Proposal:
    """Propose passes where the light is on the objects' side of two levels.

    `direction`: whether objects raise or lower the light; by default as stored; otherwise objects are the level that
    takes less of the time, if that is clear.
    `min_ms`: shortest pass and shortest gap; by default a tenth of the typical one, at least 3 samples.
    Raises RecordingError if the light does not have two levels, or no sample is valid.
    Raises ParameterError if the direction is unclear, or `min_ms` is negative.

    Notes
    -----
    The split is the one with the least variance within its two sides (Otsu 1979), without the outermost 0.02 % of the
    samples; the levels are the medians of the sides. The light is switched with a band of a fifth of their distance
    about their middle. A border is the last crossing of the middle before the switch, so it is at 50 % of the edge.
    Passes shorter than the shortest duration are removed first, then such gaps. The doubt of borders is the median time
    from there to the switch or, if that is longer, the time over which noise crosses the middle at nine of ten edges;
    noise whose samples resemble each other does not show by that.

    References
    ----------
    Otsu, N. (1979), "A threshold selection method from gray-level histograms", IEEE Trans. SMC 9, 62-66.
    """
    if min_ms is not None and not (math.isfinite(min_ms) and min_ms >= 0):
        raise ParameterError(f"min-ms must be at least 0 ms, got {min_ms:g}.")
    need_for_light(recording, "proposing passes", HELD)
    kept = Selection()
    for block in recording.blocks():
        bounded(block, recording.name)  # too much light to be measured is refused, infinite light left out
        values = block.as_float()
        kept.push(values[np.isfinite(values)])
        progress(0.5 * block.stop / recording.samples)
    levels = two_levels(kept.values(), recording.info.unit)
    chosen, source = _direction(recording, direction, levels)
    found = _switched(recording, levels, chosen, progress)
    rate = recording.info.sample_rate_hz
    shortest = _shortest(found.state, recording.samples) if min_ms is None else delay_evaluations(min_ms, rate)
    start, end = found.state.runs(recording.samples)
    start = start.clip(min=0)
    short = end - start < shortest
    left_out = np.column_stack([start, end])[short]
    start, end = start[~short], end[~short]
    apart = start[1:] - end[:-1] >= shortest
    joined = np.column_stack([end[:-1], start[1:]])[~apart]
    if start.size:
        start, end = start[np.concatenate(([True], apart))], end[np.concatenate((apart, [True]))]
    truth = Truth.from_arrays(
        start, end, source=TruthSource.SELF_LABELLED, uncertainty_samples=float(found.edge_samples)
    )
    faint, opposite = (
        _between_passes(state, truth, recording.samples, shortest) for state in (found.faint, found.opposite)
    )
    return Proposal(truth, levels, chosen, source, shortest, left_out, joined, faint, opposite)


def _between_passes(faint: TwoState, truth: Truth, samples: int, shortest: int) -> Edges:
    """Return the stretches of a signal that touch no pass and are no longer than a pass may be."""
    start, end = faint.runs(samples)
    start = start.clip(min=0)
    longest = AS_LONG * float((truth.end - truth.start).max(initial=0))
    apart = np.searchsorted(truth.end, start) == np.searchsorted(truth.start, end, side="right")
    kept = apart & (end - start >= shortest) & (end - start <= longest)
    out: Edges = np.column_stack([start, end])[kept]
    return out


def two_levels(values: NDArray[np.float64], unit: str) -> Levels:
    """Divide values into two levels, or raise if they do not have two.

    `values` (shape (n,), recording units): finite.
    """
    if values.size == 0:
        raise RecordingError("no valid sample of finite light: there is nothing to label. Log it again.")
    ordered = np.sort(values)
    aside = int(OUTLIERS * ordered.size)
    ordered = ordered[aside : ordered.size - aside]
    at = _best_split(ordered)
    if at is None:
        raise RecordingError(
            f"the light does not have two levels: every sample is {level_text(ordered[0])} {unit}. "
            "Log a stretch in which objects pass."
        )
    low, high = ordered[:at], ordered[at:]
    levels = Levels(
        float(np.median(low)),
        float(np.median(high)),
        SIGMA * deviation(low),
        SIGMA * deviation(high),
        float(high[0]),
        high.size / ordered.size,
    )
    if levels.separation < REQUIRED_SEPARATION:
        raise RecordingError(
            f"the light does not have two levels: the best split has {level_text(levels.low)} {unit} below and "
            f"{level_text(levels.high)} {unit} above, {levels.separation:.2f} times the sum of their spreads apart "
            f"(required: {REQUIRED_SEPARATION:g}). Label by hand, or log a stretch in which objects pass."
        )
    return levels


def _best_split(ordered: NDArray[np.float64]) -> int | None:
    """Return the index at which the upper side begins; None if all values are equal."""
    n = ordered.size
    centred = ordered - ordered[n // 2]
    below = np.cumsum(centred)[:-1]
    count = np.arange(1, n)
    # The variance between the sides, times n²: it is largest where the variance within them is smallest.
    between = (n * below - count * centred.sum()) ** 2 / (count * (n - count))
    between[ordered[1:] == ordered[:-1]] = -1.0
    if between.size == 0 or between.max() < 0:
        return None
    return int(np.argmax(between)) + 1


def _direction(recording: Recording, given: Direction | None, levels: Levels) -> tuple[Direction, str]:
    if given is not None:
        return given, "given"
    if recording.info.direction is not None:
        return recording.info.direction, "stored"
    if min(levels.share_high, 1 - levels.share_high) > CLEAR_MINORITY:
        unit = recording.info.unit
        raise ParameterError(
            f"it is not clear which level the objects are: the light is near {level_text(levels.low)} {unit} for "
            f"{100 * (1 - levels.share_high):.0f} % and near {level_text(levels.high)} {unit} for "
            f"{100 * levels.share_high:.0f} % of the time. Give --direction rise or --direction dip."
        )
    return (Direction.RISE if levels.share_high < 0.5 else Direction.DIP), "the rarer level"


@dataclass(frozen=True, slots=True)
class _Switched:
    state: TwoState
    faint: TwoState
    opposite: TwoState
    edge_samples: int


def _switched(
    recording: Recording, levels: Levels, direction: Direction, progress: Callable[[float], None]
) -> _Switched:
    """Return where objects are, with borders at the middle of their edges, and where the light is between two levels.

    Or beyond them, away from the objects.
    """
    middle, band = (levels.low + levels.high) / 2, HYSTERESIS * (levels.high - levels.low) / 2
    dtype, samples = recording.dtype, recording.samples
    rises_at_objects = direction is Direction.RISE
    # Of light that begins between two levels, no object is seen yet: also where objects are dark.
    wide = Comparator(middle + band, middle - band, dtype, first_level=None if rises_at_objects else middle - band)
    exact = Comparator(middle, middle, dtype)
    background, object_ = (levels.low, levels.high) if rises_at_objects else (levels.high, levels.low)
    spread = levels.low_spread if rises_at_objects else levels.high_spread
    share = max(FAINT, SPREADS * spread / (levels.high - levels.low))
    # Released half-way back, because noise there must not end the stretch.
    ends = sorted(background + part * (object_ - background) for part in (share, share / 2))
    part_way = Comparator(ends[1], ends[0], dtype, first_level=None if rises_at_objects else ends[0])
    opposite = _beyond(levels, dtype, rises_at_objects=rises_at_objects)
    for block in recording.blocks():
        for comparator in (wide, exact, part_way, opposite):
            comparator.push(block.light, block.invalid)
        progress(0.5 + 0.5 * block.stop / samples)
    state, crossings = wide.light_state(), exact.light_state()
    rises, falls = _back_to(state.rises(), crossings.rises()), _back_to(state.falls(), crossings.falls())
    moved = np.concatenate([state.rises() - rises, state.falls() - falls])
    edges = np.sort(np.concatenate([rises, falls]))
    light = TwoState(state.first, edges)
    # Noise on a slow edge crosses the middle several times: the last crossing is no surer than the first.
    chatter = np.concatenate(
        (_chatter(crossings.rises(), rises, state.falls()), _chatter(crossings.falls(), falls, state.rises()))
    )
    width = max(1, math.ceil(float(np.median(moved))), int(np.quantile(chatter, USUAL))) if moved.size else 1
    if share >= 0.5 - HYSTERESIS / 2:
        # Such a noisy background hides faint objects.
        faint = TwoState(False, np.empty(0, np.int64))
    else:
        faint = part_way.light_state() if rises_at_objects else part_way.light_state().inverted()
    beyond = opposite.light_state()
    return _Switched(
        light if rises_at_objects else light.inverted(), faint, beyond.inverted() if rises_at_objects else beyond, width
    )


def _beyond(levels: Levels, dtype: np.dtype[Any], *, rises_at_objects: bool) -> Comparator:
    """Return the comparator of light that leaves the background away from the objects, half-way back released."""
    spread = levels.low_spread if rises_at_objects else levels.high_spread
    away = max(OPPOSITE * (levels.high - levels.low), SPREADS * spread)
    if rises_at_objects:
        first = levels.low - away
        return Comparator(levels.low - away / 2, first, dtype, first_level=first)
    return Comparator(levels.high + away, levels.high + away / 2, dtype)


def _back_to(edges: Edges, crossings: Edges) -> Edges:
    """Return the last crossing at or before every edge, or the edge itself if there is none.

    Between two edges of the wide band the light crosses its middle: no edge moves past its neighbour.
    """
    at = np.searchsorted(crossings, edges, side="right") - 1
    known = at >= 0
    out: Edges = edges.copy()
    out[known] = crossings[at[known]]
    return out


def _chatter(crossings: Edges, borders: Edges, ends: Edges) -> Edges:
    """Return how long before every border the light first crossed its middle that way, on the nearer half of the way.

    The way is that from the switch before, at which it may cross the middle as well.
    """
    first_end = np.append(0, ends)[np.searchsorted(ends, borders)]
    first = np.append(crossings, borders.max(initial=0))[np.searchsorted(crossings, (first_end + borders) // 2)]
    out: Edges = borders - np.minimum(first, borders)
    return out


def _shortest(state: TwoState, samples: int) -> int:
    """Return a tenth of the typical pass or gap, whichever is shorter; typical means the median by time."""
    lengths = []
    for signal in (state, state.inverted()):
        start, end = signal.runs(samples)
        length = np.sort(end - start.clip(min=0))
        if length.size:
            half = np.searchsorted(np.cumsum(length), length.sum() / 2)
            lengths.append(int(length[half]))
    return max(SHORTEST_SAMPLES, math.floor(SHORTEST_SHARE * min(lengths)))
