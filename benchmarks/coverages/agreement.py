"""Simulated coverage of the share of pulses that a replay reproduces; writes agreement.json and .md beside this file.

    python benchmarks/coverages/agreement.py [--repetitions 400]

Pulses that are not reproduced come by lots: beta-binomial with the intra-lot correlation stated, in bad lots (a share
of the lots fails with half of its pulses), or in rare lots that fail as a whole among others that fail a little. An
interval that tells nothing, [0, 1], counts as refused.
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import Any

import numpy as np

from teachlab.device.agreement import share_limits

HERE = Path(__file__).parent
CORRELATIONS = (0.0, 0.05, 0.1, 0.2)
WORDS = {"bad lots": "fail in half of bad lots", "rare bad lots": "fail in rare lots, and a little elsewhere"}
LOTS, PULSES, SHARES = (6, 12, 24, 48), (8, 30, 100), (0.002, 0.01, 0.05, 0.2)


def held(kind: str, icc: float, lots: int, pulses: int, share: float, repetitions: int, seed: int) -> dict[str, Any]:
    """Simulate one case; return how often the interval holds the true share, and how wide it is."""
    rng = np.random.default_rng(seed)
    hits = refused = 0
    widths = []
    for _ in range(repetitions):
        if kind == "bad lots":
            rates = np.where(rng.random(lots) < 2 * share, 0.5, 0.0)
        elif kind == "rare bad lots":
            bad = 0.7 * share
            rates = np.where(rng.random(lots) < bad, 1.0, 0.3 * share / (1 - bad))
        elif icc:
            size = 1 / icc - 1
            rates = rng.beta(share * size, (1 - share) * size, lots)
        else:
            rates = np.full(lots, share)
        low, high = share_limits(rng.binomial(pulses, rates), np.full(lots, pulses))
        refused += low <= 0 and high >= 1
        hits += low <= 1 - share <= high
        widths.append(high - low)
    return {
        "kind": kind, "icc": icc, "lots": lots, "pulses": pulses, "share": share, "covers": hits / repetitions,
        "refused": refused / repetitions, "width": float(np.median(widths)),
    }  # fmt: skip


def main(repetitions: int) -> None:
    rows = []
    kinds = [("beta-binomial", icc) for icc in CORRELATIONS] + [("bad lots", 0.5), ("rare bad lots", 1.0)]
    for kind, icc in kinds:
        for lots in LOTS:
            for pulses in PULSES:
                for share in SHARES:
                    rows.append(held(kind, icc, lots, pulses, share, repetitions, len(rows)))
    (HERE / "agreement.json").write_text(json.dumps(rows, indent=0) + "\n")
    table = [
        "# Coverage of the share of pulses reproduced",
        "",
        f"`python benchmarks/coverages/agreement.py`: nominal 95 %, {repetitions:,} repetitions a case, with 8 to 100",
        "pulses a lot, 0.2 to 20 % of them not reproduced. The worst case of each row, the most refused, median width.",
        "",
        "| pulses of a lot | lots | least coverage | most refused | width, 1 % not reproduced, 30 pulses a lot |",
        "|---|---|---|---|---|",
    ]
    for kind, icc in kinds:
        for lots in LOTS:
            some = [r for r in rows if (r["kind"], r["icc"], r["lots"]) == (kind, icc, lots)]
            width = next(r["width"] for r in some if r["share"] == 0.01 and r["pulses"] == 30)
            what = WORDS.get(kind, f"correlate by {icc:g}")
            table.append(
                f"| {what} | {lots} | {100 * min(r['covers'] for r in some):.1f} % "
                f"| {100 * max(r['refused'] for r in some):.1f} % | {100 * width:.1f} % |"
            )
    (HERE / "agreement.md").write_text("\n".join(table) + "\n")


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--repetitions", type=int, default=400)
    main(parser.parse_args().repetitions)
