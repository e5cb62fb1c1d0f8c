"""All strategies on the difficult products: is the recommended one at or below every classic, and do the others fail?

    python benchmarks/strategies.py                 the predictions of `predictions.toml`
    python benchmarks/strategies.py --grid          the recommended strategies against the classic four, cell by cell
    python benchmarks/strategies.py --grid --part 1/2    every second cell, for a second process; then once without
    python benchmarks/strategies.py --older         which stored cells are missing, or made by other code

What a cell is, which seeds are fresh and how a row tells the code that made it stands at the head of `grid.py`. With
workable delays the answer is yes but for what the table says; with an off-delay longer than some gaps it is no.
Writes `results/strategies.{jsonl,md}` and `results/predictions.{md,json}`.
"""

from __future__ import annotations

import argparse
import sys

from figures import load
from grid import grid, read, report_older
from run import HERE, judge, rows_of, run_case, store, table

KEPT = HERE / "results" / "strategies.jsonl"


def predictions(draws: int | None) -> int:
    """Judge what the strategies are expected to do; 1 if something does not come true."""
    suite = load(HERE / "predictions.toml")
    verdicts, orders = [], []
    for case in suite.case:
        print(f"{case.id} {case.what}", file=sys.stderr, flush=True)
        mine, chains = judge(case, run_case(suite, case, draws=draws))
        verdicts += mine
        orders += [(case.id, *chain) for chain in chains]
    head = (
        "# What the other strategies do and fail at\n\nMedians and ranges as in `difficult_products.md`; abstained in "
        "percent of the draws. Written by `python benchmarks/strategies.py`.\n\n"
    )
    text = table(verdicts, orders)
    print(text)
    chains = [{"case": c, "order": o, "holds": h} for c, o, h in orders]
    store("predictions", head + text, {"figures": rows_of(verdicts), "orders": chains})
    failed = [v for v in verdicts if not v.accepted] + [o for o in orders if not o[2]]
    print(f"{len(verdicts)} figures, {len(orders)} orderings, {len(failed)} do not come true.", file=sys.stderr)
    return 1 if failed else 0


def main(arguments: list[str]) -> int:
    """Run what the command line asks for."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--grid", action="store_true", help="the recommended strategies against the classic four")
    parser.add_argument("--older", action="store_true", help="cells that are missing, or of other code")
    parser.add_argument("--part", default="1/1", help="with --grid: part K/N of the cells")
    parser.add_argument("--draws", type=int, default=None, help="fewer teach draws for the predictions")
    chosen = parser.parse_args(arguments)
    if chosen.older:
        return report_older(read(KEPT))
    if not chosen.grid:
        return predictions(chosen.draws)
    part, parts = map(int, chosen.part.split("/"))
    return grid(KEPT, part - 1, parts)


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
