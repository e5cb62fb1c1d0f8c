"""Scenario files: what ships, and what a faulty one is told."""

import pytest

from teachlab.errors import ScenarioError
from teachlab.synthetic import aliases, explain, generate, load_scenario, parse, scenario_names

GOOD = """
title = "a line"
[sensor]
sensing = "diffuse"
sample_rate_hz = 1000
beam = { shape = "gaussian", radius_mm = 4 }
[line]
speed_mm_s = 500
gap_mm = 100
[background]
level_percent = 8
[[object]]
label = "box"
length_mm = 100
level_percent = 30
"""


def refused(text):
    with pytest.raises(ScenarioError) as caught:
        parse(text, source="line.toml")
    return str(caught.value)


def test_twelve_difficult_lines_and_the_demo_ship():
    assert set(aliases()) == {f"a{k:02d}" for k in range(1, 13)}
    # the roof light is one line under a steady rise and under passing clouds
    assert set(scenario_names()) == {*aliases().values(), "roof-light-steps", "demo", "sensed-tubs"}
    assert load_scenario("a09") == load_scenario("three-colours")
    assert load_scenario("A09") == load_scenario("a09")
    assert len({load_scenario(n).plant for n in scenario_names()}) == 13


def test_defaults_are_those_of_an_ordinary_sensor():
    scenario = parse(GOOD, source="line.toml")
    noise = scenario.sensor.noise
    assert (noise.thermal_percent, noise.shot_kappa, noise.rin) == (0.12, 3e-4, 0.002)
    assert (scenario.sensor.bits, scenario.sensor.unit) == (12, "counts")


def test_all_faults_come_at_once_each_with_its_place():
    text = refused(
        GOOD.replace('sensing = "diffuse"', 'sensing = "difuse"')
        .replace("sample_rate_hz = 1000", "sample_rate_hz = -5")
        .replace("speed_mm_s = 500", "speed_mm_s = 500\nspeeed = 3")
        .replace("length_mm = 100", 'length_mm = { shape = "normal", mean = 3 }')
        .replace("gap_mm = 100", 'gap_mm = { shape = "norml", mean = 3 }')
    )
    assert text.startswith("line.toml: the scenario has 5 faults:")
    for part in (
        "[sensor] sensing = 'difuse'",
        "[sensor] sample_rate_hz = -5: input should be greater than 0",
        "[line] speeed is not a known key",
        "[object 1.length_mm] sd is missing",
        "[line] gap_mm has no shape 'norml'",
    ):
        assert part in text


@pytest.mark.parametrize(
    ("old", "new", "what"),
    [
        ('title = "a line"', "title = ", "not valid TOML"),
        ("level_percent = 30", "", "exactly one of"),
        ("level_percent = 30", "level_percent = 30\nreflectance = 0.5\ndistance_mm = 100", "exactly one of"),
        ("level_percent = 30", "reflectance = 0.5", "belong together"),
        ("level_percent = 30", "reflectance = 0.5\ndistance_mm = 100", r"\[sensor.reference\]"),
        ("gap_mm = 100", "gap_mm = 100\nlot_level_cv = 0.1", "lot_passes"),
        ("gap_mm = 100", "gap_mm = true", "number"),
        ("speed_mm_s = 500", "speed_mm_s = true", r"\[line\] speed_mm_s = True: .*number"),
        ("speed_mm_s = 500", 'speed_mm_s = "500"', r"\[line\] speed_mm_s = '500': .*number"),
        ("gap_mm = 100", "gap_mm = -100", "must not be negative"),
        ("length_mm = 100", 'length_mm = { shape = "normal", mean = -3, sd = 9, ceiling = 5 }', "must not be negative"),
        ("level_percent = 30", "reflectance = 45\ndistance_mm = 100", "0.45 for 45 %"),
        ("length_mm = 100", 'length_mm = { shape = "uniform", low = 5, high = 3 }', "must not exceed"),
        ("length_mm = 100", "length_mm = nan", "finite"),
        ("radius_mm = 4", "radius_mm = 0", "greater than 0"),
        ('shape = "gaussian", radius_mm = 4', "radius_mm = 4", "needs a shape"),
        ("[[object]]", "[object]", r"object must be a list of tables: .* such as \[\[object\]\]"),
        (
            "level_percent = 30",
            "level_percent = 30\nflutter = { frequency_hz = 3 }",
            r"\[object 1\] flutter: give exactly",
        ),
        ("speed_mm_s = 500", "speed_mm_s = '500 mm/s'", "number"),
    ],
)
def test_faults_of_every_kind(old, new, what):
    assert old in GOOD
    with pytest.raises(ScenarioError, match=what):
        parse(GOOD.replace(old, new), source="line.toml")


