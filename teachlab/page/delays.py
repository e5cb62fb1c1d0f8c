"""Levels under other delays, counted beforehand for a page that does not hold the light."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from teachlab.light.windows import border_evaluations
from teachlab.model.recording import Recording
from teachlab.model.score import Rules
from teachlab.model.setting import Setting, bare
from teachlab.model.truth import Truth
from teachlab.page.chains import moves_of, row_of
from teachlab.page.packing import PackedArray
from teachlab.questions.surface.count_settings import MOVING, count_settings
from teachlab.questions.surface.values.table import COUNTED
from teachlab.sensor.clock import Clock
from teachlab.switching.family import replay_family
from teachlab.teaching.cells.delay_counts import DelayCounter

if TYPE_CHECKING:
    Whole = NDArray[np.int64]

STEPS = 20
"""Delays of each kind."""
FEW_STEPS = 5
"""The same where delays act on the light state of a dark-on output: every pair of them is a reading of its own."""
MOST_LEVELS = 200
MOST_RUNS, COUNTED_TOGETHER = 5_000_000, 500_000
"""Runs of the output that are held at a time, and runs that are counted at a time."""
MOST_COUNTED = 20_000_000
"""Runs of the output at all levels together; of more, every second level is left out until so few are left."""


@dataclass(frozen=True, slots=True, eq=False)
class DelayRows:
    """Rows of settings, each counted under every pair of delays.

    `rows`: by which level moves along the row, as in `teachlab.page.chains.Chain`.
    `counts` (dict of str to ndarray of int64, shape (on-delays × off-delays, settings of all rows)): by the names of
    the tables of a surface.
    `trials` (shape (3, on-delays × off-delays)): passes to be detected, passes to be ignored and gaps that were scored.
    """

    rows: dict[str, tuple[Setting, ...]]
    on_delays_ms: tuple[float, ...]
    off_delays_ms: tuple[float, ...]
    counts: dict[str, Whole]
    trials: Whole

    def facts(self) -> dict[str, Any]:
        """Return what the page must know beside the arrays."""
        return {
            "on_delay_ms": list(self.on_delays_ms), "off_delay_ms": list(self.off_delays_ms),
            "rows": [[moves, len(row)] for moves, row in self.rows.items()],
        }  # fmt: skip

    def arrays(self) -> dict[str, PackedArray]:
        """Return levels, counts and trials for the page."""
        settings = [one for row in self.rows.values() for one in row]
        out: dict[str, NDArray[Any]] = {
            f"delayed_{name}": np.array([getattr(one, f"{name}_level") for one in settings], np.float64)
            for name in ("on", "off")
        }
        out |= {f"delayed_{name}": table.astype(np.int32) for name, table in self.counts.items()}
        out["delayed_trials"] = self.trials.astype(np.int32)
        return {
            name: PackedArray.of(one, differences=one.ndim if one.dtype.kind == "i" else 0) for name, one in out.items()
        }


def delay_rows(
    recording: Recording, truth: Truth, hand: Setting, levels: NDArray[np.float64], clock: Clock, *, rules: Rules
) -> DelayRows | None:
    """Count the rows of a setting under other delays; None for levels that follow, which depend on them.

    `hand`: its filter, hysteresis and own delays are among what is counted.
    `levels` (recording units): of which up to `MOST_LEVELS` are counted.
    """
    if isinstance(hand, MOVING):
        return None
    hand = bare(hand)
    if levels.size > MOST_LEVELS:
        levels = levels[np.linspace(0, levels.size - 1, MOST_LEVELS).round().astype(int)]
    rows = {moves: row_of(hand, moves, levels) for moves in moves_of(hand)}
    swapped = hand.delays_swap_roles
    lengths = (np.median(own) * clock.denominator / clock.numerator for own in _lengths(recording, truth))
    passes, gaps = (max(1, int(length)) for length in lengths)
    steps = FEW_STEPS if swapped else STEPS
    on = delays_up_to(gaps if swapped else passes, clock, steps, hand.on_delay_ms)
    off = delays_up_to(passes if swapped else gaps, clock, steps, hand.off_delay_ms)
    if swapped:
        return _each_counted(recording, truth, rows, on, off, rules)
    return _counted_from_runs(recording, truth, rows, on, off, clock, rules, hand)


def delays_up_to(longest: int, clock: Clock, steps: int, own: float) -> tuple[float, ...]:
    """Return delays from none to the longest, each a different number of evaluations, with the one of the setting.

    `longest`: evaluations.
    `steps`: how many at most, beside that of the setting.
    `own`: ms.
    """
    # Short ones fall together once they are whole evaluations: more are laid out until so many are left.
    wanted = min(steps - 1, longest)
    each = 1000.0 / clock.rate_hz
    at = next(
        some for finer in range(steps - 1, 50 * steps)
        if (some := np.unique(np.geomspace(1, max(longest, 1), finer).round())).size >= wanted or finer > 40 * steps
    )  # fmt: skip
    # Two digits, so that they can be read and typed; a delay of less than an evaluation acts as a whole one.
    near = [float(f"{n * each:.2g}") for n in at.tolist()]
    found = {clock.delay(ms): ms for ms in near if clock.delay(ms) > 0}
    found |= {0: 0.0}
    found[clock.delay(own)] = own
    return tuple(found[n] for n in sorted(found))


def _lengths(recording: Recording, truth: Truth) -> Iterator[Whole]:
    """Give lengths of passes and of gaps, in samples."""
    yield truth.end - truth.start if truth.passes else np.array([recording.samples])
    between = truth.start[1:] - truth.end[:-1]
    yield between[between > 0] if (between > 0).any() else np.array([recording.samples])


def _each_counted(
    recording: Recording, truth: Truth, rows: dict[str, tuple[Setting, ...]], on: Sequence[float], off: Sequence[float],
    rules: Rules,
) -> DelayRows:  # fmt: skip
    """Count every pair of delays by itself."""
    settings = [one for row in rows.values() for one in row]
    each = [[replace(one, on_delay_ms=a, off_delay_ms=b) for one in settings] for a in on for b in off]
    found = count_settings(recording, truth, [one for some in each for one in some], rules=rules)
    tables = {name: np.array([[getattr(found[one], name) for one in some] for some in each]) for name in COUNTED}
    trials = [[getattr(found[some[0]], f"{name}_trials") for some in each] for name in ("detect", "ignore", "gap")]
    return DelayRows(rows, tuple(on), tuple(off), tables, np.array(trials))


def _counted_from_runs(
    recording: Recording, truth: Truth, rows: dict[str, tuple[Setting, ...]], on: Sequence[float], off: Sequence[float],
    clock: Clock, rules: Rules, hand: Setting,
) -> DelayRows:  # fmt: skip
    """Count all delays from the runs of the undelayed outputs, some levels at a time."""
    rows, onsets = _few_enough(recording, truth, rows, hand, rules)
    settings = [one.undelayed() for row in rows.values() for one in row]
    delays = {"on_delays": [clock.delay(ms) for ms in on], "off_delays": [clock.delay(ms) for ms in off]}
    tables: dict[str, list[Whole]] = {name: [] for name in COUNTED}
    trials = np.zeros((3, len(on)), np.int64)
    border = border_evaluations(truth, clock, rules)
    runs = np.maximum(onsets, truth.passes)
    for some in _together(runs, MOST_RUNS):
        outputs = list(replay_family(recording, [settings[k] for k in some]))
        counter = DelayCounter(truth, clock, outputs[0].invalid, border=border, first_pass=rules.first_pass)
        # To count takes ten times the memory of the runs.
        for few in _together(runs[some.start : some.stop], COUNTED_TOGETHER):
            found = counter.tables([outputs[k].undelayed for k in few], lag=outputs[0].lag, **delays)
            for name, table in found.counts.items():
                tables[name].append(table)
            trials = np.array([found.detect_trials, found.ignore_trials, found.gap_trials])
    # One row a pair of delays, one column a setting.
    whole = {name: np.moveaxis(np.concatenate(parts), 0, -1).reshape(len(on) * len(off), -1)
             for name, parts in tables.items()}  # fmt: skip
    return DelayRows(rows, tuple(on), tuple(off), whole, np.repeat(trials, len(off), axis=1))


def _few_enough(
    recording: Recording, truth: Truth, rows: dict[str, tuple[Setting, ...]], hand: Setting, rules: Rules
) -> tuple[dict[str, tuple[Setting, ...]], Whole]:
    """Leave out every second setting, but never that of the hand, until the runs of all are few enough."""
    plain = [one.undelayed() for row in rows.values() for one in row]
    found = count_settings(recording, truth, plain, rules=rules)
    counts = [found[one] for one in plain]
    onsets = np.array([n.detect_trials - n.lost + n.extra + n.false_trips + n.ignore_trips for n in counts], np.int64)
    kept = np.arange(onsets.size)
    own = np.array([one == hand for row in rows.values() for one in row])
    while onsets[kept].sum() > MOST_COUNTED and kept.size > own.sum() + 1:
        kept = np.array([k for place, k in enumerate(kept.tolist()) if place % 2 == 0 or own[k]])
    left = set(kept.tolist())
    out, begin = {}, 0
    for moves, row in rows.items():
        out[moves] = tuple(one for k, one in enumerate(row, begin) if k in left)
        begin += len(row)
    return out, onsets[kept]


def _together(runs: Whole, most: int) -> Iterator[range]:
    """Divide settings into neighbours that have at most so many runs, or into single ones."""
    begin = held = 0
    for k, own in enumerate(runs.tolist()):
        if k > begin and held + own > most:
            yield range(begin, k)
            begin, held = k, 0
        held += own
    yield range(begin, runs.size)
