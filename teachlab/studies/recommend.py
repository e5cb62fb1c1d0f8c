"""Choose a setting by its cost on the first half of the scored passes."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, TypeVar

import numpy as np

from teachlab.light.usable_light import LARGEST
from teachlab.model.recording import Recording
from teachlab.model.score import Rules
from teachlab.model.setting import Setting, bare
from teachlab.model.truth import Truth
from teachlab.questions.surface.count_settings import count_settings
from teachlab.questions.surface.values.levels import read_first
from teachlab.studies.result import Recommendation

if TYPE_CHECKING:
    from teachlab.device.keyed_in import SteppedSetting
    from teachlab.model.draws import Costs, DrawOptions
    from teachlab.questions.stress.worth import SettingWorth
    from teachlab.studies.claim_half import ClaimHalf, FixedSetting

MOST_SAMPLES = 1_000_000
"""Room is measured on the last passes of the choosing half, in so many samples."""
FINEST, A_STEP = 8, 4
"""Rooms are compared by shifts of the reach halved so many times, in so many steps from one half to the next."""
Choice = TypeVar("Choice", bound="FixedSetting")


def recommend(
    halves: Mapping[str, ClaimHalf],
    measuring: SettingWorth,
    *,
    preferred: str,
    keyed: Callable[[ClaimHalf], SteppedSetting] | None = None,
    worse_end: Callable[[SteppedSetting], tuple[str, Setting]] | None = None,
) -> Recommendation | None:
    """Return the cheapest strategy's median setting by the first half, with its score on the second.

    The result is None if no strategy gives a setting in half of the draws, or either half has no trial.

    `halves`: setting of every strategy, fixed on the first half.
    `measuring`: measurements on the second half.
    `preferred`: used if strategies cost the same in the median and at the 95 % quantile and have the same room, before
    the first one in the order of `halves`. At the same median cost, fixed levels come before settings that follow or
    have two thresholds, because every sensor can use them.
    `keyed`, `worse_end`: with a device: round what a strategy taught on the first half, and find the costliest end of
    it on the second. A setting that cannot be keyed in is passed over; if none can, the cheapest is returned with its
    refusal.
    """
    ordered = by_choice(halves.values(), preferred)
    if not ordered or ordered[0].score.counts.scored_passes == 0:
        return None
    best, stepped = ordered[0], None
    passed: list[tuple[str, str]] = []
    if keyed is not None:
        for best in ordered:
            stepped = keyed(best)
            if stepped.refused is None:
                break
            passed.append((best.strategy, stepped.refused))
        else:
            best = ordered[0]
            stepped = keyed(best)
    setting = best.setting if stepped is None else stepped.setting
    end, worst = "", setting
    if stepped is not None and stepped.refused is None and worse_end is not None:
        end, worst = worse_end(stepped)
    return Recommendation(
        strategy=best.strategy,
        draw=best.draw,
        setting=setting,
        chosen_on=best.chosen_on,
        chosen_cost=best.cost,
        tied=tuple(half.strategy for half in ordered[1:] if _like(half) == _like(best)),
        worth=measuring.of(worst),
        keyed=stepped,
        worst_end=end,
        worst=worst if end else None,
        passed_over=tuple(passed),
    )


def choosing_half(recording: Recording, truth: Truth, middle: int) -> tuple[Recording, Truth]:
    """Return recording and passes as if both ended before the claim half."""
    stop = (int(truth.end[middle - 1]) + int(truth.start[middle])) // 2 if middle < truth.passes else recording.samples
    return recording.until(stop), truth.select(slice(0, middle))


def with_equal_cost(fixed: Mapping[str, FixedSetting]) -> set[str]:
    """Return the names of those fixed levels among which neither cost nor spread decides, if there are several."""
    first = next(iter(by_choice((replace(one, room=None) for one in fixed.values()), "")), None)
    if first is None or type(first.setting) is not Setting:
        return set()
    tied = {n for n, f in fixed.items() if type(f.setting) is Setting and _like(f) == _like(first)}
    return tied if len({bare(fixed[name].setting) for name in tied}) > 1 else set()


def with_rooms(
    recording: Recording, truth: Truth, fixed: Mapping[str, FixedSetting], first_scored: int, options: DrawOptions,
    *, every: bool = False,
) -> dict[str, FixedSetting]:  # fmt: skip
    """Measure the room of those fixed levels among which neither cost nor spread decides, or of every one.

    `recording`, `truth`: the choosing half alone, with what lies before it: the claim must not know what the choice has
    seen.
    """
    among = {n for n, f in fixed.items() if type(f.setting) is Setting} if every else with_equal_cost(fixed)
    tied = {name: bare(one.setting) for name, one in fixed.items() if name in among}
    if not tied:
        return dict(fixed)
    distinct = list(dict.fromkeys(tied.values()))
    recording, truth = _last_passes(recording, truth, first_scored)
    light = read_first(recording, None, inner_range=False)
    reach = light.high - light.low
    if not 0 < reach < LARGEST:
        return dict(fixed)
    rules = options.rules.scored_from(0)
    measured = rooms(recording, truth, distinct, reach=reach, rules=rules, costs=options.costs)
    found = dict(zip(distinct, measured, strict=True))
    return {n: replace(f, room=found[tied[n]]) if n in tied else f for n, f in fixed.items()}


def _last_passes(recording: Recording, truth: Truth, first: int) -> tuple[Recording, Truth]:
    """Return the last passes of a recording, from a pass on, in memory and as a recording of their own."""
    near = int(np.searchsorted(truth.start, recording.samples - MOST_SAMPLES))
    first = min(max(first, near), truth.passes - 1)
    at = (int(truth.end[first - 1]) + int(truth.start[first])) // 2 if first else 0
    return recording.between(at, recording.samples), truth.within(at, recording.samples)


def rooms(
    recording: Recording, truth: Truth, settings: Sequence[Setting], *, reach: float, rules: Rules, costs: Costs
) -> list[float]:
    """Return how far each of several settings may be moved, up and down, without costing more.

    `settings`: of fixed levels, with any filter and delays, without their history.
    `reach` (recording units, above 0): largest shift that is tried.

    Each is the largest tried shift of both levels together, in recording units, for which it, and every smaller one,
    costs no more in either direction; 0 if there is none.

    Shifts grow by a fifth from one to the next, so that rooms within a fifth of each other are mostly equal. All
    shifted settings are counted together.
    """
    shifts = [0.0, *(reach * 2.0 ** (-k / A_STEP) for k in range(FINEST * A_STEP, -1, -1))]
    moved = [
        [[replace(s, on_level=s.on_level + way * by, off_level=s.off_level + way * by) for by in shifts]
         for way in (-1, 1)]
        for s in settings
    ]  # fmt: skip
    counts = count_settings(recording, truth, [one for both in moved for side in both for one in side], rules=rules)
    out = []
    for both in moved:
        cost = np.array([[counts[one].cost(costs) for one in side] for side in both])
        kept = (cost <= cost[:, :1]).all(axis=0)
        out.append(shifts[(len(shifts) if kept.all() else max(int(np.argmin(kept)), 1)) - 1])
    return out


def _like(half: ClaimHalf | FixedSetting) -> tuple[bool, float, float]:
    return half.useless, half.cost, half.p95


def by_choice(fixed: Iterable[Choice], preferred: str) -> list[Choice]:
    """Return settings that were fixed on the first half in the order in which they are recommended.

    An output that is active for most of the gap time there, or never, comes last at any cost.
    """

    def key(item: tuple[int, Choice]) -> tuple[bool, float, bool, float, float, bool, int]:
        place, half = item
        moving, room = type(half.setting) is not Setting, half.room or 0.0
        return half.useless, half.cost, moving, half.p95, -room, half.strategy != preferred, place

    return [half for _, half in sorted(enumerate(fixed), key=key)]
