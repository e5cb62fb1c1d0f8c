"""The whole path on one screen: split, teach, replay, score."""

from __future__ import annotations

from dataclasses import dataclass

from teachlab.data.split import Split, split
from teachlab.model.draws import DrawOptions
from teachlab.model.recording import Recording
from teachlab.model.score import Score
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
    """Result of one teaching on the first part of a recording, scored on the rest.

    Parameters
    ----------
    recording : str
        Name of the recording.
    split : Split
        Where teaching ended and scoring began.
    setting : Setting
        The taught setting, with the evidence it was taught on.
    output : Output
        The output of the sensor over the whole recording.
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
    options: DrawOptions | None = None,
    draw: int = 0,
) -> Evidence:
    """Teach once on the teach block, replay the recording, score what came later.

    Parameters
    ----------
    recording : Recording
    truth : Truth
        Its passes.
    strategy : Strategy
    options : DrawOptions, optional
        Its seed selects what is shown; scoring begins after its teach block.
    draw : int
        Number of the draw.

    Raises
    ------
    Abstained
        If the strategy declines to teach.
    InputError
        If the pieces do not fit together.
    """
    how = options or DrawOptions()
    cut = split(truth, recording.samples, teach_share=how.teach_share)
    block = TeachBlock(recording, truth, base=how.base, rules=how.rules, stop_sample=cut.teach_end)
    setting = teach_once(strategy, block, how.seed, draw)
    output = replay(recording, setting)
    result = score(output, truth, rules=how.rules.scored_from(cut.first_scored))
    return Evidence(recording=recording.name, split=cut, setting=setting, output=output, score=result)
