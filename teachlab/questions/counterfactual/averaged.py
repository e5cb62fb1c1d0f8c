"""A recording as a sensor with a running average would have seen it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np

from teachlab.errors import TruthError
from teachlab.light.lasting_extremes import Hold
from teachlab.light.stretches import Evaluated
from teachlab.model.arrays import Floats
from teachlab.model.recording import BLOCK_SAMPLES, Block, Chunk, Recording
from teachlab.model.truth import Truth
from teachlab.sensor.clock import Clock, no_valid_sample


class AveragedSource:
    """Evaluations of a recording, each the mean of itself and the `span − 1` before it, in float64.

    Invalid evaluations count with the last valid value, as a sensor holds it, and stay invalid. Before the record,
    everything is as at its first valid evaluation.

    `span` (evaluations): at least 1.
    """

    def __init__(self, recording: Recording, clock: Clock, span: int) -> None:
        self.samples, self.dtype, self._span = clock.count, np.dtype(np.float64), span
        self._evaluated = Evaluated(recording, clock, clock.count, keep=False)
        self._kept: tuple[int, Block] | None = None
        valid = (levels[~np.isnan(levels)] for _, levels in self._evaluated.blocks())
        first = next((levels[0] for levels in valid if levels.size), None)
        if first is None:
            raise no_valid_sample(recording.name, recording.samples)
        self._first = float(first)

    def chunks(self) -> Sequence[Chunk]:
        """Return the block grid."""
        return [Chunk(a, min(a + BLOCK_SAMPLES, self.samples)) for a in range(0, self.samples, BLOCK_SAMPLES)]

    def read(self, start: int, stop: int) -> Block:
        """Return the evaluations ``[start, stop)``; the values do not depend on how they are asked for."""
        if stop <= start:
            return Block(start, np.empty(0))
        whole = Block.joined([self._grid(k) for k in range(start // BLOCK_SAMPLES, (stop - 1) // BLOCK_SAMPLES + 1)])
        own = whole.part(start, stop)
        return own if own.invalid is None or own.invalid.any() else Block(start, own.light)

    def blocks(self, start: int, stop: int, size: int) -> Iterator[Block]:
        """Iterate over ``[start, stop)``, at most `size` evaluations each."""
        for a in range(start, stop, size):
            yield self.read(a, min(a + size, stop))

    def _grid(self, k: int) -> Block:
        # The rounding of a running sum depends on where it begins: here always at a border of the grid.
        if self._kept is None or self._kept[0] != k:
            self._kept = (k, self._average(k * BLOCK_SAMPLES, min((k + 1) * BLOCK_SAMPLES, self.samples)))
        return self._kept[1]

    def _average(self, a: int, b: int) -> Block:
        begin = a - self._span + 1
        values = self._evaluated.read(max(begin, 0), b)
        invalid = np.isnan(values)
        held = self._held(values, max(begin, 0))
        if begin < 0:
            held = np.concatenate((np.full(-begin, self._first), held))
        # Sums of differences from one level keep the rounding small.
        total = np.concatenate(([0.0], np.cumsum(held - held[0])))
        mean = held[0] + (total[self._span :] - total[: -self._span]) / self._span if self._span > 1 else held
        own = invalid[invalid.size - (b - a) :]
        return Block(a, mean, own if own.any() else None)

    def _held(self, values: Floats, start: int) -> Floats:
        """Return the values with every invalid one replaced by the last valid one."""
        bad = np.isnan(values)
        if not bad.any():
            return values
        before = self._first
        if bad[0]:
            reach = start
            while reach > 0:
                low = max(0, reach - BLOCK_SAMPLES)
                earlier = self._evaluated.read(low, reach)
                sound = earlier[~np.isnan(earlier)]
                if sound.size:
                    before = float(sound[-1])
                    break
                reach = low
        return Hold().push(np.append(before, values), np.append(False, bad))[1:]


def averaged(
    recording: Recording, truth: Truth, span: int, *, evaluation_rate_hz: float | None = None
) -> tuple[Recording, Truth]:
    """Return recording and passes as a sensor sees them that averages over its last `span` evaluations.

    The result has one sample per evaluation. Its passes are later by half the span, the time by which an average delays
    the half height of an edge. The uncertainty of their borders grows by the same time.
    Raises TruthError if a pass lies between two evaluations.
    """
    clock = Clock.of(recording.samples, recording.info.sample_rate_hz, evaluation_rate_hz)
    info = replace(recording.info, sample_rate_hz=clock.rate_hz)
    seen = Recording(info, AveragedSource(recording, clock, span), recording.name)
    start, end = clock.firsts_at_or_after(truth.start), clock.firsts_at_or_after(truth.end)
    if (start >= end).any():
        k = int(np.argmax(start >= end))
        raise TruthError(f"row {k}: the pass lies between two evaluations; evaluate faster.")
    late = span // 2
    # A pass that the record cuts at either end stays cut, and so unscored.
    start, end = np.minimum(start + late, clock.count - 1), np.minimum(end + late, clock.count)
    start = np.where(truth.start > 0, start, 0)
    keep = end > start
    keep[1:] &= start[1:] >= end[:-1]
    scale = clock.rate_hz / recording.info.sample_rate_hz
    # A left-out stretch affects every mean that reaches back to it.
    bounds = clock.firsts_at_or_after(np.array(truth.except_, np.int64).reshape(-1)).reshape(-1, 2)
    left_out: list[tuple[int, int]] = []
    for a, b in bounds.tolist():
        first = max(a, left_out[-1][1] if left_out else 0)
        if first < (last := min(b + span - 1, clock.count)):
            left_out.append((first, last))
    passes = Truth(
        start[keep], end[keep], truth.detect[keep], truth.label[keep],
        None if truth.lot is None else truth.lot[keep], truth.source, truth.uncertainty_samples * scale + late,
        except_=tuple(left_out),
    )  # fmt: skip
    return seen, passes
