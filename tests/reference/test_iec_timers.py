"""On-delay and off-delay against the timers of IEC 61131-3, worked out by hand.

Source: IEC 61131-3, standard function blocks TON and TOF. TON: the output comes on once the input has been
on for PT, and a shorter input gives nothing. TOF: the output goes off once the input has been off for PT,
and the input's return before that cancels the wait. Here TON always feeds TOF. At one evaluation per
millisecond a timer that "has been on for 10 ms" was on at 11 evaluations: the first and ten after it.
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from teachlab.model.recording import Recording, RecordingInfo
from teachlab.model.setting import Setting
from teachlab.switching import replay

IDLE_MS = 100
SPAN_MS = 200
INPUT_MS = [(0, 30), (35, 60), (70, 75)]
"""The input of the table, in ms after the idle time: a 5 ms gap, a 10 ms gap, a 5 ms pulse."""

CASES = [
    # on-delay ms, off-delay ms, when the output is active, ms
    (0.0, 0.0, [(0, 30), (35, 60), (70, 75)]),
    (10.0, 0.0, [(10, 30), (45, 60)]),  # the 5 ms pulse gives nothing; the 5 ms gap restarts the on-delay
    (10.0, 10.0, [(10, 40), (45, 70)]),
    (0.0, 10.0, [(0, 85)]),  # at 70 ms the input has been off for exactly 10 ms, and is back
    (0.0, 9.0, [(0, 69), (70, 84)]),
    (0.0, 4.0, [(0, 34), (35, 64), (70, 79)]),
    (0.0, 5.0, [(0, 65), (70, 80)]),
    (4.0, 0.0, [(4, 30), (39, 60), (74, 75)]),
    (5.0, 0.0, [(5, 30), (40, 60)]),  # on for 5 ms: its last evaluation is only 4 ms after its first
    (24.0, 0.0, [(24, 30), (59, 60)]),
    (24.0, 30.0, [(24, 90)]),
    (29.0, 0.0, [(29, 30)]),
    (30.0, 0.0, []),
]


def recording(dtype: str, rate_hz: int, *, dip: bool = False) -> Recording:
    lit = np.zeros((IDLE_MS + SPAN_MS) * rate_hz // 1000, bool)
    for start, end in INPUT_MS:
        lit[(IDLE_MS + start) * rate_hz // 1000 : (IDLE_MS + end) * rate_hz // 1000] = True
    light: NDArray[np.generic] = np.where(lit ^ dip, 90, 10).astype(dtype)
    return Recording.from_array(light, RecordingInfo(sample_rate_hz=float(rate_hz), unit="counts"))


def active_ms(found: Recording, setting: Setting) -> list[tuple[float, float]]:
    output = replay(found, setting)
    assert not output.active_at_start
    rate_hz = found.info.sample_rate_hz
    return [
        (on / rate_hz * 1000 - IDLE_MS, off / rate_hz * 1000 - IDLE_MS)
        for on, off in zip(output.onsets.tolist(), output.releases.tolist(), strict=True)
    ]


def setting(on_delay_ms: float, off_delay_ms: float, **changes: object) -> Setting:
    return Setting(
        unit="counts", on_level=50, off_level=50, on_delay_ms=on_delay_ms, off_delay_ms=off_delay_ms, **changes
    )


@pytest.mark.parametrize("acts_on", ["output", "light"])
@pytest.mark.parametrize("dtype", ["uint16", "float32"])
@pytest.mark.parametrize(("on_delay_ms", "off_delay_ms", "active"), CASES)
def test_ton_feeding_tof(
    on_delay_ms: float, off_delay_ms: float, active: list[tuple[int, int]], dtype: str, acts_on: str
) -> None:
    found = active_ms(recording(dtype, 1000), setting(on_delay_ms, off_delay_ms, delays_act_on=acts_on))
    assert found == active


@pytest.mark.parametrize(("on_delay_ms", "off_delay_ms", "active"), CASES)
def test_the_same_on_a_sensor_that_is_dark_on(
    on_delay_ms: float, off_delay_ms: float, active: list[tuple[int, int]]
) -> None:
    """The object takes the light away; the output is active while it does."""
    found = active_ms(recording("uint16", 1000, dip=True), setting(on_delay_ms, off_delay_ms, polarity="dark-on"))
    assert found == active


@pytest.mark.parametrize(("on_delay_ms", "off_delay_ms", "active"), [c for c in CASES if 0.0 in c[:2]])
def test_dark_on_with_delays_on_the_light_state_swaps_the_two_timers(
    on_delay_ms: float, off_delay_ms: float, active: list[tuple[int, int]]
) -> None:
    """An off-delay of the light holds the onset of darkness back, an on-delay holds its end."""
    swapped = setting(off_delay_ms, on_delay_ms, polarity="dark-on", delays_act_on="light")
    assert active_ms(recording("uint16", 1000, dip=True), swapped) == active


def test_dark_on_with_both_delays_on_the_light_state() -> None:
    """Light must last 10 ms before it counts, which only happens at 85 ms; it is held 10 ms into the dark."""
    both = setting(10.0, 10.0, polarity="dark-on", delays_act_on="light")
    assert active_ms(recording("uint16", 1000, dip=True), both) == [(10, 85)]


def test_the_table_holds_when_the_log_is_faster_than_the_sensor() -> None:
    """4,000 samples per second, evaluated at 1 kHz: delays count evaluations."""
    slow = setting(10.0, 10.0, evaluation_rate_hz=1000.0)
    assert active_ms(recording("uint16", 4000), slow) == [(10, 40), (45, 70)]


def test_a_faster_sensor_resolves_the_delays_finer() -> None:
    """At 4 kHz the 5 ms pulse lasts 19 steps of 0.25 ms after its first evaluation: 4.75 ms, never 5."""
    assert active_ms(recording("uint16", 4000), setting(4.75, 0.0))[-1] == (74.75, 75)
    assert active_ms(recording("uint16", 4000), setting(5.0, 0.0)) == [(5, 30), (40, 60)]


def test_a_delay_is_rounded_up_to_whole_evaluations() -> None:
    assert active_ms(recording("uint16", 1000), setting(9.2, 0.0)) == [(10, 30), (45, 60)]
    assert active_ms(recording("uint16", 1000), setting(10.0000000001, 0.0)) == [(10, 30), (45, 60)]


# Further rows of the two timers, worked out by hand: input on in [0, 8), [9, 12), [20, 60) and [61, 62) ms.
SECOND_MS = [(0, 8), (9, 12), (20, 60), (61, 62)]
SECOND = [
    (0.0, 0.0, SECOND_MS),
    (1.0, 0.0, [(1, 8), (10, 12), (21, 60)]),  # 1 ms of input is one evaluation: it never has been on for 1 ms
    (2.0, 0.0, [(2, 8), (11, 12), (22, 60)]),
    (3.0, 0.0, [(3, 8), (23, 60)]),
    (7.0, 0.0, [(7, 8), (27, 60)]),
    (8.0, 0.0, [(28, 60)]),
    (40.0, 0.0, []),
    (0.0, 1.0, [(0, 13), (20, 63)]),  # gaps of 1 ms are bridged: at the return it has been off for exactly 1 ms
    (0.0, 7.0, [(0, 19), (20, 69)]),
    (0.0, 8.0, [(0, 70)]),
    (3.0, 4.0, [(3, 12), (23, 64)]),
    (3.0, 15.0, [(3, 75)]),  # off-delay from 8 to 23, where the second onset is
    (3.0, 14.0, [(3, 22), (23, 74)]),
]


@pytest.mark.parametrize(("on_delay_ms", "off_delay_ms", "active"), SECOND)
def test_further_rows(on_delay_ms: float, off_delay_ms: float, active: list[tuple[int, int]]) -> None:
    lit = np.zeros(IDLE_MS + SPAN_MS, np.uint8)
    for start, end in SECOND_MS:
        lit[IDLE_MS + start : IDLE_MS + end] = 90
    found = Recording.from_array(lit, RecordingInfo(sample_rate_hz=1000.0, unit="counts"))
    assert active_ms(found, setting(on_delay_ms, off_delay_ms)) == active


def ton(inputs: list[bool], preset: int) -> list[bool]:
    """TON as a function block called once per ms: ET counts from 0 while IN is on, Q once ET has come to PT."""
    out, elapsed = [], -1
    for on in inputs:
        elapsed = elapsed + 1 if on else -1
        out.append(on and elapsed >= preset)
    return out


def tof(inputs: list[bool], preset: int) -> list[bool]:
    """TOF likewise: Q while IN is on, and until ET, counting from 0 while IN is off, has come to PT."""
    out, elapsed = [], preset
    for on in inputs:
        elapsed = -1 if on else min(elapsed + 1, preset)
        out.append(on or elapsed < preset)
    return out


@given(
    runs=st.lists(st.integers(1, 12), min_size=1, max_size=25),
    on=st.integers(0, 12),
    off=st.integers(0, 12),
    dip=st.booleans(),
)
@settings(max_examples=200, deadline=None)
def test_random_inputs_against_function_blocks(runs: list[int], on: int, off: int, dip: bool) -> None:
    """The blocks in a loop, TON feeding TOF; after an idle time, as a block that was just started."""
    lit = np.concatenate([np.zeros(40, bool), np.repeat(np.arange(len(runs)) % 2 == 0, runs), np.zeros(60, bool)])
    active = np.array(tof(ton(lit.tolist(), on), off))
    edges = np.flatnonzero(np.diff(active.astype(int))) + 1
    light = np.where(lit ^ dip, 90, 10).astype(np.uint8)
    found = Recording.from_array(light, RecordingInfo(sample_rate_hz=1000.0, unit="counts"))
    output = replay(found, setting(on, off, polarity="dark-on" if dip else "light-on"))
    assert output.onsets.tolist() == edges[::2].tolist()
    assert output.releases.tolist() == edges[1::2].tolist()
