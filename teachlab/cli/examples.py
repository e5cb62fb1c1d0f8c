"""An example below the help of every command; together, in this order, they are one walk through a log that ships."""

from __future__ import annotations

import re

import typer

EXAMPLES: dict[str, tuple[str, ...]] = {
    "demo": ("teachlab demo --draws 50 --out .",),
    "synth": (
        "teachlab synth clear-jars --passes 200 --seed 1 --out jars.parquet",
        "teachlab synth demo --toml",
    ),
    "import": (
        "teachlab import datasets/tubs_log.csv --column light --unit counts --full-scale 4095 --time time_s "
        "--truth-column product --out tubs.parquet",
    ),
    "inspect": ("teachlab inspect tubs.parquet --plot light.svg",),
    "label": ("teachlab label tubs.parquet --direction rise --out proposed.csv",),
    "align": ("teachlab align tubs.parquet --plot borders.svg",),
    "teach": ("teachlab teach tubs.parquet --strategy guard-or-window --out setting.json",),
    "replay": ("teachlab replay tubs.parquet --setting setting.json --edges edges.csv",),
    "bench": ("teachlab bench tubs.parquet --draws 50 --out results",),
    "repeatability": ("teachlab repeatability tubs.parquet --strategy single-sample --draws 50 --out spread.svg",),
    "surface": ("teachlab surface tubs.parquet --setting setting.json --out surface.svg",),
    "stress": (
        "teachlab stress tubs.parquet --setting setting.json --gain 1,0.9,0.8 --out stress.svg",
        "teachlab stress tubs.parquet --setting setting.json --gain 1 --speed 1,1.5,2 --speed-out speed.svg",
    ),
    "timing": (
        "teachlab timing tubs.parquet --setting setting.json --scan-ms 10",
        "teachlab timing --speed-mm-s 500 --length-mm 120 --gap-mm 60 --evaluation-rate-hz 1000",
    ),
    "surroundings neighbour": (
        "teachlab surroundings neighbour --width-us 4 --frequency-hz 10000 --frequency-hz 10700",
    ),
    "surroundings beat": (
        "teachlab surroundings beat --own-hz 10000 --other-hz 10400 --amplitude 80 --integration-us 500 "
        "--hysteresis 20",
    ),
    "surroundings lamp": ("teachlab surroundings lamp --evaluation-rate-hz 1000 --swing 30 --hysteresis 20",),
    "surroundings ambient": ("teachlab surroundings ambient --limit-lx 5000 --expected-lx 12000",),
    "surroundings target": (
        "teachlab surroundings target --measured 2000 --reflectance 0.9 --other-reflectance 0.06 --distance 100 "
        "--other-distance 120",
    ),
    "counterfactual": ("teachlab counterfactual tubs.parquet --best",),
    "coverage": ("teachlab coverage tubs.parquet --cycle belt=10s --setting setting.json --out seen.svg",),
    "compare": (
        "teachlab compare tubs.parquet --setting setting.json --setting results/tubs.setting.json",
    ),
    "plan": ("teachlab plan --max-rate 0.001 --confidence 0.95",),
    "report": ("teachlab report tubs.parquet --setting setting.json --draws 50 --out record",),
    "verify": ("teachlab verify record/result.json",),
    "stale": ("teachlab stale tubs.parquet --setting setting.json --least-margin 5",),
    "strategies": ("teachlab strategies",),
    "conform": ("teachlab conform two-sample-midpoint",),
}  # fmt: skip
"""By command; every one runs after those before it."""


def explain(app: typer.Typer, *, prefix: str = "") -> None:
    """Put the examples below the help of every command, and let its paragraphs flow with the width."""
    for command in app.registered_commands:
        examples = EXAMPLES[f"{prefix}{command.name}"]
        command.epilog = "\n\n".join(f"Example: {line}" for line in examples)
        text = (command.callback.__doc__ or "") if command.callback is not None else ""
        paragraphs = re.split(r"\n\s*\n", text.strip())
        command.help = "\n\n".join(" ".join(one.split()) for one in paragraphs)
    for group in app.registered_groups:
        if group.typer_instance is not None:
            explain(group.typer_instance, prefix=f"{prefix}{group.name} ")
