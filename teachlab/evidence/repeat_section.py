"""What the record says about repeating the teaching, and about nuisances that come back."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields, replace
from typing import Any

from teachlab.data.split import Split
from teachlab.errors import InputError
from teachlab.evidence.criteria import Criteria
from teachlab.model.draws import MEASURES, Costs, DrawOptions
from teachlab.model.recording import Recording
from teachlab.model.score import Rules
from teachlab.model.setting import Setting, Switching
from teachlab.model.teaching import Strategy
from teachlab.model.truth import Truth
from teachlab.questions.coverage.certificate import coverage
from teachlab.questions.coverage.cycles import cycle_of
from teachlab.questions.repeatability.by_group import by_group, measured_settings, taught_apart
from teachlab.questions.repeatability.redraw import best_cost, repeat_teaching
from teachlab.questions.repeatability.values import USUAL_LIMITS, Cloud, Limit, Repeatability, Variant
from teachlab.questions.surface.count_settings import bare, count_settings, measures_of
from teachlab.teaching.registry import built, installed_class

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
    """Teach the setting's strategy again many times inside the teach block, and place the setting among the draws.

    Returns
    -------
    dict
        The cloud as `Cloud.as_dict` gives it, with ``best`` (the best fixed setting in hindsight), ``released``
        (measures of the setting, and the shares of draws below its on-level, dearer and cheaper) and ``between``
        (how the spread divides between lots); or ``refused``: why there is none.
    """
    if draws == 0:
        return {"refused": "no draws were asked for"}
    if cut is None or teach_share is None:
        return {"refused": "it is not stated on which share of the passes the setting was taught"}
    if setting.taught is None:
        return {"refused": "the setting does not say by which strategy it was taught"}
    try:
        strategy = _strategy(setting)
    except (InputError, TypeError) as fault:
        return {"refused": f"the strategy '{setting.taught.strategy}' cannot be used here: {fault}"}
    options = DrawOptions(
        draws=draws,
        teach_share=teach_share,
        rules=rules,
        base=_base(setting, strategy),
    )
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
    """Certify what could be seen of every cycle named, and look for periods in false trips and gap peaks."""
    speed = recording.info.line_speed_m_s
    found = coverage(
        recording,
        truth,
        [cycle_of(text, line_speed_m_s=speed) for text in cycles],
        setting=setting,
        teach_share=teach_share,
        rules=rules,
    ).as_dict()
    # Passes by label and lot stand under the split.
    return {key: found[key] for key in ("cycles", "found", "warnings")}


def shown_too_much(setting: Setting, cut: Split | None) -> str:
    """Return a caution if a setting says that it was shown light beyond the teach block, else an empty text."""
    drawn = {} if setting.taught is None else setting.taught.evidence.get("drawn", {})
    parts = drawn.values() if isinstance(drawn, Mapping) else ()
    last = max((int(p["at_sample"]) for p in parts if isinstance(p, Mapping) and "at_sample" in p), default=0)
    if cut is None or last < cut.teach_end:
        return ""
    return (
        f"The setting says that it was shown light from sample {last} on, but the teach block ends at sample "
        f"{cut.teach_end}: if it was taught on this recording, passes scored here may have been taught on."
    )


def cloud_rows(cloud: Json, unit: str) -> list[tuple[str, str, str, str]]:
    """Return the figures of a cloud as rows of text: figure, median, 5 to 95 %, setting released."""
    if not cloud.get("spreads"):
        return []
    released = cloud["released"]
    names = {
        "on_level": (f"on level, {unit}", 1),
        "off_level": (f"off level, {unit}", 1),
        "lost_rate": ("lost passes, %", 100),
        "false_trips_per_running_hour": ("false trips per running hour", 1),
        "extra_per_pass": ("extra onsets per pass", 1),
        "cost": ("lost and false per pass", 1),
    }

    def text(value: float | None, factor: int) -> str:
        return "–" if value is None else f"{factor * value:.4g}"

    out = []
    for key, (name, factor) in names.items():
        spread = cloud["spreads"][key]
        median, low, high = (text(spread[q], factor) for q in ("median", "p05", "p95"))
        out.append((name, median, f"{low} to {high}", text(released[key], factor)))
    return out


def cloud_lines(cloud: Json, unit: str) -> list[str]:
    """Return what a cloud says beside its figures."""
    if cloud.get("refused"):
        return [f"Not shown: {cloud['refused']}."]
    out = []
    if cloud["abstained"]["events"]:
        reasons = "; ".join(f"{reason} ({count})" for reason, count in cloud["reasons"].items())
        out.append(f"{cloud['abstained']['events']} of {cloud['draws']} draws gave no setting: {reasons}.")
    for one in cloud["worse"]:
        if one["trials"]:
            if one["measure"] == "regret":
                what = "cost more than the best fixed setting in hindsight"
            else:
                what = f"lie above {one['limit_high']:.4g} in {one['measure'].replace('_', ' ')}"
            out.append(
                f"{one['events']} of {one['trials']} draws {what}: between {100 * one['low']:.3g} and "
                f"{100 * one['high']:.3g} % of draws from this block."
            )
    if (released := cloud["released"])["below"] is not None:
        out.append(
            f"{100 * released['below']:.3g} % of the draws lie at or below the on level released; "
            f"{100 * released['dearer']:.3g} % cost more, {100 * released['cheaper']:.3g} % less."
        )
    if (between := cloud["between"]) is not None and (found := between["components"]) is not None:
        out.append(f"Taught on single lots: {found['values']} teachings on {found['groups']} lots.")
    return out


def divided_rows(cloud: Json, unit: str) -> list[tuple[str, str, str, str]]:
    """Return how the spread of levels, rates and cost divides between lots: figure, sd between, within, share."""
    between = cloud.get("between")
    if between is None or between["components"] is None:
        return []
    out = []
    for key, figure in between["figures"].items():
        found = figure["components"]
        if found is None:
            continue
        name = {"lost_rate": "share of passes lost", "cost": "lost and false per pass"}.get(key, key.replace("_", " "))
        level = key in {"on_level", "off_level", "hysteresis"}
        if found["between_ss"] == found["within_ss"] == 0:
            row = ("0", "0", f"{found['mean']:.4g} every time")
        else:
            share = (
                f"{100 * found['share']:.3g} % ({100 * found['share_low']:.3g} to {100 * found['share_high']:.3g} %)"
            )
            row = (f"{found['between_sd']:.3g}", f"{found['repeatability_sd']:.3g}", share)
        out.append((f"{name}, {unit}" if level else name, *row))
    return out


def cycle_rows(cycles: Json) -> list[tuple[str, str, str, str, str]]:
    """Return every cycle in every block as a row of text: cycle, block, revolutions, exposures, chance."""
    return [
        (
            f"{cycle['name']}, {cycle['period_s']:.4g} s",
            block,
            f"{found['revolutions']:.3g} ({found['revolutions_needed']:.3g} needed)"
            if found["revolutions_needed"] is not None
            else f"{found['revolutions']:.3g}",
            f"{found['exposures']:.3g} on average, at least {found['least']}",
            f"{100 * found['seen_share']:.3g} %",
        )
        for cycle in cycles["cycles"]
        for block, found in cycle["blocks"].items()
    ]


def _strategy(setting: Setting) -> Strategy:
    taught = setting.taught
    if taught is None:
        raise InputError("the setting does not say by which strategy it was taught")
    return built(installed_class(taught.strategy), taught.parameters)


def _base(setting: Setting, strategy: Strategy) -> Setting:
    designed = frozenset(getattr(strategy, "designs", ()))
    names = {f.name for f in fields(Switching)} - designed - {"polarity"}  # which follows the direction of the objects
    return Setting(unit=setting.unit, on_level=0.0, off_level=0.0, **{name: getattr(setting, name) for name in names})


def _limits(criteria: Criteria | None) -> tuple[Limit, ...]:
    """Return the limits of the criteria on what a draw has, else whether it loses or costs anything."""
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
    counts = count_settings(recording, truth, [alone], rules=options.rules.scored_from(cut.first_scored))[alone]
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
    measures = measured_settings(recording, truth, draws, options=options, first_pass=cut.first_scored)
    return by_group("lots", draws, measures=measures, confidence=options.rules.confidence).as_dict()
