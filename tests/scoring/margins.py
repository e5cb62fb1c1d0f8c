"""The margin of one output of one recording, for tests."""

from __future__ import annotations

from teachlab.model.margin import Margin
from teachlab.model.recording import Recording
from teachlab.model.score import USUAL_RULES, Rules, Trials
from teachlab.model.truth import Truth
from teachlab.scoring.margin import QUANTILE_SHARE, MarginScan
from teachlab.sensor.output import Output


def measure_margin(
    recording: Recording, output: Output, truth: Truth, trials: Trials, *, rules: Rules = USUAL_RULES,
    quantile_share: float = QUANTILE_SHARE,
) -> Margin:  # fmt: skip
    """Measure how far a setting is from its first error, in one reading of the recording."""
    scan = MarginScan(recording, output.setting, truth, rules)
    for block in recording.blocks():
        scan.push(block)
    return scan.margin(recording, output, trials, quantile_share=quantile_share)
