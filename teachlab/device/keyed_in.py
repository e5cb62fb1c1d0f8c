"""A setting as it can be keyed in: display values, delays and filter in the device's steps, and what that costs."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from itertools import product
from typing import TYPE_CHECKING, Any

import numpy as np

from teachlab.device.scale import DisplayScale, DisplayStep
from teachlab.errors import ParameterError, SettingError, UnmeasurableError
from teachlab.model.draws import Costs
from teachlab.model.following_and_window import WindowSetting
from teachlab.model.json_values import Document
from teachlab.model.margin import EqualCost, Margin
from teachlab.model.recording import Origin, Recording
from teachlab.model.score import USUAL_RULES, Rules, Score
from teachlab.model.setting import Setting, bare
from teachlab.model.truth import Truth
from teachlab.model.verdict import Verdict, VerdictReason, kind_of
from teachlab.questions.stress.equal_cost import room_of
from teachlab.questions.stress.setting_reading import SettingReading
from teachlab.questions.surface.count_settings import count_settings
from teachlab.questions.surface.given_settings.pairs import PairCounts
from teachlab.scoring.scoring import score
from teachlab.statistics.claims.decisions import Decision
from teachlab.switching.run import replay

if TYPE_CHECKING:
    from teachlab.device.device_file import DeviceDocument
    from teachlab.questions.verdict.judged_by import FilesJudged

REFUSED = "cannot be keyed in"
WINDOW_STEPS = 48
"""Number of shifts of each threshold of a window in each direction; they are counted one by one."""
LEVELS = ("off_level", "low_release", "high_release", "on_level")
"""Names of the levels in ascending order."""


def level_name(name: str) -> str:
    """Return the name of a level in documents: on, off, high_release, low_release."""
    return name.removesuffix("_level")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SteppedSetting(Document):
    """A setting in the steps of a device.

    `setting`: levels that the scale gives for the display values; delays and filter in steps.
    `steps`: what to key in, by level: on, off, high_release, low_release; empty if there is no such step.
    `room`: room of the setting with delays and filter in steps, before its levels were rounded; None for a window.
    `refused`: why it cannot be keyed in.
    """

    setting: Setting
    steps: Mapping[str, DisplayStep]
    room: EqualCost | None
    margin: Margin | None
    refused: str | None

    def display(self) -> dict[str, float]:
        """Return the values to key in, by level."""
        return {name: step.display for name, step in self.steps.items()}

    def light(self) -> dict[str, dict[str, float]]:
        """Return the range of light behind the display value of each level."""
        return {name: {"low": step.low, "high": step.high} for name, step in self.steps.items()}

    @property
    def key(self) -> str:
        """The values of the display, in a few words."""
        high, low = ("upper", "lower") if isinstance(self.setting, WindowSetting) else ("on", "off")
        return f"{self.steps['on'].display:g} {high}, {self.steps['off'].display:g} {low} on the display"

    def ends(self) -> dict[str, Setting]:
        """Return the settings at both ends of what the display values may mean.

        The two thresholds of a window are also moved apart and together, because each is read from the display
        separately.
        """
        sides = _sides(self.setting)
        out = {}
        for ways in product(("low", "high"), repeat=len(sides)):
            levels = {
                name: getattr(self.steps[level_name(name)], way)
                for side, way in zip(sides, ways, strict=True)
                for name in side
            }
            end = ways[0] if len(set(ways)) == 1 else "narrow" if ways[0] == "low" else "wide"
            out[end] = _with_levels(self.setting, levels)
        return out

    def worse_end(
        self, recording: Recording, truth: Truth, *, rules: Rules = USUAL_RULES, costs: Costs | None = None
    ) -> tuple[str, Setting, Score]:
        """Score every end exactly, and return the one with the highest cost: its name, its setting and its score."""
        weights = costs or Costs()
        scored = [(end, one, score(replay(recording, one), truth, rules=rules)) for end, one in self.ends().items()]
        return max(scored, key=lambda one: PairCounts.of(one[2], truth).cost(weights))


def refusal(
    recording: Recording, found: SteppedSetting, *, about: str = "", files: FilesJudged | None = None
) -> Verdict:
    """Say why a setting cannot be keyed in."""
    return Verdict(
        decision=REFUSED, about=about, setting=found.setting, reasons=(VerdictReason(text=found.refused or ""),),
        next_step="" if files is None else files.next_step(Decision.OPEN),
        rehearsal=recording.info.origin is Origin.SYNTHETIC,
    )  # fmt: skip


def in_steps(
    recording: Recording, truth: Truth, setting: Setting, device: DeviceDocument, *, rules: Rules = USUAL_RULES,
    costs: Costs | None = None,
) -> SteppedSetting:  # fmt: skip
    """Round a setting to steps whose whole interval of light costs the same as its levels.

    `setting`: a setting of fixed levels, or a window.
    Raises ParameterError if units differ, or a delay lies beyond the range of the device.
    Raises SettingError if the levels follow.

    Notes
    -----
    A threshold goes to the nearest step whose whole interval of light costs the same as the level. Its release goes to
    a step in the same way, or is placed at the fixed hysteresis of the device.
    """
    weights = costs or Costs()
    check_unit(device, recording)
    timed, scale = device.timing_in_steps(check_levels(setting)), device.scale()
    reading = SettingReading(recording, truth, timed, rules=rules)
    scored = score(reading.output, truth, rules=rules)
    margin, unknown = None, "passes and gaps do not differ"
    if type(timed) is Setting and scored.counts.scored_passes:
        try:
            margin = reading.margin(scored.trials)
        except UnmeasurableError as fault:
            unknown = str(fault)
    room = room_of(reading, margin, costs=weights)
    if isinstance(timed, WindowSetting):
        shifts = _window_shifts(recording, truth, timed, rules, weights)
    else:
        shifts = [] if room is None else [(room.down, room.up)]
    # The more expensive error is avoided: if a loss costs at least as much as a false trip, take the step that more
    # pieces reach.
    sure = 1 if weights.miss >= weights.false else -1
    steps: dict[str, DisplayStep] = {}
    refused = None
    if not shifts:
        refused = f"Which levels cost the same is not known: {unknown}."
    for (name, release), (down, up) in zip(_sides(timed), shifts, strict=False):
        outward = 1 if _below(release, name) else -1
        for one in (name, release):
            at = getattr(timed, one)
            if one == release and device.hysteresis is not None:
                found: DisplayStep | str = _beside(scale, steps[level_name(name)], device.hysteresis, -outward)
            else:
                found = scale.rounded(at, at - down, at + up, feared=sure * outward)
            if isinstance(found, str):
                refused = refused or f"{_in_words(timed, one)}: {found}"
                break
            steps[level_name(one)] = found
    if refused is not None:
        return SteppedSetting(setting=timed, steps=steps, room=room, margin=margin, refused=refused)
    rounded = _with_levels(timed, {name: steps[level_name(name)].light for name in LEVELS if level_name(name) in steps})
    return SteppedSetting(setting=rounded, steps=steps, room=room, margin=margin, refused=None)


def nearest_steps(setting: Setting, device: DeviceDocument, scale: DisplayScale) -> Setting:
    """Return a setting at the nearest steps of a device, whatever they cost.

    Raises ParameterError if a level or delay lies beyond the range of the device.
    Raises SettingError if the levels follow.
    """
    timed = device.timing_in_steps(check_levels(setting))
    levels = {}
    for name, release in _sides(timed):
        step = scale.nearest(getattr(timed, name))
        levels[name] = step.light
        if device.hysteresis is None:
            levels[release] = scale.nearest(getattr(timed, release)).light
        else:
            way = -1 if _below(release, name) else 1
            levels[release] = _beside(scale, step, device.hysteresis, way).light
    return _with_levels(timed, levels)


def _window_shifts(
    recording: Recording, truth: Truth, setting: WindowSetting, rules: Rules, weights: Costs
) -> list[tuple[float, float]]:
    """Return how far each threshold may move, with its release, at the same cost: down, up.

    Each threshold is moved alone, over the width of the window; empty if the window has no width.
    """
    reach = setting.on_level - setting.off_level
    if not reach > 0:
        return []
    shifts = np.linspace(-reach, reach, 2 * WINDOW_STEPS + 1)
    shifts[WINDOW_STEPS] = 0.0
    rows = [
        [_shifted(setting, names, by) for by in shifts.tolist()]
        for names in (("on_level", "high_release"), ("off_level", "low_release"))
    ]
    counts = count_settings(recording, truth, [one for row in rows for one in row if one is not None], rules=rules)
    out = []
    for row in rows:
        cost = np.array([np.nan if one is None else counts[bare(one)].cost(weights) for one in row])
        # If nothing was scored: then no cost equals another, and nothing moves.
        same = cost == cost[WINDOW_STEPS]
        down, up = (WINDOW_STEPS if side.all() else int(np.argmin(side)) - 1
                    for side in (same[WINDOW_STEPS::-1], same[WINDOW_STEPS:]))  # fmt: skip
        out.append((down * reach / WINDOW_STEPS, up * reach / WINDOW_STEPS))
    return out


def _shifted(setting: WindowSetting, names: tuple[str, ...], by: float) -> WindowSetting | None:
    try:
        return replace(setting, **{name: getattr(setting, name) + by for name in names})
    except SettingError:
        return None


def _sides(setting: Setting) -> tuple[tuple[str, str], ...]:
    """Return every threshold with its release: the level of activation, and the level of release."""
    if isinstance(setting, WindowSetting):
        return ("on_level", "high_release"), ("off_level", "low_release")
    return (("on_level", "off_level") if setting.light_on else ("off_level", "on_level"),)


def _below(one: str, other: str) -> bool:
    return LEVELS.index(one) < LEVELS.index(other)


def _beside(scale: DisplayScale, step: DisplayStep, hysteresis: float, way: int) -> DisplayStep:
    """Return, in light, the value at a fixed hysteresis above or below another one."""
    return scale.behind(step.display + way * hysteresis * (1 if scale.line.slope > 0 else -1))


def _with_levels(setting: Setting, levels: Mapping[str, float]) -> Setting:
    """Return the setting with other levels; no release lies beyond its threshold."""
    kept: dict[str, Any] = dict(levels)
    for name, release in _sides(setting):
        kept[release] = (min if _below(release, name) else max)(kept[release], kept[name])
    if isinstance(setting, WindowSetting):
        kept["low_release"] = min(kept["low_release"], kept["high_release"])
    return replace(setting, **kept)


def _in_words(setting: Setting, name: str) -> str:
    if isinstance(setting, WindowSetting):
        return {"on_level": "Upper threshold", "off_level": "Lower threshold"}.get(name, "Release of a threshold")
    return "On-level" if name == "on_level" else "Off-level"


def check_levels(setting: Setting) -> Setting:
    """Return a setting that has levels to key in; refuse one whose levels move with the light.

    Raises SettingError if they do: then no display value can be given.
    """
    if not (type(setting) is Setting or isinstance(setting, WindowSetting)):
        raise SettingError(
            f"levels of kind '{kind_of(setting)}' move with the light, so they have no display value. Key in fixed "
            "levels or a window (teachlab bench RECORDING --device DEVICE finds them), or let the sensor follow by "
            "itself, log its output, and compare: teachlab agree RECORDING --setting SETTING."
        )
    return setting


def check_unit(device: DeviceDocument, recording: Recording) -> None:
    """Refuse a device whose readings are in another unit than the light."""
    if device.unit != recording.info.unit:
        raise ParameterError(
            f"the device's readings are in {device.unit}, {recording.name} is in {recording.info.unit}. "
            "Read the display beside this logger."
        )
