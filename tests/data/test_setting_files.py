"""Settings in and out: round trip and every fault."""

import json

import pytest

from teachlab.data.setting_files import read_setting, setting_from_dict, write_setting
from teachlab.errors import SettingError
from teachlab.model.following_and_window import (
    FollowingSetting,
    TurningPointSetting,
    WindowSetting,
    fixed_levels,
    without_kind,
)
from teachlab.model.setting import DelaysActOn, Polarity, Setting, Taught

GOOD = {"schema": 1, "unit": "counts", "on_level": 512.0, "off_level": 480.0, "polarity": "light-on"}


def test_round_trip(tmp_path):
    setting = Setting(
        unit="mV",
        on_level=5.1,
        off_level=4.9,
        polarity=Polarity.DARK_ON,
        consecutive=3,
        on_delay_ms=2.5,
        off_delay_ms=140,
        delays_act_on=DelaysActOn.LIGHT,
        evaluation_rate_hz=500,
        taught=Taught(strategy="sweep-minmax", parameters={"passes": 5}, evidence={"peaks": [1.0, 2.0]}),
    )
    write_setting(tmp_path / "s.json", setting)
    assert read_setting(tmp_path / "s.json") == setting
    assert json.loads((tmp_path / "s.json").read_text())["delays_act_on"] == "light"


def test_the_document_of_the_contract_is_read():
    document = {**GOOD, "consecutive": 1, "on_delay_ms": 0.0, "off_delay_ms": 0.0, "delays_act_on": "output"}
    document |= {"evaluation_rate_hz": None, "taught": {"strategy": "x", "parameters": {}, "evidence": {}}}
    setting = setting_from_dict(document, "s.json")
    assert (setting.on_level, setting.off_level, setting.evaluation_rate_hz) == (512.0, 480.0, None)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"off_level": 513}, r"s.json: off_level \(513 counts\) must not exceed on_level \(512 counts\)"),
        ({"on_level": float("nan")}, "on_level: must be a finite number, got nan"),
        ({"off_level": float("-inf")}, "off_level: must be a finite number, got -inf"),
        ({"on_level": "512"}, "on_level: must be a valid number, got '512'"),
        ({"on_level": None}, "on_level: must be a valid number, got None"),
        ({"polarity": "normally-open"}, "polarity: must be 'light-on' or 'dark-on', got 'normally-open'"),
        ({"consecutive": 0}, "consecutive: must be greater than or equal to 1, got 0"),
        ({"consecutive": 1.5}, "consecutive: must be a valid integer, got 1.5"),
        ({"on_delay_ms": -1}, "on_delay_ms: must be greater than or equal to 0, got -1"),
        ({"delays_act_on": "both"}, "delays_act_on: must be 'output' or 'light', got 'both'"),
        ({"evaluation_rate_hz": 0}, "evaluation_rate_hz: must be greater than 0, got 0"),
        ({"hysteresis": 3}, "key 'hysteresis' is unknown"),
        ({"unit": ""}, "unit: "),
        ({"schema": 4}, "schema must be 1, 2 or 3, got 4. This version reads schema 1"),
        ({"schema": 2}, "kind must be following or window in a setting of schema 2, got None"),
        ({"schema": 2, "kind": "tracking"}, "kind must be following or window .* got 'tracking'"),
        ({"schema": 3, "kind": "window"}, "kind must be turning-point in a setting of schema 3, got 'window'"),
        ({"kind": "window"}, "key 'kind' is unknown"),
        ({"schema": "1"}, "schema must be 1, got '1'"),
        ({"taught": {"strategy": "x", "who": 1}}, "key 'taught.who' is unknown"),
        ({"on_level": "a", "unit": 7, "zz": 0}, "3 faults: .*unit.*on_level.*'zz'"),
    ],
)
def test_faults(change, message):
    with pytest.raises(SettingError, match=message):
        setting_from_dict({**GOOD, **change}, "s.json")


@pytest.mark.parametrize("key", ["unit", "on_level", "off_level", "polarity"])
def test_nothing_that_decides_is_assumed(key):
    with pytest.raises(SettingError, match=f"key '{key}' is missing"):
        setting_from_dict({k: v for k, v in GOOD.items() if k != key}, "s.json")


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "not valid JSON: Expecting value .* Correct the file there"),
        ("[]", "must be a JSON object"),
        ('{"unit": "V", "on_level": NaN}', "NaN is not a number"),
        ('{"unit": "V", "on_level": Infinity}', "Infinity is not a number"),
        ('{"unit": "V", "unit": "mV"}', "key 'unit' is given twice"),
        (b"\xff\xfe\x00", "UTF-8"),
    ],
)
def test_bad_files(tmp_path, text, message):
    path = tmp_path / "s.json"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    with pytest.raises(SettingError, match=message):
        read_setting(path)
    with pytest.raises(SettingError, match="no such file"):
        read_setting(tmp_path / "none.json")
    with pytest.raises(SettingError, match="is a folder"):
        read_setting(tmp_path)


def test_evidence_that_is_not_json_is_refused_and_nothing_is_written(tmp_path):
    for value in (float("nan"), object()):
        setting = Setting(unit="V", on_level=1, off_level=0, taught=Taught(strategy="x", evidence={"v": value}))
        with pytest.raises(SettingError, match="cannot be written as JSON"):
            write_setting(tmp_path / "s.json", setting)
    assert list(tmp_path.iterdir()) == []


