"""A setting on a later recording: each verdict by a line that calls for it, and the command."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shell

from teachlab.data.opening import open_with_passes
from teachlab.data.recording_files import write_recording
from teachlab.data.setting_files import write_setting
from teachlab.data.shipped import datasets_root
from teachlab.data.truth_files import write_truth
from teachlab.errors import ParameterError
from teachlab.model.recording import Origin, Recording, RecordingInfo
from teachlab.model.score import Rules
from teachlab.model.setting import Polarity, Setting
from teachlab.model.truth import Truth, TruthSource
from teachlab.questions.replay import replayed
from teachlab.questions.stale.answer import Stale, Staleness, staleness
from teachlab.questions.stress.reserves import reserves
from teachlab.scoring.scoring import score
from teachlab.switching.run import replay

SETTING = Setting(unit="x", on_level=50.0, off_level=40.0)
Log = tuple[Recording, Truth]


def _log(
    *,
    level: float = 80.0,
    background: float = 20.0,
    lost: int = 0,
    passes: int = 300,
    fall: float = 0.0,
    seed: int = 0,
    lot: int = 0,
    between: float = 0.0,
) -> Log:
    """Passes of 10 samples every 36, one sample in a second; `fall` is the share of light lost over the recording.

    With lots of `lot` passes, the background, from which the level of release is nearest, differs by `between`.
    """
    rng = np.random.default_rng(seed)
    start = np.arange(passes) * 36 + 13
    light = rng.normal(background, 1.0, passes * 36 + 36)
    for k, a in enumerate(start):
        share = 1 - fall * k / passes
        light[a : a + 10] += (
            (25 if k % (passes // lost) == 0 else level * share) - background if lost else (level * share - background)
        )
    names = None
    if lot:
        of = np.arange(passes) // lot
        names = [f"lot {k}" for k in of]
        light[13:-23] += np.repeat(rng.normal(0, between, of[-1] + 1)[of], 36)
    info = RecordingInfo(sample_rate_hz=1.0, unit="x")
    return Recording.from_array(light, info), Truth.from_arrays(start, start + 10, lot=names)


def _found(now: Log, before: Log | None = None, **more: Any) -> Staleness:
    return staleness(SETTING, now, before, **more)


def test_nothing_changed() -> None:
    found = _found(_log(seed=1), _log(seed=2))
    assert found.state is Stale.KEEP
    assert found.across is not None
    assert found.across.alarm is None
    assert [c.figure for c in found.changes] == ["object", "background", "contrast", "margin"]
    assert _found(_log(seed=1)).state is Stale.KEEP
    # Stretches of three passes: of two of them there is a change, with its interval; of one there is none.
    assert [len(_found(_log(passes=n, seed=1), _log(seed=2)).changes) for n in (5, 6)] == [0, 4]


def test_products_that_touch_and_merge_make_nothing_worse() -> None:
    """Every third product lasts until the next one now: 100 of 300 merge, which is no error and no change."""
    recording, truth = _log(seed=2)
    light, end = recording.light[:].copy(), truth.end.copy()
    for k in range(0, 299, 3):
        light[end[k] : truth.start[k + 1]] += 60
        end[k] = truth.start[k + 1]
    now = Recording.from_array(light, recording.info), Truth.from_arrays(truth.start, end)
    scored = score(replay(now[0], SETTING), now[1])
    assert (scored.counts.merged, scored.counts.errors) == (100, 100)
    found = _found(now, _log(seed=1))
    assert found.state is Stale.KEEP
    assert (found.errors, found.now.score.counts.scored_passes) == (0, 200)
    assert (found.now.counts.lost.sum(), found.now.claim.passes) == (0, 200)


def test_passes_are_told_by_their_rows_also_where_some_are_joined_or_to_be_ignored() -> None:
    """Products 0 to 149 are two passes that touch and merge, and the last 30 products are lost: rows 420 to 449."""
    recording, truth = _log(lot=30, seed=2)
    light, half = recording.light[:].copy(), np.arange(150)
    light[truth.start[270] :] = _log(seed=3, level=20.0)[0].light[truth.start[270] :]
    start = np.insert(truth.start, half + 1, truth.start[half] + 5)
    end = np.insert(truth.end, half, truth.start[half] + 5)
    lot = np.insert(truth.lot, half, truth.lot[half])
    now = Recording.from_array(light, recording.info), Truth.from_arrays(start, end, lot=lot)
    found = _found(now, _log(lot=30, seed=1))
    assert found.now.score.lost_rate.events == 30
    losses = found.evidence[0]
    assert (losses.unit, losses.found.units, losses.found.mean) == ("lots", 10, 0.1)
    (place,) = found.now.places
    assert (place.name, place.first_pass, place.last_pass) == ("lot 9", 420, 449)
    assert found.now.clearance is not None
    assert found.now.clearance.row >= 420
    assert found.across is not None
    assert 420 <= (found.across.alarm or 0) < 423
    # The same passes apart, those of the first half to be ignored: they are rows of the table all the same.
    kept = Truth.from_arrays(truth.start, truth.end, detect=np.arange(300) >= 100, lot=truth.lot)
    dark = recording.light[:].copy()
    dark[: truth.start[100] - 5] = 20.0
    dark[truth.start[270] :] -= 15.0
    fallen = _found((Recording.from_array(dark, recording.info), kept), _log(lot=30, seed=1))
    words = fallen.because[0].replace(",", "").split()
    assert " ".join(words[:4] + words[7:]) == "the passes from about keep less distance from the level than before"
    assert 260 <= int(words[4]) <= int(words[6]) < 280


def test_a_change_is_established_by_lots_and_not_by_parts_of_them() -> None:
    """Lots of 60 with objects at 78 to 82, then at 75 to 79: t = 3.0 of 5 lots each, and a quarter of 5 % takes 3.2.

    Of 10 stretches, two for each lot, t would be 4.5, and 2.8 were enough; they establish nothing.
    """

    def log(least: float, seed: int) -> Log:
        recording, truth = _log(lot=60, seed=seed)
        light = recording.light[:].copy()
        for k, a in enumerate(truth.start):
            light[a : a + 10] += least - 80 + k // 60
        return Recording.from_array(light, recording.info), truth

    now, before = log(75.0, 1), log(78.0, 2)
    (change,) = (one for one in _found(now, before).changes if one.figure == "object")
    assert change.change == pytest.approx(-3, abs=0.3)
    assert not change.established
    (unnamed,) = (one for one in _found(*(_unnamed(one) for one in (now, before))).changes if one.figure == "object")
    assert not unnamed.established
    assert unnamed.low < 0 < unnamed.high
    assert [s.passes for s in _found(now, before).now.course.stretches] == [60] * 5


def _unnamed(log: Log) -> Log:
    recording, truth = log
    return recording, Truth.from_arrays(truth.start, truth.end)


def test_keep_says_that_nothing_got_worse_and_not_that_the_setting_is_good() -> None:
    """6 of 300 passes are lost, then as before: that nothing changed is no praise of the setting."""
    clean, bad = _found(_log(seed=1), _log(seed=2)).verdict, _found(_log(lost=6, seed=1), _log(lost=6, seed=2))
    assert clean.about == "the setting in use, nothing is shown to be worse than before"
    assert not any("good" in reason.text for reason in clean.reasons)
    alone = _found(_log(seed=1)).verdict
    assert alone.about == "the setting in use, nothing is shown to get worse in this recording"
    assert bad.state is Stale.WATCH
    assert bad.verdict.reasons[0].text.endswith(". It makes 6 errors on 300 passes, which would still be accepted.")


def test_stale_and_replay_agree_on_the_claim_and_on_few_errors(tmp_path: Path) -> None:
    """14 of 400 passes are too weak, all of them on the half on which the setting was taught and chosen."""
    light, start = np.full(44_100, 10, np.uint16), np.arange(400) * 110 + 40
    for k, a in enumerate(start):
        light[a : a + 40] = 40 if k % 7 == 3 and k < 100 else 90
    path = tmp_path / "line.parquet"
    write_recording(path, Recording.from_array(light, RecordingInfo(sample_rate_hz=1000, unit="counts")))
    truth = Truth.from_arrays(start, start + 40, lot=[f"L{k // 20}" for k in range(400)])
    write_truth(tmp_path / "line.passes.parquet", truth)

    def told(*words: object) -> Any:
        return json.loads(shell.invoke(*words, "--json").stdout)["verdict"]

    told("bench", path, "--strategy", "two-sample-midpoint", "--draws", 3, "--out", tmp_path / "out")
    setting = tmp_path / "out" / "line.setting.json"
    used, kept = (told(command, path, "--setting", setting) for command in ("replay", "stale"))
    assert (used["decision"], kept["decision"]) == ("use", "watch")
    assert used["claim"]["passes"] == kept["claim"]["passes"] < 200
    assert used["claim"]["upper"] == pytest.approx(kept["claim"]["upper"])
    assert "passes are left out, as replay does." in kept["claim"]["text"]


@pytest.mark.parametrize(
    ("source", "origin", "polarity", "told"),
    [
        ("self-labelled", "recorded", "light-on", "passes were lost. Nothing is claimed. The passes were"),
        ("independent", "recorded", "dark-on", "passes were lost. Nothing is claimed. The output is"),
        (
            "independent",
            "synthetic",
            "light-on",
            "0 of 300 passes in 30 lots were lost. At 95 % confidence, at most",
        ),
    ],
)
def test_what_replay_does_not_claim_stale_does_not_either(source: str, origin: str, polarity: str, told: str) -> None:
    recording, truth = _log(lot=10)
    recording = replace(recording, info=replace(recording.info, origin=Origin(origin)))
    truth = replace(truth, source=TruthSource(source))
    setting = replace(SETTING, polarity=Polarity(polarity))
    found = staleness(setting, (recording, truth)).verdict
    assert found.claim is not None
    assert told in found.claim.text
    assert (found.claim.upper is None) == ("Nothing is claimed" in told)
    assert found.rehearsal == (origin == "synthetic")


def test_what_always_lost_as_many_is_not_sent_to_be_cleaned() -> None:
    always, since = _found(_log(lost=60), _log(lost=60, seed=2)), _found(_log(lost=60), _log(seed=2))
    assert always.state is since.state is Stale.RETEACH
    assert always.verdict.decision == "teach again"
    assert always.verdict.about == (
        "the setting in use was poor from the start: 60 errors on 300 passes before, and no change since is shown. "
        "Cleaning is not the cure"
    )
    assert (since.verdict.decision, since.verdict.about) == ("clean or teach again", "the setting in use")


@pytest.mark.parametrize("lots", [5, 8, 20])
def test_unchanged_lines_are_not_said_to_have_changed(lots: int) -> None:
    """A tenth of the passes was always too weak, by lots that differ; then the same line again, with fewer or more."""

    def log(seed: int) -> Log:
        rng, n = np.random.default_rng([lots, seed]), 10 * lots
        start = np.arange(n) * 30 + 10
        weak = rng.random(n) < np.repeat(rng.beta(1, 9, lots), 10)
        light = rng.normal(20, 1, n * 30 + 20)
        for a, height in zip(start, np.where(weak, rng.uniform(5, 25, n), 60 + rng.normal(0, 3, n)), strict=True):
            light[a : a + 10] += height
        names = [f"lot {k // 10}" for k in range(n)]
        info = RecordingInfo(sample_rate_hz=10.0, unit="x")
        return Recording.from_array(light, info), Truth.from_arrays(start, start + 10, lot=names)

    told = [_found(log(2 * k), log(2 * k + 1)) for k in range(20)]
    again = [one for one in told if one.state is Stale.RETEACH]
    assert len(again) > 5
    for one in again:
        assert one.before is not None
        then = one.before.score.counts
        if then.errors > 0.05 * then.scored_passes:
            assert one.verdict.decision == "teach again"
            assert "no change since is shown. Cleaning is not the cure" in one.verdict.about
        else:
            assert one.verdict.reasons[0].text.startswith("No change is shown: ")


def test_reserves_stand_beside_the_margin_of_both() -> None:
    now, before = _log(level=70, seed=1), _log(level=80, seed=2)
    found = _found(now, before)
    for one, log in ((found.now, now), (found.before, before)):
        assert one is not None
        assert one.reserves == reserves(*log, SETTING)
        assert one.as_dict()["reserves"] == one.reserves
    # The level of 50 lies about 20 of 70, and 30 of 80, below the passes, less what the noise takes.
    assert found.now.reserves["contamination_reserve"] == pytest.approx(20 / 70, abs=0.05)
    assert _found(_log(lost=10)).now.reserves["contamination_reserve"] is None


def test_steady_lines_are_kept() -> None:
    found = [_found(_log(seed=k), _log(seed=100 + k)) for k in range(20)]
    # Intervals of all figures hold together in 95 %, and so does the alarm: of 20 about 1 and 1, four are rare.
    assert sum(any(c.established for c in one.changes) for one in found) <= 4
    assert sum(one.state is not Stale.KEEP for one in found) <= 4


def test_a_longer_recording_has_no_smaller_margin() -> None:
    """The smallest of 40 passes lies below the smallest of 4: that is no change of the line."""
    found = [_found(_log(passes=400, seed=k), _log(passes=40, seed=100 + k)) for k in range(8)]
    assert sum(change.established for one in found for change in one.changes if change.figure == "margin") <= 1


def test_a_recording_against_itself_says_that_nothing_changed() -> None:
    demo = open_with_passes(str(datasets_root() / "demo_tubs.parquet"), None)
    assert demo[1] is not None
    assert demo[0].info.digest is not None
    # Without the digest, by which the same light is refused.
    tubs = (Recording(replace(demo[0].info, digest=None), demo[0].source, demo[0].name), demo[1])
    at = Setting(unit="counts", on_level=1256.0, off_level=1071.565)
    for log, setting in ((tubs, at), (_log(lot=15, between=2.0), SETTING), (_log(fall=0.2, seed=3), SETTING)):
        found = staleness(setting, log, log)
        assert found.state is Stale.KEEP
        assert found.across is not None
        assert found.across.alarm is None
        assert not any(c.established or c.change for c in found.changes)


def test_lots_that_differ_are_no_fall_but_a_fall_beyond_them_is() -> None:
    logs = [_log(lot=10, between=1.5, seed=k) for k in range(20)]
    found = [_found(now, before) for now, before in zip(logs[:10], logs[10:], strict=True)]
    # At most one in twenty is meant to alarm; three of ten would be rare.
    assert sum(one.state is not Stale.KEEP for one in found) <= 2
    # The release level of 40 is 20 from the background: at 25 it is 15, three standard deviations of the lots less.
    nearer = _found(_log(lot=10, between=1.5, background=25.0, seed=1), logs[10])
    assert nearer.across is not None
    assert nearer.across.alarm is not None
    assert nearer.across.source == "lots"
    few = _found(_log(lot=100, seed=1), _log(lot=100, seed=2))
    assert (few.state, few.across) == (Stale.KEEP, None)
    assert "too few lots" in few.because[0]


def test_half_of_the_reserve_is_gone() -> None:
    found = _found(_log(level=63, lot=30, seed=1), _log(level=80, lot=30, seed=2))
    assert found.state is Stale.WATCH
    # 17 of 30 above the level, peaks over ten samples in both alike: about 55 %.
    assert any(
        reason.startswith("5") and "% of the light in reserve above the on-level is gone" in reason
        for reason in found.because
    )
    assert any("keep less distance from the level" in reason for reason in found.because)
    change = {c.figure: c for c in found.changes}
    assert change["object"].change == pytest.approx(-17, abs=0.3)
    assert change["object"].established
    assert change["contrast"].change == pytest.approx(-17, abs=0.5)
    assert change["margin"].high < 0
    assert not change["background"].established


def test_a_small_fall_is_found_but_no_reason_to_clean() -> None:
    found = _found(_log(level=76, lot=30, seed=1), _log(level=80, lot=30, seed=2))
    # The nearest level is that of release, 20 from the background: it has not moved.
    assert found.state is Stale.KEEP
    change = {c.figure: c for c in found.changes}
    assert change["object"].established
    assert not change["margin"].established


def test_more_losses_than_before() -> None:
    found = _found(_log(lost=100, seed=1), _log(seed=2))
    assert found.state is Stale.RETEACH
    assert "more passes are lost" in found.because[0]
    # As many as before are no reason by themselves, but they leave no margin.
    same = _found(_log(lost=100, seed=1), _log(lost=100, seed=2))
    assert same.state is Stale.RETEACH
    assert "margin is gone" in same.because[0]


def test_the_least_margin_is_kept_by_a_margin_as_large() -> None:
    log = _log(seed=1)
    margin = _found(log).now.margin.to_noise
    assert margin is not None
    assert _found(log, least_margin=margin).state is Stale.KEEP
    below = _found(log, least_margin=float(np.nextafter(margin, 1e9)))
    assert below.state is Stale.WATCH
    assert "less than" in below.because[0]


def test_the_horizon() -> None:
    # From 80 to 64 in three hours, 50 is less than five hours ahead.
    log = _log(fall=0.2, seed=3)
    assert not any("cleaning" in reason for reason in _found(log, horizon_hours=0.5).because)
    near = _found(log, horizon_hours=8.0)
    assert near.state is Stale.WATCH
    trend = near.now.course.trend
    assert trend is not None
    assert trend.ahead.earliest is not None
    assert f"cleaning may be due in {trend.ahead.earliest:.3g} hours, before the horizon of 8" in near.because
    # The weakest tenth follows ln(80/64) in three hours to ln(64/50): 3.3 hours.
    assert trend.ahead.estimate == pytest.approx(3 * np.log(64 / 50) / np.log(80 / 64), rel=0.1)


def test_too_few_passes_and_bad_parameters() -> None:
    assert _found(_log(passes=15)).state is Stale.NOT_ENOUGH
    with pytest.raises(ParameterError, match="horizon-hours"):
        _found(_log(), horizon_hours=0.0)


def _files(folder: Path, name: str, log: Log) -> str:
    write_recording(folder / f"{name}.parquet", log[0])
    write_truth(folder / f"{name}.passes.parquet", log[1])
    return str(folder / f"{name}.parquet")


def test_the_command(tmp_path: Path) -> None:
    now, before = _files(tmp_path, "now", _log(lost=100, seed=1)), _files(tmp_path, "before", _log(seed=2))
    path = tmp_path / "setting.json"
    path.write_text(json.dumps({"schema": 1, "unit": "x", "on_level": 50, "off_level": 40, "polarity": "light-on"}))
    document = shell.document("stale", now, "--setting", path, "--before", before, code=1)
    assert document["state"] == "clean or teach again"
    assert document["now"]["lost_rate"]["events"] == 100
    assert len(document["before"]["blocks"]) == 10
    result = shell.run("stale", before, "--setting", path)
    assert result.stdout.startswith("Keep: ")
    shell.run("stale", tmp_path / "setting.json", "--setting", path, code=2)


def _edited(log: Log, at: list[int], height: float, length: int = 3) -> Log:
    """The same light with something that switches, or hides a pass, from these samples on."""
    light = log[0].read(0, log[0].samples).as_float()
    for k in at:
        light[k : k + length] = height
    return Recording.from_array(light, log[0].info), log[1]


def test_ten_of_ten_lost_is_a_verdict_and_ten_of_ten_hit_is_not() -> None:
    gone = _found(_log(level=30.0, passes=10, seed=1))
    assert gone.state is Stale.RETEACH
    assert gone.because[0] == "10 of 10 passes are lost, more than 5 % in this recording, up to pass 9"
    before = _found(_log(level=30.0, passes=10, seed=1), _log(seed=2))
    assert before.state is Stale.RETEACH
    assert _found(_log(passes=10, seed=1)).state is Stale.NOT_ENOUGH
    # Also where the ten come from two lots, of which shares say less.
    lots = _found(_log(level=30.0, passes=10, lot=5, seed=1))
    assert lots.state is Stale.RETEACH
    assert lots.because[0].startswith("10 of 10 passes are lost")


def test_trips_that_were_none_are_named_with_where() -> None:
    quiet, now = _log(seed=2), _log(seed=1)
    # 67 trips in the one gap between passes 100 and 101, which is long: passes 101 to 110 did not come.
    start = now[1].start
    one_gap = now[0], now[1].select(np.r_[0:101, 121:300])
    begin = int(now[1].end[100]) + 5
    light = one_gap[0].read(0, one_gap[0].samples).as_float()
    light[int(now[1].end[100]) : int(start[121])] = 20.0
    one_gap = _edited((Recording.from_array(light, now[0].info), one_gap[1]), [begin + 10 * k for k in range(67)], 80.0)
    found = _found(one_gap, quiet)
    assert found.now.score.counts.false_trips == 67
    # One cause, whatever it was, is watched: one gap of 280 is no evidence that gaps trip.
    assert found.state is Stale.WATCH
    above = "in 3.01 h; 0 before, in 3.01 h: more than one in twenty passes"
    assert found.because[0] == f"67 false trips in 1 gap now, {above}"
    place = found.now.places[0]
    assert (place.what, place.where, place.count, place.of, place.first_pass) == ("trips", "gap", 67, 67, 100)
    # 67 trips in 67 gaps, from pass 120 on, are no burst: no margin is left, and the trips are named beside it.
    spread = _found(_edited(now, (now[1].end[120:187] + 8).tolist(), 80.0), quiet)
    assert spread.state is Stale.RETEACH
    assert spread.because[0].startswith("the margin is gone: the strongest gaps lie ")
    assert spread.because[0].endswith(" times the noise on the wrong side of the level")
    assert spread.because[-1] == f"67 false trips in 67 gaps now, {above}"
    # 10 of them are fewer than is accepted, and no test shows more without lots: what is seen is told.
    ten = (now[1].end[120:240:12] + 8).tolist()
    seen = _found(_edited(now, ten, 80.0), quiet)
    told = "10 false trips in 10 gaps now, in 3.01 h; 0 before, in 3.01 h"
    assert seen.because[-1] == f"{told}: not shown to be more than before"
    # One in each of ten lots is more than in none of ten.
    lots = [
        Truth.from_arrays(log[1].start, log[1].end, lot=[f"lot {k // 30}" for k in range(300)]) for log in (now, quiet)
    ]
    ten = (now[1].end[5::30] + 8).tolist()
    shown = _found((_edited(now, ten, 80.0)[0], lots[0]), (quiet[0], lots[1]))
    told = "10 of 301 gaps trip now, 0 of 301 before: more than chance, by 10 and 10 lots"
    assert shown.because[0] == f"{told}, unless the line drifts more slowly than a recording lasts"
    assert shown.state is Stale.WATCH
    # In every gap from pass 120 on: that is evidence, and it says from which pass on.
    every = _found(_edited(now, (now[1].end[120:] + 8).tolist(), 80.0), quiet)
    assert any("gaps trip" in reason for reason in every.because)
    trips = every.evidence[1]
    assert trips.reached_pass is not None
    assert trips.reached_pass == 269  # the end of the fifth stretch of 30 that trips throughout
    assert trips.reached_sample == int(now[1].start[trips.reached_pass])
    # As many as before are no news.
    assert not any("trip" in reason for reason in _found(quiet, quiet).because)


def test_the_first_stretch_is_looked_at_too() -> None:
    """Dirt at the begin, wiped off after pass 60: nothing later tells, and the first passes were the level."""
    rng = np.random.default_rng(3)
    clean, dirty = _log(seed=6), _log(level=62.0, background=32.0, seed=int(rng.integers(100)))
    until = int(clean[1].start[60]) - 5
    light = clean[0].read(0, clean[0].samples).as_float()
    light[:until] = dirty[0].read(0, until).as_float()
    found = _found((Recording.from_array(light, clean[0].info), clean[1]))
    assert found.state is Stale.WATCH
    said = [reason for reason in found.because if " up to about pass " in reason]
    assert len(said) == 1
    assert 50 <= int(said[0].split()[6]) <= 65
    assert not any("up to about" in reason for reason in _found(clean).because)


def test_evidence_by_lots_by_stretches_and_by_few_passes() -> None:
    stretches = _found(_log(lost=100, seed=1), _log(seed=2)).evidence[0]
    lots = _found(_log(lost=100, lot=10, seed=1), _log(lot=10, seed=2)).evidence[0]
    assert (stretches.unit, lots.unit) == ("stretches", "lots")
    assert (stretches.found.units, lots.found.units) == (10, 30)
    few = _found(_log(level=30.0, passes=6)).evidence[0]
    assert (few.unit, few.found.units, few.reached_pass) == ("passes", 6, 1)
    # Passes 0, 3, 6 … are lost. Before, none of 300 was: with rare bad lots allowed for, at most 12 %.
    assert stretches.found.limit == pytest.approx(_found(_log(seed=2)).now.lost_limits[1])
    assert lots.found.mean == pytest.approx(1 / 3, abs=0.01)


def test_all_lost_is_a_hundred_percent_in_words(tmp_path: Path) -> None:
    now, before = _files(tmp_path, "now", _log(level=30.0, passes=10, seed=1)), _files(tmp_path, "b", _log(seed=2))
    path = tmp_path / "setting.json"
    path.write_text(json.dumps({"schema": 1, "unit": "x", "on_level": 50, "off_level": 40, "polarity": "light-on"}))
    said = shell.run("stale", now, "--setting", path, "--before", before, code=1)
    assert "10 of 10 passes were lost. Nothing is claimed. The output never switches on." in " ".join(
        said.stdout.split()
    )
    assert "e+" not in said.stdout


def test_a_recording_is_not_compared_with_itself(tmp_path: Path) -> None:
    """It said "Keep: nothing is shown to be worse than before" of one file, named twice."""
    now = _files(tmp_path, "now", _log(seed=1))
    path = tmp_path / "setting.json"
    path.write_text(json.dumps({"schema": 1, "unit": "x", "on_level": 50, "off_level": 40, "polarity": "light-on"}))
    said = shell.run("stale", now, "--setting", path, "--before", now, code=2)
    assert "so it cannot show a change. Name the recording on which" in " ".join(said.stderr.split())


def test_gaps_alone_show_no_margin_and_no_reserve(tmp_path: Path) -> None:
    """No pass holds valid light: that the gaps lie far below the level says nothing about the objects."""
    recording, truth = _log(passes=30)
    light = np.asarray(recording.light[0 : recording.samples]).copy()
    for a, b in zip(truth.start, truth.end, strict=True):
        light[a:b] = np.nan
    blind = Recording.from_array(light, recording.info), truth
    found = _found(blind)
    assert (found.state, found.because) == (Stale.NOT_ENOUGH, ("0 passes were scored, 20 are needed",))
    now = found.as_dict()["now"]
    assert (now["margin"], now["reserves"], now["clearance"]) == (None, None, None)
    write_recording(tmp_path / "l.parquet", blind[0])
    write_truth(tmp_path / "l.passes.parquet", truth)
    write_setting(tmp_path / "s.json", SETTING)
    asked = ["stale", str(tmp_path / "l.parquet"), "--setting", str(tmp_path / "s.json"), "--details"]
    shown = shell.run(*asked, code=3)
    assert "reserves" not in shown.stdout
    assert "100 %" not in shown.stdout.split("margins in the noise")[1]
    # Beside a recording that was scored only that one has a row.
    both = _found(blind, _log(seed=2))
    assert both.before is not None
    assert both.before.margin is not None
    assert both.now.margin is None


def _irregular(shift: int = 0, *, held: int = 0, still: range = range(0)) -> Log:
    """60 passes of 40 samples at irregular times, in lots of 6; the table is `shift` samples late.

    A product stands for `held` samples in the gap after pass 30; the log stands still in the passes `still`.
    """
    rng = np.random.default_rng(5)
    start = np.cumsum(rng.integers(150, 260, 60))
    start[31:] += held
    light = rng.normal(20, 0.5, int(start[-1]) + 400)
    for at in start:
        light[at : at + 40] += 60
    light[start[30] + 40 : start[30] + 40 + held] += 60
    for k in still:
        light[start[k] - 30 : start[k] + 70] = light[start[k] - 31]
    info = RecordingInfo(sample_rate_hz=1000.0, unit="x")
    start += shift
    return Recording.from_array(light, info), Truth.from_arrays(
        start, start + 40, lot=[f"L{k // 6}" for k in range(60)]
    )


def test_an_output_active_for_most_of_the_gap_time_is_of_no_use_without_an_error_too() -> None:
    """The widened windows take the onset at the end of each pass for its hit: it said watch, with exit code 0."""
    inverted = replace(SETTING, polarity=Polarity.DARK_ON)
    found = staleness(inverted, _irregular(), rules=Rules(tolerance_ms=3))
    assert (found.errors, found.now.score.probably_inverted) == (0, True)
    assert found.state is Stale.RETEACH
    both = staleness(inverted, _irregular(), _irregular(), rules=Rules(tolerance_ms=3))
    assert "its output was active for most of the gap time before, too" in both.verdict.about


@pytest.mark.parametrize(
    ("log", "why"),
    [
        (_irregular(70), "The passes do not lie where the light is"),
        (_irregular(held=60_000), "That gap lasts from 6.2 s after the start on."),
        (_irregular(still=range(20, 26)), "The log stands still in 6 lost passes"),
    ],
)
def test_what_shows_nothing_about_the_setting_does_not_condemn_or_keep_it(log: Log, why: str) -> None:
    """Passes beside the light asked to clean, one gap that stays active was kept: replay decides neither."""
    for found in (_found(log), _found(log, _irregular())):
        assert found.state is Stale.NOT_ENOUGH
        assert found.because[0].startswith(why)
    assert replayed(*log, SETTING).verdict.decision == "cannot be decided"


def test_passes_before_that_lie_beside_the_light_are_no_measure() -> None:
    found = _found(_irregular(), _irregular(70))
    assert found.state is Stale.NOT_ENOUGH
    assert found.because[0].startswith("Before: the passes do not lie where the light is")


def test_a_sensor_that_sees_nothing_is_still_to_be_cleaned() -> None:
    """Its passes have no edges to lie at: that is no fault of the table."""
    recording, truth = _irregular()
    noise = np.random.default_rng(1).normal(20, 0.5, recording.samples)
    assert _found((Recording.from_array(noise, recording.info), truth)).state is Stale.RETEACH


def test_the_command_leads_to_align_where_the_passes_lie_beside_the_light(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    recording, truth = _irregular(70)
    write_recording("now.parquet", recording)
    write_truth("now.passes.parquet", truth)
    write_setting("setting.json", SETTING)
    done = shell.run("stale", "now.parquet", "--setting", "setting.json", code=3, env={"COLUMNS": "100"})
    lines = done.stdout.splitlines()
    assert lines[0].startswith("Your passes lag the light by 70.0 ± 0.5 ms.")
    assert lines[-1] == "Next: teachlab align now.parquet --out now-aligned.parquet"
    assert "lost" not in done.stdout
