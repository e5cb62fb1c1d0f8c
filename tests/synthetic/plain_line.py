"""A small line that tests change piece by piece."""

import copy

import numpy as np

from teachlab.synthetic import LineStress, Recipe, Scenario, blocks

BASE = {
    "title": "test line",
    "sensor": {
        "sensing": "diffuse",
        "sample_rate_hz": 1000,
        "direction": "rise",
        "unit": "percent",
        "bits": 16,
        "beam": {"shape": "gaussian", "radius_mm": 4},
        "noise": {"thermal_percent": 0, "shot_kappa": 0, "rin": 0},
    },
    "line": {"speed_mm_s": 500, "gap_mm": 100},
    "background": {"level_percent": 10},
    "object": [{"label": "box", "length_mm": 100, "level_percent": 40}],
}
FAR = {"lead_in_mm": 1e9}  # no object comes


def merged(base, changes):
    out = copy.deepcopy(base)
    for key, value in changes.items():
        table = isinstance(value, dict) and isinstance(out.get(key, {}), dict) and "shape" not in value
        out[key] = merged(out.get(key, {}), value) if table else copy.deepcopy(value)
    return out


def tables(**changes):
    """Tables of the base line with changes: tables merged, lists replaced."""
    return merged(BASE, changes)


def line(**changes):
    return Scenario.model_validate(tables(**changes))


def light(scenario, samples, seed=0, **stress):
    """Generate so many samples of a scenario as float64, NaN where there is none."""
    recipe = Recipe(scenario=Scenario.model_validate(scenario), passes=1, seed=seed, stress=LineStress(**stress))
    return np.concatenate([b.as_float() for b in blocks(recipe, samples=samples)])
