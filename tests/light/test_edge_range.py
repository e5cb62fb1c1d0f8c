"""The range of one edge is what 99 of 100 places of the gaps stay within."""

from __future__ import annotations

import numpy as np
import pytest
from scoring.margins import measure_margin

from teachlab.model.recording import Recording, RecordingInfo
from teachlab.model.setting import Setting
from teachlab.model.truth import Truth
from teachlab.scoring.scoring import score
from teachlab.switching.run import replay


@pytest.mark.parametrize(("every", "expected"), [(1, 5.0), (8, 0.0)])
def test_a_spike_counts_where_it_takes_more_than_a_hundredth_of_the_places(every: int, expected: float) -> None:
    """Gaps of 80 samples, windows of 2 or 3: one spike in each lies in 2.5 to 4 % of them, in every eighth in 0.5 %."""
    start = 80 + 100 * np.arange(40)
    light = np.full(4100, 10.0)
    for k, a in enumerate(start):
        light[a : a + 20] = 60.0
        if k % every == 0:
            light[a + 60] = 15.0
    truth = Truth.from_arrays(start, start + 20)
    recording = Recording.from_array(light, RecordingInfo(sample_rate_hz=1000.0, unit="counts"))
    setting = Setting(unit="counts", on_level=40.0, off_level=30.0)
    output = replay(recording, setting)
    margin = measure_margin(recording, output, truth, score(output, truth).trials)
    assert margin.edge_range == expected
