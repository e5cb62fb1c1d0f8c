"""Count a surface: exactly where theory allows it, otherwise by replay on a grid."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import reduce
from operator import add

import numpy as np

from teachlab.errors import ParameterError, SettingError
from teachlab.light.noise import LightMemory, need_for_light
from teachlab.model.recording import Recording
from teachlab.model.score import USUAL_RULES, Rules
from teachlab.model.setting import Setting
from teachlab.model.truth import Truth
from teachlab.questions.surface.all_pairs.finishing import assembled, tables
from teachlab.questions.surface.all_pairs.reading import Progress, read_spans
from teachlab.questions.surface.all_pairs.tallies import Tallies
from teachlab.questions.surface.given_settings.chain import count_chain
from teachlab.questions.surface.values.levels import FirstReading, Levels, checked, read_first, stated_levels
from teachlab.questions.surface.values.spans import Spans
from teachlab.questions.surface.values.table import TABLES, Surface

_HELD, _HELD_WITH_DELAYS = LightMemory(15.0, 200.0, whole=15_000_000, edges=False), LightMemory(25.0, 500.0)
"""By the crossings of the middle of the light; measured on clean light and on noise. Without delays a longer recording
takes no more: the command 448 MiB at a hundred million, 496 at ten of noise."""
ZERO_HYSTERESIS = (
    "zero hysteresis only: every threshold counted exactly by running extremes; with hysteresis the delays leave no "
    "shortcut, so other pairs need a replay each"
)
EXACT = "every pair counted exactly from turning points, in one reading"


def surface(
    recording: Recording,
    truth: Truth,
    base: Setting,
    *,
    levels: Levels | None = None,
    rules: Rules = USUAL_RULES,
    fast: bool | None = None,
    reading: FirstReading | None = None,
    progress: Progress | None = None,
) -> Surface:
    """Count the result of every pair of levels on one recording.

    `base`: polarity, filter, delays and evaluation rate; its levels are not used.
    `levels` (shape (n,), recording units): default: all distinct levels up to 1,100, otherwise 1,000 spread evenly.
    `fast`: whether to use the compiled engine of the extra ``fast``; default: for long recordings, if it is installed.
    The counts are the same.
    `reading`: of the recording at the evaluation rate of the base, if it was read already.
    Returned: without delays and with ``consecutive`` 1: every pair. With them: zero hysteresis only, exact at every
    level (with or without given `levels`); for pairs with hysteresis use `replayed_surface`.
    Raises SettingError, RecordingError, TruthError or ParameterError as in replay and scoring; also if there are
    too many levels or one is not finite.

    Notes
    -----
    ``SURFACE.md`` beside this file proves that it is exact.
    """
    return surface_of(
        [(recording, truth)], base, levels=levels, rules=rules, fast=fast,
        reading=reading, progress=progress,
    )  # fmt: skip


def surface_of(
    recordings: Sequence[tuple[Recording, Truth]],
    base: Setting,
    *,
    levels: Levels | None = None,
    rules: Rules = USUAL_RULES,
    fast: bool | None = None,
    reading: FirstReading | None = None,
    progress: Progress | None = None,
) -> Surface:
    """Count several recordings at common levels and add the counts; parameters as in `surface`.

    A `reading` is that of the only recording.
    """
    if not recordings:
        raise ParameterError("a surface needs at least one recording.")
    for recording, _ in recordings:
        if recording.info.unit != base.unit:
            raise SettingError(
                f"the setting is in '{base.unit}' but {recording.name} is in '{recording.info.unit}': levels of "
                "one mean nothing in the other. Use recordings and a base setting in one unit."
            )
        need_for_light(recording, "a surface", _HELD_WITH_DELAYS if base.has_memory else _HELD)
    readings = [
        reading or read_first(recording, base.evaluation_rate_hz, inner_range=levels is None)
        for recording, _ in recordings
    ]
    stated, distinct = stated_levels(readings)
    if levels is not None:
        given = checked(levels)
        distinct = distinct and bool(np.isin(stated, given).all())
        stated = given
    each = (
        _counted(recording, truth, base, reading, stated, rules, fast, part_of(progress, k, len(recordings)))
        for k, ((recording, truth), reading) in enumerate(zip(recordings, readings, strict=True))
    )
    return replace(reduce(add, each), distinct=distinct)


def part_of(progress: Progress | None, k: int, of: int) -> Progress | None:
    """Return the progress of the k-th of equal parts."""
    return None if progress is None else lambda share: progress((k + share) / of)


def _counted(
    recording: Recording,
    truth: Truth,
    base: Setting,
    reading: FirstReading,
    levels: Levels,
    rules: Rules,
    fast: bool | None,
    progress: Progress | None,
) -> Surface:
    if base.has_memory:
        return _zero_hysteresis(recording, truth, base, reading, levels, rules, progress)
    clock = reading.clock
    spans = Spans.of(truth, clock, reading.invalid, rules=rules)
    tallies = Tallies(levels.size, clock.count)
    dips = not base.light_on
    engine = read_spans(recording, levels, reading, spans, tallies, dips=dips, fast=fast, progress=progress)
    found = tables(tallies, spans, engine.sums, dips=dips)
    return assembled(levels, found, spans, clock, base, how=EXACT + engine.note)


def _zero_hysteresis(
    recording: Recording, truth: Truth, base: Setting, reading: FirstReading, levels: Levels, rules: Rules,
    progress: Progress | None,
) -> Surface:  # fmt: skip
    """Count every threshold of zero hysteresis under filter and delays at once, as a chain of settings."""
    found = count_chain(recording, truth, base, reading, levels, levels, rules=rules, progress=progress)
    places = np.arange(levels.size)
    # A table of touching passes only where there are some, as with all pairs.
    sums = {name: values for name, values in found.sums.items() if name in TABLES or values.any()}
    counted = {name: np.zeros((levels.size, levels.size), np.int64) for name in sums}
    for name, values in sums.items():
        counted[name][places, places] = values
    return assembled(levels, counted, found.spans, reading.clock, base, every_pair=False, how=ZERO_HYSTERESIS)
