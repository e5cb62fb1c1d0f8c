"""How long the objects of a recording hold the light, and the effect of filter and delays on each of them."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from teachlab.errors import ParameterError, TruthError
from teachlab.model.json_values import Document
from teachlab.model.printable_text import number_of
from teachlab.questions.timing.line import TimeBudget, edges_mm, in_words
from teachlab.switching.run import replay

if TYPE_CHECKING:
    from teachlab.model.recording import Recording
    from teachlab.model.setting import Setting
    from teachlab.model.truth import Truth
    from teachlab.sensor.edges import Edges

Millis = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DwellSpans:
    """Dwell of every complete detect pass, and length of every gap between two passes.

    Parameters
    ----------
    dwell_ms, gap_ms : ndarray of float64, ms
    source : str
        How they were found.
    at_levels : bool
        Whether they were measured at the levels of a setting.
    """

    dwell_ms: Millis
    gap_ms: Millis
    source: str
    at_levels: bool = False

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

    Parameters
    ----------
    missed, merged : float
        Expected numbers at a random phase; whole numbers if evaluations were counted.
    touching, unlit : int
        Gaps of length 0, and passes whose light is never beyond the level: counted among merged and missed, but not
        caused by filter or delays.
    short_pulses, short_gaps : int
        Pulses, and gaps between two pulses, in the output that are shorter than the controller needs.
    """

    missed: float
    merged: float
    passes: int
    gaps: int
    touching: int
    unlit: int
    short_pulses: int
    short_gaps: int


def _whole(recording: Recording, truth: Truth) -> NDArray[np.bool_]:
    whole: NDArray[np.bool_] = (truth.start > 0) & (truth.end < recording.samples) & truth.detect
    if not whole.any():
        raise TruthError("timing needs at least one whole pass to be detected; log longer.")
    return whole


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

    Raises
    ------
    TruthError
        Without a complete detect pass.
    ParameterError
        If a beam is given, but no speed is given or stored in the recording.
    """
    rate = recording.info.sample_rate_hz
    stored = recording.info.line_speed_m_s
    speed = speed_mm_s or (None if stored is None else 1000 * stored)
    dwell = (truth.end - truth.start)[_whole(recording, truth)].astype(np.float64) * (1000 / rate)
    gap = (truth.start[1:] - truth.end[:-1]).astype(np.float64) * (1000 / rate)
    apart = edges_mm(beam_mm, on_share, off_share)
    if beam_mm > 0:
        if speed is None:
            raise ParameterError("a beam radius needs the speed of the line: give --speed-mm-s.")
        edges = 1000 * apart / speed
        dwell, gap = (dwell - edges).clip(min=0), (gap + edges).clip(min=0)
    shares = {on_share, on_share if off_share is None else off_share}
    at = "half" if beam_mm == 0 else " and ".join(f"{100 * share:g} %" for share in sorted(shares, reverse=True))
    at += " height" if beam_mm == 0 else " of the height"
    return DwellSpans(
        dwell_ms=dwell,
        gap_ms=gap,
        source=f"{number_of(dwell.size, 'pass', 'passes')} and {number_of(gap.size, 'gap')} of the truth, at {at}",
    )


def spans_at_levels(recording: Recording, truth: Truth, setting: Setting) -> DwellSpans:
    """Return dwell and gap at the setting's own levels, counted in evaluations of the light itself.

    For each pass the longest stretch in which the light is beyond the levels, and between two passes the longest in
    which it is not, without filter and delays. Light that does not fall between two passes gives a gap of 0.
    """
    whole = _whole(recording, truth)
    bare = replace(setting.undelayed(), consecutive=1)
    output = replay(recording, bare)
    clock = output.clock
    a, b = clock.firsts_at_or_after(truth.start), clock.firsts_at_or_after(truth.end)
    period = 1000 / clock.rate_hz
    active, still = output.undelayed, output.undelayed.inverted()
    dwell = _longest(*active.runs(clock.count), a[whole], b[whole])
    gap = _longest(*still.runs(clock.count), b[:-1], a[1:])
    return DwellSpans(
        dwell_ms=dwell.astype(np.float64) * period,
        gap_ms=gap.astype(np.float64) * period,
        source=f"{number_of(dwell.size, 'pass', 'passes')} and {number_of(gap.size, 'gap')} at on "
        f"{setting.on_level:.5g}, off {setting.off_level:.5g} "
        f"{setting.unit}",
        at_levels=True,
    )


def _longest(starts: Edges, ends: Edges, begin: Edges, stop: Edges) -> Edges:
    """Return the length of the run that overlaps each stretch most; 0 if none does."""
    out = np.zeros(begin.size, np.int64)
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
    return TimeBudget(
        dwell_ms=float(spans.dwell_ms.min()),
        gap_ms=float(gaps.min()) if gaps.size else 1000 * recording.samples / rate,
        evaluation_rate_hz=setting.evaluation_rate_hz or rate,
        speed_mm_s=speed_mm_s or (None if speed is None else 1000 * speed),
        switching=setting.switching,
        scan_ms=scan_ms,
        input_filter_ms=input_filter_ms,
        speed_change=speed_change,
        source=f"the shortest of {spans.source} of {recording.name}",
        at_levels=spans.at_levels,
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
    # A pulse of exactly the needed length is long enough, although the sum of its parts may be rounded below it.
    need, longer = line.scan_ms + line.input_filter_ms - 1e-9, line.hold_ms - line.back_ms
    return Predicted(
        missed=sum(1 - line.seen(t) for t in spans.dwell_ms.tolist()),
        merged=sum(1 - line.resolved(t) for t in spans.gap_ms.tolist()),
        passes=int(spans.dwell_ms.size),
        gaps=int(spans.gap_ms.size),
        touching=int(np.count_nonzero(spans.gap_ms == 0)),
        unlit=int(np.count_nonzero(spans.dwell_ms == 0)),
        short_pulses=sum(line.seen(t) > 0 and t + longer < need for t in spans.dwell_ms.tolist()),
        short_gaps=sum(line.resolved(t) > 0 and t - longer < need for t in spans.gap_ms.tolist()),
    )


def delay_at_fault(spans: DwellSpans, line: TimeBudget) -> str | None:
    """Return the sentence about the delay that alone loses passes of a recording; None if no delay does.

    Passes that the filter alone would lose, and touching neighbours, are not attributed to a delay.
    """
    blamed = []
    free = replace(line, switching=line.switching.undelayed())
    # A delay is the cause of what is lost with it and not without it.
    for name, delay, times, lost, without in (
        ("back", line.back_ms, spans.dwell_ms, line.seen, free.seen),
        ("hold", line.hold_ms, spans.gap_ms, line.resolved, free.resolved),
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
                f"passes: "
                "neighbours merge"
            )
    return None if not blamed else "Not the level: " + "; ".join(blamed) + "."
