"""Replay: a recording and a setting to the output, in the order of the switching contract."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from typing import TYPE_CHECKING

from teachlab.errors import SettingError
from teachlab.model.following_and_window import FollowingSetting, TurningPointSetting, WindowSetting
from teachlab.model.recording import BLOCK_SAMPLES, ArraySource, Block, Chunk, Recording
from teachlab.model.setting import Setting
from teachlab.sensor.clock import Clock, no_valid_sample
from teachlab.sensor.comparator import Comparator
from teachlab.sensor.delays import consecutive_filter, delayed
from teachlab.sensor.edges import TwoState
from teachlab.sensor.evaluated_blocks import evaluated
from teachlab.sensor.following.family import Followers
from teachlab.sensor.following.turning_points import TurningPoints
from teachlab.sensor.output import Followed, Output
from teachlab.sensor.window_comparator import TwoThresholds

if TYPE_CHECKING:
    from teachlab.light.extremes import Cells

DECODED, AT_HAND = 1 << 20, 1 << 22
"""Samples that are taken at a time out of a file, and in memory."""
AnyComparator = Comparator | Followers | TurningPoints | TwoThresholds


def replay(
    recording: Recording,
    setting: Setting,
    *,
    fast: bool | None = None,
    progress: Callable[[float], None] | None = None,
) -> Output:
    """Run a recording through the sensor's switching.

    Evaluate, compare with hysteresis, filter, apply polarity, delay: in that order, bit-exact. Reads the
    recording in blocks; memory grows with the number of edges, not of samples.
    `fast`: whether to compare with a fixed pair of levels the compiled way of the extra ``fast``; default: where it is
    installed, once a process has replayed so much that it pays. The edges are the same.
    Returned: edges over evaluations, and in samples as `onsets` and `releases`.
    Raises SettingError if the unit differs from the recording's, or the evaluation rate exceeds its rate.
    Raises RecordingError if no evaluation reads a valid sample.
    Raises ParameterError if `fast` is true and the extra is not installed.

    Examples
    --------
    >>> import numpy as np
    >>> from teachlab.model.recording import Recording, RecordingInfo
    >>> from teachlab.model.setting import Setting
    >>> info = RecordingInfo(sample_rate_hz=1000, unit="counts")
    >>> light = np.array([10, 10, 60, 55, 10, 10, 70, 10], np.uint16)
    >>> out = replay(Recording.from_array(light, info), Setting(unit="counts", on_level=58, off_level=50))
    >>> out.onsets.tolist(), out.releases.tolist()
    ([2, 6], [4, 7])
    """
    running = Replaying(recording, setting, fast=fast)
    running.read(progress)
    return running.output()


def replay_together(recording: Recording, settings: Sequence[Setting]) -> list[Output]:
    """Return the outputs of a few settings from one reading; equal to `replay` of each.

    Of hundreds, `replay_family` is faster.

    Raises `SettingError` or `RecordingError` as `replay` does.
    """
    running = [Replaying(recording, setting) for setting in settings]
    for block in recording.blocks(size=DECODED) if running else ():
        for one in running:
            one.push(block)
    return [one.output() for one in running]


class Replaying:
    """A replay in progress: blocks of samples in, the output out at the end.

    Raises `SettingError` if the unit differs from the recording's, or the evaluation rate exceeds its rate.
    """

    def __init__(self, recording: Recording, setting: Setting, *, fast: bool | None = None) -> None:
        check_unit(recording, setting)
        self._recording, self._setting = recording, setting
        self.clock = Clock.of(recording.samples, recording.info.sample_rate_hz, setting.evaluation_rate_hz)
        self._comparator = _comparator(recording, self.clock, setting, fast)

    def push(self, block: Block) -> None:
        """Take the next samples."""
        for one in evaluated((block,), self.clock):
            self._comparator.push(one.light, one.invalid)

    def push_cells(self, cells: Cells) -> None:
        """Take the next samples, all valid, in cells."""
        # Where samples are evaluated less often, the extremes of a cell may be light that no evaluation reads.
        if isinstance(self._comparator, Comparator) and self.clock.every_sample:
            self._comparator.push_cells(cells.light, cells.cuts, cells.low, cells.high)
        else:
            self.push(Block(cells.start, cells.light))

    def read(self, progress: Callable[[float], None] | None = None) -> None:
        """Take the whole recording, without what cannot change the state by its stored extremes."""
        source, comparator = self._recording.source, self._comparator
        chunks = () if isinstance(source, ArraySource) else source.chunks()  # In memory there are no stored extremes.
        # Levels that move with the light need all of it.
        if isinstance(comparator, Comparator | TwoThresholds) and any(chunk.high is not None for chunk in chunks):
            # Only chunks that can change the state are decoded: most of a quiet recording is passed over.
            blocks = _unskipped(self._recording, chunks, self.clock, comparator)
        else:
            size = AT_HAND if isinstance(source, ArraySource) else DECODED
            blocks = self._recording.blocks(size=size if self.clock.every_sample else BLOCK_SAMPLES)
        for block in blocks:
            self.push(block)
            if progress is not None:
                progress(block.stop / self._recording.samples)

    def output(self) -> Output:
        """Return the output, once every sample was taken.

        Raises `RecordingError` if no evaluation reads a valid sample.
        """
        comparator, followed = self._comparator, None
        if isinstance(comparator, Followers):
            comparator.finish()
            followed = comparator.followed()[0]
        if comparator.first is None:
            raise no_valid_sample(self._recording.name, self._recording.samples)
        compiled = isinstance(comparator, Comparator) and comparator.compiled
        return switch(
            comparator.light_state(), comparator.validity(), self._setting, self.clock,
            followed=followed, compiled=compiled,
        )  # fmt: skip


def _comparator(recording: Recording, clock: Clock, setting: Setting, fast: bool | None) -> AnyComparator:
    if isinstance(setting, FollowingSetting):
        return Followers([setting], clock)
    if isinstance(setting, WindowSetting):
        return TwoThresholds(setting, recording.dtype)
    if isinstance(setting, TurningPointSetting):
        return TurningPoints([setting], clock.count)
    return Comparator(setting.on_level, setting.off_level, recording.dtype, fast=fast)


def check_unit(recording: Recording, setting: Setting) -> None:
    """Refuse a setting in another unit than the recording's."""
    if setting.unit != recording.info.unit:
        raise SettingError(
            f"the setting is in '{setting.unit}' but {recording.name} is in '{recording.info.unit}': levels of "
            "one mean nothing in the other. Teach on this recording, or convert the levels."
        )


