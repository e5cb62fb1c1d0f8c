"""One table of ratios: what every question costs against decoding its file, and replay in memory against its peers.

Run: ``python benchmarks/speed/table.py [--samples 10000000 100000000] [--out benchmarks/results/speed]``. Writes
``speed.json`` and ``speed.md`` and prints the latter. Every ratio is of two figures taken in turn, CPU time of both in
all threads; the least of the repeats is told, since other work on the machine only adds. Every question runs in a
process of its own, for its peak memory. Peers are first held against replay: where they can do the same, they must find
the same edges. Nothing here is a test: a ratio that misses its goal is told, and fails nothing. A `note`
in the JSON, written by hand, stands below the tables.
"""

from __future__ import annotations

import argparse
import json
import math
import os
import platform
import resource
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import asdict, dataclass
from importlib.metadata import version
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np
import pyarrow.parquet as pq

PERIOD, LONG = 5000, 1000
"""Samples from pass to pass, and of a pass: 20,000 passes in 10⁸ samples."""
ON, OFF = 1000.0, 800.0
GOALS = {
    "replay": ("file", 2.0),
    "replay, engine alone": ("file", 1.1),
    "replay of quiet light, engine alone": ("file", 0.2),
    "surface": ("replays", 60.0),
    "surface, compiled": ("replays", 12.0),
    "bench of nine strategies, 100 draws": ("replays", 30.0),
}
MEMORY_GOALS = {"busy": 5.5, "quiet": 5.5, "chatter": 4.0}
"""So many times the fastest peer."""
NINE = (
    "single-sample", "background-referenced", "sweep-minmax", "two-sample-midpoint", "quantile-guard",
    "balanced-guard", "guard-or-window", "filtered-guard", "ratio-midpoint",
)  # fmt: skip


@dataclass(frozen=True)
class Measured:
    """One question on one file.

    Parameters
    ----------
    question : str
    samples : int
    cpu_s, wall_s, decode_s, decode_wall_s : float, s
        Of the question, and of decoding its file in one thread in the same process.
    peak_mib : float, MiB
        Largest memory of its process.
    """

    question: str
    samples: int
    cpu_s: float
    wall_s: float
    decode_s: float
    decode_wall_s: float
    peak_mib: float


def light(samples: int, seed: int, kind: str = "busy") -> np.ndarray[Any, Any]:
    """Return light of a line, float32: passes in noise; one in 10⁶ samples; or noise at the levels."""
    rng = np.random.default_rng(seed)
    at = np.arange(samples)
    if kind == "chatter":
        return (900 + 300 * rng.standard_normal(samples, np.float32)).astype(np.float32)
    period = 1_000_000 if kind == "quiet" else PERIOD
    inside = at % period >= period - LONG - 500
    inside &= at % period < period - 500
    return np.where(inside, np.float32(2000), np.float32(300)) + 20 * rng.standard_normal(samples, np.float32)


