"""The suite at several pairs of seeds: a figure that holds at one pair only was luck.

`study` judges every figure and every ordering at the pairs that the suite names. `further` runs some cases at many
pairs more and tells how often a generator that is what it is falls outside: the share to be expected by chance.
"""

from __future__ import annotations

import json
import sys
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from cases import judge, run_case, store, store_once
from figures import RESULTS, Case, Figure, Suite, Verdict, number

Pair = tuple[int, int]


@dataclass(frozen=True, slots=True)
class Followed:
    """A figure at every pair of seeds."""

    case: Case
    figure: Figure
    medians: tuple[float, ...]

    @property
    def inside(self) -> tuple[bool, ...]:
        """At which pairs it is accepted."""
        return tuple(self.figure.accepts(m) for m in self.medians)

    def row(self) -> dict[str, object]:
        """The figure as it is stored."""
        low, high = self.figure.accepted_range
        return {
            "case": self.case.id,
            "condition": self.case.what,
            **self.figure.model_dump(),
            "accepted_range": [low, high],
            "medians": list(self.medians),
            "inside": list(self.inside),
        }


@dataclass(frozen=True, slots=True)
class Ordering:
    """An ordering statement at every pair of seeds."""

    case: Case
    chain: str
    holds: tuple[bool, ...]

    def row(self) -> dict[str, object]:
        """The statement as it is stored."""
        return {"case": self.case.id, "condition": self.case.what, "order": self.chain, "holds": list(self.holds)}


def follow(
    suite: Suite, cases: list[Case], pairs: list[Pair], draws: int | None
) -> tuple[list[Followed], list[Ordering], list[Verdict]]:
    """Judge all figures and orderings of some cases at every pair; the first pair's verdicts are kept whole."""
    first: list[Verdict] = []
    medians: dict[tuple[int, int], list[float]] = {}
    holds: dict[tuple[int, int], list[bool]] = {}
    for teach, scored in pairs:
        print(f"seeds {teach}/{scored}", file=sys.stderr, flush=True)
        for c, case in enumerate(cases):
            verdicts, chains = judge(case, run_case(suite.seeded(teach, scored), case, draws=draws))
            if (teach, scored) == pairs[0]:
                first += verdicts
            for k, verdict in enumerate(verdicts):
                medians.setdefault((c, k), []).append(verdict.median)
            for k, (_, held) in enumerate(chains):
                holds.setdefault((c, k), []).append(held)
    figures = [Followed(cases[c], cases[c].figure[k], tuple(m)) for (c, k), m in sorted(medians.items())]
    orders = [Ordering(cases[c], " <= ".join(cases[c].ascending[k]), tuple(h)) for (c, k), h in sorted(holds.items())]
    return figures, orders, first


def _between(figure: Figure) -> str:
    low, high = figure.accepted_range
    return f"{number(low)} to {number(high)}"


def study_table(figures: list[Followed], orders: list[Ordering], pairs: list[Pair]) -> str:
    """The table over seeds in Markdown; what is not accepted stands in bold."""
    names = " | ".join(f"{a}/{b}" for a, b in pairs)
    lines = [
        f"| case | condition | setting | measure | accepted | {names} | inside |",
        "|---|---|---|---|---|" + "---|" * (len(pairs) + 1),
    ]
    for f in figures:
        cells = [number(m) if ok else f"**{number(m)}**" for m, ok in zip(f.medians, f.inside, strict=True)]
        lines.append(
            f"| {f.case.id} | {f.case.what} | {f.figure.of} | {f.figure.measure} | {_between(f.figure)} | "
            f"{' | '.join(cells)} | {sum(f.inside)} of {len(pairs)} |"
        )
    lines += ["", f"| case | ordering | {names} |", "|---|---|" + "---|" * len(pairs)]
    for o in orders:
        cells = ["holds" if held else "**does not**" for held in o.holds]
        lines.append(f"| {o.case.id} {o.case.what} | {o.chain} | {' | '.join(cells)} |")
    notes = [
        f"- {f.case.id}, {f.case.what}, {f.figure.of}, {f.figure.measure}: {f.figure.across_seeds}"
        for f in figures
        if f.figure.across_seeds
    ]
    return "\n".join([*lines, "", "Why some figures fall outside at some seeds:", "", *notes])


