"""Both reserves of one setting as plain values: how much light may be lost, and how much ambient light added."""

from __future__ import annotations

from teachlab.model.recording import Recording
from teachlab.model.score import USUAL_RULES, Rules, Score
from teachlab.model.setting import Setting
from teachlab.model.truth import Truth
from teachlab.questions.stress.map import stress_map

NONE: dict[str, float | None] = {
    "contamination_reserve": None,
    "contamination_resolution": 0.0,
    "ambient_reserve": None,
    "ambient_resolution": 0.0,
}
"""Where a trial comes out wrong without any stress."""


def reserves(
    recording: Recording,
    truth: Truth,
    setting: Setting,
    *,
    rules: Rules = USUAL_RULES,
    scored: Score | None = None,
) -> dict[str, float | None]:
    """Return how far gain may fall and ambient light may rise before the first fault.

    Parameters
    ----------
    recording, truth, setting
        Of fixed levels.
    rules
        As for the score.
    scored : Score, optional
        Of the same trials: where it holds a fault, there is no reserve, and nothing is read.

    Returns
    -------
    dict
        ``contamination_reserve`` (share of the light), ``ambient_reserve`` (recording units), both None where a
        trial comes out wrong without stress, and their resolutions: 0 where exact.
    """
    if scored is not None and (scored.counts.lost or scored.counts.false_trips or scored.counts.ignore_false_trips):
        return dict(NONE)
    found = stress_map(recording, truth, setting, gain=(1.0,), rules=rules)
    return {
        "contamination_reserve": found.contamination_reserve,
        "contamination_resolution": found.resolution[0],
        "ambient_reserve": found.ambient_reserve,
        "ambient_resolution": found.resolution[1],
    }
