"""The streaming form of filter and delays against lists of edges, setting by setting."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from teachlab.model.setting import DelaysActOn, Polarity, Switching
from teachlab.sensor.clock import Clock
from teachlab.sensor.delays import consecutive_filter, delayed
from teachlab.sensor.edges import TwoState
from teachlab.sensor.steps import EvaluatedStretch, SteppedSignal, SteppedSwitching

SETTINGS = 4


def states(signal: np.ndarray, k: int) -> TwoState:
    """Where the signal exceeds k, as edges."""
    up = signal > k
    return TwoState(bool(up[0]), np.flatnonzero(up[1:] != up[:-1]) + 1)


def active(state: TwoState, size: int) -> np.ndarray:
    out = np.zeros(size, bool)
    for a, b in zip(*state.runs(size), strict=True):
        out[max(a, 0) : b] = True
    return out


@pytest.mark.parametrize("seed", range(60))
def test_both_forms_make_the_same_of_every_setting(seed: int) -> None:
    rng = np.random.default_rng(seed)
    size = int(rng.integers(20, 400))
    # Signals that stand for long, and such that step at nearly every evaluation, take different ways.
    lengths = rng.integers(1, int(rng.choice([2, 4, 30])), size)
    signal = np.repeat(rng.integers(0, SETTINGS + 1, size), lengths)[:size].astype(np.int16)
    invalid = rng.random(size) < rng.choice([0.0, 0.2])
    invalid[0] = False
    switching = Switching(
        polarity=Polarity(rng.choice(list(Polarity))),
        consecutive=int(rng.integers(1, 5)),
        on_delay_ms=float(rng.integers(0, 9)),
        off_delay_ms=float(rng.integers(0, 9)),
        delays_act_on=DelaysActOn(rng.choice(list(DelaysActOn))),
    )
    clock = Clock.of(size, 1000.0, None)
    valid = np.flatnonzero(~invalid)
    held = signal[valid][np.cumsum(~invalid) - 1]
    stream, got, ordinal = SteppedSwitching(switching, clock, int(held[0])), [], 0
    borders = [0, *np.unique(rng.integers(1, size, 3)).tolist(), size]
    for start, stop in itertools.pairwise(borders):
        own = np.flatnonzero(~invalid[start:stop])
        stretch = EvaluatedStretch(start, stop, ordinal, ordinal + own.size, own)
        steps = (
            None if own.size == 0 else SteppedSignal(np.arange(ordinal, ordinal + own.size), signal[start:stop][own])
        )
        ordinal += own.size
        got.append([part.since(start, stop) for part in stream.push(stretch, steps)])
    undelayed, output = (np.concatenate(parts) for parts in zip(*got, strict=True))
    bad = states(invalid.astype(np.int16), 0)
    for k in range(SETTINGS):
        # `signal` counts active settings: for dark-on those that are dark, so light is where it does not exceed k.
        filtered = consecutive_filter(states(held, k), bad, switching.consecutive, size)
        np.testing.assert_array_equal(undelayed > k, active(filtered, size))
        np.testing.assert_array_equal(output > k, active(delayed(filtered, switching, clock), size))
