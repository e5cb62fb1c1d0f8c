"""A bench in the steps of a device: every setting can be keyed in, and the claim is that of the worse end."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import shell

from teachlab.data.recording_files import write_recording
from teachlab.data.setting_files import read_setting
from teachlab.data.truth_files import write_truth
from teachlab.device.device_file import DeviceDocument, read_device
from teachlab.errors import ParameterError
from teachlab.model.draws import Costs, DrawOptions
from teachlab.model.recording import Recording, RecordingInfo
from teachlab.model.truth import Truth
from teachlab.scoring.scoring import score
from teachlab.studies.result import RecordingBench
from teachlab.studies.run import bench_recording
from teachlab.switching.run import replay
from teachlab.teaching.registry import built, installed_class

STARTS = 60 + 60 * np.arange(40)
TRUTH = Truth.from_arrays(STARTS, STARTS + 20, lot=[f"lot {k // 4}" for k in range(40)])
OPTIONS = DrawOptions(draws=6)


def line(later: float = 0.0, *, dark: bool = False) -> Recording:
    """Belt at 200, pieces at 900 counts, both with a count of noise; `later` is added to pieces from the 30th on.

    `dark`: every other piece is darker than the belt.
    """
    light = 200 + np.random.default_rng(5).integers(-1, 2, int(STARTS[-1]) + 90).astype(float)
    for k, a in enumerate(STARTS):
        light[a : a + 20] += (-140 if dark and k % 2 else 700) + (later if k >= 30 else 0)
    return Recording.from_array(light, RecordingInfo(sample_rate_hz=1000.0, unit="counts", full_scale=2000.0))


def device(folder: Path, step: float = 5) -> Path:
    """The display shows 10 + light / 2."""
    rows = "".join(f"[[pairs]]\nlight = {u}\ndisplay = {10 + u // 2}\n" for u in (100, 500, 900, 1300))
    path = folder / "device.toml"
    path.write_text(
        f'schema = 1\nname = "arm 3"\nunit = "counts"\nlight_noise = 1\ndisplay_noise = 0.3\n[display]\nstep = {step}\n'
        f"low = 0\nhigh = 999\nresolution = 1\n[on_delay_ms]\nhigh = 200\nstep = 10\n{rows}"
    )
    return path


def benched(known: DeviceDocument | None, *names: str, later: float = 0.0, dark: bool = False) -> RecordingBench:
    return bench_recording(
        line(later, dark=dark), TRUTH, [built(installed_class(n), {}) for n in names], options=OPTIONS, device=known
    )


def test_every_setting_of_every_draw_lies_on_steps(tmp_path: Path) -> None:
    found = benched(read_device(device(tmp_path)), "two-sample-midpoint", "designed")
    settings = [d.setting for r in found.results for d in r.draws]
    assert len(settings) == 12
    for one in settings:
        assert one is not None
        for level in (one.on_level, one.off_level):
            shown = 10 + level / 2
            assert shown == pytest.approx(round(shown / 5) * 5, abs=1e-6)
        assert one.on_delay_ms % 10 == 0
    plain = benched(None, "two-sample-midpoint")
    shown = [10 + d.setting.on_level / 2 for r in plain.results for d in r.draws if d.setting is not None]
    assert max(abs(x - round(x / 5) * 5) for x in shown) > 0.01


def test_the_claim_is_that_of_the_worse_end_on_the_claim_half(tmp_path: Path) -> None:
    """Later pieces reach 550 counts, where the level of 550 (285 on the display) may lie below them or above."""
    found = benched(read_device(device(tmp_path)), "two-sample-midpoint", later=-350)
    chosen = found.recommendation
    assert chosen is not None
    assert chosen.keyed is not None
    assert chosen.keyed.display()["on"] == 285.0
    assert chosen.chosen_on == 14
    middle = 13 + 14  # 12 passes are taught on, one is purged, of the 27 scored ones 14 are chosen on
    rules = OPTIONS.rules.scored_from(middle)
    ends = {end: score(replay(line(-350), one), TRUTH, rules=rules).counts.lost
            for end, one in chosen.keyed.ends().items()}  # fmt: skip
    assert (ends["low"], ends["high"]) == (0, 10)
    assert chosen.worst_end == "high"
    assert chosen.worth.score.counts.lost == ends["high"]
    assert found.verdict.about == "two-sample-midpoint, 285 on, 250 off on the display"
    assert found.verdict.setting == chosen.setting


def test_what_comes_later_has_no_say_in_the_steps(tmp_path: Path) -> None:
    """The claim half is another line altogether: the values to key in stay as they are."""
    known = read_device(device(tmp_path))
    kept = [benched(known, "two-sample-midpoint", later=by).recommendation for by in (0.0, 300.0, -500.0)]
    shown = [one.keyed.display() for one in kept if one is not None and one.keyed is not None]
    assert len(shown) == 3
    assert shown[0] == shown[1] == shown[2]


def test_levels_that_move_abstain_and_windows_are_ranked(tmp_path: Path) -> None:
    known = read_device(device(tmp_path))
    found = benched(known, "background-follower", "two-sample-midpoint")
    by_name = {r.strategy: r for r in found.results}
    assert by_name["background-follower"].abstained == OPTIONS.draws
    (why,) = by_name["background-follower"].reasons
    assert "cannot be keyed in: levels of kind 'following' move with the light" in why
    assert found.ranking == ["two-sample-midpoint"]
    found = benched(known, "two-threshold", "two-sample-midpoint", dark=True)
    assert found.ranking[0] == "two-threshold"
    chosen = found.recommendation
    assert chosen is not None
    assert chosen.keyed is not None
    assert set(chosen.keyed.display()) == {"on", "off", "high_release", "low_release"}


def test_a_device_in_another_unit_is_refused(tmp_path: Path) -> None:
    other = read_device(device(tmp_path)).model_copy(update={"unit": "mV"})
    with pytest.raises(ParameterError, match="readings are in mV, array is in counts"):
        benched(other, "two-sample-midpoint")


def test_where_no_step_is_sure_the_command_says_so_and_writes_no_setting(tmp_path: Path) -> None:
    """Pieces at 560, a belt at 550 counts: 5 digits of the display apart, in steps of 20."""
    light = line().light[:]
    tight = Recording.from_array(550 + (light - 200) / 70, line().info)
    write_recording(tmp_path / "r.parquet", tight)
    write_truth(tmp_path / "r.passes.parquet", TRUTH)
    words = ["bench", str(tmp_path / "r.parquet"), "--strategy", "two-sample-midpoint", "--draws", "4", "--jobs", "1"]
    asked = [*words, "--device", str(device(tmp_path, step=20)), "--out", str(tmp_path / "out")]
    done = shell.run(*asked, code=3)
    assert done.output.startswith("Cannot be keyed in: two-sample-midpoint")
    assert "The display goes in steps of 20, and none lies safely" in " ".join(done.output.split())
    assert not list((tmp_path / "out").glob("*.setting.json"))
    document = json.loads((tmp_path / "out" / "bench.json").read_text())
    assert document["verdict"]["decision"] == "cannot be keyed in"
    shell.run(*asked, "--json", code=3)


def test_the_setting_that_is_written_is_the_one_to_key_in(tmp_path: Path) -> None:
    write_recording(tmp_path / "r.parquet", line())
    write_truth(tmp_path / "r.passes.parquet", TRUTH)
    known = device(tmp_path)
    words = ["bench", str(tmp_path / "r.parquet"), "--strategy", "two-sample-midpoint", "--draws", "4", "--jobs", "1"]
    done = shell.run(*words, "--device", known, "--out", tmp_path / "out")
    assert len(done.stdout.splitlines()) <= 12
    kept = read_setting(tmp_path / "out" / "r.setting.json")
    told = json.loads((tmp_path / "out" / "bench.json").read_text())["recordings"][0]
    assert told["options"]["device"] == "arm 3"
    shown, light = told["recommended"]["display"], told["recommended"]["light"]
    assert f"{shown['on']:g} on, {shown['off']:g} off on the display" in done.stdout
    assert kept.on_level == pytest.approx(2 * (shown["on"] - 10))
    assert light["on"]["low"] < kept.on_level < light["on"]["high"]
    assert "teachlab card" in done.stderr


def test_costs_decide_which_end_is_worse(tmp_path: Path) -> None:
    known = read_device(device(tmp_path))
    found = benched(known, "two-sample-midpoint", later=-350).recommendation
    assert found is not None
    assert found.keyed is not None
    free = replace(OPTIONS, costs=Costs(miss=0.0, false=1.0))
    end, _, result = found.keyed.worse_end(line(-350), TRUTH, rules=free.rules, costs=free.costs)
    assert (end, result.counts.false_trips) == ("low", 0)
