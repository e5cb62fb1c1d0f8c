"""How well a replay agrees with the sensor's own logged output, pulse by pulse."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike

from teachlab.device.logged_edges import LoggedEdges, Samples, logged_edges
from teachlab.device.matching import ContradictedEdge, MatchedEdges, matched_edges
from teachlab.errors import ParameterError, check_share
from teachlab.model.arrays import Flags, Integers
from teachlab.model.json_values import Document
from teachlab.model.printable_text import cut_percent, in_figures, moment, number_of
from teachlab.model.recording import Origin, Recording
from teachlab.model.setting import Setting
from teachlab.model.verdict import HeadlineClaim, Verdict, VerdictReason
from teachlab.sensor.clock import Clock
from teachlab.statistics.claims.decisions import ACCEPTED_ERRORS
from teachlab.statistics.claims.lot_claims import CLAIM_LOTS, NOTHING, Assumption, claim_by_lots, lots_needed
from teachlab.statistics.design_effect import ceiling_of
from teachlab.statistics.intervals import proportion_limits
from teachlab.statistics.lots import blocks_of, lot_rate
from teachlab.switching.run import replay

if TYPE_CHECKING:
    from teachlab.model.truth import Truth

EARLIEST, LATEST = -20, 200
"""Lags of the log that are tried, samples."""
LIKELY_LAGS = 5
"""Number of lags that are matched: those with the most edges near each other, all edges of either side counted."""
AGREES, LIMITED, DIFFERS, OPEN = "agrees", "agrees with a limit", "does not agree", "cannot be decided"
MOST_BEGINS = 16
"""Number of samples that are tried as the first that the sensor evaluates, if it does not evaluate all."""
LEAST_SHARE = 1 - ACCEPTED_ERRORS
"""Share of the pulses that must be shown to be reproduced, in both directions."""


@dataclass(frozen=True, slots=True)
class EarlyLate(Document):
    """Logged minus replayed edge of the matched pairs, samples: positive if the sensor switched later."""

    median: float | None
    p05: float | None
    p95: float | None
    early: int
    exact: int
    late: int


@dataclass(frozen=True, slots=True)
class ReproducedShare(Document):
    """Share of the pulses of one side that the other side has too, with its interval by lots.

    `lots`: named lots, or stretches of consecutive pulses.
    `named`: whether the lots are named.
    """

    estimate: float
    low: float
    high: float
    lots: int
    named: bool
    confidence: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Agreement(Document):
    """A replay against the logged output of the sensor.

    `logged`, `replayed`, `matched`: numbers of pulses. A pulse is matched if both its edges are matched with edges of
    one pulse on the other side.
    `early_late_samples`: of the matched edges.
    `share`, `share_of_replayed`: logged pulses that are replayed, and replayed ones that were logged.
    `lots_fully_reproduced`: share of the lots without an unmatched pulse on either side.
    `lag_samples`: constant lag of the log that was removed.
    """

    schema: int = 1
    recording: str
    setting: Setting
    verdict: Verdict
    logged: int
    replayed: int
    matched: int
    early_late_samples: EarlyLate
    unmatched: tuple[ContradictedEdge, ...]
    share: ReproducedShare
    share_of_replayed: ReproducedShare
    lots_fully_reproduced: float
    lag_samples: int
    tolerance_samples: int


def matched_to_log(
    recording: Recording, setting: Setting, *, tolerance: int | None = None, lag: int | None = None
) -> MatchedEdges:
    """Replay a setting and match its edges with the logged ones, each direction separately; arguments as `agree`."""
    edges = logged_edges(recording)
    clock = Clock.of(recording.samples, recording.info.sample_rate_hz, setting.evaluation_rate_hz)
    every = -(-clock.numerator // clock.denominator)
    if tolerance is None:
        tolerance = every + 1
    # A setting does not say at which sample the sensor began to evaluate: the begin that matches best is taken.
    latest = min(every, recording.samples) - 1
    begins = np.unique(np.linspace(0, latest, min(latest + 1, MOST_BEGINS)).round().astype(np.int64)).tolist()
    tried = []
    for begin in begins:
        output = replay(recording.part(begin, recording.samples) if begin else recording, setting)
        sides, logged = (output.onsets + begin, output.releases + begin), (edges.active, edges.inactive)
        late = _lag(edges, sides, tolerance) if lag is None else lag
        moved = (side + late for side in sides)
        up, down = (side[(side > 0) & (side < edges.samples)] for side in moved)
        tried.append(MatchedEdges.of(logged, (up, down), tolerance, lag=late))
    return min(tried, key=lambda one: (len(one.unmatched()), float(np.abs(one.apart()[1]).sum())))


def agree(
    recording: Recording, setting: Setting, passes: Truth | None = None, *, tolerance: int | None = None,
    lag: int | None = None, confidence: float = 0.95, assumption: Assumption = NOTHING,
) -> Agreement:  # fmt: skip
    """Compare the replay of a setting with the sensor's own logged output.

    `recording`: a recording with a column `output`.
    `passes`: passes with lots, which become the lots of the claim; without them, stretches of consecutive pulses are
    used.
    `tolerance` (samples): edges further apart than this do not match; default: one evaluation and one sample. Nor may
    the pulses be longer or shorter by more than this, in the median.
    `lag` (samples): how much later than the replay the output was logged; by default the lag with the most matched
    edges.
    `assumption`: what the intervals may assume about the pulses of a lot.
    Raises RecordingError without a logged output.
    Raises ParameterError if the log holds no complete pulse.

    Notes
    -----
    The unit is the pulse. Pulses of a lot resemble each other: see `share_limits`.
    """
    check_share("confidence", confidence)
    if tolerance is not None and tolerance < 0:
        raise ParameterError(f"the tolerance must be at least 0 samples, got {tolerance}.")
    found = matched_to_log(recording, setting, tolerance=tolerance, lag=lag)
    (ups, downs), (onsets, releases) = found.pairs, found.replayed
    ours, theirs = _pulses(*found.logged), _pulses(onsets, releases)
    if not len(ours):
        raise ParameterError(
            f"{recording.name}: column 'output' holds no whole pulse. Log the output while objects pass."
        )
    begins = dict(zip(found.logged[0][ups[0]].tolist(), onsets[ups[1]].tolist(), strict=True))
    ends = dict(zip(found.logged[1][downs[0]].tolist(), releases[downs[1]].tolist(), strict=True))
    whole = dict(theirs.tolist())
    # Both edges must belong to one replayed pulse: two pulses that touch it at its two ends are not the same pulse.
    same = np.array([a in begins and whole.get(begins[a]) == ends.get(b, -1) for a, b in ours.tolist()], bool)
    known = {begins[a] for (a, _), good in zip(ours.tolist(), same, strict=True) if good}
    seen = np.array([a in known for a, _ in theirs.tolist()], bool)
    share, share_of_replayed = (
        _share(starts[:, 0], good, passes, confidence, assumption) for starts, good in ((ours, same), (theirs, seen))
    )
    failed, _, _ = _by_lot(np.concatenate((ours, theirs))[:, 0], np.concatenate((same, seen)), passes)
    _, apart = found.apart()
    quantiles = [float(q) for q in np.quantile(apart, [0.5, 0.05, 0.95])] if apart.size else [None] * 3
    shift = EarlyLate(*quantiles, *(int(np.count_nonzero(k)) for k in (apart < 0, apart == 0, apart > 0)))
    unmatched = found.unmatched()
    return Agreement(
        recording=recording.name,
        setting=setting,
        verdict=_verdict(recording, setting, share, share_of_replayed, shift, found, assumption),
        logged=len(ours),
        replayed=len(theirs),
        matched=int(same.sum()),
        early_late_samples=shift,
        unmatched=unmatched,
        share=share,
        share_of_replayed=share_of_replayed,
        lots_fully_reproduced=float(np.mean(failed == 0)),
        lag_samples=found.lag,
        tolerance_samples=found.tolerance,
    )


def _verdict(
    recording: Recording, setting: Setting, share: ReproducedShare, back: ReproducedShare, shift: EarlyLate,
    found: MatchedEdges, assumption: Assumption,
) -> Verdict:  # fmt: skip
    unmatched, lag = found.unmatched(), found.lag
    claims = (share.named and share.lots >= CLAIM_LOTS) or assumption.icc is not None
    longer = found.longer
    if abs(longer) > found.tolerance:
        decision = DIFFERS
    elif share.low >= LEAST_SHARE and back.low >= LEAST_SHARE:
        decision = AGREES if claims else LIMITED
    else:
        decision = DIFFERS if min(share.high, back.high) < LEAST_SHARE else OPEN
    info = recording.info
    reasons = []
    if abs(longer) > found.tolerance:
        than, part = ("longer", "off-delay") if longer > 0 else ("shorter", "on-delay")
        reasons.append(VerdictReason(
            text=f"The logged pulses are {number_of(round(abs(longer)), 'sample')} {than} than the replayed ones: no "
            f"lag explains that, a longer {part} would."
        ))  # fmt: skip
    for side, where in (("logged", "replay"), ("replayed", "log")):
        if some := [one for one in unmatched if one.side == side]:
            places = ", ".join(dict.fromkeys(moment(one.sample, recording) for one in some[:4:2]))
            reasons.append(VerdictReason(
                text=f"{number_of(len(some), f'{side} edge is', f'{side} edges are')} missing in the {where}, "
                f"first at {places}.", count=len(some),
                first_at_s=some[0].sample / info.sample_rate_hz,
            ))  # fmt: skip
    if shift.median is not None:
        reasons.append(VerdictReason(
            text=f"Of the matched edges the sensor switched {shift.early:,} early, {shift.exact:,} exactly and "
            f"{shift.late:,} late (5 to 95 %: {in_figures(shift.p05, 3, sign=True)} to "
            f"{in_figures(shift.p95, 3, sign=True)} samples), after {number_of(lag, 'sample')} of constant lag, which "
            "may be lag of the log or a delay of both edges."
        ))  # fmt: skip

    # A share that is not whole, or below the limit, must not look as if it were not.
    def has(one: ReproducedShare) -> str:
        return f"{cut_percent(one.estimate, 4):.4g} %"

    def limits(one: ReproducedShare) -> str:
        return f"{cut_percent(one.low):.3g} to {100 * one.high:.3g} %"

    lots = number_of(share.lots, "lot")
    if not share.named:
        lots = f"{number_of(share.lots, 'stretch', 'stretches')} of this recording"
    sure = f"{100 * share.confidence:g} % interval"
    given = f", {assumption.condition.replace('passes', 'pulses')}" if assumption.condition else ""
    claim = HeadlineClaim(
        text=f"The replay has {has(share)} of the logged pulses ({limits(share)}, {sure} by {lots}{given}), and the "
        f"log has {has(back)} of the replayed ones ({limits(back)}).",
        upper=1 - min(share.low, back.low), confidence=share.confidence, lots=share.lots, assume=assumption.name,
    )  # fmt: skip
    matched = sum(len(pairs[0]) for pairs in found.pairs)
    logged, replayed = (sum(len(side) for side in sides) for sides in (found.logged, found.replayed))
    about = f"{matched:,} of {logged:,} logged and {matched:,} of {replayed:,} replayed edges agree; replayed:"
    named = number_of(share.lots, "lot is", "lots are") if share.named else "No lots are"
    named += " named"
    limit = f"{named}: this holds for the recording alone. Name {CLAIM_LOTS} or more to claim beyond it."
    step = ""
    if decision == OPEN:
        need = lots_needed(ACCEPTED_ERRORS, (1 + share.confidence) / 2)
        limit = f"{named}: this holds for the recording alone."
        reasons.insert(0, VerdictReason(
            text=f"Too few named lots without a fault to show, at {100 * share.confidence:g} % confidence, that "
            f"at least {100 * LEAST_SHARE:g} % of the pulses are reproduced. A statement of how pulses of a lot "
            "correlate (--assume) may do with fewer."
        ))  # fmt: skip
        step = (
            f"Log {need} lots beside the output, and name the lot of every pass. All must agree. Then run this again."
        )
        if unmatched:
            step = f"Look at the edges that differ (--details). {step}"
    return Verdict(
        decision=decision,
        about=about if decision == OPEN else "",
        setting=setting,
        claim=claim,
        reasons=tuple(reasons),
        conditions=() if claims else (limit,),
        next_step=step,
        rehearsal=info.origin is Origin.SYNTHETIC,
    )  # fmt: skip


def share_limits(
    failed: ArrayLike, of: ArrayLike, confidence: float = 0.95, assumption: Assumption = NOTHING
) -> tuple[float, float]:
    """Return the interval of the reproduced share, from the failed pulses and all pulses of every lot.

    `failed`, `of` (shape (lots,)): at least one pulse in every lot.
    `confidence`: two-sided.
    `assumption`: an intra-lot correlation that is assumed; without one, the spread of the lots decides.

    Notes
    -----
    `lot_rate`, by the spread of the lots; the lower limit is not above that of `claim_by_lots`, which holds however
    much the pulses of a lot resemble each other: the spread does not show rare bad lots that were not recorded, and
    faults that lie evenly would make it surer than none. With a stated correlation ρ, it is Clopper and Pearson's
    interval at ``n / (1 + (m − 1) ρ)`` trials (Kish 1965). Simulated coverage: ``benchmarks/coverages/agreement.md``.
    """
    bad, n = np.asarray(failed, np.float64), np.asarray(of, np.float64)
    effect = ceiling_of(n)
    if assumption.icc is not None:
        effect = 1 + (effect - 1) * assumption.icc
    elif n.size > 1:
        rate = lot_rate(bad, n, confidence=confidence)
        of_lots = claim_by_lots(bad, n, confidence=(1 + confidence) / 2, least=1).upper
        return 1 - max(rate.high, of_lots), 1 - rate.low
    low, high, _ = proportion_limits(float(bad.sum()) / effect, float(n.sum()) / effect, confidence)
    return 1 - high, 1 - low


def _share(
    starts: Samples, good: Flags, passes: Truth | None, confidence: float, assumption: Assumption
) -> ReproducedShare:
    failed, of, named = _by_lot(starts, good, passes)
    if not of.size:
        return ReproducedShare(0.0, 0.0, 1.0, 0, False, confidence)
    low, high = share_limits(failed, of, confidence, assumption)
    return ReproducedShare(float(good.mean()), low, high, int(of.size), named, confidence)


def _by_lot(starts: Samples, good: Flags, passes: Truth | None) -> tuple[Integers, Integers, bool]:
    """Return failed pulses and all pulses of every lot that has some, and whether lots are named."""
    if passes is None or passes.lot is None or not passes.passes:
        failed, of = blocks_of(~good[np.argsort(starts, kind="stable")])
        return failed[of > 0], of[of > 0], False
    # A pulse belongs to the last pass that began before it.
    k = np.clip(np.searchsorted(passes.start, starts, "right") - 1, 0, passes.passes - 1)
    _, lot = np.unique(passes.lot[k].astype(str), return_inverse=True)
    of = np.bincount(lot.reshape(-1))
    return np.bincount(lot.reshape(-1)[~good], minlength=of.size), of, True


def _pulses(up: Samples, down: Samples) -> Samples:
    """Return complete pulses, shape (n, 2): an onset and the release after it."""
    k = np.searchsorted(down, up, "right")
    whole = k < down.size
    return np.column_stack((up[whole], down[k[whole]]))


def _lag(edges: LoggedEdges, sides: tuple[Samples, Samples], tolerance: int) -> int:
    """Return the lag with the fewest unmatched edges; among equal ones the least distance, then the smallest lag."""
    counts = np.zeros(LATEST - EARLIEST + 2 * tolerance + 1, np.int64)
    for logged, at in zip((edges.active, edges.inactive), sides, strict=True):
        first = np.searchsorted(logged, at + EARLIEST - tolerance)
        behind = np.searchsorted(logged, at + LATEST + tolerance, "right")
        for k in range(int((behind - first).max(initial=0))):
            some = first + k < behind
            counts += np.bincount(logged[first[some] + k] - at[some] - (EARLIEST - tolerance), minlength=counts.size)
    near = np.convolve(counts, np.ones(2 * tolerance + 1, np.int64), "valid")
    likely = np.argsort(-near, kind="stable")[: LIKELY_LAGS + 2 * tolerance] + EARLIEST

    def rest(lag: int) -> tuple[int, int, int]:
        open_ = far = 0
        for logged, at in zip((edges.active, edges.inactive), sides, strict=True):
            moved = at + lag
            i, j = matched_edges(logged, moved, tolerance)
            open_ += logged.size + moved.size - 2 * i.size
            far += int(np.abs(logged[i] - moved[j]).sum())
        return open_, far, abs(lag)

    return min((int(lag) for lag in likely), key=rest)
