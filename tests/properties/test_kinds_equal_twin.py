"""Settings of schemas 2 and 3 equal the plain twin to the bit: output, scores, and every value of the reference."""

from __future__ import annotations

import json
from collections import Counter
from types import ModuleType
from typing import Any

import numpy as np
import pytest

from teachlab.data.setting_files import setting_from_dict, setting_text
from teachlab.errors import InputError
from teachlab.model.recording import Recording, RecordingInfo
from teachlab.model.score import Rules
from teachlab.scoring import score
from teachlab.switching import replay, replay_family

SEEDS = range(1000)
PART = 100


def wrong_in(twin: ModuleType, cases: ModuleType, case: Any, plain_setting: dict[str, Any]) -> list[str] | None:
    """Name all differences; None where nothing can be replayed."""
    recording, setting = cases.recording_of(case), setting_from_dict(plain_setting, "case")
    if json.loads(setting_text(setting)) != {**plain_setting, "taught": None}:
        return ["the JSON form is not what was read"]
    try:
        plain = twin.plain_replay(case.values, case.sample_rate, plain_setting)
    except ValueError:
        with pytest.raises(InputError):
            replay(recording, setting)
        return None
    counts = twin.plain_score(
        plain, case.passes, tolerance_ms=case.tolerance_ms, uncertainty_samples=case.uncertainty_samples
    )
    output = replay(recording, setting)
    count = len(plain["output"])
    pairs: dict[str, tuple[Any, Any]] = {
        "active_at_start": (output.active_at_start, plain["active_at_start"]),
        "onsets": (output.onsets.tolist(), plain["onsets"]),
        "releases": (output.releases.tolist(), plain["releases"]),
        "output": (output.output.dense(count).tolist(), plain["output"]),
        "undelayed": (output.undelayed.dense(count).tolist(), plain["undelayed"]),
    }
    if plain["reference"] is not None:
        theirs, ours = plain["reference"], output.followed
        assert ours is not None
        path = [*theirs["path"], theirs["last"]]
        pairs |= {
            "last": (ours.last, theirs["last"]),
            "lowest": (ours.lowest, min(path)),
            "highest": (ours.highest, max(path)),
            "reference releases": (ours.releases.tolist(), theirs["releases"]),
            "alarm": (ours.alarm.dense(count).tolist(), theirs["alarm"]),
        }
    found = [f"{name}: {ours} instead of {theirs}" for name, (ours, theirs) in pairs.items() if ours != theirs]
    told = score(output, cases.truth_of(case), rules=Rules(tolerance_ms=case.tolerance_ms)).as_dict()
    found += twin.disagreements(told, counts)
    if told["detect_passes"] != sum(told[k] for k in ("hits", "misses", "merged", "excluded_passes")):
        found.append("passes are not conserved")
    if output.onsets.size != sum(
        told[k] for k in ("hits", "extra", "false_trips", "ignore_false_trips", "excluded_onsets")
    ):
        found.append("onsets are not conserved")
    return found


@pytest.mark.parametrize("first", range(SEEDS.start, SEEDS.stop, PART))
@pytest.mark.parametrize("kind", ["following_of", "window_of", "turning_of"])
def test_1000_random_recordings(first: int, kind: str, twin: ModuleType, cases: ModuleType, kinds: ModuleType) -> None:
    wrong = {}
    for seed in range(first, first + PART):
        case = cases.make(seed)
        found = wrong_in(twin, cases, case, getattr(kinds, kind)(case))
        if found:
            wrong[seed] = found
    assert wrong == {}


def test_the_random_settings_are_rich(twin: ModuleType, cases: ModuleType, kinds: ModuleType) -> None:
    """Every rule of the follower and the window decides something in plenty of cases."""
    occurs: Counter[str] = Counter()
    for seed in range(0, SEEDS.stop, 5):
        case = cases.make(seed)
        chosen = kinds.following_of(case)
        try:
            plain = twin.plain_replay(case.values, case.sample_rate, chosen)
        except ValueError:
            continue
        reference = plain["reference"]
        occurs["moves"] += len(set(reference["path"])) > 1
        occurs["released"] += bool(reference["releases"])
        occurs["alarm"] += any(reference["alarm"])
        occurs["edges"] += bool(plain["onsets"])
        for name, other in (
            ("freeze", True),
            ("freeze", False),
            ("guard", None),
            ("slew_per_s", None),
            ("release_after_ms", None),
            ("freeze_hold_ms", 0.0),
        ):
            changed = twin.plain_replay(case.values, case.sample_rate, {**chosen, name: other})
            occurs[f"{name} {other}"] += changed["reference"]["path"] != reference["path"]
        still = twin.plain_replay(case.values, case.sample_rate, case.setting | {k: chosen[k] for k in LEVELS})
        occurs["state differs from fixed levels"] += still["state"] != plain["state"]
        window = kinds.window_of(case)
        both = twin.plain_replay(case.values, case.sample_rate, window)["state"]
        turning = kinds.turning_of(case)
        seen = twin.plain_replay(case.values, case.sample_rate, turning)["state"]
        occurs[f"turning points, {turning['form']}, {turning['direction']}"] += len(set(seen)) > 1
        one = twin.plain_replay(
            case.values,
            case.sample_rate,
            case.setting | {"on_level": window["on_level"], "off_level": window["high_release"]},
        )
        occurs["the lower threshold matters"] += both != one["state"]
    rare = {name: times for name, times in occurs.items() if times < 10}
    assert rare == {}


