"""Designed: each part where the light shown asks for it, worked by hand on small lines."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray
from teach_views import teach_view

from teachlab.data.opening import open_pair
from teachlab.data.shipped import datasets_root
from teachlab.errors import Abstained
from teachlab.model.following_and_window import WindowSetting
from teachlab.model.recording import Direction, Recording, RecordingInfo
from teachlab.model.setting import Polarity, Setting
from teachlab.model.teaching import Events, TeachView
from teachlab.scoring import score
from teachlab.switching import replay
from teachlab.teaching.block import TeachBlock
from teachlab.teaching.cells.cell_reserves import CellReserves
from teachlab.teaching.cells.design_told import NOT_SHOWN
from teachlab.teaching.cells.designed_cells import CellGrid, truth_of
from teachlab.teaching.cells.shown_light import ShownLight
from teachlab.teaching.once import teach_draws
from teachlab.teaching.strategies.designed import Designed

RATE = 1000.0
PASSES = 20


def line(passes: int = PASSES, *, height: float = 100.0, spread: float = 0.0) -> tuple[NDArray[np.float64], Events]:
    """Passes of 60 ms every 160 ms, 100 above gaps at 10, with a ripple of ±1."""
    start = 100 + 160 * np.arange(passes)
    light = 10.0 + np.resize([0.0, 1, 0, -1], int(start[-1]) + 160)
    for k, a in enumerate(start):
        light[a : a + 60] += height + spread * (k % 3)
    return light, events_of(light, start)


def events_of(light: NDArray[np.float64], start: NDArray[np.int64]) -> Events:
    return Events(light, start, start + 60, np.ones(start.size, bool), np.full(start.size, "tin", object), 0)


def shown(
    events: Events, direction: Direction = Direction.RISE, base: Setting | None = None, **more: float
) -> TeachView:
    return teach_view(direction=direction, unit="mV", rate_hz=RATE, base=base, events_=events, **more)


def errors(setting: Setting, events: Events) -> int:
    recording = Recording.from_array(events.light, RecordingInfo(sample_rate_hz=RATE, unit="mV"))
    n = score(replay(recording, setting), truth_of(events)).counts
    return n.lost + n.extra + n.false_trips + n.ignore_false_trips


def told(setting: Setting) -> dict[str, str]:
    assert setting.taught is not None
    reasons: dict[str, str] = setting.taught.evidence["reasons"]
    return reasons


def test_clean_light_needs_a_level_and_nothing_else() -> None:
    _, events = line()
    setting = Designed().teach(shown(events))
    assert (setting.consecutive, setting.on_delay_ms, setting.off_delay_ms) == (1, 0, 0)
    assert 20 < setting.on_level < 85
    assert errors(setting, events) == 0
    assert told(setting)["on_delay"] == (
        "none: no error on what was shown asks for one; the shortest pass lasts 60 ms."
    )


def test_flashes_as_high_as_passes_need_an_on_delay() -> None:
    light, events = line()
    for a in events.start[::2]:
        light[a + 100 : a + 112] = 110.0  # 12 evaluations between two passes
    setting = Designed().teach(shown(events))
    assert 12 <= setting.on_delay_ms < 60
    assert errors(setting, events) == 0
    assert "without one the best setting errs 10 times on what was shown, with it 0" in told(setting)["on_delay"]


def test_a_delay_that_no_error_asks_for_tells_what_it_adds() -> None:
    """Flashes of 55 in the gaps, passes of 100: levels between serve too, but nearer to errors on both sides."""
    light, events = line()
    for a in events.start[::2]:
        light[a + 110 : a + 116] = 65.0
    setting = Designed().teach(shown(events))
    assert setting.on_delay_ms >= 6
    # Levels are tried every 2.375 mV: below 65 mV flashes trip. No level tried reaches the tops of the passes, 111.
    assert told(setting)["on_delay"] == (
        f"{setting.on_delay_ms:.3g} ms: no error on what was shown asks for it; distance to the nearest level tried "
        "with more errors: without it 19 mV towards the gaps and no such level towards the passes, with it no such "
        "level; the shortest pass lasts 60 ms."
    )


def test_the_level_names_tried_levels_only() -> None:
    """At each named level there are more errors; levels between tried ones are not spoken of."""
    light, events = line()
    for k, a in enumerate(events.start.tolist()):
        light[a + 20 : a + 24] = 55.0 + k % 3
    setting = Designed(delays=0).teach(shown(events))
    named = [float(n) for n in re.findall(r"[\d.]+", told(setting)["level"].split("more errors: ")[1].rstrip("."))]
    assert named
    share = (setting.on_level - setting.off_level) / (setting.on_level - 10)
    for level in named:
        moved = replace(setting, on_level=level, off_level=level - share * (level - 10))
        assert errors(moved, events) > errors(setting, events)


def test_the_release_keeps_away_from_light_inside_passes() -> None:
    """At f = 0.8 the release at 0.6 errs and that at 0.4 does not: (0.6 − 0.4)/(0.6 + 0.05) is the smallest reserve."""
    none = np.zeros(1, np.int64)
    grid = CellGrid(
        levels=np.array([0.4, 0.8]), releases=np.array([0.25, 0.5]), filters=none + 1, on_delays=none, off_delays=none
    )  # fmt: skip
    counted = np.zeros(grid.shape, np.int64)
    counted[1, 0] = 1
    light = ShownLight(
        background=10.0, contrast=100.0, noise=0.0, passes=9, dwell=60.0, shortest_pass=60.0, shortest_gap=100.0,
        tops=np.array([210.0]), rise=True, dark=0.0,
    )  # fmt: skip
    smallest = CellReserves.of(counted, grid, light, expect_flashes=False).smallest
    assert smallest[1, 1, 0, 0, 0] == pytest.approx(0.2 / 0.65)
    # At f = 0.4 no release errs: the top of the passes is nearest, at 2.
    assert smallest[0, 1, 0, 0, 0] == pytest.approx(1.6 / 2.05)


SHIPPED = {"photodiode_flashes": 1, "starlight_raw": 0, "starlight_corrected": 0}


@pytest.mark.parametrize(("name", "most"), SHIPPED.items())
def test_on_light_that_ships(name: str, most: int) -> None:
    """The photodiode crosses all levels again in one flash at most; no pass is lost and nothing trips."""
    recording, truth = open_pair(str(datasets_root() / f"{name}.parquet"), None)
    for draw in teach_draws(Designed(), TeachBlock(recording, truth), range(8), 0):
        assert draw.setting is not None
        n = score(replay(recording, draw.setting), truth).counts
        assert (n.lost, n.false_trips) == (0, 0)
        assert n.extra <= most


def test_objects_that_dip_inside_need_an_off_delay() -> None:
    light, events = line()
    for a in events.start:
        light[a + 23 : a + 37] = 10.0
    setting = Designed().teach(shown(events))
    # As long as the dip of 14 evaluations, and shorter than the gap of 100.
    assert 14 <= setting.off_delay_ms < 100
    assert errors(setting, events) == 0
    assert "without one the best setting errs 20 times" in told(setting)["off_delay"]


def test_light_beyond_all_passes_is_shut_out_where_tops_agree() -> None:
    light, events = line()
    for a in events.start[::2]:
        light[a + 100 : a + 130] = 400.0  # as long as half a pass, but far brighter
    setting = Designed().teach(shown(events))
    assert isinstance(setting, WindowSetting)
    assert 111 < setting.high_release < setting.on_level < 400
    assert setting.polarity is Polarity.DARK_ON
    assert errors(setting, events) == 0
    assert "light beyond the bound is no product" in told(setting)["upper_bound"]


@pytest.mark.parametrize("direction", Direction)
def test_no_bound_stands_where_no_light_can_reach(direction: Direction) -> None:
    """A bound below no light, or above full scale, would only hide that the levels are one fixed pair."""
    light, events = line()
    for a in events.start[::2]:
        light[a + 100 : a + 130] = 111.0
    assert isinstance(Designed().teach(shown(events, full_scale=125.0)), WindowSetting)
    if direction is Direction.DIP:
        light[:] = 115.0 - light
    setting = Designed().teach(shown(events, direction, full_scale=115.0))
    assert type(setting) is Setting
    assert setting.on_delay_ms > 0
    assert errors(setting, events) == 0
    assert "upper_bound" not in told(setting)


def test_tops_that_differ_have_no_bound() -> None:
    _, events = line(spread=30.0)
    assert type(Designed().teach(shown(events))) is Setting


def test_few_passes_choose_levels_only_where_these_do() -> None:
    light, events = line(7)
    setting = Designed().teach(shown(events))
    assert (setting.consecutive, setting.on_delay_ms, setting.off_delay_ms) == (1, 0, 0)
    assert told(setting)["on_delay"] == "none: 7 passes were shown, and at least 8 are needed to design delays."
    light[events.start[0] + 100 : events.start[0] + 112] = 110.0
    setting = Designed().teach(shown(events))
    assert 12 <= setting.on_delay_ms < 60
    assert errors(setting, events) == 0


def test_what_the_base_setting_holds_is_designed_anew() -> None:
    _, events = line()
    base = Setting(unit="mV", on_level=0.0, off_level=0.0, consecutive=50, on_delay_ms=40.0, off_delay_ms=900.0)
    one, other = (Designed().teach(shown(events, base=b)) for b in (base, None))
    assert one == other


@pytest.mark.parametrize("gain", [2.0, 0.1])
def test_levels_follow_gain(gain: float) -> None:
    light, events = line()
    before = Designed().teach(shown(events))
    after = Designed().teach(shown(events_of(gain * light, events.start)))
    assert after.on_level == pytest.approx(gain * before.on_level)
    assert after.off_level == pytest.approx(gain * before.off_level)
    assert after.on_delay_ms == before.on_delay_ms


def test_a_dip_keeps_away_from_light_that_dims() -> None:
    """From 1000 down to 900: light that dims by a tenth is where the passes were; the release keeps away from it."""
    light, events = line()
    bright, faint = (
        Designed().teach(shown(events_of(base - light, events.start), Direction.DIP)) for base in (1010.0, 130.0)
    )
    assert (1000 - bright.on_level) / 100 > (120 - faint.on_level) / 100 > 0
    assert bright.taught is not None


def test_dips_are_designed_as_rises_are() -> None:
    light, events = line()
    for a in events.start[::2]:
        light[a + 100 : a + 112] = 110.0
    rise = Designed().teach(shown(events))
    mirrored = events_of(500.0 - light, events.start)
    dip = Designed().teach(shown(mirrored, Direction.DIP))
    assert isinstance(rise, WindowSetting)
    assert isinstance(dip, WindowSetting)
    assert 390 < dip.high_release < dip.on_level < 490
    assert dip.on_delay_ms == rise.on_delay_ms
    assert errors(dip, mirrored) == 0


def test_products_that_touch_and_merge_do_not_lift_the_level() -> None:
    """Every second pass touches the next, and the light between them falls by a tenth only: they may merge."""
    light, events = line()
    start, end = events.start.copy(), events.end.copy()
    for k in range(0, PASSES, 2):
        light[end[k] : start[k + 1]] = 100.0
        end[k] = start[k + 1]
    touching = replace(events, end=end)
    setting = Designed().teach(shown(touching))
    assert setting.taught is not None
    assert setting.taught.evidence["errors_shown"] == 0
    assert setting.on_level < 90


def test_what_no_combination_solves_is_refused() -> None:
    random = np.random.default_rng(5)
    _, events = line()
    likely = np.full(events.light.size, 0.4)
    for a in events.start:
        likely[a : a + 60] = 0.6
    light = 10 + 100.0 * (random.random(likely.size) < likely)
    with pytest.raises(Abstained, match="no combination of level, release, filter and delays"):
        Designed().teach(shown(events_of(light, events.start)))


def test_passes_in_the_other_direction_are_refused() -> None:
    _, events = line()
    with pytest.raises(Abstained, match="do not stand out"):
        Designed().teach(shown(events, Direction.DIP))


def test_a_piece_as_bright_as_the_level_switches_once() -> None:
    """Noise of 1 around 10 in gaps and 110 in passes; a release of 5 % below the level is within that noise."""
    light, events = line()
    rng = np.random.default_rng(8)
    noisy = events_of(light + rng.normal(0, 1, light.size), events.start)
    setting = Designed().teach(shown(noisy))
    plain = noisy.light.copy()
    a = int(events.start[7])
    plain[a : a + 60] = setting.on_level + rng.normal(0, 1, 60)
    weak = events_of(plain, events.start)
    assert errors(setting, weak) == 0
    near = replace(setting, off_level=setting.on_level - 0.05 * (setting.on_level - 10))
    assert errors(near, weak) > 3


def test_a_delay_that_takes_room_on_one_side_does_not_boast_of_the_other() -> None:
    """Light that flickers at 100 Hz: the reason gives distances only where none is smaller than without the delay."""
    rng = np.random.default_rng(5)
    start = 120 + 240 * np.arange(60)
    t = np.arange(int(start[-1]) + 200)
    light = 300 + 120 * np.abs(np.sin(2 * np.pi * 50 * t / RATE)) + rng.normal(0, 8, t.size)
    for a in start.tolist():
        light[a : a + 110] += 190
    events = Events(light.round(), start, start + 110, np.ones(60, bool), np.full(60, "tin", object), 0)
    setting = Designed().teach(shown(events))
    assert setting.taught is not None
    reason = setting.taught.evidence["reasons"]["off_delay"]
    assert setting.off_delay_ms > 0
    assert NOT_SHOWN in reason
    told = [float(n) for n in re.findall(r"([\d.]+) mV towards", reason)]
    assert told == [] or (told[2] >= told[0] and told[3] >= told[1]), reason
    assert told or "the reserves taken together" in reason


def flashed_line(seed: int) -> Events:
    """Return passes of many lengths and heights; some are broken, and some gaps hold a flash."""
    rng = np.random.default_rng([seed, 12])
    at, start, parts = 40, [], [np.full(40, 100.0)]
    for _ in range(14):
        long, apart = int(rng.integers(12, 30)), int(rng.integers(20, 50))
        body, gap = np.full(long, rng.uniform(300, 600)), np.full(apart, 100.0)
        if rng.random() < 0.3:
            a = int(rng.integers(4, long - 5))
            body[a : a + int(rng.integers(1, 4))] = rng.uniform(100, 250)
        if rng.random() < 0.4:
            a = int(rng.integers(6, apart - 8))
            gap[a : a + int(rng.integers(1, 6))] = rng.uniform(200, 600)
        start.append((at, at + long))
        at += long + apart
        parts += [body, gap]
    light = np.concatenate(parts)
    begin, end = np.array(start).T
    light = np.round(light + rng.normal(0, rng.choice([1, 8]), light.size))
    return Events(light, begin, end, np.ones(14, bool), np.full(14, "tin", object), 0)


def test_what_is_told_of_the_reserves_together_is_no_raise_to_less() -> None:
    """A part may be kept for flashes that were not shown, though by what was shown another setting has more reserve."""
    raised, other = [], 0
    for seed in range(100, 135):
        try:
            reasons = told(Designed().teach(shown(flashed_line(seed))))
        except Abstained:
            continue
        for reason in reasons.values():
            raised += re.findall(r"together from (\d+) % to (\d+) %", reason)
            for before, after in re.findall(r"together are (\d+) % without it and (\d+) % with it", reason):
                other += 1
                assert int(after) < int(before)
    assert all(int(before) < int(after) for before, after in raised)
    assert len(raised) > 5
    assert other > 0
