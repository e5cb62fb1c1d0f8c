"""A setting as it can be keyed in: display values, delays and filter in the device's own steps, and what that costs."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from teachlab.device.scale import DisplayScale, DisplayStep
from teachlab.errors import ParameterError
from teachlab.model.draws import Costs
from teachlab.model.following_and_window import fixed_levels
from teachlab.model.json_values import Document
from teachlab.model.recording import Origin
from teachlab.model.score import Score
from teachlab.model.setting import Setting
from teachlab.model.verdict import Verdict, VerdictReason
from teachlab.questions.stress.equal_cost import room_of
from teachlab.questions.stress.worth import worth_of
from teachlab.questions.verdict import FilesJudged, JudgedBy, setting_verdict
from teachlab.scoring.scoring import score
from teachlab.statistics.claims.decisions import Decision
from teachlab.switching.run import replay

if TYPE_CHECKING:
    from teachlab.device.device_file import DeviceDocument
    from teachlab.model.margin import EqualCost, Margin
    from teachlab.model.recording import Recording
    from teachlab.model.truth import Truth

REFUSED = "cannot be keyed in"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class KeyedIn(Document):
    """A setting in the steps of a device, with the worse of what its display values may mean.

    Parameters
    ----------
    setting : Setting
        Levels that the scale gives for the display values; delays and filter in steps.
    on, off : DisplayStep or None
        What to key in; None where there is no such step.
    score_worst : Score or None
        The costlier of both ends of what lies behind the display values.
    worst_end : str
        low or high: which end that is.
    room : EqualCost or None
        Of the setting with delays and filter in steps, before its levels were rounded.
    margin : Margin or None
    refused : str or None
        Why it cannot be keyed in.
    verdict : Verdict
        On the worse end.
    """

    setting: Setting
    on: DisplayStep | None
    off: DisplayStep | None
    score_worst: Score | None
    worst_end: str
    room: EqualCost | None
    margin: Margin | None
    refused: str | None
    verdict: Verdict


def keyed_in(
    recording: Recording,
    truth: Truth,
    setting: Setting,
    device: DeviceDocument,
    *,
    by: JudgedBy | None = None,
    about: str = "",
    files: FilesJudged | None = None,
) -> KeyedIn:
    """Round a setting to the steps of a device, and score it again exactly at both ends of what they may mean.

    Parameters
    ----------
    recording, truth
        On which it is judged.
    setting : Setting
        Of fixed levels.
    device : DeviceDocument
    by : JudgedBy, optional
    about : str
        What the setting is called.
    files : FilesJudged, optional
        For the next step.

    Raises
    ------
    ParameterError
        If units differ, or a delay lies beyond the range of the device.

    Notes
    -----
    The on-level goes to the nearest step whose whole interval of light costs the same as the level; the off-level
    likewise, or a fixed hysteresis of the display below it. Then both levels are moved together to either end.
    """
    how = by or JudgedBy()
    fixed = fixed_levels(setting, "the display of a device")
    if device.unit != recording.info.unit:
        raise ParameterError(
            f"the device's readings are in {device.unit}, {recording.name} is in {recording.info.unit}. "
            "Read the display beside this logger."
        )
    timed, scale = device.timing_in_steps(fixed), device.scale()
    worth = worth_of(recording, truth, replay(recording, timed), rules=how.rules, with_reserves=False)
    room = room_of(recording, truth, timed, worth.margin, rules=how.rules, costs=how.costs)
    on, off, refused = None, None, None
    if room is None:
        refused = f"Which levels cost the same is not known: {worth.left_out or 'passes and gaps do not differ'}."
    else:
        on, off, refused = _steps(timed, scale, room, device.hysteresis, how.costs)
    if on is None or off is None:
        verdict = Verdict(
            decision=REFUSED, about=about, setting=timed, reasons=(VerdictReason(text=refused or ""),),
            next_step="" if files is None else files.next_step(Decision.OPEN),
            rehearsal=recording.info.origin is Origin.SYNTHETIC,
        )  # fmt: skip
        return KeyedIn(
            setting=timed, on=on, off=off, score_worst=None, worst_end="", room=room, margin=worth.margin,
            refused=refused, verdict=verdict,
        )  # fmt: skip
    rounded = replace(timed, on_level=on.light, off_level=min(off.light, on.light))
    ends = {
        "low": replace(rounded, on_level=on.low, off_level=min(off.low, on.low)),
        "high": replace(rounded, on_level=on.high, off_level=min(off.high, on.high)),
    }
    scores = {end: score(replay(recording, one), truth, rules=how.rules) for end, one in ends.items()}
    worst = max(scores, key=lambda end: _cost(scores[end], how.costs))
    key = f"key in {on.display:g} on, {off.display:g} off"
    verdict = setting_verdict(
        recording, truth, ends[worst], scores[worst], by=how, about=f"{about}, {key}" if about else key, files=files,
        margin=worth.margin,
    )  # fmt: skip
    return KeyedIn(
        setting=rounded, on=on, off=off, score_worst=scores[worst], worst_end=worst, room=room, margin=worth.margin,
        refused=None, verdict=replace(verdict, setting=rounded),
    )  # fmt: skip


def _cost(found: Score, costs: Costs) -> float:
    n = found.counts
    return costs.miss * n.lost + costs.false * (n.false_trips + n.ignore_false_trips + n.extra)


def _steps(
    setting: Setting, scale: DisplayScale, room: EqualCost, hysteresis: float | None, costs: Costs
) -> tuple[DisplayStep | None, DisplayStep | None, str | None]:
    # A dearer loss is feared more: of two steps as near, the one that more pieces reach.
    feared = int(setting.sign) if costs.miss >= costs.false else -int(setting.sign)
    on = scale.rounded(setting.on_level, room.on_low, room.on_high, feared=feared)
    if isinstance(on, str):
        return None, None, f"On-level: {on}"
    if hysteresis is not None:
        return on, scale.behind(on.display - hysteresis * (1 if scale.line.slope > 0 else -1)), None
    off = scale.rounded(setting.off_level, setting.off_level - room.down, setting.off_level + room.up, feared=feared)
    if isinstance(off, str):
        return on, None, f"Off-level: {off}"
    return on, off, None
