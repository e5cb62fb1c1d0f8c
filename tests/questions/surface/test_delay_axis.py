"""One cell of the map of delays as a setting, by hand."""

from __future__ import annotations

import numpy as np

from teachlab.model.draws import Costs
from teachlab.model.setting import DelaysActOn, Polarity, Setting
from teachlab.questions.surface.delay_axis import DelaySurface


def test_a_cell_is_a_setting_without_hysteresis_whose_delays_act_on_the_output() -> None:
    none = np.zeros((2, 2, 2), np.int64)
    base = Setting(
        unit="mV", on_level=5.0, off_level=1.0, polarity=Polarity.DARK_ON, consecutive=3, on_delay_ms=50.0,
        delays_act_on=DelaysActOn.LIGHT,
    )  # fmt: skip
    found = DelaySurface(
        levels=np.array([10.0, 20.0]), on_delays_ms=np.array([0.0, 4.0]), off_delays_ms=np.array([0.0, 6.0]),
        lost=none, extra=none, false_trips=none, ignore_trips=none, touching=none, detect_trials=np.array([3, 3]),
        base=base, costs=Costs(),
    ).setting((1, 1, 1))  # fmt: skip
    assert (found.on_level, found.off_level, found.on_delay_ms, found.off_delay_ms) == (20.0, 20.0, 4.0, 6.0)
    assert (found.polarity, found.consecutive, found.delays_act_on) == (Polarity.DARK_ON, 3, DelaysActOn.OUTPUT)


def test_passes_that_merge_with_the_one_they_touch_are_not_among_those_counted() -> None:
    """As in the other sentences of a surface; the level is told to the step of the light."""
    none, met = np.zeros((1, 1, 2), np.int64), np.full((1, 1, 2), 1, np.int64)
    found = DelaySurface(
        levels=np.array([9.5]), on_delays_ms=np.array([0.0]), off_delays_ms=np.array([0.0, 6.0]), lost=met,
        extra=none, false_trips=none, ignore_trips=none, touching=met, detect_trials=np.array([3]),
        base=Setting(unit="mV", on_level=5.0, off_level=1.0), costs=Costs(),
    )  # fmt: skip
    assert found.sentence(step=1.0) == (
        "Without hysteresis, level 10 mV with on-delay 0 ms and off-delay 0 ms makes 0 errors in 2 passes; the best "
        "level at 0 and 0 ms makes 0."
    )
