"""What the sensor sees: blocks of a recording at the evaluation rate."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

import numpy as np

from teachlab.errors import RecordingError
from teachlab.model.recording import Block, Recording
from teachlab.signal.evaluation import Clock


def evaluated(blocks: Iterable[Block], clock: Clock) -> Iterator[Block]:
    """Turn blocks of samples into blocks of evaluations; `start` then counts evaluations."""
    for block in blocks:
        if clock.every_sample:
            yield block
            continue
        first = clock.first_at_or_after(block.start)
        stop = clock.first_at_or_after(block.start + block.light.size)
        at = clock.sample_of(np.arange(first, stop)) - block.start
        yield Block(first, block.light[at], None if block.invalid is None else block.invalid[at])


def no_valid_sample(recording: Recording) -> RecordingError:
    """Return the error for a recording of which no evaluation reads a valid sample."""
    return RecordingError(
        f"{recording.name}: column 'light': no valid sample is evaluated: all {recording.samples} samples are "
        "null or NaN, or fall between evaluations. Log the line again, or check the column that was imported."
    )
