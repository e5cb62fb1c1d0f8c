"""Which levels of the light are distinct, found in one reading: those that come late count too, up to a number."""

from __future__ import annotations

import numpy as np
import pytest

from teachlab.model.recording import Recording, RecordingInfo
from teachlab.questions.surface.values.levels import MOST_DISTINCT, read_first

LAST = 9999.5


@pytest.mark.parametrize("early", [1, MOST_DISTINCT - 1, MOST_DISTINCT])
@pytest.mark.parametrize("infinite", [False, True])
def test_a_level_that_comes_late_is_one_as_long_as_there_are_not_too_many(early: int, infinite: bool) -> None:
    light = np.append(np.resize(np.arange(early) + 0.5, 10_000), LAST)
    if infinite:
        light[[5000, 6000]] = np.inf, -np.inf
    found = read_first(Recording.from_array(light, RecordingInfo(sample_rate_hz=1000.0, unit="mV")), None).distinct
    if early + 1 > MOST_DISTINCT:
        assert found is None
    else:
        assert found is not None
        assert found.tolist() == [*(np.arange(early) + 0.5), LAST]


def test_the_inner_range_does_not_depend_on_how_the_light_is_cut() -> None:
    light = np.random.default_rng(2).normal(100, 20, 50_000)
    info = RecordingInfo(sample_rate_hz=1000.0, unit="counts")
    found = {read_first(Recording.from_array(light, info), None).inner}
    blocks = Recording.from_array(light, info)
    for size in (7, 777, 30_001):
        cut = [blocks.read(a, a + size) for a in range(0, light.size, size)]
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(Recording, "blocks", lambda self, cut=cut: iter(cut))
            found.add(read_first(blocks, None).inner)
    assert len(found) == 1
