"""Synthetic lines: the signal chain, and scenarios as data.

One effect is one small table with its function; `line` strings them together in the order of the chain.
"""

from teachlab.data.synthetic.line import Stress
from teachlab.data.synthetic.produce import Plan, Recipe, continue_recording, generate, plan, write
from teachlab.data.synthetic.scenario import Scenario, aliases, load_scenario, parse, scenario_names
from teachlab.data.synthetic.words import explain

__all__ = [
    "Plan",
    "Recipe",
    "Scenario",
    "Stress",
    "aliases",
    "continue_recording",
    "explain",
    "generate",
    "load_scenario",
    "parse",
    "plan",
    "scenario_names",
    "write",
]
