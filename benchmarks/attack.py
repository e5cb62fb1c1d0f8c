# ruff: noqa: E501
"""Attack every command with files and options that are nearly right: nothing may break, hang or be destroyed.

``python benchmarks/attack.py --seed 1 --minutes 20`` runs one sitting in one process and adds a row to
``results/attack.md``. Every run takes a command of the table below and the files it reads, changes some of them (a
value of a document, a column, a cell, an option), and runs it in this process. Runs that reach a function of the
package that no run of their command reached before are kept and changed further.

A run is a finding if it ends in an exception or a warning, in an exit code that is not 0, 1, 2, 3, takes longer than
30 s, prints NaN, infinity or a traceback, prints no JSON where it was asked for, changes an input, or leaves a part.
"""

from __future__ import annotations

import argparse
import contextlib
import copy
import datetime
import enum
import functools
import importlib
import io
import json
import math
import os
import random
import re
import resource
import shutil
import signal
import subprocess
import sys
import tempfile
import time
import tomllib
import traceback
import warnings
from collections import Counter, defaultdict
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, get_args, get_origin

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from typer.testing import CliRunner

import teachlab
import teachlab.cli
import teachlab.cli.console
from teachlab.cli import app
from teachlab.cli.commands import COMMANDS as LISTED
from teachlab.cli.ranges import is_number, range_of
from teachlab.data.recording_files import RecordingWriter, read_recording
from teachlab.data.truth_files import write_truth
from teachlab.model.recording import LoggedOutput, RecordingInfo
from teachlab.model.truth import Truth

