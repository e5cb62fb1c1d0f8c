"""What a shift changes: the room between passes and gaps, before and after it."""

from __future__ import annotations

from dataclasses import replace

from teachlab.data.alignment.answer import Alignment, Room
from teachlab.data.alignment.measure import AlignmentReading, measure_alignment
from teachlab.data.alignment.shift import shifted
from teachlab.data.quality.scan import QualityScan
from teachlab.data.quality.separability import separability
from teachlab.model.recording import Direction, Recording
from teachlab.model.score import USUAL_RULES, Rules
from teachlab.model.truth import Aligned, Truth


def alignment_of(
    recording: Recording, truth: Truth, rules: Rules = USUAL_RULES, reading: AlignmentReading | None = None
) -> Alignment | None:
    """Return how the truth lies against the light, with the room that a shift gives if the lag matters.

    Everything that scores calls this. If the truth agrees within its uncertainty, it takes less time than one reading.
    None if it cannot be measured.
    """
    found = measure_alignment(recording, truth, reading)
    return with_room(found, recording, truth, rules) if found is not None and found.matters and found.belongs else found


def with_room(alignment: Alignment, recording: Recording, truth: Truth, rules: Rules = USUAL_RULES) -> Alignment:
    """Return the alignment with the room, from one reading of the recording.

    `alignment`: alignment of this recording and truth.
    `rules`: their tolerance widens the windows, as in a score.
    """
    moved, _ = aligned_truth(alignment, truth)
    pair = [QualityScan(recording, one, rules) for one in (truth, moved)]
    for block in recording.blocks():
        for measured in pair:
            measured.push(block)
    before, after = (_room(*both, alignment.direction) for both in zip(pair, (truth, moved), strict=True))
    return replace(alignment, room=Room(before[0], after[0], recording.info.unit, before[1], after[1]))


def _room(measured: QualityScan, truth: Truth, direction: Direction) -> tuple[float | None, int]:
    found = separability(measured, truth, direction)
    if found is None:
        return None, 0
    sign = 1.0 if direction is Direction.RISE else -1.0
    return sign * (found.weakest_pass.peak - found.strongest_gap.peak), found.lost + found.tripped


def aligned_truth(alignment: Alignment, truth: Truth, *, whole_periods: int = 0) -> tuple[Truth, int]:
    """Return the truth moved to the light, with measured uncertainty, and the number of passes outside the recording.

    `alignment`: alignment of this truth.
    `whole_periods`: additional shift in passes, later than measured.

    Notes
    -----
    Earlier shifts are added in the metadata. With 50 or more borders the uncertainty is 2 · jitter plus the 10–90 %
    time of the light. With fewer it is at least the previous one: alignment must not make borders sharper than the
    light is.
    """
    by = alignment.shift
    if whole_periods:
        by = replace(by, shift=by.shift + whole_periods * (alignment.pitch or 0.0))
    moved, left = shifted(truth, by)
    before = truth.aligned
    note = Aligned(
        shift_ms=alignment.ms(by.shift) + (0.0 if before is None else before.shift_ms),
        clock_ppm=1e6 * by.rate + (0.0 if before is None else before.clock_ppm),
        borders=alignment.lags.borders,
        jitter_ms=alignment.ms(alignment.lags.jitter),
    )
    return replace(moved, uncertainty_samples=alignment.doubt_after, aligned=note), left
