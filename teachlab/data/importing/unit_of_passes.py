"""Whether the positions of a table of passes count what they are read as: samples, seconds, ms or times."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from teachlab.data.alignment.measure import measure_alignment
from teachlab.data.alignment.whole_periods import NEARLY_AS_WELL
from teachlab.data.border_doubt import BorderDoubt
from teachlab.data.importing.interval_table import CountedIn
from teachlab.errors import InputError, TruthError
from teachlab.model.recording import Recording
from teachlab.model.truth import Truth

ReadTable = tuple[Truth, BorderDoubt | None, list[str]]
Read = Callable[[CountedIn], ReadTable]
NUMBERS = (CountedIn.SAMPLES, CountedIn.SECONDS, CountedIn.MILLISECONDS, CountedIn.TIME)
APART = 0.02
"""Share of the recording by which the last end of two readings differs, at least, if they are two."""


@dataclass(frozen=True, slots=True)
class CountedPasses:
    """Passes of a table whose numbers are read in one unit.

    `follows`: whether their borders follow the light; None if that was not measured.
    `fully`: whether nearly all of them meet an edge where they are.
    """

    counted: CountedIn
    truth: Truth
    samples: int
    follows: bool | None = None
    fully: bool = False

    @property
    def share(self) -> float:
        """Where the last pass ends, as a share of the recording."""
        return float(self.truth.end[-1]) / self.samples

    @property
    def sentence(self) -> str:
        """Where the passes lie, for people."""
        on = "" if self.follows is None else f", and {'follow' if self.follows else 'do not follow'} the light"
        return f"as {self.counted} they end at {100 * self.share:.0f} % of the recording{on}"


def other_readings(read: Read, counted: CountedIn, samples: int) -> list[CountedPasses]:
    """Return the passes in every other unit in which all of them lie inside the recording."""
    found = []
    for other in NUMBERS if counted in NUMBERS else ():
        if other is counted:
            continue
        try:
            truth, *_ = read(other)
            truth.check_inside(samples)
        except InputError:
            continue
        if truth.passes:
            found.append(CountedPasses(other, truth, samples))
    return found


def inside(read: Read, counted: CountedIn, samples: int, where: str) -> ReadTable:
    """Read passes that must lie inside a recording of so many samples.

    Raises TruthError with the units in which they do, if they do not as they are counted.
    """
    try:
        found = read(counted)
        try:
            found[0].check_inside(samples)
        except TruthError as fault:
            raise TruthError(f"{where}: {fault}") from None
    except TruthError as fault:
        others = other_readings(read, counted, samples)
        units = "; ".join(one.sentence for one in others)
        options = " or ".join(f"--passes-in {one.counted}" for one in others)
        raise TruthError(f"{fault} Are the positions in another unit? {units[:1].upper()}{units[1:]}: {options}."
                         if others else str(fault)) from None  # fmt: skip
    return found


def doubt_of_unit(
    recording: Recording,
    passes: CountedPasses,
    others: Sequence[CountedPasses],
    where: str,
    *,
    stated: bool,
    borders: bool,
) -> str:
    """Return what makes the unit of a table doubtful, for people; empty if nothing does.

    `stated`: whether the unit was stated; then it is doubted, and not asked about.
    `borders`: whether the table has borders, so that the light can tell.
    Raises TruthError if the unit was not stated, and the light follows the passes in another one.
    """
    if not passes.truth.passes:
        return ""
    others = [one for one in others if abs(one.share - passes.share) >= APART]
    if not others:
        return ""

    def measured(one: CountedPasses) -> CountedPasses:
        if not borders:
            return one
        found = measure_alignment(recording, one.truth)
        if found is None or not found.belongs:
            return replace(one, follows=False)
        met = next(fit.met for fit in found.fits if fit.passes == 0)
        return replace(one, follows=True, fully=met >= NEARLY_AS_WELL)

    own = measured(passes)
    if own.fully or (own.follows and all(one.share < own.share for one in others)):
        return ""
    others = list(map(measured, others))
    better = [one for one in others if one.follows and (not own.follows or one.share > own.share)]
    if not better and not own.follows:
        better = [one for one in others if one.share > own.share]
    if not better:
        return ""
    told = f"{where}: {own.sentence}; {'; '.join(one.sentence for one in better)}."
    options = " or ".join(f"--passes-in {one.counted}" for one in (*better, *(() if stated else (own,))))
    if stated or not any(one.follows for one in better):
        return f"{told} If that is the unit of its positions: {options}."
    raise TruthError(f"{told} Say in which unit its positions are: {options}.")
