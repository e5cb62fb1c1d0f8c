"""Borders are in doubt by how their times were written, never by nothing."""

import numpy as np
import pytest
import shell

from teachlab.data.border_doubt import BorderDoubt, common_step
from teachlab.data.importing import ImportJob, import_log
from teachlab.data.importing.interval_table import CountedIn
from teachlab.data.shipped import datasets_root
from teachlab.data.truth_files import read_truth
from teachlab.model.recording import RecordingInfo
from teachlab.model.truth import TruthSource

INFO = RecordingInfo(sample_rate_hz=1.0, unit="mV")
RATE = 1000.0


def line(seed, passes, spread=(10, 3)):
    rng = np.random.default_rng(seed)
    start = np.cumsum(rng.normal(420, spread[0], passes))
    return start, start + rng.normal(240, spread[1], passes)


def held(times, step):
    """What a column shows that is updated every `step` samples: a change is seen at the next update."""
    return np.ceil(np.ceil(times / step) * step)


@pytest.mark.parametrize("step", [5, 10, 50 / 3, 20, 50, 100])
@pytest.mark.parametrize("seed", range(5))
def test_the_update_step_of_a_column_is_found(step, seed):
    start, end = (held(times, step) for times in line(seed, 200))
    assert common_step(start, end, rounded=True) == pytest.approx(step, rel=0.01)


@pytest.mark.parametrize("spread", [(0, 0), (3, 0.5), (10, 3), (60, 20)])
@pytest.mark.parametrize("passes", [1, 2, 10, 50, 500])
def test_no_step_is_made_up(spread, passes):
    """Lines that are logged to the sample, regular ones among them."""
    for seed in range(10):
        start, end = (np.ceil(times) for times in line(seed, passes, spread))
        assert common_step(start, end, rounded=True) == 1
        assert common_step(start, end, rounded=False) == 1


def test_cut_off_times_are_in_doubt_by_the_whole_step():
    start, end = (np.floor(times / 25) * 25 for times in line(3, 100))
    found = BorderDoubt.of_positions(start, end, printed=1.0)
    assert (found.samples, found.because) == (25, "that is the step of their times")


def log_of(tmp_path, column):
    rows = "".join(f"{k / RATE:.3f},{5 + 90 * seen},{int(shown)}\n" for k, (seen, shown) in enumerate(column))
    path = tmp_path / "log.csv"
    path.write_text("time,light,seen\n" + rows)
    return path


def imported(path, **options):
    return import_log(ImportJob(path=str(path), out=str(path.parent / "out.parquet"), info=INFO, **options))


@pytest.fixture(scope="module")
def passes():
    start, end = line(1, 60)
    return start, end, int(end[-1]) + 300


def test_a_slow_column_is_in_doubt_by_its_own_step(tmp_path, passes):
    start, end, samples = passes
    shown = np.zeros(samples + 1, int)
    for a, b in zip(*(held(times, 20).astype(int) for times in (start, end)), strict=True):
        shown[a:b] = 1
    found = imported(log_of(tmp_path, [(s, s) for s in shown]), truth_column="seen")
    assert (found.truth.uncertainty_samples, found.doubt.samples) == (20, 20)
    assert read_truth(found.truth_path).uncertainty_samples == 20


@pytest.mark.parametrize(
    ("counted", "written", "samples"),
    [
        (CountedIn.SECONDS, "{:.3f}", 1),  # printed as fine as the log
        (CountedIn.SECONDS, "{:.2f}", 10),
        (CountedIn.SECONDS, "{:.1f}", 100),
        (CountedIn.TIME, "{:.2f}", 10),
        (CountedIn.SECONDS, "{:.4f}", 1),  # no border is known better than a sample
    ],
)
def test_a_table_is_in_doubt_by_its_last_digit(tmp_path, passes, counted, written, samples):
    start, end, size = passes
    path = log_of(tmp_path, [(0, 0)] * size)
    rows = "".join(f"{written.format(a / RATE)},{written.format(b / RATE)}\n" for a, b in zip(start, end, strict=True))
    (tmp_path / "passes.csv").write_text("start,end\n" + rows)
    found = imported(path, passes=str(tmp_path / "passes.csv"), passes_in=counted)
    assert found.truth.uncertainty_samples == pytest.approx(samples)


def test_times_printed_finer_than_they_step_are_in_doubt_by_the_step(tmp_path, passes):
    start, end, size = passes
    path = log_of(tmp_path, [(0, 0)] * size)
    coarse = [np.floor(times / 40) * 40 / RATE for times in (start, end)]
    (tmp_path / "passes.csv").write_text(
        "start,end\n" + "".join(f"{a:.3f},{b:.3f}\n" for a, b in zip(*coarse, strict=True))
    )
    found = imported(path, passes=str(tmp_path / "passes.csv"), passes_in=CountedIn.SECONDS)
    assert (found.truth.uncertainty_samples, found.doubt.because) == (40, "that is the step of their times")


def test_what_is_stated_stands(tmp_path, passes):
    _, _, size = passes
    path = log_of(tmp_path, [(0, 0)] * size)
    table = tmp_path / "passes.csv"
    table.write_text(
        '# teachlab.passes: {"schema": 1, "source": "independent", "uncertainty_samples": 7}\nstart,end\n3,9\n'
    )
    found = imported(path, passes=str(table))
    assert (found.truth.uncertainty_samples, found.doubt, found.truth.source) == (7, None, TruthSource.INDEPENDENT)
    assert imported(path, passes=str(table), uncertainty_samples=0.5).truth.uncertainty_samples == 0.5


def test_import_says_which_doubt_it_took(tmp_path, passes):
    _, _, size = passes
    log_of(tmp_path, [(0, k // 100 % 3 == 1) for k in range(size)])
    command = ["import", str(tmp_path / "log.csv"), "--unit", "mV", "--out", str(tmp_path / "r.parquet")]
    told = shell.run(*command, "--truth-column", "seen")
    assert "Their borders are uncertain by ±1 sample = ±1 ms: the column is as fast as the log" in told.stdout
    assert "--uncertainty-samples" in told.stdout


@pytest.mark.parametrize(("stated", "short"), [(100, 0), (101, 1), (301, 2)])
def test_borders_less_sure_than_passes_are_long_are_a_problem(tmp_path, stated, short):
    """Passes of 100 and 300 samples; a border may be wrong by more than 1, or 2, of them are long."""
    log_of(tmp_path, [(0, 0)] * 1000)
    (tmp_path / "passes.csv").write_text("start,end\n100,200\n500,800\n")
    command = ["import", str(tmp_path / "log.csv"), "--unit", "mV", "--out", str(tmp_path / "r.parquet"), "--passes"]
    told = shell.run(*command, tmp_path / "passes.csv", "--uncertainty-samples", stated)
    warned = " ".join(told.stderr.split())
    verb = "is" if short == 1 else "are"
    assert (f"Problem: {short} of 2 passes {verb} shorter than the uncertainty of a border" in warned) == (short > 0)
    assert ("Give times with more decimals" in warned) == (short > 0)
    assert ("Their borders are uncertain by" in told.stdout.replace(told.stderr, "")) == (short == 0)


@pytest.mark.parametrize(
    ("name", "samples"),
    [("demo_tubs", 14), ("photodiode_flashes", 150), ("starlight_raw", 2), ("starlight_corrected", 2)],
)
def test_shipped_borders_state_their_doubt(name, samples):
    """The demo: ceil(1.5 · 4 mm / 0.5 mm) + 2; the photodiode: 150 ms, as datasets.toml says."""
    assert read_truth(datasets_root() / f"{name}.passes.parquet").uncertainty_samples == samples
