"""What the pictures of passes draw, read from their axes."""

from __future__ import annotations

import numpy as np
import pytest
from matplotlib.figure import Figure

from teachlab.data.quality import label_sheet
from teachlab.data.quality.label_sheet import _draw
from teachlab.data.quality.labelling import propose_passes
from teachlab.data.quality.pass_doubts import PassDoubt
from teachlab.evidence.figures import _shift, _worst
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
    _draw(sheet, recording, PassDoubt(row=3, start=80, end=100, doubt=0.1, reason=""), 85.0, 40)
    for axes, shade in ((figure.axes[0], 0), (sheet, 0)):
        assert axes.get_xlabel().endswith(unit)
        span = axes.patches[shade]
        assert (span.get_x(), span.get_x() + span.get_width()) == pytest.approx((0.0, end))


def test_a_sheet_of_passes_has_one_unit_of_time_and_names_the_light(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Passes of 240 and 260 ms had axes in ms and in s side by side, and none had the unit of the light."""
    made: list[Figure] = []
    monkeypatch.setattr(label_sheet, "picture", lambda one, kind, says: made.append(one) or b"<svg/>")
    light = np.full(3000, 10.0)
    spans = [(500, 740), (1500, 1760)]
    for start, end in spans:
        light[start:end] = 100.0
    recording = Recording.from_array(light, RecordingInfo(sample_rate_hz=1000.0, unit="mV"), name="line")
    doubts = [PassDoubt(row=k, start=a, end=b, doubt=0.0, reason="") for k, (a, b) in enumerate(spans)]
    label_sheet.label_sheet(recording, propose_passes(recording), doubts, kind="svg")
    assert [one.get_xlabel() for one in made[0].axes] == ["s", "s"]
    assert [one.get_ylabel() for one in made[0].axes] == ["light, mV", ""]


def test_the_shifts_without_an_error_are_those_around_none() -> None:
    """An extra switching that comes at 2 and is gone at 3 was told as no error from -2 to 3."""
    record = {
        "data": {"unit": "mV"},
        "sensitivity": [{"shift": s, "lost": int(s > 3), "false_trips": int(s < -2), "extra": int(s == 2)}
                        for s in (-4.0, -2.0, 0.0, 1.0, 2.0, 3.0, 5.0)],
    }  # fmt: skip
    assert _shift(Figure(), record) == "Without an error from -2 to 1 mV."
    assert _shift(Figure(), record | {"sensitivity": record["sensitivity"][:1]}) == "Every shift makes an error."
