"""How long a study will take, and how much memory: measured on as little of it as tells both."""

from __future__ import annotations

import heapq
import math
import resource
import time
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from teachlab.data.alignment.stretches import MOST_PASSES
from teachlab.model.json_values import Document
from teachlab.model.memory import DRAW_BYTES
from teachlab.model.recording import Recording
from teachlab.model.truth import Truth
from teachlab.studies.family.engines import WorkerEnded, WorkerProcesses
from teachlab.studies.family.row_store import ROW_BYTES, RowStore, RowTable
from teachlab.studies.family.study_grid import StudiedLine, StudyPiece, StudyPlan
from teachlab.studies.family.study_piece import piece_keys, pieces_left, study_piece, study_pieces
from teachlab.studies.taught_draws import DrawClock

LEAST_S, SHARE = 1.6, 0.08
"""A trial, with the start of its process, may take so many seconds, or this share of the study."""
FIRST_SAMPLES, FIRST_PASSES, LONGER = 20_000, 30, 4
"""A trial begins with so much of the longest recording, and goes on with so many times as much."""
TEACHING, ANYHOW = 0.4, 0.6
"""Shares of the seconds left: until which one part may teach, and which its first two draws may take."""
ROW_SECONDS, KEEP_SECONDS = 7e-4, 0.01
"""Time to read and judge a row, and to keep the rows of a recording."""
SOME_DRAWS = 24
"""Draws of which a trial holds the results anyhow."""
POWER, SURE = 0.3, 1.2
"""By which power of the samples the time of a draw grows as a rule; and a trial that is longer by e to the second says
as much as the rule."""
ANSWERED = 0.5
"""What comes once is worked again, in this share, for the answer on an only recording."""
ROOM = 1.1
"""Factor on the measured memory, which differs from run to run."""


@dataclass(frozen=True, slots=True, kw_only=True)
class WorkAhead(Document):
    """The work that a study would need.

    `recordings`, `rows`: numbers of the whole study.
    `recordings_left`, `rows_left`: numbers that are not kept yet.
    `seconds`: expected for what is left, on this machine with the requested workers; None if nothing could be tried.
    `tried`: the recording on which time and memory were measured: the longest.
    `worker_bytes`, `here_bytes`: memory of each worker, and of this process.
    """

    schema: int = 1
    recordings: int
    rows: int
    recordings_left: int
    rows_left: int
    seconds: float | None
    tried: str
    worker_bytes: float
    here_bytes: float


def work_ahead(
    plan: StudyPlan, *, workers: int = 1, apart: bool = False, out: str | None = None, retry: bool = False
) -> WorkAhead:
    """Say how much work, time and memory a study needs, measured on parts of its recordings.

    `apart`: whether a single worker is another process too.
    """
    # What this process has needed to start, the run and each of its workers need as well.
    start = time.process_time()
    columns = RowTable(plan.grid, plan.lines)
    pieces = study_pieces(plan, RowStore(out, columns, plan.lines, retry=retry).known())
    left, seconds, tried = pieces_left(pieces), None, ""
    rows, wide = len(pieces) * plan.grid.rows, max(1, min(workers, len(left)))
    if left:
        trial = _Trial(plan, left, start, wide, apart=apart or workers > 1)
        seconds = trial.run()
        tried = trial.longest.line.path
    more = DRAW_BYTES * max(0, plan.grid.options.draws - SOME_DRAWS) * plan.grid.rows // len(plan.grid.conditions)
    peak = ROOM * (float(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024) + more)
    return WorkAhead(
        recordings=len(pieces),
        rows=rows,
        recordings_left=len(left),
        rows_left=sum(rows for _, rows in left),
        seconds=seconds,
        tried=tried,
        worker_bytes=peak,
        here_bytes=peak + ROW_BYTES * rows,
    )


