"""Settings with filter, delays or two thresholds, counted as chains: equal to replay and score of each."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations
from types import ModuleType

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from teachlab.data.setting_files import setting_from_dict
from teachlab.errors import InputError
from teachlab.model.following_and_window import WindowSetting
from teachlab.model.score import Rules
from teachlab.model.setting import Polarity, Setting
from teachlab.questions.surface.given_settings import many as many_module
from teachlab.questions.surface.given_settings.many import divide
from teachlab.questions.surface.given_settings.pairs import FEW, PairCounts, score_pairs
from teachlab.scoring import score
from teachlab.sensor.steps import Filter, Running, SteppedSignal
from teachlab.switching import replay


@pytest.mark.parametrize("first_seed", range(0, 180, 20))
def test_chains_equal_replay(
    first_seed: int, cases: ModuleType, kinds: ModuleType, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Levels on and between samples, ties, both polarities, invalid samples, windows, blocks of every size."""
    counted = 0
    for seed in range(first_seed, first_seed + 20):
        monkeypatch.setattr(many_module, "BLOCK", (1 << 20, 7, 40)[seed % 3])
        monkeypatch.setattr(many_module, "RANKED", (1 << 16, 5)[seed % 2])
        case = cases.make(seed)
        recording, truth, base = cases.recording_of(case), cases.truth_of(case), cases.setting_of(case)
        light = case.light.astype(np.float64)
        values = np.unique(light[np.isfinite(light)])
        if values.size < 2:
            continue
        rng = np.random.default_rng(seed)
        wanted: list[Setting] = [base, setting_from_dict(kinds.window_of(case), "a case")]
        for k in range(24):
            one = replace(
                base, polarity=list(Polarity)[k % 2], consecutive=int(rng.integers(1, 4)) if k % 3 else base.consecutive
            )
            if k % 5 < 3:
                low, high = np.sort(rng.choice(values, 2)).tolist()
                wanted.append(one.with_levels(high, low, one.polarity))
            else:
                low, out, back, high = np.sort(rng.choice(values, 4) + rng.choice([0, 0, 0.3], 4)).tolist()
                wanted.append(WindowSetting.of(one, off_level=low, low_release=out, high_release=back, on_level=high))
        first = int(rng.integers(0, 3))
        try:
            found = score_pairs(recording, truth, wanted, rules=Rules(tolerance_ms=case.tolerance_ms, first_pass=first))
        except InputError:
            assert case.null.all()
            continue
        for setting, got in zip(wanted, found, strict=True):
            output = replay(recording, setting)
            scored = score(output, truth, rules=Rules(tolerance_ms=case.tolerance_ms, first_pass=first), tables=False)
            assert got == PairCounts.of(scored, truth), (seed, setting)
        counted += len(wanted)
    assert counted > 20 * FEW


rows = st.integers(2, 4).flatmap(
    lambda columns: arrays(np.int64, st.tuples(st.integers(1, 9), st.just(columns)), elements=st.integers(0, 4))
)


@given(rows=rows)
@settings(max_examples=200, deadline=None)
def test_chains_hold_every_row_once_and_never_fall(rows: np.ndarray) -> None:
    found = divide(rows)
    assert sorted(np.concatenate(found).tolist()) == list(range(len(rows)))
    assert all((np.diff(rows[chain], axis=0) >= 0).all() for chain in found)
    if rows.shape[1] == 2:
        # Dilworth 1950: as few chains as there are rows of which none follows another, at most.
        apart = [
            size
            for size in range(1, len(rows) + 1)
            for some in combinations(rows.tolist(), size)
            if all(
                ((np.subtract(a, b)) > 0).any() and ((np.subtract(a, b)) < 0).any() for a, b in combinations(some, 2)
            )
        ]
        assert len(found) == max(apart)


signals = st.lists(st.integers(0, 5), min_size=1, max_size=40)


@given(values=signals, delay=st.integers(0, 9), cut=st.integers(1, 39), first=st.integers(0, 5))
@settings(max_examples=200, deadline=None)
def test_running_extremes_and_filter_on_steps_against_loops(
    values: list[int], delay: int, cut: int, first: int
) -> None:
    """A value a sample, before them `first` for ever; pushed in two blocks."""
    before = [first] * delay + values
    held, filtered = first, []
    for k in range(len(values)):
        window = before[k : k + delay + 1]
        held = min(max(held, min(window)), max(window))
        filtered.append(held)
    parts = [(a, b) for a, b in ((0, min(cut, len(values))), (cut, len(values))) if a < b]
    for made, expected in (
        (Running(np.minimum, delay, first), [min(before[k : k + delay + 1]) for k in range(len(values))]),
        (Running(np.maximum, delay, first), [max(before[k : k + delay + 1]) for k in range(len(values))]),
        (Filter(delay + 1, first), filtered),
    ):
        got: list[int] = []
        for a, b in parts:
            steps = SteppedSignal(np.arange(a, b), np.array(values[a:b], np.int16)).compressed()
            got += made.push(steps, b).values_at(np.arange(a, b)).tolist()
        assert got == expected
