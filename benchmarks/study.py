"""A whole study, killed under way, in worker processes and on a Dask cluster: the same bytes, and what it took.

``python benchmarks/study.py`` writes ``results/study.md``. 50 generated recordings × 3 strategies × 20 values of a
parameter × 50 draws, as one command and as one line of Python; ``--lines 4 --values 2 --draws 3`` is a short sitting.
"""

from __future__ import annotations

import argparse
import importlib.metadata
import os
import random
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

RESULTS = Path(__file__).parent / "results"
COMMAND = (
    "study rec --strategy quantile-guard --strategy two-sample-midpoint --strategy sweep-minmax "
    "--grid quantile-guard.position=0.1:0.9:{values} --grid two-sample-midpoint.hysteresis_share=0.02:0.6:{values} "
    "--grid sweep-minmax.weight=0.1:0.9:{values} --draws {draws}"
)


def teachlab_run(words: str) -> subprocess.Popen[bytes]:
    """Start a command in a process group of its own."""
    return subprocess.Popen(
        [sys.executable, "-m", "teachlab", *words.split()], start_new_session=True,
        stdout=subprocess.DEVNULL, stderr=subprocess.PIPE,
    )  # fmt: skip


def timed(words: str) -> float:
    """Run a command to its end; return its seconds."""
    began = time.monotonic()
    done = teachlab_run(words)
    told = done.communicate()[1].decode()
    if done.returncode:
        raise SystemExit(f"{words}: exit {done.returncode}: {told}")
    return time.monotonic() - began


def whole(folder: str) -> dict[str, bytes]:
    """Return every file of a folder with its bytes."""
    place = Path(folder)
    return {str(p.relative_to(place)): p.read_bytes() for p in sorted(place.rglob("*")) if p.is_file()}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    for name, usual in (("lines", 50), ("values", 20), ("draws", 50), ("kills", 10), ("passes", 40), ("seed", 1)):
        parser.add_argument(f"--{name}", type=int, default=usual)
    parser.add_argument("--no-store", action="store_true")
    given = parser.parse_args()
    command = COMMAND.format(values=given.values, draws=given.draws)
    rng = random.Random(given.seed)
    with tempfile.TemporaryDirectory() as place:
        os.chdir(place)
        Path("rec").mkdir()
        for k in range(given.lines):
            timed(f"synth demo --passes {given.passes} --seed {k} --out rec/l{k}.parquet")
        rows: list[tuple[str, str, str]] = []
        took = timed(f"{command} --jobs 1 --out through")
        through = whole("through")

        def note(what: str, seconds: float, folder: str) -> None:
            same = "the same" if whole(folder) == through else "OTHER"
            rows.append((what, f"{seconds:.0f}", same))
            print(*rows[-1], flush=True)

        note("one process, one run through", took, "through")
        note("two worker processes", timed(f"{command} --jobs 2 --out workers"), "workers")
        began, kept = time.monotonic(), []
        for _ in range(given.kills):
            child = teachlab_run(f"{command} --jobs 2 --out killed")
            # Under way: after some more recordings are kept, and then at any moment.
            wanted = (kept[-1] if kept else 0) + rng.randint(0, max(1, given.lines // given.kills))
            while len(list(Path("killed").rglob("rows.parquet"))) < min(wanted, given.lines) and child.poll() is None:
                time.sleep(0.05)
            time.sleep(rng.uniform(0, 2 * took / given.lines))
            os.killpg(child.pid, signal.SIGKILL)
            child.communicate()
            kept.append(len(list(Path("killed").rglob("rows.parquet"))))
            print("killed with", kept[-1], "recordings kept", flush=True)
        timed(f"{command} --jobs 2 --out killed")
        each = ", ".join(map(str, kept))
        note(f"killed {given.kills} times ({each} recordings kept at each)", time.monotonic() - began, "killed")
        note("a Dask cluster of two workers", timed(f"{command} --scheduler local --jobs 2 --out dask"), "dask")
        line = (
            f"import teachlab; from teachlab.studies.family.configurations import spaced; n = {given.values}; "
            "f = teachlab.study('rec', {'quantile-guard': {'position': spaced(0.1, 0.9, n)}, 'two-sample-midpoint': "
            "{'hysteresis_share': spaced(0.02, 0.6, n)}, 'sweep-minmax': {'weight': spaced(0.1, 0.9, n)}}, "
            f"draws={given.draws}, jobs=1, out='python').to_pandas(); print(f.shape)"
        )
        began = time.monotonic()
        done = subprocess.run([sys.executable, "-c", line], capture_output=True, text=True, check=True)
        shape = done.stdout.strip()
        note(f"one line of Python, frame of {shape}", time.monotonic() - began, "python")
        again = timed(f"{command} --jobs 1 --out through")
        note("the whole study again, nothing left to do", again, "through")
        size = sum(map(len, through.values()))
    if given.no_store:
        raise SystemExit(any(row[2] != "the same" for row in rows))
    versions = ", ".join(f"{n} {importlib.metadata.version(n)}" for n in ("numpy", "pyarrow", "joblib", "distributed"))
    commit = subprocess.run(
        ["git", "rev-parse", "--short", "HEAD"], capture_output=True, text=True, check=True, cwd=RESULTS
    ).stdout.strip()
    teachings = given.lines * 3 * given.values * given.draws
    lines = [
        "# A whole study", "",
        f"`python benchmarks/study.py` on commit {commit}, {os.cpu_count()} cores shared with other work, Python "
        f"{sys.version.split()[0]}, {versions}.", "",
        f"{given.lines} generated recordings of {given.passes} passes × 3 strategies × {given.values} values × "
        f"{given.draws} draws: {given.lines * 3 * given.values:,} rows, {teachings:,} teachings, "
        f"{size / 1e6:.1f} MB kept.", "",
        "| run | seconds | every byte of the folder |", "|---|---|---|",
        *(f"| {a} | {b} | {c} |" for a, b, c in rows),
    ]  # fmt: skip
    (RESULTS / "study.md").write_text("\n".join(lines) + "\n")


if __name__ == "__main__":
    main()
