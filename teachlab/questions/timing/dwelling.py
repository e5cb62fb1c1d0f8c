"""How long the objects of a recording hold the light, and the effect of filter and delays on each of them."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from teachlab.errors import ParameterError, TruthError
from teachlab.model.json_values import Document
from teachlab.model.printable_text import level_text, number_of
from teachlab.model.recording import Recording
from teachlab.model.score import Outcome
from teachlab.model.setting import Setting
from teachlab.model.truth import Truth
from teachlab.questions.timing.line import TimeBudget, edges_mm, in_words
from teachlab.scoring.scoring import score
from teachlab.sensor.clock import Clock, delay_evaluations
from teachlab.sensor.edges import Edges, RunCounter
from teachlab.switching.run import replay

Millis = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DwellSpans:
    """Dwell of every detect pass that is scored, and length of every gap between two passes.

    `dwell_ms`, `gap_ms`: gaps of light without a valid sample, and of stretches that the passes leave out, are not
    among them.
    `source`: how they were found.
    `touching`: pairs of passes that touch: they count as one product, and have no gap.
    `at_levels`: whether they were measured at the levels of a setting.
    `beyond`: share of the gap time, also before the first pass and after the last, in which the light is beyond the
    levels.
    """

    dwell_ms: Millis
    gap_ms: Millis
    source: str
    touching: int = 0
    at_levels: bool = False
    beyond: float = 0.0

    def separated(self) -> DwellSpans | None:
        """Return the passes that reach the levels and the gaps that leave them; None if there are none."""
        dwell, gap = self.dwell_ms[self.dwell_ms > 0], self.gap_ms[self.gap_ms > 0]
        if not dwell.size or (self.gap_ms.size and not gap.size):
            return None
        source = (
            f"{number_of(dwell.size, 'pass', 'passes')} and {number_of(gap.size, 'gap')} that the level separates, "
            f"of {self.source}"
        )
        return replace(self, dwell_ms=dwell, gap_ms=gap, source=source)


@dataclass(frozen=True, slots=True, kw_only=True)
class Predicted(Document):
    """How many passes are too short for filter and delays, and how many gaps are.

    `missed`, `merged`: expected numbers at a random phase; whole numbers if every sample is evaluated.
    `touching`: pairs of passes that touch and count as one product: not among the gaps.
    `unbroken`, `unlit`: gaps in which the light never falls back, and passes whose light is never beyond the level:
    counted among merged and missed, but not caused by filter or delays.
    `short_pulses`, `short_gaps`: pulses, and gaps between two pulses, in the output that are shorter than the
    controller needs.
    """

    missed: float
    merged: float
    passes: int
    gaps: int
    touching: int
    unbroken: int
    unlit: int
    short_pulses: int
    short_gaps: int


def _whole(whole: NDArray[np.bool_], truth: Truth) -> NDArray[np.bool_]:
    kept: NDArray[np.bool_] = whole & truth.detect
    if not kept.any():
        raise TruthError("timing needs at least one whole pass to be detected; log longer.")
    return kept


def _left_out(truth: Truth, start: Edges, stop: Edges) -> NDArray[np.bool_]:
    """Return which ranges of samples touch a stretch that the passes leave out."""
    out = np.zeros(start.size, bool)
    for first, last in truth.except_:
        out |= (start < last) & (stop > first)
    return out


def spans_of_truth(
    recording: Recording,
    truth: Truth,
    *,
    speed_mm_s: float | None = None,
    beam_mm: float = 0.0,
    on_share: float = 0.5,
    off_share: float | None = None,
) -> DwellSpans:
    """Return dwell and gap between the borders of the truth, at half height or at shares of the height.

    Raises TruthError without a complete detect pass.
    Raises ParameterError if a beam is given, but no speed is given or stored in the recording.
    """
    rate = recording.info.sample_rate_hz
    stored = recording.info.line_speed_m_s
    speed = speed_mm_s or (None if stored is None else 1000 * stored)
    cut = (truth.start == 0) | (truth.end == recording.samples)
    whole = _whole(~cut & ~_left_out(truth, truth.start, truth.end), truth)
    dwell = (truth.end - truth.start)[whole].astype(np.float64) * (1000 / rate)
    # A beam makes no gap between products that touch.
    touching = truth.touching[1:]
    apart = ~touching & ~_left_out(truth, truth.end[:-1], truth.start[1:])
    gap = (truth.start[1:] - truth.end[:-1])[apart].astype(np.float64) * (1000 / rate)
    edges_long = edges_mm(beam_mm, on_share, off_share)
    if beam_mm > 0:
        if speed is None:
            raise ParameterError("a beam radius needs the speed of the line: give --speed-mm-s.")
        edges = 1000 * edges_long / speed
        dwell, gap = (dwell - edges).clip(min=0), (gap + edges).clip(min=0)
    shares = {on_share, on_share if off_share is None else off_share}
    at = "half" if beam_mm == 0 else " and ".join(f"{100 * share:g} %" for share in sorted(shares, reverse=True))
    at += " height" if beam_mm == 0 else " of the height"
    return DwellSpans(
        dwell_ms=dwell,
        gap_ms=gap,
        source=f"{number_of(dwell.size, 'pass', 'passes')} and {number_of(gap.size, 'gap')} of the truth, at {at}",
        touching=int(np.count_nonzero(touching)),
    )


def spans_at_levels(recording: Recording, truth: Truth, setting: Setting) -> DwellSpans:
    """Return dwell and gap at the setting's own levels, measured in the samples of the light itself.

    For each pass the longest stretch in which the light is beyond the levels, and between two passes the longest in
    which it is not, without delays and evaluation rate. A filter that sees every sample bridges breaks and flashes that
    are shorter than itself, and an on-delay bridges flashes: they end no stretch. Light that does not fall between two
    passes gives a gap of 0, unless they touch.
    """
    clock = Clock.of(recording.samples, recording.info.sample_rate_hz, setting.evaluation_rate_hz)
    every = replace(setting.undelayed(), evaluation_rate_hz=None)
    output = replay(recording, replace(every, consecutive=1))
    samples, period = recording.samples, 1000 / recording.info.sample_rate_hz
    active, still = [output.undelayed.runs(samples)], [output.undelayed.inverted().runs(samples)]
    if (every.consecutive > 1 or setting.on_delay_ms > 0) and clock.count == samples:
        held = replay(recording, replace(every, on_delay_ms=setting.on_delay_ms))
        active.append(held.undelayed.runs(samples))
        still.append(held.undelayed.inverted().runs(samples))
        if not setting.switching.delays_swap_roles:
            starts, ends = held.output.inverted().runs(samples)
            still.append((starts, ends - delay_evaluations(setting.on_delay_ms, recording.info.sample_rate_hz)))
    scored = score(output, truth, tables=False)
    whole = _whole(scored.trials.passes != Outcome.EXCLUDED, truth)
    begin, stop = truth.end[:-1], truth.start[1:]
    step = recording.whole_step
    dwell = _longest(active, truth.start[whole], truth.end[whole])
    gap = _longest(still, begin, stop)
    unknown = RunCounter.of(output.void(), samples).within(begin, stop) > 0
    joined = truth.touching[1:] & (gap == 0)
    gap = gap[~joined & ~unknown & ~_left_out(truth, begin, stop)]
    return DwellSpans(
        dwell_ms=dwell.astype(np.float64) * period,
        gap_ms=gap.astype(np.float64) * period,
        source=f"{number_of(dwell.size, 'pass', 'passes')} and {number_of(gap.size, 'gap')} at on "
        f"{level_text(setting.on_level, step)}, off {level_text(setting.off_level, step)} {setting.unit}",
        touching=int(np.count_nonzero(joined)),
        at_levels=True,
        beyond=scored.false_active_share or 0.0,
    )


def _longest(seen: list[tuple[Edges, Edges]], begin: Edges, stop: Edges) -> Edges:
    """Return how long each stretch lasts in the light, or as filter and on-delay leave it, if that is longer.

    They bridge breaks between the runs of one stretch; beyond these runs, they have lost what follows.
    """
    (starts, ends), *later = seen
    out = _overlapping(starts, ends, begin, stop)
    for run in later:
        some = np.flatnonzero(out)
        first, last = np.searchsorted(ends, begin[some], side="right"), np.searchsorted(starts, stop[some]) - 1
        reach = ends[last] - starts[first].clip(min=0)
        out[some] = np.maximum(out[some], np.minimum(reach, _overlapping(*run, begin[some], stop[some])))
    return out


def _overlapping(starts: Edges, ends: Edges, begin: Edges, stop: Edges) -> Edges:
    """Return the length of the run that overlaps each stretch most, from the first sample on; 0 if none does."""
    out, starts = np.zeros(begin.size, np.int64), starts.clip(min=0)
    first = np.searchsorted(ends, begin, side="right")
    last = np.searchsorted(starts, stop, side="left")
    for k in np.flatnonzero(last > first).tolist():
        runs = slice(first[k], last[k])
        shared = np.minimum(ends[runs], stop[k]) - np.maximum(starts[runs], begin[k])
        best = first[k] + int(np.argmax(shared))
        out[k] = ends[best] - starts[best]
    return out


def line_of(
    recording: Recording,
    setting: Setting,
    spans: DwellSpans,
    *,
    scan_ms: float = 0.0,
    input_filter_ms: float = 0.0,
    speed_mm_s: float | None = None,
    speed_change: float = 0.0,
) -> TimeBudget:
    """Return the line with the shortest pass and shortest gap of a recording, under a setting's filter and delays."""
    rate, speed = recording.info.sample_rate_hz, recording.info.line_speed_m_s
    gaps = spans.gap_ms
    # Where no gap was measured none is blamed: it is taken as longer than anything that must fit into it.
    apart = 1000 * recording.samples / rate + setting.holds_on_ms + scan_ms + input_filter_ms
    return TimeBudget(
        dwell_ms=float(spans.dwell_ms.min()),
        gap_ms=float(gaps.min()) if gaps.size else apart,
        evaluation_rate_hz=setting.evaluation_rate_hz or rate,
        speed_mm_s=speed_mm_s or (None if speed is None else 1000 * speed),
        switching=setting.switching,
        scan_ms=scan_ms,
        input_filter_ms=input_filter_ms,
        speed_change=speed_change,
        source=f"the shortest of {spans.source} of {recording.name}",
    )


