"""Replay a whole family of settings in one reading of the recording, exactly.

Every comparison of every setting depends only on where a sample lies among the family's levels. So each
block is reduced once to the samples at which that rank changes (a few per edge of an object), and the
comparators run on those.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from teachlab.errors import SettingError
from teachlab.model.recording import Block, Light, Recording
from teachlab.model.setting import Setting
from teachlab.replay.evaluating import evaluated, no_valid_sample
from teachlab.replay.run import check_unit, switch
from teachlab.signal.comparator import Comparator, compares_exactly, level_in
from teachlab.signal.evaluation import Clock
from teachlab.signal.output import Output
from teachlab.signal.twostate import Edges, TwoState, joined
from teachlab.signal.validity import Validity

FAMILY_BLOCK = 1 << 20
"""Samples reduced at a time: large, since every comparator is called once per block."""

_RANK = np.dtype(np.int32)


def replay_family(
    recording: Recording, settings: Sequence[Setting], *, progress: Callable[[float], None] | None = None
) -> list[Output]:
    """Replay many settings that share an evaluation rate; equal to `replay` of each.

    Parameters
    ----------
    recording : Recording
        Read once.
    settings : sequence of Setting
        Any levels, polarities, filters and delays; one evaluation rate.
    progress : callable, optional
        Called with the share of the recording that is done.

    Returns
    -------
    list of Output
        In the order of the settings.

    Raises
    ------
    SettingError, RecordingError
        As `teachlab.replay.replay`; also if the evaluation rates differ.
    """
    if not settings:
        return []
    for setting in settings:
        check_unit(recording, setting)
    rates = {setting.evaluation_rate_hz for setting in settings}
    if len(rates) > 1:
        raise SettingError(f"settings replayed together must share evaluation_rate_hz, got {sorted(map(str, rates))}.")
    clock = Clock.of(recording.samples, recording.info.sample_rate_hz, settings[0].evaluation_rate_hz)
    pairs = list(dict.fromkeys((s.on_level, s.off_level) for s in settings))
    reducer = _Reducer(np.unique(np.array(pairs)))
    members = [_Member.of(pair, reducer.levels) for pair in pairs]
    for block in evaluated(recording.blocks(size=FAMILY_BLOCK), clock):
        at, rank = reducer.reduce(block)
        for member in members:
            member.push(at, rank)
        if progress is not None:
            progress((block.start + block.light.size) / clock.count)
    if members[0].comparator.first is None:
        raise no_valid_sample(recording)
    states = {pair: member.state() for pair, member in zip(pairs, members, strict=True)}
    invalid = reducer.validity.state()
    return [switch(states[s.on_level, s.off_level], invalid, s, clock) for s in settings]


class _Reducer:
    """Keeps the evaluations at which the rank of the light among the levels changes."""

    def __init__(self, levels: NDArray[np.float64]) -> None:
        self.levels = levels
        self.validity = Validity()
        self._last = -1

    def reduce(self, block: Block) -> tuple[Edges, NDArray[np.int32]]:
        """Return evaluations and ranks (how many levels are at or below the light) where the rank changes."""
        light = block.light if compares_exactly(block.light.dtype) else block.light.astype(np.float64)
        invalid = block.invalid_mask()
        self.validity.push(invalid, light.size)
        if light.size == 0:
            return np.empty(0, np.int64), np.empty(0, _RANK)
        keep = self._may_change(light)
        if invalid is not None:
            keep &= ~invalid
            # What an invalid sample hid: the next valid one must be looked at.
            keep[1:] |= invalid[:-1] & ~invalid[1:]
            keep[0] |= not invalid[0]
        at = np.flatnonzero(keep)
        rank = np.searchsorted(self.levels, light[at].astype(np.float64), side="right").astype(_RANK)
        new = np.empty(rank.size, bool)
        if rank.size:
            new[0] = rank[0] != self._last
            np.not_equal(rank[1:], rank[:-1], out=new[1:])
            self._last = int(rank[-1])
        return at[new] + block.start, rank[new]

    def _may_change(self, light: Light) -> NDArray[np.bool_]:
        """Return the samples between the outermost levels, and those at which their side changes."""
        below = light < level_in(light.dtype, self.levels[0])
        above = light >= level_in(light.dtype, self.levels[-1])
        keep: NDArray[np.bool_] = ~(below | above)
        keep[1:] |= below[1:] != below[:-1]
        keep[1:] |= above[1:] != above[:-1]
        keep[0] = True
        return keep


@dataclass(slots=True)
class _Member:
    comparator: Comparator
    edges: list[Edges]
    taken: int = 0

    @classmethod
    def of(cls, pair: tuple[float, float], levels: NDArray[np.float64]) -> _Member:
        """Build the comparator of a pair on ranks: ``x >= levels[i]`` is ``rank >= i + 1``."""
        on, off = (int(np.searchsorted(levels, level)) + 1 for level in pair)
        return cls(Comparator(on, off, _RANK), [])

    def push(self, at: Edges, rank: NDArray[np.int32]) -> None:
        """Take the next ranks and note the evaluations of new edges."""
        self.comparator.push(rank)
        edges = self.comparator.take_edges()
        if edges.size:
            self.edges.append(at[edges - self.taken])
        self.taken += rank.size

    def state(self) -> TwoState:
        """Return the comparator's state over evaluations."""
        return TwoState(bool(self.comparator.first), joined(self.edges))
