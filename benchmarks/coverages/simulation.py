"""How a simulation is run and kept: the script's cases one by one, then a document of its name beside it."""

from __future__ import annotations

import argparse
import json
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

Rows = list[dict[str, Any]]


def run(
    script: str,
    doc: str | None,
    cases: Callable[[int], Iterator[dict[str, Any]]],
    told: Callable[[Rows], dict[str, Any]],
    *,
    repetitions: int,
    **meant: Any,
) -> None:
    """Simulate every case, print it, and write all of them as JSON.

    Parameters
    ----------
    script, doc : str
        `__file__` and `__doc__` of the script.
    cases : callable
        Takes the number of repetitions; yields a row a case.
    told : callable
        Takes all rows; returns what they show together.
    repetitions : int
        Unless `--repetitions` says otherwise.
    **meant
        What the simulation is held against; a nominal coverage of 95 % where nothing is given.
    """
    parser = argparse.ArgumentParser(description=doc)
    parser.add_argument("--repetitions", type=int, default=repetitions)
    wanted = parser.parse_args().repetitions
    rows: Rows = []
    for row in cases(wanted):
        rows.append(row)
        print(row, flush=True)
    document = {**(meant or {"nominal": 0.95}), "repetitions": wanted, "seed": 0, **told(rows), "rows": rows}
    Path(script).with_suffix(".json").write_text(json.dumps(document, indent=1) + "\n", encoding="utf-8")
