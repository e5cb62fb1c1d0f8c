"""Lines whose gaps are about as long as their passes: a wrong direction and half a product look alike."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import shell

from teachlab.data.alignment import Alignment, measure_alignment
from teachlab.data.alignment.finding import finding
from teachlab.data.recording_files import write_recording
from teachlab.data.truth_files import write_truth
from teachlab.model.recording import Direction, Recording, RecordingInfo
from teachlab.model.truth import Truth
from teachlab.questions.quality import inspected

PITCH, PASSES = 136, 60
INFO = RecordingInfo(sample_rate_hz=1000.0, unit="mV")


def line(
    seed: int, *, duty: float, varies: float, does: Direction, stored: Direction | None, late: int = 0
) -> tuple[Recording, Truth]:
    """Return a line whose passes and gaps vary by a share of the pitch, as one standard deviation."""
    rng = np.random.default_rng(seed)
    lengths, gaps = (np.maximum(share * PITCH + rng.normal(0, varies * PITCH, PASSES), 8) for share in (duty, 1 - duty))
    start = np.rint(np.cumsum(gaps + lengths) - lengths).astype(int)
    end = np.rint(start + lengths).astype(int)
    light = rng.normal(1500, 10, int(end[-1]) + PITCH)
    for a, b in zip(start, end, strict=True):
        light[a:b] += 800 if does is Direction.RISE else -800
    kept = end + late < light.size
    truth = Truth.from_arrays(start[kept] + late, end[kept] + late, uncertainty_samples=2)
    return Recording.from_array(light, replace(INFO, direction=stored)), truth


def measured(seed: int, **how: object) -> Alignment:
    found = measure_alignment(*line(seed, **how))  # type: ignore[arg-type]
    assert found is not None
    return found


def other(direction: Direction) -> Direction:
    return Direction.DIP if direction is Direction.RISE else Direction.RISE


@pytest.mark.parametrize("does", Direction)
@pytest.mark.parametrize("duty", [0.3, 0.4, 0.45, 0.5, 0.55, 0.6, 0.7])
@pytest.mark.parametrize("varies", [0.0, 0.005, 0.02, 0.05, 0.1, 0.2])
def test_a_wrong_direction_is_never_told_as_a_shift(does: Direction, duty: float, varies: float) -> None:
    for seed in range(2):
        found = measured(seed, duty=duty, varies=varies, does=does, stored=other(does))
        assert not found.belongs
        assert not found.settled(None)
        assert found.turned or found.contrary is not None
        # What varies by 3 ms tells it from half a product, as do lengths that differ by 13 ms.
        if varies >= 0.02 or duty in (0.45, 0.55):
            assert found.turned
            assert found.direction is does
            assert abs(found.shift.shift) < 0.5
            assert abs(found.width) < 1


@pytest.mark.parametrize("does", Direction)
@pytest.mark.parametrize("duty", [0.3, 0.45, 0.5, 0.55, 0.7])
@pytest.mark.parametrize("varies", [0.02, 0.1])
def test_passes_half_a_product_late_stay_late(does: Direction, duty: float, varies: float) -> None:
    for seed in range(2):
        found = measured(seed, duty=duty, varies=varies, does=does, stored=does, late=68)
        assert found.belongs
        assert found.direction is does
        assert found.shift.shift == pytest.approx(-68, abs=0.6)


@pytest.mark.parametrize("does", Direction)
@pytest.mark.parametrize("late", [-170, -120, -60, 60, 120, 170])
def test_without_a_direction_products_of_one_length_are_not_found_on_the_gaps(does: Direction, late: int) -> None:
    # Gaps vary, so passes that lie before products meet one of their edges each, exactly.
    for seed in range(22):
        rng = np.random.default_rng(seed)
        start = 200 + np.cumsum(80 + np.maximum(rng.normal(80, 20, 24), 12)).astype(int)
        light = rng.normal(1500, 10, int(start[-1]) + 480)
        for a in start:
            light[a : a + 80] += 800 if does is Direction.RISE else -800
        told = start[rng.random(24) > 0.1] + late
        truth = Truth.from_arrays(told, told + 80, uncertainty_samples=2)
        found = measure_alignment(Recording.from_array(light, INFO), truth)
        assert found is not None
        assert found.direction is does
        assert found.shift.shift == pytest.approx(-late, abs=2)


@pytest.mark.parametrize("does", Direction)
def test_a_wrong_direction_of_passes_that_are_whole_ones_late_is_named(does: Direction) -> None:
    for seed in range(4):
        found = measured(seed, duty=0.3, varies=0.05, does=does, stored=other(does), late=PITCH)
        assert found.turned
        assert found.direction is does
        assert not found.settled(0)


@pytest.mark.parametrize("does", Direction)
def test_what_cannot_be_told_apart_is_said_so(does: Direction) -> None:
    """A strictly regular line, half and half: the same light and table, whichever of the two is wrong."""
    named = {Direction.RISE: ("raise", "lower"), Direction.DIP: ("lower", "raise")}
    for stored, late in ((other(does), 0), (does, 68)):
        found = measured(0, duty=0.5, varies=0.0, does=does, stored=stored, late=late)
        assert found.contrary is not None
        assert not found.turned
        assert not found.belongs
        assert not found.settled(None)
        assert found.settled(0)
        own, contrary = named[stored]
        (told,) = finding(found)
        assert told.startswith(
            f"The direction may be wrong: it is stored as {stored}. If products {own} the light, your passes "
        )
        assert " it by 68 ms and scatter by ±" in told
        assert f" If products {contrary} it, they agree with it within 2 ms and scatter by ±" in told
        assert found.as_dict()["contrary"]["shift_ms"] == pytest.approx(0, abs=0.6)
        assert "aligned.parquet" not in found.command("line.parquet")
        assert found.command("line.parquet", looked=True) == (
            f"teachlab align line.parquet --whole-periods {found.fuller} --out line-aligned.parquet"
        )


@pytest.mark.parametrize("does", Direction)
@pytest.mark.parametrize(
    ("drift", "told"), [(6.6e-3, " drift by 54 ms over the recording"), (1.4e-2, "The direction may be wrong: ")]
)
def test_a_clock_that_drifts_hides_no_wrong_direction(does: Direction, drift: float, told: str) -> None:
    """Up to 57 ms at both ends, of passes of 68 ms: the passes were said to be half a product off."""
    recording, truth = line(4, duty=0.5, varies=0.0, does=does, stored=other(does))
    middle = recording.samples / 2
    borders = [np.rint(side + drift * (side - middle)).astype(int) for side in (truth.start, truth.end)]
    kept = (borders[0] >= 0) & (borders[1] <= recording.samples)
    found = measure_alignment(recording, Truth.from_arrays(*(side[kept] for side in borders), uncertainty_samples=2))
    assert found is not None
    assert found.contrary is not None
    assert not found.settled(None)
    right = found if found.turned else found.contrary
    assert right.direction is does
    assert abs(right.shift.shift) < 2
    assert told in finding(found)[0]


@pytest.mark.parametrize("does", Direction)
@pytest.mark.parametrize("late", [-34, 34])
def test_a_quarter_late_in_one_direction_is_a_quarter_early_in_the_other(does: Direction, late: int) -> None:
    for stored in Direction:
        found = measured(0, duty=0.5, varies=0.005, does=does, stored=stored, late=late)
        assert found.contrary is not None
        assert abs(found.shift.shift) == pytest.approx(34, abs=1)
        assert found.contrary.shift.shift == pytest.approx(-found.shift.shift, abs=1)
        assert not found.settled(None)


@pytest.mark.parametrize("does", Direction)
def test_gaps_that_meet_borders_beside_rows_that_are_missing_turn_no_direction(does: Direction) -> None:
    """Products of 70 % of the pitch, a tenth of them not in the table: the gaps met more borders than the products."""
    for seed in range(6):
        for late in (0, 35, 48):
            recording, truth = line(seed, duty=0.7, varies=0.02, does=does, stored=does, late=late)
            found = measure_alignment(recording, truth.select(np.random.default_rng(seed).random(truth.passes) > 0.1))
            assert found is not None
            assert found.direction is does
            assert found.belongs
            assert found.shift.shift == pytest.approx(-late, abs=1)


def test_a_wrong_direction_is_named_with_both_fits() -> None:
    found = measured(0, duty=0.45, varies=0.05, does=Direction.DIP, stored=Direction.RISE)
    assert finding(found) == [
        "Your passes follow this light only if products lower it, but its direction is stored as rise. Then they "
        "agree with it within 2 ms and scatter by ±22 µs; as stored, they lead it by 69 ms and scatter by ±15 ms. "
        "Correct the direction, or the passes if they mark the gaps. Trust no count below before that is settled."
    ]


def test_inspect_asks_for_the_direction_first() -> None:
    for varies in (0.0, 0.05):
        for stored in Direction:
            recording, truth = line(1, duty=0.5, varies=varies, does=other(stored), stored=stored)
            verdict = inspected(recording, truth).verdict
            assert verdict.decision == "check the direction first"
            assert "direction" in verdict.reasons[0].text


def test_nothing_is_moved_before_the_direction_is_known(tmp_path: Path) -> None:
    recording, truth = line(0, duty=0.5, varies=0.0, does=Direction.DIP, stored=Direction.RISE)
    name, out = tmp_path / "line.parquet", tmp_path / "moved.parquet"
    write_recording(name, [recording.read(0, recording.samples).as_float()], recording.info)
    write_truth(tmp_path / "line.passes.parquet", truth)
    done = shell.run("align", name, "--out", out, code=3)
    assert "nothing is written: the direction may be wrong. If it is right, say how many passes later" in done.stderr
    assert not out.exists()
    told = shell.run("align", name, code=3).stdout
    assert f"If the direction is right: teachlab align {name} --whole-periods 0 --out" in told
    shell.run("align", name, "--out", out, "--whole-periods", 0)
    assert out.exists()
