"""Which setting a bench recommends: none whose output is of no use, whatever it costs."""

from dataclasses import replace

import numpy as np

from teachlab.model.draws import DrawOptions
from teachlab.model.recording import Direction, Recording, RecordingInfo
from teachlab.model.truth import Truth
from teachlab.studies import bench_recording
from teachlab.teaching import resolve

INFO = RecordingInfo(sample_rate_hz=1000.0, unit="counts", direction=Direction.RISE)


def test_an_output_that_is_active_in_the_gaps_is_not_recommended_though_it_costs_nothing() -> None:
    """Objects lower the light, and the stored direction is wrong: the output rises again within every pass."""
    rng = np.random.default_rng(8)
    start = 150 + 250 * np.arange(60)
    light = rng.normal(2000, 4, 60 * 250 + 150)
    for a in start:
        light[a : a + 80] -= rng.uniform(1400, 1600)
    truth = Truth.from_arrays(start, start + 80, uncertainty_samples=3)
    built = [resolve(name) for name in ("sweep-minmax", "two-threshold")]

    def chosen(direction: Direction) -> str:
        recording = Recording.from_array(light, replace(INFO, direction=direction), name="line")
        found = bench_recording(recording, truth, built, options=DrawOptions(draws=10))
        assert found.recommendation is not None
        assert not found.recommendation.worth.score.probably_inverted
        costs = {result.strategy: result.ranking_cost for result in found.results}
        assert costs == {"sweep-minmax": 0, "two-threshold": 0}
        return found.recommendation.strategy

    assert chosen(Direction.RISE) == "two-threshold"
    assert chosen(Direction.DIP) == "sweep-minmax"
