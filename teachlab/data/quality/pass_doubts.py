"""How doubtful each proposed pass is, why, and where passes are probably missing or double."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import timedelta

import numpy as np
from numpy.typing import NDArray

from teachlab.data.quality.labelling import Proposal
from teachlab.light.extremes import Extremes
from teachlab.model.printable_text import level_text, time_text
from teachlab.model.recording import Direction, Recording, RecordingInfo
from teachlab.sensor.edges import Edges

LEAST_DOUBT = 0.2
"""A smaller doubt is the ordinary spread of products."""
FEWEST = 4
"""With fewer passes, the usual pass is unknown."""
LONG = "long:"
FARTHEST = 1e3
"""Multiple of the distance from background to object; infinite light counts as this."""


@dataclass(frozen=True, slots=True)
class PassDoubt:
    """What makes one proposed pass doubtful.

    `row`: row of the pass among the proposed ones.
    `start`, `end`: samples.
    `doubt`: 0: as usual; 1: probably not a single object.
    `reason`: what is unusual, for people; empty if nothing is.
    """

    row: int
    start: int
    end: int
    doubt: float
    reason: str


@dataclass(frozen=True, slots=True)
class LikelyPlace:
    """A place where a counted product has no pass, or where one pass has two products.

    `sample`, `end`: the stretch ``[sample, end)``.
    `score`: a larger score is more likely.
    """

    sample: int
    end: int
    score: float
    text: str


@dataclass(frozen=True, slots=True)
class CountCheck:
    """Proposed passes compared with a known count of products.

    `places`: probably missing passes, or probably double ones, the most likely first; at most as many as the counts
    differ by.
    """

    counted: int
    proposed: int
    places: tuple[LikelyPlace, ...]


def doubts_and_places(
    recording: Recording, proposal: Proposal
) -> tuple[list[PassDoubt], list[LikelyPlace], list[LikelyPlace]]:
    """Return the doubt of every proposed pass, stretches of faint objects, and those beyond the background.

    All in time order. The score of a stretch is how far the light went, in steps from background to object. The light
    is read once more.
    """
    truth, faint, opposite = proposal.truth, proposal.faint, proposal.opposite
    # They touch no proposed pass, and not each other: one reading serves all.
    start = np.concatenate((truth.start, faint[:, 0], opposite[:, 0]))
    end = np.concatenate((truth.end, faint[:, 1], opposite[:, 1]))
    order = np.argsort(start)
    shares, beyond = np.empty(start.size), np.empty(start.size)
    if start.size:
        shares[order], beyond[order] = _reached(recording, proposal, start[order], end[order])
    doubts = pass_doubts(recording, proposal, shares[: truth.passes])
    first = truth.passes + len(faint)
    return (
        doubts,
        _faint_places(recording, proposal, shares[truth.passes : first]),
        _opposite_places(recording, proposal, beyond[first:]),
    )


def pass_doubts(recording: Recording, proposal: Proposal, shares: NDArray[np.float64] | None = None) -> list[PassDoubt]:
    """Return the doubt of every proposed pass, in time order.

    The doubt of a pass is the worst of these: how weak it is compared with the median pass, how short, how long, how
    closely it follows the one before, and whether the record cuts it. The light is read once more, unless it is given
    how far it went in each pass.
    """
    truth, rate = proposal.truth, recording.info.sample_rate_hz
    if truth.passes == 0:
        return []
    start, end = truth.start, truth.end
    if shares is None:
        shares, _ = _reached(recording, proposal, start, end)
    length = (end - start).astype(float)
    gap = np.concatenate(([np.inf], (start[1:] - end[:-1]).astype(float)))
    compare = truth.passes >= FEWEST
    usual_share, usual_length = float(np.median(shares)), float(np.median(length))
    usual_gap = float(np.median(gap[1:])) if truth.passes > 1 else np.inf
    out = []
    for k in range(truth.passes):
        found: list[tuple[float, str]] = [(0.0, "")]
        if start[k] == 0 or end[k] == recording.samples:
            found.append((1.0, "cut by the record"))
        if compare:
            # Without a usual value, such as the gap of touching passes, nothing is unusual.
            weak, ratio, close = (
                value[k] / usual if usual > 0 else 1.0
                for value, usual in ((shares, usual_share), (length, usual_length), (gap, usual_gap))
            )
            found.append((_between(0.9 - weak, 0.4), f"weak: {100 * weak:.0f} % of the usual light"))
            lasts = f"{time_text(1000 * length[k] / rate)}, usual are {time_text(1000 * usual_length / rate)}"
            found.append((_between(0.8 - ratio, 0.6), f"short: {lasts}"))
            found.append((_between(ratio - 1.3, 0.7), f"{LONG} {lasts}; perhaps two"))
            found.append((_between(0.5 - close, 0.45), _close_text(gap[k], rate)))
        doubt, reason = max(found, key=lambda one: one[0])
        out.append(PassDoubt(k, int(start[k]), int(end[k]), round(doubt, 2), reason if doubt > 0 else ""))
    return out


def reconcile(
    recording: Recording,
    proposal: Proposal,
    doubts: list[PassDoubt],
    faint: list[LikelyPlace],
    opposite: list[LikelyPlace],
    counted: int,
) -> CountCheck:
    """Compare the proposed passes with a known count, and name the most likely missing or double ones."""
    passes = proposal.truth.passes
    if passes > counted:
        places = _superfluous(recording, proposal, doubts, counted)
    else:
        places = _missing(recording, proposal, doubts, faint, opposite) if passes < counted else []
    places.sort(key=lambda place: (-place.score, place.sample))
    return CountCheck(counted, passes, tuple(places[: abs(counted - passes)]))


def _superfluous(recording: Recording, proposal: Proposal, doubts: list[PassDoubt], counted: int) -> list[LikelyPlace]:
    """Return passes that are perhaps no product, or the second part of one: then the second is named.

    If so many products passed, the widest gaps are those between products, one fewer than there are.
    """
    truth, places = proposal.truth, []
    gap = np.concatenate(([np.inf], (truth.start[1:] - truth.end[:-1]).astype(float)))
    usual = float(np.median(np.sort(gap[1:])[::-1][: max(counted - 1, 1)]))
    # A long pass is no reason to take one out.
    alone = [0.0 if d.reason.startswith(LONG) else d.doubt for d in doubts]
    for d in doubts:
        score, reason = alone[d.row], d.reason
        near = 1 - gap[d.row] / usual if usual > 0 else 0.0
        # Where the one before is rather no product, this one is.
        if near > max(score, alone[d.row - 1]):
            score, reason = near, _close_text(gap[d.row], recording.info.sample_rate_hz)
        if score > 0:
            places.append(LikelyPlace(d.start, d.end, score, f"pass {d.row}: {reason}"))
    return places


def _close_text(gap: float, rate: float) -> str:
    return f"only {time_text(1000 * gap / rate)} after the one before; perhaps one object"


def _faint_places(recording: Recording, proposal: Proposal, shares: NDArray[np.float64]) -> list[LikelyPlace]:
    start, end = proposal.faint[:, 0], proposal.faint[:, 1]
    ms = 1000 * (end - start) / recording.info.sample_rate_hz
    return [
        LikelyPlace(a, b, share, f"the light goes {100 * share:.0f} % of the way to an object, for {time_text(long)}")
        for a, b, share, long in zip(start.tolist(), end.tolist(), shares.tolist(), ms.tolist(), strict=True)
    ]


def _opposite_places(recording: Recording, proposal: Proposal, shares: NDArray[np.float64]) -> list[LikelyPlace]:
    levels, info = proposal.levels, recording.info
    rise, step = proposal.direction is Direction.RISE, levels.high - levels.low
    start, end = proposal.opposite[:, 0], proposal.opposite[:, 1]
    light = levels.low - step * shares if rise else levels.high + step * shares
    ms, way = 1000 * (end - start) / info.sample_rate_hz, "down" if rise else "up"
    return [
        LikelyPlace(a, b, share, f"the light goes {way} to {level_text(x)} {info.unit}, for {time_text(long)}")
        for a, b, share, x, long in zip(*(one.tolist() for one in (start, end, shares, light, ms)), strict=True)
    ]


def _missing(
    recording: Recording,
    proposal: Proposal,
    doubts: list[PassDoubt],
    faint: list[LikelyPlace],
    opposite: list[LikelyPlace],
) -> list[LikelyPlace]:
    truth, rate = proposal.truth, recording.info.sample_rate_hz
    places = []
    for a, b in proposal.left_out.tolist():
        share = (b - a) / max(1, proposal.shortest_samples)
        places.append(
            LikelyPlace(
                a, b, 0.5 + 0.5 * share, f"{time_text(1000 * (b - a) / rate)} of light, smoothed away as too short"
            )
        )
    for a, b in proposal.joined.tolist():
        share = (b - a) / max(1, proposal.shortest_samples)
        row = int(np.searchsorted(truth.start, a, side="right")) - 1
        places.append(
            LikelyPlace(
                a, b, 0.5 + 0.5 * share, f"pass {row}: a gap of {time_text(1000 * (b - a) / rate)} was closed in it"
            )
        )
    places += [
        LikelyPlace(d.start, d.end, d.doubt, f"pass {d.row}: {d.reason}") for d in doubts if d.reason.startswith(LONG)
    ]
    places += [replace(p, score=min(1.0, 2 * p.score)) for p in faint]
    places += [replace(p, score=min(1.0, 0.5 + p.score)) for p in opposite]
    if truth.passes < FEWEST:
        return places
    gap = truth.start[1:] - truth.end[:-1]
    pitch, usual = float(np.median(np.diff(truth.start))), float(np.median(gap))
    # If there is such an object, the gap itself is not a second place.
    found = np.concatenate((proposal.faint[:, 0], proposal.opposite[:, 0]))
    held = np.bincount(np.searchsorted(truth.start, found, side="right"), minlength=truth.passes + 1)
    for k in np.flatnonzero((gap - usual > 0.6 * pitch) & (held[1:-1] == 0)).tolist():
        text = f"a gap of {time_text(1000 * gap[k] / rate)}, usual are {time_text(1000 * usual / rate)}"
        places.append(
            LikelyPlace(int(truth.end[k]), int(truth.start[k + 1]), min(0.9, 0.5 * (gap[k] - usual) / pitch), text)
        )
    return places


def _reached(recording: Recording, proposal: Proposal, start: Edges, end: Edges) -> list[NDArray[np.float64]]:
    """Return how far the light went from the level of the background (0) to that of objects (1) in some stretches.

    And how far it went to the other side, in the same steps.
    """
    extremes = Extremes(start, end)
    for block in recording.blocks():
        extremes.push(block.start, block.light, block.invalid_mask())
    levels = proposal.levels
    if proposal.direction is Direction.RISE:
        out = extremes.high - levels.low, levels.low - extremes.low
    else:
        out = levels.high - extremes.low, extremes.high - levels.high
    step = levels.high - levels.low
    return [np.clip(np.nan_to_num(way / step), -FARTHEST, FARTHEST) for way in out]


def _between(value: float, width: float) -> float:
    return min(max(value, 0.0), width) / width


def time_of(info: RecordingInfo, sample: int) -> str:
    """Return date and time of a sample (ISO 8601, to the millisecond), or the time since the recording began.

    Examples
    --------
    >>> time_of(RecordingInfo(sample_rate_hz=2000.0, unit="counts"), 90)
    '0.045 s'
    """
    seconds = sample / info.sample_rate_hz
    if info.began is None:
        return f"{seconds:.3f} s"
    return (info.began + timedelta(seconds=seconds)).isoformat(timespec="milliseconds")
