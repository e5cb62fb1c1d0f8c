"""The table of commands: what `teachlab --help` prints before any command's module is imported, and their examples."""

from __future__ import annotations

LIGHT, TRY, ASK, PROVE = "Bring light in", "Teach and try", "Ask", "Prove"


class Listed:
    """One command in the table.

    Parameters
    ----------
    module : str
        File in ``cli/``, whose `register` adds the command.
    part : str
        Heading under which it is listed.
    line : str
        First paragraph of the command's docstring.
    *examples : str
        Lines below its help; at least one for every command of a group.
    """

    def __init__(self, module: str, part: str, line: str, *examples: str) -> None:
        self.module, self.part, self.line, self.examples = module, part, line, examples


# In the order in which a job goes through them; the examples, in this order, are one walk through a log that ships.
# fmt: off
COMMANDS = {
    "synth": Listed(
        "synth", LIGHT,
        "Generate a synthetic recording with its passes; stress acts before noise and converter.",
        "teachlab synth clear-jars --passes 200 --seed 1 --out jars.parquet",
        "teachlab synth sensed-tubs --passes 200 --out sensor.parquet",
        "teachlab synth demo --toml",
    ),
    "import": Listed(
        "import_log", LIGHT,
        "Turn a log into a recording, with its passes where the log or a table has them. Nothing is resampled.",
        "teachlab import datasets/tubs_log.csv --column light --unit counts --full-scale 4095 --time time_s "
        "--truth-column product --out tubs.parquet",
    ),
    "inspect": Listed(
        "inspect", LIGHT,
        "Tell the quality of a recording: span, noise, contrast, drift, and whether any fixed level can work.",
        "teachlab inspect tubs.parquet --plot light.svg",
    ),
    "align": Listed(
        "align", LIGHT,
        "Measure how far passes lie from the light: lag, clock, scatter; --out moves them. Nothing moves without it.",
        "teachlab align tubs.parquet --plot borders.svg",
    ),
    "label": Listed(
        "label", LIGHT,
        "Propose passes from the light alone, marked self-labelled, as a table to correct by hand.",
        "teachlab label tubs.parquet --direction rise --out proposed.csv",
    ),
    "demo": Listed(
        "demo", TRY,
        "Do the whole job on shipped data: teach by every strategy, bench, rank, and write a figure and a page.",
        "teachlab demo --draws 50 --out .",
    ),
    "guide": Listed(
        "guide", TRY,
        "Answer a question by a page: which method, why lost, how many passes, what to sign.",
        "teachlab guide method",
        "teachlab guide --html guide",
    ),
    "strategies": Listed(
        "strategies", TRY,
        "List the strategies: what each needs to be shown, and its parameters with units and defaults.",
        "teachlab strategies",
    ),
    "teach": Listed(
        "teach", TRY,
        "Teach one setting from one seeded showing of the whole recording.",
        "teachlab teach tubs.parquet --strategy guard-or-window --out setting.json",
    ),
    "design": Listed(
        "design", TRY,
        "Design levels, release, filter and delays together by counting, with a reason and a reserve for each.",
        "teachlab design tubs.parquet --out designed.json",
    ),
    "replay": Listed(
        "replay", TRY,
        "Replay a recording through the sensor's switching and score every pass and gap.",
        "teachlab replay tubs.parquet --setting setting.json --edges edges.csv",
    ),
    "bench": Listed(
        "bench", TRY,
        "Teach every strategy many times on the first part, score on the rest, and rank by cost.",
        "teachlab bench tubs.parquet --draws 50 --out results",
    ),
    "conform": Listed(
        "conform", TRY,
        "Check that a strategy keeps to what the lab relies on; exit code 1 if a check fails.",
        "teachlab conform two-sample-midpoint",
    ),
    "repeatability": Listed(
        "repeatability", ASK,
        "Redraw what was shown, and tell how level and scores spread: by draw, sweep length, person and lot.",
        "teachlab repeatability tubs.parquet --strategy single-sample --draws 50 --out spread.svg",
    ),
    "surface": Listed(
        "surface", ASK,
        "Count lost passes and false trips for every pair of levels at once, and name the best in hindsight.",
        "teachlab surface tubs.parquet --setting setting.json --out surface.svg",
    ),
    "explore": Listed(
        "explore", ASK,
        "Write a page on which you drag the levels and see exact counts: one file, works offline.",
        "teachlab explore tubs.parquet --setting setting.json --out page.html",
    ),
    "identify": Listed(
        "identify", ASK,
        "Find all settings that reproduce the sensor's own output, logged beside the light.",
        "teachlab identify sensor.parquet --plot edges.svg --out sensor.json",
    ),
    "agree": Listed(
        "agree", ASK,
        "Compare a replay with the sensor's own logged output, pulse by pulse and by lots.",
        "teachlab agree sensor.parquet --setting sensor.json",
    ),
    "stress": Listed(
        "stress", ASK,
        "Count what one setting loses and trips with less light, more ambient light and a dirty window.",
        "teachlab stress tubs.parquet --setting setting.json --gain 1,0.9,0.8 --out stress.svg",
        "teachlab stress tubs.parquet --setting setting.json --gain 1 --speed 1,1.5,2 --speed-out speed.svg",
    ),
    "timing": Listed(
        "timing", ASK,
        "Check dwell, gap, response, delays and controller scan before any level is taught.",
        "teachlab timing tubs.parquet --setting setting.json --scan-ms 10",
        "teachlab timing --speed-mm-s 500 --length-mm 120 --gap-mm 60 --evaluation-rate-hz 1000",
    ),
    "surroundings": Listed(
        "surroundings", ASK,
        "Neighbour, lamps, ambient light and other targets, from numbers.",
        "teachlab surroundings neighbour --width-us 4 --frequency-hz 10000 --frequency-hz 10700",
        "teachlab surroundings beat --own-hz 10000 --other-hz 10400 --amplitude 80 --integration-us 500 "
        "--hysteresis 20",
        "teachlab surroundings lamp --evaluation-rate-hz 1000 --swing 30 --hysteresis 20",
        "teachlab surroundings ambient --limit-lx 5000 --expected-lx 12000",
        "teachlab surroundings target --measured 2000 --reflectance 0.9 --other-reflectance 0.06 --distance 100 "
        "--other-distance 120",
    ),
    "counterfactual": Listed(
        "surroundings", ASK,
        "Measure what a faster sensor, a filter or an average would have bought in margin.",
        "teachlab counterfactual tubs.parquet --best",
    ),
    "coverage": Listed(
        "coverage", ASK,
        "Certify how often every nuisance cycle lay in an open gap, and find periods in trips and gap peaks.",
        "teachlab coverage tubs.parquet --cycle belt=10s --setting setting.json --out seen.svg",
    ),
    "stale": Listed(
        "stale", ASK,
        "Ask whether a setting has gone stale: level, contrast and margin over time, and the time to cleaning.",
        "teachlab stale tubs.parquet --setting setting.json --least-margin 5",
    ),
    "plan": Listed(
        "plan", PROVE,
        "Say how many passes or hours show a rate, and, while recording, whether you may stop.",
        "teachlab plan --max-rate 0.001 --confidence 0.95",
    ),
    "compare": Listed(
        "compare", PROVE,
        "Compare settings by the passes and gaps on which exactly one of them goes wrong.",
        "teachlab compare tubs.parquet --setting setting.json --setting results/tubs.setting.json",
    ),
    "report": Listed(
        "report", PROVE,
        "Write the evidence for a setting: a record that can be recomputed, and a page to sign.",
        "teachlab report tubs.parquet --setting setting.json --draws 50 --out record",
    ),
    "verify": Listed(
        "report", PROVE,
        "Recompute a record and name every difference. Exit code: 0 it holds, 1 it does not.",
        "teachlab verify record/result.json",
    ),
}
# fmt: on
