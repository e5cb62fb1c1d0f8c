"""Words of directions equal a plain loop, however the light comes, and few of them still find what was pasted."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from teachlab.light import repeats
from teachlab.light.repeats import REAL_STEPS, WORD, Repeats, repeated_stretches
from teachlab.model.recording import Block, Recording, RecordingInfo

INFO = RecordingInfo(sample_rate_hz=1000.0, unit="counts")
SEEDS = st.integers(0, 2**32 - 1)


def plain_climbs(light: list[float], steps: int) -> list[int]:
    ups = [b > a for a, b in pairwise(light)]
    begins = (k for k in range(1, len(ups)) if not ups[k - 1])
    return [k for k in begins if len(ups[k : k + steps]) == steps and all(ups[k : k + steps])]


@settings(deadline=None)
@given(SEEDS, st.integers(0, 300), st.integers(1, 9))
def test_climbs_equal_a_plain_loop(seed: int, size: int, steps: int) -> None:
    light = np.random.default_rng(seed).integers(0, 6, size)
    light = np.sort(light) if seed % 5 == 0 else light
    assert repeats._climbs(repeats._bits(np.greater, light), steps).tolist() == plain_climbs(light.tolist(), steps)


def words_of(light: np.ndarray, invalid: np.ndarray | None, passes: tuple[np.ndarray, ...], size: int) -> set:
    reading = repeats._TellingWords(*passes)
    for a in range(0, light.size, size):
        b = slice(a, a + size)
        reading.push(Block(a, light[b], None if invalid is None else invalid[b]))
    return set(zip(np.concatenate(reading._places).tolist(), np.concatenate(reading._words).tolist(), strict=True))


@settings(deadline=None, max_examples=20)
@given(SEEDS, st.booleans(), st.booleans())
def test_words_are_those_of_a_plain_loop_in_blocks_of_any_size(seed: int, whole: bool, holes: bool) -> None:
    rng = np.random.default_rng(seed)
    light = rng.normal(0, 3, 700)
    light = np.round(light).astype(np.int16) if whole else light
    # So far apart that some are looked at as one, and some are not.
    ends = np.sort(rng.choice(690, 6, replace=False)) + 5
    passes = ends[::2], ends[1::2]
    invalid = rng.random(700) < 0.02 if holes else None
    good = np.ones(700, bool) if invalid is None else ~invalid
    expected, before = set(), 0
    for a, b in zip(*passes, strict=True):
        for k in plain_climbs(light.tolist(), 1):
            if not (max(a - WORD, before) <= k < b and k + WORD < 700):
                continue
            known = [good[i] and good[i + 1] for i in range(k, k + WORD)]
            real = [known[i - k] and light[i] != light[i + 1] for i in range(k, k + WORD)]
            if sum(real) >= REAL_STEPS:
                bits = [real[i - k] and light[i] < light[i + 1] for i in range(k, k + WORD)]
                expected.add((k, int("".join(str(int(bit)) for bit in bits[::-1]), 2)))
        before = b
    for size in (7, 49, 50, 98, 130, 700):
        assert words_of(light, invalid, passes, size) == expected


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("slow", [1, 4])
def test_few_words_find_what_was_pasted(monkeypatch: pytest.MonkeyPatch, seed: int, slow: int) -> None:
    monkeypatch.setattr(repeats, "MOST_WORDS", 64)
    rng, period, width = np.random.default_rng(seed), 1000, 600
    start = 100 + period * np.arange(60)
    noise = np.convolve(rng.normal(0, 5, 61_000 + slow - 1), np.ones(slow), "valid")
    light = 200 + noise + 400 * (((np.arange(noise.size) - 100) % period) < width)
    for k in range(40, 60):
        # Cut a few samples elsewhere, amplified and moved up.
        at = start[k] + int(rng.integers(-5, 6))
        light[at : at + width] = (0.8 + 0.01 * k) * light[start[k - 40] : start[k - 40] + width] + 10
    recording = Recording.from_array(light, INFO)
    reading = Repeats(start, start + width)
    for block in recording.blocks(size=7000):
        reading.push(block)
    assert reading._words._climb > (3 if slow == 1 else 4), "so few words were asked for"
    found = {later for later, _ in repeated_stretches(recording, start, start + width)}
    assert found <= set(range(39, 60))
    assert len(found & set(range(40, 60))) >= 18
