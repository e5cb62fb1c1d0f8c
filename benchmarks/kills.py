# ruff: noqa: E501
"""Kill commands at random moments: the old result or the new one, never a mixture, never nothing.

``python benchmarks/kills.py --kills 200 --seed 1 --store`` kills (SIGKILL) each of the commands below in turn, while it
writes over an older result of its own, at a moment drawn evenly over its usual time and the time of putting files in
place. After each kill what teachlab reads must be the old result or the new one as a whole; after the next run the bytes
must be those of an undisturbed run, with nothing left over. ``--study`` kills one `study` again and again while it goes on in
the same folder: what is kept must be readable at any time, and the end must be the bytes of one run through. Commands run in a fork of a process that has loaded the
libraries, so that moments fall on work and not on loading.
"""

from __future__ import annotations

import argparse
import hashlib
import importlib
import json
import os
import pkgutil
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np  # noqa: F401 -- loaded once, before the forks
import pyarrow.parquet  # noqa: F401
import scipy.optimize
import scipy.stats  # noqa: F401
from matplotlib.figure import Figure
from typer.testing import CliRunner

import teachlab
from teachlab.cli import app, command_of
from teachlab.cli.commands import COMMANDS as LISTED
from teachlab.data.atomic_files import current

RESULTS = Path(__file__).parent / "results"
SETUP = (
    "synth demo --passes 20 --seed 1 --out a.parquet",
    "synth demo --passes 20 --seed 2 --out b.parquet",
    "synth demo --passes 20 --seed 1 --out log.csv",
    "synth demo --passes 20 --seed 2 --out other.csv",
    "teach a.parquet --strategy quantile-guard --out s.json",
    "teach a.parquet --strategy single-sample --out t.json",
)
COMMANDS = {
    "synth": ("synth demo --passes 100 --seed {0} --out r/x.parquet", ("x.parquet", "x.passes.parquet", "x.synth.json")),
    "import": ("import {1}.csv --unit counts --column light --time time_s --passes {1}.passes.parquet --out r/x.parquet",
               ("x.parquet", "x.passes.parquet")),
    "label": ("label {2}.parquet --force --out r/own.passes.csv", ("own.passes.csv",)),
    "teach": ("teach a.parquet --strategy single-sample --seed {0} --out r/x.json", ("x.json",)),
    "bench": ("bench a.parquet --draws 1 --seed {0} --strategy single-sample --strategy quantile-guard --out r",
              ("bench.json", "draws.parquet", "a.svg", "a.setting.json")),
    "study": ("study {2}.parquet --draws 1 --strategy single-sample --jobs 1 --out r",
              ("study.json", "study.html")),
    "report": ("report a.parquet --setting {3}.json --draws 1 --out r", ("result.json", "report.html", "levels.html")),
    "explore": ("explore {2}.parquet --draws 2 --out r/x.html", ("x.html",)),
    "design": ("design {2}.parquet --out r/x.json", ("x.json",)),
    "align": ("align {2}.parquet --out r/x.parquet", ("x.parquet", "x.passes.parquet")),
}  # fmt: skip
OLD, NEW = ("1", "log", "a", "s"), ("2", "other", "b", "t")


def load_all() -> None:
    """Load every module once, so that no fork has to."""
    for found in pkgutil.walk_packages(teachlab.__path__, "teachlab."):
        if not found.name.endswith("__main__"):
            importlib.import_module(found.name)
    for name in LISTED:
        command_of(name)


def run(words: str) -> int:
    """Run a command in a fork; return its process."""
    child = os.fork()
    if child:
        return child
    code = 70
    # Figures are laid out and written empty: drawing would be most of the time, and no kill of it is another kill.
    Figure.savefig = lambda figure, out, **more: out.write(b"<svg/>")
    try:
        done = CliRunner().invoke(app, words.split())
        code = done.exit_code
        if code not in (0, 1, 3):
            sys.stderr.write(f"{words}: {done.output}\n{done.exception!r}\n")
    finally:
        os._exit(code)


def finished(words: str) -> float:
    """Run a command to its end; return how long it took."""
    began = time.monotonic()
    _, status = os.waitpid(run(words), 0)
    if os.waitstatus_to_exitcode(status) not in (0, 1, 3):
        raise SystemExit(f"{words} ended with {os.waitstatus_to_exitcode(status)}")
    return time.monotonic() - began


