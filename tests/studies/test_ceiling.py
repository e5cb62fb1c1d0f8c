"""What hindsight reaches with each kind of setting, on small lines where it is known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from teachlab.data.alignment.answer import Alignment
from teachlab.data.alignment.room import alignment_of
from teachlab.model.following_and_window import WindowSetting
from teachlab.model.recording import Recording, RecordingInfo
from teachlab.model.score import Rules
from teachlab.model.setting import Setting
from teachlab.model.truth import Truth
from teachlab.questions.feasibility import designed_cure
from teachlab.questions.feasibility.tried_cures import TriedCure
from teachlab.scoring import score
from teachlab.studies.figure import unsolved_figure
from teachlab.studies.in_hindsight import ceiling as ceiling_module
from teachlab.studies.in_hindsight.ceiling import COMPLETE, FIXED, FOLLOWING, TWO, ceiling
from teachlab.studies.in_hindsight.unsolved import unsolved_trials
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
    assert by[COMPLETE].errors == by[FOLLOWING].errors == 0
    assert min(by[COMPLETE].setting.on_delay_ms, by[FOLLOWING].setting.on_delay_ms) >= 12
    assert found.least is by[COMPLETE]
    assert found.unsolved == ()
    assert f"{FIXED} 10 (0 lost, 10 too many); {COMPLETE} 0 (0 lost, 0 too many)" in found.sentence()
    for one in found.found:
        n = score(replay(recording, one.setting), truth).counts
        assert (one.lost, one.false) == (n.lost, n.false_trips + n.extra)


def test_who_reaches_what_is_said() -> None:
    recording, truth = line(flashes=True)
    found = ceiling(recording, truth, FIXED_LEVELS).against({"by-hand": 4, "by-eye": 11, "by-ear": 10})
    assert found.reached == {FIXED: ("by-hand", "by-ear"), COMPLETE: (), FOLLOWING: ()}
    assert found.brief() == (
        "Best possible in hindsight, errors: 10 with fixed levels, 0 with filter and delays too, 0 with "
        "levels that follow (no strategy reaches it)."
    )
    assert f"{FIXED} 10 (0 lost, 10 too many) (reached by 2 strategies)" in found.sentence()
    calm = ceiling(*line(), FIXED_LEVELS).against({"by-eye": 0})
    assert calm.brief() == "Best possible in hindsight, errors: 0 with fixed levels (reached by by-eye)."


def unsolved(recording: Recording, truth: Truth, alignment: Alignment | None = None) -> list[tuple[str, int, str, str]]:
    output = replay(recording, FIXED_LEVELS)
    trials = unsolved_trials(recording, truth, output, score(output, truth), alignment=alignment, rules=Rules())
    return [(one.where, one.row, one.what, str(one.cause)) for one in trials]


def test_passes_that_nothing_sees_are_named_with_the_truth_as_cause() -> None:
    recording, truth = line(blank=(3, 8))
    found = ceiling(recording, truth, FIXED_LEVELS)
    assert found.least.kind == FIXED
    assert found.least.lost_rows == (3, 8)
    ending = "None of them is free of errors. In the way: "
    each = "(lost, with under a fifth of the light of a pass)"
    ending += f"pass 3 {each}; pass 8 {each}."
    assert found.sentence().endswith(ending)
    assert found.brief() == (
        "Best possible in hindsight, errors: 2 with fixed levels, no fewer with any other kind. Even the best gets 2 "
        "passes wrong: 2 with under a fifth of the light of a pass."
    )
    assert found.as_dict()["unsolved"][0]["cause"] == "truth"


def test_a_product_that_the_truth_lacks_is_a_gap_with_the_truth_as_cause() -> None:
    recording, truth = line()
    kept = np.arange(20) != 7
    assert unsolved(recording, Truth.from_arrays(truth.start[kept], truth.end[kept])) == [
        ("gap", 6, "tripped", "truth")
    ]


def test_short_flashes_and_weak_light_are_the_light() -> None:
    recording, truth = line()
    light = np.asarray(recording.light[0 : recording.samples]).copy()
    light[truth.start[2] + 100 : truth.start[2] + 104] = 110.0
    light[truth.start[5] : truth.end[5]] = 45.0
    light[truth.start[9] + 20 : truth.start[9] + 30] = 10.0
    assert unsolved(Recording.from_array(light, recording.info), truth) == [
        ("gap", 2, "tripped", "light"), ("pass", 5, "lost", "light"), ("pass", 9, "switched again", "light"),
    ]  # fmt: skip


@pytest.mark.parametrize("measured", [True, False])
def test_a_truth_that_lags_has_its_borders_as_cause(measured: bool) -> None:
    recording, truth = line()
    late = Truth.from_arrays(truth.start + 40, truth.end + 40)
    found = unsolved(recording, late, alignment_of(recording, late) if measured else None)
    assert len(found) == 40
    assert {cause for *_, cause in found} == {"borders"}


def test_what_nothing_solves_is_drawn() -> None:
    recording, truth = line(blank=(3,))
    found = ceiling(recording, truth, FIXED_LEVELS)
    picture = unsolved_figure("line", recording, found.unsolved, found.least.setting)
    assert picture == unsolved_figure("line", recording, found.unsolved, found.least.setting)
    assert b"pass 3: lost, with under a fifth of the light of a pass" in picture


@pytest.mark.parametrize(("left", "told"), [(1, True), (2, False)])
def test_an_average_is_told_where_it_leaves_fewer_errors_than_every_setting(
    left: int, told: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    recording, truth = line(blank=(3, 8))
    mean = TriedCure(kind="averaging", text="an average over 16 evaluations", setting=FIXED_LEVELS, lost=0, false=left)
    monkeypatch.setattr(ceiling_module, "averaging_cure", lambda *args, **kept: mean)
    found = ceiling(recording, truth, FIXED_LEVELS)
    assert found.least.errors == 2
    assert (", 1 with an average over 16 evaluations. Even the best gets 2 passes wrong" in found.brief()) is told
    assert found.sentence().endswith(" With an average over 16 evaluations: 1 (0 lost, 1 too many).") is told
    kept = {"kind": "averaging", "text": mean.text, "lost": 0, "false": left} if told else None
    assert found.as_dict()["averaged"] == kept


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
    monkeypatch.setattr(designed_cure, "MOST_DESIGNED", 10)
    recording, truth = line()
    assert [one.kind for one in ceiling(recording, truth, FIXED_LEVELS).found] == [FIXED, COMPLETE]
    # What was not searched is not called impossible; what a strategy taught is known.
    recording, truth = line(flashes=True)
    alone = ceiling(recording, truth, FIXED_LEVELS)
    not_searched = "Other designs were not searched in so much light: teachlab design does."
    assert alone.brief() == (
        "Best found in hindsight, errors: 10 with fixed levels, 0 with an average over 16 evaluations (16 ms) and the "
        f"level at 97.5 mV. {not_searched} The best gets 10 gaps wrong: 10 by the light."
    )
    delayed = replace(FIXED_LEVELS, on_delay_ms=20.0)
    with_taught = ceiling(recording, truth, FIXED_LEVELS, taught=[FIXED_LEVELS, delayed])
    assert with_taught.brief() == (
        f"Best found in hindsight, errors: 10 with fixed levels, 0 with filter and delays too. {not_searched}"
    )
    assert with_taught.least.setting == delayed
    assert with_taught.as_dict()["searched"] is False
    assert with_taught.sentence().startswith("Best found in hindsight, errors on the 20 scored passes: ")


def test_infinite_light_in_most_gaps_hides_no_weak_pass() -> None:
    """The usual gap is that of the gaps whose light can be calculated with: a pass at 45 over 10 is seen."""
    recording, truth = line()
    light = np.asarray(recording.light[0 : recording.samples]).copy()
    light[truth.start[5] : truth.end[5]] = 45.0
    light[truth.start[[0, 1, 2, 3, *range(6, 17)]] + 100] = np.inf
    found = unsolved(Recording.from_array(light, recording.info), truth)
    assert [one for one in found if one[0] == "pass"] == [("pass", 5, "lost", "light")]
    assert len(found) == 16


def test_errors_behind_the_passes_that_are_not_scored_have_their_own_rows() -> None:
    """Pass 15 of 20 shows nothing; scoring begins with pass 8."""
    start = 100 + 100 * np.arange(20)
    light = np.full(2300, 10.0)
    for k, at in enumerate(start):
        light[at : at + 40] = 10.0 if k == 15 else 80.0
    recording = Recording.from_array(light, RecordingInfo(sample_rate_hz=1000.0, unit="counts"))
    truth, rules = Truth.from_arrays(start, start + 40), Rules(first_pass=8)
    output = replay(recording, Setting(unit="counts", on_level=50, off_level=40))
    found = unsolved_trials(recording, truth, output, score(output, truth, rules=rules), alignment=None, rules=rules)
    assert [(one.row, one.start, str(one.cause)) for one in found] == [(15, 1600, "truth")]


def test_two_thresholds_are_a_kind_of_their_own() -> None:
    """Products on both sides: what a window reaches is no result of fixed levels with a filter."""
    rng = np.random.default_rng(7)
    start = 100 + 120 * np.arange(60)
    light = rng.normal(50, 1, int(start[-1]) + 200)
    for k, at in enumerate(start.tolist()):
        light[at : at + 40] += 25 if k % 2 else -25
    recording = Recording.from_array(light.astype(np.float32), RecordingInfo(sample_rate_hz=1000.0, unit="mV"))
    truth = Truth.from_arrays(start, start + 40)
    fixed = Setting(unit="mV", on_level=62, off_level=62)
    window = WindowSetting.of(fixed, on_level=64, off_level=36, low_release=40, high_release=60)
    found = ceiling(recording, truth, fixed, taught=[window])
    by = {one.kind: one for one in found.found}
    assert by[TWO].errors == 0
    assert by[FIXED].errors == by[COMPLETE].errors == 30
    assert "0 with two thresholds" in found.brief()
