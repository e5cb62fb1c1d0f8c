"""Zero hysteresis with any filter and delays: every threshold at once, as a chain of settings."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

import numpy as np

from teachlab.model.score import USUAL_RULES, Rules
from teachlab.questions.surface.all_pairs.finishing import assembled
from teachlab.questions.surface.given_settings.chain import count_chain
from teachlab.questions.surface.values.table import TABLES

if TYPE_CHECKING:
    from teachlab.model.recording import Recording
    from teachlab.model.setting import Setting
    from teachlab.model.truth import Truth
    from teachlab.questions.surface.values.levels import FirstReading, Levels
    from teachlab.questions.surface.values.table import Surface

ZERO_HYSTERESIS = (
    "zero hysteresis only: every threshold counted exactly by running extremes; with hysteresis the delays leave no "
    "shortcut, so other pairs need a replay each"
)


def zero_hysteresis(
    recording: Recording,
    truth: Truth,
    base: Setting,
    reading: FirstReading,
    levels: Levels,
    rules: Rules = USUAL_RULES,
    progress: Callable[[float], None] | None = None,
) -> Surface:
    """Count every threshold of zero hysteresis under filter and delays; parameters as in `surface`."""
    found = count_chain(
        recording, truth, base, reading, levels, levels, rules=rules,
        progress=progress,
    )  # fmt: skip
    places = np.arange(levels.size)
    # A table of touching passes only where there are some, as with all pairs.
    sums = {name: values for name, values in found.sums.items() if name in TABLES or values.any()}
    tables = {name: np.zeros((levels.size, levels.size), np.int64) for name in sums}
    for name, values in sums.items():
        tables[name][places, places] = values
    return assembled(levels, tables, found.spans, reading.clock, base, every_pair=False, how=ZERO_HYSTERESIS)