def digests(folder: Path, names: tuple[str, ...]) -> tuple[str, ...]:
    """Return what teachlab reads under these names now."""
    found = []
    for name in names:
        place = current(folder / name)
        found.append(hashlib.sha256(place.read_bytes()).hexdigest() if place.exists() else "missing")
    return tuple(found)


@dataclass(slots=True)
class Undisturbed:
    """What a command leaves if nobody kills it."""

    old: tuple[str, ...]
    new: tuple[str, ...]
    listing: list[str]
    took: float
    """Seconds of the last run that was not killed: the machine may be busier now than when the first one ran."""
    loss: str = ""


def undisturbed(command: str) -> Undisturbed:
    """Run a command to its end with both inputs; keep the old result beside, to be put back before every kill."""
    words, names = COMMANDS[command]
    result, kept = Path("r"), Path(f"kept-{command}")
    shutil.rmtree(result, ignore_errors=True)
    result.mkdir()
    finished(words.format(*OLD))
    old = digests(result, names)
    shutil.move(result, kept)
    result.mkdir()
    took = finished(words.format(*NEW))
    found = Undisturbed(old, digests(result, names), sorted(os.listdir(result)), took)
    if old == found.new or "missing" in old + found.new:
        found.loss = f"{command}: the two results do not differ, or lack a file"
    return found


def kill_one(command: str, usual: Undisturbed, rng: random.Random) -> tuple[str, list[str]]:
    """Kill a command once; return which result was found, and what is wrong."""
    words, names = COMMANDS[command]
    result, wrong = Path("r"), [usual.loss] if usual.loss else []
    shutil.rmtree(result, ignore_errors=True)
    shutil.copytree(f"kept-{command}", result)
    child = run(words.format(*NEW))
    # Half of the moments fall on the last tenth, where files are put in place.
    least, most = (0.0, 1.0) if rng.random() < 0.5 else (0.85, 1.1)
    time.sleep(usual.took * rng.uniform(least, most))
    os.kill(child, signal.SIGKILL)
    os.waitpid(child, 0)
    found = digests(result, names)
    if found not in (usual.old, usual.new):
        known = zip(found, usual.old, usual.new, strict=True)
        state = ["old" if f == o else "new" if f == n else "other" for f, o, n in known]
        wrong.append(f"{command}: a mixture after the kill: {dict(zip(names, state, strict=True))}")
    usual.took = finished(words.format(*NEW))
    if digests(result, names) != usual.new:
        wrong.append(f"{command}: other bytes after the next run")
    if sorted(os.listdir(result)) != usual.listing:
        wrong.append(f"{command}: left over: {sorted(set(os.listdir(result)) ^ set(usual.listing))}")
    return "new" if found == usual.new else "old", wrong


def kills(
    count: int, seed: int, commands: tuple[str, ...] = tuple(COMMANDS), *, minutes: float = 1e9
) -> tuple[Counter[str], list[str]]:
    """Kill commands in turn; return how often each left the old and the new result, and what was wrong."""
    began = time.monotonic()
    rng, seen, wrong = random.Random(seed), Counter[str](), []
    load_all()
    here = Path.cwd()
    with tempfile.TemporaryDirectory() as place:
        os.chdir(place)
        try:
            for words in SETUP:
                finished(words)
            usual = {command: undisturbed(command) for command in commands}
            for k in range(count):
                if time.monotonic() - began > 60 * minutes:
                    break
                command = commands[k % len(commands)]
                found, more = kill_one(command, usual[command], rng)
                seen[f"{command} {found}"] += 1
                wrong += more
                if (k + 1) % 20 == 0:
                    print(k + 1, "kills,", len(wrong), "wrong", flush=True)
        finally:
            os.chdir(here)
    return seen, wrong


STUDY = (
    "study rec --strategy quantile-guard --strategy two-sample-midpoint --strategy sweep-minmax "
    "--grid quantile-guard.position=0.3:0.7:{0} --grid two-sample-midpoint.hysteresis_share=0.05:0.5:{0} "
    "--grid sweep-minmax.weight=0.3:0.7:{0} --draws {1} --jobs 1 --out {2}"
)
"""Three strategies with so many values each, and draws; into a folder."""


