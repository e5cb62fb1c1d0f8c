"""Zero hysteresis with any filter and delays: one running extreme serves every threshold.

Without hysteresis the light state at a threshold is ``x >= T``. Filter and delays are increasing
operations on two-valued signals, so they act on all thresholds at once (threshold decomposition of
stack filters): an on-delay is a running minimum of the light, an off-delay a running maximum, and
``consecutive`` a clamp of the last value between both.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from teachlab.explore.surface.levels import FirstReading, Levels
from teachlab.explore.surface.ranks import Ranker, Ranks
from teachlab.explore.surface.spans import Kind, Spans
from teachlab.explore.surface.table import TABLES, Surface
from teachlab.model.recording import Recording
from teachlab.model.setting import DelaysActOn, Polarity, Setting
from teachlab.model.truth import Truth
from teachlab.replay.evaluating import evaluated
from teachlab.signal.evaluation import Clock
from teachlab.signal.output import onset_lag
from teachlab.signal.running import running_max, running_min

ZERO_HYSTERESIS = (
    "zero hysteresis only: every threshold counted exactly by running extremes; with hysteresis the delays leave no "
    "shortcut, so other pairs need a replay each"
)
BLOCK = 1 << 16
CELLS = 1 << 21


class Causal:
    """A running extreme over the last ``delay + 1`` values, begun long settled at one value."""

    def __init__(self, pick: Callable[[Any, int], Any], delay: int, first: int) -> None:
        self._pick, self._delay = pick, delay
        self._tail = np.full(delay, first, np.int16)

    def push(self, values: Ranks) -> Ranks:
        """Return the running extreme at every value."""
        if self._delay == 0:
            return values
        joined = np.concatenate((self._tail, values))
        self._tail = joined[joined.size - self._delay :]
        out: Ranks = self._pick(joined, self._delay + 1)
        return out


class Filter:
    """The consecutive filter on all thresholds: the last value, clamped between two running extremes."""

    def __init__(self, consecutive: int, first: int) -> None:
        self._low = Causal(running_min, consecutive - 1, first)
        self._high = Causal(running_max, consecutive - 1, first)
        self._last = first

    def push(self, values: Ranks) -> Ranks:
        """Return the filtered value at every valid evaluation."""
        low, high = self._low.push(values).copy(), self._high.push(values).copy()
        # Clamps in a row are a clamp: join 2, 4, 8 … of them.
        step = 1
        while step < values.size:
            low[step:], high[step:] = (
                np.clip(low[:-step], low[step:], high[step:]),
                np.clip(high[:-step], low[step:], high[step:]),
            )
            step *= 2
        out: Ranks = np.minimum(np.maximum(low, np.int16(self._last)), high)
        if out.size:
            self._last = int(out[-1])
        return out


class LevelSignals:
    """Light to two signals of ranks: at index k the output is active exactly where the signal exceeds k.

    Ranks are mirrored for dark-on, so that active is always up.
    """

    def __init__(self, ranker: Ranker, setting: Setting, clock: Clock, first_rank: int) -> None:
        self._ranker = ranker
        self._filter = Filter(min(setting.consecutive, clock.count + 1), first_rank)
        on = min(clock.delay(setting.on_delay_ms), clock.count)
        off = min(clock.delay(setting.off_delay_ms), clock.count)
        inverted = setting.polarity is Polarity.DARK_ON and setting.delays_act_on is DelaysActOn.LIGHT
        # Delays on the light state of a dark-on output see the ranks upside down.
        first, second = (running_max, running_min) if inverted else (running_min, running_max)
        self._on, self._off = Causal(first, on, first_rank), Causal(second, off, first_rank)
        self._last: np.signedinteger[Any] = np.int16(first_rank)

    def push(self, light: NDArray[Any], invalid: NDArray[np.bool_] | None) -> tuple[Ranks, Ranks]:
        """Return the undelayed and the delayed signal of the next evaluations."""
        if invalid is None:
            undelayed = self._filter.push(self._ranker.rank(light))
        else:
            # Invalid evaluations hold, and neither advance nor reset the filter.
            filtered = self._filter.push(self._ranker.rank(light[~invalid]))
            count = np.cumsum(~invalid)
            undelayed = np.concatenate(([self._last], filtered))[count].astype(np.int16)
        if undelayed.size:
            self._last = undelayed[-1]
        return undelayed, self._off.push(self._on.push(undelayed))


class _Counter:
    """Adds up spans at every threshold."""

    def __init__(self, levels: int, first_rank: int) -> None:
        self.sums = {name: np.zeros(levels, np.int64) for name in TABLES}
        self._levels = levels
        self._last = first_rank
        self._onsets = np.zeros(levels, np.int64)
        self._top = self._seen = 0

    def push(self, spans: Spans, first: int, undelayed: Ranks, output: Ranks) -> None:
        """Take the next evaluations of both signals."""
        before = np.concatenate((np.array([self._last], np.int16), output[:-1]))
        self._last = int(output[-1])
        p = int(np.searchsorted(spans.stop, first, side="right"))
        q = int(np.searchsorted(spans.start, first + output.size, side="left"))
        rows = max(1, CELLS // max(1, self._levels))
        for a in range(p, q, rows):
            self._spans(spans, slice(a, min(a + rows, q)), first, undelayed, output, before)

    def _spans(self, s: Spans, part: slice, first: int, undelayed: Ranks, output: Ranks, before: Ranks) -> None:
        begins = (s.start[part] - first).clip(0, output.size)
        ends = (s.stop[part] - first).clip(0, output.size)
        a, b = int(begins[0]), int(ends[-1])
        piece = np.repeat(np.arange(begins.size), ends - begins)
        rise = np.flatnonzero(output[a:b] > before[a:b])
        width = self._levels + 1
        counts = np.zeros(begins.size * width, np.int32)
        np.add.at(counts, piece[rise] * width + before[a:b][rise], 1)
        np.subtract.at(counts, piece[rise] * width + output[a:b][rise], 1)
        onsets = np.cumsum(counts.reshape(begins.size, width), axis=1)[:, :-1]
        top = np.maximum.reduceat(output[a:b], begins - a)
        seen = np.maximum.reduceat(undelayed[a:b], begins - a)
        if s.start[part][0] < first:  # the rest of a span that began before
            onsets[0] += self._onsets
            top[0], seen[0] = max(top[0], self._top), max(seen[0], self._seen)
        done = begins.size
        if s.stop[part][-1] > first + output.size:
            done -= 1
            self._onsets, self._top, self._seen = onsets[-1].astype(np.int64), int(top[-1]), int(seen[-1])
        self._add(s.kind[part][:done], onsets[:done], top[:done], seen[:done])

    def _add(self, kind: NDArray[np.int8], onsets: NDArray[Any], top: Ranks, seen: Ranks) -> None:
        sums = self.sums
        each = np.arange(self._levels)
        detect = np.flatnonzero(kind == Kind.DETECT)
        n = onsets[detect]
        quiet = n == 0
        sums["lost"] += quiet.sum(axis=0)
        sums["merged"] += (quiet & (each < np.minimum(top, seen)[detect, None])).sum(axis=0)
        sums["extra"] += n.sum(axis=0) - (~quiet).sum(axis=0)
        for which, trips, tripped in (
            (Kind.GAP, "false_trips", "gaps_tripped"),
            (Kind.IGNORE, "ignore_trips", "ignore_tripped"),
        ):
            n = onsets[kind == which]
            sums[trips] += n.sum(axis=0)
            sums[tripped] += (n > 0).sum(axis=0)


def zero_hysteresis(
    recording: Recording,
    truth: Truth,
    base: Setting,
    reading: FirstReading,
    levels: Levels,
    tolerance_ms: float = 0.0,
    first_pass: int = 0,
    progress: Callable[[float], None] | None = None,
) -> Surface:
    """Count every threshold of zero hysteresis under filter and delays; parameters as in `surface`.

    References
    ----------
    Fitch, Coyle & Gallagher, "Median filtering by threshold decomposition", IEEE Trans. ASSP 32 (1984);
    Wendt, Coyle & Gallagher, "Stack filters", IEEE Trans. ASSP 34 (1986).
    """
    clock = reading.clock
    lag = onset_lag(base, clock)
    spans = Spans.of(truth, clock, reading.invalid, tolerance_ms=tolerance_ms, lag=lag, first_pass=first_pass)
    dips = base.polarity is Polarity.DARK_ON
    first_rank = int(np.searchsorted(levels, reading.first, side="right"))
    first_rank = levels.size - first_rank if dips else first_rank
    signals = LevelSignals(Ranker(levels, recording.dtype, mirrored=dips), base, clock, first_rank)
    counter = _Counter(levels.size, first_rank)
    for block in evaluated(recording.blocks(size=BLOCK), clock):
        if block.light.size == 0:
            continue
        undelayed, output = signals.push(block.light, block.invalid_mask())
        counter.push(spans, block.start, undelayed, output)
        if progress is not None:
            progress((block.start + block.light.size) / clock.count)
    counter.sums["lost"] += spans.blind
    places = np.arange(levels.size)
    found = {}
    for name, values in counter.sums.items():
        found[name] = np.zeros((levels.size, levels.size), np.int64)
        found[name][places, places] = values[::-1] if dips else values
    return Surface(
        levels=levels,
        lost=found["lost"], merged=found["merged"], extra=found["extra"],
        false_trips=found["false_trips"], gaps_tripped=found["gaps_tripped"],
        ignore_trips=found["ignore_trips"], ignore_tripped=found["ignore_tripped"],
        every_pair=False,
        distinct=False,
        how=ZERO_HYSTERESIS,
        detect_trials=spans.detect,
        ignore_trials=spans.ignore,
        gap_trials=spans.gaps,
        running_hours=(clock.count - spans.begin) / (clock.rate_hz * 3600),
        base=base.with_levels(0.0, 0.0, base.polarity),
    )  # fmt: skip
