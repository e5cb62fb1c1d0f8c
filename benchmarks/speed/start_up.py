"""How long `--help` and `--version` take beside the `--help` of a bare typer application of two commands.

Processes are started in turn, so that what else the machine does falls on all alike; compared are medians. Goal: at
most 1.3.

Run: ``python benchmarks/speed/start_up.py``
"""

from __future__ import annotations

import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

REPEATS = 25
GOAL = 1.3
BARE = '''
import typer

app = typer.Typer()


@app.command()
def first(count: int = 1) -> None:
    """Do the first thing."""


@app.command()
def second(count: int = 1) -> None:
    """Do the second thing."""


app()
'''


def seconds(words: list[str]) -> float:
    began = time.perf_counter()
    subprocess.run([sys.executable, *words], stdout=subprocess.DEVNULL, check=True)
    return time.perf_counter() - began


def main() -> int:
    with tempfile.TemporaryDirectory() as folder:
        bare = Path(folder) / "bare.py"
        bare.write_text(BARE)
        asked = {
            "bare --help": [str(bare), "--help"],
            "teachlab --help": ["-m", "teachlab", "--help"],
            "teachlab --version": ["-m", "teachlab", "--version"],
        }
        took: dict[str, list[float]] = {name: [] for name in asked}
        for name, words in [*asked.items(), *list(asked.items()) * REPEATS]:
            took[name].append(seconds(words))
    medians = {name: statistics.median(found[1:]) for name, found in took.items()}
    for name, median in medians.items():
        print(f"{name:20} {1000 * median:6.0f} ms  {median / medians['bare --help']:.2f} times")
    return int(max(medians.values()) > GOAL * medians["bare --help"])


if __name__ == "__main__":
    sys.exit(main())
