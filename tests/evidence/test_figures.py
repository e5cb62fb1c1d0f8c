"""What the pictures of passes draw, read from their axes."""

from __future__ import annotations

import numpy as np
import pytest
from matplotlib.figure import Figure

from teachlab.data.quality.label_sheet import _draw
from teachlab.data.quality.pass_doubts import PassDoubt
from teachlab.evidence.figures import _worst
from teachlab.model.recording import Recording, RecordingInfo


@pytest.mark.parametrize(("rate_hz", "unit", "end"), [(1000.0, "ms", 20.0), (10.0, "s", 2.0), (0.02, "min", 1000 / 60)])
def test_the_light_of_a_pass_is_drawn_over_time_in_the_unit_of_its_length(
    rate_hz: float, unit: str, end: float
) -> None:
    """A pass of 20 s had an axis from −10000 to 30000 ms."""
    recording = Recording.from_array(np.arange(200.0), RecordingInfo(sample_rate_hz=rate_hz, unit="mV"), name="line")
    record = {
        "data": {"sample_rate_hz": rate_hz, "unit": "mV"}, "setting": {"on_level": 90.0, "off_level": 80.0}
    }  # fmt: skip
    row = {"pass": 3, "start": 80, "end": 100, "reason": "", "outcome": "hit"}
    figure = Figure()
    _worst(figure, record, recording, [row], 1)
    sheet = Figure().add_subplot()
    _draw(sheet, recording, PassDoubt(row=3, start=80, end=100, doubt=0.1, reason=""), 85.0)
    for axes, shade in ((figure.axes[0], 0), (sheet, 0)):
        assert axes.get_xlabel().endswith(unit)
        span = axes.patches[shade]
        assert (span.get_x(), span.get_x() + span.get_width()) == pytest.approx((0.0, end))
