"""What a strategy is shown, for tests: of what is given, in counts above dark 0 at 1 kHz unless said otherwise."""

from __future__ import annotations

from typing import Any

from teachlab.model.recording import Direction
from teachlab.model.setting import Setting
from teachlab.model.teaching import Shown, TeachView

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
