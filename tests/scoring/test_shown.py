"""What was shown while teaching leaves out its trial and one on either side, against a plain loop over trials."""

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from teachlab.model.recording import Recording, RecordingInfo
from teachlab.model.score import Outcome, Rules
from teachlab.model.setting import Setting, Taught
from teachlab.model.truth import Truth
from teachlab.scoring.claimable import claimable
from teachlab.scoring.scoring import score
from teachlab.switching.run import replay

SETTING = Setting(unit="x", on_level=50.0, off_level=40.0)


def left_out(spans: list[tuple[int, int]], samples: int, shown: tuple[int, int], tolerance_ms: float) -> set[int]:
    """Rows of passes that no claim may use; all passes are seen, at a rate of 1 kHz."""
    light = np.zeros(samples)
    for a, b in spans:
        light[a:b] = 100.0
    start, end = np.array(spans).T
    recording = Recording.from_array(light, RecordingInfo(sample_rate_hz=1000.0, unit="x"))
    truth = Truth.from_arrays(start, end)
    drawn = {"object": {"at_sample": shown[0], "to_sample": shown[1]}}
    taught = replace(SETTING, taught=Taught(strategy="x", evidence={"drawn": drawn}))
    result = score(replay(recording, SETTING), truth, rules=Rules(tolerance_ms=tolerance_ms))
    kept = claimable(recording, truth, taught, result, copies=()).trials.passes
    before = result.trials.passes == Outcome.EXCLUDED
    return set(np.flatnonzero((kept == Outcome.EXCLUDED) & ~before & (result.trials.passes == Outcome.HIT)).tolist())


@pytest.mark.parametrize(
    ("gap", "tolerance_ms", "rows"),
    [
        (10, 0.0, {2}),  # its neighbours are gaps
        (10, 5.0, {1, 2, 3}),  # the windows fill the gaps: its neighbours are passes
    ],
)
def test_the_neighbours_of_a_pass_are_the_next_trials(gap: int, tolerance_ms: float, rows: set[int]) -> None:
    spans = [(30 + k * (20 + gap), 50 + k * (20 + gap)) for k in range(6)]
    assert left_out(spans, 400, (spans[2][0] + 5, spans[2][0] + 10), tolerance_ms) == rows


def test_a_gap_of_no_length_is_no_neighbour() -> None:
    # Passes 1 and 2 touch. The light falls between them, so that both are seen.
    spans = [(30, 50), (70, 90), (90, 110), (130, 150)]
    light = np.zeros(200)
    for a, b in spans:
        light[a + 2 : b - 2] = 100.0
    recording = Recording.from_array(light, RecordingInfo(sample_rate_hz=1000.0, unit="x"))
    truth = Truth.from_arrays(*np.array(spans).T)
    drawn = {"object": {"at_sample": 75, "to_sample": 80}}
    taught = replace(SETTING, taught=Taught(strategy="x", evidence={"drawn": drawn}))
    result = score(replay(recording, SETTING), truth)
    found = claimable(recording, truth, taught, result, copies=())
    assert result.counts.hits == 4
    assert found.left_out["shown"] == 2
    assert np.flatnonzero(found.trials.passes == Outcome.EXCLUDED).tolist() == [1, 2]


@settings(max_examples=150, deadline=None)
@given(st.data())
def test_equal_to_a_loop_over_trials(data: st.DataObject) -> None:
    lengths = data.draw(st.lists(st.tuples(st.integers(1, 12), st.integers(5, 12)), min_size=1, max_size=8))
    tolerance = data.draw(st.integers(0, 6))
    spans, at = [], 20
    for gap, long in lengths:
        spans.append((at + gap, at + gap + long))
        at += gap + long
    samples = at + 20
    first = data.draw(st.integers(0, samples - 2))
    last = data.draw(st.integers(first + 1, samples))

    trials: list[tuple[int | None, int, int]] = []
    end = -tolerance
    for row, (a, b) in enumerate(spans):
        if a - end > 2 * tolerance:
            trials.append((None, end, a))
        trials.append((row, a, b))
        end = b
    trials.append((None, end, samples))
    held = [a < last and b > first for _, a, b in trials]
    filled = [
        (row, row + 1)
        for row, ((_, b), (a, _)) in enumerate(pairwise(spans))
        if a - b <= 2 * tolerance and b < last and a > first
    ]
    for k, (row, _, _) in enumerate(trials):
        held[k] = held[k] or any(row in pair for pair in filled)
    near = {
        row
        for k, (row, _, _) in enumerate(trials)
        if row is not None and (held[k] or (k > 0 and held[k - 1]) or held[k + 1])
    }
    assert left_out(spans, samples, (first, last), float(tolerance)) == near
