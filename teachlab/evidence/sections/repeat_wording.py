"""What the page says about repeated teaching, and about recurring disturbances."""

from __future__ import annotations

from typing import Any

from teachlab.model.printable_text import in_figures, number_of
from teachlab.wording.rates import time_unit

Json = dict[str, Any]


def cloud_rows(cloud: Json, unit: str, hours: float) -> list[tuple[str, str, str, str]]:
    """Return the figures of a cloud as rows of text: figure, median, 5 to 95 %, the setting.

    `hours`: running hours that were scored.
    """
    if not cloud.get("spreads"):
        return []
    word, of = time_unit(hours)
    released = cloud["released"]
    names = {
        "on_level": (f"on-level, {unit}", 1),
        "off_level": (f"off-level, {unit}", 1),
        "lost_rate": ("lost passes, %", 100),
        "false_trips_per_running_hour": (f"false trips per running {word}", 1 / of),
        "extra_per_pass": ("extra switchings per pass", 1),
        "cost": ("lost and false per pass", 1),
    }

    def text(value: float | None, factor: float) -> str:
        return "–" if value is None else in_figures(factor * value)

    out = []
    for key, (name, factor) in names.items():
        spread = cloud["spreads"][key]
        median, low, high = (text(spread[q], factor) for q in ("median", "p05", "p95"))
        out.append((name, median, f"{low} to {high}", text(released[key], factor)))
    return out


def cloud_lines(cloud: Json) -> list[str]:
    """Return the sentences beside the figures of a cloud."""
    if cloud.get("refused"):
        return [f"Not shown: {cloud['refused']}."]
    out = []
    if cloud["abstained"]["events"]:
        reasons = "; ".join(f"{reason} ({count})" for reason, count in cloud["reasons"].items())
        out.append(f"{cloud['abstained']['events']} of {number_of(cloud['draws'], 'draw')} gave no setting: {reasons}.")
    for one in cloud["worse"]:
        if one["trials"]:
            if one["measure"] == "regret":
                what = "cost more than the best fixed setting in hindsight"
            else:
                what = f"lie above {in_figures(one['limit_high'])} in {one['measure'].replace('_', ' ')}"
            out.append(
                f"{one['events']} of {number_of(one['trials'], 'draw')} {what}: between {100 * one['low']:.3g} and "
                f"{100 * one['high']:.3g} % of draws from this block."
            )
    if (released := cloud["released"])["below"] is not None:
        out.append(
            f"{100 * released['below']:.3g} % of the draws have an on-level at or below that of the setting; "
            f"{100 * released['dearer']:.3g} % cost more, {100 * released['cheaper']:.3g} % less."
        )
    if (between := cloud["between"]) is not None and (found := between["components"]) is not None:
        out.append(
            f"Taught on single lots: {number_of(found['values'], 'teaching')} on {number_of(found['groups'], 'lot')}."
        )
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
            row = ("0", "0", f"{in_figures(found['mean'])} every time")
        else:
            share = (
                f"{100 * found['share']:.3g} % ({100 * found['share_low']:.3g} to {100 * found['share_high']:.3g} %)"
            )
            row = (in_figures(found["between_sd"], 3), in_figures(found["repeatability_sd"], 3), share)
        out.append((f"{name}, {unit}" if level else name, *row))
    return out


def cycle_rows(cycles: Json) -> list[tuple[str, str, str, str, str]]:
    """Return every cycle in every block as a row of text: cycle, block, revolutions, exposures, chance."""
    return [
        (
            f"{cycle['name']}, {cycle['period_s']:.4g} s",
            block,
            f"{found['revolutions']:.3g} ({found['revolutions_needed']:.3g} needed if independent)"
            if found["revolutions_needed"] is not None
            else f"{found['revolutions']:.3g}",
            f"{found['exposures']:.3g} on average, at least {found['least']}",
            f"{100 * found['seen_share']:.3g} %",
        )
        for cycle in cycles["cycles"]
        for block, found in cycle["blocks"].items()
    ]