def switch(
    light: TwoState, invalid: TwoState, setting: Setting, clock: Clock, *, followed: Followed | None = None,
    compiled: bool = False,
) -> Output:  # fmt: skip
    """Apply filter, polarity and delays to the comparator's state.

    `light`, `invalid`: the comparator's state, and which evaluations were invalid.
    `setting`: filter, polarity and delays; its levels are not used.
    `followed`: what the reference did, for the record.
    `compiled`: whether the compiled comparator took part.
    """
    size = clock.count
    filtered = consecutive_filter(light, invalid, setting.consecutive, size)
    undelayed = filtered if setting.light_on else filtered.inverted()
    return Output(setting, clock, undelayed, delayed(undelayed, setting, clock), invalid, followed, compiled)


def _unskipped(
    recording: Recording, chunks: Sequence[Chunk], clock: Clock, comparator: Comparator | TwoThresholds
) -> Iterator[Block]:
    """Read only the chunks in which, by their stored extremes, the state can change.

    Consecutive chunks that cannot be skipped in either state are read as one: the next ones are decoded meanwhile.
    """
    size = DECODED if clock.every_sample else BLOCK_SAMPLES
    k = 0
    while k < len(chunks):
        chunk, k = chunks[k], k + 1
        if comparator.can_skip(chunk.low, chunk.high):
            # Evaluations that read a sample of this chunk: none is counted in two chunks, whatever the rate.
            comparator.skip(clock.first_at_or_after(chunk.stop) - clock.first_at_or_after(chunk.start))
            continue
        while k < len(chunks) and comparator.must_read(chunks[k].low, chunks[k].high):
            k += 1
        yield from recording.blocks(chunk.start, chunks[k - 1].stop, size)
