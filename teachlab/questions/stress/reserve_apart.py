"""How far a stress can go if the levels seen from the unstressed light move apart: setting by setting.

If light below dark was logged and the dark level lies between the levels, less light raises one level and lowers the
other. Then there is no chain, and an error may come and go: every point at which a sample meets a level is replayed,
from the unstressed light on, as long as there are few enough.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from teachlab.questions.stress.reserve_path import Path, Reserve
from teachlab.questions.surface.given_settings.pairs import score_pairs

if TYPE_CHECKING:
    from teachlab.model.recording import Recording
    from teachlab.model.score import Rules
    from teachlab.model.truth import Truth
    from teachlab.questions.stress.light import Floats
    from teachlab.questions.surface.values.levels import FirstReading

STEPS = 64
"""Points tried at first, and again between the last right one and the first wrong one."""
ROUNDS = 4
TOGETHER = 250


def search_apart(recording: Recording, truth: Truth, path: Path, reading: FirstReading, *, rules: Rules) -> Reserve:
    """Find the first point of an axis with a wrong trial.

    Returns
    -------
    Reserve
        Exact if at most `reserve_path.VALUES` distinct samples meet a level before the first wrong point found.
        Otherwise every point tried up to it is right, and one `resolution` beyond it is wrong.
    """

    def first_wrong(walk: Floats) -> int:
        on, off = path.levels(walk, reading)
        # One reading serves many settings together, but those after the first wrong one are not needed: hence in parts.
        for a in range(0, walk.size, TOGETHER):
            settings = [
                path.setting.with_levels(float(x), float(y))
                for x, y in zip(on[a : a + TOGETHER], off[a : a + TOGETHER], strict=True)
            ]
            for k, n in enumerate(score_pairs(recording, truth, settings, rules=rules)):
                if n.lost or n.extra or n.false_trips or n.ignore_trips:
                    return a + k
        return walk.size

    walk = np.linspace(path.start, path.end, STEPS + 1)
    wrong = first_wrong(walk)
    if wrong == 0:
        return Reserve(None, None)
    reached = walk[: min(wrong, walk.size - 1) + 1]
    samples = path.samples(recording, reading, reached, np.arange(reached.size - 1))
    if samples is not None:
        every = path.with_breaks(*samples, reached[[0, -1]])
        return path.up_to(every, first_wrong(every))
    if wrong == walk.size:
        return Reserve.up_to(path.end, path.start, abs(path.end - path.start) / STEPS)
    # Too many breaks to try each: narrow down, and show by the resolution that this is no proof.
    for _ in range(ROUNDS - 1):
        walk = np.linspace(walk[wrong - 1], walk[wrong], STEPS + 1)
        wrong = first_wrong(walk)
    return Reserve.up_to(float(walk[wrong - 1]), path.start, abs(float(walk[wrong] - walk[wrong - 1])))
