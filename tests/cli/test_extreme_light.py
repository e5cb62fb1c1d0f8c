"""Every command on light that is infinite or too large to be squared: no warning, no NaN, or one message."""

import json
import re
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
import shell

from teachlab.cli import command_of
from teachlab.cli.commands import COMMANDS as LISTED

SETTING = {"schema": 1, "unit": "counts", "on_level": 550.0, "off_level": 500.0, "polarity": "light-on"}
COMMANDS = {
    "inspect": "inspect R",
    "replay": "replay R --setting S",
    "compare": "compare R --setting S --setting T",
    "stale": "stale R --setting S",
    "stale after": "stale R --setting S --before GOOD",
    "stale before": "stale GOOD --setting S --before R",
    "surface": "surface R",
    "stress": "stress R --setting S --gain 1,0.9,0 --ambient 0,10 --pedestal 0,5",
    "coverage": "coverage R --cycle seam=0.45s --setting S",
    "counterfactual": "counterfactual R",
    "teach": "teach R --strategy quantile-guard",
    "bench": "bench R --strategy two-sample-midpoint --strategy quantile-guard --draws 3 --jobs 1",
    "repeatability": "repeatability R --strategy two-sample-midpoint --draws 3",
    "report": "report R --setting S --draws 2 --out OUT",
    "align": "align R",
    "label": "label R --direction rise",
    "design": "design R",
    "study": "study R --strategy two-sample-midpoint --draws 2 --jobs 1",
    "explore": "explore R --draws 2 --out PAGE",
    "card": "card R --setting S --draws 2",
    "timing": "timing R --setting S",
    "agree": "agree O --setting S",
    "identify": "identify O --jitter 0 --longest-ms 20",
    "verify": "verify REC --recording R",
    "import": "import LOG --column light --unit counts --rate 1000 --out MADE",
    "replay a table": "replay R --setting S --edges EDGES",
}
NO_LIGHT = {"conform", "demo", "guide", "plan", "strategies", "surroundings", "synth"}
"""Commands that read no light."""
OPTIONS = {
    name: {flag for p in command_of(name).params for flag in p.opts}
    for name in {w.split()[0] for w in COMMANDS.values()}
}
AS_JSON = ("one infinite", "infinite passes", "one too large", "ends of the numbers")
NOT_A_NUMBER = re.compile(r"(?<![\w/.'-])(nan|[+-]?inf)(?![\w/.'-])", re.IGNORECASE)
AT = np.arange(6000)
OBJECT = (AT % 150 >= 50) & (AT % 150 < 90)


def light_of(kind: str) -> np.ndarray:
    light = np.round(100 + 5 * np.sin(AT * 1.7) + 900 * OBJECT)
    if kind == "one infinite":
        light[500] = np.inf
    elif kind == "both infinite":
        light[[77, 78]] = -np.inf, np.inf
    elif kind == "infinite gap":
        light[100:140] = np.inf
    elif kind == "infinite passes":
        light[OBJECT] = np.inf
    elif kind == "all infinite":
        light[:] = np.inf
    elif kind == "half precision":
        light[500] = np.inf
        return light.astype(np.float16)
    elif kind == "single precision":
        light[500] = np.inf
        return light.astype(np.float32)
    elif kind == "one too large":
        light[500] = 1e160
    elif kind == "too large":
        light *= 1e157
    elif kind == "ends of the numbers":
        light = (light - 550) * 3e305
    return light


KINDS = (
    "one infinite", "both infinite", "infinite gap", "infinite passes", "all infinite", "half precision",
    "single precision", "one too large", "too large", "ends of the numbers",
)  # fmt: skip


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("extreme")
    info = json.dumps({"schema": 1, "sample_rate_hz": 1000.0, "unit": "counts"})
    rows = "".join(f"{k * 150 + 50},{k * 150 + 90},tub,detect\n" for k in range(40))
    for kind in (*KINDS, "GOOD"):
        table = pa.table({"light": pa.array(light_of(kind))}).replace_schema_metadata({"teachlab.recording": info})
        pq.write_table(table, made / f"{kind}.parquet")
        (made / f"{kind}.passes.csv").write_text("start,end,label,expect\n" + rows)
        output = light_of(kind).astype(np.float64) >= 550
        logged = json.dumps({"schema": 2, "sample_rate_hz": 1000.0, "unit": "counts", "output": {"active": "high"}})
        table = pa.table({"light": light_of(kind), "output": output}).replace_schema_metadata(
            {"teachlab.recording": logged}
        )
        pq.write_table(table, made / f"{kind}.out.parquet")
        (made / f"{kind}.out.passes.csv").write_text("start,end,label,expect\n" + rows)
        (made / f"{kind}.csv").write_text("light\n" + "\n".join(map(str, light_of(kind))) + "\n")
    (made / "S.json").write_text(json.dumps(SETTING))
    (made / "T.json").write_text(json.dumps({**SETTING, "on_level": 700.0}))
    assert run(made, made / "record", "report GOOD --setting S --draws 0 --out OUT", "GOOD").exit_code == 0
    return made


