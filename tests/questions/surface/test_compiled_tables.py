"""The compiled engine indexes its tables flat and without a sign: nothing may be written beside them."""

from __future__ import annotations

import numpy as np
import pytest

from teachlab.questions.surface.all_pairs.reading import state_before
from teachlab.questions.surface.all_pairs.tallies import Tallies


def test_spans_of_every_kind_stay_within_the_tables() -> None:
    pytest.importorskip("numba")
    from teachlab.questions.surface.all_pairs.compiled import CompiledCounting

    levels, span, spans = 9, 20, 32
    tallies, rooms = Tallies(levels, 10_000), {}
    for name in ("onsets", "without", "active"):
        table = getattr(tallies, name)
        # Each table in the middle of a room three times its size: what lies around it must stay empty.
        room = rooms[name] = np.zeros((3, table.size), table.dtype)
        setattr(tallies, name, room[1].reshape(table.shape))
    engine = CompiledCounting(state_before(0, levels, dips=False), tallies)
    rank = np.random.default_rng(0).integers(0, levels + 1, span * spans).astype(np.int16)
    borders, every = np.arange(0, span * spans + 1, span), np.ones(spans, bool)
    engine.push(rank, borders[:-1], borders[1:], np.arange(spans, dtype=np.int8) % 4, ~every, every, every)
    assert tallies.pieces.tolist() == [spans // 4] * 4
    for name, room in rooms.items():
        assert room[1].any(), name
        assert not room[[0, 2]].any(), name
