"""A grid that is replayed pair by pair gives the tables of the surface that is counted at once, by all of its rules."""

from __future__ import annotations

import numpy as np
import pytest

from teachlab.model.recording import Recording, RecordingInfo
from teachlab.model.score import Rules
from teachlab.model.setting import Setting
from teachlab.model.truth import Truth
from teachlab.questions.surface.count import surface
from teachlab.questions.surface.given_settings.grid import replayed_surface
from teachlab.questions.surface.values.table import TABLES


@pytest.mark.parametrize("rules", [Rules(), Rules(tolerance_ms=4.0), Rules(first_pass=5)])
def test_tables_are_equal_under_every_rule(rules: Rules) -> None:
    rng = np.random.default_rng(7)
    light = rng.integers(0, 30, 1400)
    start = 50 + 60 * np.arange(22)
    for at in start:
        light[at : at + 20] += 30
    truth = Truth.from_arrays(start + 3, start + 23)
    recording = Recording.from_array(light, RecordingInfo(sample_rate_hz=1000.0, unit="counts", full_scale=255.0))
    levels = np.array([20.0, 33.0, 45.0, 58.0])
    base = Setting(unit="counts", on_level=0.0, off_level=0.0)
    one = replayed_surface(recording, truth, base, levels=levels, rules=rules)
    other = surface(recording, truth, base, levels=levels, rules=rules)
    for name in TABLES:
        lower = np.tril_indices(4)
        assert getattr(one, name)[lower].tolist() == getattr(other, name)[lower].tolist(), name