PACKAGE = str(Path(teachlab.__file__).parent) + os.sep
RESULTS = Path(__file__).parent / "results"
SECONDS = 30
"""Processor time of a run, so that other work on the machine makes no finding; ten times as long by the clock."""
PATIENCE_S = 4.0
"""Processor time after which a run that tells how far it is, and how long it will take, is ended without a finding."""
MEMORY_GB = 1.0
"""Told to every command with --memory."""
MILD = 0.7
"""Share of runs whose changes keep to what a file or an option may hold, so that most come past parsing."""
LOOKED_AT = 0.1
"""Share of runs whose functions are collected: to keep what reaches something new, and to count what came past parsing."""
DRAWN = 0.02
"""Share of runs that draw their figure; in the others it is laid out and written empty, or drawing were most of the time."""
WORKING = tuple(
    room.replace("/", os.sep)
    for room in ("light/", "switching/", "scoring/", "sensor/evaluated_blocks", "data/alignment/", "data/importing/reading/",
                 "data/quality/", "synthetic/produce.py")
)  # fmt: skip
"""Where light or the rows of a log are read: a run that is refused there was not refused by its words or documents."""
NUMBERS = (
    0, -0.0, 1, -1, 2, 3, 0.5, 1e-320, 1e-300, 1e-9, 1e-3, 0.1, 10, 100, 1000, 1e6, 1e9, 1e15, 2**31, 2**53, 2**63 - 1,
    2**63, 1e30, 1e60, 1e61, 1e154, 1e200, 1e308, -1e308, 0.1 + 0.2, 1 / 3,
)  # fmt: skip
WRITTEN = ("nan", "inf", "-inf", "1e400", "9" * 400, "", ".", "0x10", "１２", "1_000", "1,5", " 5", "--", "true", "[]")
TEXTS = (
    "", " ", "[/red]", "[red]x", "$x^{$", "\x1b[31m", "a\nb", "\u202egnp", "x" * 300, "../a", "a/b", "é", "日本", "\t", "%s",
    "{0}", "None", "null", "'", '"', ";", "=", "a=b", "1:2:3", "0:1:5", "a,b", "café\u0301", "\ufeff", "-", "all",
)  # fmt: skip
ALIKE = (
    ("rise", "dip"), ("light-on", "dark-on"), ("output", "light"), ("detect", "ignore"), ("offset", "ratio"),
    ("diffuse", "through-beam", "retroreflective", "background-suppressed", "other"), ("recorded", "synthetic"),
    ("independent", "self-labelled", "generator"), ("high", "low"),
)  # fmt: skip
"""Words of documents that may stand in each other's place."""
FORMAL = ("schema", "kind", "digest", "recording_digest", "unit", "reading_digest")
"""Keys of documents whose every other value is refused: only harsh changes touch them."""
WORK = ("draws", "passes", "jobs", "seeds", "evaluations")
"""Options whose largest values are work, not parsing."""
SETTINGS = ("s.json", "t.json", "dip.json", "follow.json", "window.json")
STRATEGIES = ("single-sample", "two-sample-midpoint", "quantile-guard", "sweep-minmax", "background-referenced")
ACCEPTED: dict[Any, tuple[Any, ...]] = {
    "setting": SETTINGS, "base": SETTINGS[:3], "truth": ("d.csv", "a.csv", "a.passes.parquet"), "device": ("device.toml",),
    "with_": ("b.parquet", "a.parquet"), "before": ("a.parquet", "b.parquet"), "before_truth": ("b.csv", "a.csv"),
    "recording": ("a.parquet", "d.parquet"), "criteria": ("criteria.toml",), "sensor_setting": SETTINGS[:2],
    "assume": ("lots", "independent", "0.1", "0", "1"), "strategy": STRATEGIES, "cycle": ("belt=0.3s", "reel=2s", "a b=40ms"),
    "set_": ("hysteresis_share=0.2", "hysteresis_share=1e-9", "position=0.3"), "taught": STRATEGIES[:2],
    "gain": ("1,0.9", "0.5:1:3", "1"), "ambient": ("0,5", "0:9:3"), "pedestal": ("0,1", "0:1:2"), "speed": ("1,2", "0.5"),
    "levels": ("5:50:4", "30,40,50", "45"), "on_delay": ("0:20", "5"), "off_delay": ("0:20", "5"), "levels_seen": ("days.csv",),
    "limit": ("lost_rate=0.1", "cost=0.2"), "grid": ("position=0.3,0.6",), "condition": ("dim=0.8", "far=0.9:1:2"),
    "title": TEXTS, "notes": TEXTS, "deviation": TEXTS, "plot": ("own.svg", "own.png"), "edges": ("own.csv", "own.parquet"),
    "out": ("own.json", "own.svg"), "average": ("mean", "median"), "by": ("lot", "label"), "unit": ("mV", "counts", "%"),
    "corrected": ("d.csv", "a.csv"), "html": ("pages",), "continue_": ("made.parquet",), "speed_out": ("own.svg",),
    "bundle": ("own.zip",), "column": ("light", "2", "there"), "time": ("time", "1"), "truth_column": ("there",),
    "passes": ("log.passes.csv",), "pass_start": ("start", "end"), "pass_end": ("end", "start"), "delimiter": (",", ";", "tab"),
    "encoding": ("utf-8", "cp1252", "utf-16"), "missing": ("-1", "NA", "30.0"), "ignore": ("1", "cap"), "date": ("2026-03-01",),
    "time_zone": ("UTC", "Europe/Vienna"), "begins": ("lot 1",),
    ("align", "out"): ("own.parquet", "own.passes.parquet"), ("teach", "out"): ("own.json",), ("design", "out"): ("own.json",),
    ("synth", "out"): ("own.parquet", "own.csv"), ("import", "out"): ("own.parquet",), ("explore", "out"): ("own.html",),
    ("label", "out"): ("own.csv", "own.passes.parquet"), ("bench", "out"): ("own",), ("study", "out"): ("own",),
    ("report", "out"): ("own",), ("demo", "out"): (".", "rec"), ("card", "out"): ("own.html",), ("identify", "out"): ("own.json",),
    ("study", "base"): ("t.json", "s.json"), ("study", "criteria"): ("criteria.toml",),
    ("study", "grid"): ("sample=3,5", "reduction=0.2:0.4:3", "position=0.3,0.6"), ("agree", "setting"): SETTINGS[:2], ("card", "setting"): SETTINGS[:3],
}  # fmt: skip
"""What options of texts take, by the name of the option, or of command and option."""
COMMANDS = """
inspect a.parquet
inspect a.parquet --plot plot.svg
inspect d.parquet --truth d.csv
align a.parquet
align a.parquet --out moved.parquet
align d.parquet --plot borders.svg
label a.parquet --direction rise --out own.csv
teach a.parquet --strategy two-sample-midpoint --out taught.json
teach a.parquet --strategy quantile-guard --base s.json
teach d.parquet --strategy background-follower
teach a.parquet --strategy guard-or-window --set share=0.4
design a.parquet --out designed.json
replay a.parquet --setting s.json
replay a.parquet --setting follow.json --edges edges.csv
replay d.parquet --setting window.json --truth d.csv
replay d.parquet --setting dip.json
bench a.parquet --draws 2 --strategy single-sample --strategy quantile-guard --out folder
bench a.parquet --draws 2 --strategy sweep-minmax --base s.json
study a.parquet b.parquet --draws 1 --strategy single-sample --jobs 1
study study.toml --jobs 1 --out st
study a.parquet --draws 1 --strategy quantile-guard --grid position=0.3,0.6 --condition dim=0.8 --jobs 1 --out st
surface a.parquet --levels 5:50:4
surface a.parquet --setting s.json --strategy single-sample --draws 3 --out map.json
stress a.parquet --setting s.json --gain 1,0.8 --ambient 0,5 --pedestal 0
stress a.parquet --setting s.json --levels-seen days.csv --gain 1,0.9
stress a.parquet --setting s.json --speed 1,2 --gain 1
repeatability a.parquet --strategy single-sample --draws 3
repeatability a.parquet d.parquet --strategy sweep-minmax --draws 2 --limit lost_rate=0.1
timing --speed-mm-s 500 --length-mm 20 --gap-mm 20 --evaluation-rate-hz 1000
timing a.parquet --setting s.json
counterfactual a.parquet --setting s.json
coverage a.parquet --cycle belt=0.3s --setting s.json
compare a.parquet --setting s.json --setting t.json
compare a.parquet --setting s.json --with b.parquet
plan --max-rate 0.01 --confidence 0.95
plan --max-rate 0.01 --seen 300 --lost 0 --lot-size 20 --icc 0.1
plan --max-rate 0.5 --hours --events 2
plan --max-rate 0.01 --taught 50 --figure 3
report a.parquet --setting s.json --draws 2 --out rec2 --criteria criteria.toml
report a.parquet --setting s.json --draws 0
report flat.parquet --setting abstained.json --draws 2
report flat.parquet --setting abstained.json --draws 2 --out rec2
verify rec/result.json
verify rec/result.json --truth d.csv
stale a.parquet --setting s.json
stale a.parquet --setting s.json --before b.parquet
synth line.toml --passes 4 --out new.parquet
synth line.toml --explain
synth line.toml --passes 3 --out new.csv
synth --continue made.parquet --passes 2
synth demo --passes 3 --out new.parquet
import log.csv --unit mV --column light --out new.parquet
import log.csv --unit mV --column light --time time --out new.parquet --truth-column there
import log.csv --unit mV --column 2 --rate 100 --no-time --out new.parquet --passes log.passes.csv
import log.parquet --unit mV --column light --rate 100 --out new.parquet
synth line.toml --passes 1 --out new.parquet --seed 7 --gain 0.9 --ambient 1 --pedestal 1
explore a.parquet --out page.html --draws 2
explore d.parquet --out page.html --setting dip.json --strategy single-sample --draws 2
identify o.parquet --longest-ms 50
identify o.parquet --jitter 0 --longest-ms 50 --out sensor.json
agree o.parquet --setting s.json
agree o.parquet --setting s.json --assume independent --lag-samples 1 --details
guide
guide method --html pages
strategies
strategies quantile-guard
conform single-sample
surroundings neighbour --width-us 1 --period-us 100 --period-us 113
surroundings beat --own-hz 1000 --other-hz 1010 --amplitude 5 --integration-us 10 --hysteresis 3
surroundings lamp --evaluation-rate-hz 1000 --swing 30 --hysteresis 20
surroundings ambient --limit-lx 3000 --expected-lx 1000
surroundings target --measured 2000 --reflectance 0.9 --other-reflectance 0.06 --distance 100 --other-distance 120
demo --draws 2 --out rec
card a.parquet --setting s.json
card a.parquet --setting s.json --device device.toml --draws 3
card d.parquet --setting dip.json --device device.toml --cycle belt=0.8s --draws 2 --out card.html
design a.parquet --device device.toml
design a.parquet --base t.json --out designed.json
teach a.parquet --strategy two-sample-midpoint --device device.toml
label a.parquet --from a.csv --out own.csv
study a.parquet --strategy two-sample-midpoint --base t.json --draws 2 --jobs 1
"""
DEVICE = """
schema = 1
name = "amplifier 3"
unit = "mV"
light_noise = 0.2
on_delay_ms = { high = 100.0, step = 1.0 }
off_delay_ms = { high = 100.0, step = 5.0 }

[display]
step = 1.0
low = 0.0
high = 9999.0

[[pairs]]
light = 10.0
display = 500.0

[[pairs]]
light = 50.0
display = 2500.0

[[pairs]]
light = 90.0
display = 4500.0
"""
CRITERIA = """
schema = 1
[[criterion]]
measure = "lost_rate"
max = 0.2
"""

STUDY = """
schema = 1
recordings = ["a.parquet", "d.parquet"]
draws = 1
seeds = [0, 1]
teach_share = 0.3
assume = "lots"

[strategies]
single-sample = {}
quantile-guard = { position = [0.4, 0.6] }

[bases]
slow = "t.json"

[conditions.dim]
gain = 0.8
ambient = 1.0
"""


