"""What the record says about repeated teaching, and about recurring disturbances."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from teachlab.data.split import Split
from teachlab.errors import InputError
from teachlab.model.draws import MEASURES, Costs, DrawOptions
from teachlab.model.recording import Recording
from teachlab.model.score import Rules
from teachlab.model.setting import Setting, bare
from teachlab.model.teaching import Strategy
from teachlab.model.truth import Truth
from teachlab.questions.coverage.certificate import coverage
from teachlab.questions.coverage.cycles import cycle_of
from teachlab.questions.repeatability.by_group import scored_by_group, taught_apart
from teachlab.questions.repeatability.redraw import best_cost, repeat_teaching
from teachlab.questions.repeatability.values import USUAL_LIMITS, Cloud, Limit, Repeatability, Variant
from teachlab.questions.surface.count_settings import count_settings, measures_of
from teachlab.teaching.once import taught_again

if TYPE_CHECKING:
    from teachlab.evidence.criteria import Criteria

Json = dict[str, Any]


def teach_cloud(
    recording: Recording,
    truth: Truth,
    setting: Setting,
    cut: Split | None,
    *,
    draws: int,
    teach_share: float | None,
    rules: Rules,
    criteria: Criteria | None = None,
) -> Json:
    """Teach the setting's strategy again many times inside the teach block, and compare the setting with the draws.

    Returned: the cloud as `Cloud.as_dict` gives it, with ``best`` (the best fixed setting in hindsight), ``released``
    (measures of the setting, and the shares of draws with a lower on-level, a higher and a lower cost) and ``between``
    (how the spread divides between lots); or ``refused``: why there is none.
    """
    if draws == 0:
        return {"refused": "no draws were asked for"}
    if cut is None or teach_share is None:
        return {"refused": "it is not stated on which share of the passes the setting was taught"}
    try:
        strategy, base = taught_again(setting)
    except InputError as fault:
        return {"refused": str(fault)}
    options = DrawOptions(draws=draws, teach_share=teach_share, rules=rules, base=base)
    found = repeat_teaching(
        recording, truth, [Variant(strategy=strategy)], options=options, limits=_limits(criteria), beside=[setting]
    )
    (cloud,) = found.clouds
    return {
        **cloud.as_dict(),
        "best": None if found.best is None else found.best.as_dict(),
        "released": _released(recording, truth, setting, cloud, found, options, cut),
        "between": _between(recording, truth, strategy, options, cut),
    }


def nuisance_cycles(
    recording: Recording,
    truth: Truth,
    setting: Setting,
    cycles: tuple[str, ...],
    *,
    teach_share: float | None,
    rules: Rules,
) -> Json:
    """Certify what could be seen of every named cycle, and look for periods in false trips and gap peaks."""
    speed = recording.info.line_speed_m_s
    found = coverage(
        recording,
        truth,
        [cycle_of(text, line_speed_m_s=speed) for text in cycles],
        setting=setting,
        teach_share=teach_share,
        rules=rules,
    ).as_dict()
    # Passes by label and lot are listed under the split.
    return {key: found[key] for key in ("cycles", "found", "warnings")}


def shown_too_much(setting: Setting, cut: Split | None) -> str:
    """Return a caution if a setting says that it was shown light outside the teach block; otherwise an empty text."""
    drawn = {} if setting.taught is None else setting.taught.evidence.get("drawn", {})
    parts = drawn.values() if isinstance(drawn, Mapping) else ()
    last = max((int(p["at_sample"]) for p in parts if isinstance(p, Mapping) and "at_sample" in p), default=0)
    if cut is None or last < cut.teach_end:
        return ""
    return (
        f"The setting says that it was shown light from sample {last} on, but the teach block ends at sample "
        f"{cut.teach_end}: if it was taught on this recording, passes scored here may have been taught on."
    )


def _limits(criteria: Criteria | None) -> tuple[Limit, ...]:
    """Return the limits of those criteria that a draw has values for; otherwise whether it loses or costs anything."""
    asked = () if criteria is None else criteria.criterion
    out = [Limit(measure=c.measure, high=c.max) for c in asked if c.measure in MEASURES and c.max is not None]
    return tuple(out) or USUAL_LIMITS


def _released(
    recording: Recording,
    truth: Truth,
    setting: Setting,
    cloud: Cloud,
    found: Repeatability,
    options: DrawOptions,
    cut: Split,
) -> Json:
    alone = bare(setting)
    counts = count_settings(recording, truth, [alone], rules=options.rules.scored_from(cut.first_scored))[alone].apart
    own: Json = dict(measures_of(alone, counts, Costs(), best_cost=best_cost(found.best)))
    taught = cloud.taught

    def share(number: int) -> float | None:
        return number / len(taught) if taught else None

    return own | {
        "below": share(sum(d.measures["on_level"] <= alone.on_level for d in taught)),
        "dearer": share(sum(d.measures["cost"] > own["cost"] for d in taught)),
        "cheaper": share(sum(d.measures["cost"] < own["cost"] for d in taught)),
    }


def _between(recording: Recording, truth: Truth, strategy: Strategy, options: DrawOptions, cut: Split) -> Json | None:
    if truth.lot is None or len(set(truth.lot.tolist())) < 2:
        return None
    draws = taught_apart(recording, truth, strategy, truth.lot, options=replace(options, draws=1))
    first = cut.first_scored
    return scored_by_group("lots", draws, recording, truth, options=options, first_pass=first).as_dict()
