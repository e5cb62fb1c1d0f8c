"""The teach block of one recording, and the evidence that can be drawn from it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import asdict, replace
from functools import cached_property
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from teachlab.errors import Abstained, ParameterError, SettingError, StrategyError
from teachlab.light.direction import REQUIRED_RATIO, Contrasts, contrasts
from teachlab.light.shown.event_table import EventTable
from teachlab.light.shown.tabled_light import TabledEvents, refuse_to_hold
from teachlab.light.stretches import Evaluated, EvaluatedPart, Stretches, measure
from teachlab.light.usable_light import LARGEST
from teachlab.light.windows import Windows, border_evaluations
from teachlab.model.arrays import Integers
from teachlab.model.printable_text import in_figures, number_of
from teachlab.model.recording import Direction, Recording
from teachlab.model.score import USUAL_RULES, Rules
from teachlab.model.setting import Polarity, Setting
from teachlab.model.teaching import Background, Events, Levels, Reading, Shown, Sweep, TeachView, polarity_of
from teachlab.model.truth import Truth
from teachlab.sensor.clock import Clock, ceil, exact, no_valid_sample

# What a draw shows of a teach block, and from where to where:
#
#     light        ____|####|______|####|______|####|______|####|____
#     object             ~~                                            40 evaluations in the middle of a random pass
#     background              ~~                                       the same of a gap
#     stretch                ------  ------                            2 s of gap light, gap after gap from a random one
#     sweep               <------------------------->                  5 passes, from mid-gap to mid-gap, no labels
#     events              <------------------------->                  half of the passes, with their borders and labels
READING_EVALUATIONS = 40
"""A static reading is the mean of this many valid evaluations."""
STRETCH_S = 2
"""Background statistics use this many seconds of gap samples, or `READING_EVALUATIONS` if that is longer."""
SWEEP_PASSES = 5
MEDIAN_EVALUATIONS = 1 << 22
"""The median of the gaps is taken over about this many evaluations, evenly selected if there are more."""

MOST_SHOWN = 1 << 22
"""Labelled events of a block of more evaluations are measured from tables, which hold no light."""

# One stream of random numbers for each kind of evidence: what one strategy needs never changes the draw of another.
_OBJECT, _BACKGROUND, _STRETCH, _SWEEP, _EVENTS = range(5)


A = TypeVar("A", bound=NDArray[Any])


class TeachBlock:
    """Samples ``[0, stop_sample)`` of a recording with their passes: everything that teaching may use.

    A pass is shown only if it lies completely inside the block, is not cut by the record, and touches no stretch that
    the truth leaves out; the light of such a stretch is never shown. A gap lies outside every pass widened by the
    tolerance and the border uncertainty of the truth.

    Parameters
    ----------
    recording : Recording
    truth : Truth
    base : Setting, optional
        Delays, filter and evaluation rate that strategies keep; its levels are not used.
    rules : Rules
        Their tolerance is added to every border of every pass.
    stop_sample : int, samples, optional
        End of the block; by default the whole recording.

    Raises
    ------
    SettingError
        If the base setting has another unit, or evaluates faster than the recording was sampled.
    ParameterError
        If `stop_sample` is outside the recording.
    """

    def __init__(
        self,
        recording: Recording,
        truth: Truth,
        *,
        base: Setting | None = None,
        rules: Rules = USUAL_RULES,
        stop_sample: int | None = None,
    ) -> None:
        info = recording.info
        stop_sample = recording.samples if stop_sample is None else stop_sample
        _check(recording, truth, base, stop_sample)
        self.recording = recording
        self.stop_sample = stop_sample
        # Its levels are not used, and neither is a second pair of levels or a reference that they follow.
        kept = {} if base is None else asdict(base.switching)
        self.base = Setting(unit=info.unit, on_level=0.0, off_level=0.0, **kept)
        self.clock = Clock.of(recording.samples, info.sample_rate_hz, self.base.evaluation_rate_hz)
        self.border = border_evaluations(truth, self.clock, rules)
        self._stop = self.clock.first_at_or_after(stop_sample)
        self._evaluated = Evaluated(recording, self.clock, self._stop, left_out=truth.except_)
        windows = Windows.of(truth, self.clock, border=self.border)
        # Passes that are cut by the record or the teach block are not complete: they could not be shown.
        whole = (truth.start > 0) & (truth.end <= stop_sample) & (truth.end < recording.samples)
        for first, last in truth.except_:
            whole &= (truth.end <= first) | (truth.start >= last)
        rows = np.flatnonzero(whole & (windows.covered_to > windows.covered_from))
        self._rows = rows
        self._mid_before, self._mid_after = _mid_gaps(windows, rows, self._stop, self.clock.count)
        self._detect, self._label = truth.detect[rows], truth.label[rows]
        self._begins: dict[tuple[int, int], int] = {}
        self._alone: tuple[int, int, EventTable] | None = None
        gap_stop = windows.gap_stop.clip(max=self._stop)
        real = gap_stop > windows.gap_start
        (self._passes, self._gaps), self._seen = measure(
            self._evaluated,
            (windows.covered_from[rows], windows.covered_to[rows]),
            (windows.gap_start[real], gap_stop[real]),
        )
        if not (self._passes.valid.any() or self._gaps.valid.any()):
            _refuse_nothing_valid(recording)

    @property
    def teach_passes(self) -> int:
        """Number of detect passes that may be shown."""
        return int(np.count_nonzero(self._detect))

    @property
    def gaps(self) -> int:
        """Number of gaps that may be shown."""
        return int(self._gaps.start.size)

    def draw(
        self,
        needs: Iterable[Shown],
        seed: int,
        draw: int,
        *,
        sweep_passes: int = SWEEP_PASSES,
        either_direction: bool = False,
        tabled: bool = False,
    ) -> TeachView:
        """Draw the evidence for one teaching.

        The same seed and draw give every strategy the same pass, gap and start.

        Parameters
        ----------
        needs : iterable of Shown
            Kinds of evidence to show.
        seed, draw : int
            At least 0.
        sweep_passes : int
            Number of passes in a sweep, at least 1; fewer if the block has fewer.
        either_direction : bool
            Show evidence even if the direction of the objects is unclear; the view then says rise.
        tabled : bool
            Measure labelled events from tables of the block: the same, and worth it where there are many draws. Always
            done in a block of more than `MOST_SHOWN` evaluations, since tables hold no light.

        Raises
        ------
        Abstained
            If the block does not hold what is needed, or the direction of the objects is unclear.
        """
        if seed < 0 or draw < 0:
            raise ParameterError(f"seed and draw must be at least 0, got seed {seed} and draw {draw}.")
        shown = frozenset(needs)
        info = self.recording.info

        def stream(kind: int) -> np.random.Generator:
            # Each draw and kind has its own stream: draw 7 is the same with or without draws 0 to 6, and an object
            # shown is the same for a strategy that needs more than the object.
            return np.random.default_rng(np.random.SeedSequence(seed, spawn_key=(draw, kind)))

        return TeachView(
            direction=self._clear_direction or Direction.RISE if either_direction else self.direction,
            unit=info.unit,
            full_scale=info.full_scale,
            dark_level=info.dark_level,
            rate_hz=self.clock.rate_hz,
            base=self.base,
            shown=shown,
            background_=self._background(stream(_BACKGROUND), stream(_STRETCH)) if Shown.BACKGROUND in shown else None,
            object_=self._object(stream(_OBJECT)) if Shown.OBJECT in shown else None,
            sweep_=self._sweep(stream(_SWEEP), sweep_passes) if Shown.SWEEP in shown else None,
            events_=self._events_from(self.events_begin(seed, draw), self._half, tabled=tabled)
            if Shown.EVENTS in shown
            else None,
        )

    @property
    def direction(self) -> Direction:
        """What objects do to the light: as stored, otherwise as found in the block.

        Raises
        ------
        Abstained
            If it is not stored, and rise and dip are too similar.
        """
        found = self._clear_direction
        if found is None:
            raise Abstained(
                "the teach block does not show whether products raise or lower the light",
                self.contrasts.told(self.recording.info.unit),
                f"one at least {REQUIRED_RATIO} times the other, or a direction stored with the recording",
            )
        return found

    @property
    def _clear_direction(self) -> Direction | None:
        return self.recording.info.direction or self.contrasts.direction

    @cached_property
    def contrasts(self) -> Contrasts:
        """How far the detect passes of the block reach above and below its gaps."""
        passes = self._passes.select(self._detect)
        if not (passes.valid.any() and self._gaps.valid.any()):
            return Contrasts(float("nan"), float("nan"))
        for extremes in (passes.low, passes.high, self._gaps.low, self._gaps.high):
            _refuse_too_strong(extremes[np.isfinite(extremes)])
        return contrasts(passes.high, passes.low, self._gap_median())

    def _gap_median(self) -> float:
        total = int((self._gaps.stop - self._gaps.start).sum())
        step = -(-total // MEDIAN_EVALUATIONS)
        parts, seen = [], 0
        for a, b in zip(self._gaps.start.tolist(), self._gaps.stop.tolist(), strict=True):
            # Every step-th evaluation over all gaps in a row, not of each gap: otherwise short gaps would count too
            # often.
            parts.append(self._evaluated.read(a, b)[-seen % step :: step])
            seen += b - a
        levels = np.concatenate(parts)
        return float(np.median(levels[~np.isnan(levels)]))

    def _object(self, random: np.random.Generator) -> Reading:
        return self._reading(random, self._passes.select(self._detect), "pass of an object to be detected")

    def _reading(self, random: np.random.Generator, among: Stretches, what: str) -> Reading:
        rows = np.flatnonzero(among.valid > 0)
        if rows.size == 0:
            raise Abstained(
                f"the teach block has no {what} with a valid evaluation",
                f"{among.start.size} of them in {number_of(self.stop_sample, 'sample')}, none with a valid evaluation",
                "at least 1",
            )
        k = rows[int(random.integers(rows.size))]
        a, b = int(among.start[k]), int(among.stop[k])
        # Without a hole the place is known without reading the light; with a hole, the middle of the valid part is
        # used.
        if among.valid[k] == b - a:
            chosen = a + _centre(b - a)
        else:
            chosen = a + np.flatnonzero(~np.isnan(self._evaluated.read(a, b)))[_centre(int(among.valid[k]))]
        first = int(chosen[0])
        light = self._evaluated.read(first, int(chosen[-1]) + 1)[chosen - first]
        return Reading(_light(light), self._sample(first), self._sample(int(chosen[-1])) + 1)

    def _background(self, random: np.random.Generator, random_stretch: np.random.Generator) -> Background:
        gaps = self._gaps
        reading = self._reading(random, gaps, "gap")
        need = max(ceil(STRETCH_S * exact(self.clock.rate_hz)), READING_EVALUATIONS)
        # A stretch may begin only in a gap after which there is enough light; if there is none, in the first gap, with
        # less light.
        follow = np.cumsum(gaps.valid[::-1])[::-1]
        enough = np.flatnonzero((follow >= need) & (gaps.valid > 0))
        k = int(enough[int(random_stretch.integers(enough.size))]) if enough.size else int(np.argmax(gaps.valid > 0))
        parts, have, first, last = [], 0, -1, -1
        while have < need and k < gaps.start.size:
            a, b = int(gaps.start[k]), int(gaps.stop[k])
            if gaps.valid[k] == b - a:
                # Without a hole, no more is read than is needed.
                b = min(b, a + need - have)
                levels, some = self._evaluated.read(a, b), [a, b - 1]
            else:
                levels = self._evaluated.read(a, b)
                valid = np.flatnonzero(~np.isnan(levels))[: need - have]
                levels, some = levels[valid], (valid[[0, -1]] + a).tolist() if valid.size else []
            parts.append(levels)
            have += levels.size
            if some:
                first, last = some[0] if first < 0 else first, some[1]
            k += 1
        return Background(reading, _light(np.concatenate(parts)), self._sample(first), self._sample(last) + 1)

    def _sweep(self, random: np.random.Generator, passes: int) -> Sweep:
        if passes < 1:
            raise StrategyError(f"a sweep lets at least 1 pass by, got {passes}.")
        rows = np.flatnonzero(self._detect)
        self._need_passes(rows.size, "to sweep over")
        count = min(passes, rows.size)
        first = int(random.integers(rows.size - count + 1))
        a, b = int(self._mid_before[rows[first]]), int(self._mid_after[rows[first + count - 1]])
        return Sweep(_light(self._evaluated.read(a, b)), count, self._sample(a))

    def events_begin(self, seed: int, draw: int) -> int:
        """Return with which of the passes the labelled events of a draw begin; abstain without passes."""
        total = int(self._detect.size)
        self._need_passes(total, "to show")
        if (seed, draw) not in self._begins:
            stream = np.random.default_rng(np.random.SeedSequence(seed, spawn_key=(draw, _EVENTS)))
            self._begins[seed, draw] = int(stream.integers(total - self._half + 1))
        return self._begins[seed, draw]

    def expect(self, seed: int, draws: Iterable[int]) -> None:
        """Take note of draws whose labelled events will be shown out of tables: what can be is measured together."""
        if self._detect.size:
            self._table.expect(self._showing(self.events_begin(seed, draw), self._half) for draw in draws)

    @property
    def _half(self) -> int:
        """How many passes a draw shows with their labels."""
        return (int(self._detect.size) + 1) // 2

    def _showing(self, first: int, count: int) -> tuple[int, int]:
        """Return the evaluations ``[from, to)`` of some passes and of half the gaps beside them."""
        return int(self._mid_before[first]), int(self._mid_after[first + count - 1])

    def in_hindsight(self, first_row: int) -> TeachView:
        """Show every pass from a row of the truth on, with the gaps around it: for hindsight, never for teaching.

        Raises
        ------
        Abstained
            If no complete pass is left, or the direction of the objects is unclear.
        """
        first = int(np.searchsorted(self._rows, first_row))
        self._need_passes(int(self._detect.size) - first, "to show")
        return replace(
            self.draw((), 0, 0), shown=frozenset({Shown.EVENTS}),
            events_=self._events_from(first, int(self._detect.size) - first),
        )  # fmt: skip

    def _events_from(self, first: int, count: int, *, tabled: bool = False) -> Events:
        rows = slice(first, first + count)
        a, b = self._showing(first, count)
        shown: dict[str, Any] = {
            "start": frozen(self._passes.start[rows] - a),
            "end": frozen(self._passes.stop[rows] - a),
            "detect": frozen(self._detect[rows]),
            "label": frozen(self._label[rows]),
            "guard": self.border,
            "at_sample": self._sample(a),
        }

        def light() -> Levels:
            return _light(self._evaluated.read(a, b))

        if not (tabled or self._stop > MOST_SHOWN):
            refuse_to_hold(b - a)
            return Events(light(), **shown)
        shared = tabled or self._table.repeated
        if shared and self._table.strongest <= LARGEST and self._table.serves(a):
            return TabledEvents(self._table, a, b, light, **shown)
        table = self._table_alone(first, count)
        _refuse_too_strong(np.array([table.strongest]))
        return TabledEvents(table, 0, b - a, light, **shown)

    @cached_property
    def _table(self) -> EventTable:
        return EventTable(self._evaluated, self._passes.start, self._passes.stop, self._detect, self.border, self._seen)

    def _table_alone(self, first: int, count: int) -> EventTable:
        """Return tables of one showing, whose light is not held as that of the block is; the last ones are kept."""
        if self._alone is None or self._alone[:2] != (first, count):
            a, b = self._showing(first, count)
            rows, part = slice(first, first + count), EvaluatedPart(self._evaluated, a, b)
            passes = self._passes.start[rows] - a, self._passes.stop[rows] - a
            seen = self._seen.within(a, b) if self._seen.strongest <= LARGEST else measure(part)[1]
            self._alone = first, count, EventTable(part, *passes, self._detect[rows], self.border, seen)
        return self._alone[2]

    def _need_passes(self, count: int, what: str) -> None:
        if count == 0:
            raise Abstained(
                f"the teach block has no whole pass {what}",
                f"0 passes in {number_of(self.stop_sample, 'sample')}",
                "at least 1 pass",
            )

    def _sample(self, evaluation: int) -> int:
        return int(self.clock.sample_of(np.array([evaluation]))[0])


def _check(recording: Recording, truth: Truth, base: Setting | None, stop_sample: int) -> None:
    truth.check_inside(recording.samples)
    if not 0 <= stop_sample <= recording.samples:
        raise ParameterError(
            f"the teach block must end inside the recording of {number_of(recording.samples, 'sample')}, got sample "
            f"{stop_sample}."
        )
    if base is not None and base.unit != recording.info.unit:
        raise SettingError(
            f"the base setting is in {base.unit!r}, the recording {recording.name} in {recording.info.unit!r}. "
            "Give a base setting in the unit of the recording."
        )


def _refuse_nothing_valid(recording: Recording) -> None:
    """Refuse a recording without any valid sample: that is a bad input and no reason to abstain."""
    for block in recording.blocks():
        invalid = block.invalid_mask()
        if block.light.size and (invalid is None or not invalid.all()):
            return
    raise no_valid_sample(recording.name, recording.samples)


def _mid_gaps(windows: Windows, rows: Integers, stop: int, count: int) -> tuple[Integers, Integers]:
    """Return the evaluations in the middle of the gaps before and after some passes."""
    real = np.flatnonzero(windows.covered_to > windows.covered_from)
    a, b = windows.covered_from[real], windows.covered_to[real]
    before = (np.concatenate(([0], b[:-1])) + a) // 2 if real.size else a
    after = (b + np.concatenate((a[1:], [count]))) // 2 if real.size else b
    at = np.searchsorted(real, rows)
    return before[at].clip(max=stop), after[at].clip(max=stop)


def _centre(size: int) -> Integers:
    """Return which of `size` valid evaluations form a static reading.

    The `READING_EVALUATIONS` in the middle; if there are fewer, the middle half: a quarter, rounded down, is left out
    at each end.

    Examples
    --------
    >>> _centre(6).tolist(), _centre(100)[[0, -1]].tolist()
    ([1, 2, 3, 4], [30, 69])
    """
    if size < READING_EVALUATIONS:
        return np.arange(size // 4, size - size // 4)
    first = (size - READING_EVALUATIONS) // 2
    return np.arange(first, first + READING_EVALUATIONS)


def _light(light: Levels) -> Levels:
    """Return light as it may be shown; abstain if it is too strong to be calculated with."""
    _refuse_too_strong(light)
    return frozen(light)


def _refuse_too_strong(light: Levels) -> None:
    strongest = max(float(np.fmax.reduce(light, initial=0.0)), -float(np.fmin.reduce(light, initial=0.0)))
    if strongest > LARGEST:
        raise Abstained(
            "the light is too strong to be calculated with", in_figures(strongest, 3), f"at most {in_figures(LARGEST)}"
        )


def frozen(values: A) -> A:
    """Return an array made read-only."""
    # A strategy that changes what it is shown would change what the next one sees.
    values.flags.writeable = False
    return values


def polarity_for(recording: Recording, truth: Truth) -> Polarity:
    """Return the polarity that makes objects active."""
    try:
        direction = recording.info.direction or TeachBlock(recording, truth).direction
    except Abstained as fault:
        raise ParameterError(
            f"{recording.name}: whether objects raise or lower the light is not stored, and the passes do not show it: "
            f"{fault}. Do the passes belong to this recording? `teachlab align` tells. If they do, store the "
            "direction: import the log again with `teachlab import --direction rise`, or dip."
        ) from None
    return polarity_of(direction)