@dataclass(frozen=True, slots=True)
class Finding:
    """What a run did that it may not do."""

    what: str
    words: tuple[str, ...]
    seed: int
    more: str = ""


@dataclass(slots=True)
class Tally:
    """What was run, and what was found."""

    runs: Counter[str] = field(default_factory=Counter)
    looked: Counter[str] = field(default_factory=Counter)
    deep: Counter[str] = field(default_factory=Counter)
    codes: Counter[int] = field(default_factory=Counter)
    reached: dict[str, set[Any]] = field(default_factory=lambda: defaultdict(set))
    kept: dict[str, list[list[int]]] = field(default_factory=lambda: defaultdict(list))
    findings: list[Finding] = field(default_factory=list)
    cost: dict[str, float] = field(default_factory=dict)
    slowest: float = 0.0
    announced: int = 0
    most_mb: float = 0.0


# ---- the files ----------------------------------------------------------------------------------------------


def light(rng: np.random.Generator, passes: int, sign: float) -> tuple[np.ndarray, np.ndarray]:
    """Return light of 20 samples a pass and 20 a gap, and the first sample of every pass."""
    starts = 20 + 40 * np.arange(passes)
    values = np.full(40 * passes + 20, 30.0 if sign > 0 else 80.0)
    for start in starts:
        values[start : start + 20] += sign * 40
    return values + rng.normal(0, 0.5, values.size), starts


def logged(values: np.ndarray) -> np.ndarray:
    """Return the output of a sensor that switches at 50 and 45, logged a sample late."""
    out, active = np.zeros(values.size, bool), False
    for k, value in enumerate(values[:-1]):
        active = value >= 50 or (active and value >= 45)
        out[k + 1] = active
    return out


def make_files(folder: Path) -> None:
    """Write the good files that commands of the table read."""
    rng = np.random.default_rng(3)
    for name, passes, sign, dtype in (
        ("a", 24, 1, np.float32), ("b", 24, 1, np.uint16), ("d", 16, -1, np.float64), ("o", 12, 1, np.float32),
        ("flat", 24, 0, np.float64),
    ):  # fmt: skip
        values, starts = light(rng, passes, sign)
        info = RecordingInfo(sample_rate_hz=100.0, unit="mV", full_scale=100.0, line_speed_m_s=0.5, title=name)
        output = None
        if name == "o":
            info, output = replace(info, output=LoggedOutput()), logged(values)
        with RecordingWriter(folder / f"{name}.parquet", info, dtype) as out:
            out.append(values.astype(dtype), None, output)
        digest = read_recording(folder / f"{name}.parquet").info.digest
        truth = Truth.from_arrays(
            starts, starts + 20, label=["cap" if k % 2 else "lid" for k in range(passes)],
            lot=[f"lot {k // 4}" for k in range(passes)], uncertainty_samples=1.0,
        )  # fmt: skip
        write_truth(folder / f"{name}.passes.parquet", truth.tied_to(digest))
        write_truth(folder / f"{name}.csv", truth)
    setting = {"schema": 1, "unit": "mV", "on_level": 50.0, "off_level": 45.0, "polarity": "light-on"}
    documents: dict[str, Any] = {
        "s": setting,
        "t": setting | {"on_level": 60.0, "consecutive": 2, "on_delay_ms": 10.0, "off_delay_ms": 20.0},
        "dip": setting | {"polarity": "dark-on", "evaluation_rate_hz": 50.0, "delays_act_on": "light"},
        "follow": setting | {"schema": 2, "kind": "following", "reference": 30.0, "low_limit": 0.0, "high_limit": 99.0,
                             "follow": "offset", "time_constant_ms": 100.0, "update_evaluations": 4},
        "window": setting | {"schema": 2, "kind": "window", "low_release": 46.0, "high_release": 49.0},
    }  # fmt: skip
    for name, document in documents.items():
        (folder / f"{name}.json").write_text(json.dumps(document))
    (folder / "days.csv").write_text("day,level\n0,70\n1,69\n2,68.5\n5,67\n8,66\n")
    (folder / "criteria.toml").write_text(CRITERIA)
    (folder / "study.toml").write_text(STUDY)
    (folder / "device.toml").write_text(DEVICE)
    values, starts = light(rng, 10, 1)
    there = np.zeros(values.size, int)
    for start in starts:
        there[start : start + 20] = 1
    rows = [f"{k / 100:.2f},{x:.3f},{t}" for k, (x, t) in enumerate(zip(values, there, strict=True))]
    (folder / "log.csv").write_text("time,light,there\n" + "\n".join(rows) + "\n")
    pq.write_table(pa.table({"light": values, "there": there}), folder / "log.parquet")
    run = CliRunner()
    for words in ("synth demo --toml", "teach flat.parquet --strategy single-sample --json", "report a.parquet --setting s.json --draws 2 --out rec",
                  "synth demo --passes 3 --out made.parquet"):  # fmt: skip
        done = run.invoke(app, words.split())
        if done.exit_code not in (0, 1, 3):
            raise SystemExit(f"{words}: {done.output}")
        if words.endswith("--toml"):
            (folder / "line.toml").write_text(done.output)
        if words.startswith("teach"):
            (folder / "abstained.json").write_text(done.stdout)
    for name in ("a.parquet", "a.passes.parquet", "s.json"):
        shutil.copy(folder / name, folder / "rec" / name)
    shown = (folder / "d.csv").read_text().splitlines()
    (folder / "log.passes.csv").write_text("\n".join(shown[:10]) + "\n")


# ---- changes of files ---------------------------------------------------------------------------------------


def number(rng: random.Random) -> Any:
    """Return a number that is ordinary, an edge, or anything."""
    kind = rng.random()
    if kind < 0.5:
        return rng.choice(NUMBERS)
    if kind < 0.8:
        return 10 ** rng.uniform(-6, 6) * rng.choice((1, 1, -1))
    return rng.randrange(-5, 200)


def leaf(rng: random.Random, before: Any, *, mild: bool = False) -> Any:
    """Return another value for a place in a document; a mild one is of the kind that was there."""
    if mild:
        if isinstance(before, bool):
            return not before
        if isinstance(before, int):
            return max(0, before + rng.choice((-1, 1, 1, 2, 20)))
        if isinstance(before, float):
            return before * rng.choice((0.5, 0.9, 1.1, 1.5, 2.0, 10.0)) + rng.choice((0, 0, 1e-9, 1.0))
        alike = next((group for group in ALIKE if before in group), None)
        return rng.choice(alike) if alike else rng.choice(TEXTS) if isinstance(before, str) else before
    if isinstance(before, (int, float)) and not isinstance(before, bool) and rng.random() < 0.75:
        return number(rng) if rng.random() < 0.6 else before * rng.choice((0.5, 0.9, 1.1, 2, 10, -1))
    return rng.choice(
        (None, True, False, number(rng), rng.choice(TEXTS), [], {}, [1, 2], {"a": 1}, [[1, 5]], rng.choice(WRITTEN))
    )


