"""What a setting is beside its levels: one value, which says what its delays do to an object."""

from __future__ import annotations

from dataclasses import replace

import pytest

from teachlab.errors import SettingError
from teachlab.model.setting import DelaysActOn, Polarity, Setting, Switching

SETTING = Setting(unit="mV", on_level=9, off_level=7, consecutive=2, on_delay_ms=3.0, off_delay_ms=5.0)


def test_settings_that_differ_in_levels_alone_share_their_switching() -> None:
    assert SETTING.switching == replace(SETTING, on_level=12.0, unit="counts").switching
    for changed in (
        {"polarity": Polarity.DARK_ON},
        {"consecutive": 3},
        {"on_delay_ms": 4.0},
        {"off_delay_ms": 4.0},
        {"delays_act_on": DelaysActOn.LIGHT},
        {"evaluation_rate_hz": 100.0},
    ):
        assert SETTING.switching != replace(SETTING, **changed).switching, changed


@pytest.mark.parametrize("polarity", list(Polarity))
@pytest.mark.parametrize("acts", list(DelaysActOn))
def test_delays_swap_roles_on_the_light_of_dark_objects_only(polarity: Polarity, acts: DelaysActOn) -> None:
    one = replace(SETTING, polarity=polarity, delays_act_on=acts)
    swapped = polarity == "dark-on" and acts == "light"
    assert one.delays_swap_roles is swapped
    assert (one.holds_back_ms, one.holds_on_ms) == ((5.0, 3.0) if swapped else (3.0, 5.0))
    assert one.holding_back(8.0).holds_back_ms == 8.0
    assert one.holding_back(8.0).holds_on_ms == one.holds_on_ms
    assert (one.activation, one.release, one.sign) == ((9, 7, 1.0) if polarity == "light-on" else (7, 9, -1.0))
    moved = one.activating_at(20.0, 4.0)
    assert (moved.activation, moved.hysteresis) == (20.0, 4.0)
    assert moved.switching == one.switching


def test_memory_is_a_filter_or_a_delay() -> None:
    bare = Switching()
    assert not bare.has_memory
    assert all(replace(bare, **{name: 2}).has_memory for name in ("consecutive", "on_delay_ms", "off_delay_ms"))
    assert not replace(SETTING, consecutive=1).undelayed().has_memory
    with pytest.raises(SettingError, match="consecutive must be 1"):
        Switching(consecutive=0)


def test_the_document_keeps_its_order() -> None:
    assert list(SETTING.as_dict()) == [
        "schema", "unit", "on_level", "off_level", "polarity", "consecutive", "on_delay_ms", "off_delay_ms",
        "delays_act_on", "evaluation_rate_hz", "taught",
    ]  # fmt: skip
