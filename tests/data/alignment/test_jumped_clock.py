"""Passes whose clock jumps in the middle of a recording: no single shift is right, so none is made."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import shell

from teachlab.data.alignment import measure_alignment
from teachlab.data.alignment.stepped import step_of
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


def boxes(passes: int, jumps: dict[int, float], *, ppm: float = 0.0, scatter: float = 0.0) -> tuple[Recording, Truth]:
    """Return boxes of 60 to 110 samples every 150 to 330, and passes that come so much later from some passes on."""
    rng = np.random.default_rng(7)
    length, gap = rng.integers(60, 110, passes), rng.integers(90, 220, passes + 1)
    start = np.cumsum(gap[:-1]) + np.concatenate(([0], np.cumsum(length[:-1])))
    at = np.arange(start[-1] + length[-1] + gap[-1]) + 0.5
    corners = np.stack([start - 2, start + 2, start + length - 2, start + length + 2], 1).ravel()
    light = 200 + np.interp(at, corners, np.tile([0.0, 800, 800, 0], passes)) + rng.normal(0, 10, at.size)
    late = np.zeros(passes)
    for first, by in jumps.items():
        late[first:] += by
    late += 1e-6 * ppm * (start - at.size / 2)
    sides = (np.rint(side + late + rng.normal(0, scatter, passes)).astype(int) for side in (start, start + length))
    info = RecordingInfo(sample_rate_hz=RATE, unit="mV", direction=Direction.RISE)
    return Recording.from_array(light, info, name="boxes"), Truth.from_arrays(*sides, uncertainty_samples=1)


@pytest.mark.parametrize("ppm", [0, 300])
@pytest.mark.parametrize(
    ("at", "by", "lies"), [(50, 30, (50, 99)), (50, -12, (50, 99)), (40, 30, (0, 39)), (92, 25, (92, 99))]
)
def test_a_jump_within_reach_is_no_clock_that_runs_fast(at: int, by: int, lies: tuple[int, int], ppm: float) -> None:
    """Both sides meet their edges, and a line through both sides looks like a clock 1400 ppm fast."""
    found = measure_alignment(*boxes(100, {at: by}, ppm=ppm))
    assert found is not None
    assert found.parted is not None
    assert (found.parted.first, found.parted.last) == pytest.approx(lies, abs=1)
    assert found.parted.lag == pytest.approx(-by if lies[0] else by, abs=1)


@pytest.mark.parametrize("at", [24, 60, 96])
@pytest.mark.parametrize("by", [300, 250, 200])
def test_a_jump_out_of_reach_is_not_taken_for_a_short_one(at: int, by: int) -> None:
    """What jumped meets other edges by chance; measured by itself, it tells how far it jumped, or nothing does."""
    recording, truth = boxes(120, {at: by})
    found = measure_alignment(recording, truth.select(truth.end <= recording.samples))
    assert found is not None
    assert not found.belongs
    if found.parted is not None:
        assert abs(found.parted.lag) == pytest.approx(by, abs=3)


@pytest.mark.parametrize(("passes", "at"), [(20, 10), (20, 14), (30, 24)])
@pytest.mark.parametrize("by", [-60, 110, 260])
def test_a_jump_of_few_passes_is_found(passes: int, at: int, by: int) -> None:
    """Of 20 tables of 20 passes that jumped half-way, 18 were called aligned; half of their passes lay elsewhere."""
    recording, truth = boxes(passes + 4, {at: by})
    found = measure_alignment(recording, truth.select(np.arange(passes + 4) < passes))
    assert found is not None
    assert not found.belongs


@pytest.mark.parametrize("jumps", [{}, {50: 3}], ids=["none", "within an edge"])
@pytest.mark.parametrize(("ppm", "scatter"), [(0, 0.5), (300, 0.5), (-500, 3), (0, 10)])
def test_a_clock_that_drifts_or_scatters_has_not_jumped(jumps: dict[int, float], ppm: float, scatter: float) -> None:
    found = measure_alignment(*boxes(100, jumps, ppm=ppm, scatter=scatter))
    assert found is not None
    assert found.parted is None


@pytest.mark.parametrize("seed", range(40))
def test_a_jump_lies_where_two_lines_fit_best(seed: int) -> None:
    """Every place tried, two parallel lines by least squares; the scatter is small against the jump."""
    rng = np.random.default_rng(seed)
    count = int(rng.integers(20, 60))
    times, at = np.sort(rng.uniform(0, 1000, count)), int(rng.integers(6, count - 6))
    size, slope = rng.choice([-1, 1]) * rng.uniform(20, 40), rng.uniform(-0.01, 0.01)
    values = slope * times + np.where(np.arange(count) >= at, size, 0.0) + rng.normal(0, 0.5, count)
    flat = values - np.polyval(np.polyfit(times, values, 1), times)

    def left(k: int) -> float:
        model = np.column_stack([times, np.arange(count) >= k, np.ones(count)])
        return float(np.sum((flat - model @ np.linalg.lstsq(model, flat, rcond=None)[0]) ** 2))

    found = step_of(flat, flat, times)
    assert found is not None
    assert found.at == at == min(range(5, count - 4), key=left)
    assert found.size == pytest.approx(size, abs=2)


@pytest.mark.parametrize("seed", range(100))
def test_deviations_without_a_jump_have_none(seed: int) -> None:
    """Normal, far-tailed, of two kinds in turn, curved, and with a rest of a slope."""
    rng = np.random.default_rng(seed)
    count = int(rng.integers(10, 200))
    times = np.arange(count) * 50.0
    shapes = (
        rng.normal(0, 1, count), rng.standard_cauchy(count), rng.normal(0, 1, count) + 20 * (np.arange(count) % 2),
        20 * (times / times[-1] - 0.5) ** 2 + rng.normal(0, 1, count), times / times[-1] + rng.normal(0, 1, count),
    )  # fmt: skip
    for left in shapes:
        begins = np.where(rng.random(count) < 0.1, np.nan, left)
        found = step_of(begins, left, times)
        assert found is None or abs(found.size) < 2 * found.jitter


def test_a_jump_of_borders_that_are_else_exact() -> None:
    left = np.where(np.arange(60) < 52, 0.0, -25.0)
    assert step_of(left, left, np.arange(60.0)) == (52, -25.0, 0.0)