def change_document(rng: random.Random, document: Any, *, mild: bool = False) -> Any:
    """Return a document with one place changed, taken out, or given another name."""
    out = copy.deepcopy(document)
    place = out
    while isinstance(place, (dict, list)) and place:
        keys = [k for k in place if k not in FORMAL or not mild] if isinstance(place, dict) else list(range(len(place)))
        if not keys:
            break
        key = rng.choice(keys)
        inner = place[key]
        if isinstance(inner, (dict, list)) and inner and (mild or rng.random() < 0.75):
            place = inner
            continue
        kind = rng.random()
        if kind < 0.75 or mild:
            place[key] = leaf(rng, inner, mild=mild)
        elif kind < 0.85:
            del place[key]
        elif isinstance(place, dict):
            place[str(key) + rng.choice(("s", "_", ""))] = leaf(rng, inner)
        else:
            place.append(inner)
        break
    return out


def change_json(rng: random.Random, path: Path, *, mild: bool) -> None:
    try:
        text = json.dumps(change_document(rng, json.loads(path.read_text()), mild=mild))
    except ValueError:
        return
    if not mild and rng.random() < 0.1:
        text = text.replace("0", rng.choice(("1e999", "NaN", "9" * 500, "-", "00")), 1)
    path.write_text(text)


TEXTS_OF = {
    "recordings": ("a.parquet", "d.parquet", "b.parquet", "o.parquet"), "bases": SETTINGS[:3], "criteria": ("criteria.toml",),
    "assume": ("lots", "independent", "0.1"), "path": ("a.parquet", "b.parquet"), "truth": ("a.csv", "a.passes.parquet"),
}  # fmt: skip
"""What texts of a study may be, by a key that leads to them."""
NAMED = {"strategies": STRATEGIES, "bases": TEXTS, "conditions": TEXTS}
"""Tables of a study whose keys are names."""


def change_toml(rng: random.Random, path: Path) -> None:
    """Change one place of a document in TOML mildly: a value for one of its kind, a name, a member more or less."""
    document = tomllib.loads(path.read_text())
    changed = change_document(rng, document, mild=True)
    kind = rng.random()
    texts = [(table, key) for key in TEXTS_OF if (table := document.get(key)) is not None]
    if texts and kind < 0.3:
        held, key = rng.choice(texts)
        new = rng.choice(TEXTS_OF[key])
        if isinstance(held, list):
            held[rng.randrange(len(held))] = new
        elif isinstance(held, dict):
            held[rng.choice(list(held))] = new
        else:
            document[key] = new
        changed = document
    elif kind < 0.6 and (named := [key for key in NAMED if document.get(key)]):
        above = rng.choice(named)
        place = document[above]
        old = rng.choice(list(place))
        held = place.pop(old) if rng.random() < 0.5 else copy.deepcopy(place[old])
        place[rng.choice(NAMED[above])] = {} if above == "strategies" else held
        changed = document
    elif kind < 0.75 and "draws" in document:
        document |= rng.choice(
            ({"criteria": "criteria.toml"}, {"cost_miss": 2.0}, {"confidence": 0.8}, {"tolerance_ms": 20.0}, {"seeds": [3]},
             {"accept_cost": 0.5}, {"draws": 2}, {"teach_share": 0.5}, {"conditions": {}}, {"bases": {}})
        )  # fmt: skip
        changed = document
    path.write_text(in_toml(changed))


def in_toml(document: dict[str, Any]) -> str:
    """Return a document as TOML, each member of the top on a line of its own, the others in line."""
    return "".join(f"{json.dumps(key)} = {_in_line(value)}\n" for key, value in document.items())


