"""Score an output against the truth: every onset and every pass is counted exactly once."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from teachlab.light.excluded import excluded_trials
from teachlab.light.windows import Windows, border_evaluations
from teachlab.model.arrays import Flags
from teachlab.model.score import MOST_OF_THE_TIME, USUAL_RULES, Counts, Outcome, Rate, Rules, Score, Trials
from teachlab.model.truth import Names, Truth, TruthSource
from teachlab.sensor.edges import Edges, RunCounter
from teachlab.sensor.output import Output
from teachlab.statistics.intervals import count, proportion


def score(
    output: Output,
    truth: Truth,
    *,
    rules: Rules = USUAL_RULES,
    tables: bool = True,
) -> Score:
    """Attribute every onset to a pass, an `ignore` pass or a gap, and bound the rates.

    `output`: from `teachlab.switching.replay`.
    `tables`: whether to split the lost rate by label and lot.
    Raises TruthError if a pass lies outside the recording.

    Notes
    -----
    In the window of a detect pass, the first onset is a hit and every further onset is extra. Without an onset, the
    pass is merged if both the output and the undelayed output are active somewhere in the window; otherwise it is
    missed. Conservation: ``onsets = hits + extra + false trips + ignore false trips + excluded onsets`` and ``detect
    passes = hits + misses + merged + excluded passes``.

    References
    ----------
    The rules are this project's own; ``SCORING.md`` beside this file states them.
    """
    first_pass = rules.first_pass
    clock = output.clock
    truth.check_inside(clock.samples)
    border = border_evaluations(truth, clock, rules)
    windows = Windows.of(truth, clock, border=border, lag=output.lag)
    onsets = output.output.rises()
    in_gaps, in_passes = _attribute(onsets, windows)
    excluded_passes, excluded_gaps = excluded_trials(truth, windows, clock, output.invalid, lag=output.lag)
    passes = _pass_outcomes(output, truth, windows, in_passes, excluded_passes)
    gaps = np.where(in_gaps > 0, Outcome.TRIPPED, Outcome.QUIET).astype(np.int8)
    gaps[excluded_gaps] = Outcome.EXCLUDED
    begin, later = 0, np.ones(gaps.size, bool)
    if first_pass:
        begin = int(windows.start[first_pass:].min()) if first_pass < truth.passes else clock.count
        later = windows.gap_after >= first_pass
    trials = Trials(
        passes=passes[first_pass:],
        pass_onsets=in_passes[first_pass:],
        gaps=gaps[later],
        gap_onsets=in_gaps[later],
        gap_after=windows.gap_after[later],
        first_pass=first_pass,
    )
    return _assemble(truth, trials, _hours(output, windows, trials, begin), rules.confidence, tables=tables)


def lone_active_gap(output: Output, truth: Truth, result: Score, *, rules: Rules = USUAL_RULES) -> int | None:
    """Return the gap without which the output is not active for most of the gap time; None if there is no such gap.

    The gap is named by the row of the pass before it, −1 at the start of the record.
    """
    if not result.probably_inverted:
        return None
    trials, clock = result.trials, output.clock
    windows = Windows.of(truth, clock, border=border_evaluations(truth, clock, rules), lag=output.lag)
    scored, *times = _gap_times(output, windows, trials)
    lengths, active = (np.where(scored, time, 0) for time in times)
    most = int(np.argmax(active))
    if active.sum() - active[most] > MOST_OF_THE_TIME * (lengths.sum() - lengths[most]):
        return None
    return int(trials.gap_after[most])


def _attribute(onsets: Edges, windows: Windows) -> tuple[Edges, Edges]:
    """Return the number of onsets in every gap and in every window."""
    # Gaps and windows are disjoint and cover the record. So every onset is in exactly one of them, and the counts add
    # up.
    starts = np.concatenate((windows.gap_start, windows.start))
    stops = np.concatenate((windows.gap_stop, windows.stop))
    inside = np.searchsorted(onsets, stops) - np.searchsorted(onsets, starts)
    gaps = windows.gap_start.size
    return inside[:gaps].astype(np.int64), inside[gaps:].astype(np.int64)


def _pass_outcomes(output: Output, truth: Truth, windows: Windows, onsets: Edges, excluded: Flags) -> NDArray[np.int8]:
    size = output.clock.count
    outcome = np.where(truth.detect, np.where(onsets > 0, Outcome.HIT, Outcome.MISS), Outcome.QUIET).astype(np.int8)
    outcome[~truth.detect & (onsets > 0)] = Outcome.TRIPPED
    # Merged: no onset, but the output is active, and the undelayed output is active as well. Without the second
    # condition, a delay that only holds the output would turn a miss into a merge.
    silent = np.flatnonzero(onsets == 0)
    start, stop = windows.start[silent], windows.stop[silent]
    active = RunCounter.of(output.output, size).within(start, stop) > 0
    seen = active & (RunCounter.of(output.undelayed, size).within(start, stop) > 0)
    outcome[silent[seen & truth.detect[silent]]] = Outcome.MERGED
    outcome[silent[active & ~truth.detect[silent]]] = Outcome.HELD
    outcome[excluded] = Outcome.EXCLUDED
    return outcome


def _gap_times(output: Output, windows: Windows, trials: Trials) -> tuple[Flags, Edges, Edges]:
    """Return which gaps are trials, the length of each, and how long the undelayed output is active in it."""
    later = windows.gap_start.size - trials.gaps.size
    start, stop = windows.gap_start[later:], windows.gap_stop[later:]
    active = RunCounter.of(output.undelayed, output.clock.count).within(start, stop)
    return trials.gaps != Outcome.EXCLUDED, stop - start, active


def _hours(output: Output, windows: Windows, trials: Trials, begin: int) -> dict[str, Any]:
    """Return the times of a score by their names, and the share of gap time in which the output is active."""
    per_hour = output.clock.rate_hz * 3600
    scored, lengths, active = _gap_times(output, windows, trials)
    gap_time = int(lengths[scored].sum())
    return {
        "running_hours": (output.clock.count - begin) / per_hour,
        "gap_hours": gap_time / per_hour,
        "excluded_gap_hours": int(lengths[~scored].sum()) / per_hour,
        "false_active_share": int(active[scored].sum()) / gap_time if gap_time else None,
    }


def _count(truth: Truth, trials: Trials) -> Counts:
    detect = truth.detect[trials.first_pass :]
    outcome, onsets = trials.passes, trials.pass_onsets

    def passes(which: Outcome, among: Flags) -> int:
        return int(np.count_nonzero((outcome == which) & among))

    hits = passes(Outcome.HIT, detect)
    trial, gap_trial = outcome != Outcome.EXCLUDED, trials.gaps != Outcome.EXCLUDED
    return Counts(
        onsets=int(onsets.sum() + trials.gap_onsets.sum()),
        detect_passes=int(np.count_nonzero(detect)),
        hits=hits,
        misses=passes(Outcome.MISS, detect),
        merged=passes(Outcome.MERGED, detect),
        extra=int(onsets[detect & trial].sum()) - hits,
        excluded_passes=passes(Outcome.EXCLUDED, detect),
        excluded_onsets=int(onsets[~trial].sum() + trials.gap_onsets[~gap_trial].sum()),
        ignore_passes=int(np.count_nonzero(~detect)),
        ignore_false_trips=int(onsets[~detect & trial].sum()),
        ignore_tripped=passes(Outcome.TRIPPED, ~detect),
        ignore_held=passes(Outcome.HELD, ~detect),
        excluded_ignore_passes=passes(Outcome.EXCLUDED, ~detect),
        gaps=int(np.count_nonzero(gap_trial)),
        gaps_tripped=int(np.count_nonzero(trials.gaps == Outcome.TRIPPED)),
        false_trips=int(trials.gap_onsets[gap_trial].sum()),
        excluded_gaps=int(np.count_nonzero(~gap_trial)),
    )


def _assemble(truth: Truth, trials: Trials, hours: dict[str, Any], confidence: float, *, tables: bool) -> Score:
    n = _count(truth, trials)
    return Score(
        counts=n,
        trials=trials,
        **hours,
        lost_rate=proportion(n.lost, n.scored_passes, confidence),
        miss_rate=proportion(n.misses, n.scored_passes, confidence),
        merged_rate=proportion(n.merged, n.scored_passes, confidence),
        false_trips_per_gap=proportion(n.gaps_tripped, n.gaps, confidence),
        false_trips_per_gap_hour=count(n.false_trips, hours["gap_hours"], confidence, per="gap-hour"),
        false_trips_per_running_hour=count(n.false_trips, hours["running_hours"], confidence, per="running hour"),
        ignore_trips_per_pass=count(n.ignore_false_trips, n.scored_ignore_passes, confidence, per="ignore pass"),
        extra_per_pass=count(n.extra, n.scored_passes, confidence, per="detect pass"),
        by_label=_by(truth.label, truth, trials, confidence) if tables else {},
        by_lot=_by(truth.lot, truth, trials, confidence) if tables and truth.lot is not None else {},
        self_labelled=truth.source is TruthSource.SELF_LABELLED,
        confidence=confidence,
    )


def _by(names: Names, truth: Truth, trials: Trials, confidence: float) -> Mapping[str, Rate]:
    """Return the lost rate for every name among the scored detect passes, in order of the names in the recording."""
    trial = truth.detect[trials.first_pass :] & (trials.passes != Outcome.EXCLUDED)
    lost = trial & trials.lost
    # Codes are given in the order in which the names come; np.unique would sort a million strings for the same result.
    scored = names[trials.first_pass :].tolist()
    codes = {name: k for k, name in enumerate(dict.fromkeys(scored))}
    code = np.fromiter(map(codes.__getitem__, scored), np.int64, len(scored))
    of, events = np.bincount(code[trial], minlength=len(codes)), np.bincount(code[lost], minlength=len(codes))
    return {name: proportion(int(events[k]), int(of[k]), confidence) for name, k in codes.items() if of[k]}
