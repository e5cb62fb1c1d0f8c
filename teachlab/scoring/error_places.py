"""Where errors lie: in one gap, one stretch of the recording, one lot, one kind of object, or everywhere."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from teachlab.model.arrays import Flags, Integers
from teachlab.model.printable_text import Recorded, moment, printable
from teachlab.model.score import Outcome, Trials
from teachlab.model.truth import Truth

FEWEST = 3
"""With fewer errors than this, no place is named."""
ONE_GAP = 2 / 3
"""If one gap holds this share of the trips, it is their place."""
MOST_OF_THEM = 0.8
SHORT_STRETCH = 0.2
"""A stretch of at most this share of the passes that holds most errors is named as their place."""
LONG_STRETCH = 0.6
"""The same for a stretch in which nearly every pass is wrong: something changed from there on."""
SMALL_GROUP = 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class ErrorPlace:
    """Where most of one kind of error lie.

    `what`: losses, trips, or passes counted more than once.
    `where`: gap, stretch, lot or label.
    `count`, `of`: number of errors that lie there, and number of all errors of this kind.
    `name`: name of the lot or label; for a stretch, the name of its lot if it lies within a single one.
    `first_pass`, `last_pass`: rows of the truth. For a gap: the pass before it, −1 at the start of the record.
    `first_sample`: latest possible place of the first error; for a gap, its start.
    """

    what: str
    where: str
    count: int
    of: int
    name: str
    first_pass: int
    last_pass: int
    first_sample: int

    def sentence(self, recording: Recorded) -> str:
        """Say where in the recording most errors of one kind lie."""
        many = f"{self.count} of {self.of} {self.what}" if self.count < self.of else f"All {self.of} {self.what}"
        when = moment(self.first_sample, recording)
        if self.where == "gap":
            after = f"after pass {self.first_pass}" if self.first_pass >= 0 else "before the first pass"
            return f"{many} lie in one gap, {after}, from {when} on."
        if self.where == "stretch":
            one = self.first_pass == self.last_pass
            passes = f"pass {self.first_pass}" if one else f"passes {self.first_pass} to {self.last_pass}"
            lot = f" of lot '{printable(self.name, most=24)}'" if self.name else ""
            return f"{many} lie in one stretch, {passes}{lot}, from {when} on."
        of = "lot" if self.where == "lot" else "kind"
        return f"{many} are of the {of} '{self.name}'; the first at {when}, pass {self.first_pass}."


def error_places(truth: Truth, trials: Trials) -> list[ErrorPlace]:
    """Return where losses, trips and repeated counts lie, the largest cause first; empty if errors lie everywhere."""
    scored = trials.passes != Outcome.EXCLUDED
    lost = trials.lost.astype(np.int64)
    again = np.where(trials.passes == Outcome.HIT, trials.pass_onsets - 1, 0)
    gap_trips = np.where(trials.gaps != Outcome.EXCLUDED, trials.gap_onsets, 0)
    # Trips count with the pass before their gap; those before the first scored pass count with that one.
    at = (trials.gap_after - trials.first_pass).clip(0)
    trips = np.bincount(at, gap_trips, minlength=lost.size).astype(np.int64)[: lost.size] if lost.size else lost
    found = [
        _one_gap(truth, trials, gap_trips) or _place(truth, trials, "trips", trips, scored),
        _place(truth, trials, "losses", lost, scored),
        _place(truth, trials, "further switchings within a pass", again, scored),
    ]
    return sorted((place for place in found if place is not None), key=lambda place: -place.count)


def _one_gap(truth: Truth, trials: Trials, trips: Integers) -> ErrorPlace | None:
    total = int(trips.sum())
    if total < FEWEST:
        return None
    k = int(np.argmax(trips))
    if trips[k] < ONE_GAP * total:
        return None
    after = int(trials.gap_after[k])
    return ErrorPlace(
        what="trips",
        where="gap",
        count=int(trips[k]),
        of=total,
        name="",
        first_pass=after,
        last_pass=after,
        first_sample=int(truth.end[after]) if after >= 0 else 0,
    )


def _place(truth: Truth, trials: Trials, what: str, errors: Integers, scored: Flags) -> ErrorPlace | None:
    """Return the shortest stretch, or otherwise the smallest group, that holds most of the errors."""
    total = int(errors.sum())
    if total < FEWEST or not scored.any():
        return None
    first = trials.first_pass
    hit = np.flatnonzero(errors)
    begin, end = _shortest(hit, errors[hit], int(np.ceil(MOST_OF_THEM * total)))
    begin, end = _with_neighbours(hit, begin, end)
    held = int(errors[begin : end + 1].sum())
    where, name = "stretch", ""
    if truth.lot is not None and len(lots := set(truth.lot[first + begin : first + end + 1].tolist())) == 1:
        (name,) = lots
    trials_there, wrong_there = (int(np.count_nonzero(of[begin : end + 1])) for of in (scored, errors))
    longest = LONG_STRETCH if wrong_there >= MOST_OF_THEM * trials_there else SHORT_STRETCH
    if trials_there > longest * np.count_nonzero(scored):
        where, name, held = _group(truth, errors, scored, first)
        if not where:
            return None
        names = truth.lot if where == "lot" else truth.label
        hit = hit[names[first + hit] == name] if names is not None else hit
        begin, end = int(hit[0]), int(hit[-1])
    return ErrorPlace(
        what=what,
        where=where,
        count=held,
        of=total,
        name=name,
        first_pass=first + begin,
        last_pass=first + end,
        first_sample=int(truth.start[first + begin]),
    )


def _shortest(at: Integers, weight: Integers, wanted: int) -> tuple[int, int]:
    """Return the ends of the shortest run of places whose weights add up to the wanted sum."""
    sums = np.concatenate(([0], np.cumsum(weight)))
    # For each place, look up where the running sum has risen by the wanted sum: no sliding window is needed.
    last = np.searchsorted(sums, sums[:-1] + wanted)
    real = np.flatnonzero(last < sums.size)
    length = at[last[real] - 1] - at[real]
    k = int(real[np.argmin(length)])
    return int(at[k]), int(at[last[k] - 1])


def _with_neighbours(at: Integers, begin: int, end: int) -> tuple[int, int]:
    """Extend a run to errors beside it that are no farther away than the errors within it are from each other."""
    inside = at[(at >= begin) & (at <= end)]
    near = int(np.diff(inside).max(initial=1))
    for k in at[at > end].tolist():
        if k - end > near:
            break
        end = k
    for k in at[at < begin][::-1].tolist():
        if begin - k > near:
            break
        begin = k
    return begin, end


def _group(truth: Truth, errors: Integers, scored: Flags, first: int) -> tuple[str, str, int]:
    for where, names in (("lot", truth.lot), ("label", truth.label)):
        if names is None:
            continue
        known: dict[str, int] = {}
        code = np.array([known.setdefault(str(name), len(known)) for name in names[first:]], np.int64)
        held, of = np.bincount(code, errors), np.bincount(code, scored)
        k = int(np.argmax(held))
        name = list(known)[k]
        if name and held[k] >= MOST_OF_THEM * errors.sum() and of[k] <= SMALL_GROUP * scored.sum():
            return where, name, int(held[k])
    return "", "", 0
