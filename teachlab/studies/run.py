"""Run a bench: teach many times on the teach block, score every setting on the scored block."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np

from teachlab.data.alignment.room import alignment_of
from teachlab.data.split import Split, split
from teachlab.errors import StrategyError, TruthError
from teachlab.model.draws import Draw, DrawOptions
from teachlab.model.recording import Origin, Recording
from teachlab.model.truth import Truth, TruthSource
from teachlab.questions.stress.worth import SettingWorth
from teachlab.questions.surface.count_settings import count_settings, with_measures
from teachlab.questions.surface.hindsight import Hindsight, best_fixed
from teachlab.questions.verdict.of_setting import FilesJudged, JudgedBy
from teachlab.statistics.claims.decisions import ACCEPTED_ERRORS
from teachlab.statistics.claims.lot_claims import NOTHING, Assumption
from teachlab.studies.bench_verdict import bench_verdict
from teachlab.studies.ceiling import ceiling
from teachlab.studies.claim_half import claim_halves, order_rows, second_half
from teachlab.studies.ranking import median_draw, ranked, ranking_cost, spreads_of
from teachlab.studies.recommend import recommend
from teachlab.studies.result import RecordingBench, StrategyResult
from teachlab.studies.tally import Tally
from teachlab.teaching.block import TeachBlock
from teachlab.teaching.once import teach_draws
from teachlab.teaching.parameters import parameters_of
from teachlab.teaching.registry import RECOMMENDED

if TYPE_CHECKING:
    from teachlab.model.setting import Setting
    from teachlab.model.teaching import Strategy

Progress = Callable[[float], None]


def bench_recording(
    recording: Recording,
    truth: Truth,
    strategies: Sequence[Strategy],
    *,
    options: DrawOptions | None = None,
    accepted: float = ACCEPTED_ERRORS,
    assumption: Assumption = NOTHING,
    files: FilesJudged | None = None,
    progress: Progress | None = None,
) -> RecordingBench:
    """Teach by every strategy in many draws, replay, score and rank.

    Parameters
    ----------
    recording : Recording
    truth : Truth
        Its passes; the first share of them is taught on, later ones are scored.
    strategies : sequence of Strategy
        With distinct names.
    options : DrawOptions, optional
    accepted : float
        Errors per pass that are accepted of the setting recommended.
    assumption : Assumption
        What the headline takes for granted.
    files : FilesJudged, optional
        Where the recording is, and where the setting recommended will be, for the next step.
    progress : callable, optional
        Called with the share done.

    Returns
    -------
    RecordingBench

    Raises
    ------
    InputError
        If recording, truth and options do not fit together, or no pass is left to score.
    """
    options = options or DrawOptions()
    names = [s.name for s in strategies]
    if len(set(names)) < len(names):
        raise StrategyError(f"a bench compares strategies by name, got {names}: give every one once.")
    cut = split(truth, recording.samples, teach_share=options.teach_share)
    block = TeachBlock(
        recording,
        truth,
        base=options.base,
        rules=options.rules,
        stop_sample=cut.teach_end,
    )
    say = _Stages(progress)
    taught: dict[str, list[Draw]] = {}
    for k, strategy in enumerate(strategies):
        taught[strategy.name] = teach_draws(strategy, block, range(options.draws), options.seed)
        say.teaching((k + 1) / len(strategies))
    settings = [d.setting for draws in taught.values() for d in draws if d.setting is not None]
    middle = second_half(cut.first_scored, truth.passes)
    tally, later = (
        Tally(count_settings(recording, truth, settings, rules=options.rules.scored_from(first), progress=part))
        for first, part in ((cut.first_scored, say.scoring), (middle, say.halves))
    )
    trials = _scored_passes(recording, truth, cut, tally)
    best = best_fixed(
        recording, truth, tally.counts,
        base=options.base, costs=options.costs, rules=options.rules.scored_from(cut.first_scored),
    )  # fmt: skip
    alignment = alignment_of(recording, truth, options.rules)
    jitter = None if alignment is None else alignment.jitter_ms
    measuring = SettingWorth(recording, truth, rules=options.rules.scored_from(cut.first_scored), jitter_ms=jitter)
    results = [_result(measuring, s, taught[s.name], tally, best, options) for s in strategies]
    rows, ordered = ranked(results)
    halves = claim_halves(recording, truth, taught, first_half=tally.before(later), middle=middle, options=options)
    orders = order_rows(truth, rows, halves, options)
    later_worth = SettingWorth(recording, truth, rules=options.rules.scored_from(middle), jitter_ms=jitter)
    chosen = recommend(halves, later_worth, preferred=RECOMMENDED)
    if chosen is not None:
        chosen = replace(chosen, setting=_said_chosen(chosen.setting, recording, truth, middle))
    return RecordingBench(
        recording=recording.name,
        unit=recording.info.unit,
        teach_passes=cut.teach_passes,
        scored_passes=trials,
        ranking=[name for row in rows for name in row],
        rows=rows,
        orders=orders,
        results=ordered,
        best_fixed=best,
        ceiling=ceiling(
            recording, truth, best.setting, base=options.base, rules=options.rules.scored_from(cut.first_scored)
        ),
        recommendation=chosen,
        options=options,
        verdict=bench_verdict(
            recording,
            truth,
            chosen,
            halves,
            rows,
            orders,
            by=JudgedBy(
                rules=options.rules.scored_from(middle), costs=options.costs, accepted=accepted, assumption=assumption
            ),
            files=files,
        ),
        self_labelled=truth.source is TruthSource.SELF_LABELLED,
        synthetic=recording.info.origin is Origin.SYNTHETIC,
        alignment=alignment,
    )


def _said_chosen(setting: Setting, recording: Recording, truth: Truth, middle: int) -> Setting:
    """Return a setting that says on which part of the recording it was taught and chosen: no claim may rest on it."""
    if setting.taught is None:
        return setting
    on: dict[str, Any] = {"recording": recording.name, "at_sample": 0, "to_sample": int(truth.end[middle - 1])}
    if recording.info.digest:
        on["recording_digest"] = recording.info.digest
    evidence = {**setting.taught.evidence, "chosen_on": on}
    return replace(setting, taught=replace(setting.taught, evidence=evidence))


class _Stages:
    """Progress over teaching, scoring and the halves, in shares of their usual time."""

    def __init__(self, progress: Progress | None) -> None:
        self._progress = progress

    def teaching(self, share: float) -> None:
        self._say(0.4 * share)

    def scoring(self, share: float) -> None:
        self._say(0.4 + 0.3 * share)

    def halves(self, share: float) -> None:
        self._say(0.7 + 0.3 * share)

    def _say(self, share: float) -> None:
        if self._progress is not None:
            self._progress(share)


def _scored_passes(recording: Recording, truth: Truth, cut: Split, tally: Tally) -> int:
    trials = [n.detect_trials for n in tally.counts.values()]
    if trials and max(trials) == 0:
        raise TruthError(
            f"{recording.name}: none of the {truth.detect_passes} passes is left to score: those after the teach "
            "block hold void time or are cut by the record. Log longer, or teach on a smaller share."
        )
    return max(trials, default=int(np.count_nonzero(truth.detect[cut.first_scored :])))


def part_of(progress: Progress | None, k: int, of: int) -> Progress | None:
    """Return the progress of the k-th of equal parts."""
    return None if progress is None else lambda share: progress((k + share) / of)


def _result(
    measuring: SettingWorth,
    strategy: Strategy,
    taught: Sequence[Draw],
    tally: Tally,
    best: Hindsight,
    options: DrawOptions,
) -> StrategyResult:
    draws = with_measures(taught, tally.counts, options.costs, best_cost=best.cost)
    middle = median_draw(draws)
    worth = None if middle is None or middle.setting is None else measuring.of(middle.setting)
    return StrategyResult(
        strategy=strategy.name,
        parameters=parameters_of(strategy),
        draws=draws,
        spreads=spreads_of(draws),
        median_draw=middle,
        worth=worth,
        ranking_cost=ranking_cost(draws),
    )
