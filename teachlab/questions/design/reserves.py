"""How far light, levels and delays of a designed setting may move before errors are added, on all passes."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np

from teachlab.light.usable_light import bounded_recording
from teachlab.light.windows import border_evaluations
from teachlab.model.setting import Setting
from teachlab.questions.stress.light import Receiver, no_share_of_light
from teachlab.questions.stress.reserve_path import Axis, Path, Reserve
from teachlab.questions.stress.reserves import first_added
from teachlab.questions.surface.values.levels import read_first
from teachlab.scoring.claimable import joined_where, touching_rows, wrong_apart
from teachlab.scoring.scoring import score
from teachlab.switching.run import replay
from teachlab.teaching.cells.delay_counts import DelayCounter

if TYPE_CHECKING:
    from teachlab.model.margin import EqualCost
    from teachlab.model.recording import Recording
    from teachlab.model.score import Rules
    from teachlab.model.truth import Truth

Ends = dict[str, Any]
MOST_GAIN = 10.0
"""Brighter light is not tried, as a multiple of today's above dark."""
TOGETHER = 64
"""Delays counted at a time, one evaluation apart near the setting's own; then steps grow by a factor."""


def reserves_of(
    recording: Recording, truth: Truth, setting: Setting, room: EqualCost | None, *, rules: Rules
) -> dict[str, Ends]:
    """Return for each axis how far it may move without a further error, counted on all passes.

    `room`: levels of equal cost, as the verdict says them.
    Returned: ``{axis: {"low", "high", "unit"}}``; None where it was not looked for, or nothing that was tried adds an
    error. `level`: distance of both levels together, recording units, in the steps of `room`. `ambient` (recording
    units to take away or add) and `gain` (shares of the light above dark): exact, as `stress` finds them; not for
    settings with two thresholds. `on_delay`, `off_delay`, ms: at the told distance no error is added, one evaluation
    beyond it there is one; each evaluation is counted near the setting's delay, further away delays whose steps grow.
    """
    unit = recording.info.unit
    light = _light(recording, truth, setting, rules) if type(setting) is Setting else {}
    none: Ends = {"low": None, "high": None}
    down, up = (None, None) if room is None else (room.down, room.up)
    return {
        "level": {"low": down, "high": up, "unit": unit},
        "ambient": {**light.get("ambient", none), "unit": unit},
        "gain": {**light.get("gain", none), "unit": "share"},
        **{axis: {**ends, "unit": "ms"} for axis, ends in _delays(recording, truth, setting, rules).items()},
    }


def _light(recording: Recording, truth: Truth, setting: Setting, rules: Rules) -> dict[str, Ends]:
    scored = score(replay(recording, setting), truth, rules=rules)
    # Touching passes are no error of the setting: the two count as one.
    made, truth = sum(wrong_apart(truth, scored)), joined_where(truth, touching_rows(truth, scored.trials))
    recording = bounded_recording(recording)
    first = read_first(recording, setting.evaluation_rate_hz)
    info, low, high = recording.info, first.low, first.high
    receiver = Receiver.of(recording, low, high)

    def ends(axis: Axis, *far: float) -> Ends:
        found = [
            first_added(recording, truth, Path(axis, receiver, setting, start, end), first, rules=rules, accepted=made)
            for start, end in ((float(axis is Axis.GAIN), end) for end in far)
        ]
        return {side: _reached(one, axis) for side, one in zip(("low", "high"), found, strict=True)}

    # At the far ends all light lies on one side of both levels.
    out = {"ambient": ends(Axis.AMBIENT, min(setting.off_level - high, 0.0), max(setting.on_level - low, 0.0))}
    if not no_share_of_light(info, setting, low, high):
        dark = info.dark_level
        most = (setting.on_level - dark) / (low - dark) if low > dark else MOST_GAIN
        out["gain"] = ends(Axis.GAIN, 0.0, min(max(most, 1.0), MOST_GAIN))
    return out


def _reached(found: Reserve, axis: Axis) -> float | None:
    if found.value is None or found.last is None:
        return None
    return found.value if axis is Axis.AMBIENT else found.last


def _delays(recording: Recording, truth: Truth, setting: Setting, rules: Rules) -> dict[str, Ends]:
    plain = replay(recording, replace(setting.undelayed(), consecutive=1))
    clock = plain.clock
    counter = DelayCounter(
        truth, clock, plain.invalid, border=border_evaluations(truth, clock, rules), first_pass=rules.first_pass
    )
    own = {"on_delay": clock.delay(setting.on_delay_ms), "off_delay": clock.delay(setting.off_delay_ms)}
    ms = 1000 / clock.rate_hz

    def errors(axis: str, delays: list[int]) -> list[int]:
        on, off = (delays if name == axis else [at] for name, at in own.items())
        # The undelayed output: polarity is applied already, and the filter treats both states alike.
        found = counter.count(
            [plain.undelayed], light_on=True, consecutive=setting.consecutive, on_delays=on, off_delays=off
        )
        return [int(n) for n in found.errors.ravel()]

    def ends(axis: str, at: int) -> Ends:
        (least,) = errors(axis, [at])

        def shorter(far: list[int]) -> list[bool]:
            return [n > least for n in errors(axis, [at - k for k in reversed(far)])][::-1]

        def longer(far: list[int]) -> list[bool]:
            return [n > least for n in errors(axis, [at + k for k in far])]

        found = last_without(shorter, at), last_without(longer, clock.count)
        return {side: None if k is None else k * ms for side, k in zip(("low", "high"), found, strict=True)}

    return {axis: ends(axis, at) for axis, at in own.items()}


def last_without(more: Callable[[list[int]], list[bool]], most: int) -> int | None:
    """Return the largest step before the first that adds errors, among those tried; None if none of them adds any.

    `more`: tells of steps, ascending, at which of them errors are added.
    `most`: the largest step.
    """
    good, bad, begin, end = 0, most + 1, 1, TOGETHER
    while begin < bad:
        end = min(end, bad - 1)
        steps = np.unique(np.linspace(begin, end, min(TOGETHER, end - begin + 1)).round().astype(np.int64)).tolist()
        added = more(steps)
        first = added.index(True) if any(added) else len(steps)
        good = steps[first - 1] if first else good
        # Stretches are longer and longer until there is an error; then what lies before it is tried more densely.
        bad = steps[first] if first < len(steps) else bad
        begin, end = good + 1, 2 * end if bad > most else bad - 1
    return good if bad <= most else None
