"""Many comparators in one reading are each that of a plain loop, and so are filter and runs of many signals."""

from __future__ import annotations

from itertools import pairwise
from unittest import mock

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from teachlab.model.recording import Block
from teachlab.sensor import delays, level_pairs
from teachlab.sensor.delays import JoinedStates
from teachlab.sensor.edges import LONG_AGO, TwoState
from teachlab.sensor.level_pairs import LevelPairs

quick = settings(max_examples=60, deadline=None)


def looped(light: list[float], invalid: list[bool], on: float, off: float) -> list[bool]:
    """The state at every evaluation, with what is before the first valid one as at it."""
    state, out = None, []
    for x, missing in zip(light, invalid, strict=True):
        if not missing:
            first = state is None
            state = True if x >= on else False if first or x < off else state
        out.append(state)
    begin = next((one for one in out if one is not None), False)
    return [begin if one is None else one for one in out]


def two_state(dense: list[bool]) -> TwoState:
    flags = np.array(dense, bool)
    return TwoState(bool(flags[0]), np.flatnonzero(flags[1:] != flags[:-1]) + 1)


@pytest.mark.parametrize(("few", "table"), [(1 << 13, 1 << 18), (0, 1), (4, 8)])
@quick
@given(st.integers(0, 10**6))
def test_every_pair_is_compared_as_by_a_loop(few: int, table: int, seed: int) -> None:
    rng = np.random.default_rng(seed)
    size = int(rng.integers(1, 700))
    light = np.cumsum(rng.integers(-2, 3, size)) % 12
    kind = rng.choice(["uint8", "uint16", "float32", "float64"])
    light = light.astype(kind)
    invalid = rng.random(size) < rng.choice([0.0, 0.1])
    if light.dtype.kind == "f":
        light[invalid] = np.nan
    many = int(rng.choice([1, 3, 40]))
    on = rng.integers(0, 13, many) + rng.choice([0.0, 0.5])
    pairs = list(zip(on.tolist(), (on - rng.integers(0, 6, many)).tolist(), strict=True))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(level_pairs, "FEW", few)
        patch.setattr(level_pairs, "TABLE", table)
        found = LevelPairs(pairs)
        cuts = [0, *np.sort(rng.integers(0, size + 1, 2)).tolist(), size]
        for a, b in pairwise(cuts):
            found.push(Block(a, light[a:b], None if light.dtype.kind == "f" else invalid[a:b]))
        states = [*found.light_states()]
    for state, pair in zip(states, pairs, strict=True):
        of = looped(light.astype(float).tolist(), invalid.tolist(), *pair)
        assert state.first == of[0]
        assert state.edges.tolist() == two_state(of).edges.tolist()
    assert found.held == sum(state.edges.size for state in states)
    assert found.first == (None if invalid.all() else states[0].first)
    assert found.validity().dense(size).tolist() == invalid.tolist()


def filtered(dense: list[bool], invalid: list[bool], consecutive: int) -> list[bool]:
    state, count, out = dense[0], 0, []
    for now, missing in zip(dense, invalid, strict=True):
        if not missing:
            count = count + 1 if now != state else 0
            if count >= consecutive:
                state, count = now, 0
        out.append(state)
    return out


@quick
@given(st.integers(0, 10**6))
def test_filter_and_runs_of_many_signals_are_those_of_a_loop(seed: int) -> None:
    rng = np.random.default_rng(seed)
    size = int(rng.integers(1, 80))
    invalid = rng.random(size) < rng.choice([0.0, 0.2])
    signals = []
    for _ in range(int(rng.integers(1, 6))):
        light = rng.random(size) < rng.choice([0.0, 0.3, 0.7, 1.0])
        light = np.repeat(light, int(rng.integers(1, 5)))[:size]
        # A comparator changes at no invalid evaluation.
        held = np.maximum.accumulate(np.where(invalid, -1, np.arange(size)))
        begin = light[np.argmin(invalid)]
        signals.append(np.where(held < 0, begin, light[held]).tolist())
    consecutive = int(rng.integers(1, 6))
    joined = JoinedStates.of([two_state(one) for one in signals])
    with mock.patch.object(delays, "EDGES_AT_ONCE", int(rng.choice([1, 3, 1 << 18]))):
        found = joined.filtered(two_state(invalid.tolist()), consecutive, size)
    starts, ends, owner = found.runs(size)
    off_starts, off_ends, off_owner = found.inverted().runs(size)
    assert owner.tolist() == sorted(owner.tolist())
    for k, one in enumerate(signals):
        of = filtered(one, invalid.tolist(), consecutive)
        for begins, stops, whose, value in ((starts, ends, owner, True), (off_starts, off_ends, off_owner, False)):
            dense = [not value] * size
            for a, b in zip(begins[whose == k].tolist(), stops[whose == k].tolist(), strict=True):
                assert a == LONG_AGO or a > 0
                dense[max(a, 0) : b] = [value] * (b - max(a, 0))
            assert dense == of