class _Size(NamedTuple):
    """Samples of a recording, its passes, and those of its teach block."""

    samples: int
    passes: int
    shown: int

    @classmethod
    def of(cls, piece: StudyPiece) -> _Size:
        recording, truth = piece.line.open()
        return cls(recording.samples, truth.passes, int(truth.detect_passes * piece.grid.options.teach_share))

    def units(self, draws: int) -> NDArray[np.float64]:
        """Return how often each part of the work comes: once, for a draw, a new showing, and a pass to be aligned."""
        places = self.shown // 2 + 1  # half of the passes in a row begins there
        left = 1 - 1 / places
        new = places * (left - left**draws)
        return np.array([1.0, draws - 1.0, new, min(self.passes, MOST_PASSES)])


class _Cost(NamedTuple):
    """Seconds of each part of the work on a recording of this size."""

    size: _Size
    parts: NDArray[np.float64]


class _Trial:
    """A trial of a study: growing parts of its longest recording, then others as a whole, as long as it may take.

    `left`: pieces that are not complete, with the number of rows that each still needs.
    `start`: seconds in which this process started.
    `wide`: number of workers that have work.
    `apart`: whether they are other processes, each of which starts and loads what it uses.
    """

    def __init__(
        self, plan: StudyPlan, left: Sequence[tuple[StudyPiece, int]], start: float, wide: int, *, apart: bool
    ) -> None:
        self.plan, self.start, self.began = plan, start, time.perf_counter()
        self.wide, self.apart = wide, apart
        self.pieces = [_missing(piece) for piece, _ in left]
        self.sizes = [_Size.of(piece) for piece in self.pieces]
        at = max(range(len(left)), key=self.sizes.__getitem__)
        self.longest, self.draws = self.pieces[at], plan.grid.options.draws
        # An extended study works only what is missing.
        self.weight = [rows / left[at][1] for _, rows in left]
        self.costs: list[_Cost] = []
        self.whole: dict[int, float] = {}
        self.loading, self.slower, self.complete = 0.0, 1.0, False

    def run(self) -> float:
        """Measure, and return how long the study will take."""
        self._grow()
        for k in _spread(len(self.pieces)):
            if self._expected(k) < self.left:
                self.whole[k] = self._timed(self.pieces[k], math.inf)[0]
        if self.wide > 1:
            self._measure_slower()
        return self.seconds

    @property
    def seconds(self) -> float:
        """How long the study takes: what is not tried costs what the tried parts and recordings tell."""
        scale = sum(self.whole.values()) / sum(map(self._expected, self.whole)) if self.whole else 1.0
        free = [0.0] * self.wide
        for k in range(len(self.pieces)):
            heapq.heapreplace(free, free[0] + self.slower * self.whole.get(k, scale * self._expected(k)))
        answer = ROW_SECONDS * self.plan.grid.rows * len(self.plan.lines) + KEEP_SECONDS * len(self.pieces)
        if len(self.pieces) == 1:  # its setting is judged as in a bench
            answer += ANSWERED * float(self._parts(self.sizes[0].samples)[0])
        return max(free) + (2 if self.apart else 1) * (self.start + self.loading) + answer

    @property
    def left(self) -> float:
        """Seconds that may still be spent."""
        allowed = max(LEAST_S, SHARE * self.seconds) if len(self.costs) > 1 or self.complete else LEAST_S
        return allowed - self.start - (time.perf_counter() - self.began)

    def _grow(self) -> None:
        """Measure growing parts of the longest recording, as the time allows."""
        recording, truth = self.longest.line.open()
        passes = max(FIRST_PASSES, int(np.searchsorted(truth.end, FIRST_SAMPLES)))
        while not self.complete:
            whole = 2 * passes >= truth.passes
            part = self.longest if whole else _part(self.longest, recording, truth, passes)
            size, passes, cold = _Size.of(part), LONGER * passes, 0.0
            if not self.costs:
                cold, teaching = self._timed(part, 0.0)
                if not (teaching.draws or whole):  # too few passes to teach on
                    continue
            elif len(self.costs) > 1 and self._seconds(size, 2) > ANYHOW * self.left:
                return
            seconds, teaching = self._timed(part, TEACHING * self.left)
            units, (many, few) = size.units(max(1, teaching.draws)), teaching.spent
            once = seconds - many - few - teaching.aligned
            parts = np.array([once, many, few, teaching.aligned]) / np.where(units > 0, units, 1)
            self.costs, self.part, self.complete = [*self.costs, _Cost(size, parts)], part, whole
            if cold:
                self.loading = max(0.0, cold - self._seconds(size, min(2, teaching.draws)))

    def _parts(self, samples: int) -> NDArray[np.float64]:
        """Return the seconds of each part of the work on so many samples, by the shortest and the longest trial.

        What comes once grows along a line with the samples, a draw and a showing with a power of them. What lies near a
        pass has the same length in all.
        """
        first, last = self.costs[0], self.costs[-1]
        parts, more = last.parts.copy(), samples / last.size.samples
        if first is last:
            return parts * max(1.0, more)
        longer = last.size.samples / first.size.samples
        parts[0] += max(0.0, last.parts[0] - first.parts[0]) * longer / (longer - 1) * (more - 1)
        for part in (1, 2):
            grown = last.parts[part] / first.parts[part] if min(last.parts[part], first.parts[part]) > 0 else longer
            power = (math.log(grown) + POWER * SURE) / (math.log(longer) + SURE)
            parts[part] *= more ** min(1.0, max(0.0, power))
        return parts

    def _seconds(self, size: _Size, draws: int) -> float:
        return float(self._parts(size.samples) @ size.units(draws))

    def _expected(self, k: int) -> float:
        return self.weight[k] * self._seconds(self.sizes[k], self.draws)

    def _timed(self, piece: StudyPiece, teaching: float) -> tuple[float, DrawClock]:
        """Return the seconds of a piece that may teach so long, and what it taught."""
        began = time.perf_counter()
        after = DrawClock(began + teaching)
        study_piece(replace(piece, clock=after))
        return time.perf_counter() - began, after

    def _measure_slower(self) -> None:
        """Measure how much slower a part is where every worker works on one, if there is time for it."""
        alone = _repeated(self.part) if 2 * self.start + 3 * SLOWER_S < self.left else 0.0
        if alone:
            each = WorkerProcesses(self.wide).run(_repeated, [self.part] * self.wide)
            found = [seconds for _, seconds in each if not isinstance(seconds, WorkerEnded)]
            self.slower = max(1.0, max(found, default=alone) / alone)


