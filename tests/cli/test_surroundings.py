"""The commands `surroundings …`: JSON keys, units, sources, worked numbers and refusals."""

from __future__ import annotations

import pytest
import shell

from teachlab.model.verdict import sentence


def test_pairs_of_pulse_trains() -> None:
    words = "neighbour --period-us 100 --period-us 103 --frequency-hz 5000 --width-us 5 --consecutive 5"
    found = shell.document("surroundings", *words.split())["pairs"]
    assert [p["periods_us"] for p in found] == [[100, 103], [100, 200], [103, 200]]
    assert [p["apart"] for p in found] == [True, False, True]
    assert found[0]["run_pulses"] == pytest.approx(10 / 3)
    assert found[0]["share_hit"] == pytest.approx(0.1, abs=0.004)
    # A whole ratio of the periods: the run never ends.
    assert found[1]["run_pulses"] is None
    text = shell.invoke(
        "surroundings", "neighbour", "--period-us", 100, "--period-us", 103, "--width-us", 5, "--consecutive", 4
    )
    said = " ".join(text.output.split())
    assert said.startswith("Problem: 100 and 103 µs (10000 and 9708.7 Hz) disturb each other: up to 4 pulses in a row")
    assert "and the filter needs 4 evaluations: the neighbour can switch the output." in said
    # The step that is named cures it.
    assert said.endswith("Next: Set a filter of at least 5 evaluations in a row, or choose other pulse frequencies.")
    cured = shell.invoke(
        "surroundings", "neighbour", "--period-us", 100, "--period-us", 103, "--width-us", 5, "--consecutive", 5
    ).output
    assert cured.startswith("OK: 100 and 103 µs")
    assert cured.count("Next: Leave the setting as it is.") == 1
    assert "common practice, no source" in said


CALLS = {
    "beat": ["--own-hz", 20_000, "--other-hz", 20_037, "--amplitude", 3, "--integration-us", 100, "--hysteresis", 1,
             "--evaluation-rate-hz", 1000],
    "lamp": ["--evaluation-rate-hz", 1000, "--swing", 3, "--hysteresis", 1, "--ripple-hz", 20_030],
    "ambient": ["--limit-lx", 10_000, "--expected-lx", 500],
    "target": ["--measured", 50, "--other-reflectance", 0.18],
}  # fmt: skip
EXPECTED = {
    "beat": {"beat_hz": 37, "amplitude_left": pytest.approx(3, abs=1e-3), "beat_alias_hz": 37},
    "lamp": {"flicker_hz": 100, "on_delay_needed_ms": pytest.approx(6.161, abs=1e-3), "average_ms": 10,
             "average_evaluations": 10,
             "average_leaves": pytest.approx(0, abs=1e-9), "ripple_alias_hz": 30},
    "ambient": {"limit_lx": 10_000, "beyond_the_limit": ["full sun in the open"], "head_room": 20},
    "target": {"light": pytest.approx(10), "ratio": pytest.approx(0.2), "exponent": 2},
}  # fmt: skip


@pytest.mark.parametrize("name", CALLS)
def test_calculations(name: str) -> None:
    found = shell.document("surroundings", name, *CALLS[name])
    assert {key: found[key] for key in EXPECTED[name]} == EXPECTED[name]
    for key in ("verdict", "source", "limits"):
        assert found[key]
    numbers = {k for k, v in found.items() if isinstance(v, int | float) and not isinstance(v, bool)} - {"schema"}
    assert set(found["units"]) == numbers
    assert all(found["units"].values())
    text = " ".join(shell.invoke("surroundings", name, *CALLS[name]).output.split())
    begins = {"beat": "Problem: ", "lamp": "Problem: ", "ambient": "OK: ", "target": ""}[name]
    assert text.startswith(begins + sentence(found["verdict"]))
    assert f"Holds for: {found['limits']}. Source: {found['source']}. Next: " in text


def test_numbers_for_people_have_four_digits_and_agree_with_their_unit() -> None:
    lamps = shell.invoke("surroundings", "lamp", "--evaluation-rate-hz", 90, "--swing", 30, "--hysteresis", 20).output
    assert "that is  1 evaluation\n" in lamps
    assert "that is  10 evaluations\n" in shell.invoke("surroundings", "lamp", *CALLS["lamp"]).output
    rated = shell.invoke("surroundings", "ambient", "--limit-lx", 5000, "--expected-lx", 12_000).output
    assert "rating is  0.4167 times the light on the line\n" in rated
    assert "ratio  0.0463 times\n" in shell.invoke("surroundings",
        "target", "--measured", 2000, "--reflectance", 0.9, "--other-reflectance", 0.06, "--distance", 100,
        "--other-distance", 120,
    ).output  # fmt: skip


GOOD: dict[str, dict[str, list[object]]] = {
    "neighbour": {"period-us": [100, 103], "width-us": [5], "consecutive": [3]},
    "neighbour ": {"frequency-hz": [5000, 4900], "width-us": [5]},
    **{
        name: {option.removeprefix("--"): [value] for option, value in zip(call[::2], call[1::2], strict=True)}
        for name, call in {
            **CALLS,
            "lamp": [*CALLS["lamp"], "--mains-hz", 50, "--on-delay-ms", 1],
            "target": [*CALLS["target"], "--reflectance", 0.9, "--distance", 1, "--other-distance", 2, "--dark", 0],
        }.items()
    },
}  # fmt: skip


@pytest.mark.parametrize(("name", "option"), [(name, option) for name, options in GOOD.items() for option in options])
def test_every_number_that_is_none_is_refused(name: str, option: str) -> None:
    for bad in ("nan", "inf", "-inf", "-3", "bright"):
        if (option, bad) == ("dark", "-3"):
            continue
        values = {**GOOD[name], option: [*GOOD[name][option][:-1], bad]}
        result = shell.run(
            "surroundings", name.strip(), *(x for o, v in values.items() for y in v for x in (f"--{o}", y)), "--json",
            code=2,
        )  # fmt: skip
        assert result.stdout == ""
        assert "Traceback" not in result.stderr
        assert option in result.stderr or option.split("-")[0] in result.stderr, result.stderr


@pytest.mark.parametrize("name", ["neighbour", *CALLS])
def test_help_names_the_limits_of_validity(name: str) -> None:
    help_text = " ".join(shell.invoke("surroundings", name, "--help").output.split())
    assert "Valid for" in help_text


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["neighbour", "--period-us", "100", "--width-us", "5"], "at least two together"),
        (["neighbour", "--frequency-hz", "0", "--frequency-hz", "9", "--width-us", "5"], "--frequency-hz must be"),
        (["neighbour", "--period-us", "100", "--period-us", "-3", "--width-us", "5"], "period-us must be"),
        (["beat", *CALLS["beat"][:6], "--integration-us", "0", "--hysteresis", "1"], "integration-us must be"),
        (["lamp", "--evaluation-rate-hz", "0", "--swing", "3", "--hysteresis", "1"], "evaluation-rate-hz must be"),
        (["ambient", "--limit-lx", "-4"], "limit-lx must be"),
        (["target", "--measured", "50", "--other-reflectance", "18"], "other-reflectance is a share"),
        (["target", "--measured", "50", "--other-reflectance", "0.2", "--mode", "laser"], "mode must be one of"),
    ],
)  # fmt: skip
def test_refusals(arguments: list[object], message: str) -> None:
    result = shell.run("surroundings", *arguments, "--json", code=2)
    assert result.stdout == ""
    assert message in result.stderr
    assert "Traceback" not in result.stderr
