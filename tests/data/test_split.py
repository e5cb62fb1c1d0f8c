"""The split into teach block and scored block, worked by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from teachlab.data.split import split
from teachlab.errors import InputError, ParameterError, TruthError
from teachlab.model.recording import Recording, RecordingInfo
from teachlab.model.truth import Truth


def line(passes: int, *, detect: list[bool] | None = None) -> Truth:
    """Passes of 10 samples every 30: [10, 20), [40, 50), ..."""
    start = 10 + 30 * np.arange(passes)
    return Truth.from_arrays(start, start + 10, detect=detect)


def test_ten_passes_teach_three_purge_one_score_six() -> None:
    cut = split(line(10), 310)
    # Pass 2 ends at 80, pass 3 begins at 100: the middle is 90; pass 3 is purged.
    assert (cut.teach_end, cut.teach_passes, cut.first_scored) == (90, 3, 4)


def test_share_is_rounded_up_but_not_by_binary_dust() -> None:
    assert split(line(11), 340).teach_passes == 4  # 3.3
    assert split(line(20), 610).teach_passes == 6  # 0.3 * 20 is 6, whatever binary fractions say
    assert split(line(10), 310, teach_share=0.7).teach_passes == 7  # 0.7 * 10 = 7.000000000000001 in doubles is not 8


def test_only_detect_passes_are_counted_but_any_pass_is_purged() -> None:
    detect = [True, False, True, False, False, True, True]
    cut = split(line(7, detect=detect), 220)
    # N = 4, so 2 detect passes are taught: pass 2 ends at 80. Pass 3, an ignore pass, is purged.
    assert (cut.teach_end, cut.teach_passes, cut.first_scored) == (90, 2, 4)


def test_middle_is_rounded_down_and_touching_passes_have_it_at_the_border() -> None:
    odd = Truth.from_arrays([0, 15, 30, 50], [10, 20, 40, 60])
    assert split(odd, 70, teach_share=0.2).teach_end == 12  # between 10 and 15
    touching = Truth.from_arrays([0, 10, 30, 50], [10, 20, 40, 60])
    assert split(touching, 70, teach_share=0.2).teach_end == 10


@pytest.mark.parametrize(
    ("passes", "share", "needed"), [(2, 0.3, 3), (1, 0.3, 3), (0, 0.3, 3), (3, 0.5, 4), (3, 0.8, 10)]
)
def test_too_few_passes_says_how_many_are_needed(passes: int, share: float, needed: int) -> None:
    with pytest.raises(TruthError, match=rf"at least {needed} passes .* got {passes} detect pass"):
        split(line(passes), 400, teach_share=share)


def test_nothing_to_detect_after_the_purge_is_an_error() -> None:
    with pytest.raises(InputError, match="got 3 detect passes among 5"):
        split(line(5, detect=[True, True, True, False, False]), 160, teach_share=0.5)


def test_a_vanishing_share_still_teaches_on_one_pass() -> None:
    assert split(line(4), 130, teach_share=1e-9).teach_passes == 1


@pytest.mark.parametrize("share", [0.0, 1.0, 30.0, -0.1, float("nan")])
def test_share_outside_its_range_is_refused(share: float) -> None:
    with pytest.raises(ParameterError, match="teach_share"):
        split(line(10), 310, teach_share=share)


def test_passes_outside_the_recording_are_refused() -> None:
    with pytest.raises(TruthError, match="outside the recording"):
        split(line(10), 200)


@given(st.integers(1, 60), st.floats(0.01, 0.99))
def test_the_number_said_to_be_needed_is_enough_and_the_least(passes: int, share: float) -> None:
    """Where a split fails it names a count; that count works and one less does not."""
    try:
        cut = split(line(passes), 30 * passes + 30, teach_share=share)
    except TruthError as fault:
        needed = int(str(fault).split("at least ")[1].split(" ")[0])
        assert needed > passes
        split(line(needed), 30 * needed + 30, teach_share=share)
        with pytest.raises(TruthError):
            split(line(needed - 1), 30 * needed, teach_share=share)
    else:
        assert cut.first_scored == cut.teach_passes + 1 < passes
        truth = line(passes)
        assert truth.end[cut.teach_passes - 1] < cut.teach_end < truth.start[cut.teach_passes]


def test_a_part_of_a_recording_has_its_own_clock_and_only_the_passes_that_lie_in_it():
    light = np.arange(100, dtype=np.uint16)
    whole = Recording.from_array(light, RecordingInfo(sample_rate_hz=1000.0, unit="counts"), name="line")
    truth = replace(Truth.from_arrays([5, 20, 58], [12, 30, 64]), except_=((0, 3), (15, 25), (55, 90)))
    part, some = whole.between(15, 60), truth.within(15, 60)
    assert (part.samples, part.name, part.read(0, 1).light.tolist()) == (45, "line", [15])
    assert (some.start.tolist(), some.end.tolist()) == ([5], [15])
    assert some.except_ == ((0, 10), (40, 45))
