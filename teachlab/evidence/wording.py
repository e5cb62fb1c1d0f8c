"""Sentences and rows of the page: the figures of a record in words."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Any

from teachlab.data.setting_files import setting_from_dict
from teachlab.evidence.about import about_rows
from teachlab.evidence.criteria import SMALLEST
from teachlab.model.margin import EqualCost
from teachlab.model.printable_text import cut, in_figures, number_of, typed_again
from teachlab.model.score import USUAL_RULES
from teachlab.model.setting import Setting
from teachlab.model.setting_words import equal_cost_text, setting_in_words
from teachlab.scoring.claimable import touching_text
from teachlab.scoring.clearance import Clearance
from teachlab.teaching.parameters import stated
from teachlab.wording.course import duration
from teachlab.wording.rates import SHOWN_GROUPS, reserve_percent, time_unit
from teachlab.wording.verdict import REFUSED, REHEARSAL, decision_text

RATES = (
    ("lost_rate", "lost passes"),
    ("miss_rate", "missed"),
    ("merged_rate", "merged"),
    ("false_trips_per_gap", "gaps tripped"),
    ("false_trips_per_running_hour", "false trips per running hour"),
    ("false_trips_per_gap_hour", "false trips per gap-hour"),
    ("ignore_trips_per_pass", "trips per pass to be ignored"),
    ("extra_per_pass", "extra switchings per pass"),
)
SIDES = (
    ("detect", "weakest passes beyond the level of activation, in noise of objects"),
    ("trip", "strongest gaps short of the level of activation, in noise of the background"),
    ("release", "gaps that come back least, short of the level of release, in noise of the background"),
    ("hold", "weakest moments inside passes beyond the level of release, in noise of objects"),
)


def number(value: float | None) -> str:
    """Return a number to four digits, or a dash."""
    return in_figures(value)


def percent(value: float | None) -> str:
    """Return a share as percent to three digits, or a dash.

    Examples
    --------
    >>> percent(0.0103), percent(9.62e-11), percent(0.0), percent(None)
    ('1.03 %', '< 0.0001 %', '0 %', '–')
    """
    if value is None:
        return "–"
    return f"< {100 * SMALLEST:.4f} %" if 0 < value < SMALLEST else f"{in_figures(100 * value, 3)} %"


def rate_rows(score: dict[str, Any]) -> list[tuple[str, dict[str, str]]]:
    """Return every rate with its counts, estimate and bounds."""
    return [(_named(name, score[key]), _rate(score[key])) for key, name in RATES]


def counted_lines(record: dict[str, Any]) -> list[str]:
    """Return how many of the counted passes the claim rests on, and how many are no error: empty if all, and none."""
    counts = record["score"]
    scored = counts["detect_passes"] - counts["excluded_passes"]
    rests = (record["verdict"]["claim"] or {}).get("passes")
    out = [] if rests in {None, scored} else [f"All {scored:,} passes are counted here; the claim rests on {rests:,}."]
    touching = record["reasons"].get("touching", 0)
    return [*out, f"{touching_text(touching)}; the tables count that as lost."] if touching else out


def _named(name: str, rate: dict[str, Any]) -> str:
    return name.replace("hour", time_unit(rate["exposure"])[0]) if "exposure" in rate else name


def _rate(rate: dict[str, Any]) -> dict[str, str]:
    bounds = ("estimate", "low", "high", "upper")
    if "trials" in rate:
        values = {key: percent(rate[key]) for key in bounds}
        return {"events": str(rate["events"]), "over": str(rate["trials"]), **values}
    exposure, per = rate["exposure"], rate["per"]
    over, of = in_figures(exposure), 1.0
    if per.endswith("hour"):
        over, of = f"{over} h ({duration(exposure)})", time_unit(exposure)[1]
    told = {key: None if rate[key] is None else rate[key] / of for key in bounds}
    values = {key: "no bound" if key != "estimate" and told[key] is None else number(told[key]) for key in bounds}
    return {"events": str(rate["events"]), "over": over, **values}


def dependence_rows(found: dict[str, Any] | None) -> list[tuple[str, dict[str, Any]]]:
    """Return the bounds of the lost rate for each assumption about the passes of one lot."""
    if found is None:
        return []
    each = "lot" if found["source"] == "lots" else "stretch of passes"
    said = (
        "as measured; rare bad lots are not covered" if found["lots_with_events"] >= 2 else f"every {each} as one trial"
    )
    out = [(f"{said}: design effect {found['design_effect']:.3g} from {found['basis']}", found)]
    if proxy := found["by_proxy"]:
        out.append((f"as assumed: design effect {proxy['design_effect']:.3g} from {proxy['basis']}", proxy))
    return [*out, ("taken as independent", found["naive"])]


def burst_rows(record: dict[str, Any]) -> list[tuple[str, str, str, str, str]]:
    """Return the bounds of false trips and extra onsets, with resemblance and bursts taken into account.

    Rate, basis of the bounds, count, interval, one-sided bound.
    """
    out = []
    for key in ("false_trips_per_gap", "false_trips_per_running_hour", "extra_per_pass"):
        first = record["dependence_of_rates"][key]
        for found in (first, None if first is None else first.get("by_proxy")):
            if found is None:
                continue
            effect = found["design_effect"]
            basis = found["holds"] if effect is None else f"design effect {effect:.3g} from {found['basis']}"
            rate = _rate(found["naive"] | {name: found[name] for name in ("low", "high", "upper")})
            count = f"{rate['events']} / {rate['over']}"
            out.append(
                (
                    _named(dict(RATES)[key], found["naive"]),
                    basis,
                    count,
                    f"{rate['low']} to {rate['high']}",
                    rate["upper"],
                )
            )
    return out


def dependence_warnings(found: dict[str, Any] | None) -> list[str]:
    """Return the warnings that belong to these bounds."""
    return [] if found is None else found["warnings"] + ((found["by_proxy"] or {}).get("warnings") or [])


def group_tables(score: dict[str, Any]) -> list[tuple[str, list[tuple[str, dict[str, Any]]], str]]:
    """Return lost passes by kind and by lot: those with most losses, and how many are left out."""
    out = []
    for key, name in (("by_label", "kind"), ("by_lot", "lot")):
        rows = list(score[key].items())
        if len(rows) < 2:
            continue
        shown = sorted(rows, key=lambda row: -row[1]["events"])[:SHOWN_GROUPS]
        left = len(rows) - len(shown)
        hidden = sum(rate["events"] for _, rate in rows) - sum(rate["events"] for _, rate in shown)
        more = f"{left} more {name}s hold {hidden} lost passes; the record lists them all." if left else ""
        out.append((name, shown, more))
    return out


def margin_rows(record: dict[str, Any]) -> list[tuple[str, str, str]]:
    """Return every margin and reserve with its meaning."""
    m, reserves, unit = record["margin"], record["reserves"], record["data"]["unit"]
    share = f"{100 * m['quantile_share']:g} % left beyond"
    rows = [
        ("Margin to noise", number(m["margin_to_noise"]), f"the smallest side: {m['limited_by'] or 'none'}; {share}")
    ]
    rows += [(name, number(m["sides"][name]), says) for name, says in SIDES]
    gain = m["excess_gain"]
    none = "none: the recording already holds a fault"
    contamination, ambient = reserves["contamination_reserve"], reserves["ambient_reserve"]
    return [
        *rows,
        ("population figure", number(m["population"]["smallest"]), "the same distance in standard deviations of peaks"),
        ("excess gain, light side", number(gain["light"]), "light over the level, above the dark level"),
        ("excess gain, dark side", number(gain["dark"]), "level over what must stay dark"),
        ("hysteresis to noise", number(m["hysteresis_to_noise"]), "over the background's range within one edge"),
        (
            "contamination reserve",
            "no share of the light: it lies below the dark level"
            if reserves.get("share_of_light_refused")
            else none
            if contamination is None
            else reserve_percent(contamination),
            "share of the light that may be lost before the first fault",
        ),
        (
            "ambient reserve",
            none if ambient is None else f"{in_figures(cut(ambient, 4))} {unit}",
            "light that may be added before the first fault",
        ),
    ]


def setting_rows(record: dict[str, Any]) -> list[tuple[str, str]]:
    """Return the setting and how it was taught."""
    rows = [(key, plain(value)) for key, value in record["setting"].items() if key not in {"schema", "taught"}]
    taught = record["setting"]["taught"]
    if taught is None:
        return [*rows, ("taught by", "not stated")]
    parameters = ", ".join(f"{key} = {value}" for key, value in stated(taught["parameters"]).items())
    return [*rows, ("taught by", f"{taught['strategy']} ({parameters})" if parameters else taught["strategy"])]


def verdict_parts(record: dict[str, Any]) -> dict[str, str]:
    """Return the result of the criteria, the decision with the setting, and near misses."""
    verdict = record["verdict"]
    lead = REHEARSAL if verdict["rehearsal"] else ""
    decision = str(verdict["decision"])
    return {
        "decided": f"{lead}{decision_text(decision, verdict.get('tried'))}: {_setting_text(record)}",
        "near": "" if decision in REFUSED or verdict["near"] is None else verdict["near"]["text"],
        "judged": overall_text(verdict),
    }


def _setting_of(record: dict[str, Any]) -> Setting:
    return setting_from_dict(record["setting"], "setting of the record")


def _setting_text(record: dict[str, Any]) -> str:
    return setting_in_words(_setting_of(record), record["verdict"]["step"])


def _room_text(record: dict[str, Any]) -> str | None:
    room = record["equal_cost"]
    return None if room is None else equal_cost_text(EqualCost(**room), _setting_of(record), record["verdict"]["step"])


def kept_lines(record: dict[str, Any]) -> list[str]:
    """Return how near the light comes to the levels, and the range of levels that cost the same."""
    clearance, room = record["clearance"], _room_text(record)
    out = [] if clearance is None else [Clearance(**clearance).sentence(record["data"]["unit"])]
    return out if room is None else [*out, room]


def overall_text(verdict: Mapping[str, Any]) -> str:
    """Return whether the criteria are met, in a sentence; of synthetic light, whether they would be. Empty without."""
    overall = verdict.get("overall")
    lead = "would be " if overall == "met" and verdict.get("rehearsal") else ""
    return f"Criteria: {lead}{overall}." if overall else ""


def judged_text(item: Mapping[str, Any]) -> str:
    """Return the result of a criterion and why; for synthetic light, that it would be met."""
    because = str(item["because"])
    return because if because.startswith("rehearsal: ") else f"{item['verdict']}: {because}"


def brief_rows(record: dict[str, Any]) -> list[tuple[str, str]]:
    """Return setting, purpose and conditions in a few rows, for the first sheet."""
    setting, data = record["setting"], record["data"]
    rate = setting["evaluation_rate_hz"]
    acting = (
        f"delays act on the {setting['delays_act_on']}" if setting["on_delay_ms"] or setting["off_delay_ms"] else ""
    )
    said = (_setting_text(record), acting, "every sample" if rate is None else f"evaluated at {rate:g} Hz")
    room = _room_text(record)
    lots = len(record["score"]["by_lot"])
    counts = record["score"]
    scored = counts["detect_passes"] - counts["excluded_passes"]
    rests = (record["verdict"]["claim"] or {}).get("passes")
    claimed = "" if rests in {None, scored} else f"; the claim rests on {rests:,} of them"
    return [
        ("setting", "; ".join(filter(None, said))),
        *([] if room is None else [("room for the levels", room)]),
        *about_rows(record, "asset", "product", "conditions"),
        ("recorded", f"{span(data)}; {scored} passes scored, in {lots if lots else 'no named'} lots{claimed}"),
        *about_rows(record, "document_number", "revision"),
    ]


def span(data: dict[str, Any]) -> str:
    """Return the start and end of the recording, with the zone, and its length.

    Examples
    --------
    >>> span({"seconds": 21.674, "began": "2026-03-02T13:40:00+00:00", "ended": "2026-03-02T13:40:21.674000+00:00"})
    '2026-03-02 13:40:00+00:00 to 2026-03-02 13:40:21+00:00; 21.7 s'
    """
    long = duration(data["seconds"] / 3600)
    if data["began"] is None:
        return f"time of day not stated; {long}"
    began, ended = (datetime.fromisoformat(data[key]) for key in ("began", "ended"))
    zone = "" if began.tzinfo is not None else ", zone not stated"
    first, last = (when.isoformat(" ", "seconds") for when in (began, ended))
    return f"{first} to {last}{zone}; {long}"


def identity_rows(record: dict[str, Any]) -> list[tuple[str, str]]:
    """Return every digest and version."""
    rows = data_rows(record, record["setting_source"])
    if not record["split"]:
        return rows
    digests = [(key, record["split"][key]) for key in ("teach_samples_sha256", "scored_samples_sha256")]
    at = [name for name, _ in rows].index(next(iter(record["software"])))
    return rows[:at] + digests + rows[at:]


def data_rows(record: dict[str, Any], source: dict[str, Any]) -> list[tuple[str, str]]:
    """Return the digests of the data and of the setting, and the versions."""
    data = record["data"]
    keys = ("recording", "recording_sha256", "samples", "stored_type", "samples_sha256", "sample_rate_hz", "origin")
    out = [("time span", span(data)), *((key, plain(data[key])) for key in keys)]
    out += [(key, plain(data[key])) for key in ("truth", "truth_file_sha256", "truth_sha256")]
    out += [("setting_" + key if key.startswith("file") else key, plain(value)) for key, value in source.items()]
    out += list(record["software"].items())
    criteria = record.get("criteria_sha256")
    out += about_rows(record, "log", "log_sha256", "import_arguments")
    out.append(("criteria_sha256", criteria or "no criteria"))
    return [*out, ("record_sha256", record["record_sha256"])]


def offer_rows(record: dict[str, Any]) -> list[tuple[str, str]]:
    """Return what a recording without a setting offers: contrast, noise, and the best result of a single level."""
    found, unit = record["offers"], record["data"]["unit"]
    best = found["separability"]
    rows = [
        ("direction of the objects", plain(found["direction"])),
        ("background", f"{number(found['background'])} {unit}"),
        ("contrast", f"{number(found['contrast'])} {unit}, median of the pass peaks less the background"),
        ("noise on objects", f"{number(found['noise']['object'])} {unit}"),
        ("noise of the background", f"{number(found['noise']['background'])} {unit}"),
        ("invalid samples", percent(found["invalid"])),
        ("saturated samples", percent(found["saturated"])),
        ("passes, gaps", f"{plain(found['passes'])}, {plain(found['gaps'])}"),
    ]
    if best is None:
        return [*rows, ("one level for all", "not known: no direction of the objects is stored, or found")]
    does = "separates all passes from all gaps" if best["separable"] else "is the best one"
    return [
        *rows,
        (
            "one level for all",
            f"{number(best['level'])} {unit} {does}: {best['lost']} of "
            f"{number_of(best['passes'], 'pass does', 'passes do')} not reach it, "
            f"{best['tripped']} of {number_of(best['gaps'], 'gap does', 'gaps do')}, at zero hysteresis",
        ),
    ]


def plain(value: Any) -> str:
    """Return any value as text, or a dash."""
    return "–" if value is None else str(value)


def explore_line(record: Mapping[str, Any]) -> str:
    """Return the command that opens the levels of a record in a page, with the names of the files beside it."""
    data, setting = record["data"], record["setting_source"]["file"]
    tolerance, confidence = record["options"]["tolerance_ms"], record["options"]["confidence"]
    usual = USUAL_RULES.confidence
    return (
        f"teachlab explore {typed_again(data['recording'], truth=data['truth'], setting=setting)}"
        f"{f' --tolerance-ms {tolerance:g}' if tolerance else ''}"
        f"{f' --confidence {confidence:g}' if confidence != usual else ''} --out levels.html"
    )
