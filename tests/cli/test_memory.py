"""Memory is estimated before work and held to what may be used."""

import os
import platform
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
import shell

from teachlab.data.quality.labelling import propose_passes
from teachlab.data.recording_files import read_recording, write_recording
from teachlab.data.truth_files import write_truth
from teachlab.device.card import card
from teachlab.errors import ParameterError
from teachlab.evidence.record import judged_record
from teachlab.light.noise import DESIGNED, JUDGED, LightMemory, crossing_share, need_for_light
from teachlab.model.draws import Costs
from teachlab.model.memory import allowed_memory, free_memory, memory_of, need_memory, return_freed_memory
from teachlab.model.recording import Block, Chunk, Recording, RecordingInfo, keep_freed_memory
from teachlab.model.setting import Setting
from teachlab.model.truth import Truth
from teachlab.questions.compare import compare
from teachlab.questions.counterfactual import counterfactual
from teachlab.questions.coverage import coverage
from teachlab.questions.design.answer import designed_and_judged
from teachlab.questions.replay import replayed
from teachlab.questions.stress import stress
from teachlab.questions.surface.count import surface
from teachlab.questions.teach.answer import taught_and_judged
from teachlab.statistics.claims.decisions import Decision
from teachlab.studies.run import HELD, bench_recording
from teachlab.teaching.strategies.single_sample import SingleSample


@pytest.fixture
def line(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    monkeypatch.chdir(tmp_path)
    shell.run("synth", "demo", "--passes", "30", "--out", "a.parquet")
    (tmp_path / "s.json").write_text('{"unit": "counts", "on_level": 1200, "off_level": 1100, "polarity": "light-on"}')
    return "a.parquet"


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (
            "bench a.parquet --draws 1000000 --strategy single-sample --memory 1",
            "bench with 1,000,000 draws needs about 3.",
        ),
        ("report a.parquet --setting s.json --draws 1000000 --memory 1", "report with 1,000,000 draws needs"),
        ("surface a.parquet --levels 0:4000:8000 --memory 1", "a surface of 8,000 levels needs about 6.4 GB"),
        (
            "stress a.parquet --setting s.json --gain 0:1:1000 --ambient 0:9:1000 --memory 1",
            "2,000,000 conditions needs about 6 GB",
        ),
        ("synth demo --passes 20000000 --out b.parquet --memory 1", "20,000,000 passes needs about 10 GB"),
        (
            "replay a.parquet --setting s.json --truth bomb.passes.parquet --memory 1",
            "bomb.passes.parquet: a table of so",
        ),
    ],
)
def test_is_refused_with_the_figure(line: str, words: str, says: str) -> None:
    count = 5_000_000
    table = pa.table({"start": np.zeros(count, np.int64), "end": np.ones(count, np.int64)})
    if "bomb" in words:
        pq.write_table(table, "bomb.passes.parquet", compression="zstd")
        assert Path("bomb.passes.parquet").stat().st_size < 100_000
    before = sorted(Path().iterdir())
    ran = shell.run(*words.split(), code=2)
    assert says in ran.output
    assert "1 GB may be used" in ran.output
    assert "--memory" in ran.output
    assert sorted(Path().iterdir()) == before


def test_half_of_what_is_free_by_default() -> None:
    assert allowed_memory() == pytest.approx(free_memory() / 2, rel=0.2)
    with memory_of(5e8):
        assert allowed_memory() == 5e8
        need_memory(5e8, "x", "y.")
        for size in (5.1e8, float("inf"), float("nan")):
            with pytest.raises(ParameterError, match=r"x needs .* of memory; 0\.5 GB may be used\. y\."):
                need_memory(size, "x", "y.")


