"""Settings whose levels rise together are one number in time: against replay of each, filter and delays included."""

from __future__ import annotations

from types import ModuleType

import numpy as np
import pytest

from teachlab.errors import InputError
from teachlab.model.score import Rules
from teachlab.questions.stress.equal_cost import equal_cost
from teachlab.questions.surface.given_settings import chain as chain_module
from teachlab.questions.surface.given_settings.chain import count_chain
from teachlab.questions.surface.given_settings.pairs import PairCounts
from teachlab.questions.surface.values import spans as spans_module
from teachlab.questions.surface.values.levels import Evaluations, read_first
from teachlab.scoring import score
from teachlab.switching import replay


@pytest.mark.parametrize(("block", "cell"), [(1 << 16, 128), (11, 128), (1 << 16, 3), (11, 2)])
def test_a_chain_equals_replay_of_every_setting(
    block: int, cell: int, cases: ModuleType, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(chain_module, "BLOCK", block)
    monkeypatch.setattr(chain_module, "CELL", cell)
    monkeypatch.setattr(chain_module, "FEW_PASSED_OVER", 0.0)
    monkeypatch.setattr(spans_module, "LOOKED_BACK", block)
    wrong, counted, with_memory = {}, 0, 0
    for seed in range(0, 600, 2 if block > 11 else 5):
        case = cases.make(seed)
        recording, truth, base = cases.recording_of(case), cases.truth_of(case), cases.setting_of(case)
        rng = np.random.default_rng(seed)
        light = case.light.astype(np.float64)
        values = np.unique(light[np.isfinite(light)])
        if values.size < 2:
            continue
        pairs = np.sort(rng.choice(np.concatenate((values, values + 0.05)), (12, 2)), axis=1)
        off, on = np.sort(pairs[:, 0]), np.sort(pairs[:, 1])  # sorted apart: still off <= on
        try:
            reading = read_first(recording, base.evaluation_rate_hz)
        except InputError:
            continue
        first = int(rng.integers(0, 3))
        found = count_chain(
            recording, truth, base, reading, on, off, rules=Rules(tolerance_ms=case.tolerance_ms, first_pass=first)
        )
        for k in range(on.size):
            setting = base.with_levels(float(on[k]), float(off[k]), base.polarity)
            scored = score(
                replay(recording, setting),
                truth,
                rules=Rules(tolerance_ms=case.tolerance_ms, first_pass=first),
                tables=False,
            )
            expected, got = PairCounts.of(scored, truth).by_table(), {name: int(v[k]) for name, v in found.sums.items()}
            counted += 1
            with_memory += base.consecutive > 1 or base.on_delay_ms > 0 or base.off_delay_ms > 0
            if got != expected:
                wrong[seed, k] = got, expected
    assert wrong == {}
    assert counted > 1000
    assert with_memory > 500


def test_the_room_does_not_depend_on_where_it_is_searched_first(cases: ModuleType) -> None:
    looked_at = 0
    for seed in range(0, 400, 4):
        case = cases.make(seed)
        recording, truth, setting = cases.recording_of(case), cases.truth_of(case), cases.setting_of(case)
        rng = np.random.default_rng(seed)
        reach = float(rng.uniform(0.5, 1.5) * max(setting.hysteresis, 1.0))
        try:
            whole = equal_cost(recording, truth, setting, reach=reach)
        except InputError:
            continue
        if np.isnan(whole.cost):  # no pass is scored
            continue
        output = replay(recording, setting)
        for guess in (0.0, 0.0), tuple(rng.uniform(-0.2, 1.2, 2) * reach):
            known = Evaluations.of(recording, output)
            assert equal_cost(recording, truth, setting, reach=reach, first=known, guess=guess) == whole, seed
            looked_at += whole.down + whole.up < 2 * reach
    assert looked_at > 50
