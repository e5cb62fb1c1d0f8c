"""The certificate: which disturbances could be seen while teaching and while scoring, and what recurred."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, ClassVar

import numpy as np

from teachlab.errors import ParameterError
from teachlab.light.noise import LightMemory, need_for_light
from teachlab.model.arrays import Floats, Integers
from teachlab.model.draws import TEACH_SHARE
from teachlab.model.json_values import Document, picked
from teachlab.model.printable_text import number_of, time_text
from teachlab.model.recording import Recording
from teachlab.model.score import USUAL_RULES, Rules
from teachlab.model.setting import Setting
from teachlab.model.truth import Truth
from teachlab.model.verdict import Verdict, VerdictReason
from teachlab.questions.coverage.cycles import Cycle, Exposure, exposures, folded, revolutions_if_independent
from teachlab.questions.coverage.open_gaps import OpenGaps, Positions
from teachlab.questions.coverage.recurrence import Recurrence, search
from teachlab.scoring.by_lot import exposure

_HELD = LightMemory(6.0, 120.0)
"""By the crossings of the on-level: measured on clean light and on noise alone."""
BLOCKS = {"shown": "what the teaching was shown", "teach": "the teach block", "scored": "the scored block"}


@dataclass(frozen=True, slots=True, kw_only=True)
class CycleCoverage:
    """One cycle, and how often its feature was in an open gap of each block.

    `blocks`: shown, teach, scored, if they are known.
    `needed`: revolutions that would do, by the open share of each block, if products came independently of the cycle;
    infinite if no gap is open.
    `profiles`: borders of places of the cycle in s, and how often the places between them were seen.
    """

    cycle: Cycle
    blocks: Mapping[str, Exposure]
    needed: Mapping[str, float]
    profiles: Mapping[str, tuple[Floats, Integers]]

    def in_step(self, block: str) -> bool:
        """Return whether places stay unseen in more revolutions than would do: products come in step, or in bursts."""
        found = self.blocks[block]
        return found.sure < found.times and found.revolutions > self.needed[block]

    @property
    def longer(self) -> tuple[str, int] | None:
        """The blocks that have not seen the cycle often enough, and how many revolutions each must hold."""
        short = [block for block, found in self.blocks.items() if found.sure < found.times]
        needed = max((self.needed[block] for block in short), default=math.inf)
        if not math.isfinite(needed) or any(self.in_step(block) for block in short):
            return None
        *others, last = (BLOCKS[block] for block in short)
        return " and ".join(filter(None, (", ".join(others), last))), math.ceil(needed)

    @property
    def remedy(self) -> str:
        """How to see more of the cycle, if a block has not seen it often enough."""
        name = self.cycle.name
        short = {block: found for block, found in self.blocks.items() if found.sure < found.times}
        if any(not np.isfinite(self.needed[block]) for block in short):
            return f"Leave longer gaps between passes: none is open long enough for '{name}'."
        if any(self.in_step(block) for block in short):
            return f"Change the spacing of the products against '{name}', or record far longer; then run this again."
        blocks, most = self.longer or ("", 0)
        hold = "holds" if len(short) == 1 else "each hold"
        time = time_text(1000 * most * self.cycle.period_s)
        return f"Record until {blocks} {hold} {most} revolutions of '{name}' ({time}), then run this again."

    def as_dict(self) -> dict[str, Any]:
        """Return the plain JSON form."""
        return {
            **picked(self.cycle, "name", "period_s", "width_s"),
            "blocks": {
                name: found.as_dict() | {"revolutions_needed": self.needed[name], "enough": found.sure >= found.times}
                for name, found in self.blocks.items()
            },
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class Coverage(Document):
    """Certificate of one recording.

    `confidence`: of every interval.
    `names`: passes of every label and lot in the teach block and in the scored block.
    `hours`: passes of every hour of the day in both; empty if the start time of the recording is unknown.
    `trips_s` (mapping of str to ndarray of float64, s): when the setting tripped in an open gap, by block; empty
    without a setting.
    """

    ALSO: ClassVar[tuple[str, ...]] = ("verdict",)

    recording: str
    teach_share: float | None
    confidence: float
    line_speed_m_s: float | None
    cycles: tuple[CycleCoverage, ...]
    names: Mapping[str, tuple[int, int]]
    hours: Mapping[str, tuple[int, int]]
    found: tuple[Recurrence, ...]
    warnings: tuple[str, ...]
    trips_s: Mapping[str, Floats]

    @property
    def verdict(self) -> Verdict:
        """Whether every named cycle was seen often enough in every block, and what speaks against it."""
        short = [one for one in self.cycles if any(e.sure < e.times for e in one.blocks.values())]
        if short:
            decision, about = "not seen often enough", " and ".join(one.cycle.name for one in short)
        elif self.cycles:
            decision, about = "seen often enough", " and ".join(one.cycle.name for one in self.cycles)
        else:
            decision, about = "no cycle was named", "kinds, lots and periods only"
        return Verdict(
            decision=decision,
            about=about,
            reasons=tuple(VerdictReason(text=text) for text in self.warnings),
            next_step=" ".join(_remedies(short)),
        )

    def as_dict(self) -> dict[str, Any]:
        """Return the plain JSON form."""

        def both(counts: Mapping[str, tuple[int, int]]) -> dict[str, Any]:
            return {name: {"teach": taught, "scored": scored} for name, (taught, scored) in counts.items()}

        out = {"schema": 1, **Document.as_dict(self), "names": both(self.names), "hours": both(self.hours)}
        del out["trips_s"]
        return out


def coverage(
    recording: Recording,
    truth: Truth,
    cycles: Sequence[Cycle],
    *,
    setting: Setting | None = None,
    teach_share: float | None = TEACH_SHARE,
    rules: Rules = USUAL_RULES,
    times: int = 1,
    begins_h: float | None = None,
) -> Coverage:
    """Certify what the teach block and the scored block could show of named disturbances, and find unnamed ones.

    `setting`: its false trips are searched for a period. If it was taught on this recording, what its teaching was
    shown is certified too.
    `teach_share`: as for the split; None: everything is scored.
    `rules`: tolerance of the borders, confidence of every interval.
    `begins_h` (h): time of day at which the recording begins.
    Raises InputError if the pieces do not fit together.
    """
    if times < 1:
        raise ParameterError(f"a feature must be seen at least once, got {times}.")
    if begins_h is not None and not 0 <= begins_h < 24:
        raise ParameterError(f"the time of day lies between 0 and 24 h, got {begins_h:g} h.")
    if len({c.name for c in cycles}) < len(cycles):
        raise ParameterError("two cycles have one name; give every cycle its own.")
    level = None if setting is None else setting.on_level
    need_for_light(recording, "coverage", _HELD, level=level)
    seen = OpenGaps.at(recording, truth, setting, teach_share=teach_share, rules=rules)
    blocks = seen.blocks(setting)
    rate = seen.output.clock.rate_hz
    certified = []
    for cycle in cycles:
        found = {
            name: exposures(a / rate, b / rate, cycle, seconds=seconds, confidence=rules.confidence, times=times)
            for name, (a, b, seconds) in blocks.items()
        }
        needed = {
            name: revolutions_if_independent(min(1.0, e.open_share), rules.confidence, times=times)
            for name, e in found.items()
        }
        profiles = {name: folded(a / rate, b / rate, cycle) for name, (a, b, _) in blocks.items()}
        certified.append(CycleCoverage(cycle=cycle, blocks=found, needed=needed, profiles=profiles))
    names = _names(truth, seen)
    hours = {} if begins_h is None else _hours(truth, seen, recording, begins_h)
    searched = search(recording, truth, seen, setting, cycles, rules)
    return Coverage(
        recording=recording.name,
        teach_share=teach_share,
        confidence=rules.confidence,
        line_speed_m_s=recording.info.line_speed_m_s,
        cycles=tuple(certified),
        names=names,
        hours=hours,
        found=searched,
        warnings=(*_warnings(certified), *_name_warnings(names, seen.cut is not None), *_hour_warnings(hours, seen)),
        trips_s={} if setting is None else _trips(seen, blocks),
    )


def _trips(seen: OpenGaps, blocks: Mapping[str, tuple[Positions, Positions, float]]) -> dict[str, Floats]:
    onsets = seen.output.output.rises()
    out = {}
    for name, (start, stop, _) in blocks.items():
        order = np.argsort(start)
        k = np.searchsorted(start[order], onsets, side="right") - 1
        inside = (k >= 0) & (onsets < stop[order][k.clip(0)]) if start.size else np.zeros(onsets.size, bool)
        out[name] = onsets[inside] / seen.output.clock.rate_hz
    return out


def _names(truth: Truth, seen: OpenGaps) -> dict[str, tuple[int, int]]:
    first = 0 if seen.cut is None else seen.cut.first_scored
    return dict(exposure(truth, max(0, first - 1), seen.trials.from_pass(first)))


def _hours(truth: Truth, seen: OpenGaps, recording: Recording, begins_h: float) -> dict[str, tuple[int, int]]:
    hour = np.floor((begins_h + truth.start / recording.info.sample_rate_hz / 3600) % 24).astype(np.int64)
    # The hour takes the place of the label, so that passes are counted by it in the same way.
    named = replace(truth, label=np.array([f"{h:02d}" for h in hour], object), lot=None)
    counts = {name.removeprefix("label "): both for name, both in _names(named, seen).items()}
    return dict(sorted(counts.items()))


def _remedies(short: Sequence[CycleCoverage]) -> list[str]:
    """Return what to do about each cycle; of those that the same blocks must be longer for, only the longest."""
    needed: dict[str, float] = {}
    for one in short:
        if one.longer is not None:
            blocks, times = one.longer
            needed[blocks] = max(needed.get(blocks, 0.0), times * one.cycle.period_s)
    return [
        one.remedy for one in short if one.longer is None or one.longer[1] * one.cycle.period_s == needed[one.longer[0]]
    ]


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
                f"({time_text(1000 * one.cycle.period_s)}): a feature somewhere on it was in an open gap{often} with a "
                f"chance of {100 * found.seen_share:.3g} %"
            )
            if not np.isfinite(needed):
                text += "; no gap is open for long enough."
            elif one.in_step(block):
                text += (
                    f", though about {needed:.3g} revolutions do if products come independently of it: they come "
                    "nearly in step with it, or in bursts."
                )
            else:
                text += (
                    f"; if products come independently of it, about {needed:.3g} revolutions "
                    f"({time_text(1000 * needed * one.cycle.period_s)}) show {100 * found.confidence:g} % of its "
                    "places."
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
        out.append(
            f"The teach block holds {few} of {number_of(len(lots), 'lot')}: what differs between lots was not taught."
        )
    return out


def _runs(hours: list[int]) -> str:
    """Return ascending hours, those in a row by the first and the last of them.

    Examples
    --------
    >>> _runs([0, 1, 2, 5, 7, 8])
    '00 to 02, 05, 07 to 08'
    """
    first = [h for h in hours if h - 1 not in hours]
    last = [h for h in hours if h + 1 not in hours]
    return ", ".join(f"{a:02d}" if a == b else f"{a:02d} to {b:02d}" for a, b in zip(first, last, strict=True))


def _hour_warnings(hours: Mapping[str, tuple[int, int]], seen: OpenGaps) -> list[str]:
    if not hours:
        return []
    out = []
    absent = [h for h in range(24) if f"{h:02d}" not in hours]
    if absent:
        out.append(f"Hours of the day without a pass: {_runs(absent)}.")
    if seen.cut is not None and (late := [h for h, (t, s) in hours.items() if s and not t]):
        out.append(f"Hours of the day that are scored but were not in the teach block: {', '.join(late)}.")
    return out