def test_faults_between_keys_come_with_the_others():
    text = refused(
        GOOD.replace("sample_rate_hz = 1000", "sample_rate_hz = -5")
        .replace("gap_mm = 100", "gap_mm = 100\nlot_level_cv = 0.1")
        .replace("level_percent = 30", "reflectance = 0.5\nlevel_percent = 30\nglimmer = 1")
    )
    assert text.startswith("line.toml: the scenario has 6 faults:")
    for part in (
        "[sensor] sample_rate_hz = -5",
        "[object 1] glimmer is not a known key",
        "object 1: give exactly one of",
        "object 1: reflectance and distance_mm belong together",
        "need the table [sensor.reference]",
        "lot_level_cv needs lot_passes",
    ):
        assert part in text


def test_what_is_mostly_at_its_floor_is_no_negative_amount():
    floored = '{ shape = "normal", mean = -3, sd = 9, floor = 2 }'
    assert parse(GOOD.replace("gap_mm = 100", f"gap_mm = {floored}"), source="line.toml").line.gap_mm.floor == 2


def test_explain_names_the_scale_of_levels_given_by_reflectance():
    by_card = GOOD.replace("level_percent = 30", "reflectance = 0.45\ndistance_mm = 120")
    reference = "reference = { distance_mm = 200, level_percent = 60 }\n"
    words = explain(parse(by_card.replace("[line]", reference + "[line]"), source="line.toml"))
    spread = by_card.replace("reflectance = 0.45", 'reflectance = { shape = "lognormal", median = 0.5, cv = 0.1 }')
    told = explain(parse(spread.replace("[line]", reference + "[line]"), source="line.toml"))
    assert "reflectance 0.5 (lognormal, 10 % spread) at 120 mm" in told
    assert "Optics: a card of reflectance 0.9 at 200 mm shows 60 % of full scale" in words
    suppression = "suppression = { cutoff_mm = 150, gain_percent = 300, white_black_share = 0.1 }\n"
    suppressed = by_card.replace('"diffuse"', '"background-suppressed"').replace("[line]", suppression + "[line]")
    words = explain(parse(suppressed, source="line.toml"))
    assert "a white card is cut off at 150 mm, a black one 10 % nearer" in words


def test_two_kinds_of_one_name():
    again = GOOD[GOOD.index("[[object]]") :]
    assert "'box'" in refused(GOOD + again)


def test_names_that_are_not_known():
    with pytest.raises(ScenarioError, match="Did you mean 'clear-jars'"):
        load_scenario("clear-jar")
    with pytest.raises(ScenarioError, match="no such file"):
        load_scenario("nowhere.toml")


def test_a_file_by_path(tmp_path):
    path = tmp_path / "mine.toml"
    path.write_text(GOOD)
    assert load_scenario(path).title == "a line"
    path.write_bytes(b"\xff\xfe")
    with pytest.raises(ScenarioError, match="not a text file in UTF-8"):
        load_scenario(path)


def test_explain_names_what_is_there_and_nothing_else():
    words = explain(load_scenario("a11"))
    assert "beats at 37 Hz with 3 % of full scale" in words
    assert "Drift" not in words
    assert "fault" not in words
    assert "lots of 50 passes" in explain(load_scenario("a09"))
    assert "heavy tail" in explain(load_scenario("a03"))


def test_notes_of_a_recording_tell_the_stress_it_was_made_under() -> None:
    def notes(**stress: float) -> str:
        return generate(load_scenario("clear-jars"), 3, **stress)[0].info.notes

    assert "Stressed" not in notes()
    assert "Stressed: gain 0.5, ambient 2 %, pedestal 0 %." in notes(gain=0.5, ambient=2.0)
