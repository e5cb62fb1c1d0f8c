"""What a study is told to take, against studies whose every second is known."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from teachlab.data.alignment.stretches import MOST_PASSES
from teachlab.model.recording import Recording, RecordingInfo
from teachlab.model.truth import Truth
from teachlab.studies import study_ahead
from teachlab.studies.family.study_grid import PieceRows, StudyPiece
from teachlab.studies.family.study_plan import planned_study, studied_lines
from teachlab.studies.family.study_run import run_study
from teachlab.studies.study_ahead import work_ahead
from teachlab.teaching.registry import installed_class
from tests.studies.family.made_lines import line, write_line

STARTED = 1.0


class Machine:
    """Works pieces in seconds that are told by hand; its clock moves with nothing else.

    `first`: seconds to load what is used for the first time.
    `once`: of a recording, and of each of its samples.
    `draw`, `few`: of a draw of a strategy that is shown something else in each, and of a new showing at a million
    samples, which grows with a power of them.
    """

    def __init__(
        self, *, first: float = 0.3, once: tuple[float, float] = (0.05, 1e-6), draw: float = 0.0, few: float = 0.0,
        power: float = 0.0, align: float = 0.0,
    ) -> None:  # fmt: skip
        self.first, self.once, self.draw, self.few, self.power, self.align = first, once, draw, few, power, align
        self.now, self.loaded, self.longest_part = 0.0, False, 0.0

    def showing(self, samples: int) -> float:
        return self.few * (samples / 1e6) ** self.power

    def pays(self, samples: int, passes: int, shown: int, draws: int) -> float:
        places = shown // 2 + 1
        new = sum((1 - 1 / places) ** k for k in range(1, draws))
        teaching = self.draw * (draws - 1) + self.showing(samples) * new
        return self.once[0] + self.once[1] * samples + teaching + self.align * min(passes, MOST_PASSES)

    def work(self, piece: StudyPiece) -> PieceRows:
        recording, truth = piece.line.open()
        began, clock, shown = self.now, piece.clock, int(truth.detect_passes * piece.grid.options.teach_share)
        assert clock is not None
        self.now += self.once[0] + self.once[1] * recording.samples + (0.0 if self.loaded else self.first)
        self.loaded = True
        for k in range(piece.grid.options.draws):
            one = self.draw, self.showing(recording.samples) * (1 - 1 / (shown // 2 + 1)) ** k
            if k:
                self.now += sum(one)
                clock.spent = [clock.spent[0] + one[0], clock.spent[1] + one[1]]
            clock.draws = k + 1
            if clock.draws > 1 and self.now > clock.until:
                break
        clock.aligned = self.align * min(truth.passes, MOST_PASSES)
        self.now += clock.aligned
        self.longest_part = max(self.longest_part, self.now - began)
        return PieceRows()


def long_line(passes: int, period: int, name: str) -> tuple[Recording, Truth]:
    start = 60 + period * np.arange(passes)
    light = np.zeros(passes * period + 60, np.uint8)
    info = RecordingInfo(sample_rate_hz=1000.0, unit="counts")
    return Recording.from_array(light, info, name=name), Truth.from_arrays(start, start + 40)


LINES = {
    "one short": [(60, 100)],
    "thirty short": [(60, 100)] * 30,
    "four of a thousand passes": [(1000, 300)] * 4,
    "one long": [(2000, 2000)],
    "of all lengths": [(40, 100), (200, 300), (600, 1000), (2000, 300)] * 3,
}
MACHINES: dict[str, dict[str, Any]] = {
    "cheap": {},
    "dear once": {"once": (0.5, 3e-6)},
    "dear to align": {"align": 2e-3},
    "dear draws": {"draw": 0.02},
    "dear showings": {"few": 0.06, "power": 0.3},
    "showings with much of their light": {"few": 0.2, "power": 0.7},
}


@pytest.mark.parametrize("workers", [1, 2])
@pytest.mark.parametrize("draws", [10, 200])
@pytest.mark.parametrize("kind", MACHINES)
@pytest.mark.parametrize("lines", LINES)
def test_the_time_foretold_is_true_within_a_third_and_a_tenth_of_it_or_two_seconds_are_spent(
    monkeypatch: pytest.MonkeyPatch, lines: str, kind: str, draws: int, workers: int
) -> None:
    machine = Machine(**MACHINES[kind])
    monkeypatch.setattr(study_ahead, "study_piece", machine.work)
    monkeypatch.setattr("time.perf_counter", lambda: machine.now)
    monkeypatch.setattr("time.process_time", lambda: STARTED)
    monkeypatch.setattr(study_ahead._Trial, "_measure_slower", lambda self: None)
    made = studied_lines([long_line(*size, f"l{k}") for k, size in enumerate(LINES[lines])])
    found = work_ahead(planned_study(made, [(installed_class("single-sample"), None)], draws=draws), workers=workers)
    each = []
    for one in made:
        recording, truth = one.open()
        each.append(machine.pays(recording.samples, truth.passes, int(truth.passes * 0.3), draws))
    free = [0.0] * min(workers, len(each))
    for seconds in each:
        free[free.index(min(free))] += seconds
    more = study_ahead.ROW_SECONDS * len(made) + study_ahead.KEEP_SECONDS * len(made)
    again = study_ahead.ANSWERED * (machine.once[0] + machine.once[1] * made[0].open()[0].samples)
    takes = max(free) + (STARTED + machine.first) * workers + more + (again if len(made) == 1 else 0)
    assert found.seconds is not None
    assert takes / 1.3 <= found.seconds <= takes * 1.3
    # Two draws of two parts of one recording are always worked: it cannot be known before that they are dear.
    least = 2 * (machine.once[0] + machine.once[1] * 160_000 + machine.draw + machine.showing(160_000)) + machine.first
    assert STARTED + machine.now <= max(2.0, 0.1 * takes, STARTED + 2 * least)


def test_a_study_that_was_extended_is_told_by_what_is_missing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for seed in range(3):
        write_line(tmp_path / f"rec/l{seed}.parquet", seed)
    names = ["single-sample", "quantile-guard"]
    one, two = (
        planned_study(studied_lines(tmp_path / "rec"), [(installed_class(n), None) for n in some], draws=5)
        for some in (names[:1], names)
    )
    run_study(one, out=str(tmp_path / "out"))
    tried: list[list[str]] = []
    machine = Machine()

    def work(piece: StudyPiece) -> PieceRows:
        tried.append([c.strategy.name for c in piece.grid.configurations])
        return machine.work(piece)

    monkeypatch.setattr(study_ahead, "study_piece", work)
    monkeypatch.setattr("time.perf_counter", lambda: machine.now)
    found = work_ahead(two, out=str(tmp_path / "out"))
    assert (found.rows_left, found.rows) == (3, 6)
    assert tried == [["quantile-guard"]] * len(tried)
    assert work_ahead(one, out=str(tmp_path / "out")).seconds is None


def test_workers_that_disturb_one_another_are_measured_where_there_is_time(monkeypatch: pytest.MonkeyPatch) -> None:
    """A part that takes 2 s alone takes 3 s beside another one."""
    machine = Machine(once=(5.0, 0.0))
    alone = [2.0]
    monkeypatch.setattr(study_ahead, "study_piece", machine.work)
    monkeypatch.setattr("time.perf_counter", lambda: machine.now)
    monkeypatch.setattr("time.process_time", lambda: STARTED)
    monkeypatch.setattr(study_ahead, "_repeated", lambda piece: alone[0])
    beside = [(0, 3.0), (1, 2.5)]
    monkeypatch.setattr(study_ahead.WorkerProcesses, "run", lambda self, work, pieces: beside[: len(pieces)])
    lines = studied_lines([line(seed, name=f"l{seed}") for seed in range(100)])
    plan = planned_study(lines, [(installed_class("single-sample"), None)], draws=2)
    rest = 2 * (STARTED + machine.first) + 100 * (study_ahead.ROW_SECONDS + study_ahead.KEEP_SECONDS)
    assert work_ahead(plan, workers=2).seconds == pytest.approx(50 * 5 * 1.5 + rest)
    alone[0] = math.inf
    assert work_ahead(plan, workers=2).seconds == pytest.approx(50 * 5 + rest - 2 * machine.first)  # it is loaded
