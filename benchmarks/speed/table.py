"""One table of ratios: what every question costs against decoding its file, and replay in memory against its peers.

Run: ``python benchmarks/speed/table.py [--samples 10000000 100000000] [--passes 2000] [--question replay …]
[--in-memory 10000000] [--out benchmarks/results/speed]``. Prints the tables; with ``--out`` writes them too, ``.md``
and ``.json``: what was measured takes the place of the same rows there, other rows stay, each with its commit. Every
ratio is of two figures taken in turn, in CPU time of all threads and in wall time; the least of the repeats is told,
since other work on the machine only adds. Decoding takes one thread and a question may take two, so a goal in decodings
is one of wall time. Every question runs in a process of its own, for its peak memory. ``--passes`` gives every file so
many passes, whatever its length: then what grows with the lists of passes and edges stays as it is. Another table tells
time and memory over the length. Peers are first held against replay: where they can do the same, they must find the
same edges. Nothing here is a test: a ratio that misses its goal is told, and fails nothing. A `note` in the JSON,
written by hand, stands below the tables.
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
import pyarrow as pa
import pyarrow.parquet as pq

Every = tuple[int, int]
"""Samples from pass to pass, and of a pass."""
IN_FILES, IN_MEMORY, QUIET = (5000, 1000), (500, 100), (1_000_000, 1000)
QUESTIONS = (
    "replay", "replay, engine alone", "replay of quiet light, engine alone", "write_recording", "import", "inspect",
    "stress",
    "surface", "surface, compiled", "bench of nine strategies, 100 draws",
)  # fmt: skip
ON, OFF = 1000.0, 800.0
GOALS = {
    "replay": ("file", 2.0),
    "replay, engine alone": ("file", 1.1),
    "replay of quiet light, engine alone": ("file", 0.2),
    "surface": ("replays", 60.0),
    "surface, compiled": ("replays", 12.0),
    "bench of nine strategies, 100 draws": ("replays", 30.0),
}
MEMORY_GOALS = {"busy": (5.5, 16.0), "chatter": (4.0, 4.0)}
"""So many times the fastest peer as it is first written, in NumPy and compiled."""
FIRST_WRITTEN = ("pandas", "polars", "obspy")
"""Peers as their documents show them; the others are the same in the fastest form that we found."""
SLOPE, FLAT = (0.97, 1.03), 1.2
"""Goals over the length: the slope of time in a plot of logarithms, and how much more memory may be taken."""
MOST_REPEATS, ENOUGH_S = 12, 3.0
ALL_PEERS = 20_000_000
"""Up to so many samples all peers are timed; above it, those that took less than 20 times the fastest one's time."""
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
    passes : int
    commit : str
        Of the code.
    """

    question: str
    samples: int
    cpu_s: float
    wall_s: float
    decode_s: float
    decode_wall_s: float
    peak_mib: float
    passes: int
    commit: str


def light(samples: int, seed: int, every: Every | None, first: int = 0) -> np.ndarray[Any, Any]:
    """Return light of a line, float32: a pass in noise every so many samples, or noise at the levels."""
    rng = np.random.default_rng(seed)
    if every is None:
        return (900 + 300 * rng.standard_normal(samples, np.float32)).astype(np.float32)
    period, long = every
    at = np.arange(first, first + samples) % period
    inside = (at >= period - long - long // 2) & (at < period - long // 2)
    return np.where(inside, np.float32(2000), np.float32(300)) + 20 * rng.standard_normal(samples, np.float32)


def write(folder: Path, samples: int, kind: str, every: Every) -> Path:
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
            out.append(light(piece, k, every, k * piece)[: samples - k * piece])
    period, long = every
    start = np.arange(period - long - long // 2, samples - long, period)
    lots = [f"lot {20 * k // start.size}" for k in range(start.size)]
    write_truth(folder / f"{kind}.passes.parquet", Truth.from_arrays(start, start + long, lot=lots).tied_to(out.digest))
    write_setting(folder / "setting.json", Setting(unit="counts", on_level=ON, off_level=OFF))
    return path


def write_log(path: Path) -> None:
    """Write the light of a recording as a logger would leave it: a plain table of one column."""
    file = pq.ParquetFile(path, pre_buffer=False)
    target, schema = path.with_name("log.parquet"), pa.schema([("value", pa.float32())])
    with pq.ParquetWriter(target, schema, compression=None, use_dictionary=False) as out:
        for group in range(file.num_row_groups):
            out.write_table(file.read_row_group(group, ["light"]).rename_columns(["value"]).cast(out.schema))


def decode(path: Path) -> None:
    """Decode the column alone, row group by row group, in one thread."""
    file = pq.ParquetFile(path, pre_buffer=False)
    for group in range(file.num_row_groups):
        file.read_row_group(group, ["light"], use_threads=False)


def asking(question: str, path: Path) -> Callable[[], object]:
    """Return what is measured, as a function of the file beside which passes and setting lie."""
    import teachlab
    from teachlab.data.importing import ImportJob, import_log
    from teachlab.data.opening import open_pair
    from teachlab.data.setting_files import read_setting
    from teachlab.model.draws import DrawOptions
    from teachlab.model.recording import RecordingInfo
    from teachlab.questions.quality import inspected
    from teachlab.questions.replay import replayed
    from teachlab.questions.stress import stress
    from teachlab.questions.surface.count import surface
    from teachlab.studies.many_recordings import bench_files
    from teachlab.switching import replay
    from teachlab.teaching import resolve

    if question == "import":
        # It opens neither of them, and the passes and the end of a long recording take memory.
        info = RecordingInfo(sample_rate_hz=20_000.0, unit="counts")
        log, out = (str(path.with_name(name)) for name in ("log.parquet", "imported.parquet"))
        return lambda: import_log(ImportJob(path=log, out=out, info=info, rate_hz=20_000.0))
    recording, truth = open_pair(str(path))
    setting = read_setting(path.with_name("setting.json"))

    def written() -> None:
        teachlab.write_recording(path.with_name("again.parquet"), recording)

    ask: dict[str, Callable[[], object]] = {
        "replay": lambda: replayed(recording, truth, setting),
        "replay, engine alone": lambda: replay(recording, setting),
        "replay of quiet light, engine alone": lambda: replay(recording, setting),
        "write_recording": written,
        "inspect": lambda: inspected(recording, truth, progress=lambda _: None),
        "stress": lambda: stress(recording, truth, setting),
        "surface": lambda: surface(recording, truth, setting, fast=False),
        "surface, compiled": lambda: surface(recording, truth, setting, fast=True),
        "bench of nine strategies, 100 draws": lambda: bench_files(
            [str(path)], [resolve(name) for name in NINE], options=DrawOptions(draws=100), jobs=1
        ),
    }
    return ask[question]


def measure(path: str, question: str, repeats: int, commit: str) -> None:
    """Measure one question in this process, in turn with decoding, and print it as JSON."""
    ask = asking(question, Path(path))
    # Peak memory is that of the process; what decoding takes is in it.
    if "compiled" in question:
        ask()  # Compiling takes seconds, once per installation.
    cpu, wall, alone, walls = [], [], [], []
    while again(len(cpu), repeats, sum(wall)):
        begin, clock = time.process_time(), time.perf_counter()
        decode(Path(path))
        alone.append(time.process_time() - begin)
        walls.append(time.perf_counter() - clock)
        begin, clock = time.process_time(), time.perf_counter()
        ask()
        cpu.append(time.process_time() - begin)
        wall.append(time.perf_counter() - clock)
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    samples, passes = (
        pq.ParquetFile(one).metadata.num_rows for one in (path, Path(path).with_suffix(".passes.parquet"))
    )
    print(json.dumps(asdict(
        Measured(question, samples, min(cpu), min(wall), min(alone), min(walls), peak, passes, commit)
    )))  # fmt: skip


def in_memory(samples: int, repeats: int, commit: str) -> list[dict[str, Any]]:
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

    def by_polars_narrow(x: np.ndarray[Any, Any]) -> np.ndarray[Any, Any]:
        # Numbers of one byte from the beginning, not of four that are made narrow: twice as fast.
        one, none = pl.lit(1, pl.Int8), pl.lit(0, pl.Int8)
        code = pl.when(pl.col("x") >= ON).then(one).when(pl.col("x") < OFF).then(none)
        on = pl.DataFrame({"x": x}).select(code.forward_fill()).to_series().to_numpy() > 0
        return np.flatnonzero(on[1:] != on[:-1]) + 1

    def by_polars_flags(x: np.ndarray[Any, Any]) -> np.ndarray[Any, Any]:
        code = pl.when(pl.col("x") >= ON).then(True).when(pl.col("x") < OFF).then(False)
        on = pl.DataFrame({"x": x}).select(code.forward_fill()).to_series().to_numpy()
        return np.flatnonzero(on[1:] != on[:-1]) + 1

    def by_obspy(x: np.ndarray[Any, Any]) -> np.ndarray[Any, Any]:
        # On at its level and above (`charfct >= thres1` in its source, whatever its description says); it tells the
        # last sample of a run.
        found = np.asarray(trigger_onset(x, ON, OFF))
        return np.sort(np.concatenate((found[:, 0], found[:, 1] + 1))) if found.size else np.empty(0, np.int64)

    out: list[dict[str, Any]] = []
    for kind, every in (("busy", IN_MEMORY), ("quiet", QUIET), ("chatter", None)):
        x = light(samples, 1, every)
        recording = Recording.from_array(x, info)
        known = replay(recording, setting)
        edges = np.sort(np.concatenate((known.onsets, known.releases)))
        peers = {
            "pandas": by_pandas, "polars": by_polars, "polars, one byte": by_polars_narrow,
            "polars, flags": by_polars_flags, "obspy": by_obspy,
        }  # fmt: skip
        if samples > ALL_PEERS:
            part = x[: ALL_PEERS // 4]
            took = {name: cpu_of(lambda peer=peer, part=part: peer(part)) for name, peer in peers.items()}
            peers = {name: peer for name, peer in peers.items() if took[name] < 20 * min(took.values())}
        for name, peer in peers.items():
            inside = [e[(e > 0) & (e < samples)] for e in (peer(x), edges)]
            if not np.array_equal(*inside):
                raise SystemExit(f"{name} and replay differ on {kind} light")
        fast = replay(recording, setting, fast=True)
        if not (fast.compiled and np.array_equal(np.sort(np.concatenate((fast.onsets, fast.releases))), edges)):
            raise SystemExit(f"the two ways of replay differ on {kind} light")
        del fast, known
        times: dict[str, list[float]] = {}
        begin = time.perf_counter()
        while again(len(times.get("replay", ())), repeats, time.perf_counter() - begin):
            for name, work in (
                ("replay", lambda r=recording: replay(r, setting, fast=False)),
                ("compiled", lambda r=recording: replay(r, setting, fast=True)),
                ("one pass over memory", x.max),
                *((name, lambda peer=peer, x=x: peer(x)) for name, peer in peers.items()),
            ):
                times.setdefault(name, []).append(cpu_of(work))
        least = {name: min(values) for name, values in times.items()}
        out.append(
            {
                "light": kind, "samples": samples, "transitions": int(edges.size), "commit": commit,
                "ns_per_sample": {name: 1e9 * value / samples for name, value in least.items()},
            }
        )  # fmt: skip
        print(out[-1], file=sys.stderr)
    return out


def again(done: int, repeats: int, took: float) -> bool:
    """Whether to measure once more. What is quick is asked more often: its least time is found later."""
    return done < repeats or (repeats > 1 and done < MOST_REPEATS and took < ENOUGH_S)


def cpu_of(work: Callable[[], object]) -> float:
    """Return the CPU time of some work in all threads, s."""
    begin = time.process_time()
    work()
    return time.process_time() - begin


def table(found: dict[str, Any]) -> str:
    """Return the tables for people."""
    rows = [Measured(**one) for one in found["files"]]
    engine = {(one.samples, one.passes): one for one in rows if one.question == "replay, engine alone"}
    lines = [
        "# Speed", "",
        f"Python {found['python']}, {found['cores']} cores; "
        + ", ".join(f"{name} {number}" for name, number in found["versions"].items()) + ".", "",
        "The least of the repeats, CPU time in all threads and wall time, taken in turn with decoding the same file "
        "in one thread. A replay is the engine alone. Light: float32, noise of a tenth of the hysteresis, a pass for a "
        "fifth of the time.", "",
        "| question | samples | passes | × decoding, CPU | × decoding, wall | × replay | peak, MiB | goal | met | "
        "commit |",
        "|---|---|---|---|---|---|---|---|---|---|",
    ]  # fmt: skip
    for one in rows:
        alone = engine.get((one.samples, one.passes))
        ratio, replays = decodings(one), math.nan if alone is None else one.cpu_s / one.decode_s / decodings(alone)
        wall = one.wall_s / one.decode_wall_s
        by, goal = GOALS.get(one.question, ("", math.nan))
        own = {"file": wall, "replays": replays}.get(by, math.nan)
        told = "" if not by else f"{goal:g} × {'decoding, wall' if by == 'file' else 'replay, CPU'}"
        lines.append(
            f"| {one.question} | {one.samples:.0e} | {one.passes:,} | {ratio:.2f} | "
            f"{wall:.2f} | {'' if alone is None else f'{replays:.1f}'} | "
            f"{one.peak_mib:.0f} | {told} | {'' if own != own else _met(own <= goal)} | {one.commit} |"
        )
    lines += _over_length(rows)
    lines += ["", "## In memory, against peers that find the same edges", "",
              "How many times faster than the fastest peer a replay is, in NumPy and compiled (the extra `fast`): "
              "beside the peers as their documents show them, then beside the fastest form of any that we found. The "
              "last columns are CPU time, ns a sample: what looks at every sample takes about one pass over memory, or "
              "more.", "",
              "| light | transitions | fastest peer, first written | NumPy | goal | met | compiled | goal | met | "
              "fastest form | NumPy | compiled | one pass | replay | compiled | peers | commit |",
              "|---|---|---|---|---|---|---|---|---|---|---|---|---|---|---|---|---|"]  # fmt: skip
    for one in found["memory"]:
        took = dict(one["ns_per_sample"])
        own = {name: took.pop(name) for name in ("one pass over memory", "replay", "compiled")}
        first = min((name for name in FIRST_WRITTEN if name in took), key=lambda name: took[name])
        cells = [f"{one['light']}, {one['samples']:.0e}", f"{one['transitions']:,}", first]
        goals = MEMORY_GOALS.get(one["light"])
        for k, name in enumerate(("replay", "compiled")):
            ratio = took[first] / own[name]
            cells += [f"{ratio:.1f}", *(["", ""] if goals is None else [f"{goals[k]:g}", _met(ratio >= goals[k])])]
        fastest = min(took, key=lambda name: took[name])
        cells += [fastest, *(f"{took[fastest] / own[name]:.1f}" for name in ("replay", "compiled"))]
        cells += [*(f"{value:.2f}" for value in own.values())]
        cells += ["; ".join(f"{name} {value:.2f}" for name, value in took.items()), one["commit"]]
        lines.append(f"| {' | '.join(cells)} |")
    if note := found.get("note"):
        lines += ["", note]
    return "\n".join(lines) + "\n"


def _met(yes: bool) -> str:
    return "yes" if yes else "no"


def decodings(one: Measured) -> float:
    """Return the time of a question in decodings of its file."""
    return one.cpu_s / one.decode_s


def _over_length(rows: list[Measured]) -> list[str]:
    """Return the table of what was measured at several lengths: slope of time, and more memory."""
    lines = ["", "## Over the length", "",
             "Slope of time against samples in a plot of logarithms, time counted in decodings (CPU); and peak memory. "
             "Where passes grow with the samples, memory holds longer lists of passes and edges. What is done once "
             "counts in the slope; between the two longest it hardly does.", "",
             "| question | passes | samples | slope | goal | met | of the two longest | memory × | goal | met |",
             "|---|---|---|---|---|---|---|---|---|---|"]  # fmt: skip
    for question in dict.fromkeys(one.question for one in rows):
        own = [one for one in rows if one.question == question]
        same = {f"{one.passes:,}": [two for two in own if two.passes == one.passes] for one in own}
        every = IN_FILES[0]
        same[f"1 in {every:,} samples"] = [one for one in own if abs(one.samples / every - one.passes) <= 1]
        for passes, some in same.items():
            if len({one.samples for one in some}) < 2:
                continue
            some.sort(key=lambda one: one.samples)
            short, last, long = some[0], some[-2], some[-1]
            slope = _slope(short, long)
            more, flat = long.peak_mib / short.peak_mib, " in " not in passes
            lines.append(
                f"| {question} | {passes} | {short.samples:.0e} to {long.samples:.0e} | {slope:.2f} | "
                f"{SLOPE[0]:g} to {SLOPE[1]:g} | {_met(SLOPE[0] <= slope <= SLOPE[1])} | "
                f"{_slope(last, long):.2f} | {more:.2f} | "
                f"{f'{FLAT:g}' if flat else ''} | {_met(more <= FLAT) if flat else ''} |"
            )
    return lines if lines[-1][2] != "-" else []


def _slope(short: Measured, long: Measured) -> float:
    return 1 + math.log(decodings(long) / decodings(short)) / math.log(long.samples / short.samples)


def _kept(path: Path | None) -> dict[str, Any]:
    """Return what a file of results holds already."""
    found: dict[str, Any] = {} if path is None or not path.exists() else json.loads(path.read_text())
    return found


def _renewed(old: list[dict[str, Any]], new: list[dict[str, Any]], keys: tuple[str, ...]) -> list[dict[str, Any]]:
    """Return rows with those measured now in the place of the same ones of before."""
    rows = {tuple(one[key] for key in keys): one for one in (*old, *new)}
    return list(rows.values())


def main() -> None:
    """Measure and write."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--samples", type=int, nargs="*", default=[10_000_000, 100_000_000])
    parser.add_argument("--passes", type=int, help="so many in every file, instead of one in so many samples")
    parser.add_argument("--question", nargs="*", help="only these")
    parser.add_argument("--in-memory", type=int, nargs="*", default=[10_000_000])
    parser.add_argument("--repeats", type=int, default=3)
    parser.add_argument("--slow", type=int, default=10_000_000, help="what takes long, up to so many samples")
    parser.add_argument("--folder", type=Path, help="where the files are made, and left; default: one that is removed")
    parser.add_argument("--out", type=Path)
    parser.add_argument("--measure", nargs=3, help=argparse.SUPPRESS)
    given = parser.parse_args()
    if given.measure:
        path, question, commit = given.measure
        measure(path, question, given.repeats, commit)
        return
    commit = subprocess.run(
        ["git", "rev-parse", "--short", "HEAD"], capture_output=True, text=True, check=True
    ).stdout.strip()
    files = []
    with TemporaryDirectory() as removed:
        for samples in given.samples:
            folder = (given.folder or Path(removed)) / f"{samples}-{given.passes}"
            folder.mkdir(parents=True, exist_ok=True)
            busy = IN_FILES
            if given.passes is not None:
                busy = samples // given.passes, samples // given.passes // 5
            asked = given.question or QUESTIONS
            paths = {}
            for kind, every in (("busy", busy), ("quiet", QUIET)):
                if any(("quiet" in question) == (kind == "quiet") for question in asked):
                    path = folder / f"{kind}.parquet"
                    paths[kind] = path if path.exists() else write(folder, samples, kind, every)
            if "import" in asked and not (folder / "log.parquet").exists():
                write_log(paths["busy"])
            for question in asked:
                slow = question.startswith(("surface", "bench"))
                if samples > given.slow and (slow or question in {"import", "inspect", "stress", "write_recording"}):
                    continue
                # Work of seconds is done anew as well: the first time of a process loads libraries, too.
                repeats = 1 if slow and samples > 20_000_000 else given.repeats
                done = subprocess.run(
                    [sys.executable, __file__, "--repeats", str(repeats), "--measure",
                     str(paths["quiet" if "quiet" in question else "busy"]), question, commit],
                    capture_output=True, text=True, check=False,
                )  # fmt: skip
                if done.returncode:
                    print(f"{question}: {done.stderr.strip().splitlines()[-1]}", file=sys.stderr)
                    continue
                files.append(json.loads(done.stdout.splitlines()[-1]))
                print(files[-1], file=sys.stderr)
    memory = [row for samples in given.in_memory for row in in_memory(samples, given.repeats, commit)]
    kept = _kept(None if given.out is None else given.out.with_suffix(".json"))
    found = {
        "python": platform.python_version(), "cores": os.cpu_count(),
        "versions": {name: version(name) for name in ("numpy", "pyarrow", "pandas", "polars", "obspy", "numba")},
        "files": _renewed(kept.get("files", []), files, ("question", "samples", "passes")),
        "memory": _renewed(kept.get("memory", []), memory, ("light", "samples")),
        **({"note": kept["note"]} if "note" in kept else {}),
    }  # fmt: skip
    text = table(found)
    if given.out is not None:
        given.out.with_suffix(".json").write_text(json.dumps(found, indent=1) + "\n")
        given.out.with_suffix(".md").write_text(text)
    print(text)


if __name__ == "__main__":
    main()
