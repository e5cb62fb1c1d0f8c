"""Replay a whole family of settings in one reading of the recording, exactly.

Settings of fixed levels share one ranking of the light (`sensor.level_pairs`); filter and delays act on the edges.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import TypeVar

from teachlab.errors import SettingError
from teachlab.model.following_and_window import FollowingSetting, TurningPointSetting
from teachlab.model.recording import Recording
from teachlab.model.setting import Setting
from teachlab.sensor.clock import Clock, no_valid_sample
from teachlab.sensor.evaluated_blocks import evaluated
from teachlab.sensor.following.family import Followers
from teachlab.sensor.following.members import family_of
from teachlab.sensor.following.turning_points import TurningPoints
from teachlab.sensor.level_pairs import LevelPairs
from teachlab.sensor.output import Followed, Output
from teachlab.switching.run import check_unit, replay, switch

Kind = TypeVar("Kind", bound=Setting)

FAMILY_BLOCK = 1 << 20
"""Samples reduced at a time: many, because every comparator is called once for each block."""

MAX_EDGES = 1 << 25
"""Edges held for all settings together; beyond this, the family is replayed in two halves."""


def replay_family(
    recording: Recording, settings: Sequence[Setting], *, progress: Callable[[float], None] | None = None
) -> Iterator[Output]:
    """Replay many settings that share an evaluation rate; equal to `replay` of each.

    `recording`: read once, or a few times if settings switch so often that their edges would fill the memory.
    `settings`: any levels, polarities, filters and delays; one evaluation rate. Settings with two thresholds are
    replayed one by one, those that follow the background family by family, and turning points together.
    Raises `SettingError` or `RecordingError` as `teachlab.switching.replay` does; also if the rates differ.

    The outputs come in the order of the settings.
    """
    for setting in settings:
        check_unit(recording, setting)
    rates = {setting.evaluation_rate_hz for setting in settings}
    if len(rates) > 1:
        raise SettingError(f"settings replayed together must share evaluation_rate_hz, got {sorted(map(str, rates))}.")
    if not settings:
        return iter(())
    clock = Clock.of(recording.samples, recording.info.sample_rate_hz, settings[0].evaluation_rate_hz)
    return _of_any_kind(recording, clock, settings, _Report(progress, len(settings)))


@dataclass(slots=True)
class _Report:
    progress: Callable[[float], None] | None
    total: int
    done: int = 0

    def say(self, share: float, settings: int) -> None:
        """Report a share of the present settings."""
        if self.progress is not None:
            self.progress((self.done + share * settings) / self.total)


def _of_any_kind(recording: Recording, clock: Clock, settings: Sequence[Setting], report: _Report) -> Iterator[Output]:
    """Replay groups of one kind one after the other, in the order of the settings."""
    for kind, group in groupby(settings, key=type):
        members = list(group)
        if kind is Setting:
            yield from _together(recording, clock, members, report, lambda of: LevelPairs(_pairs(of)))
        elif kind is FollowingSetting:
            yield from _follow(recording, clock, [s for s in members if isinstance(s, FollowingSetting)], report)
        elif kind is TurningPointSetting:
            turning = [s for s in members if isinstance(s, TurningPointSetting)]
            yield from _together(recording, clock, turning, report, lambda of: TurningPoints(of, clock.count))
        else:
            for setting in members:
                yield replay(recording, setting)
                report.done += 1
                report.say(0.0, 0)


def _follow(
    recording: Recording, clock: Clock, settings: Sequence[FollowingSetting], report: _Report
) -> Iterator[Output]:
    """Replay settings that follow, each family in one reading."""
    families: dict[tuple[object, ...], list[int]] = {}
    for k, setting in enumerate(settings):
        families.setdefault(family_of(setting), []).append(k)
    if len(families) == 1:
        yield from _together(recording, clock, settings, report, lambda of: Followers(of, clock))
        return
    found: dict[int, Output] = {}
    for of in families.values():
        members = [settings[k] for k in of]
        outputs = _together(recording, clock, members, report, lambda some: Followers(some, clock))
        found.update(zip(of, outputs, strict=True))
    for k in range(len(settings)):
        yield found.pop(k)


def _pairs(settings: Sequence[Setting]) -> list[tuple[float, float]]:
    """Return the pairs of levels: settings that differ only in filter and delays share a comparator."""
    return list(dict.fromkeys((s.on_level, s.off_level) for s in settings))


def _together(
    recording: Recording,
    clock: Clock,
    settings: Sequence[Kind],
    report: _Report,
    comparators_of: Callable[[Sequence[Kind]], LevelPairs | Followers | TurningPoints],
) -> Iterator[Output]:
    """Replay settings side by side, or in two halves if too many edges are held."""
    comparators = comparators_of(settings)
    for block in evaluated(recording.blocks(size=FAMILY_BLOCK), clock):
        if isinstance(comparators, LevelPairs):
            comparators.push(block)
        else:
            comparators.push(block.light, block.invalid)
        report.say(block.stop / clock.count, len(settings))
        if len(settings) > 1 and comparators.held > MAX_EDGES:
            # Settings that switch often hold millions of edges: read again for half of them, instead of running out of
            # memory.
            half = len(settings) // 2
            del comparators
            yield from _together(recording, clock, settings[:half], report, comparators_of)
            yield from _together(recording, clock, settings[half:], report, comparators_of)
            return
    followed: list[Followed | None] = [None] * len(settings)
    if isinstance(comparators, Followers):
        comparators.finish()
        followed = [*comparators.followed()]
    if comparators.first is None:
        raise no_valid_sample(recording.name, recording.samples)
    invalid = comparators.validity()
    states = list(comparators.light_states())
    if isinstance(comparators, LevelPairs):
        state_of = dict(zip(_pairs(settings), states, strict=True))
        states = [state_of[s.on_level, s.off_level] for s in settings]
    for setting, light, did in zip(settings, states, followed, strict=True):
        yield switch(light, invalid, setting, clock, followed=did)
    report.done += len(settings)
