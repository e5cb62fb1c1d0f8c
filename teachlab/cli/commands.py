"""The table of commands: what `teachlab --help` prints before any command's module is imported, and their examples."""

from __future__ import annotations

import importlib
from collections.abc import Callable
from typing import Any

LIGHT, TRY, ASK, PROVE = "Bring light in", "Teach and try", "Ask", "Prove"


class Listed:
    """One command in the table.

    `module`: file in ``cli/`` with the function ``NAME_command``; of a group, that is a table of functions by name.
    `part`: heading under which it is listed.
    `line`: first paragraph of the command's docstring.
    `*examples`: lines below its help; at least one for every command of a group.
    """

    def __init__(self, module: str, part: str, line: str, *examples: str) -> None:
        self.module, self.part, self.line, self.examples = module, part, line, examples


# In the order in which a job goes through them; the examples, in this order, are one walk through a log that ships.
# fmt: off
COMMANDS = {
    "synth": Listed(
        "synth", LIGHT,
        "Make a synthetic recording with its passes, to rehearse before there is a log.",
        "teachlab synth clear-jars --passes 200 --seed 1 --out jars.parquet",
        "teachlab synth sensed-tubs --passes 200 --out sensor.parquet",
        "teachlab synth demo --toml",
    ),
    "import": Listed(
        "import_log", LIGHT,
        "Turn a log into a recording and a table of passes. No sample is changed.",
        "teachlab import datasets/tubs_log.csv --column light --unit counts --full-scale 4095 --time time_s "
        "--truth-column product --out tubs.parquet",
    ),
    "inspect": Listed(
        "inspect", LIGHT,
        "Check a recording: can any fixed level work? Noise, contrast, drift, alignment.",
        "teachlab inspect tubs.parquet --plot light.svg",
    ),
    "align": Listed(
        "align", LIGHT,
        "Measure how far the passes lag behind the light. --out writes moved passes.",
        "teachlab align tubs.parquet --plot borders.svg",
    ),
    "label": Listed(
        "label", LIGHT,
        "Propose passes from the light alone, as a table to correct by hand.",
        "teachlab label tubs.parquet --direction rise --out proposed.csv",
    ),
    "demo": Listed(
        "demo", TRY,
        "Do the whole job on data that ships: teach, replay, score, rank, and draw.",
        "teachlab demo --draws 50 --out .",
    ),
    "guide": Listed(
        "guide", TRY,
        "Read the guide: one page a question, with commands that run as printed.",
        "teachlab guide method",
        "teachlab guide --html guide",
    ),
    "strategies": Listed(
        "strategies", TRY,
        "List the strategies by what each must be shown; of one, tell its parameters.",
        "teachlab strategies",
    ),
    "teach": Listed(
        "teach", TRY,
        "Teach one setting, as one person would on one day.",
        "teachlab teach tubs.parquet --strategy guard-or-window --out setting.json",
    ),
    "design": Listed(
        "design", TRY,
        "Choose levels, filter and delays together, with a reason and a reserve for each.",
        "teachlab design tubs.parquet --out designed.json",
    ),
    "replay": Listed(
        "replay", TRY,
        "Replay a recording through a setting: which passes are lost, where it trips, and why.",
        "teachlab replay tubs.parquet --setting setting.json --edges edges.csv",
    ),
    "bench": Listed(
        "bench", TRY,
        "Compare teach methods: teach many times on the first passes, score on the rest.",
        "teachlab bench tubs.parquet --draws 50 --out results",
        "teachlab bench tubs.parquet --strategy two-sample-midpoint --draws 20 --device datasets/tubs_device.toml",
    ),
    "study": Listed(
        "study", TRY,
        "Try strategies and their parameters on many recordings, and recommend one for all of them.",
        "teachlab study tubs.parquet --strategy quantile-guard --grid position=0.3:0.7:5 --draws 20 --out study",
    ),
    "conform": Listed(
        "conform", TRY,
        "Check a strategy of your own against the rules for strategies. Exit code 1: a check fails, 3: it never taught.",
        "teachlab conform two-sample-midpoint",
    ),
    "repeatability": Listed(
        "repeatability", ASK,
        "Would another person, or another day, teach the same? How level and score spread.",
        "teachlab repeatability tubs.parquet --strategy single-sample --draws 50 --out spread.svg",
    ),
    "surface": Listed(
        "surface", ASK,
        "Count errors for every pair of levels, and name the best in hindsight.",
        "teachlab surface tubs.parquet --setting setting.json --out surface.svg",
    ),
    "explore": Listed(
        "explore", ASK,
        "Write or serve a page on which you drag the levels and see exact counts, and correct passes.",
        "teachlab explore tubs.parquet --setting setting.json --out page.html",
    ),
    "identify": Listed(
        "identify", ASK,
        "Find the settings that explain the sensor's own output, logged beside the light.",
        "teachlab identify sensor.parquet --plot edges.svg --out sensor.json",
    ),
    "agree": Listed(
        "agree", ASK,
        "Compare a replay with the sensor's own logged output, pulse by pulse and by lots.",
        "teachlab agree sensor.parquet --setting sensor.json",
    ),
    "stress": Listed(
        "stress", ASK,
        "Will dirt or ambient light stop it? Count errors with less light and with more.",
        "teachlab stress tubs.parquet --setting setting.json --gain 1,0.9,0.8 --out stress.svg",
        "teachlab stress tubs.parquet --setting setting.json --gain 1 --speed 1,1.5,2 --speed-out speed.svg",
    ),
    "timing": Listed(
        "timing", ASK,
        "Is the sensor fast enough? Dwell, gap, response, delays and controller scan.",
        "teachlab timing tubs.parquet --setting setting.json --scan-ms 10",
        "teachlab timing --speed-mm-s 500 --length-mm 120 --gap-mm 60 --evaluation-rate-hz 1000",
    ),
    "surroundings": Listed(
        "surroundings", ASK,
        "Will a neighbour's light, lamps or another target disturb it? From numbers, no log needed.",
        "teachlab surroundings neighbour --width-us 4 --frequency-hz 10000 --frequency-hz 10700",
        "teachlab surroundings beat --own-hz 10000 --other-hz 10400 --amplitude 80 --integration-us 500 "
        "--hysteresis 20",
        "teachlab surroundings lamp --evaluation-rate-hz 1000 --swing 30 --hysteresis 10",
        "teachlab surroundings ambient --limit-lx 5000 --expected-lx 12000",
        "teachlab surroundings target --measured 2000 --reflectance 0.9 --other-reflectance 0.06 --distance 100 "
        "--other-distance 120",
    ),
    "counterfactual": Listed(
        "surroundings", ASK,
        "Compute how much margin a faster sensor, a filter or an average would have on this light.",
        "teachlab counterfactual tubs.parquet --best",
    ),
    "coverage": Listed(
        "coverage", ASK,
        "Was every state of the belt or lamp seen? How often each part of a cycle lay in a gap.",
        "teachlab coverage tubs.parquet --cycle belt=10s --setting setting.json --out seen.svg",
    ),
    "stale": Listed(
        "stale", ASK,
        "Is the setting in use still good? Losses, margin and contrast over time.",
        "teachlab stale tubs.parquet --setting setting.json --least-margin 5",
    ),
    "plan": Listed(
        "plan", PROVE,
        "Say how many passes, lots or hours a claim takes and, while recording, whether you may stop.",
        "teachlab plan --max-rate 0.001 --confidence 0.95",
    ),
    "compare": Listed(
        "compare", PROVE,
        "Which of two settings is better? By the passes on which only one of them fails.",
        "teachlab compare tubs.parquet --setting setting.json --setting results/tubs.setting.json",
    ),
    "report": Listed(
        "report", PROVE,
        "Write a page to sign and a record that can be recomputed.",
        "teachlab report tubs.parquet --setting setting.json --draws 50 --out record",
    ),
    "card": Listed(
        "card", PROVE,
        "Say what to key in at the device, and how to teach and check it: one page to take to the line.",
        "teachlab card tubs.parquet --setting setting.json --device datasets/tubs_device.toml --out card.html",
    ),
    "verify": Listed(
        "report", PROVE,
        "Recompute a record and name every difference. Exit code 0: it holds. 1: it does not.",
        "teachlab verify record/result.json",
    ),
}
# fmt: on


def functions_of(name: str) -> dict[str, Callable[..., Any]]:
    """Return the function behind a command, or those of a group, by their names; its module is imported."""
    found = getattr(importlib.import_module(f"teachlab.cli.{COMMANDS[name].module}"), f"{name}_command")
    return found if isinstance(found, dict) else {name: found}
