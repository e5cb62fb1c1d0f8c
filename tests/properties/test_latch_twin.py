"""The latch on bits equals a plain loop, and the comparator that is built on it at every size of blocks."""

from __future__ import annotations

from collections.abc import Callable
from importlib.util import find_spec

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from teachlab.errors import ParameterError
from teachlab.model.recording import Recording, RecordingInfo
from teachlab.model.setting import Setting
from teachlab.sensor import comparator as module
from teachlab.sensor.comparator import Comparator
from teachlab.sensor.latch import compared, edges_of, packed, places_of
from teachlab.switching import replay

FAST = pytest.mark.parametrize(
    "fast",
    [
        pytest.param(False, id="bits"),
        pytest.param(
            True, id="compiled", marks=pytest.mark.skipif(find_spec("numba") is None, reason="no extra 'fast'")
        ),
    ],
)
SEEDS = st.integers(0, 2**32 - 1)


def plain_edges(on: np.ndarray, off: np.ndarray, state: bool) -> tuple[list[int], bool]:
    found = []
    for k, (sets, resets) in enumerate(zip(on.tolist(), off.tolist(), strict=True)):
        now = True if sets else False if resets else state
        if now != state:
            found.append(k)
        state = now
    return found, state


@settings(deadline=None)
@given(SEEDS, st.integers(1, 700), st.booleans(), st.sampled_from([0.001, 0.02, 0.3, 0.5]))
def test_latch_equals_a_plain_loop(seed: int, size: int, state: bool, share: float) -> None:
    rng = np.random.default_rng(seed)
    drawn = rng.random(size)
    on, off = drawn < share, drawn > 1 - share
    at, after = edges_of(packed(on), packed(off), state)
    assert (at.tolist(), after) == plain_edges(on, off, state)


@settings(deadline=None)
@given(SEEDS, st.integers(1, 3000), st.booleans(), st.sampled_from([0.0, 0.002, 0.02]))
def test_latch_equals_a_plain_loop_where_little_is_held(seed: int, size: int, state: bool, held: float) -> None:
    rng = np.random.default_rng(seed)
    lit = np.repeat(rng.random(size) < 0.5, 100)[:size]
    decided = np.repeat(rng.random(size) >= held, 1 + 80 * (seed % 2))[:size]
    on, off = lit & decided, ~lit & decided
    at, after = edges_of(packed(on), packed(off), state)
    assert (at.tolist(), after) == plain_edges(on, off, state)


@given(SEEDS, st.integers(1, 500), st.sampled_from([0.01, 0.9]))
def test_places_and_lanes_are_those_of_the_flags(seed: int, size: int, share: float) -> None:
    values = np.random.default_rng(seed).random(size)
    light, dark = compared(values, 1 - share, share, np.empty(128, bool))
    assert light.tolist() == packed(values >= 1 - share).tolist()
    assert dark.tolist() == packed(values < share).tolist()
    assert places_of(dark).tolist() == np.flatnonzero(values < share).tolist()


def plain_comparator(
    light: list[float], invalid: list[bool], on: float, off: float
) -> tuple[bool | None, list[int], list[bool]]:
    first: bool | None = None
    state, found = False, []
    lost = [bad or value != value for value, bad in zip(light, invalid, strict=True)]
    for k, value in enumerate(light):
        if lost[k]:
            continue
        if first is None:
            first = state = value >= on
            continue
        now = True if value >= on else False if value < off else state
        if now != state:
            found.append(k)
        state = now
    return first, found, lost


