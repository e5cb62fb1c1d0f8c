"""From a level on labelled events to a setting: with a designed width and recorded numbers."""

from __future__ import annotations

from typing import Any

from teachlab.light.event_statistics import EventStatistics
from teachlab.light.noise import quantile
from teachlab.model.setting import Setting
from teachlab.model.teaching import TeachView
from teachlab.teaching.parameters import record
from teachlab.teaching.rules.hysteresis import design
from teachlab.teaching.rules.labelled_events import backgrounds, told

GUARD_SHARE = 0.01
"""Share a of the hysteresis guards, for rules without own guards."""


def place_on_events(
    strategy: Any,
    view: TeachView,
    found: EventStatistics,
    level: float,
    *,
    share: float = GUARD_SHARE,
    valley_of: EventStatistics | None = None,
    **evidence: Any,
) -> Setting:
    """Return the setting of a level with a designed hysteresis.

    `strategy`: for the record.
    `level` (recording units, objects upwards): T, where the output becomes active.
    `share` (in [0, 0.5)): a of the hysteresis guards.
    `valley_of`: statistics whose gaps must release the output, if they are not those shown.
    `**evidence`: further plain numbers for the record; levels as light.
    """
    allowed = found if valley_of is None else valley_of
    guard = quantile(backgrounds(allowed), 1 - share)
    width = design(view, allowed, level, share=share, guard=guard)
    return view.place(
        found.sign * level, width.width, record(strategy, **told(found, hysteresis=width.told(), **evidence))
    )
