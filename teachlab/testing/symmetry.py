"""Symmetries of a strategy: light moved by a gain or an offset, and light turned upside down."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np

import teachlab.testing.shown as shown
from teachlab.model.following_and_window import FollowingSetting, TurningPointSetting, WindowSetting
from teachlab.model.recording import Direction
from teachlab.model.setting import Polarity, Setting
from teachlab.model.teaching import TeachView, polarity_of
from teachlab.switching.run import replay
from teachlab.testing.subject import Subject

GAIN, OFFSET = 2, 300
TOLERANCE = 1e-6
"""Levels must follow to within this share of the span of the light."""

LEVELS = ("on_level", "off_level", "reference", "low_release", "high_release")
MIRRORED = {"on_level": "off_level", "off_level": "on_level", "low_release": "high_release"}
MIRRORED |= {"high_release": "low_release", "reference": "reference"}


def tolerance(light: shown.Counts) -> float:
    """Return how far two levels may differ, counts."""
    return TOLERANCE * float(np.ptp(light))


def levels_of(setting: Setting) -> dict[str, float]:
    """Return all levels of a setting of any kind, recording units."""
    return {name: getattr(setting, name) for name in LEVELS if hasattr(setting, name)}


def moved(subject: Subject, light: shown.Counts, expected: Callable[[float], float]) -> str:
    """Teach on moved light; return how the levels do not follow, or an empty text."""
    before = subject.sound.setting
    answer = subject.ask(shown.view_for(subject.strategy, shown.block_of(light, subject.truth)))
    if before is None or answer.setting is None:
        return f"it {answer} on the moved light, and taught on the unmoved"
    after = levels_of(answer.setting)
    for name, level in levels_of(before).items():
        if not abs(after[name] - expected(level)) <= tolerance(light):
            return f"{name} {level:.9g} must move to {expected(level):.9g} {shown.UNIT}, got {after[name]:.9g}"
    return ""


def gained(subject: Subject) -> str:
    """Return how levels do not follow a gain, or an empty text."""
    return moved(
        subject,
        shown.DARK + GAIN * (subject.light - shown.DARK),
        lambda level: shown.DARK + GAIN * (level - shown.DARK),
    )


def shifted(subject: Subject) -> str:
    """Return how levels do not follow an offset, or an empty text."""
    return moved(subject, subject.light + OFFSET, lambda level: level + OFFSET)


def mirrored_view(subject: Subject) -> tuple[shown.Counts, TeachView]:
    """Return the light upside down, objects dark, and what the strategy is shown of it."""
    light = shown.FULL_SCALE - subject.light
    block = shown.block_of(light, subject.truth, direction=Direction.DIP)
    return light, shown.view_for(subject.strategy, block)


def wrong_polarity(setting: Setting, direction: Direction) -> str:
    """Return how the polarity does not make objects active, or an empty text."""
    wanted = Polarity.LIGHT_ON if isinstance(setting, WindowSetting) else polarity_of(direction)
    if setting.polarity == wanted:
        return ""
    return f"objects that {direction} must be taught {wanted}, got {setting.polarity}"


def mirrored_wrong(subject: Subject, before: Setting, after: Setting, light: shown.Counts) -> str:
    """Compare the levels and the output of mirrored light with those of the light; return what differs."""
    was, now = levels_of(before), levels_of(after)
    for name, level in was.items():
        other, wanted = MIRRORED[name], shown.FULL_SCALE - level
        if not abs(now[other] - wanted) <= tolerance(light):
            return f"{name} {level:.9g} must be mirrored to {other} {wanted:.9g} {shown.UNIT}, got {now[other]:.9g}"
    if isinstance(before, FollowingSetting | TurningPointSetting):
        return ""
    on_grid = _outside_the_band(after, tolerance(light))
    one = replay(shown.recording_of(subject.light, Direction.RISE), before)
    other_way = replay(shown.recording_of(light, Direction.DIP), on_grid)
    if one.output.edges.tolist() != other_way.output.edges.tolist():
        return f"{one.onsets.size} onsets on the light, {other_way.onsets.size} on its mirror"
    return ""


def _outside_the_band(setting: Setting, near: float) -> Setting:
    """Move every mirrored level that equals a sample value one count up, to the first value outside the band.

    ``x >= L`` upside down is ``x' <= C − L``, which on whole numbers is ``x' < C − L + 1``.
    """

    def outside(level: float) -> float:
        whole = float(np.rint(level))
        return whole + 1 if abs(level - whole) <= near else level

    levels: dict[str, Any] = {name: outside(level) for name, level in levels_of(setting).items()}
    return replace(setting, **levels)
