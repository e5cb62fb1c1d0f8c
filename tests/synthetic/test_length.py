"""A line that is too long to be kept is refused before a sample is made."""

import time
from pathlib import Path

import pytest
import shell

from teachlab.errors import ParameterError, ScenarioError
from teachlab.synthetic import Recipe, parse
from teachlab.synthetic.produce import MOST_SAMPLES, plan
from teachlab.synthetic.product.background import Mark

LINE = """
title = "Long belt"
[sensor]
sensing = "diffuse"
direction = "rise"
sample_rate_hz = 1000
beam = {{ shape = "gaussian", radius_mm = 1 }}
[line]
speed_mm_s = 100
lead_in_mm = 0
gap_mm = {gap}
[background]
level_percent = 8
[[object]]
label = "box"
length_mm = 100
level_percent = 50
"""


def recipe(gap: float, passes: int) -> Recipe:
    return Recipe(scenario=parse(LINE.format(gap=gap), source="line.toml"), passes=passes, seed=0)


@pytest.mark.parametrize(
    ("gap", "passes", "told"),
    [
        (1e9, 3, "3 passes on 2.5e.09 mm of belt take 2.5e.10 at 100 mm/s and 1000 Hz. Ask for at most about 1 pass"),
        (1e6, 10**6, "Ask for at most about 1,000 passes"),
    ],
)
def test_too_long_a_line_is_refused_at_once(gap: float, passes: int, told: str) -> None:
    begin = time.process_time()
    with pytest.raises(ScenarioError, match=rf"^Long belt: a synthetic recording holds at most 1e.10 samples.*{told}"):
        plan(recipe(gap, passes))
    assert time.process_time() - begin < 5


def test_more_passes_than_fit_in_memory_are_refused_before_they_are_made() -> None:
    with pytest.raises(ParameterError, match=r"a synthetic line of 1,000,000,000,000 passes needs about 500000 GB"):
        plan(recipe(1e6, 10**12))


def test_the_longest_line_that_fits_is_planned() -> None:
    """Two passes, a gap between them and half a gap behind: belt at 10 samples per millimetre."""
    fits = (MOST_SAMPLES / 10 - 200) / 1.5
    assert plan(recipe(fits, 2)).samples == pytest.approx(MOST_SAMPLES, abs=20)
    with pytest.raises(ScenarioError, match=r"take .* at 100 mm/s"):
        plan(recipe(fits + 20, 2))


@pytest.mark.parametrize(
    ("gap", "message"),
    [
        (1e12, r"^Long belt: \[line\] gap_mm gave 1e.12 mm; at most 1e.09 mm"),
        (1e300, r"line.gap_mm: numbers other than 0 must lie between 1e-12 and 1e\+12 in size, got 1e\+300"),
    ],
)
def test_a_gap_beyond_any_belt_is_refused_by_its_key(gap: float, message: str) -> None:
    with pytest.raises(ScenarioError, match=message):
        plan(recipe(gap, 1))


def test_the_command_refuses_and_writes_nothing(tmp_path: Path) -> None:
    (tmp_path / "line.toml").write_text(LINE.format(gap=1e9))
    out = tmp_path / "line.parquet"
    done = shell.run("synth", tmp_path / "line.toml", "--out", out, "--passes", "20", code=2)
    assert "at most 1e+10 samples" in " ".join(done.stderr.split())
    assert [path.name for path in tmp_path.iterdir()] == ["line.toml"]


def test_marks_too_many_to_be_made_at_once_are_refused() -> None:
    mark = Mark(label="weave", every_mm=1e-3, amplitude_percent=1, size_mm=1)
    assert mark.centres_mm(0, 10).size == 10_001
    with pytest.raises(ScenarioError, match=r"marks 'weave': 1e.12 of them lie on 1e.09 mm .* at most 10,000,000"):
        mark.centres_mm(0, 1e9)
