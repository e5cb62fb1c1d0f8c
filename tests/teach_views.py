"""What a strategy is shown, for tests: of what is given, in counts above dark 0 at 1 kHz unless said otherwise."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import zip_longest
from typing import Any

import numpy as np

from teachlab.errors import Abstained
from teachlab.model.recording import Direction
from teachlab.model.setting import Polarity, Setting
from teachlab.model.teaching import Events, Shown, TeachView

PARTS = {
    "object_": Shown.OBJECT, "background_": Shown.BACKGROUND, "sweep_": Shown.SWEEP, "events_": Shown.EVENTS,
}  # fmt: skip


def teach_view(
    *, direction: Direction = Direction.RISE, unit: str = "counts", base: Setting | None = None,
    shown: frozenset[Shown] | None = None, **more: Any,
) -> TeachView:  # fmt: skip
    """Return a view; unless stated, the kinds of evidence shown are those that are given."""
    given = frozenset(kind for name, kind in PARTS.items() if more.get(name) is not None)
    usual: dict[str, Any] = {"full_scale": None, "dark_level": 0.0, "rate_hz": 1000.0}
    return TeachView(
        direction=direction, unit=unit, base=base or Setting(unit=unit, on_level=0.0, off_level=0.0),
        shown=given if shown is None else shown, **(usual | more),
    )  # fmt: skip


def in_turn(
    objects: Sequence[Any], gaps: Sequence[Any], *, length: int = 10, direction: Direction = Direction.RISE,
    labels: Sequence[str] | None = None, detect: Sequence[bool] | None = None, full_scale: float | None = 1000.0,
    dark: float = 0.0, **base: Any,
) -> TeachView:  # fmt: skip
    """Gap, pass, gap, … of as many evaluations each; an event is flat, or given evaluation by evaluation."""
    count = len(objects)
    turns = [one for turn in zip_longest(gaps, objects) for one in turn if one is not None]
    start = length + 2 * length * np.arange(count, dtype=np.int64)
    return teach_view(
        direction=direction, full_scale=full_scale, dark_level=dark,
        base=Setting(unit="counts", on_level=0, off_level=0, **base),
        events_=Events(
            np.concatenate([np.broadcast_to(np.float64(one), length) for one in turns]), start, start + length,
            np.array(detect or [True] * count), np.array(labels or ["tub"] * count, object), 0,
        ),
    )  # fmt: skip


def acts_and_releases(setting: Setting) -> tuple[float, float]:
    """The level at which the output becomes active and the one at which it is released."""
    return setting.activation, setting.release


def taught(strategy: Any, view: TeachView) -> tuple[float, float] | None:
    """Level at which the output becomes active and hysteresis, or None for an abstention."""
    try:
        setting = strategy.teach(view)
    except Abstained:
        return None
    rise = view.direction is Direction.RISE
    assert setting.polarity is (Polarity.LIGHT_ON if rise else Polarity.DARK_ON)
    return (setting.on_level if rise else setting.off_level), setting.hysteresis


def name_of(strategy: Any) -> str:
    """The strategy with the values of all its parameters, as the name of a case."""
    return "-".join(str(value) for value in (strategy.name, *(getattr(strategy, f) for f in strategy.__slots__)))
