"""Events measured out of the tables of their block equal events measured on their own light, to the last bit."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import fields, replace
from functools import partial
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from teachlab.errors import Abstained
from teachlab.light import stretches
from teachlab.light.event_statistics import EventStatistics, inner_valleys, measure_events
from teachlab.light.noise import quantile
from teachlab.light.shown import event_table, level_crossings, tabled_light
from teachlab.light.shown.level_crossings import LevelCrossings
from teachlab.light.shown.ordered_values import OrderedValues
from teachlab.light.shown.tabled_light import TabledEvents
from teachlab.model.draws import Draw
from teachlab.model.recording import Direction, Recording, RecordingInfo
from teachlab.model.setting import Setting
from teachlab.model.teaching import Events, Shown, Strategy, TeachView
from teachlab.model.truth import Truth
from teachlab.teaching import block as block_module
from teachlab.teaching.block import TeachBlock
from teachlab.teaching.cells.shown_light import ShownLight
from teachlab.teaching.once import drawn, teach_draws, teach_once
from teachlab.teaching.rules.least_errors import errors_shown
from teachlab.teaching.strategies.designed import Designed
from teachlab.teaching.strategies.turning_point_follower import TurningPointFollower

quick = settings(max_examples=30, deadline=None)


def line(seed: int) -> tuple[Recording, Truth]:
    """A short line: touching and ignored passes, holes, stretches left out, doubt; noise, steps or whole numbers."""
    rng = np.random.default_rng(seed)
    passes, at, spans = int(rng.integers(2, 14)), int(rng.integers(0, 8)), []
    for _ in range(passes):
        spans.append((at, at + int(rng.integers(1, 30))))
        at = spans[-1][1] + int(rng.choice([0, 1, 3, 20, 40]))
    size = at + int(rng.integers(0, 20))
    light = 10 * rng.standard_normal(size)
    for a, b in spans:
        rise = np.minimum(1, np.arange(1, b - a + 1) / rng.integers(1, 9))
        light[a:b] += rng.choice([0, 30, 100]) * np.minimum(rise, rise[::-1])
    if rng.integers(2):
        light = np.round(light / rng.choice([1, 20]))
    for _ in range(int(rng.choice([0, 0, 1, 4]))):
        hole = int(rng.integers(0, size))
        light[hole : hole + int(rng.integers(1, 9))] = np.nan
    light = light.astype(rng.choice([np.float64, np.float32]))
    truth = Truth.from_arrays(
        [a for a, _ in spans], [b for _, b in spans], detect=rng.random(passes) < 0.8,
        label=rng.choice(["a", "b"], passes), uncertainty_samples=int(rng.choice([0, 0, 2, 9])),
    )  # fmt: skip
    if rng.integers(4) == 0:
        first = int(rng.integers(0, size))
        truth = replace(truth, except_=((first, min(first + int(rng.integers(1, 40)), size)),))
    return Recording.from_array(light, RecordingInfo(sample_rate_hz=1000.0, unit="counts")), truth


def same(one: object, other: object) -> bool:
    """Whether two numbers, or arrays, are equal; NaN is equal to itself."""
    a, b = np.asarray(one), np.asarray(other)
    kind = a.dtype.kind == b.dtype.kind == "f"
    return a.shape == b.shape and bool(np.array_equal(a, b, equal_nan=True) if kind else (a == b).all())


def both(block: TeachBlock, seed: int, draw: int) -> tuple[Events, Events]:
    """Return the same events on their own and out of tables."""
    return tuple(
        block.draw({Shown.EVENTS}, seed, draw, either_direction=True, tabled=tabled).events for tabled in (False, True)
    )


@pytest.mark.parametrize(
    ("at_once", "bins", "steps", "cells", "kept"),
    [(1 << 18, 256, 256, 1024, True), (7, 4, 2, 3, True), (40, 16, 8, 2, False)],
)
@quick
@given(st.integers(0, 10**6))
@example(41470)  # what is shown holds a pass, and the table none
def test_statistics_out_of_tables_equal_those_of_the_light(
    ragged: Callable[..., Any], at_once: int, bins: int, steps: int, cells: int, kept: bool, seed: int
) -> None:
    rng = np.random.default_rng(seed)
    recording, truth = line(seed)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(event_table, "AT_ONCE", at_once)
        patch.setattr(event_table, "MOST_CELLS", cells)
        patch.setattr(event_table, "FEW_BINS", bins)
        patch.setattr(tabled_light, "BESIDE", steps)
        patch.setattr(tabled_light, "LONGEST", 4 * steps)
        patch.setattr(level_crossings, "CELL", steps)
        light = recording.read(0, recording.samples).light
        if not np.isfinite(light).any():
            return
        base = None
        if not kept:
            patch.setattr(stretches, "KEPT_BYTES", 0)
            # In the stored type, in blocks of odd lengths; every second time at another rate of evaluation.
            case = SimpleNamespace(light=light, null=np.isnan(light))
            recording = replace(recording, source=ragged(case, rng.integers(1, 30, 5).tolist()))
            base = Setting(unit="counts", on_level=0, off_level=0, evaluation_rate_hz=700.1 if seed % 2 else None)
        block = TeachBlock(recording, truth, base=base)
        if not block.teach_passes:
            return
        if seed % 2:
            block.expect(seed, range(4))
        for draw in range(4):
            # Of a long block, draws that were not expected have tables of their own.
            patch.setattr(block_module, "MOST_SHOWN", 1 << 22)
            plain, tabled = both(block, seed, draw)
            if not seed % 2:
                patch.setattr(block_module, "MOST_SHOWN", -1)
                tabled = block.draw({Shown.EVENTS}, seed, draw, either_direction=True).events
            assert isinstance(tabled, TabledEvents)
            assert tabled.evaluations == plain.evaluations == plain.light.size
            sign, hold, lag, release = (int(rng.choice(x)) for x in ([1, -1], [1, 3], [1, 2, 4], [1, 3]))
            holds = {"hold": max(hold, lag), "gap_hold": lag, "release_hold": release}
            one, other = (measure_events(events, sign, **holds) for events in (plain, tabled))
            for field in fields(EventStatistics):
                a, b = getattr(one, field.name), getattr(other, field.name)
                assert same(a, b), (field.name, a, b)
            # Levels that occur meet the light exactly: at or above the one, below the other.
            heights = sign * plain.light[np.isfinite(plain.light)]
            for low, high in (np.sort(rng.choice(heights, 2)).tolist() for _ in range(3 if heights.size else 0)):
                valleys = [inner_valleys(events, sign, high, release_hold=release) for events in (plain, tabled)]
                assert same(*valleys)
                on, off = (high, low) if sign > 0 else (-low, -high)
                setting = Setting(unit="counts", on_level=on, off_level=off)
                views = [replace(_view(block, seed, draw), events_=events) for events in (plain, tabled)]
                found = SimpleNamespace(sign=sign)
                assert errors_shown(views[0], found, setting) == errors_shown(views[1], found, setting)
            assert same(plain.light, tabled.light)
            assert same(np.concatenate([*tabled.parts()]), plain.light)
            way = Direction.RISE if sign > 0 else Direction.DIP
            views = [replace(_view(block, seed, draw), direction=way, events_=events) for events in (plain, tabled)]
            one, other = (heights_shown(view) for view in views)
            assert one.keys() == other.keys()
            assert all(same(one[name], other[name]) for name in one), (one, other)


def heights_shown(view: TeachView) -> dict[str, Any]:
    """What a design measures of passes and gaps, or why it abstains."""
    try:
        shown = ShownLight.of(view)
    except Abstained as refusal:
        return {"refused": str(refusal)}
    return {field.name: getattr(shown, field.name) for field in fields(ShownLight)}


@pytest.mark.parametrize("strategy", [Designed(levels=7, delays=3), TurningPointFollower(steps=5, delays=2)])
@pytest.mark.parametrize("seed", range(14))
def test_a_design_of_a_draw_is_that_of_its_light_alone(seed: int, strategy: Strategy) -> None:
    """Many draws share what they measure; one alone reads its own light."""
    recording, truth = line(seed)
    light = recording.read(0, recording.samples).light
    if np.isfinite(light).any():
        way = (Direction.RISE, Direction.DIP)[seed % 2]
        light = light if seed % 2 == 0 else 200 - light
        recording = Recording.from_array(light, replace(recording.info, direction=way))
        block = TeachBlock(recording, truth)
        alone = [drawn(draw, partial(teach_once, strategy, block, seed, draw)) for draw in range(9)]
        together = teach_draws(strategy, TeachBlock(recording, truth), range(9), seed)
        assert [*map(without_number, together)] == [*map(without_number, alone)]


def without_number(draw: Draw) -> Draw:
    """Draws that show the same passes are taught once: the record names the first of them."""
    if draw.setting is None or draw.setting.taught is None:
        return draw
    taught = draw.setting.taught
    evidence = {**taught.evidence, "drawn": {**taught.evidence["drawn"], "draw": 0}}
    return replace(draw, setting=replace(draw.setting, taught=replace(taught, evidence=evidence)))


def _view(block: TeachBlock, seed: int, draw: int):  # type: ignore[no-untyped-def]
    return block.draw({Shown.EVENTS}, seed, draw, either_direction=True)


@quick
@given(st.integers(0, 10**6), st.integers(1, 4))
def test_crossings_of_many_stretches_equal_those_seen_value_by_value(seed: int, cell: int) -> None:
    rng = np.random.default_rng(seed)
    light = [rng.integers(0, 9, rng.integers(1, 40)).astype(float) for _ in range(5)]
    if seed % 2:
        light = [np.sort(one) if k % 2 else one for k, one in enumerate(light)]
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(level_crossings, "CELL", cell)
        patch.setattr(level_crossings, "TOGETHER", int(rng.choice([1, 60, 1 << 17])))
        table = LevelCrossings(light, np.float32 if seed % 3 else np.float64)
    rows = rng.integers(0, 5, 7)
    for level in (-1.0, 0.0, 2.0, 2.5, 5.0, 8.0, 9.0):
        found = table.at(rows, level)
        for column, row in zip(found.T, rows.tolist(), strict=True):
            values = light[row].tolist()
            at = [k for k, value in enumerate(values) if value >= level]
            first, last = (at[0], at[-1]) if at else (len(values), len(values))
            parts = values[:first], values[first : last + 1], values[last + 1 :]
            expected = [float(bool(at)), *(min(part, default=np.inf) for part in parts)]
            assert column.tolist() == expected == level_crossings.crossed(light[row], level).tolist()


def test_events_that_are_changed_are_in_no_table() -> None:
    recording, truth = line(4)
    _, tabled = both(TeachBlock(recording, truth), 0, 0)
    assert isinstance(tabled, TabledEvents)
    changed = replace(tabled, light=2 * tabled.light)
    assert type(changed) is Events
    assert changed.at_sample == tabled.at_sample
    assert measure_events(changed, 1).peaks.tolist() == (2 * measure_events(tabled, 1).peaks).tolist()


@quick
@given(st.integers(0, 10**6), st.sampled_from([4, 256]))
def test_values_of_an_order_equal_those_of_the_sorted_ones(seed: int, bins: int) -> None:
    rng = np.random.default_rng(seed)
    parts = [rng.standard_normal(int(rng.integers(0, 30))) * rng.choice([1, 100]) for _ in range(9)]
    if whole := rng.integers(3):  # numbers that half of the memory holds: none, all, or those of some stretches
        parts = [np.round(part) if whole == 1 or rng.integers(2) else part for part in parts]
    parts[3] *= rng.choice([1, 1e60])
    sample = parts[int(rng.integers(9))]
    found = OrderedValues(
        9, lambda: ((part, np.full(part.size, k)) for k, part in enumerate(parts)), sample,
        [(float(one), float(one) + rng.random(), seed % 3) for one in sample[:2]], bins,
    )  # fmt: skip
    for _ in range(4):
        a, b = sorted(rng.integers(0, 10, 2).tolist())
        more = rng.standard_normal(int(rng.integers(0, 5)))
        rows = [(a, b), (b, 9)] if rng.integers(2) else [(a, b)]
        every = np.concatenate([more, *(part for i, j in rows for part in parts[i:j])])
        assert found.size(rows, more) == every.size
        if every.size:
            assert found.median(rows, more) == np.median(every)
            assert found.deviation(rows, more) == np.median(np.abs(every - np.median(every)))
            for share in (0.0, 0.01, 0.7, 0.99, 1.0):
                assert found.quantile(rows, more, share) == quantile(every, share) == np.quantile(every, share)