def whole(folder: Path) -> dict[str, bytes]:
    """Return every file of a folder with its bytes."""
    return {str(p.relative_to(folder)): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


def study_kills(
    count: int, seed: int, *, lines: int = 6, values: int = 3, draws: int = 5
) -> tuple[list[str], list[str]]:
    """Kill a study so often while it goes on; return what each kill found, and what is wrong."""
    rng, told, wrong = random.Random(seed), [], []
    load_all()
    here = Path.cwd()
    with tempfile.TemporaryDirectory() as place:
        os.chdir(place)
        try:
            Path("rec").mkdir()
            for k in range(lines):
                finished(f"synth demo --passes 30 --seed {k} --out rec/l{k}.parquet")
            took = finished(STUDY.format(values, draws, "through"))
            through, out = whole(Path("through")), Path("r")

            def ready() -> int:
                return sum(1 for _ in out.rglob("rows.parquet"))

            for k in range(count):
                if ready() == lines:  # nothing is left to kill: from the beginning
                    shutil.rmtree(out)
                wanted, over = ready() + rng.randint(0, 2), time.monotonic() + 60
                child = run(STUDY.format(values, draws, "r"))
                # So many recordings later, and then at any moment of the next one.
                while ready() < min(wanted, lines) and time.monotonic() < over:
                    time.sleep(0.002)
                time.sleep(took / lines * rng.uniform(0, 1))
                os.kill(child, signal.SIGKILL)
                os.waitpid(child, 0)
                kept = whole(out) if out.exists() else {}
                parts = [name for name in kept if name not in through]
                wrong += [f"kill {k}: {name} is no part of a result" for name in parts if ".teachlab" not in name]
                wrong += [f"kill {k}: {n} differs" for n in kept if n in through and kept[n] != through[n]]
                told.append(f"kill {k + 1}: {sum(n.endswith('rows.parquet') for n in kept)} of {lines} recordings kept")
            finished(STUDY.format(values, draws, "r"))
            last = whole(out)
            wrong += [f"after all: {n}" for n in sorted(last.keys() ^ through.keys())]
            wrong += [f"after all: {n} has other bytes" for n in last if n in through and last[n] != through[n]]
        finally:
            os.chdir(here)
    return told, wrong


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--kills", type=int, default=60)
    parser.add_argument("--minutes", type=float, default=1e9, help="end early")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--store", action="store_true", help="add the sitting to results/kills.md")
    parser.add_argument("--study", action="store_true", help="kill a study that goes on in one folder")
    parser.add_argument("--lines", type=int, default=6, help="recordings of the study")
    given = parser.parse_args()
    if given.study:
        told, wrong = study_kills(given.kills, given.seed, lines=given.lines)
        print("\n".join([*told, f"{len(told)} kills", *(f"WRONG {line}" for line in wrong)]))
        raise SystemExit(1 if wrong else 0)
    seen, wrong = kills(given.kills, given.seed, minutes=given.minutes)
    print(dict(sorted(seen.items())))
    for line in wrong:
        print("WRONG", line)
    if given.store:
        store(given.seed, seen, wrong)
    raise SystemExit(1 if wrong else 0)


def store(seed: int, seen: Counter[str], wrong: list[str]) -> None:
    """Add a sitting to the stored table, with the commit that it ran on."""
    commit = subprocess.run(["git", "rev-parse", "--short", "HEAD"], capture_output=True, text=True, check=True).stdout
    ledger = RESULTS / "kills.jsonl"
    with ledger.open("a") as out:
        out.write(json.dumps({"commit": commit.strip(), "seed": seed, "seen": dict(seen), "wrong": wrong}) + "\n")
    (RESULTS / "kills.md").write_text(page([json.loads(line) for line in ledger.read_text().splitlines()]))


def page(rows: list[dict[str, Any]]) -> str:
    """Return the stored page of all sittings."""
    seen: Counter[str] = Counter()
    for row in rows:
        seen.update(row["seen"])
    wrong = [line for row in rows for line in row["wrong"]]
    lines = [
        "# Kills at random moments", "",
        "`python benchmarks/kills.py --kills N --seed S --store` adds a sitting; sittings of different seeds add up.", "",
        f"Wrong: **{len(wrong)}** of {seen.total()} (a mixture, a lost result, other bytes after the next run, or "
        "something left over).", "",
        "| commit | seed | kills | wrong |", "|---|---|---|---|",
    ]  # fmt: skip
    lines += [f"| {r['commit']} | {r['seed']} | {sum(r['seen'].values())} | {len(r['wrong'])} |" for r in rows]
    lines += ["", "| command | kills | the old result stood | the new one stood |", "|---|---|---|---|"]
    for command in COMMANDS:
        old, new = seen[f"{command} old"], seen[f"{command} new"]
        lines.append(f"| {command} | {old + new} | {old} | {new} |")
    return "\n".join([*lines, *(f"- {line}" for line in wrong)]) + "\n"


if __name__ == "__main__":
    main()
