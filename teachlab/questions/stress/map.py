"""What a setting survives: loss of light, ambient light and backscatter, each as a separate axis."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import product
from typing import TYPE_CHECKING, Any

import numpy as np

from teachlab.errors import ParameterError
from teachlab.light.usable_light import bounded_recording
from teachlab.model.arrays import Flags, Floats, Integers
from teachlab.model.json_values import picked
from teachlab.model.memory import need_memory
from teachlab.model.recording import Recording
from teachlab.model.score import USUAL_RULES, Rules
from teachlab.questions.stress.light import Receiver, Stress, no_share_of_light
from teachlab.questions.stress.reserves import both_reserves
from teachlab.questions.surface.condensed import condensed
from teachlab.questions.surface.given_settings.pairs import score_pairs
from teachlab.questions.surface.values.levels import read_first
from teachlab.scoring.claimable import joined_where, touching_rows
from teachlab.scoring.scoring import score
from teachlab.switching.run import replay

if TYPE_CHECKING:
    from teachlab.model.setting import Setting
    from teachlab.model.truth import Truth
    from teachlab.questions.stress.setting_reading import SettingReading

CELL_BYTES = 3000
"""Bytes for a condition, with its setting and its counts."""
GAINS = tuple(round(1 - 0.05 * k, 2) for k in range(20))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StressMap:
    """Counts of one setting under every combination of three stresses.

    `lost`, `false_trips`, `extra`, `ignore_trips` (shape (gains, ambients, pedestals)): `lost` leaves out passes that
    merged with the one that they touch.
    `contamination_reserve`: ``1 − g`` with the smallest g such that every trial is right on all of [g, 1]; None if the
    unstressed recording already holds an error.
    `ambient_reserve` (recording units): the largest ambient rise a such that every trial is right on all of [0, a].
    `share_refused`: why a share of the light has no meaning here; empty if it has.
    `resolution`: for each of the two: 0 if it is exact (the next float64 beyond it gives an error), otherwise how far
    beyond it an error is known.
    """

    gain: tuple[float, ...]
    ambient: tuple[float, ...]
    pedestal: tuple[float, ...]
    lost: Integers
    false_trips: Integers
    extra: Integers
    ignore_trips: Integers
    contamination_reserve: float | None
    ambient_reserve: float | None
    share_refused: str
    resolution: tuple[float, float]
    detect_trials: int
    gap_trials: int
    setting: Setting

    @property
    def survives(self) -> Flags:
        """Where every pass is detected once and nothing trips."""
        right = (self.lost == 0) & (self.extra == 0) & (self.false_trips == 0) & (self.ignore_trips == 0)
        out: Flags = right
        return out

    def boundary(self) -> list[list[float | None]]:
        """Return, per ambient and pedestal, the smallest gain of the map down to which the setting survives."""
        order = np.argsort(self.gain)[::-1]
        # Down from full light: a gain beyond the first failure does not count, even if all is right there.
        alive = np.logical_and.accumulate(self.survives[order], axis=0)
        left = alive.sum(axis=0)
        gains = np.array(self.gain)[order]
        return [[float(gains[k - 1]) if k else None for k in row] for row in left.tolist()]

    def as_dict(self) -> dict[str, Any]:
        """Return the plain JSON form."""
        return {
            "schema": 1,
            "unit": self.setting.unit,
            "setting": self.setting.as_dict(),
            **picked(self, "gain", "ambient", "pedestal", "lost", "false_trips", "extra", "ignore_trips"),
            "survival_boundary": self.boundary(),
            "contamination_reserve": self.contamination_reserve,
            "share_of_light_refused": self.share_refused or None,
            "ambient_reserve": self.ambient_reserve,
            "resolution": {"contamination": self.resolution[0], "ambient": self.resolution[1]},
            **picked(self, "detect_trials", "gap_trials"),
        }


def stress_map(
    recording: Recording,
    truth: Truth,
    setting: Setting,
    *,
    gain: Sequence[float] = GAINS,
    ambient: Sequence[float] = (0.0,),
    pedestal: Sequence[float] = (0.0,),
    rules: Rules = USUAL_RULES,
    progress: Callable[[float], None] | None = None,
    reading: SettingReading | None = None,
) -> StressMap:
    """Count losses and trips of a setting under every combination of stresses.

    A stress is a monotone map of the light, so the stressed replay at two levels is the unstressed replay at two others
    (`Receiver.levels_before`), including clipping and rounding. So no stressed recording is made, and all conditions
    are counted together.

    `setting`: with any filter and delays.
    `gain`, `ambient`, `pedestal`: the axes, as in `Stress`.
    `reading`: of this setting, for the recording that it reduced.

    Notes
    -----
    The reserves are exact with any filter and delays (`teachlab.questions.stress.reserve`). There is one exception: if
    light below dark was logged, the dark level lies between the levels, and more than 3,000 distinct samples meet them,
    points of the axis are tried (`teachlab.questions.stress.reserves.search_apart`), and `resolution` is not 0.
    """
    if not (gain and ambient and pedestal):
        raise ParameterError("every axis of a stress map needs at least one value; 0 ambient or pedestal is one.")
    cells_asked = len(gain) * len(ambient) * len(pedestal)
    need_memory(cells_asked * CELL_BYTES, f"a stress map of {cells_asked:,} conditions", "Give shorter axes.")
    seen = score(replay(recording, setting), truth, rules=rules, tables=False) if truth.touching.any() else None
    # Less light, and added light, move the levels apart, never together: the recording reduced for the setting is
    # sufficient.
    if max(gain) <= 1:
        known = condensed(recording, truth, setting, rules=rules) if reading is None else reading.condensed
        if known is not None:
            recording, truth, rules = known.recording, known.truth, known.rules
    recording = bounded_recording(recording)
    first = read_first(recording, setting.evaluation_rate_hz)
    receiver = Receiver.of(recording, first.low, first.high)

    def at(gains: Floats, ambients: Floats, pedestals: Floats) -> list[Setting]:
        # Beyond all light, levels are equivalent; near the light, the ranking of samples is faster.
        top = float(np.nextafter(first.high, np.inf))
        levels = (
            np.clip(receiver.levels_before(level, gains, ambients, pedestals), first.low, top).tolist()
            for level in (setting.on_level, setting.off_level)
        )
        return [setting.with_levels(on, off) for on, off in zip(*levels, strict=True)]

    cells = [Stress(*cell) for cell in product(gain, ambient, pedestal)]
    settings = at(*np.array([(s.gain, s.ambient, s.pedestal) for s in cells]).T)
    found = score_pairs(recording, truth, settings, rules=rules)
    shape = (len(gain), len(ambient), len(pedestal))
    if progress is not None:
        progress(0.6)
    if seen is not None:  # two that touch and merge as recorded count as one
        truth = joined_where(truth, touching_rows(truth, seen.trials))
    loss, rise = both_reserves(recording, truth, setting, receiver=receiver, reading=first, rules=rules)
    if progress is not None:
        progress(1.0)
    tables = {
        name: np.array([getattr(c, name) for c in found], np.int64).reshape(shape)
        for name in ("apart_lost", "false_trips", "extra", "ignore_trips")
    }
    return StressMap(
        gain=tuple(gain), ambient=tuple(ambient), pedestal=tuple(pedestal),
        lost=tables["apart_lost"], false_trips=tables["false_trips"], extra=tables["extra"],
        ignore_trips=tables["ignore_trips"], contamination_reserve=loss.value, ambient_reserve=rise.value,
        share_refused=no_share_of_light(recording.info, setting, first.low, first.high),
        resolution=(loss.resolution, rise.resolution), detect_trials=found[0].detect_trials,
        gap_trials=found[0].gap_trials,
        setting=setting,
    )  # fmt: skip


def at_speed(recording: Recording, setting: Setting, factor: float) -> tuple[Recording, Setting]:
    """Return recording and setting as if the line ran `factor` times as fast.

    Samples are assumed to follow each other `factor` times as fast, while the sensor keeps its evaluation rate: it
    reads fewer of them per pass. Truth in samples stays valid. Noise is not rescaled: it stays the same from sample to
    sample, which is right for white noise.
    Raises ParameterError if the line runs so slowly that the sensor would evaluate faster than the log.
    """
    if not (math.isfinite(factor) and factor > 0):
        raise ParameterError(f"a speed factor must be a finite number above 0, got {factor:g}.")
    rate = setting.evaluation_rate_hz or recording.info.sample_rate_hz
    speed, logged = recording.info.line_speed_m_s, recording.info.sample_rate_hz * factor
    if rate > logged * (1 + 1e-12):
        raise ParameterError(
            f"at a speed factor of {factor:g} only {logged:g} samples per second were logged, and the sensor evaluates "
            f"{rate:g}: give a faster line, or a setting with an evaluation_rate_hz of at most {logged:g}."
        )
    info = replace(
        recording.info,
        sample_rate_hz=logged,
        line_speed_m_s=None if speed is None else speed * factor,
    )
    return Recording(info, recording.source, recording.name), replace(setting, evaluation_rate_hz=rate)