def predict(spans: DwellSpans, line: TimeBudget) -> Predicted:
    """Predict how many passes filter and delays alone miss and merge, for any level.

    Notes
    -----
    A pass is missed unless ``max(n, d_on + 1)`` evaluations in a row fall into its dwell. Two passes merge unless
    ``max(n, d_off − d_on + 1)`` fall into the gap between them; d is in evaluations, counted as in replay. At a random
    phase k evaluations fall into a time t with probability ``clip(t / T_e − k + 1, 0, 1)``. The controller needs ``scan
    + filter`` of ``dwell − on-delay + off-delay``, and of ``gap + on-delay − off-delay``.
    """
    need = line.controller_needs
    return Predicted(
        missed=sum(1 - line.seen(t) for t in spans.dwell_ms.tolist()),
        merged=sum(1 - line.resolved(t) for t in spans.gap_ms.tolist()),
        passes=int(spans.dwell_ms.size),
        gaps=int(spans.gap_ms.size),
        touching=spans.touching,
        unbroken=int(np.count_nonzero(spans.gap_ms == 0)),
        unlit=int(np.count_nonzero(spans.dwell_ms == 0)),
        short_pulses=sum(line.seen(t) > 0 and line.pulse(t) < need for t in spans.dwell_ms.tolist()),
        short_gaps=sum(line.resolved(t) > 0 and line.rest(t) < need for t in spans.gap_ms.tolist()),
    )


def delay_at_fault(spans: DwellSpans, line: TimeBudget) -> str | None:
    """Return the sentence about the delay that alone loses passes of a recording; None if no delay does.

    What the filter alone would lose, and gaps in which the light never falls back, are not attributed to a delay.
    """
    blamed = []
    free = replace(line, switching=line.switching.undelayed())
    # A delay is the cause of what is lost with it and not without it.
    for name, delay, times, lost, without in (
        ("back", line.switching.holds_back_ms, spans.dwell_ms, line.seen, free.seen),
        ("hold", line.switching.holds_on_ms, spans.gap_ms, line.resolved, free.resolved),
    ):
        count = round(sum(without(t) - lost(t) for t in times.tolist()))
        if count < 1:
            continue
        kind = "on" if (name == "back") != line.switching.delays_swap_roles else "off"
        if name == "back":
            blamed.append(
                f"the {kind}-delay of {in_words(delay)} is too long for {count} of "
                f"{number_of(times.size, 'pass', 'passes')}"
            )
        else:
            blamed.append(
                f"the {kind}-delay of {in_words(delay)} bridges {count} of {number_of(times.size, 'gap')} between "
                "passes: neighbours merge"
            )
    return None if not blamed else "Not the level: " + "; ".join(blamed) + "."