def run(folder: Path, out: Path, words: str, kind: str):
    places = {"R": folder / f"{kind}.parquet", "GOOD": folder / "GOOD.parquet", "OUT": out}
    places |= {name: folder / f"{name}.json" for name in ("S", "T")}
    places |= {"O": folder / f"{kind}.out.parquet", "LOG": folder / f"{kind}.csv", "REC": folder / "record/result.json"}
    places |= {"PAGE": f"{out}.html", "MADE": f"{out}.parquet", "EDGES": f"{out}.csv"}
    return shell.invoke(*[str(places.get(word, word)) for word in words.split()])


def too_large(kind: str) -> bool:
    return kind in ("one too large", "too large", "ends of the numbers")


def test_every_command_is_asked() -> None:
    assert {words.split()[0] for words in COMMANDS.values()} | NO_LIGHT == set(LISTED)


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("command", COMMANDS)
def test_no_warning_and_no_nan(folder: Path, tmp_path: Path, command: str, kind: str) -> None:
    """Warnings are errors here: one would end the command with its traceback."""
    words, details = COMMANDS[command], "--details" in OPTIONS[COMMANDS[command].split()[0]]
    for k, more in enumerate(["", *([" --details"] if details else []), *([" --json"] if kind in AS_JSON else [])]):
        done = run(folder, tmp_path / f"out{k}", words + more, kind)
        assert done.exit_code in (0, 1, 2, 3), done.output
        assert done.exception is None or isinstance(done.exception, SystemExit), done.exception
        told = done.output.replace("column 'inf", "").replace(str(folder), "").replace(str(tmp_path), "")
        assert not NOT_A_NUMBER.search(told), told
        assert "RuntimeWarning" not in done.stderr
        if done.exit_code == 2:
            assert done.stdout == ""
            assert not any(tmp_path.glob(f"out{k}*"))
        elif more == " --json":
            json.loads(done.stdout, parse_constant=pytest.fail)


@pytest.mark.parametrize("kind", [kind for kind in KINDS if too_large(kind)])
@pytest.mark.parametrize("command", ["inspect", "stale", "stale before", "stress", "report"])
def test_statistics_of_light_too_large_are_refused_by_name_and_sample(
    folder: Path, tmp_path: Path, command: str, kind: str
) -> None:
    done = run(folder, tmp_path / "out", COMMANDS[command], kind)
    assert done.exit_code == 2, done.output
    told = " ".join(done.stderr.split())
    sample = 500 if kind == "one too large" else 0
    assert f"{kind}: column 'light', sample {sample}: light must be at most 1e+60" in told


@pytest.mark.parametrize("kind", KINDS)
def test_replay_compares_any_light(folder: Path, tmp_path: Path, kind: str) -> None:
    done = run(folder, tmp_path, COMMANDS["replay"] + " --json", kind)
    assert done.exit_code == 0, done.output
    found = json.loads(done.stdout)
    active = light_of(kind).astype(np.float64) >= 550  # with this light, no sample lies between the levels
    assert not ((light_of(kind) >= 500) & ~active).any()
    assert found["onsets"] == (np.flatnonzero(active[1:] & ~active[:-1]) + 1).tolist()
    assert (found["margin"] is None) == too_large(kind)
    assert ("Margin and reserves are left out" in done.stderr) == too_large(kind)


def test_an_infinite_gap_leaves_no_margin_on_the_side_of_trips(folder: Path, tmp_path: Path) -> None:
    done = run(folder, tmp_path, COMMANDS["replay"] + " --json", "infinite gap")
    margin = json.loads(done.stdout)["margin"]
    assert margin["limited_by"] == "trip"
    assert margin["margin_to_noise"] < -1e50


def test_infinite_light_is_left_out_of_noise_and_drift(folder: Path, tmp_path: Path) -> None:
    one, good = (
        json.loads(run(folder, tmp_path, "inspect R --json", kind).stdout) for kind in ("one infinite", "GOOD")
    )
    for side in ("object", "background"):
        assert one["noise"][side] == pytest.approx(good["noise"][side], rel=0.01)
    assert one["contrast"] == pytest.approx(good["contrast"], rel=0.01)
