"""Lines whose edges are lost in noise, while the means of the light show the passes where they lie."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import shell

from teachlab.data.alignment import Alignment, measure_alignment
from teachlab.data.alignment.drowned import _above
from teachlab.data.alignment.finding import DROWNED, finding
from teachlab.data.recording_files import write_recording
from teachlab.data.truth_files import write_truth
from teachlab.model.recording import Direction, Recording, RecordingInfo
from teachlab.model.truth import Truth
from teachlab.questions.quality import inspected

NOISE = 40.0


def line(
    seed: int, *, contrast: float, count: int = 100, length: int = 60, does: Direction = Direction.RISE, late: int = 0,
    stored: bool = True,
) -> tuple[Recording, Truth]:  # fmt: skip
    """Return a line with light that objects change by so many deviations of its noise; lots of five passes."""
    rng = np.random.default_rng(seed)
    start = np.cumsum(np.rint(length * rng.uniform(2.2, 2.8, count)).astype(int))
    light = rng.normal(1000, NOISE, int(start[-1]) + 4 * length)
    for a in start.tolist():
        light[a : a + length] += (1 if does is Direction.RISE else -1) * contrast * NOISE
    info = RecordingInfo(sample_rate_hz=1000.0, unit="counts", direction=does if stored else None)
    lots = [f"lot {k // 5}" for k in range(count)]
    truth = Truth.from_arrays(start + late, start + length + late, uncertainty_samples=2, lot=lots)
    return Recording.from_array(np.rint(light), info), truth


def measured(*args: object, **how: object) -> Alignment | None:
    return measure_alignment(*line(*args, **how))  # type: ignore[arg-type]


@pytest.mark.parametrize("does", Direction)
@pytest.mark.parametrize("stored", [True, False])
@pytest.mark.parametrize("contrast", [0.4, 0.7, 1.0])
def test_passes_that_noise_hides_are_not_said_to_belong_elsewhere(
    does: Direction, stored: bool, contrast: float
) -> None:
    for seed in range(6):
        found = measured(seed, contrast=contrast, does=does, stored=stored)
        assert found is not None
        assert found.drowned
        assert found.belongs
        assert not found.off
        assert not found.settled(0)
        assert found.direction is does
        assert finding(found) == [DROWNED]
        document = found.as_dict()
        assert np.isnan([document["jitter_ms"], document["width_error_ms"], *document["lag_ms"].values()]).all()


@pytest.mark.parametrize("late", [-70, -35, 35, 70])
def test_passes_beside_such_light_are_not_taken_for_its_own(late: int) -> None:
    for seed in range(6):
        found = measured(seed, contrast=1.0, late=late)
        assert found is None or not found.belongs


def test_few_passes_or_the_other_direction_show_nothing() -> None:
    few = measured(0, contrast=0.7, count=12)
    assert few is None or not few.belongs
    recording, truth = line(0, contrast=0.7)
    turned = Recording.from_array(2000 - recording.read(0, recording.samples).light, recording.info)
    found = measure_alignment(turned, truth)
    assert found is None or not found.belongs


def test_counts_equal_plain_loops() -> None:
    rng = np.random.default_rng(5)
    for _ in range(20):
        levels = rng.normal(0, 1, 400).round(2)
        levels[rng.random(400) < 0.05] = np.nan
        start = np.cumsum(rng.uniform(18, 40, 10)) - 10
        end = start + rng.uniform(6, 14, 10)
        above, known = _above(levels, start, end, 12, 3)
        assert known == 10
        assert sorted(above) == list(range(-12, 13, 3))
        for lag, count in above.items():
            seen = 0
            for k in range(10):
                a, b = int(np.ceil(start[k])), int(np.floor(end[k]))
                half = int(np.ceil((b - a) / 2)) + 1
                first = a - half if k == 0 else max(a - half, int(np.ceil(end[k - 1])))
                last = b + half if k == 9 else min(b + half, int(np.floor(start[k + 1])))
                own = [levels[p] for p in range(a + lag, b + lag) if 0 <= p < 400 and not np.isnan(levels[p])]
                around = [*range(first + lag, a - 1 + lag), *range(b + 1 + lag, last + lag)]
                gaps = [levels[p] for p in around if 0 <= p < 400 and not np.isnan(levels[p])]
                seen += bool(own and gaps and np.mean(own) > np.mean(gaps))
            assert count == seen, lag


@pytest.mark.parametrize("contrast", [0.5, 1.0])
def test_where_noise_hides_products_nothing_works_and_passes_are_not_blamed(tmp_path: Path, contrast: float) -> None:
    recording, truth = line(3, contrast=contrast)
    decision = inspected(recording, truth).verdict.decision
    assert decision.startswith("no fixed level works here") or decision == "nothing is seen in most passes"
    place = tmp_path / "line.parquet"
    write_recording(place, recording)
    write_truth(tmp_path / "line.passes.parquet", truth)
    strategies = ("single-sample", "two-sample-midpoint", "sweep-minmax")
    told = shell.run("bench", place, *(f"--strategy={name}" for name in strategies), "--draws", "10")
    assert "None of these works" in told.stdout
    assert DROWNED.split(":")[0] in told.stdout
    aligned = shell.run("align", place, code=3)
    assert "lost in the noise" in " ".join(aligned.stdout.split())