LEVELS = ("on_level", "off_level")


@pytest.mark.parametrize("lengths", [(1,), (7, 1, 30), (64,)])
def test_the_blocks_in_which_samples_come_change_nothing(
    lengths: tuple[int, ...], cases: ModuleType, kinds: ModuleType, ragged: Any
) -> None:
    for seed in range(0, SEEDS.stop, 13):
        case = cases.make(seed)
        for plain_setting in (kinds.following_of(case), kinds.window_of(case), kinds.turning_of(case)):
            setting = setting_from_dict(plain_setting, "case")
            whole, parts = cases.recording_of(case), Recording(cases.info_of(case), ragged(case, lengths))
            try:
                a = replay(whole, setting)
            except InputError:
                continue
            b = replay(parts, setting)
            assert (a.output.first, a.output.edges.tolist()) == (b.output.first, b.output.edges.tolist()), seed
            assert (a.followed is None) == (b.followed is None)
            if a.followed is not None and b.followed is not None:
                assert a.followed.last == b.followed.last, seed


def test_a_family_of_all_kinds_equals_replay_of_each(cases: ModuleType, kinds: ModuleType) -> None:
    for seed in range(0, SEEDS.stop, 29):
        case = cases.make(seed)
        settings = [
            cases.setting_of(case),
            setting_from_dict(kinds.window_of(case), "case"),
            setting_from_dict(kinds.following_of(case), "case"),
            setting_from_dict(kinds.turning_of(case), "case"),
            setting_from_dict(kinds.turning_of(case) | {"return_share": 0.4}, "case"),
            cases.setting_of(case),
        ]
        recording = cases.recording_of(case)
        try:
            alone = [replay(recording, s) for s in settings]
        except InputError:
            continue
        together = list(replay_family(recording, settings))
        assert [o.setting for o in together] == settings
        for one, other in zip(alone, together, strict=True):
            assert one.output.edges.tolist() == other.output.edges.tolist()
            assert one.output.first == other.output.first


@pytest.mark.parametrize("follow", ["offset", "window"])
def test_mirrored_light_gives_the_same_output(follow: str, cases: ModuleType) -> None:
    """``x → 512 − x`` with every level at the first sample value outside the mirrored band."""
    moved = 0
    for seed in range(300):
        rng = np.random.default_rng([seed, 3])
        walk = np.clip(np.cumsum(rng.integers(-6, 7, 600)), -100, 100)
        light = (200 + walk + 60 * (np.arange(600) // 40 % 3 == 1)).astype(np.int16)
        info = RecordingInfo(sample_rate_hz=1000.0, unit="counts")
        common = {"schema": 2, "unit": "counts", "consecutive": int(rng.integers(1, 4)), "on_delay_ms": 2.0}
        if follow == "offset":
            # Means of 32 whole numbers and steps of a power of two are exact: the reference mirrors to the bit,
            # and stays between sample values, so that no light is ever on a moved level.
            rise = {
                "kind": "following",
                "follow": "offset",
                "reference": 200.25,
                "low_limit": 60.25,
                "high_limit": 380.25,
                "freeze": False,
                "time_constant_ms": 96.0,
                "update_evaluations": 32,
                "on_level": 240.3,
                "off_level": 230.3,
                "polarity": "light-on",
            }
            dip = rise | {
                "reference": 512 - 200.25,
                "low_limit": 512 - 380.25,
                "high_limit": 512 - 60.25,
                "on_level": 512 - 230.3,
                "off_level": 512 - 240.3,
                "polarity": "dark-on",
            }
        else:
            low, low_release, high_release, high = sorted(int(v) for v in rng.integers(140, 320, 4))
            rise = {
                "kind": "window",
                "polarity": "light-on",
                "off_level": low,
                "low_release": low_release,
                "high_release": high_release,
                "on_level": high,
            }
            dip = rise | {
                "off_level": 512 - high + 1,
                "low_release": 512 - high_release + 1,
                "high_release": 512 - low_release + 1,
                "on_level": 512 - low + 1,
            }
        a = replay(Recording.from_array(light, info), setting_from_dict(common | rise, "rise"))
        b = replay(Recording.from_array(512 - light, info), setting_from_dict(common | dip, "dip"))
        assert a.output.edges.tolist() == b.output.edges.tolist(), seed
        assert a.output.first == b.output.first
        moved += a.output.edges.size > 0
    assert moved > 200
