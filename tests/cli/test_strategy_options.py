"""`--strategy` and `--set`: named in one way everywhere, plug-ins among all, values parsed here and nowhere else."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from importlib.metadata import EntryPoint
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shell

from teachlab.cli.opening import NEED_INPUT, named_strategies, teachers
from teachlab.data.recording_files import write_recording
from teachlab.data.truth_files import write_truth
from teachlab.errors import ParameterError
from teachlab.model.recording import Recording, RecordingInfo
from teachlab.model.truth import Truth
from teachlab.teaching import registry

MINE = """
from dataclasses import dataclass
from typing import ClassVar

from teachlab.model.setting import Taught
from teachlab.model.teaching import Shown

@dataclass(frozen=True)
class Fixed:
    "Always the same level."

    name: ClassVar[str] = "fixed-level"
    needs: ClassVar[frozenset[Shown]] = frozenset({Shown.SWEEP})
    level: float = 50.0

    def teach(self, view):
        return view.place(self.level, 5.0, Taught(strategy=self.name))
"""


@pytest.fixture(scope="module")
def line(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("line")
    start = 60 + 100 * np.arange(24)
    light = np.rint(np.random.default_rng(3).normal(20, 1, 2500))
    for at in start:
        light[at : at + 40] += 80
    info = RecordingInfo(sample_rate_hz=1000.0, unit="counts")
    write_recording(folder / "line.parquet", Recording.from_array(light.astype(np.int32), info), info)
    write_truth(folder / "line.passes.parquet", Truth.from_arrays(start, start + 40))
    (folder / "mine.py").write_text(MINE)
    return folder


@pytest.fixture
def _plugged(line: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    monkeypatch.syspath_prepend(str(line))
    monkeypatch.setattr(sys, "dont_write_bytecode", True)
    points = EntryPoint("fixed-level", "mine:Fixed", registry.GROUP), EntryPoint("shaky", "no:No", registry.GROUP)
    monkeypatch.setattr(registry, "plug_ins", lambda: points)
    registry._claims.cache_clear()
    yield
    monkeypatch.undo()
    registry._claims.cache_clear()


@pytest.mark.usefixtures("_plugged")
def test_all_are_the_built_in_ones_and_the_plug_ins_that_work(capsys: pytest.CaptureFixture[str]) -> None:
    every = named_strategies(["all"])
    assert every == [*(name for name in registry.BUILT_IN if name not in NEED_INPUT), "fixed-level"]
    assert "shaky is left out: strategy 'shaky' from no:No" in capsys.readouterr().err
    assert named_strategies(["all", "contamination-aware", "single-sample"])[-1] == "contamination-aware"


def test_a_parameter_is_set_with_or_without_the_name_of_a_strategy_alone() -> None:
    short, long = (teachers(["single-sample"], [text]) for text in ("reduction=0.4", "single-sample.reduction=0.4"))
    assert short == long
    assert short[0].reduction == 0.4  # type: ignore[attr-defined]
    both = teachers(["single-sample", "sweep-minmax"], ["sweep-minmax.sweep-passes=3", "single-sample.reduction=0.4"])
    assert (both[0], both[1].sweep_passes) == (short[0], 3)  # type: ignore[attr-defined]


def test_a_strategy_in_a_file_is_named_as_given_or_as_it_calls_itself(line: Path) -> None:
    spec = f"{line / 'mine.py'}:Fixed"
    for owner in ("", "fixed-level.", f"{spec}."):
        (made,) = teachers([spec], [f"{owner}level=30"])
        assert made.level == 30.0  # type: ignore[attr-defined]
    with pytest.raises(ParameterError, match=r"'level' of .* is set twice"):
        teachers([spec], ["level=30", "fixed-level.level=31"])


@pytest.mark.parametrize(
    ("names", "text", "told"),
    [
        (["single-sample", "sweep-minmax"], "reduction=0.4", "STRATEGY.PARAMETER=VALUE with one of the strategies"),
        (["single-sample"], "sweep-minmax.sweep_passes=3", "got 'sweep-minmax.sweep_passes=3'"),
        (["single-sample"], "reduction=much", "must be a finite number, got 'much'"),
        (["single-sample", "single-sample"], "single-sample.reduction=0.4", "Name each once"),
    ],
)
def test_what_names_no_parameter_is_refused(names: list[str], text: str, told: str) -> None:
    with pytest.raises(ParameterError) as refusal:
        teachers(names, [text])
    assert told in str(refusal.value)


@pytest.mark.parametrize("command", ["teach", "bench", "repeatability", "surface", "conform"])
def test_every_command_takes_both_forms(command: str, line: Path) -> None:
    words = ["conform", "two-sample-midpoint"]
    if command != "conform":
        words = [command, str(line / "line.parquet"), "--strategy", "two-sample-midpoint"]
        words += [] if command == "teach" else ["--draws", "2"]

    def told(*sets: str) -> Any:
        return shell.invoke(*words, "--json", *(word for text in sets for word in ("--set", text)))

    short, long = told("hysteresis_share=0.31"), told("two-sample-midpoint.hysteresis-share=0.31")
    # The next step repeats an option as it was typed.
    same = long.stdout.replace("two-sample-midpoint.hysteresis-share", "hysteresis_share")
    assert (short.exit_code, short.stdout) == (0, same), short.output
    assert short.stdout != told().stdout
