"""Memory does not grow with the recording, only with its passes and the levels asked for."""

from __future__ import annotations

import tracemalloc
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pytest
from scoring.margins import measure_margin

from teachlab.model.recording import Block, Chunk, Recording, RecordingInfo
from teachlab.model.setting import Setting
from teachlab.model.truth import Truth
from teachlab.questions.stress.map import stress_map
from teachlab.questions.surface.count import surface
from teachlab.questions.surface.given_settings.pairs import score_pairs
from teachlab.questions.surface.hindsight import hindsight
from teachlab.scoring import score
from teachlab.switching import replay

INFO = RecordingInfo(sample_rate_hz=1000.0, unit="counts", full_scale=100.0)
SETTING = Setting(unit="counts", on_level=35.0, off_level=25.0)
DELAYED = replace(SETTING, consecutive=2, on_delay_ms=3.0, off_delay_ms=5.0)
PASSES, LENGTH = 100, 200
SHORT, LONG = 2_500_000, 7_500_000


@dataclass
class Endless:
    """Light that is made when it is read: noise of a fixed pattern, and evenly spaced passes."""

    samples: int

    @property
    def dtype(self) -> np.dtype[Any]:
        return np.dtype(np.float32)

    def chunks(self) -> Sequence[Chunk]:
        size = 1 << 17
        return [Chunk(a, min(a + size, self.samples)) for a in range(0, self.samples, size)]

    def read(self, start: int, stop: int) -> Block:
        at = np.arange(start, stop)
        light = (10 + ((at * 2_654_435_761) % 8191) / np.float32(2048)).astype(np.float32)
        light[at % (self.samples // PASSES) < LENGTH] += 40
        return Block(start, light, None)

    def blocks(self, start: int, stop: int, size: int) -> Iterator[Block]:
        for a in range(start, stop, size):
            yield self.read(a, min(a + size, stop))


def line(samples: int) -> tuple[Recording, Truth]:
    starts = np.arange(1, PASSES) * (samples // PASSES)
    first = Endless(samples)
    return Recording(INFO, first, "endless"), Truth.from_arrays(starts, starts + LENGTH, uncertainty_samples=3)


def levels() -> list[float]:
    return np.linspace(5, 60, 150).tolist()


def work_surface(recording: Recording, truth: Truth) -> None:
    found = surface(recording, truth, SETTING, levels=np.array(levels()), fast=False)
    assert hindsight(found).cost == 0


def work_zero_hysteresis(recording: Recording, truth: Truth) -> None:
    found = surface(recording, truth, DELAYED, levels=np.array(levels()))
    assert hindsight(found).cost == 0


def work_pairs(recording: Recording, truth: Truth) -> None:
    settings = [SETTING.with_levels(on, on - 1, SETTING.polarity) for on in levels()]
    settings += [DELAYED.with_levels(on, on - 1, SETTING.polarity) for on in (20.0, 30.0)]
    assert min(n.lost for n in score_pairs(recording, truth, settings)) == 0


def work_stress(recording: Recording, truth: Truth) -> None:
    found = stress_map(recording, truth, SETTING, gain=(1.0, 0.5), ambient=(0.0, 2.0))
    assert found.contamination_reserve is not None
    assert found.resolution == (0.0, 0.0)


def work_margin(recording: Recording, truth: Truth) -> None:
    output = replay(recording, SETTING)
    scored = score(output, truth)
    found = measure_margin(recording, output, truth, scored.trials).to_noise
    assert found is not None
    assert found > 0


def peak(work: Callable[[Recording, Truth], None], samples: int) -> int:
    recording, truth = line(samples)
    tracemalloc.start()
    try:
        work(recording, truth)
        return tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()


@pytest.mark.parametrize(
    "work", [work_surface, work_zero_hysteresis, work_pairs, work_stress, work_margin], ids=lambda f: f.__name__[5:]
)
def test_memory_is_that_of_a_recording_three_times_shorter(work: Callable[[Recording, Truth], None]) -> None:
    short, long = peak(work, SHORT), peak(work, LONG)
    # A whole float32 copy of what is longer would be 20 MB.
    assert long < short + 3_000_000, (short, long)
