"""Common parts of the classic rules: light above dark, and when teaching is impossible."""

from __future__ import annotations

from teachlab.errors import Abstained
from teachlab.model.teaching import Levels, Reading, TeachView


def mean_of(reading: Reading, what: str) -> float:
    """Return the mean of a static reading, recording units; abstain without a valid evaluation."""
    require(reading.light, what)
    return reading.mean


def require(levels: Levels, what: str, *, at_least: int = 1) -> None:
    """Abstain unless there are enough valid evaluations."""
    if levels.size < at_least:
        plural = "" if at_least == 1 else "s"
        raise Abstained(
            f"too little light was logged {what}",
            f"{levels.size} valid evaluations",
            f"at least {at_least} valid evaluation{plural}",
        )


def above_dark(view: TeachView, level: float, what: str) -> float:
    """Return a level above `dark_level`, recording units; abstain if it is not above it.

    Percent and ratio rules act on light above dark: at or below it, a share of the light has no meaning.
    """
    light = level - view.dark_level
    if not light > 0:
        raise Abstained(
            f"a share of the light cannot be taken: {what} is not above the dark level",
            show(view, level),
            f"above {show(view, view.dark_level)}",
        )
    return light


def require_difference(view: TeachView, difference: float, what: str) -> float:
    """Return a difference that decides the place of a level; abstain if it is zero.

    It may have either sign: the order of the readings is not judged here.
    """
    if difference == 0:
        raise Abstained(
            f"no level can be placed: {what}", show(view, 0.0), f"a difference other than {show(view, 0.0)}"
        )
    return difference


def show(view: TeachView, level: float) -> str:
    """Return a level with its unit."""
    return f"{level:.6g} {view.unit}"