def _in_line(value: Any) -> str:
    if isinstance(value, dict):
        return "{" + ", ".join(f"{json.dumps(key)} = {_in_line(held)}" for key, held in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(map(_in_line, value)) + "]"
    return str(value) if isinstance(value, datetime.date) else json.dumps(value)


def change_text(rng: random.Random, path: Path, *, mild: bool) -> None:
    """Change a line, a cell or a number of a text file."""
    if mild and path.suffix == ".toml" and rng.random() < 0.8:
        with contextlib.suppress(tomllib.TOMLDecodeError):
            change_toml(rng, path)
            return
    lines = path.read_text().split("\n")
    k = rng.randrange(len(lines))
    kind = rng.random()
    found = [m for m in re.finditer(r"-?\d+\.?\d*(e-?\d+)?", lines[k]) if not lines[k].startswith("schema")]
    if mild and found:
        at = rng.choice(found)
        new = leaf(rng, float(at[0]) if "." in at[0] else int(at[0]), mild=True)
        lines[k] = lines[k][: at.start()] + repr(new) + lines[k][at.end() :]
    elif mild and rng.random() < 0.5:
        lines[k] = re.sub(r'"[^"]*"', lambda _: json.dumps(rng.choice(TEXTS)), lines[k], count=1)
    elif kind < 0.6 and found:
        at = rng.choice(found)
        new = rng.choice(WRITTEN) if rng.random() < 0.25 else repr(number(rng))
        lines[k] = lines[k][: at.start()] + new + lines[k][at.end() :]
    elif kind < 0.7:
        del lines[k]
    elif kind < 0.8:
        lines.insert(k, lines[rng.randrange(len(lines))])
    elif kind < 0.9:
        cells = lines[k].split(",")
        cells[rng.randrange(len(cells))] = rng.choice(TEXTS)
        lines[k] = ",".join(cells)
    else:
        old, new = rng.choice(((",", ";"), (",", "\t"), (".", ","), ("\n", "\r\n"), ('"', "'"), ("=", ":")))
        path.write_text("\n".join(lines).replace(old, new), encoding=rng.choice(("utf-8", "utf-8", "utf-16")))
        return
    path.write_text("\n".join(lines), encoding="utf-8", errors="surrogatepass")


def change_bytes(rng: random.Random, path: Path) -> None:
    """Flip, cut or repeat bytes."""
    raw = bytearray(path.read_bytes())
    if not raw:
        return
    kind = rng.random()
    if kind < 0.5:
        for _ in range(rng.choice((1, 3, 20))):
            raw[rng.randrange(len(raw))] = rng.randrange(256)
    elif kind < 0.8:
        del raw[rng.randrange(len(raw)) :]
    else:
        raw = raw[: len(raw) // 2] * 2
    path.write_bytes(bytes(raw))


def change_light(rng: random.Random, values: np.ndarray) -> np.ndarray:
    """Return light with stretches that are odd."""
    out = values.copy()
    a = rng.randrange(out.size)
    b = min(out.size, a + rng.choice((1, 5, 40, 400)))
    kind = rng.randrange(9)
    if kind == 0:
        out[a:b] = np.nan
    elif kind == 1:
        out[a:b] = rng.choice((np.inf, -np.inf, 1e60, -1e60, 1e61, 1e308, 1e-320, 0.0, -5.0, 100.0))
    elif kind == 2:
        out[:] = out[0]
    elif kind == 3:
        out = out[: rng.choice((1, 2, 3, 21, 45, 200))]
    elif kind == 4:
        out *= rng.choice((-1.0, 1e-12, 1e12, 0.01, 1e55, 1e-300))
    elif kind == 5:
        out += rng.choice((1e6, -1e6, 1e15, -50))
    elif kind == 6:
        out[:] = np.nan
    elif kind == 7:
        out = np.round(out / 10) * 10
    else:
        out[a:b] = out[a:b][::-1]
    return out


def change_recording(rng: random.Random, path: Path, *, mild: bool) -> None:
    """Change samples, their type or the metadata of a recording."""
    table = pq.read_table(path)
    metadata = dict(pq.ParquetFile(path).metadata.metadata)
    metadata.pop(b"ARROW:schema", None)
    if rng.random() < (0.3 if mild else 0.5) and b"teachlab.recording" in metadata:
        document = change_document(rng, json.loads(metadata[b"teachlab.recording"]), mild=mild)
        if mild:
            document.pop("digest", None)
        metadata[b"teachlab.recording"] = json.dumps(document).encode("utf-8", "surrogatepass")
        columns = {name: table.column(name) for name in table.column_names}
    else:
        name = table.column_names[0] if mild else rng.choice(table.column_names)
        columns = {one: table.column(one) for one in table.column_names}
        values = np.asarray(table.column(name).to_numpy(), np.float64)
        with np.errstate(all="ignore"):
            values = change_light(rng, values)
            kind = rng.choice((np.float32, np.float64, np.float64, np.int16, np.uint8, np.int64, np.uint64, np.float16))
            typed = np.nan_to_num(values).astype(kind) if np.issubdtype(kind, np.integer) else values.astype(kind)
        mask = np.isnan(values) if rng.random() < 0.5 else None
        columns = {one: column.slice(0, typed.size) for one, column in columns.items()}
        columns[name] = pa.array(typed, mask=mask)
        if mild or rng.random() < 0.7:  # the tie would refuse nearly all of them
            document = json.loads(metadata.get(b"teachlab.recording", b"{}"))
            document.pop("digest", None)
            metadata[b"teachlab.recording"] = json.dumps(document).encode()
    new = pa.table(columns).replace_schema_metadata(metadata)
    pq.write_table(new, path, row_group_size=rng.choice((1, 7, 100, 1 << 16)), use_dictionary=rng.random() < 0.5)


def change_passes(rng: random.Random, path: Path, *, mild: bool) -> None:
    """Change rows, types or the metadata of a table of passes."""
    table = pq.read_table(path)
    metadata = dict(table.schema.metadata or {})
    rows = table.to_pydict()
    size = table.num_rows
    kind = rng.randrange(8)
    k = rng.randrange(size) if size else 0
    if kind == 0:
        rows = {name: values[: rng.choice((1, 2, 3, 9, 12) if mild else (0, 1, 2, 3))] for name, values in rows.items()}
    elif kind == 1:
        rows["expect"] = [rng.choice(("detect", "ignore")) for _ in range(size)]
    elif kind == 2:
        rows["label"][k] = rows["lot"][k] = rng.choice(TEXTS)
    elif kind == 3:
        rows["end"][k] = rows["start"][k] + rng.choice((1, 2, 19, 39, 40) if mild else (1, 2, 19, 39, 40, 60, 0, -5))
    elif kind == 4 and not mild:
        rows["start"][k] = rng.choice((0, -1, 10**6, 2**62, rows["start"][k] + 1))
    elif kind == 5:
        rows["end"] = [*rows["start"][1:], rows["end"][-1]]
    elif kind == 6:
        del rows[rng.choice([name for name in rows if name not in ("start", "end")])]
    else:
        shift = rng.choice((-19, -3, 3, 10, 19))
        rows["start"] = [max(0, x + shift) for x in rows["start"]]
        rows["end"] = [x + shift for x in rows["end"]]
    if rng.random() < 0.3 and b"teachlab.passes" in metadata:
        document = change_document(rng, json.loads(metadata[b"teachlab.passes"]), mild=mild)
        metadata[b"teachlab.passes"] = json.dumps(document).encode("utf-8", "surrogatepass")
    with contextlib.suppress(pa.ArrowInvalid, pa.ArrowTypeError, OverflowError):
        pq.write_table(pa.table(rows).replace_schema_metadata(metadata), path)


def change_file(rng: random.Random, path: Path, *, mild: bool) -> None:
    """Change a file by what it is; now and then only its bytes."""
    if not mild and rng.random() < 0.1:
        change_bytes(rng, path)
        return
    ending = path.name.lower()
    with contextlib.suppress(pa.ArrowException, OSError, UnicodeError, KeyError, ValueError):  # changed before
        if ending.endswith(".passes.parquet"):
            change_passes(rng, path, mild=mild)
        elif ending.endswith(".parquet"):
            change_recording(rng, path, mild=mild)
        elif ending.endswith(".json"):
            change_json(rng, path, mild=mild)
        else:
            change_text(rng, path, mild=mild)


# ---- changes of the words of a command ----------------------------------------------------------------------


def option_values(rng: random.Random, command: str, name: str, kind: Any, *, mild: bool) -> str:
    """Return a value for an option of this kind; a mild one is such as the option takes."""
    base = get_args(kind)[0] if hasattr(kind, "__metadata__") else kind
    options = [o for o in get_args(base) if o is not type(None)] or [base]
    choices = [c for o in options for c in (get_args(o) if get_origin(o) is not list else ())]
    choices += [str(c.value) for o in options if isinstance(o, enum.EnumType) for c in o]
    if is_number(kind):
        held = range_of(command, name, kind)
        if held is not None and (mild or rng.random() < 0.7):
            low, high = max(held.low, 1e-6 if held.low >= 0 else -1e3), min(held.high, 1e4)
            value = rng.choice((held.low, held.high, rng.uniform(low, min(high, low + 10)), rng.uniform(low, high)))
            whole = "int" in str(base)
            if mild:
                ends = [end for end in (held.low, held.high) if end in held and abs(end) < 1e6 and name not in WORK]
                value = rng.choice([*ends, rng.uniform(low, min(high, low + 9)), rng.uniform(low, min(high, low + 1))])
                value = math.ceil(value) if whole else value
            return str(round(value)) if whole else repr(value)
        return rng.choice(WRITTEN) if rng.random() < 0.3 else str(number(rng))
    if choices and (mild or rng.random() < 0.9) and all(isinstance(c, str) for c in choices):
        return str(rng.choice(choices))
    if mild and (name in ACCEPTED or (command, name) in ACCEPTED):
        return str(rng.choice(ACCEPTED.get((command, name), ACCEPTED.get(name, ("",)))))
    files = ("a.parquet", "d.parquet", "s.json", "dip.json", "d.csv", "a.passes.parquet", "rec", "missing", "log.csv")
    return rng.choice(files if rng.random() < 0.4 else TEXTS)


@functools.cache
def options_of(command: str) -> dict[str, Any]:
    """Return the options of a command, or of all commands of a group, with their kinds."""
    from typing import get_type_hints

    module = importlib.import_module(f"teachlab.cli.{LISTED[command].module}")
    found: dict[str, Any] = {}
    for value in vars(module).values():
        if (
            callable(value)
            and getattr(value, "__module__", "") == module.__name__
            and hasattr(value, "__annotations__")
        ):
            with contextlib.suppress(Exception):
                hints = get_type_hints(value, include_extras=True)
                if any(hasattr(k, "__metadata__") for k in hints.values()):
                    found |= {n: k for n, k in hints.items() if hasattr(k, "__metadata__")}
    parsed = teachlab.cli.command_of(command)
    parts = getattr(parsed, "commands", {command: parsed}).values()
    own = {p.name for part in parts for p in part.params if p.param_type_name == "option"}
    return {name: kind for name, kind in found.items() if name in own}


def change_words(rng: random.Random, words: list[str], options: dict[str, Any], *, mild: bool) -> list[str]:
    """Return the words with an option added, changed or taken out."""
    out = list(words)
    kind = rng.random()
    given = [k for k, word in enumerate(out) if word.startswith("--") and k + 1 < len(out)]
    if kind < 0.45 and given:
        k = rng.choice(given)
        name = out[k][2:].replace("-", "_")
        for known in (name, f"{name}_"):
            if known in options and not out[k + 1].startswith("--"):
                out[k + 1] = option_values(rng, out[0], known, options[known], mild=mild)
    elif (kind < 0.85 or mild) and options:
        name = rng.choice(list(options))
        info = options[name].__metadata__[0]
        flag = next((d for d in getattr(info, "param_decls", None) or () if d.startswith("--")), None)
        flag = (flag or "--" + name.strip("_").replace("_", "-")).split("/")[0]
        base = get_args(options[name])[0]
        truth = bool in (base, *get_args(base))
        out += [flag] if truth else [flag, option_values(rng, out[0], name, options[name], mild=mild)]
    elif kind < 0.93 and len(out) > 1:
        k = rng.randrange(1, len(out))
        if not out[k].startswith("--"):
            out[k] = rng.choice((*TEXTS, "a.parquet", "s.json", "d.csv", "rec", "missing"))
    elif len(out) > 2:
        del out[rng.randrange(1, len(out))]
    return out


# ---- one run ------------------------------------------------------------------------------------------------


class TooLong(BaseException):
    """The run takes longer than it may."""


class Announced(BaseException):
    """The run takes long, and says how far it is and how long it will take: nothing hangs."""


@contextlib.contextmanager
def patient() -> Iterator[None]:
    """End a run that tells how far it is once it has worked long enough."""
    kept, began = teachlab.cli.console._to_go, time.process_time()

    def to_go(title: str) -> Callable[[float], None]:
        def report(share: float) -> None:
            if time.process_time() - began > PATIENCE_S and 0 < share < 1:
                raise Announced

        return report

    teachlab.cli.console._to_go = to_go
    try:
        yield
    finally:
        teachlab.cli.console._to_go = kept


@contextlib.contextmanager
def functions_reached(*, look: bool) -> Iterator[set[tuple[str, int]]]:
    """Collect the functions of the package that the block enters, without their lines; nothing if not to look."""
    seen: set[tuple[str, int]] = set()
    known: dict[Any, bool] = {}
    if not look:
        yield seen
        return

    def on_call(frame: Any, event: str, argument: Any) -> None:
        code = frame.f_code
        if code not in known:
            known[code] = code.co_filename.startswith(PACKAGE)
        if known[code]:
            seen.add((code.co_filename[len(PACKAGE) :], code.co_firstlineno))

    sys.settrace(on_call)
    try:
        yield seen
    finally:
        sys.settrace(None)


def is_deep(code: int | None, words: list[str], reached: set[tuple[str, int]]) -> bool:
    """Tell whether a run came past parsing: it did what was asked, or was refused after a look at light or rows.

    `code` is None for a run that was ended at its work.
    """
    if code != 2:
        return "--help" not in words
    return any(file.startswith(WORKING) for file, _ in reached)


class Place:
    """The folder of a run: what runs left is put back, file by file, since copying all would be most of the time."""

    def __init__(self, base: Path) -> None:
        self.folder = base
        self.contents = {p: p.read_bytes() for p in sorted(base.rglob("*")) if p.is_file()}
        self.folders = {str(p) for p in base.rglob("*") if p.is_dir()}
        self.names = {str(path) for path in self.contents}
        self.stamps = {path: _stamp(path) for path in self.contents}

    def put_back(self) -> None:
        """Make the folder what it was."""
        for inside, folders, files in os.walk(self.folder, topdown=False):
            for name in (*files, *folders):
                path = os.path.join(inside, name)
                if os.path.islink(path) or (name in files and path not in self.names):
                    os.unlink(path)
                elif name in folders and path not in self.folders:
                    shutil.rmtree(path)
        for path, content in self.contents.items():
            if path.is_dir():
                shutil.rmtree(path)
            if not path.exists() or _stamp(path) != self.stamps[path]:
                path.parent.mkdir(parents=True, exist_ok=True)
                path.write_bytes(content)
                self.stamps[path] = _stamp(path)

    def taken(self) -> dict[Path, bytes]:
        """Return the bytes of every file as it is now."""
        return {p: c if _stamp(p) == self.stamps[p] else p.read_bytes() for p, c in self.contents.items() if p.exists()}


def _stamp(path: Path) -> tuple[int, int, int]:
    there = path.stat()
    return there.st_ino, there.st_size, there.st_mtime_ns


@contextlib.contextmanager
def cheap(*, drawn: bool) -> Iterator[None]:
    """Wait for no disk, draw no figure unless asked, and serve no one: a server would wait for its reader."""
    from matplotlib.figure import Figure

    from teachlab.page.server import PageServer

    kept = os.fsync, Figure.savefig, PageServer.serve_forever

    def empty(figure: Any, out: Any, **more: Any) -> None:
        out.write(b"<svg/>")

    os.fsync = lambda number: None  # type: ignore[assignment]
    PageServer.serve_forever = lambda server, poll_interval=0.5: None  # type: ignore[method-assign]
    if not drawn:
        Figure.savefig = empty  # type: ignore[method-assign]
    try:
        yield
    finally:
        os.fsync, Figure.savefig, PageServer.serve_forever = kept  # type: ignore[method-assign]


def attack_once(place: Place, words: list[str], seeds: list[int], tally: Tally, *, line: str) -> None:
    """Make the changes that the seeds stand for, run, and look at what came."""
    place.put_back()
    folder, command = place.folder, words[0]
    os.chdir(folder)
    options = options_of(command)
    there = {str(p.relative_to(folder)) for p in place.contents}
    for seed in seeds:
        rng = random.Random(seed)
        mild = rng.random() < MILD
        change_them = rng.random() < 0.45
        if not change_them:
            named = [w for w in words if w in there]
            near = [w.replace(".parquet", ".passes.parquet") for w in named if w.endswith(".parquet")]
            named += [w for w in near if w in there]
            named += ["made.synth.json"] if "--continue" in words else []
            named += ["rec/a.parquet", "rec/a.passes.parquet", "rec/s.json"] if command == "verify" else []
            if named:
                change_file(rng, folder / rng.choice(named), mild=mild)
            change_them = not named
        if change_them:
            words = change_words(rng, words, options, mild=mild)
    before = place.taken()
    words = [*words, "--memory", str(MEMORY_GB)] if command != "surroundings" else words
    draw = random.Random(seeds[-1] + 2).random()
    if random.Random(seeds[-1]).random() < 0.5 and "--json" not in words:
        words = [*words, "--json"]
    last, began = seeds[-1], time.process_time()
    # Looking costs half of the time again.
    look = tally.runs[command] < 4 or random.Random(last + 1).random() < LOOKED_AT
    signal.setitimer(signal.ITIMER_PROF, SECONDS)
    signal.setitimer(signal.ITIMER_REAL, 20 * SECONDS)
    failed, reached = "", set[tuple[str, int]]()
    try:
        with warnings.catch_warnings(), cheap(drawn=draw < DRAWN), functions_reached(look=look) as reached, patient():
            warnings.simplefilter("error")
            ran = CliRunner().invoke(app, words)
        if ran.exception is not None and not isinstance(ran.exception, SystemExit):
            failed = "".join(traceback.format_exception(ran.exception))
    except Announced:
        tally.runs[command] += 1
        tally.announced += 1
        tally.looked[command] += look
        tally.deep[command] += look
        tally.cost[line] = 0.9 * tally.cost.get(line, PATIENCE_S) + 0.1 * PATIENCE_S
        return
    except TooLong:
        tally.findings.append(Finding(f"longer than {SECONDS} s", tuple(words), last, str(seeds)))
        print("FINDING longer", words, seeds, flush=True)
        tally.runs[command] += 1
        tally.cost[line] = tally.cost.get(line, 0) + SECONDS
        return
    finally:
        signal.setitimer(signal.ITIMER_PROF, 0)
        signal.setitimer(signal.ITIMER_REAL, 0)
    took = time.process_time() - began
    # Cheap lines run more often; what a line costs is forgotten slowly.
    tally.cost[line] = 0.9 * tally.cost.get(line, took) + 0.1 * took
    tally.slowest = max(tally.slowest, took)
    tally.runs[command] += 1
    tally.codes[ran.exit_code] += 1
    tally.looked[command] += look
    deep = look and is_deep(ran.exit_code, words, reached)
    tally.deep[command] += deep
    findings = len(tally.findings)
    for what in judged(ran, words, folder, before, failed):
        tally.findings.append(Finding(what, tuple(words), last, str(seeds) + "\n" + failed[-1800:]))
        print("FINDING", what, words, seeds, "\n" + failed[-900:], flush=True)
    most = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    if most > max(tally.most_mb, 1000 * MEMORY_GB):
        print("FINDING", words, seeds, f"the process has taken {most:.0f} MB", flush=True)
        tally.findings.append(Finding(f"takes more memory than told: {most:.0f} MB", tuple(words), last, str(seeds)))
    tally.most_mb = max(tally.most_mb, most)
    fresh = reached - tally.reached[command]
    if fresh:
        tally.reached[command] |= fresh
        # What is refused is not changed further, for its change would never be reached; a finding would be found again.
        if deep and len(tally.findings) == findings:
            tally.kept[line].append(seeds)


_NOT_A_NUMBER = re.compile(r"(?<![\w/.'\"-])(nan|-?inf)(?![\w/.'\"-])")


def judged(ran: Any, words: list[str], folder: Path, before: dict[Path, bytes], failed: str) -> Iterator[str]:
    """Yield what a run may not do."""
    if failed:
        yield f"exception {failed.strip().splitlines()[-1][:160]}"
        return
    if ran.exit_code not in (0, 1, 2, 3) and not (ran.exit_code == 130 and "--serve" in words):
        yield f"exit code {ran.exit_code}"
    if "Traceback (most recent" in ran.output:
        yield "a traceback is printed"
    told = ran.stdout
    if ran.exit_code in (0, 1, 3) and not any(word in WRITTEN or word in TEXTS for word in words):
        found = _NOT_A_NUMBER.search(told)
        if found:
            yield f"prints {found[0]!r}: {told[max(0, found.start() - 60) : found.end() + 20]!r}"
    if "--json" in words and ran.exit_code in (0, 1) and "--help" not in words:
        try:
            json.loads(told, parse_constant=lambda name: (_ for _ in ()).throw(ValueError(name)))
        except ValueError as fault:
            yield f"no JSON: {fault}"
    if ran.exit_code == 2 and len(ran.stderr) > 610 and "Usage:" not in ran.stderr:
        yield f"a message of {len(ran.stderr)} characters"
    if ran.exit_code == 2 and not ran.stderr.strip() and "Usage" not in ran.output:
        yield "exit code 2 without a message"
    results = {
        words[k + 1] for k, word in enumerate(words[:-1]) if word in ("--out", "--edges", "--plot", "--speed-out")
    }
    for path, content in before.items():
        name = str(path.relative_to(folder))
        replaced = (name.startswith("made") and "--continue" in words) or "--force" in words
        replaced |= any(name == r or name.startswith(f"{r}/") or name.split(".")[0] == r.split(".")[0] for r in results)
        if not replaced and (not path.is_file() or path.read_bytes() != content):
            yield f"{name} was changed"
    left = [p.name for p in folder.rglob(".teachlab*")]
    if left:
        yield f"left behind: {left[:3]}"


# ---- sittings -----------------------------------------------------------------------------------------------


def all_lines() -> list[list[str]]:
    """Return the lines of the table, and two for each command of teachlab that has none there."""
    lines = [line.split() for line in COMMANDS.strip().splitlines()]
    new = set(LISTED) - {words[0] for words in lines}
    return lines + [[name, "a.parquet", *more] for name in sorted(new) for more in ([], ["--setting", "s.json"])]


def sitting(seed: int, *, seconds: float, runs: int, report: Callable[[Tally], None] = lambda tally: None) -> Tally:
    """Run until the time or the number of runs is over."""

    def too_long(number: int, frame: Any) -> None:
        raise TooLong

    lines = all_lines()
    teachlab.cli.command_of = functools.cache(teachlab.cli.command_of)  # a third of the time of a short run
    rng, tally = random.Random(seed), Tally()
    here = Path.cwd()
    old = [(number, signal.signal(number, too_long)) for number in (signal.SIGALRM, signal.SIGPROF)]
    began, told = time.monotonic(), time.monotonic()
    with tempfile.TemporaryDirectory(dir="/dev/shm" if Path("/dev/shm").is_dir() else None) as place:
        base = Path(place) / "base"
        base.mkdir()
        os.chdir(base)
        try:
            make_files(base)
            kept = Place(base)
            for count in range(runs):
                if time.monotonic() - began > seconds:
                    break
                if count < len(lines):
                    words = lines[count]
                else:
                    words = rng.choices(lines, [1 / max(0.01, tally.cost.get(" ".join(w), 0.01)) for w in lines])[0]
                line = " ".join(words)
                # Half of the runs change further what reached something new.
                known = tally.kept[line]
                seeds = list(rng.choice(known)) if known and rng.random() < 0.5 and count >= len(lines) else []
                attack_once(kept, list(words), [*seeds[-3:], rng.randrange(2**40)], tally, line=line)
                if time.monotonic() - told > 60:
                    told = time.monotonic()
                    report(tally)
        finally:
            os.chdir(here)
            for number, handler in old:
                signal.signal(number, handler)
    return tally


def told(tally: Tally) -> str:
    """Return a table of a sitting, a row per command."""
    out = io.StringIO()
    out.write("| command | runs | past parsing | functions reached |\n|---|---|---|---|\n")
    for command, runs in sorted(tally.runs.items()):
        out.write(
            f"| {command} | {runs:,} | {tally.deep[command] / max(1, tally.looked[command]):.0%} | {len(tally.reached[command])} |\n"
        )
    total, deep = sum(tally.runs.values()), sum(tally.deep.values()) / max(1, sum(tally.looked.values()))
    reached = len(set().union(*tally.reached.values())) if tally.reached else 0
    out.write(f"| all | {total:,} | {deep:.0%} | {reached} |\n")
    return out.getvalue()


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--minutes", type=float, default=5.0)
    parser.add_argument("--runs", type=int, default=10**9)
    parser.add_argument("--store", action="store_true", help="add the sitting to results/attack.md")
    given = parser.parse_args()
    began = time.process_time()
    tally = sitting(given.seed, seconds=60 * given.minutes, runs=given.runs,
                    report=lambda t: print(sum(t.runs.values()), "runs,", len(t.findings), "findings", flush=True))  # fmt: skip
    print(told(tally))
    shown: Counter[str] = Counter()
    for finding in tally.findings:
        key = re.sub(r"[\d.]+", "#", finding.what)[:90]
        shown[key] += 1
        if shown[key] <= 2:
            print("FINDING", finding.what, "\n  ", " ".join(map(repr, finding.words)), "\n  ", finding.more)
    print(
        "exit codes",
        dict(tally.codes),
        "ended",
        tally.announced,
        "slowest",
        round(tally.slowest, 1),
        "s; kinds of findings",
        len(shown),
    )
    if given.store:
        store(given.seed, tally, time.process_time() - began)


def store(seed: int, tally: Tally, cpu_s: float) -> None:
    """Add a sitting to the stored table, with the commit that it ran on."""
    commit = subprocess.run(["git", "rev-parse", "--short", "HEAD"], capture_output=True, text=True, check=True).stdout
    path, ledger = RESULTS / "attack.md", RESULTS / "attack.jsonl"
    row = {
        "commit": commit.strip(), "seed": seed, "runs": sum(tally.runs.values()), "strict": True,
        "looked": sum(tally.looked.values()),
        "deep": sum(tally.deep.values()),
        "by_command": {c: [n, tally.looked[c], tally.deep[c], len(tally.reached[c])] for c, n in sorted(tally.runs.items())},
        "codes": {str(k): v for k, v in sorted(tally.codes.items())}, "findings": len(tally.findings), "announced": tally.announced,
        "slowest_s": round(tally.slowest, 1), "cpu_s": round(cpu_s),
        "most_memory_mb": round(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024),
    }  # fmt: skip
    with ledger.open("a") as out:
        out.write(json.dumps(row) + "\n")
    path.write_text(page([json.loads(line) for line in ledger.read_text().splitlines()]))


def page(rows: list[dict[str, Any]]) -> str:
    """Return the stored page of all sittings."""
    total = sum(r["runs"] for r in rows)
    strict = [r for r in rows if r.get("strict")]
    deep = sum(r["deep"] for r in strict) / max(1, sum(r["looked"] for r in strict))
    lines = [
        "# What the attack has run", "",
        "`python benchmarks/attack.py --seed N --minutes M --store` adds a sitting. Sittings of different seeds add up;",
        "each row says which commit it ran on. A finding is an exception, a warning, an exit code other than 0 to 3, a run",
        f"of more than {SECONDS} s of processor time, NaN or infinity in text, JSON that is none, an input that changed, or a part left behind.",
        f"Commands were told `--memory {MEMORY_GB:g}`. Runs that print how far they are and how long it takes are ended after",
        f"{PATIENCE_S:g} s of processor time: {sum(r.get('announced', 0) for r in rows)} so far.", "",
        "Past parsing: the command did what was asked (exit code 0, 1 or 3; no help), or was refused after a look at light or",
        f"at the rows of a log; counted on {LOOKED_AT:.0%} of the runs. Rows marked ~ counted any function behind the documents, and",
        "their shares are in no sum.", "",
        f"So far: **{total:,} runs**, {deep:.0%} of them past parsing, "
        f"{sum(r['findings'] for r in rows)} findings.", "",
        "| commit | seed | runs | past parsing | findings | exit codes | slowest, s | process, MB | CPU, s |",
        "|---|---|---|---|---|---|---|---|---|",
    ]  # fmt: skip
    for r in rows:
        codes = ", ".join(f"{k}: {v:,}" for k, v in r["codes"].items())
        lines.append(
            f"| {r['commit']} | {r['seed']} | {r['runs']:,} | {'' if r.get('strict') else '~'}"
            f"{r['deep'] / max(1, r['looked']):.0%} | {r['findings']} | "
            f"{codes} | {r['slowest_s']} | {r['most_memory_mb']} | {r['cpu_s']} |"
        )
    by: dict[str, list[int]] = {}
    for r in rows:
        for command, (runs, looked, past, reached) in r["by_command"].items():
            mine = by.setdefault(command, [0, 0, 0, 0])
            counted = (looked, past) if r.get("strict") else (0, 0)
            mine[:] = [mine[0] + runs, mine[1] + counted[0], mine[2] + counted[1], max(mine[3], reached)]
    lines += [
        "",
        "| command | runs | past parsing | functions of the package reached, most of a sitting |",
        "|---|---|---|---|",
    ]
    lines += [f"| {c} | {n:,} | {p / max(1, k):.0%} | {f} |" for c, (n, k, p, f) in sorted(by.items())]
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    main()