FOLLOWING = {**GOOD, "schema": 2, "kind": "following", "reference": 400.0, "low_limit": 300.0, "high_limit": 900.0}
FOLLOWING |= {"follow": "gain", "release_after_ms": 60000.0}
WINDOW = {**GOOD, "schema": 2, "kind": "window", "off_level": 200.0, "low_release": 220.0, "high_release": 500.0}


def test_schema_1_is_written_byte_for_byte_as_before(tmp_path):
    write_setting(tmp_path / "s.json", setting_from_dict(GOOD, "s.json"))
    assert (tmp_path / "s.json").read_text() == (
        '{\n  "schema": 1,\n  "unit": "counts",\n  "on_level": 512.0,\n  "off_level": 480.0,\n'
        '  "polarity": "light-on",\n  "consecutive": 1,\n  "on_delay_ms": 0.0,\n  "off_delay_ms": 0.0,\n'
        '  "delays_act_on": "output",\n  "evaluation_rate_hz": null,\n  "taught": null\n}\n'
    )


@pytest.mark.parametrize(("document", "made"), [(FOLLOWING, FollowingSetting), (WINDOW, WindowSetting)])
def test_schema_2_round_trip(tmp_path, document, made):
    setting = setting_from_dict(document, "s.json")
    assert type(setting) is made
    write_setting(tmp_path / "s.json", setting)
    assert read_setting(tmp_path / "s.json") == setting
    written = json.loads((tmp_path / "s.json").read_text())
    assert {name: written[name] for name in document} == document


@pytest.mark.parametrize(
    ("document", "message"),
    [
        (FOLLOWING | {"reference": 200.0}, r"reference \(200 counts\) must lie within low_limit and high_limit"),
        (FOLLOWING | {"dark_level": 300.0}, r"low_limit \(300 counts\) must be above dark_level \(300\)"),
        (FOLLOWING | {"reference": 480.0}, r"off_level \(480 counts\) must be above the reference \(480\)"),
        (FOLLOWING | {"polarity": "dark-on"}, r"on_level \(512 counts\) must be at or below the reference \(400\)"),
        (FOLLOWING | {"update_evaluations": 0}, "update_evaluations: must be greater than or equal to 1, got 0"),
        (FOLLOWING | {"guard": 0.0}, "guard: must be greater than 0"),
        (FOLLOWING | {"follow": "both"}, "follow: must be 'gain' or 'offset', got 'both'"),
        (FOLLOWING | {"low_release": 1.0}, "key 'low_release' is unknown"),
        (WINDOW | {"low_release": 501.0}, "the levels of a window must ascend.*got 200, 501, 500, 512 counts"),
        (WINDOW | {"off_level": 221.0}, "the levels of a window must ascend"),
        (WINDOW | {"on_level": 499.0}, "the levels of a window must ascend"),
        ({k: v for k, v in WINDOW.items() if k != "high_release"}, "key 'high_release' is missing"),
    ],
)
def test_faults_of_schema_2(document, message):
    with pytest.raises(SettingError, match=message):
        setting_from_dict(document, "s.json")


def test_levels_that_do_not_say_all_are_refused_where_levels_are_needed():
    fixed = setting_from_dict(GOOD, "s.json")
    assert fixed_levels(fixed, "the surface") is fixed
    following = setting_from_dict(FOLLOWING, "s.json")
    with pytest.raises(SettingError, match=r"the surface needs one pair of fixed levels .* kind 'following'"):
        fixed_levels(following, "the surface")
    assert without_kind(following) == fixed
    assert type(without_kind(following)) is Setting


TURNING = {k: v for k, v in GOOD.items() if k not in ("on_level", "off_level")} | {
    "schema": 3, "kind": "turning-point", "form": "gain", "direction": "dip", "background": 900.0, "share": 0.1,
    "return_share": 0.6, "dark_level": 20.0,
}  # fmt: skip


def test_schema_3_round_trip(tmp_path):
    setting = setting_from_dict(TURNING, "s.json")
    assert type(setting) is TurningPointSetting
    assert (setting.off_level, setting.on_level) == pytest.approx((812.0, 864.8))
    write_setting(tmp_path / "s.json", setting)
    assert read_setting(tmp_path / "s.json") == setting
    written = json.loads((tmp_path / "s.json").read_text())
    assert {name: written[name] for name in TURNING} == TURNING
    assert not {"on_level", "off_level", "distance"} & set(written)


@pytest.mark.parametrize(
    ("document", "message"),
    [
        (TURNING | {"share": None}, "the form gain needs share and no distance"),
        (TURNING | {"distance": 5.0}, "the form gain needs share and no distance"),
        (TURNING | {"form": "offset"}, "the form offset needs distance and no share"),
        (TURNING | {"share": 1.1}, "share: must be less than or equal to 1"),
        (TURNING | {"direction": "rise"}, r"the form gain is for objects that dip .* got rise from 900 counts"),
        (TURNING | {"background": 20.0}, r"above dark_level \(20\), got dip from 20 counts"),
        (TURNING | {"return_share": 0.0}, "return_share: must be greater than 0"),
        (TURNING | {"on_level": 3.0}, "key 'on_level' is unknown"),
        ({k: v for k, v in TURNING.items() if k != "background"}, "key 'background' is missing"),
    ],
)
def test_faults_of_schema_3(document, message):
    with pytest.raises(SettingError, match=message):
        setting_from_dict(document, "s.json")
