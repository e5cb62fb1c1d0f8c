"""Run a bench: teach many times on the teach block, score every setting on the scored block."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from functools import partial
from typing import TYPE_CHECKING, Any

from teachlab.data.alignment.answer import Alignment
from teachlab.data.kept_light import held
from teachlab.device.keyed_in import SteppedSetting, check_unit, in_steps, nearest_steps
from teachlab.errors import StrategyError
from teachlab.light.noise import HELD_WHOLE, LightMemory, need_for_light
from teachlab.model.draws import Draw, DrawOptions
from teachlab.model.recording import Origin, Recording
from teachlab.model.score import Rules
from teachlab.model.setting import Setting, bare
from teachlab.model.teaching import Strategy
from teachlab.model.truth import Truth, TruthSource
from teachlab.questions.stress.setting_reading import SettingReading
from teachlab.questions.stress.worth import SettingWorth
from teachlab.questions.surface.count_settings import Counted, with_measures
from teachlab.questions.surface.hindsight import best_fixed
from teachlab.questions.verdict.judged_by import JudgedBy
from teachlab.scoring.claimable import chosen_before
from teachlab.studies.bench_verdict import bench_verdict
from teachlab.studies.claim_half import ClaimHalf, FixedSetting, claim_halves, fixed_settings, order_rows
from teachlab.studies.in_hindsight.ceiling import ceiling
from teachlab.studies.ranking import median_draw, ranked, ranking_cost, spreads_of
from teachlab.studies.recommend import by_choice, choosing_half, recommend, with_rooms
from teachlab.studies.result import RecordingBench, StrategyResult
from teachlab.studies.taught_draws import Progress, TaughtDraws, Teaching, taught_draws
from teachlab.teaching.parameters import parameters_of
from teachlab.teaching.registry import RECOMMENDED

if TYPE_CHECKING:
    from teachlab.device.device_file import DeviceDocument

COUNTED = 0.66
"""Share of teaching and counting in the usual time of a bench; the best fixed pair, margins and hindsight follow."""
HELD = LightMemory(360.0, 2500.0, HELD_WHOLE, edges=False)
"""What a bench holds of a recording, by the crossings of the middle of the light. Measured where passes stand out by
three times the noise, all strategies: 370 and 2,100 for a million samples, 300 and 1,700 for three million. Designs in
hindsight are tried where `DESIGNED` is left for them."""


def bench_recording(
    recording: Recording,
    truth: Truth,
    strategies: Sequence[Strategy],
    *,
    options: DrawOptions | None = None,
    by: JudgedBy | None = None,
    device: DeviceDocument | None = None,
    progress: Progress | None = None,
) -> RecordingBench:
    """Teach by every strategy in many draws, replay, score and rank.

    Parameters
    ----------
    recording : Recording
    truth : Truth
        Its passes; the first share of them is used for teaching, later ones are scored.
    strategies : sequence of Strategy
        With distinct names.
    options : DrawOptions, optional
    by : JudgedBy, optional
        How the recommended setting is judged; the costs are those of the options.
    device : DeviceDocument, optional
        Designs choose among its steps; every other setting is rounded to them before it is counted. The recommended one
        goes to steps that cost the same on the choosing half, and is scored on the claim half at every end of what they
        may mean.
    progress : callable, optional
        Called with the share done.

    Raises
    ------
    InputError
        If recording, truth and options do not fit together, or no pass is left to score.
    """
    options, recording, say = options or DrawOptions(), held(recording), progress or (lambda share: None)
    _check(recording, truth, strategies, device)
    if device is not None:
        strategies = [device.designing(one) for one in strategies]
    found = taught_draws(
        recording,
        truth,
        {s.name: Teaching(s, options.base, options.seed) for s in strategies},
        options=options,
        keyed=None if device is None else partial(nearest_steps, device=device, scale=device.scale()),
        progress=lambda share: say(COUNTED * share),
    )
    middle, counts, costs = found.middle, found.counts, options.costs
    first = found.cut.first_scored
    scored, later = options.rules.scored_from(first), options.rules.scored_from(middle)
    trials = found.scored_passes(recording, truth)
    best = best_fixed(
        recording, truth, counts, base=options.base, costs=costs, rules=scored, reading=found.first_reading
    )
    say(0.68)
    judged = {name: with_measures(draws, counts, costs, best_cost=best.cost) for name, draws in found.draws.items()}
    chosen_on = choosing_half(recording, truth, middle)
    fixed = with_rooms(*chosen_on, fixed_settings(found.draws, found.first_half, options), first, options)
    say(0.69)
    readings = _Readings(recording, truth, judged, fixed, best.setting, scored, later)
    alignment = readings.alignment(options.rules)
    jitter = None if alignment is None else alignment.measured_jitter_ms
    measuring, claimed = (SettingWorth(recording, truth, rules=rules, jitter_ms=jitter) for rules in (scored, later))
    say(0.77)
    measuring.take(readings.median)
    claimed.take(readings.chosen)
    results = [_result(measuring, s, judged[s.name]) for s in strategies]
    say(0.84)
    halves = claim_halves(
        recording, truth, fixed, first_half=found.first_half, first_scored=first, middle=middle, options=options,
        outputs=readings.outputs,
    )  # fmt: skip
    # The setting is chosen on the first half and worth what it is on the second, which the choice has not seen.
    keying = {} if device is None else _keying(recording, truth, device, found, options, chosen_on)
    chosen, whole = recommend(halves, claimed, preferred=RECOMMENDED, **keying), None
    rows, ordered = ranked(results, "" if chosen is None else chosen.strategy)
    orders = order_rows(truth, rows, halves, options)
    if chosen is not None:
        said = chosen_before(chosen.setting, recording, int(truth.end[middle - 1]), int(truth.start[first]))
        worst = None if chosen.worst is None else replace(chosen.worst, taught=said.taught)
        chosen = replace(chosen, setting=said, worst=worst)
        whole = readings.whole(bare(chosen.worst or chosen.setting))
    say(0.85)
    possible = ceiling(
        recording, truth, best.pair, base=options.base, rules=scored, alignment=alignment, taught=readings.taught,
        outputs=readings.outputs,
    )  # fmt: skip
    verdict = bench_verdict(
        recording,
        truth,
        chosen,
        halves,
        rows,
        orders,
        results=ordered,
        reading=whole,
        by=replace(by or JudgedBy(), costs=costs, alignment=alignment),
    )
    if chosen is not None and verdict.setting is not None:
        chosen = replace(chosen, setting=verdict.setting)
    return RecordingBench(
        recording=recording.name,
        unit=recording.info.unit,
        teach_passes=found.cut.teach_passes,
        scored_passes=trials,
        ranking=[name for row in rows for name in row],
        rows=rows,
        orders=orders,
        results=ordered,
        best_fixed=best,
        ceiling=possible.against(_errors(results, counts)),
        recommendation=chosen,
        options=options,
        verdict=verdict,
        self_labelled=truth.source is TruthSource.SELF_LABELLED,
        synthetic=recording.info.origin is Origin.SYNTHETIC,
        alignment=alignment,
        device=None if device is None else device.name,
    )  # fmt: skip


def _check(recording: Recording, truth: Truth, strategies: Sequence[Strategy], device: DeviceDocument | None) -> None:
    """Refuse, before any work, strategies of one name, a device of another unit, and light that memory cannot hold."""
    names = [s.name for s in strategies]
    if len(set(names)) < len(names):
        raise StrategyError(f"a bench compares strategies by name, got {names}: give every one once.")
    if device is not None:
        check_unit(device, recording)
    need_for_light(recording, "a bench", HELD, beside=truth.start)


def _keying(
    recording: Recording, truth: Truth, device: DeviceDocument, found: TaughtDraws, options: DrawOptions,
    chosen_on: tuple[Recording, Truth],
) -> dict[str, Any]:  # fmt: skip
    """Return how to round a setting to steps on the choosing half, and to find its costliest end on the claim half."""
    costs, middle, (part, passes) = options.costs, found.middle, chosen_on

    def keyed(half: ClaimHalf) -> SteppedSetting:
        # From the taught setting: a step that was only near may cost more, and so may its neighbours.
        setting = found.before[half.strategy][half.draw].setting or half.setting
        rules = options.rules.scored_from(found.cut.first_scored)
        return in_steps(part, passes, setting, device, rules=rules, costs=costs)

    def worse_end(stepped: SteppedSetting) -> tuple[str, Setting]:
        return stepped.worse_end(recording, truth, rules=options.rules.scored_from(middle), costs=costs)[:2]

    return {"keyed": keyed, "worse_end": worse_end}


def _errors(results: Sequence[StrategyResult], counts: Counted) -> dict[str, int]:
    """Return the errors of the median setting of every strategy that has one; passes that touch and merge are none."""
    taught = {r.strategy: r.median_draw.setting for r in results if r.median_draw is not None}
    return {name: counts[bare(setting)].errors for name, setting in taught.items() if setting is not None}


class _Readings:
    """One reading for all settings of which more than counts is asked: medians, those fixed on a half, the best."""

    def __init__(
        self,
        recording: Recording,
        truth: Truth,
        judged: Mapping[str, Sequence[Draw]],
        fixed: Mapping[str, FixedSetting],
        best: Setting,
        scored: Rules,
        later: Rules,
    ) -> None:
        self._recording, self._truth = recording, truth
        middles = [middle.setting for draws in judged.values() if (middle := median_draw(draws)) is not None]
        medians = dict.fromkeys(bare(s) for s in middles if s is not None)
        median = [s for s in medians if type(s) is Setting]
        others = dict.fromkeys([*(bare(one.setting) for one in fixed.values()), bare(best)])
        more = [s for s in others if s not in median]
        self.taught = [*medians, *more]
        chosen = [bare(one.setting) for one in by_choice(fixed.values(), RECOMMENDED)[:1]]
        self._every = scored.scored_from(0)
        half = [s for s in chosen if type(s) is Setting]
        read = SettingReading.together(
            recording,
            truth,
            [
                *((s, scored, True) for s in median),
                *((s, later, True) for s in half),
                *((s, self._every, True) for s in chosen),
                *((s, scored, False) for s in more if s not in chosen),
            ],
        )
        many = len(median) + len(half)
        self.median, self.chosen = read[: len(median)], read[len(median) : many]
        self._whole = dict(zip(chosen, read[many:], strict=False))
        self._read = read
        self.outputs = {one.output.setting: one.output for one in read}

    def whole(self, setting: Setting) -> SettingReading:
        """Return the reading of a setting over all passes of the recording."""
        return self._whole.get(setting) or SettingReading(self._recording, self._truth, setting, rules=self._every)

    def alignment(self, rules: Rules) -> Alignment | None:
        """Return how the passes lie against the light."""
        return self._read[0].alignment(rules)


def _result(measuring: SettingWorth, strategy: Strategy, draws: Sequence[Draw]) -> StrategyResult:
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
