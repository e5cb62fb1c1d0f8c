"""Run a bench: teach many times on the teach block, score every setting on the scored block."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace

import numpy as np

from teachlab.bench.options import BenchOptions
from teachlab.bench.ranking import compare_all, cost_of, median_draw, ranked, ranking_cost, spreads_of
from teachlab.data.split import Split, split
from teachlab.errors import Abstained, StrategyError, TruthError
from teachlab.model.benchmark import Costs, Draw, RecordingBench, StrategyResult
from teachlab.model.recording import Origin, Recording
from teachlab.model.score import Score
from teachlab.model.setting import Setting
from teachlab.model.teaching import Strategy
from teachlab.model.truth import Truth, TruthSource
from teachlab.replay import replay, replay_family
from teachlab.score import score
from teachlab.teach import TeachBlock, parameters_of, teach_once

Progress = Callable[[float], None]


def bench_recording(
    recording: Recording,
    truth: Truth,
    strategies: Sequence[Strategy],
    *,
    options: BenchOptions | None = None,
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
    options : BenchOptions, optional
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
    options = options or BenchOptions()
    names = [s.name for s in strategies]
    if len(set(names)) < len(names):
        raise StrategyError(f"a bench compares strategies by name, got {names}: give every one once.")
    cut = split(truth, recording.samples, teach_share=options.teach_share)
    block = TeachBlock(
        recording,
        truth,
        base=options.base,
        tolerance_ms=options.tolerance_ms,
        stop_sample=cut.teach_end,
    )
    results: list[StrategyResult] = []
    for k, strategy in enumerate(strategies):
        part = part_of(progress, k, len(strategies))
        results.append(_bench_strategy(recording, truth, cut, block, strategy, options, part))
    ranking, ordered = ranked(results)
    scores = {r.strategy: r.median_score for r in results if r.median_score is not None}
    return RecordingBench(
        recording=recording.name,
        unit=recording.info.unit,
        teach_passes=cut.teach_passes,
        scored_passes=_scored_passes(recording, truth, cut, scores),
        ranking=ranking,
        results=ordered,
        comparisons=compare_all(ranking, scores),
        costs=options.costs,
        draws=options.draws,
        seed=options.seed,
        tolerance_ms=options.tolerance_ms,
        teach_share=options.teach_share,
        confidence=options.confidence,
        self_labelled=truth.source is TruthSource.SELF_LABELLED,
        synthetic=recording.info.origin is Origin.SYNTHETIC,
    )


def _scored_passes(recording: Recording, truth: Truth, cut: Split, scores: Mapping[str, Score]) -> int:
    trials = [s.counts.scored_passes for s in scores.values()]
    if trials and max(trials) == 0:
        raise TruthError(
            f"{recording.name}: none of the {truth.detect_passes} passes is left to score: those after the teach "
            "block hold void time or are cut by the record. Log longer, or teach on a smaller share."
        )
    return max(trials, default=int(np.count_nonzero(truth.detect[cut.first_scored :])))


def part_of(progress: Progress | None, k: int, of: int) -> Progress | None:
    """Return the progress of the k-th of equal parts."""
    return None if progress is None else lambda share: progress((k + share) / of)


def _bench_strategy(
    recording: Recording,
    truth: Truth,
    cut: Split,
    block: TeachBlock,
    strategy: Strategy,
    options: BenchOptions,
    progress: Progress | None,
) -> StrategyResult:
    taught = [_teach(strategy, block, options.seed, draw) for draw in range(options.draws)]
    settings = list(dict.fromkeys(_bare(d.setting) for d in taught if d.setting is not None))
    measured = _measure(recording, truth, cut, settings, options, progress)
    draws = [d if d.setting is None else replace(d, measures=measured[_bare(d.setting)]) for d in taught]
    middle = median_draw(draws)
    return StrategyResult(
        strategy=strategy.name,
        parameters=parameters_of(strategy),
        draws=draws,
        spreads=spreads_of(draws),
        median_draw=middle,
        median_score=_score_alone(recording, truth, cut, middle.setting, options)
        if middle is not None and middle.setting is not None
        else None,
        ranking_cost=ranking_cost(draws),
    )


def _bare(setting: Setting) -> Setting:
    """Return the setting without its history: equal settings are replayed once."""
    return replace(setting, taught=None)


def _teach(strategy: Strategy, block: TeachBlock, seed: int, draw: int) -> Draw:
    try:
        return Draw(draw=draw, setting=teach_once(strategy, block, seed, draw), measures={})
    except Abstained as refusal:
        return Draw(draw=draw, setting=None, abstained=refusal.reason, measures={})
    except StrategyError as fault:
        return Draw(draw=draw, setting=None, failed=str(fault), measures={})


def _measure(
    recording: Recording,
    truth: Truth,
    cut: Split,
    settings: Sequence[Setting],
    options: BenchOptions,
    progress: Progress | None,
) -> dict[Setting, dict[str, float]]:
    """Replay and score distinct settings, in families of one evaluation rate."""
    out: dict[Setting, dict[str, float]] = {}
    for rate in dict.fromkeys(s.evaluation_rate_hz for s in settings):
        family = [s for s in settings if s.evaluation_rate_hz == rate]
        for setting, output in zip(family, replay_family(recording, family, progress=progress), strict=True):
            scored = score(
                output,
                truth,
                tolerance_ms=options.tolerance_ms,
                confidence=options.confidence,
                first_pass=cut.first_scored,
                tables=False,
            )
            out[setting] = measures_of(setting, scored, options.costs)
    return out


def _score_alone(recording: Recording, truth: Truth, cut: Split, setting: Setting, options: BenchOptions) -> Score:
    return score(
        replay(recording, setting),
        truth,
        tolerance_ms=options.tolerance_ms,
        confidence=options.confidence,
        first_pass=cut.first_scored,
    )


def measures_of(setting: Setting, scored: Score, costs: Costs) -> dict[str, float]:
    """Return the measures of one draw; NaN where there is no denominator."""

    def number(value: float | None) -> float:
        return np.nan if value is None else value

    return {
        "on_level": setting.on_level,
        "off_level": setting.off_level,
        "lost_rate": number(scored.lost_rate.estimate),
        "merged_rate": number(scored.merged_rate.estimate),
        "false_trips_per_gap": number(scored.false_trips_per_gap.estimate),
        "false_trips_per_running_hour": number(scored.false_trips_per_running_hour.estimate),
        "extra_per_pass": number(scored.extra_per_pass.estimate),
        "cost": cost_of(scored.counts, costs),
    }
