"""What the sensor evaluates: blocks of a recording at the evaluation rate."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

import numpy as np

from teachlab.model.recording import Block
from teachlab.sensor.clock import Clock


def evaluated(blocks: Iterable[Block], clock: Clock) -> Iterator[Block]:
    """Turn blocks of samples into blocks of evaluations; `start` then counts evaluations."""
    for block in blocks:
        if clock.every_sample:
            yield block
            continue
        first = clock.first_at_or_after(block.start)
        stop = clock.first_at_or_after(block.stop)
        at = clock.sample_of(np.arange(first, stop)) - block.start
        yield Block(first, block.light[at], None if block.invalid is None else block.invalid[at])
