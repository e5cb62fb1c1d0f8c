"""How light upside down is compared: ``x >= L`` becomes ``x' < C − L + 1`` on whole numbers."""

from __future__ import annotations

import pytest

from teachlab.model.setting import Polarity, Setting
from teachlab.testing.symmetry import _outside_the_band


@pytest.mark.parametrize(
    ("off_level", "on_level", "moved"),
    [(10.0, 20.0, (11.0, 21.0)), (10.4, 20.0, (10.4, 21.0)), (10.0005, 19.5, (11.0, 19.5))],
)
def test_levels_on_a_sample_value_go_to_the_next_one(
    off_level: float, on_level: float, moved: tuple[float, float]
) -> None:
    setting = Setting(unit="counts", on_level=on_level, off_level=off_level, polarity=Polarity.DARK_ON)
    found = _outside_the_band(setting, 0.001)
    assert (found.off_level, found.on_level) == moved
