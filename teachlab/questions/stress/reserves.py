"""Both reserves of one setting as plain values: how much light may be lost, and how much ambient light added."""

from __future__ import annotations

from typing import TYPE_CHECKING

from teachlab.light.usable_light import bounded_recording
from teachlab.model.score import USUAL_RULES, Rules, Score
from teachlab.questions.stress.light import Receiver, no_share_of_light, receiver_range
from teachlab.questions.stress.reserve import search_chain
from teachlab.questions.stress.reserve_apart import search_apart
from teachlab.questions.stress.reserve_path import Axis, Path, Reserve
from teachlab.questions.surface.condensed import condensed
from teachlab.questions.surface.values.levels import read_first
from teachlab.scoring.claimable import joined_where, touching_rows, wrong_apart

if TYPE_CHECKING:
    from teachlab.model.recording import Recording
    from teachlab.model.setting import Setting
    from teachlab.model.truth import Truth
    from teachlab.questions.stress.setting_reading import SettingReading
    from teachlab.questions.surface.values.levels import FirstReading

NONE: dict[str, float | None] = {
    "contamination_reserve": None,
    "contamination_resolution": 0.0,
    "share_of_light_refused": False,
    "ambient_reserve": None,
    "ambient_resolution": 0.0,
}
"""The reserve if a trial is wrong without any stress."""


def reserve(
    recording: Recording,
    truth: Truth,
    setting: Setting,
    axis: Axis,
    *,
    receiver: Receiver,
    reading: FirstReading,
    most: float,
    rules: Rules = USUAL_RULES,
) -> Reserve:
    """Find how far one stress can go before the first trial is wrong.

    Parameters
    ----------
    setting : Setting
        With any filter and delays.
    reading : FirstReading
        Of the same recording at the setting's evaluation rate.
    most : float
        End of the search: at most 1 for a loss of gain; recording units for ambient light.

    Notes
    -----
    If the levels move apart (light below dark was logged and the dark level lies between them), there is no chain
    (`teachlab.questions.stress.reserve`), and settings are tried (`teachlab.questions.stress.reserve_apart`).
    """
    start = 1.0 if axis is Axis.GAIN else 0.0
    end = start - most if axis is Axis.GAIN else most
    path = Path(axis, receiver, setting, start, end)
    found = search_chain(recording, truth, path, reading, rules=rules)
    return search_apart(recording, truth, path, reading, rules=rules) if found is None else found


def both_reserves(
    recording: Recording,
    truth: Truth,
    setting: Setting,
    *,
    receiver: Receiver,
    reading: FirstReading,
    rules: Rules = USUAL_RULES,
) -> tuple[Reserve, Reserve]:
    """Find how far gain may fall, and how far ambient light may rise up to full scale; parameters as in `reserve`.

    If a share of the light has no meaning (`no_share_of_light`), the first reserve is None.
    """
    axes = [(Axis.GAIN, 1.0)] if not no_share_of_light(recording.info, setting, reading.low, reading.high) else []
    span = (recording.info.full_scale or reading.high) - min(reading.low, recording.info.dark_level)
    found = [
        reserve(recording, truth, setting, axis, receiver=receiver, reading=reading, most=most, rules=rules)
        for axis, most in (*axes, (Axis.AMBIENT, max(span, 0.0)))
    ]
    return (found[0] if axes else Reserve(None, None)), found[-1]


def reserves(
    recording: Recording,
    truth: Truth,
    setting: Setting,
    *,
    rules: Rules = USUAL_RULES,
    scored: Score | None = None,
    reading: SettingReading | None = None,
) -> dict[str, float | None]:
    """Return how far gain may fall and ambient light may rise before the first error.

    Parameters
    ----------
    recording, truth, setting
        Of fixed levels.
    scored : Score, optional
        Score of the same trials: if it holds an error, there is no reserve, and nothing is read.
    reading : SettingReading, optional
        Of this setting, for the recording that it reduced; otherwise it is read once, or as often as the search needs.

    Returns
    -------
    dict
        ``contamination_reserve`` (share of the light), ``ambient_reserve`` (recording units), both None if a trial is
        wrong without stress, and their resolutions: 0 if exact. ``share_of_light_refused`` is true if a share of the
        logged light has no meaning.
    """
    if scored is not None:
        if any(wrong_apart(truth, scored)):
            return dict(NONE)
        found = condensed(recording, truth, setting, rules=rules) if reading is None else reading.condensed
        if found is not None:
            recording, truth, rules = found.recording, found.truth, found.rules
        # Touching passes are no error of the setting: the two count as one.
        truth = joined_where(truth, touching_rows(truth, scored.trials))
    recording = bounded_recording(recording)
    first = read_first(recording, setting.evaluation_rate_hz)
    receiver = Receiver(recording.info.dark_level, *receiver_range(recording, first.low, first.high))
    loss, rise = both_reserves(recording, truth, setting, receiver=receiver, reading=first, rules=rules)
    return {
        "contamination_reserve": loss.value,
        "contamination_resolution": loss.resolution,
        "share_of_light_refused": bool(no_share_of_light(recording.info, setting, first.low, first.high)),
        "ambient_reserve": rise.value,
        "ambient_resolution": rise.resolution,
    }
