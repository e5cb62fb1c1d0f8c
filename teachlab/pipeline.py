"""The whole path on one screen: split, teach, replay, score."""

from __future__ import annotations

from dataclasses import dataclass

from teachlab.data.split import Split, split
from teachlab.model.draws import TEACH_SHARE
from teachlab.model.recording import Recording
from teachlab.model.score import USUAL_RULES, Rules, Score
from teachlab.model.setting import Setting
from teachlab.model.teaching import Strategy
from teachlab.model.truth import Truth
from teachlab.scoring.scoring import score
from teachlab.sensor.output import Output
from teachlab.switching.run import replay
from teachlab.teaching.block import TeachBlock
from teachlab.teaching.once import teach_once


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Evidence:
    """What one teaching on the first part of a recording is worth on the rest of it.

    Parameters
    ----------
    recording : str
        Its name.
    split : Split
        Where teaching ended and scoring began.
    setting : Setting
        What was taught, with the evidence it was taught on.
    output : Output
        What the sensor did over the whole recording.
    score : Score
        Of the passes and gaps after the split.
    """

    recording: str
    split: Split
    setting: Setting
    output: Output
    score: Score


def evaluate(
    recording: Recording,
    truth: Truth,
    strategy: Strategy,
    *,
    base: Setting | None = None,
    seed: int = 0,
    draw: int = 0,
    teach_share: float = TEACH_SHARE,
    rules: Rules = USUAL_RULES,
) -> Evidence:
    """Teach once on the teach block, replay the recording, score what came later.

    Parameters
    ----------
    recording : Recording
    truth : Truth
        Its passes.
    strategy : Strategy
    base : Setting, optional
        Delays, filter and evaluation rate to keep; its levels mean nothing.
    seed, draw : int
        Pick what is shown.
    teach_share : float, in (0, 1)
        Share of the detect passes that may be taught on.
    rules : Rules
        Tolerance of the borders, confidence of every interval. What is scored begins behind the teach block.

    Raises
    ------
    Abstained
        If the strategy declines to teach.
    InputError
        If the pieces do not fit together.
    """
    cut = split(truth, recording.samples, teach_share=teach_share)
    block = TeachBlock(recording, truth, base=base, rules=rules, stop_sample=cut.teach_end)
    setting = teach_once(strategy, block, seed, draw)
    output = replay(recording, setting)
    result = score(output, truth, rules=rules.scored_from(cut.first_scored))
    return Evidence(recording=recording.name, split=cut, setting=setting, output=output, score=result)
