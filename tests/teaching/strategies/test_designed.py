"""Designed: each part where the light shown asks for it, worked by hand on small lines."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from teachlab.errors import Abstained
from teachlab.model.following_and_window import WindowSetting
from teachlab.model.recording import Direction, Recording, RecordingInfo
from teachlab.model.setting import Polarity, Setting
from teachlab.model.teaching import Events, Shown, TeachView
from teachlab.scoring import score
from teachlab.switching import replay
from teachlab.teaching.cells.designed_cells import truth_of
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


def shown(events: Events, direction: Direction = Direction.RISE, base: Setting | None = None) -> TeachView:
    return TeachView(
        direction=direction, unit="mV", full_scale=None, dark_level=0.0, rate_hz=RATE,
        base=base or Setting(unit="mV", on_level=0.0, off_level=0.0), shown=frozenset({Shown.EVENTS}), events_=events,
    )  # fmt: skip


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


def test_reserves_reach_to_where_errors_begin() -> None:
    """Just inside a told reserve the same levels make no error on moved light, a grid step beyond it they do."""
    _, events = line()
    setting = Designed(expect_flashes=False).teach(shown(events))
    assert setting.taught is not None
    reserve = setting.taught.evidence["reserves"]
    # Errors begin above at the tops of the passes (111), which lie at 110 ± 1 and 10 ± 1 without light.
    assert setting.on_level + reserve["level"]["high"] == pytest.approx(111.0)
    assert reserve["ambient"]["low"] == reserve["level"]["high"]
    step = 100 * (0.97 - 0.02) / 40
    down = reserve["ambient"]["low"]
    assert errors(setting, events_of(events.light - (down - step), events.start)) == 0
    assert errors(setting, events_of(events.light - (down + 0.1), events.start)) > 0
    gain = reserve["gain"]["low"]
    assert gain == pytest.approx(setting.on_level / 111.0)
    assert errors(setting, events_of(events.light * (gain + 0.03), events.start)) == 0
    assert errors(setting, events_of(events.light * (gain - 0.01), events.start)) > 0


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
