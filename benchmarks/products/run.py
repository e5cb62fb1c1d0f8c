"""Run the suite of difficult products: teach on one synthetic recording, score on another, compare with the figures.

    python benchmarks/products/run.py                 all cases; writes benchmarks/results/difficult_products.{md,json}
    python benchmarks/products/run.py A02 A09         some cases, printed only
    python benchmarks/products/run.py --draws 25      fewer teach draws
    python benchmarks/products/run.py --seeds         at every pair of seeds; writes benchmarks/results/seeds.{md,json}
    python benchmarks/products/run.py --further 40 A02    at 40 further pairs, those named; writes results/further.*

How a figure is accepted stands in `figures.py`.
"""

from __future__ import annotations

import argparse
import sys

from cases import judge, run_case, store_once, table
from figures import Case, Suite, load


def run_once(suite: Suite, cases: list[Case], draws: int | None) -> int:
    """Run at the pair of seeds of the suite; 1 if anything is not accepted."""
    verdicts, orders = [], []
    for case in cases:
        print(f"{case.id} {case.what}", file=sys.stderr)
        mine, chains = judge(case, run_case(suite, case, draws=draws))
        verdicts += mine
        orders += [(case.id, *chain) for chain in chains]
    print(table(verdicts, orders))
    if len(cases) == len(suite.case):
        store_once(suite, verdicts, orders, draws)
    failed = [v for v in verdicts if not v.accepted] + [o for o in orders if not o[2]]
    print(f"{len(verdicts)} figures, {len(orders)} orderings, {len(failed)} not accepted.", file=sys.stderr)
    return 1 if failed else 0


def main(arguments: list[str]) -> int:
    """Run what the command line asks for; 1 if anything is not accepted."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("case", nargs="*", help="cases to run, such as A02 or 'A02/on-delay'; all if none")
    parser.add_argument("--draws", type=int, default=None)
    parser.add_argument("--seeds", action="store_true", help="every pair of seeds of the suite")
    parser.add_argument("--further", type=int, default=0, help="so many further pairs of seeds, 1000/1001 and on")
    chosen = parser.parse_args(arguments)
    suite = load()
    wanted = tuple(chosen.case)
    cases = [case for case in suite.case if not wanted or f"{case.id}/{case.what}".startswith(wanted)]
    if not (chosen.seeds or chosen.further):
        return run_once(suite, cases, chosen.draws)
    import seeds

    if chosen.further:
        return seeds.further(suite, cases, chosen.further, chosen.draws)
    return seeds.study(suite, cases, chosen.draws)


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
