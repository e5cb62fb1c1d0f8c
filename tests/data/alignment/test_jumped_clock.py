"""Passes whose clock jumps in the middle of a recording: no single shift is right, so none is made."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import shell

from teachlab.data.alignment import measure_alignment
from teachlab.data.recording_files import write_recording
from teachlab.data.truth_files import write_truth
from teachlab.model.recording import Direction, Recording, RecordingInfo
from teachlab.model.truth import Truth
from teachlab.wording.alignment import lead_lines

RATE, PASSES = 1000.0, 120


def tins(*, regular: bool = False, dark: slice | None = None, passes: int = PASSES) -> tuple[Recording, Truth]:
    """Return tins of 22 to 33 samples with slanted edges, every 70 to 120 samples, and their true passes."""
    rng = np.random.default_rng(11)
    width = np.full(passes, 28) if regular else rng.integers(22, 34, passes)
    gap = np.full(passes + 1, 62) if regular else rng.integers(45, 90, passes + 1)
    start = np.cumsum(gap[:-1]) + np.concatenate(([0], np.cumsum(width[:-1])))
    end = start + width
    at = np.arange(end[-1] + gap[-1]) + 0.5
    slant = np.clip(np.minimum(at - start[:, None] + 3, end[:, None] + 3 - at) / 6, 0, 1)
    if dark is not None:
        slant[dark] = 0
    light = 300 + 1100 * slant.max(axis=0) + rng.normal(0, 8, at.size)
    info = RecordingInfo(sample_rate_hz=RATE, unit="mV", direction=Direction.RISE)
    return Recording.from_array(light, info, name="tins"), Truth.from_arrays(start, end, uncertainty_samples=2)


def moved(truth: Truth, by: np.ndarray) -> Truth:
    return Truth.from_arrays(truth.start + by, truth.end + by, uncertainty_samples=2)


@pytest.mark.parametrize(
    ("before", "after", "jump", "lies"),
    [(0, 25, 60, (60, 119, -25)), (-20, 20, 60, None), (0, 25, 40, (0, 39, 25)), (0, -12, 100, (100, 119, 12))],
)
def test_a_part_that_another_shift_moves_to_the_light_is_named(
    before: int, after: int, jump: int, lies: tuple[int, int, int] | None
) -> None:
    recording, truth = tins()
    found = measure_alignment(recording, moved(truth, np.where(np.arange(PASSES) < jump, before, after)))
    assert found is not None
    assert found.parted is not None
    assert found.matters
    assert not found.belongs
    assert not found.is_clear
    if lies is None:  # both parts are as long: either one may be the other
        assert abs(found.parted.lag) == pytest.approx(40, abs=1)
        return
    first, last, lag = lies
    # A pass beside the jump may meet an edge by chance.
    assert abs(found.parted.first - first) <= 1
    assert abs(found.parted.last - last) <= 1
    assert found.parted.lag == pytest.approx(lag, abs=1)


def test_of_a_long_table_the_runs_that_are_examined_show_the_jump() -> None:
    recording, truth = tins(passes=700)
    found = measure_alignment(recording, moved(truth, np.where(np.arange(700) < 450, 0, 25)))
    assert found is not None
    assert found.parted is not None
    assert 400 <= found.parted.first <= 500
    assert found.parted.lag == pytest.approx(-25, abs=1)
    # Of two halves the shift may also be that between them: then the borders scatter about it.
    halves = measure_alignment(recording, moved(truth, np.where(np.arange(700) < 350, 0, 25)))
    assert halves is not None
    assert not halves.belongs


def test_passes_that_lie_alike_are_one_part() -> None:
    recording, truth = tins()
    rows = np.arange(PASSES)
    for by in (np.zeros(PASSES, int), np.full(PASSES, 17), np.rint(truth.start * 500e-6).astype(int)):
        found = measure_alignment(recording, moved(truth, by))
        assert found is not None
        assert found.parted is None
    missing = truth.select(rows[rows % 10 != 3])
    found = measure_alignment(recording, missing)
    assert found is not None
    assert found.parted is None


@pytest.mark.parametrize("regular", [False, True])
def test_passes_that_nothing_shows_lie_nowhere_else(regular: bool) -> None:
    """Twenty products in a row that the light does not show; on a regular line others lie twenty passes away."""
    recording, truth = tins(regular=regular, dark=slice(50, 70))
    found = measure_alignment(recording, truth)
    assert found is not None
    assert found.parted is None


def test_nothing_is_written_and_the_part_is_said_first(tmp_path: Path) -> None:
    recording, truth = tins()
    late = moved(truth, np.where(np.arange(PASSES) < 60, 0, 25))
    write_recording(str(tmp_path / "tins.parquet"), recording)
    write_truth(str(tmp_path / "tins.passes.parquet"), late)
    out = tmp_path / "aligned.parquet"
    ran = shell.run("align", tmp_path / "tins.parquet", "--out", out, code=3)
    assert not list(tmp_path.glob("aligned*"))
    assert "nothing is written: one shift cannot move all of these passes to the light." in ran.stderr
    assert "Nothing needs mending" not in ran.stdout
    found = measure_alignment(recording, late)
    assert found is not None
    assert found.as_dict()["parted"]["lag_ms"] == pytest.approx(-25, abs=1)
    assert lead_lines(found, "tins.parquet")[0] == (
        f"Passes {found.parted.first if found.parted else ''} to 119 lie 25 ms later against this light than the "
        "others: the clock of the table jumped. One shift cannot mend that. Correct the times of one part, then run "
        "this again. Trust no count below before that is settled."
    )
