"""What every pair of an on-delay and an off-delay does, counted from the undelayed output of many comparators.

Delays never look at the light, only at the runs ``[start, end)`` in which the undelayed output is active:

- an on-delay of d keeps the runs longer than d, and each switches on at ``start + d``, whatever the off-delay;
- an off-delay of e swallows an onset that comes no more than e after the run before it ended.

So under one on-delay an onset needs no more than its distance from the end of the run before: it is there for every
off-delay below that, and one count of distances gives all off-delays at once.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from teachlab.light.excluded import excluded_trials
from teachlab.light.windows import Windows
from teachlab.model.truth import Truth
from teachlab.sensor.clock import Clock
from teachlab.sensor.delays import consecutive_filter
from teachlab.sensor.edges import LONG_AGO, Edges, TwoState

Counts = NDArray[np.int64]
"""Shape (pairs, on-delays, off-delays)."""
NEVER_SWALLOWED = np.iinfo(np.int64).max
DETECT, IGNORE, GAP, EXCLUDED = range(4)


@dataclass(frozen=True, slots=True, eq=False)
class DelayCounts:
    """Counts of every comparator under every pair of delays, as scoring their replay gives them.

    Parameters
    ----------
    lost, extra, false_trips, ignore_trips : ndarray of int64, shape (comparators, on-delays, off-delays)
        `lost` holds missed and merged passes together.
    detect_trials : ndarray of int64, shape (on-delays,)
        Passes that were scored: a longer on-delay may leave out more of those beside invalid light.
    """

    lost: Counts
    extra: Counts
    false_trips: Counts
    ignore_trips: Counts
    detect_trials: NDArray[np.int64]

    def __add__(self, other: DelayCounts) -> DelayCounts:
        """Return the counts of both, for the same comparators and delays over different light."""
        return DelayCounts(*(getattr(self, f.name) + getattr(other, f.name) for f in fields(self)))

    @property
    def errors(self) -> Counts:
        """Lost passes and false, extra and ignore trips together."""
        return self.lost + self.extra + self.false_trips + self.ignore_trips


@dataclass(frozen=True, slots=True, eq=False)
class _TrialSpans:
    """Windows and gaps in the order of time, with what each counts for."""

    start: Edges
    kind: NDArray[np.int8]
    detect_trials: int


class DelayCounter:
    """Counts comparators under many delays against the passes of one stretch of light.

    Parameters
    ----------
    truth : Truth
        Passes of the stretch, in samples of `clock`.
    clock : Clock
    invalid : TwoState
        True where an evaluation has no valid sample.
    border : int, evaluations
        How far windows reach beyond their passes.
    first_pass : int
        Passes before it, and the gaps before it, are not scored.
    """

    def __init__(self, truth: Truth, clock: Clock, invalid: TwoState, *, border: int = 0, first_pass: int = 0) -> None:
        self._truth, self._clock, self._invalid = truth, clock, invalid
        self._border, self._first_pass = border, first_pass
        self._spans: dict[int, _TrialSpans] = {}

    def count(
        self,
        light: Sequence[TwoState],
        *,
        light_on: bool,
        consecutive: int,
        on_delays: Sequence[int],
        off_delays: Sequence[int],
    ) -> DelayCounts:
        """Count every comparator under every pair of delays that act on the output.

        Parameters
        ----------
        light : sequence of TwoState
            The comparators' states; true is light, or beyond a window.
        light_on : bool
            Whether the output is active when light.
        consecutive : int
            Evaluations in a row that must disagree, at least 1.
        on_delays, off_delays : sequence of int, evaluations, ascending

        Notes
        -----
        Rules: SWITCHING.md and SCORING.md. Memory grows with the edges of all comparators together.
        """
        starts, ends, owner = self._runs(light, light_on, consecutive)
        shape = len(light), len(on_delays), len(off_delays)
        out = {name: np.zeros(shape, np.int64) for name in ("lost", "extra", "false_trips", "ignore_trips")}
        trials = np.zeros(len(on_delays), np.int64)
        waits = np.asarray(off_delays, np.int64)
        for k, delay in enumerate(on_delays):
            long = ends - starts > delay
            # What a short delay drops, a longer one drops too: chatter is gone after the first few.
            starts, ends, owner = starts[long], ends[long], owner[long]
            spans = self._laid(consecutive - 1 + delay)
            trials[k] = spans.detect_trials
            found = _onsets(starts, ends, owner, delay, spans, waits, len(light))
            for name, values in found.items():
                out[name][:, k, :] = values
        return DelayCounts(**out, detect_trials=trials)

    def _runs(self, light: Sequence[TwoState], light_on: bool, consecutive: int) -> tuple[Edges, Edges, Edges]:
        """Return the active runs of all undelayed outputs one after the other, and whose each is."""
        size = self._clock.count
        parts = []
        for state in light:
            filtered = consecutive_filter(state, self._invalid, consecutive, size)
            parts.append((filtered if light_on else filtered.inverted()).runs(size))
        starts = np.concatenate([a for a, _ in parts])
        ends = np.concatenate([b for _, b in parts])
        return starts, ends, np.repeat(np.arange(len(parts)), [a.size for a, _ in parts])

    def _laid(self, lag: int) -> _TrialSpans:
        """Return windows and gaps under a lag; laid once for all comparators."""
        if lag not in self._spans:
            self._spans[lag] = self._lay(lag)
        return self._spans[lag]

    def _lay(self, lag: int) -> _TrialSpans:
        truth, first = self._truth, self._first_pass
        windows = Windows.of(truth, self._clock, border=self._border, lag=lag)
        no_pass, no_gap = excluded_trials(truth, windows, self._clock, self._invalid, lag=lag)
        kinds = np.where(truth.detect, DETECT, IGNORE).astype(np.int8)
        kinds[no_pass] = EXCLUDED
        kinds[:first] = EXCLUDED
        gaps = np.full(windows.gap_start.size, GAP, np.int8)
        gaps[no_gap | (windows.gap_after < first if first else False)] = EXCLUDED
        start = np.concatenate((windows.start, windows.gap_start))
        stop = np.concatenate((windows.stop, windows.gap_stop))
        kind = np.concatenate((kinds, gaps))
        real = stop > start
        order = np.argsort(start[real], kind="stable")
        # A pass that covers no evaluation has an empty window: it is a trial all the same, and lost.
        return _TrialSpans(start[real][order], kind[real][order], int(np.count_nonzero(kinds == DETECT)))


def _onsets(
    starts: Edges, ends: Edges, owner: Edges, delay: int, spans: _TrialSpans, waits: Edges, comparators: int
) -> dict[str, Counts]:
    """Count under one on-delay: shape (comparators, off-delays) of each."""
    columns = waits.size + 1
    distance = np.full(starts.size, NEVER_SWALLOWED)
    follows = np.flatnonzero(owner[1:] == owner[:-1]) + 1
    distance[follows] = starts[follows] + delay - ends[follows - 1]
    # A run from before the record began is no onset, but one that others follow.
    real = starts > LONG_AGO
    at, owner, distance = starts[real] + delay, owner[real], distance[real]
    span = np.searchsorted(spans.start, at, side="right") - 1
    kind = spans.kind[span]
    # So many off-delays leave the onset standing: those below its distance.
    stands = np.searchsorted(waits, distance, side="left")

    def table(rows: Edges, standing: Edges) -> Counts:
        counted = np.bincount(rows * columns + standing, minlength=comparators * columns).reshape(comparators, columns)
        return counted[:, ::-1].cumsum(axis=1)[:, ::-1][:, 1:]

    own = kind == DETECT
    of, where, standing = owner[own], span[own], stands[own]
    hits = np.zeros((comparators, waits.size), np.int64)
    if of.size:
        # One pass is hit while any of its onsets stands. Onsets come in time order, so those of a pass are neighbours.
        begins = np.flatnonzero(np.append(True, (of[1:] != of[:-1]) | (where[1:] != where[:-1])))
        hits = table(of[begins], np.maximum.reduceat(standing, begins))
    return {
        "lost": spans.detect_trials - hits,
        "extra": table(of, standing) - hits,
        "false_trips": table(owner[kind == GAP], stands[kind == GAP]),
        "ignore_trips": table(owner[kind == IGNORE], stands[kind == IGNORE]),
    }
