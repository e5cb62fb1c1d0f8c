"""The certificate: which nuisances were there to be seen while teaching and while scoring, and what came back."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from teachlab.data.split import Split, split
from teachlab.errors import Abstained, ParameterError
from teachlab.explore.cycles import Cycle, Exposure, exposures, revolutions_needed
from teachlab.explore.periodicity import Periodicity, dominant_period
from teachlab.model.recording import Direction, Recording
from teachlab.model.score import Outcome, Trials
from teachlab.model.setting import Polarity, Setting
from teachlab.model.truth import Truth
from teachlab.replay import replay
from teachlab.score import score
from teachlab.score.lots import exposure
from teachlab.signal.extremes import Extremes
from teachlab.signal.output import Output
from teachlab.signal.windows import Windows, border_evaluations
from teachlab.teach import TeachBlock

Positions = NDArray[np.int64]
IN_STEP = 3.0
"""With so many times the revolutions needed, a place never seen is no bad luck."""
BLOCKS = {"shown": "what the teaching was shown", "teach": "the teach block", "scored": "the scored block"}


@dataclass(frozen=True, slots=True, kw_only=True)
class CycleCoverage:
    """One cycle, and how often its feature was in an open gap of each block.

    Parameters
    ----------
    cycle : Cycle
    blocks : mapping of str to Exposure
        shown, teach, scored, as far as they are known.
    needed : mapping of str to float
        Revolutions that would do, by the open share of each block; infinite where none is open.
    """

    cycle: Cycle
    blocks: Mapping[str, Exposure]
    needed: Mapping[str, float]

    def as_dict(self) -> dict[str, Any]:
        """Return the plain JSON form."""
        return {
            "name": self.cycle.name,
            "period_s": self.cycle.period_s,
            "width_s": self.cycle.width_s,
            "blocks": {
                name: found.as_dict() | {"revolutions_needed": self.needed[name], "enough": found.sure >= found.times}
                for name, found in self.blocks.items()
            },
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """What was looked for a period, and what came out.

    Parameters
    ----------
    what : str
        False trips, or peaks of the gaps.
    period : Periodicity or None
    refused : str
        Why there is none, else empty.
    sentence : str
    """

    what: str
    period: Periodicity | None
    refused: str
    sentence: str

    def as_dict(self) -> dict[str, Any]:
        """Return the plain JSON form."""
        return {
            "what": self.what,
            "period": None if self.period is None else self.period.as_dict(),
            "refused": self.refused or None,
            "sentence": self.sentence,
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class Coverage:
    """Certificate of one recording.

    Parameters
    ----------
    cycles : tuple of CycleCoverage
    names : mapping of str to (int, int)
        Passes of every label and lot in the teach block and in the scored block.
    hours : mapping of str to (int, int)
        Passes of every hour of the day in both; empty where it is not known when the recording began.
    found : tuple of Found
    warnings : tuple of str
    """

    cycles: tuple[CycleCoverage, ...]
    names: Mapping[str, tuple[int, int]]
    hours: Mapping[str, tuple[int, int]]
    found: tuple[Found, ...]
    warnings: tuple[str, ...]

    def as_dict(self) -> dict[str, Any]:
        """Return the plain JSON form."""

        def both(counts: Mapping[str, tuple[int, int]]) -> dict[str, Any]:
            return {name: {"teach": taught, "scored": scored} for name, (taught, scored) in counts.items()}

        return {
            "cycles": [c.as_dict() for c in self.cycles],
            "names": both(self.names),
            "hours": both(self.hours),
            "found": [f.as_dict() for f in self.found],
            "warnings": list(self.warnings),
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class Looked:
    """Open gaps of a recording in evaluations, and where its blocks lie.

    Parameters
    ----------
    output : Output
    start, stop, after : ndarray of int64, shape (gaps,)
        Gaps that are trials, and the pass before each.
    trials : Trials
        Of the whole recording.
    cut : Split or None
    first_window : int, evaluations
        Where the scored block begins.
    """

    output: Output
    start: Positions
    stop: Positions
    after: Positions
    trials: Trials
    cut: Split | None
    first_window: int

    @classmethod
    def at(
        cls,
        recording: Recording,
        truth: Truth,
        setting: Setting | None,
        *,
        teach_share: float | None,
        tolerance_ms: float,
    ) -> Looked:
        """Replay, to know which gaps are trials and where the output switched."""
        used = setting or Setting(unit=recording.info.unit, on_level=0.0, off_level=0.0)
        cut = None if teach_share is None else split(truth, recording.samples, teach_share=teach_share)
        output = replay(recording, used)
        trials = score(output, truth, tolerance_ms=tolerance_ms, tables=False).trials
        border = border_evaluations(truth, output.clock, tolerance_ms)
        windows = Windows.of(truth, output.clock, border=border, lag=output.lag)
        fine = trials.gaps != Outcome.EXCLUDED
        first = 0 if cut is None else int(windows.start[cut.first_scored :].min())
        return cls(
            output=output,
            start=windows.gap_start[fine],
            stop=windows.gap_stop[fine],
            after=windows.gap_after[fine],
            trials=trials,
            cut=cut,
            first_window=first,
        )

    def blocks(self, setting: Setting | None) -> dict[str, tuple[Positions, Positions, float]]:
        """Return gaps and length in s of what the teaching was shown, of the teach block, of the scored block."""
        out: dict[str, tuple[Positions, Positions, float]] = {}
        clock = self.output.clock
        if setting is not None and (shown := _shown(setting, self)) is not None:
            out["shown"] = shown
        first = 0
        if self.cut is not None:
            end, first = clock.first_at_or_after(self.cut.teach_end), self.cut.first_scored
            early = self.start < end
            out["teach"] = self.start[early], self.stop[early].clip(max=end), end / clock.rate_hz
        later = self.after >= first if first else np.ones(self.after.size, bool)
        out["scored"] = self.start[later], self.stop[later], (clock.count - self.first_window) / clock.rate_hz
        return out


def coverage(
    recording: Recording,
    truth: Truth,
    cycles: Sequence[Cycle],
    *,
    setting: Setting | None = None,
    teach_share: float | None = 0.3,
    tolerance_ms: float = 0.0,
    confidence: float = 0.95,
    times: int = 1,
    begins_h: float | None = None,
) -> Coverage:
    """Certify what the teach block and the scored block could show of every nuisance named, and find unnamed ones.

    Parameters
    ----------
    recording : Recording
    truth : Truth
    cycles : sequence of Cycle
    setting : Setting, optional
        Its false trips are searched for a period, and what its teaching was shown is certified too: if it was
        taught on this recording.
    teach_share : float or None
        As for the split; None: everything is scored.
    tolerance_ms : float, ms
    confidence : float
        With which a feature at an unknown place of a cycle shall have been seen.
    times : int
        How often.
    begins_h : float, h, optional
        Time of day at which the recording begins.

    Raises
    ------
    InputError
        If the pieces do not fit together.
    """
    if times < 1:
        raise ParameterError(f"a feature shall be seen at least once, got {times}.")
    if begins_h is not None and not 0 <= begins_h < 24:
        raise ParameterError(f"the time of day lies between 0 and 24 h, got {begins_h:g} h.")
    if len({c.name for c in cycles}) < len(cycles):
        raise ParameterError("two cycles have one name; give every cycle its own.")
    seen = Looked.at(recording, truth, setting, teach_share=teach_share, tolerance_ms=tolerance_ms)
    blocks = seen.blocks(setting)
    rate = seen.output.clock.rate_hz
    certified = []
    for cycle in cycles:
        found = {
            name: exposures(a / rate, b / rate, cycle, seconds=seconds, confidence=confidence, times=times)
            for name, (a, b, seconds) in blocks.items()
        }
        needed = {
            name: revolutions_needed(min(1.0, e.open_share), confidence, times=times) for name, e in found.items()
        }
        certified.append(CycleCoverage(cycle=cycle, blocks=found, needed=needed))
    names = _names(truth, seen)
    hours = {} if begins_h is None else _hours(truth, seen, recording, begins_h)
    searched = _search(recording, truth, seen, setting, cycles, tolerance_ms)
    return Coverage(
        cycles=tuple(certified),
        names=names,
        hours=hours,
        found=searched,
        warnings=(*_warnings(certified), *_name_warnings(names, seen.cut is not None), *_hour_warnings(hours, seen)),
    )


def _shown(setting: Setting, seen: Looked) -> tuple[Positions, Positions, float] | None:
    """Return the open gaps within what a setting says it was shown, in evaluations."""
    drawn = {} if setting.taught is None else setting.taught.evidence.get("drawn", {})
    clock = seen.output.clock
    spans = []
    for name in ("background", "background_stretch", "sweep", "events"):
        part = drawn.get(name) if isinstance(drawn, Mapping) else None
        if not isinstance(part, Mapping) or not {"at_sample", "evaluations"} <= set(part):
            continue
        a, size = clock.first_at_or_after(int(part["at_sample"])), int(part["evaluations"])
        b = a + size
        if name == "background_stretch":
            # Gap after gap until so many evaluations of them were taken.
            held = np.cumsum((seen.stop - seen.start.clip(min=a)).clip(min=0))
            last = int(np.searchsorted(held, size))
            b = int(seen.stop[last] - (held[last] - size)) if last < held.size else clock.count
        spans.append((a, min(b, clock.count)))
    if not spans:
        return None
    starts, stops, seconds, reached = [], [], 0, 0
    for a, b in sorted(spans):
        low = max(a, reached)
        if b > low:
            inside = (seen.stop > low) & (seen.start < b)
            starts.append(seen.start[inside].clip(min=low))
            stops.append(seen.stop[inside].clip(max=b))
            seconds, reached = seconds + b - low, b
    return np.concatenate(starts), np.concatenate(stops), seconds / clock.rate_hz


def _names(truth: Truth, seen: Looked) -> dict[str, tuple[int, int]]:
    first = 0 if seen.cut is None else seen.cut.first_scored
    trials = replace(seen.trials, passes=seen.trials.passes[first:], first_pass=first)
    return dict(exposure(truth, 0, max(0, first - 1), trials))


def _hours(truth: Truth, seen: Looked, recording: Recording, begins_h: float) -> dict[str, tuple[int, int]]:
    hour = np.floor((begins_h + truth.start / recording.info.sample_rate_hz / 3600) % 24).astype(np.int64)
    named = replace(truth, label=np.array([f"{h:02d}" for h in hour], object), lot=None)
    counts = {name.removeprefix("label "): both for name, both in _names(named, seen).items()}
    return dict(sorted(counts.items()))


def _search(
    recording: Recording,
    truth: Truth,
    seen: Looked,
    setting: Setting | None,
    cycles: Sequence[Cycle],
    tolerance_ms: float,
) -> tuple[Found, ...]:
    """Look for a period in the false trips and in the peaks of the gaps."""
    clock = seen.output.clock
    if seen.start.size == 0:
        return ()
    # A long gap is looked at in pieces as long as the usual gap.
    usual = max(1, int(np.median(seen.stop - seen.start)))
    pieces = -(-(seen.stop - seen.start) // usual)
    row = np.repeat(np.arange(pieces.size), pieces)
    k = np.arange(row.size) - np.repeat(np.cumsum(pieces) - pieces, pieces)
    length = seen.stop - seen.start
    start = seen.start[row] + k * length[row] // pieces[row]
    stop = seen.start[row] + (k + 1) * length[row] // pieces[row]
    middle = (start + stop) / 2 / clock.rate_hz
    shortest = 2 * float(np.median(np.diff(middle))) if middle.size > 1 else 1.0
    speed = recording.info.line_speed_m_s
    out = []
    if setting is not None:
        onsets = seen.output.output.rises()
        first = np.searchsorted(onsets, start)
        trips = np.searchsorted(onsets, stop) - first
        at = middle.copy()
        some = trips > 0
        at[some] = onsets[first[some]] / clock.rate_hz
        out.append(_found("false trips", at, trips.astype(np.float64), shortest, cycles, speed))
    try:
        up = _up(recording, truth, setting, tolerance_ms)
    except Abstained as refusal:
        return (*out, Found(what="peaks of the gaps", period=None, refused=str(refusal), sentence=""))
    extremes = Extremes(clock.sample_of(start), clock.sample_of(stop - 1) + 1)
    for block in recording.blocks():
        extremes.push(block.start, block.light, block.invalid_mask())
    peak = extremes.high if up else -extremes.low
    known = ~np.isnan(peak)
    return (*out, _found("peaks of the gaps", middle[known], peak[known], shortest, cycles, speed))


def _up(recording: Recording, truth: Truth, setting: Setting | None, tolerance_ms: float) -> bool:
    if setting is not None:
        return setting.polarity is Polarity.LIGHT_ON
    return TeachBlock(recording, truth, tolerance_ms=tolerance_ms).direction is Direction.RISE


def _found(
    what: str,
    times: NDArray[np.float64],
    values: NDArray[np.float64],
    shortest: float,
    cycles: Sequence[Cycle],
    speed: float | None,
) -> Found:
    if what == "false trips" and not values.any():
        return Found(what=what, period=None, refused="there were none", sentence="False trips: there were none.")
    try:
        period = dominant_period(times, values, shortest_s=shortest)
    except Abstained as refusal:
        return Found(what=what, period=None, refused=str(refusal), sentence=f"{what.capitalize()}: {refusal.reason}.")
    length = ""
    if speed is not None:
        length = f", {_rounded(1000 * period.period_s * speed, 1000 * period.uncertainty_s * speed)} mm of the line"
    if not period.significant:
        sentence = (
            f"{what.capitalize()}: no period between {period.shortest_s:.3g} and {period.longest_s:.3g} s stands out "
            f"(strongest: {period.period_s:.3g} s, p = {period.p:.2g})."
        )
        return Found(what=what, period=period, refused="", sentence=sentence)
    name = next(
        (
            c.name
            for c in cycles
            if abs(c.period_s - period.period_s) <= max(3 * period.uncertainty_s, c.period_s / 100)
        ),
        None,
    )
    known = "" if name is None else f" It is the cycle '{name}'."
    come = "come once per" if what == "false trips" else "vary with a period of"
    sentence = (
        f"{what.capitalize()} {come} {_rounded(period.period_s, period.uncertainty_s)} s{length} "
        f"(± {period.uncertainty_s:.2g} s; p = {period.p:.2g}; {period.cycles:.3g} cycles).{known}"
    )
    return Found(what=what, period=period, refused="", sentence=sentence)


def _rounded(value: float, uncertainty: float) -> str:
    """Return a value with the digits that its uncertainty leaves."""
    digits = -math.floor(math.log10(uncertainty))
    return f"{round(value, digits):.{max(0, digits)}f}"


def _time(seconds: float) -> str:
    for size, unit in ((3600, "h"), (60, "min")):
        if seconds >= 2 * size:
            return f"{seconds / size:.3g} {unit}"
    return f"{seconds:.3g} s"


def _warnings(certified: Sequence[CycleCoverage]) -> list[str]:
    out = []
    for one in certified:
        for block, found in one.blocks.items():
            if found.sure >= found.times:
                continue
            needed, name = one.needed[block], one.cycle.name
            often = "" if found.times == 1 else f" at least {found.times} times"
            text = (
                f"{BLOCKS[block].capitalize()} holds {found.revolutions:.3g} revolutions of '{name}' "
                f"({_time(one.cycle.period_s)}): a feature somewhere on it was in an open gap{often} with a chance of "
                f"{100 * found.seen_share:.3g} %"
            )
            if not np.isfinite(needed):
                text += "; no gap is open for long enough."
            elif found.revolutions > IN_STEP * needed:
                text += "; it runs in step with the passes, so recording longer does not help."
            else:
                text += (
                    f"; {100 * found.confidence:g} % need about {needed:.3g} revolutions "
                    f"({_time(needed * one.cycle.period_s)})."
                )
            out.append(text)
    return out


def _name_warnings(names: Mapping[str, tuple[int, int]], divided: bool) -> list[str]:
    if not divided:
        return []
    out = []
    for name, (taught, scored) in names.items():
        kind = name.removeprefix("label ")
        if kind != name and scored and not taught:
            out.append(f"Kind '{kind}' is scored but was not in the teach block.")
        elif kind != name and taught and not scored:
            out.append(f"Kind '{kind}' was in the teach block but is not scored: nothing is shown about it.")
    lots = [both for name, both in names.items() if name.startswith("lot ")]
    if len(lots) > 1 and (few := sum(t > 0 for t, _ in lots)) < 2:
        out.append(f"The teach block holds {few} of {len(lots)} lots: what differs between lots was not taught.")
    return out


def _hour_warnings(hours: Mapping[str, tuple[int, int]], seen: Looked) -> list[str]:
    if not hours:
        return []
    out = []
    absent = [f"{h:02d}" for h in range(24) if f"{h:02d}" not in hours]
    if absent:
        out.append(f"Hours of the day without a pass: {', '.join(absent)}.")
    if seen.cut is not None and (late := [h for h, (t, s) in hours.items() if s and not t]):
        out.append(f"Hours of the day that are scored but were not in the teach block: {', '.join(late)}.")
    return out
