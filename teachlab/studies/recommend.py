"""Choose a setting by its cost on the first half of the scored passes."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from typing import TYPE_CHECKING, TypeVar

from teachlab.model.setting import Setting
from teachlab.studies.result import Recommendation

if TYPE_CHECKING:
    from teachlab.device.keyed_in import SteppedSetting
    from teachlab.questions.stress.worth import SettingWorth
    from teachlab.studies.claim_half import ClaimHalf, FixedSetting

Choice = TypeVar("Choice", "ClaimHalf", "FixedSetting")


def recommend(
    halves: Mapping[str, ClaimHalf],
    measuring: SettingWorth,
    *,
    preferred: str,
    keyed: Callable[[ClaimHalf], SteppedSetting] | None = None,
    worse_end: Callable[[SteppedSetting], tuple[str, Setting]] | None = None,
) -> Recommendation | None:
    """Return the cheapest strategy's median setting by the first half, with its score on the second.

    Parameters
    ----------
    halves : mapping of str to ClaimHalf
        Setting of every strategy, fixed on the first half.
    measuring : SettingWorth
        Measurements on the second half.
    preferred : str
        Used if strategies cost the same in the median and at the 95 % quantile, before the first one in the order of
        `halves`. At the same median cost, fixed levels come before settings that follow or have two thresholds, because
        every sensor can use them.
    keyed, worse_end : callable, optional
        With a device: round what a strategy taught on the first half, and find the costliest end of it on the second. A
        setting that cannot be keyed in is passed over; if none can, the cheapest is returned with its refusal.

    Returns
    -------
    Recommendation or None
        None if no strategy gives a setting in half of the draws, or either half has no trial.
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


def _like(half: ClaimHalf) -> tuple[bool, float, float]:
    return half.useless, half.cost, half.p95


def by_choice(fixed: Iterable[Choice], preferred: str) -> list[Choice]:
    """Return settings that were fixed on the first half in the order in which they are recommended.

    An output that is active for most of the gap time there, or never, comes last at any cost.
    """

    def key(item: tuple[int, Choice]) -> tuple[bool, float, bool, float, bool, int]:
        place, half = item
        return half.useless, half.cost, type(half.setting) is not Setting, half.p95, half.strategy != preferred, place

    return [half for _, half in sorted(enumerate(fixed), key=key)]
