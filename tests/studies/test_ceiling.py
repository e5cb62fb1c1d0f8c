"""What hindsight reaches with each kind of setting, on small lines where it is known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from teachlab.model.recording import Recording, RecordingInfo
from teachlab.model.score import Rules
from teachlab.model.setting import Setting
from teachlab.model.truth import Truth
from teachlab.scoring import score
from teachlab.studies import ceiling as ceiling_module
from teachlab.studies.ceiling import COMPLETE, FIXED, FOLLOWING, ceiling
from teachlab.switching import replay

FIXED_LEVELS = Setting(unit="mV", on_level=60.0, off_level=50.0)


def line(*, flashes: bool = False, blank: tuple[int, ...] = ()) -> tuple[Recording, Truth]:
    """Twenty passes of 60 ms at 110 above gaps at 10; flashes as high for 12 ms between them; some without light."""
    start = 100 + 160 * np.arange(20)
    light: NDArray[np.float64] = 10.0 + np.resize([0.0, 1, 0, -1], int(start[-1]) + 160)
    for k, a in enumerate(start):
        light[a : a + 60] += 0 if k in blank else 100
        if flashes and k % 2:
            light[a + 100 : a + 112] = 110.0
    info = RecordingInfo(sample_rate_hz=1000.0, unit="mV")
    return Recording.from_array(light, info), Truth.from_arrays(start, start + 60)


def test_a_delay_reaches_what_no_level_does() -> None:
    recording, truth = line(flashes=True)
    found = ceiling(recording, truth, FIXED_LEVELS)
    by = {one.kind: one for one in found.found}
    assert (by[FIXED].lost, by[FIXED].false) == (0, 10)
    assert by[COMPLETE].errors == 0
    assert by[COMPLETE].setting.on_delay_ms >= 12
    assert FOLLOWING not in by  # it cannot be taught where gaps are as bright as passes
    assert found.least is by[COMPLETE]
    assert f"{FIXED} 10 (0 lost, 10 too many); {COMPLETE} 0 (0 lost, 0 too many)" in found.sentence()
    for one in found.found:
        n = score(replay(recording, one.setting), truth).counts
        assert (one.lost, one.false) == (n.lost, n.false_trips + n.extra)


def test_passes_that_nothing_sees_are_named() -> None:
    recording, truth = line(blank=(3, 8))
    found = ceiling(recording, truth, FIXED_LEVELS)
    assert found.least.kind == FIXED
    assert found.least.lost_rows == (3, 8)
    assert found.sentence().endswith("None of them is free of errors: passes 3, 8 stand against it.")


def test_only_scored_passes_count() -> None:
    recording, truth = line(blank=(3,))
    found = ceiling(recording, truth, FIXED_LEVELS, rules=Rules(first_pass=5))
    assert found.passes == 15
    assert [(one.kind, one.errors) for one in found.found] == [(FIXED, 0), (COMPLETE, 0), (FOLLOWING, 0)]


def test_a_complete_setting_is_never_worse_than_its_levels() -> None:
    recording, truth = line(flashes=True)
    best = replace(FIXED_LEVELS, on_delay_ms=20.0)
    by = {one.kind: one for one in ceiling(recording, truth, best).found}
    assert by[COMPLETE].errors <= by[FIXED].errors == 0


def test_long_recordings_are_not_designed_in_memory(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(ceiling_module, "MOST_SAMPLES", 10)
    recording, truth = line()
    assert [one.kind for one in ceiling(recording, truth, FIXED_LEVELS).found] == [FIXED, COMPLETE]
