"""Margins on random small recordings equal a plain reading of their definition."""

from __future__ import annotations

import itertools
import math
import statistics
from types import ModuleType
from typing import Any

import numpy as np
import pytest
from scoring.margins import measure_margin

from teachlab.errors import InputError
from teachlab.light.windows import Windows, border_evaluations
from teachlab.model.recording import Recording
from teachlab.model.score import Outcome, Rules
from teachlab.scoring import score
from teachlab.switching import replay


def _held(values: list[float | None]) -> list[float]:
    """Fill holes with the value before; at the start with the first value."""
    first = next(v for v in values if v is not None and not math.isnan(v))
    out = []
    for value in values:
        first = first if value is None or math.isnan(value) else value
        out.append(first)
    return out


def _sustained(values: list[float], span: int) -> float:
    span = min(span, len(values))
    return max(min(values[i : i + span]) for i in range(len(values) - span + 1))


def _noise(values: list[float | None], stretches: list[tuple[int, int]], step: float) -> float | None:
    steps = []
    for a, b in stretches:
        for i in range(a + 1, b):
            u, v = values[i - 1], values[i]
            if u is not None and v is not None and math.isfinite(v - u):
                steps.append(v - u)
    if not steps:
        return None
    middle = statistics.median(steps)
    return max(1.4826 * statistics.median([abs(s - middle) for s in steps]) / math.sqrt(2), step / math.sqrt(12))


def _plain(case: Any, cases: ModuleType) -> dict[str, float | None]:
    setting, truth = cases.setting_of(case), cases.truth_of(case)
    output = replay(cases.recording_of(case), setting)
    result = score(output, truth, rules=Rules(tolerance_ms=case.tolerance_ms))
    clock = output.clock
    at = clock.sample_of(np.arange(clock.count)).tolist()
    seen = [case.values[i] for i in at]
    seen = [None if v is None or math.isnan(v) else float(v) for v in seen]
    border = border_evaluations(truth, clock, Rules(tolerance_ms=case.tolerance_ms))
    w = Windows.of(truth, clock, border=border, lag=output.lag)
    up = setting.light_on
    sign = 1.0 if up else -1.0
    z = [sign * v for v in _held(seen)]
    act, rel = (setting.on_level, setting.off_level) if up else (-setting.off_level, -setting.on_level)
    span = output.lag + 1
    peaks, holds, tops, valleys = [], [], [], []
    for k in range(truth.passes):
        if not truth.detect[k] or result.trials.passes[k] == Outcome.EXCLUDED or w.stop[k] <= w.start[k]:
            continue
        peaks.append(_sustained(z[w.start[k] : w.stop[k]], span))
        inside = z[w.covered_from[k] : w.covered_to[k]]
        active = [i for i, v in enumerate(inside) if (v >= act if up else v > act)]
        if active:
            holds.append(min(inside[active[0] : active[-1] + 1]))
    for k in range(w.gap_start.size):
        if result.trials.gaps[k] == Outcome.EXCLUDED:
            continue
        inside = z[w.gap_start[k] : w.gap_stop[k]]
        tops.append(_sustained(inside, span))
        valleys.append(-_sustained([-v for v in inside], span))
    levels = sorted({v for v in seen if v is not None and math.isfinite(v)})
    step = min((b - a for a, b in itertools.pairwise(levels)), default=0.0)
    objects = [(int(w.covered_from[k]), int(w.covered_to[k])) for k in range(truth.passes) if truth.detect[k]]
    gaps = list(zip(w.gap_start.tolist(), w.gap_stop.tolist(), strict=True))
    so, sb = _noise(seen, objects, step), _noise(seen, gaps, step)

    def over(upper: float | None, lower: float | None, scale: float | None) -> float | None:
        return None if upper is None or lower is None or not scale else (upper - lower) / scale

    def quantile(values: list[float], share: float) -> float | None:
        return float(np.quantile(values, share)) if values else None

    return {
        "detect": over(quantile(peaks, 0.01), act, so),
        "trip": over(act, quantile(tops, 0.99), sb),
        "release": over(rel, quantile(valleys, 0.99), sb),
        "hold": over(quantile(holds, 0.01), rel, so),
    }


@pytest.mark.parametrize("block", range(6))
def test_four_sides_equal_their_plain_definition(
    block: int, cases: ModuleType, monkeypatch: pytest.MonkeyPatch
) -> None:
    compared = 0
    # Blocks of a few samples: every border of a block falls inside a pass, a gap, a run of invalid samples.
    size = (3, 7, 50)[block % 3]
    blocks = Recording.blocks
    monkeypatch.setattr(Recording, "blocks", lambda self, **_: blocks(self, size=size))
    for seed in range(60 * block, 60 * block + 60):
        case = cases.make(seed)
        light = case.light[~case.null]
        if not np.isfinite(light.astype(np.float64)).all() and np.isinf(light.astype(np.float64)).any():
            continue
        try:
            output = replay(cases.recording_of(case), cases.setting_of(case))
        except InputError:
            continue
        truth = cases.truth_of(case)
        trials = score(output, truth, rules=Rules(tolerance_ms=case.tolerance_ms)).trials
        found = measure_margin(
            cases.recording_of(case), output, truth, trials, rules=Rules(tolerance_ms=case.tolerance_ms)
        )
        expected = _plain(case, cases)
        for name, value in expected.items():
            got = getattr(found.sides, name)
            assert (got is None) == (value is None), (seed, name, got, value)
            if value is not None:
                assert got == pytest.approx(value, rel=1e-9, abs=1e-9), (seed, name)
                compared += 1
        known = {name: value for name, value in expected.items() if value is not None}
        if known:
            assert found.to_noise == pytest.approx(min(known.values()), rel=1e-9, abs=1e-9)
    assert compared > 80
