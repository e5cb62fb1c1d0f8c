"""Many levels under many delays, counted from runs: equal to replay and score of each."""

from __future__ import annotations

from dataclasses import replace
from types import ModuleType

import numpy as np
import pytest

from teachlab.errors import InputError
from teachlab.light.windows import border_evaluations
from teachlab.model.score import Rules
from teachlab.model.setting import DelaysActOn, Polarity
from teachlab.questions.surface.given_settings.pairs import PairCounts
from teachlab.questions.surface.values.table import COUNTED
from teachlab.scoring import score
from teachlab.sensor.clock import Clock
from teachlab.sensor.evaluated_blocks import evaluated
from teachlab.sensor.level_pairs import LevelPairs
from teachlab.switching import replay
from teachlab.switching.family import replay_family
from teachlab.teaching.cells.delay_counts import DelayCounter

ON, OFF = (0, 1, 2, 5, 9), (0, 1, 3, 4, 11)


@pytest.mark.parametrize("first_seed", range(0, 60, 10))
def test_every_cell_equals_its_replay(first_seed: int, cases: ModuleType) -> None:
    """Levels on samples, both polarities, filters, invalid runs, touching and ignored passes, evaluation rates."""
    compared = merged = 0
    for seed in range(first_seed, first_seed + 10):
        case = cases.make(seed)
        recording, truth, base = cases.recording_of(case), cases.truth_of(case), cases.setting_of(case)
        values = np.unique(case.light.astype(np.float64))
        values = values[np.isfinite(values)]
        if values.size < 2 or case.null.all():
            continue
        rng = np.random.default_rng(seed)
        pairs = [tuple(np.sort(rng.choice(values, 2))[::-1].tolist()) for _ in range(3)]
        clock = Clock.of(recording.samples, recording.info.sample_rate_hz, base.evaluation_rate_hz)
        rules = Rules(tolerance_ms=case.tolerance_ms, first_pass=int(rng.integers(0, 3)))
        levels = LevelPairs(pairs)
        for block in evaluated(recording.blocks(size=7), clock):
            levels.push(block)
        if levels.first is None:
            continue
        counter = DelayCounter(
            truth, clock, levels.validity(), border=border_evaluations(truth, clock, rules), first_pass=rules.first_pass
        )
        consecutive, polarity = int(rng.integers(1, 4)), list(Polarity)[seed % 2]
        found = counter.count(
            list(levels.light_states()), light_on=polarity is Polarity.LIGHT_ON, consecutive=consecutive,
            on_delays=ON, off_delays=OFF,
        )  # fmt: skip
        settings = [
            replace(
                base, on_level=on, off_level=off, polarity=polarity, consecutive=consecutive, on_delay_ms=0.0,
                off_delay_ms=0.0, delays_act_on=DelaysActOn.OUTPUT,
            )
            for on, off in pairs
        ]  # fmt: skip
        plain = list(replay_family(recording, settings))
        tables = counter.tables([one.undelayed for one in plain], lag=plain[0].lag, on_delays=ON, off_delays=OFF)
        assert tuple(tables.counts) == COUNTED
        for p, (on, off) in enumerate(pairs):
            for i, j in np.ndindex(len(ON), len(OFF)):
                setting = replace(
                    base, on_level=on, off_level=off, polarity=polarity, consecutive=consecutive,
                    on_delay_ms=ON[i] * 1000 / clock.rate_hz, off_delay_ms=OFF[j] * 1000 / clock.rate_hz,
                    delays_act_on=DelaysActOn.OUTPUT,
                )  # fmt: skip
                if max(clock.delay(ms) for ms in (setting.on_delay_ms, setting.off_delay_ms)) >= clock.count:
                    continue
                try:
                    scored = score(replay(recording, setting), truth, rules=rules, tables=False)
                except InputError:
                    continue
                want = scored.counts
                cell = tuple(int(table[p, i, j]) for table in (
                    found.lost, found.extra, found.false_trips, found.ignore_trips
                ))  # fmt: skip
                assert cell == (want.lost, want.extra, want.false_trips, want.ignore_false_trips), (seed, setting)
                assert found.detect_trials[i] == want.scored_passes
                every = {name: int(table[p, i, j]) for name, table in tables.counts.items()}
                assert every == PairCounts.of(scored, truth).by_table(), (seed, setting)
                assert found.touching[p, i, j] == every["touching"]
                assert (tables.detect_trials[i], tables.ignore_trials[i], tables.gap_trials[i]) == (
                    want.scored_passes, want.scored_ignore_passes, want.gaps
                )  # fmt: skip
                merged += want.merged > 0
                assert found.errors[p, i, j] == sum(cell) - every["touching"]
                compared += 1
    assert compared > 300
    assert merged > 20
