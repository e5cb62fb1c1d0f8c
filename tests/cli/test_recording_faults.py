"""Every recording fault of a synthetic line is named by the command that meets it."""

from pathlib import Path

import pytest
import shell

LINE = """
title = "line"
[sensor]
sensing = "diffuse"
direction = "rise"
sample_rate_hz = 1000
beam = { shape = "gaussian", radius_mm = 4 }
[line]
speed_mm_s = 500
gap_mm = 100
[background]
level_percent = 8
[[object]]
label = "box"
length_mm = 100
level_percent = 60
[faults]
"""


def run(*words: object) -> tuple[int, str]:
    done = shell.invoke(*words)
    return done.exit_code, " ".join(done.output.split())


@pytest.mark.parametrize(
    ("fault", "code", "named"),
    [
        ("duplicates_per_million = 300", 2, "the same time as the row before"),
        ("swapped_per_million = 300", 2, "times must ascend. Take duplicated or misplaced rows out"),
        ("jitter_share = 0.15", 2, "the times are not uniform, and nothing is resampled"),
        ("jitter_share = 0.01", 0, "% of a period (the worst step ends at row"),
        ("clock_drift_ppm = 80", 0, "-80 ppm from the rate used"),
        ("dropouts = { share = 0.01 }", 0, " {empty} rows have no valid value."),
    ],
)
def test_import_names_the_fault(tmp_path: Path, fault: str, code: int, named: str) -> None:
    (tmp_path / "line.toml").write_text(LINE + fault)
    log, out = tmp_path / "log.csv", tmp_path / "r.parquet"
    assert run("synth", tmp_path / "line.toml", "--out", log, "--passes", 100, "--seed", 1)[0] == 0
    words = ("--column", "light", "--unit", "counts", "--time", "time_s", "--rate", 1000, "--out", out)
    found, text = run("import", log, *words)
    assert found == code
    assert named.format(empty=sum(row.endswith(",") for row in log.read_text().splitlines())) in text
    assert out.exists() == (code == 0)


@pytest.mark.parametrize(
    ("fault", "named"),
    [
        ("wrong_direction_flag = true", "correct the stored direction"),
        ("unknown_full_scale = true", "the recording names no full scale"),
        ("logger_ceiling_percent = 50", "of the samples stand at the highest level, 2047 counts"),
        ("dropouts = { share = 0.02 }", "% of the samples"),
    ],
)
def test_inspect_names_the_fault(tmp_path: Path, fault: str, named: str) -> None:
    (tmp_path / "line.toml").write_text(LINE + fault)
    out = tmp_path / "r.parquet"
    assert run("synth", tmp_path / "line.toml", "--out", out, "--passes", 60, "--seed", 1)[0] == 0
    assert named in run("inspect", out, "--details")[1]


@pytest.mark.parametrize("background", [8, 0])
def test_inspect_calls_nothing_clipped_that_is_not(tmp_path: Path, background: int) -> None:
    """No light at all between the objects is where the receiver's range ends."""
    (tmp_path / "line.toml").write_text(LINE.replace("level_percent = 8", f"level_percent = {background}"))
    out = tmp_path / "r.parquet"
    assert run("synth", tmp_path / "line.toml", "--out", out, "--passes", 60, "--seed", 1)[0] == 0
    assert "clipped" not in run("inspect", out, "--details")[1]
