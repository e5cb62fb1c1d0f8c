"""What was shown while teaching leaves out its trial and one on either side, against a plain loop over trials."""

from dataclasses import replace

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


def left_out(
    spans: list[tuple[int, int]], samples: int, shown: tuple[int, int], tolerance_ms: float, lag: int = 0
) -> tuple[set[int], set[int]]:
    """Rows of passes, and of passes before gaps, that no claim may use; all passes are seen, at a rate of 1 kHz."""
    light = np.zeros(samples)
    for a, b in spans:
        light[a:b] = 100.0
    start, end = np.array(spans).T
    recording = Recording.from_array(light, RecordingInfo(sample_rate_hz=1000.0, unit="x"))
    truth = Truth.from_arrays(start, end)
    drawn = {"object": {"at_sample": shown[0], "to_sample": shown[1]}}
    setting = replace(SETTING, consecutive=lag + 1)
    taught = replace(setting, taught=Taught(strategy="x", evidence={"drawn": drawn}))
    rules = Rules(tolerance_ms=tolerance_ms)
    result = score(replay(recording, setting), truth, rules=rules)
    kept = claimable(recording, truth, taught, result, rules=rules, copies=()).trials
    passes, gaps = (
        np.flatnonzero((after == Outcome.EXCLUDED) & (before != Outcome.EXCLUDED))
        for after, before in ((kept.passes, result.trials.passes), (kept.gaps, result.trials.gaps))
    )
    return set(passes.tolist()), set(kept.gap_after[gaps].tolist())


@pytest.mark.parametrize(
    ("gap", "tolerance_ms", "rows"),
    [
        (10, 0.0, {2}),  # its neighbours are gaps
        (10, 5.0, {1, 2, 3}),  # the windows fill the gaps: its neighbours are passes
    ],
)
def test_the_neighbours_of_a_pass_are_the_next_trials(gap: int, tolerance_ms: float, rows: set[int]) -> None:
    spans = [(30 + k * (20 + gap), 50 + k * (20 + gap)) for k in range(6)]
    assert left_out(spans, 400, (spans[2][0] + 5, spans[2][0] + 10), tolerance_ms)[0] == rows


def test_what_was_shown_in_the_widened_part_of_a_window_was_shown_in_that_of_its_pass() -> None:
    """Only the gap after pass 2 was left out: the one before it, the other neighbour, stayed in the claim."""
    spans = [(30 + k * 60, 50 + k * 60) for k in range(6)]
    assert left_out(spans, 500, (spans[2][1] + 1, spans[2][1] + 3), 5.0) == ({2}, {1, 2})
    assert left_out(spans, 500, (spans[2][1] + 1, spans[2][1] + 3), 0.0, lag=4) == ({2}, {1, 2})
    assert left_out(spans, 500, (spans[2][1] + 6, spans[2][1] + 8), 5.0) == ({2, 3}, {2})


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
    tolerance, lag = data.draw(st.integers(0, 6)), data.draw(st.integers(0, 4))
    spans, at = [], 20
    for gap, long in lengths:
        spans.append((at + gap, at + gap + long))
        at += gap + long
    samples = at + 20
    first = data.draw(st.integers(0, samples - 2))
    last = data.draw(st.integers(first + 1, samples))

    # Windows meet halfway where they would overlap; the filter's lag lies at the end of each.
    windows = [[a - tolerance, b + tolerance + lag] for a, b in spans]
    for k in range(len(spans) - 1):
        if windows[k][1] > windows[k + 1][0]:
            half = (spans[k][1] + spans[k + 1][0]) // 2 + lag
            windows[k][1] = windows[k + 1][0] = min(half, windows[k][1], spans[k + 1][1])
    trials: list[tuple[str, int, int, int]] = []
    end = 0
    for row, (a, b) in enumerate(windows):
        if a > end:
            trials.append(("gap", row - 1, end, a))
        trials.append(("pass", row, a, b))
        end = b
    if end < samples:
        trials.append(("gap", len(spans) - 1, end, samples))
    near: dict[str, set[int]] = {"pass": set(), "gap": set()}
    for k in range(len(trials)):
        if any(a < last and b > first for _, _, a, b in trials[max(k - 1, 0) : k + 2]):
            near[trials[k][0]].add(trials[k][1])
    assert left_out(spans, samples, (first, last), float(tolerance), lag) == (near["pass"], near["gap"])
