"""Simulated error rates of orders, claims and decisions; writes verdicts.json and verdicts.md beside this file.

    python benchmarks/coverages/verdicts.py [--repetitions 2000]

Lines of lots of passes, from this file's own generators. Every family is printed, failures included:

- *one kind*: the rate of a lot from a beta distribution with intra-lot correlation icc; 0 gives independent passes;
- *rare bad lots*: a lot is bad with a small chance and then loses most of its passes; other lots lose nothing;
- *bursts*: losses come in runs of passes, with gaps of any length between runs;
- *unequal lots*: one kind, sizes from a fifth to twice the mean.

Orders: two to 21 settings that cost the same in expectation, some by losses in every lot alike, some by rare bad lots,
some by false trips in bursts; a false order is any neighbour called *established*. Beside it stands how often any
standing is given: *for lots like those recorded* says no more than that, and rare bad lots that none of those recorded
was make it say so often.
Claims: the one-sided bound of the mean rate of lots against the true rate. Decisions: clean lines; lines on which every
setting loses a tenth or more, where "none of these works" goes by the lots of both halves and everything else by those
of the claim half; and lines on which one setting loses exactly what is accepted and every other one half of the passes,
of which nothing else than a false "none of these works" can come too often. Settings that fail on the same passes count
as one; 2 and 9 settings fail here independently of one another, which is hard: each must be shown to fail. Beside it
stands what the best of all tests can reach that is told the family, its correlation and both rates (Neyman and
Pearson), in a single setting: no rule finds more where it holds its 5 %.
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.stats import betabinom

from teachlab.statistics.claims.decisions import ACCEPTED_ERRORS, Decision, MeasuredCost, decide
from teachlab.statistics.claims.lot_claims import claim_by_lots
from teachlab.statistics.claims.orders import OrderStanding, cost_bound, orders

HERE = Path(__file__).parent
FAMILIES = ("one kind, icc 0", "one kind, icc .05", "one kind, icc .2", "one kind, icc .5", "rare bad lots", "bursts",
            "unequal lots, icc .2")  # fmt: skip
BAD = 0.6
"""Share of its passes that a bad lot loses."""
RUN = 12
"""Passes in a burst, on average."""


def sizes(family: str, lots: int, size: int, rng: np.random.Generator, repetitions: int) -> NDArray[np.int64]:
    """Draw the passes of every lot, shape (repetitions, lots)."""
    if family.startswith("unequal"):
        return rng.integers(max(5, size // 5), 2 * size + 1, (repetitions, lots))
    return np.full((repetitions, lots), size)


def draw(
    family: str, rate: float, of: NDArray[np.int64], rng: np.random.Generator, *, trips: bool = False
) -> NDArray[np.int64]:
    """Draw the errors of every lot at a mean rate of lots of `rate`; false trips may be more than there are passes."""
    if rate <= 0:
        return np.zeros(of.shape, np.int64)
    if family == "rare bad lots":
        # The chance of a bad lot is what gives the rate; where the rate is beyond BAD every lot is bad.
        worst = max(BAD, rate)
        return rng.binomial(of, np.where(rng.random(of.shape) < rate / worst, worst, 0.0))
    if family == "bursts":
        # Runs begin by chance and have a geometric length; a lot has as many losses as its runs cover.
        runs = rng.poisson(of * rate / RUN)
        longest = int(runs.max(initial=0))
        lost = np.zeros(of.shape, np.int64)
        for k in range(longest):
            lost += np.where(runs > k, rng.geometric(1 / RUN, of.shape), 0)
        return lost if trips else np.minimum(lost, of)
    icc = float(family.rpartition(" ")[2])
    if icc == 0:
        return rng.binomial(of, rate)
    return rng.binomial(of, rng.beta(rate * (1 / icc - 1), (1 - rate) * (1 / icc - 1), of.shape))


def true_rate(family: str, rate: float, size: int, rng: np.random.Generator) -> float:
    """Return the mean rate of lots; only bursts that a lot cuts off have another one than asked for."""
    if family != "bursts":
        return rate
    of = np.full((1, 400_000), size)
    return float((draw(family, rate, of, rng) / of).mean())


def coverage(repetitions: int) -> list[dict[str, Any]]:
    """Return how often the upper bound holds the true mean rate of lots."""
    out = []
    for family in FAMILIES:
        for lots, size in ((5, 60), (10, 30), (20, 50), (50, 50), (100, 50)):
            for rate in (0.001, 0.005, 0.02, 0.1, 0.3):
                rng = np.random.default_rng([1, FAMILIES.index(family), lots, round(1e4 * rate)])
                of = sizes(family, lots, size, rng, repetitions)
                lost = draw(family, rate, of, rng)
                truth = true_rate(family, rate, size, rng)
                found = [claim_by_lots(k, n, beside=()) for k, n in zip(lost, of, strict=True)]
                out.append(
                    {
                        "family": family, "lots": lots, "passes": lots * size, "rate": rate,
                        "covers": float(np.mean([one.upper >= truth for one in found])),
                        "median_bound": float(np.median([one.upper for one in found])),
                    }
                )  # fmt: skip
    return out


def equal_costs(family: str, settings: int, rate: float, of: NDArray[np.int64], rng: np.random.Generator) -> Any:
    """Draw cost per pass of settings of one expected cost and unequal kinds of error, shape (settings, lots)."""
    kinds = (family, "rare bad lots", "bursts", "one kind, icc 0")
    return np.array([draw(kinds[k % len(kinds)], rate, of, rng, trips=True) / of for k in range(settings)])


def false_orders(repetitions: int) -> list[dict[str, Any]]:
    """Return how often any order of settings of equal cost is called established, or anything at all."""
    out = []
    for family in FAMILIES:
        for settings in (2, 7, 21):
            for lots, size in ((10, 30), (20, 50), (40, 50), (100, 50)):
                for rate in (0.005, 0.05):
                    rng = np.random.default_rng([2, FAMILIES.index(family), settings, lots, round(1e4 * rate)])
                    firm = any_ = 0
                    for _ in range(repetitions):
                        of = sizes(family, lots, size, rng, 1)[0]
                        # Ranked on a half of their own, so that the order is fixed before the claim half is looked at.
                        cost = equal_costs(family, settings, rate, of, rng)
                        found = orders([cost[k] - cost[k + 1] for k in range(settings - 1)])
                        firm += any(one.standing is OrderStanding.ESTABLISHED for one in found)
                        any_ += any(one.standing is not OrderStanding.OPEN for one in found)
                    out.append(
                        {
                            "family": family, "settings": settings, "lots": lots, "passes": lots * size, "rate": rate,
                            "established": firm / repetitions, "any_standing": any_ / repetitions,
                        }
                    )  # fmt: skip
    return out


def power(repetitions: int) -> list[dict[str, Any]]:
    """Return how often .5 % against 10 % lost is ordered."""
    out = []
    for icc in (0, 0.05, 0.2, 0.5):
        family = f"one kind, icc {icc:g}"
        for lots in (10, 20, 40, 60, 80, 100):
            rng = np.random.default_rng([3, round(100 * icc), lots])
            of = np.full((repetitions, lots), 50)
            d = (draw(family, 0.005, of, rng) - draw(family, 0.1, of, rng)) / of
            found = [orders([row])[0].standing for row in d]
            out.append(
                {
                    "icc": icc, "lots": lots, "passes_per_lot": 50,
                    "established": float(np.mean([one is OrderStanding.ESTABLISHED for one in found])),
                    "ordered": float(np.mean([one is not OrderStanding.OPEN for one in found])),
                }
            )  # fmt: skip
    return out


def decisions(repetitions: int) -> list[dict[str, Any]]:
    """Return which decisions come where the truth is plain: clean lines, and lines on which nothing works."""
    out = []
    cases = [("clean", family, rate) for family in FAMILIES for rate in (0.0, 0.002)]
    cases += [("nothing works", family, rate) for family in FAMILIES for rate in (0.1, 0.2, 0.5)]
    cases += [("one is accepted", family, ACCEPTED_ERRORS) for family in FAMILIES]
    for case, family, rate in cases:
        for lots in (5, 10, 20, 40) if case == "clean" else (10, 20, 40):
            for settings in (1, 2, 9) if case == "nothing works" else (2, 9):
                rng = np.random.default_rng([4, FAMILIES.index(family), lots, settings, round(1e4 * rate)])
                counts: dict[str, int] = {}
                # What must come in at most 5 % takes more repetitions to be seen than what must come in 90 %.
                times = 8 * repetitions if case == "one is accepted" else repetitions
                for _ in range(times):
                    of = sizes(family, 2 * lots, 50, rng, 1)[0]
                    others = 0.5 if case == "one is accepted" else rate
                    rates = [draw(family, others if k else rate, of, rng) / of for k in range(settings)]
                    later = rates[0][lots:]
                    found = decide(
                        MeasuredCost(errors=float(later.mean()), cost=cost_bound(later), never=1.0, named_lots=lots),
                        [(cost_bound(r), True) for r in rates],
                    )
                    counts[str(found)] = counts.get(str(found), 0) + 1
                out.append(
                    {
                        "line": case, "family": family, "rate": rate, "lots": lots, "settings": settings,
                        **{str(d): counts.get(str(d), 0) / times for d in Decision},
                    }
                )  # fmt: skip
    return out


def best_test(repetitions: int) -> list[dict[str, Any]]:
    """Return how often the best test of one setting shows that it loses more than is accepted, at 5 % false."""
    out = []
    k, size = np.arange(51), 50
    for family in FAMILIES[1:5]:
        for rate in (0.1, 0.2):
            if family == "rare bad lots":
                # A lot is bad or not: the likelihood ratio grows with the bad ones.
                log_ratio = np.where(
                    k > 0, np.log(rate / ACCEPTED_ERRORS), np.log1p(-rate / BAD) - np.log1p(-ACCEPTED_ERRORS / BAD)
                )
            else:
                icc = float(family.rpartition(" ")[2])
                log_ratio = betabinom.logpmf(k, size, *_shape(rate, icc)) - betabinom.logpmf(
                    k, size, *_shape(ACCEPTED_ERRORS, icc)
                )
            for lots in (20, 40, 80):
                rng = np.random.default_rng([5, FAMILIES.index(family), lots, round(1e4 * rate)])
                of = np.full((10 * repetitions, lots), size)
                accepted, beyond = (log_ratio[draw(family, r, of, rng)].sum(axis=1) for r in (ACCEPTED_ERRORS, rate))
                # Where the ratio takes few values, chance decides at the limit, as the lemma allows.
                limit = np.quantile(accepted, 0.95, method="inverted_cdf")
                above, at = (accepted > limit + 1e-9).mean(), (np.abs(accepted - limit) <= 1e-9).mean()
                share = 0.0 if at == 0 else (0.05 - above) / at
                power = (beyond > limit + 1e-9).mean() + share * (np.abs(beyond - limit) <= 1e-9).mean()
                out.append({"family": family, "rate": rate, "lots of both halves": lots, "best test": float(power)})
    return out


def _shape(rate: float, icc: float) -> tuple[float, float]:
    return rate * (1 / icc - 1), (1 - rate) * (1 / icc - 1)


def table(rows: list[dict[str, Any]]) -> list[str]:
    """Return rows as a Markdown table."""
    names = list(rows[0])
    lines = ["| " + " | ".join(n.replace("_", " ") for n in names) + " |", "|" + "---|" * len(names)]
    return lines + ["| " + " | ".join(_cell(row[n]) for n in names) + " |" for row in rows]


def _cell(value: Any) -> str:
    return f"{value:.3g}" if isinstance(value, float) else str(value)


def summary(found: dict[str, list[dict[str, Any]]]) -> list[str]:
    """Return the worst case of every family, and every case that fails, in words."""
    lines = ["| family | least coverage of the claim | most false orders (established) | (any standing) |",
             "|---|---|---|---|"]  # fmt: skip
    for family in FAMILIES:
        covers = min(r["covers"] for r in found["coverage"] if r["family"] == family)
        firm, any_ = (
            max(r[key] for r in found["false_orders"] if r["family"] == family)
            for key in ("established", "any_standing")
        )
        lines.append(f"| {family} | {covers:.3f} | {firm:.3f} | {any_:.3f} |")
    failed = [f"claim of {r['family']}, {r['lots']} lots, rate {r['rate']:g}: covers {r['covers']:.3f}"
              for r in found["coverage"] if r["covers"] < 0.93]  # fmt: skip
    failed += [f"orders of {r['settings']} settings, {r['family']}, {r['lots']} lots: {r['established']:.3f} false"
               for r in found["false_orders"] if r["established"] > 0.05]  # fmt: skip
    false = [r for r in found["decisions"] if r["line"] == "one is accepted" and r[str(Decision.NONE)] > 0.06]
    failed += [f"none of these works, {r['family']}, {r['lots']} lots: {r[str(Decision.NONE)]:.3f} false"
               for r in false]  # fmt: skip
    beyond = "Beyond what is demanded (coverage .93 of claims and of 'none of these works', false orders .05): "
    return [*lines, "", *_plain(found), "", beyond + ("; ".join(failed) or "none.")]


def _plain(found: dict[str, list[dict[str, Any]]]) -> list[str]:
    """Return by family the least share of the right decision where the truth is plain, and the most of a false one."""
    use, none = str(Decision.USE), str(Decision.NONE)
    cells: list[tuple[str, tuple[float, ...], int, str]] = [("clean", (0.0, 0.002), 20, use)]
    cells += [("nothing works", (rate,), lots, none) for rate in (0.1, 0.2, 0.5) for lots in (10, 20, 40)]
    names = [
        "clean, 20 lots: use",
        *(f"{100 * rates[0]:g} % lost, {lots} lots: none" for _, rates, lots, _ in cells[1:]),
    ]
    names += ["5 % lost by one: none"]
    lines = ["Least over 2 and 9 settings; lots of the claim half, and as many before it.", "",
             "| family | " + " | ".join(names) + " |", "|" + "---|" * (len(names) + 1)]  # fmt: skip
    for family in FAMILIES:
        rows = [r for r in found["decisions"] if r["family"] == family]
        least = [
            min(
                r[said]
                for r in rows
                if (r["line"], r["lots"]) == (case, lots) and r["rate"] in rates and r["settings"] > 1
            )
            for case, rates, lots, said in cells
        ]
        false = max(r[none] for r in rows if r["line"] == "one is accepted")
        lines.append(f"| {family} | " + " | ".join(f"{v:.3f}" for v in (*least, false)) + " |")
    lines += ["", "The same of a single setting, or of several that fail on the same passes, and what the best test "
              "reaches.", "", "| family | " + " | ".join(names[1:7]) + " |", "|" + "---|" * 7]  # fmt: skip
    for family in FAMILIES:
        told = []
        for _, (rate, *_), lots, _ in cells[1:7]:
            wanted = ("nothing works", family, rate, lots, 1)
            (row,) = (r for r in found["decisions"]
                      if (r["line"], r["family"], r["rate"], r["lots"], r["settings"]) == wanted)  # fmt: skip
            most = [r["best test"] for r in found["best_test"]
                    if (r["family"], r["rate"], r["lots of both halves"]) == (family, rate, 2 * lots)]  # fmt: skip
            told.append(f"{row[none]:.3f}" + (f" (best {most[0]:.3f})" if most else ""))
        lines.append(f"| {family} | " + " | ".join(told) + " |")
    return lines


def main() -> None:
    """Simulate, print and store."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--repetitions", type=int, default=2000)
    parser.add_argument(
        "--only",
        choices=("coverage", "false_orders", "power", "decisions", "best_test"),
        nargs="*",
        help="Renew one part.",
    )
    given = parser.parse_args()
    repetitions = given.repetitions
    parts = {
        "coverage": lambda: coverage(repetitions),
        "false_orders": lambda: false_orders(max(200, repetitions // 4)),
        "power": lambda: power(repetitions),
        "decisions": lambda: decisions(max(200, repetitions // 4)),
        "best_test": lambda: best_test(repetitions),
    }
    kept = {} if given.only is None else json.loads((HERE / "verdicts.json").read_text(encoding="utf-8"))
    found = {name: make() if given.only is None or name in given.only else kept[name] for name, make in parts.items()}
    text = ["# Orders, claims and decisions by simulation", "", f"{repetitions} repetitions; a quarter for orders and "
            "decisions, twice as many for decisions that must not come often. `verdicts.py` beside this file says what "
            "the families are.", "", *summary(found)]  # fmt: skip
    for name, rows in found.items():
        text += ["", f"## {name.replace('_', ' ').capitalize()}", "", *table(rows)]
    document = {"repetitions": repetitions, **found}
    (HERE / "verdicts.json").write_text(json.dumps(document, indent=1) + "\n", encoding="utf-8")
    (HERE / "verdicts.md").write_text("\n".join(text) + "\n", encoding="utf-8")
    print("\n".join(text[:20]))


if __name__ == "__main__":
    main()
