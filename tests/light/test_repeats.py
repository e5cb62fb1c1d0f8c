"""Copies in a log are found however they are cut, and light that swings is none."""

from __future__ import annotations

import numpy as np
import pytest

from teachlab.data.opening import open_pair
from teachlab.data.shipped import datasets_root
from teachlab.light.repeats import repeated_stretches
from teachlab.model.recording import Recording, RecordingInfo

INFO = RecordingInfo(sample_rate_hz=1000.0, unit="counts")
PASSES, FROM, COPIES = 40, 5, range(20, 30)
Lit = tuple[np.ndarray, np.ndarray, np.ndarray]


def lids(seed: int, *, noise: float = 5.0, flicker: float = 0.0, period: int = 200, width: int = 80) -> Lit:
    """Lids of 600 counts on a belt of 200, with light from lamps that swing at about 100 Hz."""
    rng, start = np.random.default_rng(seed), 40 + period * np.arange(PASSES)
    light = np.full(PASSES * period + 100, 200.0)
    for a in start:
        light[a : a + width] = 600.0
    light += rng.normal(0, noise, light.size) + flicker * np.sin(2 * np.pi * 0.1003 * np.arange(light.size))
    return light, start, start + width


def pasted(lit: Lit, *, moved: int, gain: float, offset: float, whole: bool) -> Lit:
    """Paste pass 5 with the light about it over passes 20 to 29."""
    light, start, stop = lit
    around = 20
    for k in COPIES:
        a, b = start[FROM] - around, stop[FROM] + around
        at = start[k] - around + moved * (k - COPIES[0] - 4)
        light[at : at + b - a] = gain * light[a:b] + offset
    return np.round(light) if whole else light, start, stop


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize(
    ("moved", "gain", "offset", "whole"),
    [(0, 1.0, 0.0, False), (1, 1.0, 0.0, False), (0, 0.9, 0.0, False), (2, 1.1, 30.0, False), (1, 1.2, 10.0, True)],
)
def test_copies_are_found_however_they_are_cut(seed: int, moved: int, gain: float, offset: float, whole: bool) -> None:
    light, start, stop = pasted(lids(seed), moved=moved, gain=gain, offset=offset, whole=whole)
    found = repeated_stretches(Recording.from_array(light, INFO), start, stop)
    assert {later for later, _ in found} >= set(COPIES)
    # The copy begins in the gap before: that of pass 19.
    assert {later for later, _ in found} <= {COPIES[0] - 1, *COPIES}


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize(
    ("noise", "flicker"), [(5.0, 0.0), (5.0, 40.0), (0.3, 40.0), (0.3, 0.0), (0.0, 40.0), (0.0, 0.0)]
)
def test_noise_flicker_and_still_light_are_no_copies(seed: int, noise: float, flicker: float) -> None:
    light, start, stop = lids(seed, noise=noise, flicker=flicker)
    for one in (light, np.round(light)):
        assert repeated_stretches(Recording.from_array(one, INFO), start, stop) in ([], _alike(one, start, stop))


def _alike(light: np.ndarray, start: np.ndarray, stop: np.ndarray) -> list[tuple[int, int]]:
    """Return the passes that are the same sample for sample, as light without any noise may be."""
    first: dict[bytes, int] = {}
    out = []
    for k, (a, b) in enumerate(zip(start.tolist(), stop.tolist(), strict=True)):
        same = first.setdefault(light[a:b].tobytes(), k)
        if same != k and np.count_nonzero(np.diff(light[a:b])) >= 32:
            out.append((k, same))
    return out


@pytest.mark.parametrize("name", ["photodiode_flashes", "demo_tubs", "starlight_raw", "starlight_corrected"])
def test_what_ships_holds_no_copies(name: str) -> None:
    recording, truth = open_pair(str(datasets_root() / f"{name}.parquet"), None)
    assert repeated_stretches(recording, truth.start, truth.end) == []
