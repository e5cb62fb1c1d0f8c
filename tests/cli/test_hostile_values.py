"""Values that nobody means and everybody mistypes: exit code 2 and one message, or a plain answer; no traceback."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
import shell
from typer.testing import Result

from teachlab.questions.surroundings.neighbours import neighbour_pulses

HUGE = "1.7976931348623157e308"
SETTING = {"schema": 1, "unit": "counts", "on_level": 600.0, "off_level": 500.0, "polarity": "light-on"}


def write_line(folder: Path, name: str, light: np.ndarray, *, expect: str = "detect", rate: float = 1000.0) -> Path:
    info = json.dumps({"schema": 1, "sample_rate_hz": rate, "unit": "counts"})
    table = pa.table({"light": pa.array(light)}).replace_schema_metadata({"teachlab.recording": info})
    pq.write_table(table, folder / f"{name}.parquet")
    rows = "".join(f"{k * 150 + 50},{k * 150 + 90},lid,{expect}\n" for k in range(light.size // 150))
    (folder / f"{name}.passes.csv").write_text("start,end,label,expect\n" + rows)
    return folder / f"{name}.parquet"


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("hostile")
    at = np.arange(3000)
    light = 100.0 + 3 * np.sin(at * 1.7) + 900 * ((at % 150 >= 50) & (at % 150 < 90))
    write_line(made, "line", light)
    write_line(made, "ignored", light, expect="ignore")
    write_line(made, "infinite", np.full(3000, np.inf))
    write_line(made, "bright", light * 1e303)
    (made / "setting.json").write_text(json.dumps(SETTING))
    (made / "far.json").write_text(json.dumps({**SETTING, "on_level": 1e61, "off_level": -1e61}))
    (made / "huge.json").write_text(json.dumps({**SETTING, "on_level": float(HUGE)}))
    (made / "long.json").write_text(json.dumps({**SETTING, "consecutive": 10**400}))
    (made / "digits.json").write_text(json.dumps(SETTING)[:-1] + ', "consecutive": ' + "9" * 5000 + "}")
    (made / "digits.toml").write_text("icc = " + "9" * 5000 + "\n")
    (made / "log.csv").write_text("light\n" + "5\n" * 20)
    return made


def run(folder: Path, *words: str) -> Result:
    places = {path.name for path in folder.iterdir()}
    return shell.invoke(*[str(folder / word) if word in places else word for word in words])


@pytest.mark.parametrize(
    ("words", "told"),
    [
        ("inspect line.parquet --tolerance-ms inf", "tolerance-ms must be a number"),
        ("coverage line.parquet --cycle a=1s --tolerance-ms nan", "tolerance-ms must be a number"),
        ("coverage line.parquet --cycle a=1e-300s", "comes back too often"),
        ("plan --max-rate 0.01 --lot-size inf", "lot-size must be a number"),
        ("plan --max-rate 0.01 --seen nan", "seen must be a number"),
        ("plan --max-rate 0.01 --hours --seen inf", "seen must be a number from 0"),
        ("surface line.parquet --levels=-1e308:1e308:5", "finite LOW < HIGH"),
        ("surface line.parquet --levels 0:1:1000000000000", "2 to 8000 levels"),
        ("stress line.parquet --setting setting.json --gain 0:1:100000000000", "at most 1000 numbers"),
        ("stress line.parquet --setting setting.json --gain 0:inf:3", "finite numbers"),
        ("import log.csv --unit counts --rate 10 --out made.parquet --encoding rot13", "'rot13' is not known"),
        ("import log.csv --unit counts --rate 10 --out made.parquet --encoding base64", "'base64' is not known"),
        ("replay line.parquet --setting long.json", "consecutive: must be less than or equal to 9007199254740992"),
        ("replay line.parquet --setting digits.json", "too many digits"),
        (
            "replay line.parquet --setting huge.json",
            "on_level must be a finite number of counts, at most 10^61 either way",
        ),
        ("report line.parquet --setting setting.json --criteria digits.toml", "not valid TOML"),
        ("synth digits.toml --out made.parquet", "not valid TOML"),
        ("bench line.parquet --draws 1 --jobs 1 --teach-share 0.999999999999", "at least 1,999,999,000,000 passes"),
        ("demo --draws 1 --out not-there", "there is no folder 'not-there'"),
    ],
)
def test_is_refused_in_one_message(folder: Path, words: str, told: str) -> None:
    before = sorted(folder.iterdir())
    done = run(folder, *words.split())
    assert done.exit_code == 2, done.output
    assert told in done.stderr.replace("\n", " ")
    assert done.stdout == ""
    assert sorted(folder.iterdir()) == before


@pytest.mark.parametrize("setting", ["setting.json", "far.json"])
def test_a_record_of_any_finite_setting_is_drawn(folder: Path, tmp_path: Path, setting: str) -> None:
    done = run(folder, "report", "line.parquet", "--setting", setting, "--out", str(tmp_path), "--draws", "0")
    assert done.exit_code == 0, done.output
    assert {p.name for p in tmp_path.iterdir()} == {"result.json", "report.html", "levels.html"}


def test_light_near_the_end_of_the_range_of_numbers_is_refused(folder: Path, tmp_path: Path) -> None:
    words = ["report", "bright.parquet", "--setting", "setting.json", "--out", str(tmp_path), "--draws", "0"]
    done = run(folder, *words)
    assert done.exit_code == 2, done.output
    assert "bright: column 'light', sample 0: light must be at most 1e+60" in done.stderr.replace("\n", " ")
    assert not list(tmp_path.iterdir())


def test_the_direction_of_nothing_to_detect_is_not_a_number_of_counts(folder: Path) -> None:
    done = run(folder, "inspect", "ignored.parquet", "--details")
    assert done.exit_code == 0
    assert "nan" not in done.stdout
    assert "cannot be found without passes to detect" in done.stdout


def test_infinite_light_teaches_nothing(folder: Path) -> None:
    done = run(folder, "teach", "infinite.parquet", "--strategy", "iterative-mean")
    assert done.exit_code == 3, done.output


def test_the_smallest_confidence_has_an_interval(folder: Path) -> None:
    words = ["stale", "line.parquet", "--setting", "setting.json", "--before", "line.parquet", "--confidence", "1e-300"]
    done = run(folder, *words)
    assert done.exit_code in (0, 1, 3), done.output


def test_rates_far_apart_have_an_alias_and_a_shift() -> None:
    words = "surroundings beat --own-hz 1000 --other-hz {} --amplitude 1 --integration-us 1 --hysteresis 10"
    for other, code in (("1e9", 0), (HUGE, 2)):
        shell.run(*words.format(other).split(), "--evaluation-rate-hz", "0.5", code=code)
    found = neighbour_pulses(own_period_us=1e300, other_period_us=1e-300, own_width_us=1e-301, other_width_us=1e-301)
    assert 0 <= found.values["shift_us"] <= 5e-301


def test_vanishing_pulses_still_meet_once() -> None:
    found = neighbour_pulses(own_period_us=1e3, other_period_us=1e-9, own_width_us=1e-300, other_width_us=1e-300)
    assert found.values["longest_run_pulses"] >= 1