def study(suite: Suite, cases: list[Case], draws: int | None) -> int:
    """Run every pair of the suite; 1 if a figure or ordering fails somewhere without an explanation."""
    pairs = [(suite.teach_seed, suite.scored_seed), *suite.seed_pairs]
    figures, orders, first = follow(suite, cases, pairs, draws)
    text = study_table(figures, orders, pairs)
    print(text)
    total, inside = sum(len(f.inside) for f in figures), sum(sum(f.inside) for f in figures)
    if len(cases) == len(suite.case):
        head = (
            "# The difficult products at several pairs of seeds\n\nSeed of the taught and of the scored recording; "
            f"medians over {draws or suite.draws} teach draws, in the units of `difficult_products.md`. The pairs were "
            f"chosen before anything was run. {inside} of {total} judgements are inside. Written by "
            "`python benchmarks/products/run.py --seeds`.\n\n"
        )
        document = {"pairs": pairs, "figures": [f.row() for f in figures], "orders": [o.row() for o in orders]}
        store("seeds", head + text, document)
        store_once(suite, first, [(o.case.id, o.chain, o.holds[0]) for o in orders], draws)
    unexplained = [f for f in figures if not all(f.inside) and not f.figure.across_seeds]
    fallen = [o for o in orders if not all(o.holds)]
    for f in unexplained:
        print(f"not explained: {f.case.id} {f.case.what}, {f.figure.of} {f.figure.measure}", file=sys.stderr)
    print(f"{inside} of {total} judgements inside, {len(fallen)} orderings fail somewhere.", file=sys.stderr)
    return 1 if unexplained or fallen else 0


def further_table(figures: list[Followed], orders: list[Ordering]) -> str:
    """How the medians of some figures spread over seeds, in Markdown."""
    lines = [
        "| case | condition | setting | measure | accepted | median over seeds [5, 95 %] | mean | sd | outside |",
        "|---|---|---|---|---|---|---|---|---|",
    ]
    for f in figures:
        values = np.array([m for m in f.medians if not np.isnan(m)])
        low, middle, high = (number(float(v)) for v in np.quantile(values, [0.05, 0.5, 0.95]))
        lines.append(
            f"| {f.case.id} | {f.case.what} | {f.figure.of} | {f.figure.measure} | {_between(f.figure)} | "
            f"{middle} [{low}, {high}] | {number(float(values.mean()))} | {number(float(values.std(ddof=1)))} | "
            f"{len(f.medians) - sum(f.inside)} of {len(f.medians)} |"
        )
    lines += ["", "Orderings:", ""]
    lines += [f"- {o.case.id}, {o.case.what}: {o.chain}: holds at {sum(o.holds)} of {len(o.holds)}" for o in orders]
    return "\n".join(lines)


def stored_further(suite: Suite, pairs: list[Pair], path: Path) -> tuple[list[Followed], list[Ordering]]:
    """Read what earlier runs at the same pairs measured, judged by the suite as it is now."""
    if not path.is_file():
        return [], []
    document = json.loads(path.read_text(encoding="utf-8"))
    if [tuple(pair) for pair in document["pairs"]] != pairs:
        return [], []
    rows = {(r["case"], r["condition"], r["of"], r["measure"]): tuple(r["medians"]) for r in document["figures"]}
    chains = {(r["case"], r["condition"], r["order"]): tuple(r["holds"]) for r in document["orders"]}
    figures, orders = [], []
    for case in suite.case:
        for figure in case.figure:
            medians = rows.get((case.id, case.what, figure.of, figure.measure))
            if medians is not None:
                figures.append(Followed(case, figure, medians))
        for chain in (" <= ".join(names) for names in case.ascending):
            holds = chains.get((case.id, case.what, chain))
            if holds is not None:
                orders.append(Ordering(case, chain, holds))
    return figures, orders


def further(suite: Suite, cases: list[Case], count: int, draws: int | None) -> int:
    """Run some cases at many further pairs and store how the figures spread, beside those stored before."""
    pairs = [(1000 + 2 * k, 1001 + 2 * k) for k in range(count)]
    figures, orders, _ = follow(suite, cases, pairs, draws)
    before, chains = stored_further(suite, pairs, RESULTS / "further.json")
    figures += [f for f in before if f.case not in cases]
    orders += [o for o in chains if o.case not in cases]
    place = {(case.id, case.what): k for k, case in enumerate(suite.case)}
    figures.sort(key=lambda f: place[f.case.id, f.case.what])
    orders.sort(key=lambda o: place[o.case.id, o.case.what])
    text = further_table(figures, orders)
    print(text)
    head = (
        f"# How figures spread over seeds\n\n{count} further pairs of seeds, 1000/1001 to {pairs[-1][0]}/"
        f"{pairs[-1][1]}, {draws or suite.draws} teach draws each: the share outside is what chance alone gives "
        "with this generator and these lengths. Written by `python benchmarks/products/run.py --further 40 CASE …`.\n\n"
    )
    store(
        "further",
        head + text,
        {"pairs": pairs, "figures": [f.row() for f in figures], "orders": [o.row() for o in orders]},
    )
    return 0
