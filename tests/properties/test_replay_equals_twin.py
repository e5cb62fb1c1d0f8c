"""Replay and scoring equal the plain twin, to the last onset, release and count.

The seeds are all of 0 … 1999, in order; none is left out.
"""

from __future__ import annotations

from collections import Counter
from types import ModuleType
from typing import Any

import pytest

from teachlab.errors import InputError
from teachlab.model.recording import Recording
from teachlab.model.score import Rules
from teachlab.scoring import score
from teachlab.switching import replay

SEEDS = range(2000)
PART = 100


def expected(twin: ModuleType, case: Any) -> tuple[dict[str, Any], dict[str, Any]]:
    replayed = twin.plain_replay(case.values, case.sample_rate, case.setting)
    counts = twin.plain_score(
        replayed,
        case.passes,
        tolerance_ms=case.tolerance_ms,
        uncertainty_samples=case.uncertainty_samples,
    )
    return replayed, counts


def differences(
    twin: ModuleType,
    cases: ModuleType,
    case: Any,
    recording: Recording,
    replayed: dict[str, Any],
    counts: dict[str, Any],
) -> list[str]:
    """Name everything in which the package and the twin differ."""
    output = replay(recording, cases.setting_of(case))
    found = [
        f"{name}: {ours} instead of {theirs}"
        for name, ours, theirs in (
            ("active_at_start", output.active_at_start, replayed["active_at_start"]),
            ("onsets", output.onsets.tolist(), replayed["onsets"]),
            ("releases", output.releases.tolist(), replayed["releases"]),
            ("output", output.output.dense(len(replayed["output"])).tolist(), replayed["output"]),
            ("undelayed", output.undelayed.dense(len(replayed["output"])).tolist(), replayed["undelayed"]),
        )
        if ours != theirs
    ]
    ours = score(output, cases.truth_of(case), rules=Rules(tolerance_ms=case.tolerance_ms)).as_dict()
    found += twin.disagreements(ours, counts)
    lost = ours["lost_rate"]
    if lost["events"] != counts["misses"] + counts["merged"]:
        found.append(f"lost_rate.events: {lost['events']}")
    if lost["trials"] != counts["detect_passes"] - counts["excluded_passes"]:
        found.append(f"lost_rate.trials: {lost['trials']}")
    if ours["detect_passes"] != sum(ours[k] for k in ("hits", "misses", "merged", "excluded_passes")):
        found.append("passes are not conserved")
    kinds = ("hits", "extra", "false_trips", "ignore_false_trips", "excluded_onsets")
    if output.onsets.size != sum(ours[k] for k in kinds):
        found.append("onsets are not conserved")
    return found


@pytest.mark.parametrize("first", range(SEEDS.start, SEEDS.stop, PART))
def test_2000_random_recordings(first: int, twin: ModuleType, cases: ModuleType) -> None:
    wrong = {}
    for seed in range(first, first + PART):
        case = cases.make(seed)
        try:
            replayed, counts = expected(twin, case)
        except ValueError:  # no evaluation reads a valid sample
            with pytest.raises(InputError):
                replay(cases.recording_of(case), cases.setting_of(case))
            continue
        found = differences(twin, cases, case, cases.recording_of(case), replayed, counts)
        if found:
            wrong[seed] = found
    assert wrong == {}


@pytest.mark.parametrize("lengths", [(1,), (7, 1, 30), (64,), (3, 200, 2)])
def test_the_blocks_in_which_samples_come_change_nothing(
    lengths: tuple[int, ...], twin: ModuleType, cases: ModuleType, ragged: Any
) -> None:
    wrong = {}
    for seed in range(0, SEEDS.stop, 37):
        case = cases.make(seed)
        recording = Recording(cases.info_of(case), ragged(case, lengths))
        try:
            replayed, counts = expected(twin, case)
        except ValueError:
            with pytest.raises(InputError):
                replay(recording, cases.setting_of(case))
            continue
        found = differences(twin, cases, case, recording, replayed, counts)
        if found:
            wrong[seed] = found
    assert wrong == {}


def test_the_random_recordings_are_rich(twin: ModuleType, cases: ModuleType) -> None:
    """Every count, every kind of exclusion and every step of the switching occurs in plenty."""
    occurs: Counter[str] = Counter()
    for seed in range(0, SEEDS.stop, 5):
        case = cases.make(seed)
        try:
            replayed, counts = expected(twin, case)
        except ValueError:
            occurs["no valid evaluation"] += 1
            continue
        occurs.update({name: bool(value) for name, value in counts.items()})
        occurs["filter matters"] += replayed["state"] != replayed["filtered"]
        occurs["delays matter"] += replayed["undelayed"] != replayed["output"]
        occurs["void"] += any(replayed["void"])
        occurs["slow"] += len(replayed["reads"]) < replayed["samples"]
        occurs["active at start"] += replayed["active_at_start"]
        touching = any(a[1] == b[0] for a, b in zip(case.passes, case.passes[1:], strict=False))
        occurs["touching passes"] += touching
        spans = [(start, end) for start, end, _ in case.passes]
        covers, _ = twin.windows(replayed, spans, case.tolerance_ms, case.uncertainty_samples)
        occurs["empty pass"] += any(len(cover) == 0 for cover in covers)
    rare = {name: times for name, times in occurs.items() if times < 10}
    assert rare == {}