@FAST
@pytest.mark.parametrize("kind", ["u1", "i2", "u2", "i4", "f4", "f8", "i8"])
@settings(deadline=None, max_examples=40)
@given(seed=SEEDS, size=st.integers(1, 900), block=st.sampled_from([1, 64, 100, 1000]), calm=st.booleans())
def test_comparator_equals_a_plain_loop(kind: str, fast: bool, seed: int, size: int, block: int, calm: bool) -> None:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(module, "CACHE_BLOCK", 512)
        patch.setattr(module, "FAST_BLOCK", 256)
        patch.setattr(module, "CALM_BLOCK", 64)
        patch.setattr(module, "COMPARED", 128)
        rng = np.random.default_rng(seed)
        low, high = sorted(rng.integers(20, 80, 2).tolist())
        if seed % 7 == 0:
            low = high
        level = np.repeat(rng.integers(0, 100, size), 60 if calm else 1)[:size]
        light = (level + rng.integers(0, 4, size)).astype(kind)
        invalid = rng.random(size) < (0.1 if seed % 2 else 0.0)
        if light.dtype.kind == "f" and seed % 3 == 0:
            light[rng.random(size) < 0.05] = np.nan
        if seed % 5 == 0:
            invalid[: size // 3] = True
        comparator = Comparator(high, low, light.dtype, fast=fast)
        for a in range(0, size, block):
            b = slice(a, a + block)
            comparator.push(light[b], invalid[b] if invalid.any() else None)
        first, edges, lost = plain_comparator(light.tolist(), invalid.tolist(), high, low)
        assert comparator.first == first
        assert comparator.light_state().edges.tolist() == edges
        assert comparator.validity().dense(size).tolist() == lost


@FAST
@settings(deadline=None)
@given(size=st.integers(2, 2000), place=st.integers(0, 1999), width=st.integers(1, 90))
def test_one_nan_in_light_that_always_changes_is_found(fast: bool, size: int, place: int, width: int) -> None:
    light = np.where(np.arange(size) // width % 2 == 1, 90, 10).astype("f4")
    light[place % size] = np.nan
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(module, "CACHE_BLOCK", 1024)
        patch.setattr(module, "CALM_BLOCK", 64)
        patch.setattr(module, "MANY", 0)
        comparator = Comparator(60, 40, light.dtype, fast=fast)
        comparator.push(light)
    first, edges, lost = plain_comparator(light.tolist(), [False] * size, 60, 40)
    assert (comparator.first, comparator.light_state().edges.tolist()) == (first, edges)
    assert comparator.validity().dense(size).tolist() == lost


def test_levels_that_no_sample_can_have_are_compared_in_bits() -> None:
    pytest.importorskip("numba")
    for on, off in ((70_000, -5), (3, -5), (70_000, 3)):
        light = np.array([4, 2, 4, 65535, 0, 5], np.uint16)
        comparator = Comparator(on, off, light.dtype, fast=True)
        comparator.push(light)
        first, edges, _ = plain_comparator(light.tolist(), [False] * 6, on, off)
        assert (comparator.first, comparator.light_state().edges.tolist()) == (first, edges)
        assert not comparator.compiled


def test_a_process_that_has_compared_enough_goes_on_compiled(monkeypatch: pytest.MonkeyPatch) -> None:
    pytest.importorskip("numba")
    monkeypatch.setattr(module._COMPARED, "evaluations", 0)
    monkeypatch.setattr(module, "FAST_FROM", 600)
    light = np.tile(np.repeat(np.array([10, 90], np.float32), 50), 3)
    recording = Recording.from_array(light, RecordingInfo(sample_rate_hz=1000, unit="mV"))
    setting = Setting(unit="mV", on_level=60, off_level=40)
    outputs = [replay(recording, setting) for _ in range(3)]
    assert [one.compiled for one in outputs] == [False, False, True]
    assert [one.onsets.tolist() for one in outputs] == [[50, 150, 250]] * 3
    monkeypatch.setattr(module, "_compiled_edges", lambda: None)
    assert not replay(recording, setting).compiled
    with pytest.raises(ParameterError, match="extra 'fast'"):
        replay(recording, setting, fast=True)


def test_a_function_that_cannot_be_kept_on_disk_is_compiled_all_the_same() -> None:
    pytest.importorskip("numba")
    from teachlab.sensor.compiling import compiled

    # What comes from no file has no folder to be kept beside, as in an installation that nobody may write.
    made: dict[str, Callable[[int], int]] = {}
    exec("def twice(x): return 2 * x", made)
    assert compiled(made["twice"])(21) == 42
