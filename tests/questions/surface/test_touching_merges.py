"""Passes that touch and merge are no error of a level: table, best pair and the limit of all teaching say the same."""

from __future__ import annotations

import numpy as np
import pytest

from teachlab.model.draws import Costs
from teachlab.model.recording import Recording, RecordingInfo
from teachlab.model.score import Rules
from teachlab.model.setting import Setting
from teachlab.model.truth import Truth
from teachlab.questions.surface.answer import operating_surface
from teachlab.questions.surface.count import surface
from teachlab.questions.surface.given_settings.grid import replayed_surface
from teachlab.questions.surface.hindsight import best_fixed, errors_of
from teachlab.scoring.claimable import touching_merges
from teachlab.scoring.scoring import score
from teachlab.studies.in_hindsight.ceiling import ceiling
from teachlab.switching.run import replay

LEVELS = Setting(unit="mV", on_level=0.0, off_level=0.0)


def _line(seed: int, *, noise: float, dip: float = 0.0) -> tuple[Recording, Truth, int]:
    """Return 30 products of about 1200 mV; some touch the one before, with a dip between them if asked for."""
    rng = np.random.default_rng(seed)
    lasts, gap = rng.integers(20, 30, 30), np.where(rng.random(30) < 0.4, 0, 40)
    gap[0] = 60
    end = np.cumsum(gap + lasts)
    start = end - lasts
    light = np.full(int(end[-1]) + 60, 300.0)
    for k, (a, b) in enumerate(zip(start, end, strict=True)):
        light[a:b] = 1500
        if gap[k] == 0:
            light[a - 2 : a + 2] -= dip
    light = (light + rng.normal(0, noise, light.size)).round(-1)
    recording = Recording.from_array(light, RecordingInfo(sample_rate_hz=1000.0, unit="mV"))
    return recording, Truth.from_arrays(start, end, uncertainty_samples=1.0), int((gap == 0).sum())


@pytest.mark.parametrize("first", [0, 7])
@pytest.mark.parametrize("base", [LEVELS, Setting(unit="mV", on_level=0.0, off_level=0.0, consecutive=3)])
def test_every_pair_says_what_its_replay_says(base: Setting, first: int) -> None:
    recording, truth, _ = _line(5, noise=60, dip=900)
    rules = Rules().scored_from(first)
    for table in (
        surface(recording, truth, base, rules=rules),
        replayed_surface(recording, truth, base, levels=np.linspace(200, 1700, 7), rules=rules),
    ):
        seen = 0
        for i, j in np.argwhere(table.counted)[:: max(1, int(table.counted.sum()) // 60)].tolist():
            found = score(replay(recording, table.setting(i, j)), truth, rules=rules, tables=False)
            met = int(touching_merges(truth, found.trials).sum())
            assert table.touching_merges[i, j] == met
            n = found.counts
            wrong = n.lost - met + n.extra + n.false_trips
            assert table.cost(Costs())[i, j] == pytest.approx(wrong / n.scored_passes)
            seen = max(seen, met)
        assert seen > 0


def test_the_right_level_has_no_error() -> None:
    recording, truth, touch = _line(6, noise=10)
    best = best_fixed(recording, truth, {})
    assert (best.cost, best.touching, errors_of(best), best.counts["lost"]) == (0, touch, 0, touch)
    right = Setting(unit="mV", on_level=900.0, off_level=850.0)
    told = operating_surface([(recording, truth)], given=[("right.json", right)]).verdict
    texts = [reason.text for reason in told.reasons]
    assert told.decision == "a fixed level can work here"
    assert texts[0].startswith(f"The best pair of all that were counted: no error on {30 - touch} passes")
    assert texts[1].startswith(f"{touch} passes touch the one before, and the light does not come back between")
    assert texts[2] == "right.json: no error; as good as the best."


def test_the_limit_of_all_teaching_leaves_them_out() -> None:
    recording, truth, touch = _line(7, noise=10)
    found = ceiling(recording, truth, Setting(unit="mV", on_level=900.0, off_level=850.0))
    assert (found.least.errors, found.least.lost_rows, found.least.touching) == (0, (), touch)
    assert found.brief() == (
        f"Best possible in hindsight, errors: 0 with fixed levels. {touch} scored passes touch the one before: "
        "the output counts both as one, which is no error here."
    )
