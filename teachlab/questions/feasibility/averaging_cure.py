"""Averaging as a cure: the light as a sensor with a running average would have seen it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from teachlab.errors import InputError
from teachlab.light.usable_light import bounded_recording
from teachlab.model.printable_text import in_figures, number_of
from teachlab.questions.counterfactual.averaged import averaged
from teachlab.questions.feasibility.designed_cure import MOST_SAMPLES

if TYPE_CHECKING:
    from teachlab.model.recording import Recording
    from teachlab.model.setting import Setting
    from teachlab.model.truth import Truth

SPANS = (4, 8, 16, 32, 64, 128)
"""Lengths of the tried averages, in evaluations; each is shorter than half of the shortest pass."""


@dataclass(frozen=True, slots=True, kw_only=True)
class AveragedLight:
    """A recording with an average before the levels.

    `recording`: one sample per evaluation.
    `truth`: its passes, later by half the average.
    `setting`: the same levels and delays, for every sample of that recording.
    """

    text: str
    recording: Recording
    truth: Truth
    setting: Setting


def averages(recording: Recording, truth: Truth, setting: Setting) -> Iterator[AveragedLight]:
    """Yield the light under longer and longer averages.

    Notes
    -----
    Recordings longer than those held in memory for a design are not read again for every average.
    """
    if recording.samples > MOST_SAMPLES:
        return
    recording = bounded_recording(recording)  # a mean over infinite light is no number
    rate = setting.evaluation_rate_hz or recording.info.sample_rate_hz
    shortest = int((truth.end - truth.start)[truth.detect].min()) * rate / recording.info.sample_rate_hz
    for span in SPANS:
        if span >= shortest / 2:
            return
        try:
            seen, passes = averaged(recording, truth, span, evaluation_rate_hz=setting.evaluation_rate_hz)
        except InputError:  # a pass between two evaluations, or light too large to be reckoned with
            return
        if passes.passes == truth.passes:
            yield AveragedLight(
                text=f"an average over {number_of(span, 'evaluation')} ({in_figures(1000 * span / rate)} ms)",
                recording=seen, truth=passes, setting=replace(setting, evaluation_rate_hz=None),
            )  # fmt: skip
