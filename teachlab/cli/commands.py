"""The table of commands: what `teachlab --help` prints before any command's module is imported."""

from __future__ import annotations

from typing import NamedTuple

LIGHT, TRY, ASK, PROVE = "Bring light in", "Teach and try", "Ask", "Prove"


class Listed(NamedTuple):
    """One command in the table.

    Parameters
    ----------
    module : str
        File in ``cli/``, whose `register` adds the command.
    part : str
        Heading under which it is listed.
    line : str
        First paragraph of the command's docstring.
    """

    module: str
    part: str
    line: str


# One line a command, in the order in which a job goes through them.
# fmt: off
COMMANDS = {
    "synth": Listed("synth", LIGHT, "Generate a synthetic recording with its passes; stress acts before noise and converter."),
    "import": Listed("import_log", LIGHT, "Turn a log into a recording, with its passes where the log or a table has them. Nothing is resampled."),
    "inspect": Listed("inspect", LIGHT, "Tell the quality of a recording: span, noise, contrast, drift, and whether any fixed level can work."),
    "align": Listed("align", LIGHT, "Measure how far passes lie from the light: lag, clock, scatter; --out moves them. Nothing moves without it."),
    "label": Listed("label", LIGHT, "Propose passes from the light alone, marked self-labelled, as a table to correct by hand."),
    "demo": Listed("demo", TRY, "Do the whole job on shipped data: teach by every strategy, bench, rank, and write one figure."),
    "strategies": Listed("strategies", TRY, "List the strategies: what each needs to be shown, and its parameters with units and defaults."),
    "teach": Listed("teach", TRY, "Teach one setting from one seeded showing of the whole recording."),
    "replay": Listed("replay", TRY, "Replay a recording through the sensor's switching and score every pass and gap."),
    "bench": Listed("bench", TRY, "Teach every strategy many times on the first part, score on the rest, and rank by cost."),
    "conform": Listed("conform", TRY, "Check that a strategy keeps to what the lab relies on; exit code 1 if a check fails."),
    "repeatability": Listed("repeatability", ASK, "Redraw what was shown, and tell how level and scores spread: by draw, sweep length, person and lot."),
    "surface": Listed("surface", ASK, "Count lost passes and false trips for every pair of levels at once, and name the best in hindsight."),
    "stress": Listed("stress", ASK, "Count what one setting loses and trips with less light, more ambient light and a dirty window."),
    "timing": Listed("timing", ASK, "Check dwell, gap, response, delays and controller scan before any level is taught."),
    "surroundings": Listed("surroundings", ASK, "Neighbour, lamps, ambient light and other targets, from numbers."),
    "counterfactual": Listed("surroundings", ASK, "Measure what a faster sensor, a filter or an average would have bought in margin."),
    "coverage": Listed("coverage", ASK, "Certify how often every nuisance cycle lay in an open gap, and find periods in trips and gap peaks."),
    "stale": Listed("stale", ASK, "Ask whether a setting has gone stale: level, contrast and margin over time, and the time to cleaning."),
    "plan": Listed("plan", PROVE, "Say how many passes or hours show a rate, and, while recording, whether you may stop."),
    "compare": Listed("compare", PROVE, "Compare settings by the passes and gaps on which exactly one of them goes wrong."),
    "report": Listed("report", PROVE, "Write the evidence for a setting: a record that can be recomputed, and a page to sign."),
    "verify": Listed("report", PROVE, "Recompute a record and name every difference. Exit code: 0 it holds, 1 it does not."),
}
# fmt: on