SLOWER_S = 0.5
"""Seconds for which a part is repeated, alone and in all workers at once."""


def _repeated(piece: StudyPiece) -> float:
    """Return the seconds of a part with two draws, repeated for some time once everything is loaded."""
    times: list[float] = []
    while len(times) < 2 or sum(times[1:]) < SLOWER_S:
        began = time.perf_counter()
        study_piece(replace(piece, clock=DrawClock(0.0)))
        times.append(time.perf_counter() - began)
    return sum(times[1:]) / (len(times) - 1)


def _part(piece: StudyPiece, recording: Recording, truth: Truth, passes: int) -> StudyPiece:
    """Return a piece on the first passes of its recording."""
    stop = int(truth.end[passes - 1] + truth.start[passes]) // 2
    opened = recording.until(stop), truth.select(slice(0, passes))
    return replace(piece, line=StudiedLine(piece.line.path, facts=piece.line.facts, opened=opened))


def _missing(piece: StudyPiece) -> StudyPiece:
    """Return a piece without the configurations of which all rows are kept."""
    keys, some = piece_keys(piece).keys, piece.grid.configurations
    each = len(keys) // len(some)
    left = tuple(one for k, one in enumerate(some) if not set(keys[k * each : (k + 1) * each]) <= piece.known)
    return replace(piece, known=frozenset(), grid=replace(piece.grid, configurations=left))


def _spread(many: int) -> list[int]:
    """Return numbers of recordings in an order of which every beginning is spread over all of them.

    Examples
    --------
    >>> _spread(7)
    [0, 4, 2, 6, 1, 5, 3]
    """
    bits = max(1, (many - 1).bit_length())
    return [k for k in (int(f"{n:0{bits}b}"[::-1], 2) for n in range(1 << bits)) if k < many]
