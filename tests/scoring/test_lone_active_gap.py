"""The one gap without which the output is not active for most of the gap time, by hand."""

from __future__ import annotations

import numpy as np
import pytest

from teachlab.model.recording import Recording, RecordingInfo
from teachlab.model.score import Rules
from teachlab.model.setting import Setting
from teachlab.model.truth import Truth
from teachlab.scoring.scoring import lone_active_gap, score
from teachlab.switching import replay

SETTING = Setting(unit="counts", on_level=5, off_level=5)


def found(active: list[tuple[int, int]], first_pass: int = 0) -> int | None:
    """Passes at 10, 30 and 50, 5 samples long each; the record ends at 200."""
    light = np.zeros(200)
    for a, b in active:
        light[a:b] = 9
    info = RecordingInfo(sample_rate_hz=100.0, unit="counts")
    start = np.array([10, 30, 50])
    truth = Truth.from_arrays(start, start + 5, uncertainty_samples=0)
    rules = Rules(first_pass=first_pass)
    output = replay(Recording.from_array(light, info, name="r"), SETTING)
    return lone_active_gap(output, truth, score(output, truth, rules=rules), rules=rules)


@pytest.mark.parametrize(
    ("active", "gap"),
    [
        ([(10, 15), (30, 35), (50, 180)], 2),  # 125 of 185 samples of gaps, all after pass 2
        ([(10, 15), (30, 35), (50, 140)], None),  # 85 of 185: not most of the time
        ([(0, 200)], None),  # without any one gap the output is still active
        ([(0, 8), (10, 30), (32, 35), (50, 180)], None),  # 8 + 15 + 0 of the other 40 samples are most of them, too
        ([(0, 2), (10, 30), (32, 35), (50, 180)], 2),  # 2 + 15 of 40 are not
    ],
)
def test_the_gap_is_named_if_it_alone_makes_most_of_the_time(active: list[tuple[int, int]], gap: int | None) -> None:
    assert found(active) == gap


def test_gaps_before_the_first_scored_pass_are_left_out() -> None:
    # The gap after pass 0 is no trial from pass 1 on; that before the record's first pass is −1.
    assert found([(10, 15), (30, 35), (50, 180)], first_pass=1) == 2
    assert found([(10, 30), (30, 35), (50, 55)], first_pass=1) is None
