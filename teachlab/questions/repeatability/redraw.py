"""Would other pieces have taught the same? Draw the teach evidence again, and compare levels and scores."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np

from teachlab.data.split import split
from teachlab.errors import TruthError
from teachlab.model.draws import MEASURES, Draw, DrawOptions
from teachlab.model.recording import Recording
from teachlab.model.setting import Setting, Taught, bare
from teachlab.model.truth import Truth
from teachlab.questions.repeatability.values import USUAL_LIMITS, Cloud, Limit, Repeatability, Repeated, Variant
from teachlab.questions.surface.count_settings import count_settings, with_measures
from teachlab.questions.surface.given_settings.pairs import PairCounts
from teachlab.questions.surface.hindsight import Hindsight, best_fixed
from teachlab.statistics.intervals import proportion
from teachlab.teaching.block import TeachBlock
from teachlab.teaching.once import teach_draws
from teachlab.teaching.parameters import parameters_of

Progress = Callable[[float], None]


def repeat_teaching(
    recording: Recording,
    truth: Truth,
    variants: Sequence[Variant],
    *,
    options: DrawOptions | None = None,
    limits: Sequence[Limit] = USUAL_LIMITS,
    beside: Sequence[Setting] = (),
    progress: Progress | None = None,
) -> Repeatability:
    """Draw the evidence in the teach block again many times, and score every setting on the later passes.

    `variants`: every way of teaching is shown the same pieces: draw k is the same for all.
    `beside`: further settings among which the best in hindsight is searched.
    Raises InputError if recording, truth and options do not fit together, or no pass is left to score.

    Notes
    -----
    The draws share one teach block: their spread comes from which of its pieces are shown. It says nothing about
    another day. Intervals of shares of draws are Clopper and Pearson's, for this block.

    References
    ----------
    The rules of a draw are stated in ``TEACHING.md`` beside the strategies.
    """
    how = DrawOptions() if options is None else options
    cut = split(truth, recording.samples, teach_share=how.teach_share)
    block = TeachBlock(
        recording, truth, base=how.base, rules=how.rules, stop_sample=cut.teach_end
    )  # fmt: skip
    say = progress or (lambda share: None)
    taught = []
    for k, variant in enumerate(variants):
        taught.append(teachings(variant, block, how))
        say(0.7 * (k + 1) / len(variants))
    settings = [d.setting for draws in taught for d in draws if d.setting is not None]
    counts = count_settings(recording, truth, [*settings, *beside], rules=how.rules.scored_from(cut.first_scored))
    say(1.0)
    trials = [n.detect_trials for n in counts.values()]
    if trials and max(trials) == 0:
        raise TruthError(
            f"{recording.name}: none of the passes after the teach block is a trial: they hold void time or are cut "
            "by the record. Log longer, or teach on a smaller share."
        )
    best = None
    if trials:
        best = best_fixed(
            recording, truth, counts, base=how.base, costs=how.costs, rules=how.rules.scored_from(cut.first_scored)
        )
    # What merges with the product that it touches is lost by no teaching.
    apart = {setting: n.apart for setting, n in counts.items()}
    clouds = tuple(_cloud(v, draws, apart, best, how, limits) for v, draws in zip(variants, taught, strict=True))
    later = int(np.count_nonzero(truth.detect[cut.first_scored :]))
    return Repeatability(
        clouds=clouds, best=best, teach_passes=cut.teach_passes, scored_passes=max(trials, default=later)
    )


def teachings(variant: Variant, block: TeachBlock, options: DrawOptions) -> list[Draw]:
    """Teach once per draw; each setting is made from `average` teachings that no other draw uses."""
    strategy, m = variant.strategy, variant.average
    taught = teach_draws(strategy, block, range(options.draws * m), options.seed)
    return [_averaged(k, taught[k * m : (k + 1) * m]) for k in range(options.draws)]


def _averaged(draw: int, parts: Sequence[Draw]) -> Draw:
    if len(parts) == 1:
        return replace(parts[0], draw=draw)
    # If one of them abstains there is no average: five teachings are needed for an average of five.
    for part in parts:
        if part.setting is None:
            return Draw(draw=draw, setting=None, abstained=part.abstained, failed=part.failed, measures={})
    settings = [part.setting for part in parts if part.setting is not None]
    first = settings[0]
    # Levels can be averaged only if everything else is the same; two polarities have no mean.
    kept = {bare(s).with_levels(0.0, 0.0) for s in settings if type(s) is Setting}
    if len(kept) != 1 or any(type(s) is not Setting for s in settings):
        reason = "teachings of different kind, polarity or filter have no average"
        return Draw(draw=draw, setting=None, abstained=reason, measures={})
    on, off = (float(np.mean([getattr(s, name) for s in settings])) for name in ("on_level", "off_level"))
    history = None
    if first.taught is not None:
        history = Taught(
            strategy=first.taught.strategy,
            parameters=first.taught.parameters,
            evidence={"averaged": len(settings), "on_levels": [s.on_level for s in settings]},
        )
    return Draw(
        # Each mean is rounded by itself: equal levels must not come out with the off-level on top.
        draw=draw, setting=replace(first, on_level=on, off_level=min(on, off), taught=history), measures={}
    )  # fmt: skip


def best_cost(best: Hindsight | None) -> float:
    """Return the cost from which regret is counted; NaN if no fixed setting was counted."""
    return math.nan if best is None else best.cost


def _cloud(
    variant: Variant,
    taught: Sequence[Draw],
    counts: dict[Setting, PairCounts],
    best: Hindsight | None,
    options: DrawOptions,
    limits: Sequence[Limit],
) -> Cloud:
    draws = with_measures(taught, counts, options.costs, best_cost=best_cost(best))
    return summarise(variant, draws, options, limits)


def summarise(
    variant: Variant, draws: Sequence[Draw], options: DrawOptions, limits: Sequence[Limit] = USUAL_LIMITS
) -> Cloud:
    """Describe measured draws; their order changes no figure."""
    done = [d for d in draws if d.setting is not None]
    values = {name: np.array([d.measures[name] for d in done]) for name in MEASURES}
    # A measure without a denominator can neither keep nor exceed a limit.
    worse = tuple(
        (limit, proportion(sum(limit.broken(v) for v in known), len(known), options.rules.confidence))
        for limit in limits
        for known in [[v for v in values[limit.measure].tolist() if not math.isnan(v)]]
    )
    return Cloud(
        strategy=variant.strategy.name,
        parameters=dict(parameters_of(variant.strategy)),
        average=variant.average,
        draws=draws,
        distinct=len({bare(d.setting) for d in done if d.setting is not None}),
        spreads={name: Repeated.of(v) for name, v in values.items()} if done else {},
        worse=worse,
        abstained=proportion(len(draws) - len(done), len(draws), options.rules.confidence),
    )