def test_rare_passes_are_looked_at_where_they_are(tmp_path: Path) -> None:
    # Between passes that are farther apart than a look is long there is noise alone, which crosses its own middle.
    light = np.random.default_rng(1).normal(30, 1, 1_000_000)
    start = np.arange(185_000, 1_000_000, 185_000)
    for a in start:
        light[a : a + 2000] += 100
    rare = Recording.from_array(light, RecordingInfo(sample_rate_hz=1000.0, unit="mV"))
    assert crossing_share(rare) > 0.4
    assert crossing_share(rare, beside=start) < 1e-3
    # A file tells the extremes of its parts: with them the middle lies between noise and passes, wherever these are.
    write_recording(tmp_path / "rare.parquet", rare)
    assert crossing_share(read_recording(tmp_path / "rare.parquet")) < 1e-3


@pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="reads the peak of a process from /proc")
@pytest.mark.parametrize(
    ("words", "estimate"),
    [
        ("surface a.parquet --levels 0:4000:1500 --out map.json", 100 * 1500**2),
        ("bench a.parquet --draws 3000 --strategy single-sample --json", 3000 * 3000),
    ],
)
def test_an_estimate_holds(line: str, words: str, estimate: float) -> None:
    """The peak of the process lies below the estimate with what the libraries take."""
    code = (
        "import re, sys\nfrom typer.testing import CliRunner\nfrom teachlab.cli import app\n"
        f"done = CliRunner().invoke(app, {words.split()!r})\nassert done.exit_code == 0, done.output\n"
        "print(re.search(r'VmHWM:\\s+(\\d+)', open('/proc/self/status').read())[1])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, env=os.environ)
    assert 1024 * int(done.stdout) < 0.3e9 + estimate


@pytest.mark.skipif(not Path("/proc/self/statm").exists(), reason="reads the memory of a process from /proc")
def test_memory_that_was_freed_goes_back_to_the_system() -> None:
    """By hand: of 100 arrays of a megabyte in cycles, every tenth is kept; at least 80 MB go back."""

    def used() -> int:
        return int(Path("/proc/self/statm").read_text().split()[1]) * os.sysconf("SC_PAGE_SIZE")

    keep_freed_memory()
    held = [[np.ones(1 << 20, np.uint8)] for _ in range(100)]
    for one in held:
        one.append(one)
    kept = [one[0] for one in held[::10]]
    del held, one
    before = used()
    return_freed_memory()
    assert used() < before - 80e6
    assert sum(map(np.sum, kept)) == 10 << 20


class Endless:
    """A recording of any length that is made up where it is read: objects of 40 samples, in noise or not."""

    dtype = np.dtype(np.float64)

    def __init__(self, samples: int, noise: float) -> None:
        self.samples, self._noise, self.given = samples, noise, 0

    def read(self, start: int, stop: int) -> Block:
        self.given += stop - start
        assert self.given < 1_000_000, "more than a look at the light"
        light = 30.0 + 40.0 * (np.arange(start, stop) // 40 % 2)
        return Block(start, light + np.random.default_rng(start).normal(0, self._noise, light.size))

    def chunks(self) -> list[Chunk]:
        return [Chunk(0, self.samples)]

    def blocks(self, start: int, stop: int, size: int):
        raise AssertionError("work has begun")


def endless(samples: int, noise: float) -> Recording:
    return Recording(RecordingInfo(sample_rate_hz=1000.0, unit="mV"), Endless(samples, noise), "endless")


def passes() -> Truth:
    start = 40 + 80 * np.arange(200)
    return Truth.from_arrays(start, start + 40)


SETTING = Setting(unit="mV", on_level=50.0, off_level=45.0)


@pytest.mark.parametrize(
    ("what", "ask"),
    [
        ("a surface", lambda r: surface(r, passes(), replace(SETTING, on_delay_ms=5.0))),
        ("coverage", lambda r: coverage(r, passes(), [], setting=SETTING)),
        ("a comparison of sensors", lambda r: counterfactual(r, passes(), SETTING)),
        ("a replay", lambda r: replayed(r, passes(), SETTING)),
        ("a teaching", lambda r: taught_and_judged(r, passes(), SingleSample())),
        ("a teaching", lambda r: designed_and_judged(r, passes())),
        ("a bench", lambda r: bench_recording(r, passes(), [SingleSample()])),
        ("a record", lambda r: judged_record(r, passes(), SETTING, None)),
        ("a stress map", lambda r: stress(r, passes(), SETTING)),
        ("a comparison", lambda r: compare([(r, passes())], [("a", SETTING), ("b", SETTING)])),
        ("a card", lambda r: card(r, passes(), SETTING)),
        ("proposing passes", propose_passes),
    ],
)
def test_long_noise_is_refused_before_work_with_the_figure(what: str, ask) -> None:
    with memory_of(4e9), pytest.raises(ParameterError) as refused:
        ask(endless(100_000_000, noise=100.0))
    told = str(refused.value)
    assert told.startswith(f"{what} of 100,000,000 samples of endless needs about ")
    assert "4 GB may be used. Take a part: teachlab import NAME.parquet --from 0 --to 3600 --out PART.parquet" in told


def test_a_level_in_the_noise_is_judged_without_the_memory_of_a_design() -> None:
    """A design could take 4 GB for a million crossings: it is not tried, and what judges the level takes a tenth."""
    light = np.random.default_rng(3).normal(30, 10, 1_200_000)
    start = np.arange(1000, 1_199_000, 2000)
    light[(start[:, None] + np.arange(400)).ravel()] += 100
    made = Recording.from_array(light, RecordingInfo(sample_rate_hz=1000.0, unit="mV"))
    truth = Truth.from_arrays(start, start + 400)
    level = Setting(unit="mV", on_level=30.0, off_level=30.0)
    with memory_of(6e8):
        found = replayed(made, truth, level)
    assert found.output.onsets.size > 200_000
    assert found.verdict is not None
    assert found.verdict.decision == Decision.NONE
    assert (found.verdict.cures[0].lost, found.verdict.cures[0].false) == (0, 0)


def test_a_long_clean_recording_is_let_through() -> None:
    with memory_of(4e9):
        need_for_light(endless(100_000_000, noise=1.0), "a surface", LightMemory(15, 200))
        with pytest.raises(ParameterError, match=r"needs about 15 GB"):
            need_for_light(endless(1_000_000_000, noise=1.0), "a surface", LightMemory(15, 0))
        # What is read once and never held takes no more for being longer.
        need_for_light(endless(1_000_000_000, noise=1.0), "a surface", LightMemory(15, 0, whole=200_000_000))
        with pytest.raises(ParameterError, match=r"needs about 4.8 GB"):
            need_for_light(endless(1_000_000_000, noise=1.0), "a surface", LightMemory(15, 0, whole=300_000_000))


def test_the_best_setting_of_other_sensors_is_found_on_long_clean_light() -> None:
    for samples, noise, told in ((100_000_000, 1.0, "1.4"), (100_000_000, 100.0, "3.2")):
        light = endless(samples, noise)
        with memory_of(1e8 * (10 * float(told) - 1)), pytest.raises(ParameterError, match=f"about {told} GB"):
            counterfactual(light, passes(), SETTING, costs=Costs())
        with memory_of(1e8 * (10 * float(told) + 1)), pytest.raises(AssertionError, match="work has begun"):
            counterfactual(light, passes(), SETTING, costs=Costs())


def test_a_surface_counts_noise_only_as_far_as_light_is_held() -> None:
    long = endless(1_000_000_000, noise=100.0)
    with memory_of(2.2e9), pytest.raises(AssertionError, match="work has begun"):
        surface(long, passes(), SETTING)
    with (
        memory_of(1.5e9),
        pytest.raises(ParameterError, match=r"of 1,000,000,000 samples.* needs about 2 GB"),
    ):
        surface(long, passes(), SETTING)


@pytest.mark.parametrize("ask", [stress, card, lambda r, t, _: bench_recording(r, t, [SingleSample()])])
def test_what_reads_once_is_not_refused_for_the_length_of_clean_light(ask) -> None:
    # 2.5 million crossings take 10 GB or more; the samples would take 6 GB beside them if they were held.
    with memory_of(14e9), pytest.raises(AssertionError, match="work has begun"):
        ask(endless(100_000_000, noise=0.0), passes(), SETTING)


@pytest.mark.parametrize(("noise", "share"), [(0.0, 1 / 40), (1.0, 1 / 40), (1e4, 0.5)])
def test_crossings_are_counted_on_a_few_stretches(noise: float, share: float) -> None:
    assert crossing_share(endless(10**9, noise)) == pytest.approx(share, rel=0.03)
    assert crossing_share(endless(10**9, noise), 50.0) == pytest.approx(share, rel=0.03)
    assert crossing_share(endless(10**9, noise), 1e9) == 0


@pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="reads the peak of a process from /proc")
@pytest.mark.parametrize("noise", [1.0, 100.0])
@pytest.mark.parametrize(
    ("words", "held"),
    [
        ("teach a.parquet --strategy two-sample-midpoint", LightMemory(JUDGED.sample, DESIGNED.crossing)),
        ("report a.parquet --setting s.json --draws 1 --memory 0.5", JUDGED),
        ("replay a.parquet --setting s.json --memory 0.5", JUDGED),
        ("replay a.parquet --setting s.json", DESIGNED),
        ("bench a.parquet --draws 2 --strategy single-sample --jobs 1", LightMemory(HELD.sample, DESIGNED.crossing)),
    ],
)
def test_an_estimate_of_light_holds(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, words: str, held: LightMemory, noise: float
) -> None:
    monkeypatch.chdir(tmp_path)
    light = 30.0 + 40.0 * (np.arange(200_000) // 200 % 2) + np.random.default_rng(5).normal(0, noise, 200_000)
    made = Recording.from_array(light, RecordingInfo(sample_rate_hz=1000.0, unit="mV"))
    write_recording("a.parquet", made)
    start = np.arange(200, 199_400, 400)
    write_truth("a.passes.parquet", Truth.from_arrays(start, start + 200, lot=[f"{k % 8}" for k in range(start.size)]))
    Path("s.json").write_text('{"unit": "mV", "on_level": 50, "off_level": 45, "polarity": "light-on"}')
    code = (
        "import re\nfrom typer.testing import CliRunner\nfrom teachlab.cli import app\n"
        f"done = CliRunner().invoke(app, {words.split()!r})\nassert done.exit_code in (0, 1, 3), done.output\n"
        "print(re.search(r'VmHWM:\\s+(\\d+)', open('/proc/self/status').read())[1])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, env=os.environ)
    assert 1024 * int(done.stdout) < 0.3e9 + light.size * (held.sample + held.crossing * crossing_share(made, 50.0))


PAGES = """
import resource, numpy as np
from teachlab.model.recording import keep_freed_memory
def new_pages():
    before = resource.getrusage(resource.RUSAGE_SELF).ru_minflt
    [np.ones(1 << 17) for _ in range(12)]
    return resource.getrusage(resource.RUSAGE_SELF).ru_minflt - before
print(min(new_pages() for _ in range(4)), keep_freed_memory(), new_pages(), min(new_pages() for _ in range(4)))
"""


@pytest.mark.skipif(
    platform.libc_ver()[0] != "glibc", reason="other allocators keep freed memory by rules of their own"
)
def test_freed_memory_is_used_again():
    told = subprocess.run([sys.executable, "-c", PAGES], capture_output=True, text=True, check=True).stdout.split()
    before, after = int(told[0]), int(told[-1])
    if before < 1000:
        pytest.skip("this system gives memory in huge pages, or keeps it anyway")
    assert after < before / 10