def write(folder: Path, samples: int, kind: str) -> Path:
    """Write a recording with its passes, in lots, and the setting."""
    from teachlab.data.recording_files import RecordingWriter
    from teachlab.data.setting_files import write_setting
    from teachlab.data.truth_files import write_truth
    from teachlab.model.recording import Direction, RecordingInfo
    from teachlab.model.setting import Setting
    from teachlab.model.truth import Truth

    path, piece = folder / f"{kind}.parquet", 1_000_000
    info = RecordingInfo(sample_rate_hz=20_000.0, unit="counts", full_scale=4095, direction=Direction.RISE)
    with RecordingWriter(path, info, np.float32) as out:
        for k in range(-(-samples // piece)):
            out.append(light(piece, k, kind)[: samples - k * piece])
    period = 1_000_000 if kind == "quiet" else PERIOD
    start = np.arange(period - LONG - 500, samples - LONG, period)
    lots = [f"lot {20 * k // start.size}" for k in range(start.size)]
    write_truth(folder / f"{kind}.passes.parquet", Truth.from_arrays(start, start + LONG, lot=lots).tied_to(out.digest))
    write_setting(folder / "setting.json", Setting(unit="counts", on_level=ON, off_level=OFF))
    return path


def decode(path: Path) -> None:
    """Decode the column alone, row group by row group, in one thread."""
    file = pq.ParquetFile(path, pre_buffer=False)
    for group in range(file.num_row_groups):
        file.read_row_group(group, ["light"], use_threads=False)


def questions(path: Path) -> dict[str, Callable[[], object]]:
    """Return what is measured, as functions of the file beside which passes and setting lie."""
    import teachlab
    from teachlab.data.opening import open_pair
    from teachlab.data.setting_files import read_setting
    from teachlab.model.draws import DrawOptions
    from teachlab.questions.quality import inspected
    from teachlab.questions.replay import replayed
    from teachlab.questions.stress import stress
    from teachlab.questions.surface.count import surface
    from teachlab.studies.many_recordings import bench_files
    from teachlab.switching import replay
    from teachlab.teaching import resolve

    recording, truth = open_pair(str(path))
    setting = read_setting(path.with_name("setting.json"))

    def imported() -> None:
        teachlab.write_recording(path.with_name("again.parquet"), recording)

    return {
        "replay": lambda: replayed(recording, truth, setting),
        "replay, engine alone": lambda: replay(recording, setting),
        "replay of quiet light, engine alone": lambda: replay(recording, setting),
        "write_recording": imported,
        "inspect": lambda: inspected(recording, truth, progress=lambda _: None),
        "stress": lambda: stress(recording, truth, setting),
        "surface": lambda: surface(recording, truth, setting, fast=False),
        "surface, compiled": lambda: surface(recording, truth, setting, fast=True),
        "bench of nine strategies, 100 draws": lambda: bench_files(
            [str(path)], [resolve(name) for name in NINE], options=DrawOptions(draws=100), jobs=1
        ),
    }


def measure(path: str, question: str, repeats: int) -> None:
    """Measure one question in this process, in turn with decoding, and print it as JSON."""
    ask = questions(Path(path))[question]
    # Peak memory is that of the process; what decoding takes is in it.
    if "compiled" in question:
        ask()  # Compiling takes seconds, once per installation.
    cpu, wall, alone, walls = [], [], [], []
    for _ in range(repeats):
        begin, clock = time.process_time(), time.perf_counter()
        decode(Path(path))
        alone.append(time.process_time() - begin)
        walls.append(time.perf_counter() - clock)
        begin, clock = time.process_time(), time.perf_counter()
        ask()
        cpu.append(time.process_time() - begin)
        wall.append(time.perf_counter() - clock)
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    samples = pq.ParquetFile(path).metadata.num_rows
    print(json.dumps(asdict(Measured(question, samples, min(cpu), min(wall), min(alone), min(walls), peak))))


def in_memory(samples: int, repeats: int) -> list[dict[str, Any]]:
    """Return how replay in memory compares with its peers and with one pass over memory; all must agree."""
    import pandas as pd
    import polars as pl
    from obspy.signal.trigger import trigger_onset

    from teachlab.model.recording import Recording, RecordingInfo
    from teachlab.model.setting import Setting
    from teachlab.switching import replay

    info = RecordingInfo(sample_rate_hz=20_000.0, unit="counts")
    setting = Setting(unit="counts", on_level=ON, off_level=OFF)

    def by_pandas(x: np.ndarray[Any, Any]) -> np.ndarray[Any, Any]:
        code = np.where(x >= ON, 1.0, np.where(x < OFF, 0.0, np.nan)).astype(np.float32)
        on = pd.Series(code).ffill().to_numpy() > 0
        return np.flatnonzero(on[1:] != on[:-1]) + 1

    def by_polars(x: np.ndarray[Any, Any]) -> np.ndarray[Any, Any]:
        code = pl.when(pl.col("x") >= ON).then(1).when(pl.col("x") < OFF).then(0)
        on = pl.DataFrame({"x": x}).select(code.cast(pl.Int8).forward_fill()).to_series().to_numpy() > 0
        return np.flatnonzero(on[1:] != on[:-1]) + 1

    def by_obspy(x: np.ndarray[Any, Any]) -> np.ndarray[Any, Any]:
        # On at its level and above (`charfct >= thres1` in its source, whatever its description says); it tells the
        # last sample of a run.
        found = np.asarray(trigger_onset(x, ON, OFF))
        return np.sort(np.concatenate((found[:, 0], found[:, 1] + 1))) if found.size else np.empty(0, np.int64)

    out = []
    for kind in ("busy", "quiet", "chatter"):
        x = light(samples, 1, kind)
        recording = Recording.from_array(x, info)
        known = replay(recording, setting)
        edges = np.sort(np.concatenate((known.onsets, known.releases)))
        peers = {"pandas": by_pandas, "polars": by_polars, "obspy": by_obspy}
        for name, peer in peers.items():
            inside = [e[(e > 0) & (e < samples)] for e in (peer(x), edges)]
            if not np.array_equal(*inside):
                raise SystemExit(f"{name} and replay differ on {kind} light")
        times: dict[str, list[float]] = {}
        for _ in range(repeats):
            for name, work in (
                ("replay", lambda r=recording: replay(r, setting)),
                ("one pass over memory", x.max),
                *((name, lambda peer=peer, x=x: peer(x)) for name, peer in peers.items()),
            ):
                begin = time.process_time()
                work()
                times.setdefault(name, []).append(time.process_time() - begin)
        least = {name: min(values) for name, values in times.items()}
        fastest = min(peers, key=lambda name: least[name])
        out.append(
            {
                "light": kind, "samples": samples, "transitions": int(edges.size), "fastest_peer": fastest,
                "fastest_peer_to_replay": least[fastest] / least["replay"],
                "replay_to_one_pass": least["replay"] / least["one pass over memory"],
                "peers_to_replay": {name: least[name] / least["replay"] for name in peers},
                "goal": MEMORY_GOALS[kind],
            }
        )  # fmt: skip
    return out


def table(found: dict[str, Any]) -> str:
    """Return the tables for people."""
    rows = [Measured(**one) for one in found["files"]]
    engine = {one.samples: one for one in rows if one.question == "replay, engine alone"}
    lines = [
        "# Speed", "",
        f"Python {found['python']}, {found['cores']} cores, commit {found['commit']}; "
        + ", ".join(f"{name} {number}" for name, number in found["versions"].items()) + ".", "",
        "CPU time in all threads, the least of the repeats, taken in turn with decoding the same file in one thread. A "
        f"replay is the engine alone. Light: float32, a pass of {LONG} samples every {PERIOD}, noise of a tenth of the "
        "hysteresis.", "",
        "| question | samples | × decoding, CPU | × decoding, wall | × replay | peak, MiB | goal | met |",
        "|---|---|---|---|---|---|---|---|",
    ]  # fmt: skip
    for one in rows:
        ratio, replays = (
            one.cpu_s / one.decode_s,
            one.cpu_s / engine[one.samples].cpu_s if one.samples in engine else math.nan,
        )
        by, goal = GOALS.get(one.question, ("", math.nan))
        own = {"file": ratio, "replays": replays}.get(by, math.nan)
        told = "" if not by else f"{goal:g} × {'decoding' if by == 'file' else 'replay'}"
        lines.append(
            f"| {one.question} | {one.samples:.0e} | {ratio:.2f} | "
            f"{one.wall_s / one.decode_wall_s:.2f} | {replays:.1f} | "
            f"{one.peak_mib:.0f} | {told} | {'' if not by else 'yes' if own <= goal else 'no'} |"
        )
    lines += ["", "## In memory, against peers that find the same edges", "",
              "| light | transitions | fastest peer | × replay | goal | met | replay × one pass over memory |",
              "|---|---|---|---|---|---|---|"]  # fmt: skip
    for one in found["memory"]:
        ratio = one["fastest_peer_to_replay"]
        lines.append(
            f"| {one['light']}, {one['samples']:.0e} | {one['transitions']:,} | {one['fastest_peer']} | {ratio:.1f} | "
            f"{one['goal']:g} | {'yes' if ratio >= one['goal'] else 'no'} | {one['replay_to_one_pass']:.1f} |"
        )
    if note := found.get("note"):
        lines += ["", note]
    return "\n".join(lines) + "\n"


def main() -> None:
    """Measure and write."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--samples", type=int, nargs="*", default=[10_000_000, 100_000_000])
    parser.add_argument("--in-memory", type=int, default=10_000_000)
    parser.add_argument("--repeats", type=int, default=3)
    parser.add_argument("--slow", type=int, default=10_000_000, help="what takes long, up to so many samples")
    parser.add_argument("--out", type=Path)
    parser.add_argument("--measure", nargs=2, help=argparse.SUPPRESS)
    given = parser.parse_args()
    if given.measure:
        measure(*given.measure, given.repeats)
        return
    files = []
    with TemporaryDirectory() as folder:
        for samples in given.samples:
            paths = {kind: write(Path(folder), samples, kind) for kind in ("busy", "quiet")}
            for question in questions(paths["busy"]):
                slow = question.startswith(("surface", "bench"))
                if samples > given.slow and (slow or question in {"inspect", "stress", "write_recording"}):
                    continue
                path = paths["quiet" if "quiet" in question else "busy"]
                repeats = 1 if slow else given.repeats
                done = subprocess.run(
                    [sys.executable, __file__, "--repeats", str(repeats), "--measure", str(path), question],
                    capture_output=True, text=True, check=False,
                )  # fmt: skip
                if done.returncode:
                    print(f"{question}: {done.stderr.strip().splitlines()[-1]}", file=sys.stderr)
                    continue
                files.append(json.loads(done.stdout.splitlines()[-1]))
                print(files[-1], file=sys.stderr)
    commit = subprocess.run(
        ["git", "rev-parse", "--short", "HEAD"], capture_output=True, text=True, check=True
    ).stdout.strip()
    found = {
        "commit": commit, "python": platform.python_version(), "cores": os.cpu_count(),
        "versions": {name: version(name) for name in ("numpy", "pyarrow", "pandas", "polars", "obspy", "numba")},
        "files": files, "memory": in_memory(given.in_memory, given.repeats),
    }  # fmt: skip
    text = table(found)
    if given.out is not None:
        given.out.with_suffix(".json").write_text(json.dumps(found, indent=1) + "\n")
        given.out.with_suffix(".md").write_text(text)
    print(text)


if __name__ == "__main__":
    main()
