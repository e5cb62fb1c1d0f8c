"""Both reserves of one setting as plain values: how much light may be lost, and how much ambient light added."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from teachlab.light.usable_light import bounded_recording
from teachlab.model.arrays import Floats
from teachlab.model.score import USUAL_RULES, Rules, Score
from teachlab.questions.stress.light import Receiver, no_share_of_light
from teachlab.questions.stress.reserve import ChainSearch
from teachlab.questions.stress.reserve_path import Axis, Path, Reserve
from teachlab.questions.surface.condensed import condensed
from teachlab.questions.surface.given_settings.pairs import score_pairs
from teachlab.questions.surface.values.levels import FirstReading, read_first
from teachlab.scoring.claimable import joined_where, touching_rows, wrong_apart

if TYPE_CHECKING:
    from teachlab.model.recording import Recording
    from teachlab.model.setting import Setting
    from teachlab.model.truth import Truth
    from teachlab.questions.stress.setting_reading import SettingReading

NONE: dict[str, float | None] = {
    "contamination_reserve": None,
    "contamination_resolution": 0.0,
    "share_of_light_refused": False,
    "ambient_reserve": None,
    "ambient_resolution": 0.0,
}
"""The reserve if a trial is wrong without any stress."""


def first_added(
    recording: Recording, truth: Truth, path: Path, reading: FirstReading, *, rules: Rules, accepted: int = 0
) -> Reserve:
    """Find how far one axis can go before there are more wrong trials than `accepted`.

    `reading`: of the same recording at the evaluation rate of the path's setting, which may have any filter and delays.

    Notes
    -----
    If the levels move apart (light below dark was logged and the dark level lies between them), there is no chain
    (`teachlab.questions.stress.reserve`), and settings are tried (`search_apart`).
    """
    found = ChainSearch(recording, truth, path, reading, rules, accepted).run()
    return search_apart(recording, truth, path, reading, rules=rules, accepted=accepted) if found is None else found


def both_reserves(
    recording: Recording,
    truth: Truth,
    setting: Setting,
    *,
    receiver: Receiver,
    reading: FirstReading,
    rules: Rules = USUAL_RULES,
) -> tuple[Reserve, Reserve]:
    """Find how far gain may fall, and how far ambient light may rise up to full scale.

    If a share of the light has no meaning (`no_share_of_light`), the first reserve is None.
    """

    def reserve(axis: Axis, start: float, end: float) -> Reserve:
        return first_added(recording, truth, Path(axis, receiver, setting, start, end), reading, rules=rules)

    refused = no_share_of_light(recording.info, setting, reading.low, reading.high)
    span = (recording.info.full_scale or reading.high) - min(reading.low, recording.info.dark_level)
    loss = Reserve(None, None) if refused else reserve(Axis.GAIN, 1.0, 0.0)
    return loss, reserve(Axis.AMBIENT, 0.0, max(span, 0.0))


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

    `setting`: of fixed levels.
    `scored`: score of the same trials: if it holds an error, there is no reserve, and nothing is read.
    `reading`: of this setting, for the recording that it reduced; otherwise it is read once, or as often as the search
    needs.
    Returned: ``contamination_reserve`` (share of the light), ``ambient_reserve`` (recording units), both None if a
    trial is wrong without stress, and their resolutions: 0 if exact. ``share_of_light_refused`` is true if a share of
    the logged light has no meaning.
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
    receiver = Receiver.of(recording, first.low, first.high)
    loss, rise = both_reserves(recording, truth, setting, receiver=receiver, reading=first, rules=rules)
    return {
        "contamination_reserve": loss.value,
        "contamination_resolution": loss.resolution,
        "share_of_light_refused": bool(no_share_of_light(recording.info, setting, first.low, first.high)),
        "ambient_reserve": rise.value,
        "ambient_resolution": rise.resolution,
    }


STEPS = 64
"""Points tried at first, and again between the last right one and the first wrong one."""
ROUNDS = 4
TOGETHER = 250


def search_apart(
    recording: Recording, truth: Truth, path: Path, reading: FirstReading, *, rules: Rules, accepted: int = 0
) -> Reserve:
    """Find the first point of an axis with more wrong trials than accepted, setting by setting.

    If light below dark was logged and the dark level lies between the levels, less light raises one level and lowers
    the other. Then there is no chain, and an error may come and go: every point at which a sample meets a level is
    replayed, from the unstressed light on, as long as there are few enough.
    Returned: exact if at most `reserve_path.VALUES` distinct samples meet a level before the first wrong point found.
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
                if n.lost + n.extra + n.false_trips + n.ignore_trips > accepted:
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
