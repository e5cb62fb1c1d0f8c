"""Synthetic lines: the signal chain, and scenarios as data.

One effect is one small table with its function; `line` applies them in the order of the chain.
"""

from teachlab.synthetic.files import continue_recording, read_recipe, write
from teachlab.synthetic.line import LineStress
from teachlab.synthetic.produce import (
    Plan,
    Recipe,
    blocks,
    generate,
    plan,
)
from teachlab.synthetic.raw_log import write_log
from teachlab.synthetic.scenario import (
    Scenario,
    aliases,
    key_reference,
    load_scenario,
    parse,
    scenario_names,
    scenario_text,
)
from teachlab.synthetic.words import explain

__all__ = [
    "LineStress",
    "Plan",
    "Recipe",
    "Scenario",
    "aliases",
    "blocks",
    "continue_recording",
    "explain",
    "generate",
    "key_reference",
    "load_scenario",
    "parse",
    "plan",
    "read_recipe",
    "scenario_names",
    "scenario_text",
    "write",
    "write_log",
]
