"""The command `compare` on a small line, and its refusals."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
import shell

from teachlab.data.recording_files import write_recording
from teachlab.data.truth_files import write_truth
from teachlab.model.recording import Recording, RecordingInfo
from teachlab.model.truth import Truth, TruthSource


@pytest.fixture
def line(tmp_path: Path) -> Path:
    """Ten passes, the last three weak; a bump in the second gap. Settings at 40, 70 and 30 counts."""
    light = np.full(1000, 10, np.uint16)
    start = np.arange(10) * 100 + 20
    for k, a in enumerate(start):
        light[a : a + 30] = 60 if k >= 7 else 90
    light[170:175] = 35
    path = tmp_path / "line.parquet"
    write_recording(path, Recording.from_array(light, RecordingInfo(sample_rate_hz=1000, unit="counts")))
    write_truth(tmp_path / "line.passes.parquet", Truth.from_arrays(start, start + 30))
    for level in (40, 70, 30):
        setting = {"schema": 1, "unit": "counts", "on_level": level, "off_level": level, "polarity": "light-on"}
        (tmp_path / f"at{level}.json").write_text(json.dumps(setting))
    return path


def test_paired(line: Path) -> None:
    a, b = line.parent / "at40.json", line.parent / "at70.json"
    found = shell.document("compare", line, "--setting", a, "--setting", b)
    assert found["discordant"] == [0, 3]
    assert found["p_exact"] == pytest.approx(0.25)
    assert found["p_mid"] == pytest.approx(0.125)
    assert found["difference"]["estimate"] == pytest.approx(-0.3)
    assert found["difference"]["low"] < -0.3 < found["difference"]["high"]
    assert found["difference"]["confidence"] == 0.95
    assert shell.document("compare", line, "--setting", b, "--setting", a)["discordant"] == [3, 0]


def test_three_settings_are_corrected_for_their_number(line: Path) -> None:
    paths = [line.parent / f"at{level}.json" for level in (40, 70, 30)]
    found = shell.document("compare", line, *(part for path in paths for part in ("--setting", path)))
    assert len(found["pairs"]) == 3
    assert found["pairs"][1]["settings"] == ["at40", "at30"]
    assert found["pairs"][1]["gaps"]["discordant"] == [0, 1]
    assert all(pair["p_holm"] >= pair["p_exact"] for pair in found["pairs"])


def test_without_lots_the_exact_test_decides_and_says_so(line: Path) -> None:
    a, b = line.parent / "at40.json", line.parent / "at70.json"
    found = shell.document("compare", line, "--setting", a, "--setting", b)
    assert found["p_used"] == "p_exact"
    assert found["assumes"] == "all trials are independent"
    # Two stretches of five passes are all that ten give.
    assert found["p_by_lot"] == found["difference_by_lot"]["p"]


def test_where_lots_are_named_they_decide(tmp_path: Path) -> None:
    """Twenty lots of ten passes; all of one lot are weak: ten losses, but one thing that happened."""
    light, start = np.full(20_000, 10, np.uint16), np.arange(200) * 100 + 20
    for k, a in enumerate(start):
        light[a : a + 30] = 60 if k // 10 == 7 else 90
    path = tmp_path / "line.parquet"
    write_recording(path, Recording.from_array(light, RecordingInfo(sample_rate_hz=1000, unit="counts")))
    lot = [f"lot {k // 10}" for k in range(200)]
    write_truth(tmp_path / "line.passes.parquet", Truth.from_arrays(start, start + 30, lot=lot))
    arguments: list[object] = [path, "--no-margin"]
    for level in (40, 70):
        setting = {"schema": 1, "unit": "counts", "on_level": level, "off_level": level, "polarity": "light-on"}
        (tmp_path / f"at{level}.json").write_text(json.dumps(setting))
        arguments += ["--setting", tmp_path / f"at{level}.json"]
    found = shell.document("compare", *arguments)
    assert found["discordant"] == [0, 10]
    assert found["p_exact"] < 0.01
    assert found["p_used"] == "p_by_lot"
    assert found["p_by_lot"] == found["difference_by_lot"]["p"] > 0.05
    assert found["p_holm"] > 0.05
    assert "lots are independent" in found["assumes"]
    text = shell.invoke("compare", *arguments, "--details").stdout
    assert "p by lots" in text
    assert "lost passes" in text
    assert "a difference is not established" in " ".join(text.split("tripped gaps")[0].split())
    # The same passes without names: different only if passes are independent, which the stretches do not show.
    write_truth(tmp_path / "line.passes.parquet", Truth.from_arrays(start, start + 30))
    text = shell.invoke("compare", *arguments, "--details").stdout
    assert "p by stretches" in text
    assert "different" not in text.split("lost passes")[1].split("tripped gaps")[0]
    assert "a difference is not established" in " ".join(text.split("tripped gaps")[0].split())


def test_passes_by_which_one_was_taught_are_left_out_for_all(line: Path) -> None:
    """Taught on passes 0 to 4: these support no claim, as replay and report have it."""
    a, b = line.parent / "at40.json", line.parent / "at70.json"
    clean = shell.document("compare", line, "--setting", a, "--setting", b)["verdict"]["claim"]
    assert clean["passes"] == 10
    taught = json.loads(a.read_text())
    drawn = {"sweep": {"at_sample": 0, "evaluations": 450, "passes": 5}}
    taught["taught"] = {"strategy": "sweep-minmax", "parameters": {}, "evidence": {"drawn": drawn}}
    a.write_text(json.dumps(taught))
    low = line.parent / "at30.json"  # makes one error more than the one that was taught
    for order in ((a, b), (b, a), (low, a)):
        claim = shell.document("compare", line, *(part for path in order for part in ("--setting", path)))["verdict"][
            "claim"
        ]
        assert claim["passes"] == 5
        # One sentence with one number, also where the best setting is the one that was taught.
        assert " ".join(claim["beside"]).count("Left out of the claim: ") == 1
        assert "Left out of the claim: 5 passes by which" in " ".join(claim["beside"])
    drawn["sweep"] = {"at_sample": 500, "evaluations": 450, "passes": 5}
    for first, at in ((a, 0), (low, 500)):
        drawn["sweep"]["at_sample"] = at
        taught = json.loads(first.read_text()) | {"taught": taught["taught"]}
        first.write_text(json.dumps(taught))
    beside = shell.document("compare", line, "--setting", a, "--setting", low)["verdict"]["claim"]["beside"]
    assert [one for one in beside if "Left out" in one] == [
        "Left out of the claim: 10 passes by which one of the settings was taught or chosen, or next to one of them."
    ]
    drawn["sweep"]["at_sample"] = 0
    a.write_text(json.dumps(json.loads(a.read_text()) | {"taught": taught["taught"]}))
    one = shell.invoke("replay", line, "--setting", a, "--json")
    assert json.loads(one.stdout)["verdict"]["claim"]["passes"] == 5


def test_two_recordings_are_unpaired(line: Path) -> None:
    found = shell.document(
        "compare", line, "--with", line, "--setting", line.parent / "at40.json", "--setting", line.parent / "at70.json"
    )
    assert found["lost"] == [[0, 10], [3, 10]]
    assert found["difference"]["method"] == "Miettinen–Nurminen"
    assert found["false_trips"]["ratio"]["estimate"] is None


def test_two_recordings_show_no_difference_of_settings(line: Path) -> None:
    """It is said first, and the step puts both settings on the same passes."""
    a, b = line.parent / "at40.json", line.parent / "at70.json"
    words = ["compare", str(line), "--with", str(line), "--setting", str(a)]
    said = " ".join(shell.invoke(*words, "--setting", b).stdout.split())
    first = (
        "Cannot be decided: whether a difference comes from the setting, since two recordings were compared. Claim: "
    )
    assert said.startswith(first)
    assert said.endswith(f"Next: teachlab compare {line} --setting {a} --setting {b}")
    for one in (words, [*words, "--setting", str(a)]):
        said = " ".join(shell.invoke(*one).stdout.split())
        assert said.startswith(first)
        assert said.endswith(f"Next: teachlab replay {line} --setting {a}")


def test_the_difference_of_two_recordings_is_told_in_words(line: Path) -> None:
    """Of shares in percent the difference is in percentage points, and of which from which is said."""
    found = shell.document(
        "compare", line, "--with", line, "--setting", line.parent / "at40.json", "--setting", line.parent / "at70.json"
    )
    (told,) = [one["text"] for one in found["verdict"]["reasons"] if one["text"].startswith("Lost ")]
    (a, n), (b, m) = found["lost"]
    by_lot = found["difference_by_lot"]["difference"]
    assert a / n != b / m
    assert told == (
        f"Lost {a} of {n} and {b} of {m} passes: difference (first minus second) {100 * (a / n - b / m):.3g} "
        f"percentage points, by lots or stretches {100 * by_lot['low']:.3g} to {100 * by_lot['high']:.3g}."
    )


def test_refusals(line: Path) -> None:
    one = ["compare", str(line), "--setting", str(line.parent / "at40.json")]
    result = shell.run(*one, code=2)
    assert "twice or more" in result.stderr
    (line.parent / "line.passes.parquet").unlink()
    result = shell.run(*one, "--setting", line.parent / "at70.json", code=2)
    assert "no table of passes" in result.stderr


def test_margin_and_reserves_stand_beside_both_sides(line: Path) -> None:
    a, b = line.parent / "at40.json", line.parent / "at70.json"
    sides = shell.document("compare", line, "--setting", a, "--setting", b)["sides"]
    assert [side["name"] for side in sides] == ["at40", "at70"]
    for side, path in zip(sides, (a, b), strict=True):
        alone = shell.invoke("replay", line, "--setting", path, "--reserves", "--json")
        told = json.loads(alone.stdout)
        assert side["margin"] == told["margin"]
        assert side["reserves"] == told["reserves"]
        assert side["score"] == told["score"]
    # At 40 the weakest pass of 60 may lose a third of its light, and the strongest gap of 35 may gain 5 counts.
    assert sides[0]["reserves"]["contamination_reserve"] == pytest.approx(1 / 3)
    assert sides[0]["reserves"]["ambient_reserve"] == pytest.approx(5)
    assert sides[1]["reserves"]["contamination_reserve"] is None

    text = shell.invoke("compare", line, "--setting", a, "--setting", b, "--details").stdout
    assert "contamination" in text
    assert "33.3 %" in text
    bare = shell.invoke("compare", line, "--setting", a, "--setting", b, "--no-margin", "--details")
    assert "contamination" not in bare.stdout


def test_sides_on_two_recordings_carry_both_names(line: Path) -> None:
    found = shell.document("compare", line, "--with", line, "--setting", line.parent / "at40.json", "--no-margin")
    assert [side["name"] for side in found["sides"]] == ["at40 on line", "at40 on line"]
    assert found["sides"][0]["margin"] is None


def test_two_settings_without_an_error_are_told_as_alike_and_the_one_with_more_room_is_to_be_taken(
    tmp_path: Path,
) -> None:
    light, start = np.full(12_000, 10, np.uint16), np.arange(100) * 110 + 40
    for a in start:
        light[a : a + 40] = 90
    path = tmp_path / "line.parquet"
    write_recording(path, Recording.from_array(light, RecordingInfo(sample_rate_hz=1000, unit="counts")))
    given: list[str] = [str(path)]
    for level in (80, 50):
        setting = {"schema": 1, "unit": "counts", "on_level": level, "off_level": level - 5, "polarity": "light-on"}
        (tmp_path / f"at{level}.json").write_text(json.dumps(setting))
        given += ["--setting", str(tmp_path / f"at{level}.json")]

    def said(late: int, only: list[str] = given) -> str:
        passes = Truth.from_arrays(start + late, start + late + 40, lot=[f"L{k // 10}" for k in range(100)])
        write_truth(tmp_path / "line.passes.parquet", passes)
        return " ".join(shell.invoke("compare", *only).stdout.split())

    text = said(0)
    assert text.startswith("No difference shown: at50 and at80 are both without an error on 100 passes. Take at50: ")
    assert "at most 26 % are lost on average over independent lots. The same holds for at80." in text
    # Downwards until the off-level of 45 meets the gaps at 10; upwards from 80 until it passes the light of 90.
    assert "at50 has more room: both levels may move by 35 counts at no more cost, those of at80 by 10." in text
    assert text.endswith(f"Next: teachlab report {path} --setting {tmp_path / 'at50.json'} --out record")
    (tmp_path / "at51.json").write_text((tmp_path / "at50.json").read_text().replace("50", "51"))
    text = said(0, [str(path), *(p for k in (50, 51) for p in ("--setting", str(tmp_path / f"at{k}.json")))])
    assert ": at50 and at51 are both without an error on 100 passes. Either may be used. at50: " in text
    # Beside the light nothing is shown about either of them.
    text = said(30)
    assert "Cannot be decided: which setting is better. Why: The times of the passes do not fit the light" in text
    assert f"Next: teachlab align {path} " in text
    assert "Claim" not in text
    assert "Room" not in text


def _two_hundred(tmp_path: Path, source: TruthSource) -> Path:
    """200 passes in 20 lots, each third weak: the level of 120 loses these, that of 60 none."""
    light = np.random.default_rng(4).normal(20, 1, 20_040)
    start = np.arange(200) * 100 + 30
    for k, a in enumerate(start):
        light[a : a + 40] += 80 if k % 3 == 0 else 130
    path = tmp_path / "long.parquet"
    write_recording(path, Recording.from_array(light, RecordingInfo(sample_rate_hz=1000, unit="counts")))
    lot = [f"L{k // 10}" for k in range(200)]
    write_truth(tmp_path / "long.passes.parquet", Truth.from_arrays(start, start + 40, lot=lot, source=source))
    for level in (60, 120):
        for polarity in ("light-on", "dark-on"):
            setting = {"schema": 1, "unit": "counts", "on_level": level, "off_level": level, "polarity": polarity}
            (tmp_path / f"{polarity}{level}.json").write_text(json.dumps(setting))
    return path


@pytest.mark.parametrize(
    ("source", "told"),
    [
        (TruthSource.INDEPENDENT, "Established (20 lots): light-on120 costs more than light-on60."),
        (TruthSource.SELF_LABELLED, "In this recording (20 lots), light-on120 costs more than light-on60."),
    ],
)
def test_passes_that_support_no_claim_order_nothing_beyond_their_recording(
    tmp_path: Path, source: TruthSource, told: str
) -> None:
    path = _two_hundred(tmp_path, source)
    found = shell.document(
        "compare", path, *(p for level in (60, 120) for p in ("--setting", tmp_path / f"light-on{level}.json"))
    )
    assert told in found["verdict"]["about"]


def test_two_outputs_that_are_mostly_active_are_not_ordered_whatever_they_cost(tmp_path: Path) -> None:
    path = _two_hundred(tmp_path, TruthSource.INDEPENDENT)
    verdict = shell.document(
        "compare", path, *(p for level in (60, 120) for p in ("--setting", tmp_path / f"dark-on{level}.json"))
    )["verdict"]
    assert verdict["decision"] == "no difference shown"
    assert " can be used." in verdict["about"]
    assert "established" not in json.dumps(verdict)


def test_two_outputs_that_are_of_no_use_are_not_ordered(line: Path) -> None:
    """Neither ever switches, and each loses all ten: no order of two such settings depends on which is named first."""
    for level in (200, 300):
        setting = {"schema": 1, "unit": "counts", "on_level": level, "off_level": level, "polarity": "light-on"}
        (line.parent / f"at{level}.json").write_text(json.dumps(setting))
    a, b = (line.parent / f"at{level}.json" for level in (200, 300))
    for one, other in ((a, b), (b, a)):
        verdict = shell.document("compare", line, "--setting", one, "--setting", other)["verdict"]
        assert verdict["decision"] == "no difference shown"
        assert verdict["about"] == f"neither {one.stem} nor {other.stem} can be used. {one.stem}:"
        assert [reason["text"] for reason in verdict["reasons"]] == [
            "The output of both is active for most of the gap time, or never.",
            f"Errors on 10 passes of {one.stem}: 10, of {other.stem}: 10.",
            f"{one.stem} itself is not shown to work.",
        ]


@pytest.mark.parametrize(
    ("weak", "first"),
    [
        (None, "Take: at50. At any cost at80 comes last. at50: fixed levels"),
        (range(0, 300, 4), "Take: at50. Established (15 lots): at80 costs more than at50. at50: fixed levels"),
        (
            range(0, 200, 20),
            "Take: at50. For lots like those recorded (15 lots), at80 costs more than at50. ",
        ),
        (range(1), "Cannot be decided: whether at80 costs more than at50 (15 lots). at50: fixed"),
    ],
)
def test_what_to_do_is_said_first_and_then_how_sure_that_is(tmp_path: Path, weak: range | None, first: str) -> None:
    light, start = np.full(33_100, 10, np.uint16), np.arange(300) * 110 + 40
    for k, a in enumerate(start):
        light[a : a + 40] = 60 if weak is None or k in weak else 90
    path = tmp_path / "line.parquet"
    write_recording(path, Recording.from_array(light, RecordingInfo(sample_rate_hz=1000, unit="counts")))
    lots = [f"L{k // 20}" for k in range(300)]
    write_truth(tmp_path / "line.passes.parquet", Truth.from_arrays(start, start + 40, lot=lots))
    given = [str(path)]
    for level in (80, 50):
        setting = {"schema": 1, "unit": "counts", "on_level": level, "off_level": level - 5, "polarity": "light-on"}
        (tmp_path / f"at{level}.json").write_text(json.dumps(setting))
        given += ["--setting", str(tmp_path / f"at{level}.json")]
    said = " ".join(shell.invoke("compare", *given).stdout.split())
    assert said.startswith(first)


@pytest.mark.parametrize(
    ("per_lot", "told"),
    [
        # Errors of the worse one in 8 lots of 5 passes: spread evenly, and in one lot alone.
        ([2, 2, 2, 3, 2, 2, 2, 2], "About 10 lots like these would show a difference of this size, if these 8 are "
         "typical."),
        ([5, 0, 0, 0, 0, 0, 0, 0], "About 65 lots like these would show a difference of this size, if these 8 are "
         "typical."),
    ],
)  # fmt: skip
def test_few_lots_say_what_they_show_and_how_many_would_do(tmp_path: Path, per_lot: list[int], told: str) -> None:
    light, start = np.full(4500, 10, np.uint16), np.arange(40) * 110 + 40
    for k, a in enumerate(start):
        light[a : a + 40] = 60 if k % 5 < per_lot[k // 5] else 90
    path = tmp_path / "line.parquet"
    write_recording(path, Recording.from_array(light, RecordingInfo(sample_rate_hz=1000, unit="counts")))
    lots = [f"L{k // 5}" for k in range(40)]
    write_truth(tmp_path / "line.passes.parquet", Truth.from_arrays(start, start + 40, lot=lots))
    given: list[object] = [path]
    for level in (80, 50):
        setting = {"schema": 1, "unit": "counts", "on_level": level, "off_level": level - 5, "polarity": "light-on"}
        (tmp_path / f"at{level}.json").write_text(json.dumps(setting))
        given += ["--setting", tmp_path / f"at{level}.json"]
    verdict = shell.document("compare", *given)["verdict"]
    assert verdict["decision"] == "cannot be decided"
    assert verdict["reasons"][1]["text"] == told
    need = int(told.split("About ")[1].split()[0])
    assert verdict["next_step"].startswith(f"Log a new recording with {need} lots of at least 5 passes each")
