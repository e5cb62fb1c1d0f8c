"""The output of a sensor with one setting over one recording."""

from __future__ import annotations

from dataclasses import dataclass

from teachlab.model.setting import Setting
from teachlab.sensor.clock import Clock
from teachlab.sensor.edges import Edges, TwoState

VOID_FROM = 5
"""So many invalid evaluations in a row are bridged; from the next one on they are void."""


def onset_lag(setting: Setting, clock: Clock) -> int:
    """Return how many evaluations filter and delay can delay an onset."""
    return min(setting.consecutive - 1, clock.count) + clock.delay(setting.holds_back_ms)


def void_of(invalid: TwoState, size: int) -> TwoState:
    """Return which of `size` evaluations are void: the 6th invalid one in a row and those after it."""
    starts, ends = invalid.runs(size)
    # A run that is there at the first evaluation starts long before the record; only its evaluations in the record
    # count.
    starts = starts.clip(min=0) + VOID_FROM
    long = starts < ends
    return TwoState.from_runs(starts[long], ends[long], size)


@dataclass(frozen=True, slots=True, eq=False)
class Output:
    """The output of one replay, as edges over evaluations.

    `undelayed`: polarity applied to the filtered state, without the delays: true is active.
    `output`: the output: true is active.
    `followed`: what the reference did, for a setting that follows.
    `compiled`: whether the compiled comparator of the extra ``fast`` took part; the edges do not depend on it.
    """

    setting: Setting
    clock: Clock
    undelayed: TwoState
    output: TwoState
    invalid: TwoState
    followed: Followed | None = None
    compiled: bool = False

    @property
    def active_at_start(self) -> bool:
        """Whether the output is active at the first evaluation (which is no onset)."""
        return self.output.first

    @property
    def onsets(self) -> Edges:
        """Samples of the first active evaluations, int64."""
        return self.clock.sample_of(self.output.rises())

    @property
    def releases(self) -> Edges:
        """Samples of the first inactive evaluations, int64."""
        return self.clock.sample_of(self.output.falls())

    @property
    def lag(self) -> int:
        """How many evaluations filter and delay can delay an onset."""
        return onset_lag(self.setting, self.clock)

    def void(self) -> TwoState:
        """Return which evaluations are void: the 6th invalid one in a row and those after it."""
        return void_of(self.invalid, self.clock.count)


@dataclass(frozen=True, slots=True, eq=False)
class Followed:
    """What the reference of a following setting did over one recording.

    `last`, `lowest`, `highest` (recording units): the reference at the end, and the extremes of all its values.
    `releases` (shape (n,), evaluations): first evaluations with a reference that was set anew, after no light had
    counted for too long.
    `alarm`: True where the reference is held at a limit that it would have crossed.
    """

    last: float
    lowest: float
    highest: float
    releases: Edges
    alarm: TwoState
