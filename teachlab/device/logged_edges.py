"""The sensor's own logged output: where it became active and inactive."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from teachlab.errors import RecordingError
from teachlab.model.recording import BLOCK_SAMPLES, LoggedOutput, OutputWhen, Recording

Samples = NDArray[np.int64]


@dataclass(frozen=True, slots=True, eq=False)
class LoggedEdges:
    """Edges of a logged output over the samples of a recording.

    `first`: whether the output is active at the first sample.
    `active`, `inactive` (samples): first samples of every stretch in which it is active, and in which it is not;
    ascending.
    """

    samples: int
    first: bool
    active: Samples
    inactive: Samples

    @property
    def count(self) -> int:
        """How many edges there are."""
        return int(self.active.size + self.inactive.size)

    def until(self, stop: int) -> LoggedEdges:
        """Return the edges before a sample."""
        return LoggedEdges(stop, self.first, self.active[self.active < stop], self.inactive[self.inactive < stop])

    def runs(self) -> Samples:
        """Return every active stretch, from its first sample to the one after it; shape (k, 2).

        Examples
        --------
        >>> LoggedEdges.of(np.array([1, 0, 1, 1], bool)).runs().tolist()
        [[0, 1], [2, 4]]
        """
        up, down = self.active, self.inactive
        begins = bool(down[0] < up[0]) if up.size and down.size else bool(down.size) or (self.first and not up.size)
        starts = np.concatenate((np.zeros(int(begins), np.int64), up))
        ends = np.concatenate((down, np.full(starts.size - down.size, self.samples)))
        return np.column_stack((starts, ends))

    @classmethod
    def of(cls, output: NDArray[np.bool_]) -> LoggedEdges:
        """Find the edges of one truth value per sample, true where active.

        Examples
        --------
        >>> edges = LoggedEdges.of(np.array([0, 1, 1, 0], bool))
        >>> edges.active.tolist(), edges.inactive.tolist()
        ([1], [3])
        """
        at = np.flatnonzero(output[1:] != output[:-1]) + 1
        first = bool(output[0])
        return cls(output.size, first, at[1 if first else 0 :: 2], at[0 if first else 1 :: 2])


def logged_edges(recording: Recording) -> LoggedEdges:
    """Read the edges of the column `output`, moved earlier by the lag that the file states.

    Raises RecordingError if the recording has no such column, or it never changes.
    """
    about, read = recording.info.output, getattr(recording.source, "output", None)
    if about is None or read is None:
        raise RecordingError(
            f"{recording.name}: the sensor's own output was not logged: there is no column 'output'. "
            "Import the log again and name it: teachlab import … --output-column NAME."
        )
    found = _edges(recording, about, read)
    if not found.count:
        raise RecordingError(
            f"{recording.name}: column 'output' is {'active' if found.first else 'inactive'} throughout. Log the "
            "output while objects pass."
        )
    return found


def logged_runs(recording: Recording) -> Samples | None:
    """Return where the logged output is active, as `LoggedEdges.runs`; None if it was not logged."""
    about, read = recording.info.output, getattr(recording.source, "output", None)
    return None if about is None or read is None else _edges(recording, about, read).runs()


def _edges(recording: Recording, about: LoggedOutput, read: Any) -> LoggedEdges:
    parts, last, first = [], None, False
    for a in range(0, recording.samples, BLOCK_SAMPLES):
        piece = read(a, min(a + BLOCK_SAMPLES, recording.samples))
        if about.active is OutputWhen.LOW:
            piece = ~piece
        if last is None:
            first = bool(piece[0])
        elif piece[0] != last:
            parts.append(np.array([a]))
        parts.append(np.flatnonzero(piece[1:] != piece[:-1]) + 1 + a)
        last = piece[-1]
    at = np.concatenate(parts) - about.lag_samples
    up, down = at[1 if first else 0 :: 2], at[0 if first else 1 :: 2]
    kept = [side[(side > 0) & (side < recording.samples)] for side in (up, down)]
    # Every edge that the lag moves before the first sample turns the state there.
    first ^= bool(np.count_nonzero(at <= 0) % 2)
    return LoggedEdges(recording.samples, first, *kept)
