"""What the light of a recording demands of any fixed setting that loses nothing and trips nowhere.

Every demand here is necessary for every pair of levels, including hysteresis, filter and delays. So windows of levels
that exclude each other are a proof. Objects are up; a dip is treated upside down.

- A pass is hit only if its peak reaches the on-level: ``on <= peak``. With a filter or on-delay the light may
  have reached it so long before the window.
- Before a hit the light must have been below the on-level, so ``on > V``, V the highest of the valleys before
  passes; and the output must be inactive just before the onset, so ``on > S``, S the highest of the levels at
  which filter and delays keep it active there. Between one hit and the next the light must fall below the
  off-level too: ``off > V`` with V the highest of the valleys between passes.
- If the gap before a pass never falls below the on-level, the output is active there, since an onset in the gap is
  a fault; to switch on again it must let go within the pass. So ``on > min(gap, pass)``, lowest light of either,
  where the gap lasts as long as filter and on-delay ask for.
- In a gap the light that has come down to the valleys between passes is below every such off-level. If it then
  stays at or below S for as long as filter and off-delay hold the output, and rises to the on-level for as long
  as filter and on-delay ask for, the gap trips. A recording that begins at or below S begins inactive.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from teachlab.errors import TruthError
from teachlab.light.excluded import excluded_trials
from teachlab.light.extremes import Cells
from teachlab.light.lasting_extremes import Hold, SustainedExtremes
from teachlab.light.noise import Selection
from teachlab.light.stretches import Evaluated
from teachlab.light.usable_light import bounded, bounded_recording, largest
from teachlab.light.windows import Windows, border_evaluations
from teachlab.model.arrays import Flags, Floats
from teachlab.model.recording import Block, Light, Recording
from teachlab.model.score import USUAL_RULES, Rules
from teachlab.model.setting import Setting
from teachlab.model.truth import Truth
from teachlab.sensor.clock import Clock
from teachlab.sensor.evaluated_blocks import evaluated
from teachlab.sensor.output import onset_lag
from teachlab.sensor.running_extremes import running_max, running_min
from teachlab.sensor.validity import Validity

Rows = NDArray[np.int64]
LOOKED_AT = 1 << 16
"""The median of the gaps is taken over this number of evaluations."""
READ_ALONE = 64
"""So many of the highest rests are read one by one; if they do not settle it, the others are read in time order."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Demands:
    """Trials of a recording, upside down if objects dip.

    `rise`: whether objects raise the light.
    `peak` (shape (passes,), recording units): highest light of each detect pass, with what a filter or on-delay still
    sees of the light before.
    `valley`, `lasting` (shape (passes,), recording units): lowest light since the previous pass began; and the highest
    on-level with which the output is active at every place before a possible onset, −inf if any fall is enough to
    release it.
    `entered` (shape (passes,), recording units): lowest light of a pass and of the gap directly before it, −inf if
    there is none or it is too short.
    `other` (shape (passes,), recording units): lowest light of the same passes.
    `labels`, `lots`: of the same passes; without a column there are no lots.
    `start`, `stop` (shape (rests,), evaluations): gaps, and windows of `ignore` passes.
    `top` (shape (rests,), recording units): no light of a rest is higher.
    `beside` (shape (rests, 2)): the passes (as above) before and after each gap, −1 if there is none.
    `everyone` (shape (rests,)): whether a rest is background for every kind of object: `ignore` passes.
    `low`, `high` (recording units): extremes of the background.
    `median` (recording units): of the light in the gaps.
    `lowest`, `highest` (recording units): of all light, not upside down.
    `evaluated`: to read stretches again.
    `sustained`, `held` (evaluations): how long light must last to switch the output, and how much longer the output is
    held.
    """

    rise: bool
    peak: Floats
    valley: Floats
    lasting: Floats
    entered: Floats
    other: Floats
    labels: list[str]
    lots: list[str]
    start: Rows
    stop: Rows
    top: Floats
    beside: Rows
    everyone: Flags
    low: float
    high: float
    median: float
    lowest: float
    highest: float
    evaluated: Evaluated
    sustained: int
    held: int

    def ends(self, *, label: str | None = None, lot: str | None = None) -> tuple[float, float]:
        """Return what on-levels must exceed and must not exceed, for the objects of one label or lot, or for all.

        Background: the gaps beside those passes, and every pass to be ignored.
        """
        own = np.ones(self.peak.size, bool)
        if label is not None:
            own &= np.array(self.labels, object) == label
        if lot is not None:
            own &= np.array(self.lots, object) == lot
        # A gap belongs to the passes on either side of it: the gaps of another kind demand nothing.
        near = self.everyone | np.append(own, False)[self.beside].any(axis=1) | bool(own.all())
        valley = float(self.valley[own].max())
        lasting = max(valley, float(self.lasting[own].max()), float(self.entered[own].max()))
        # Before the first pass no output need be released: what lies there says nothing about off-levels. Of a single
        # pass it does: a setting that never lets go after it is none that works.
        between = float(self.valley[1:][own[1:]].max(initial=-math.inf)) if self.valley.size > 1 else valley
        demand = lasting
        # No rest demands more than its highest light. The highest rests are read first: nearly always they alone.
        rest = np.flatnonzero(near & (self.top > lasting))
        rest = rest[np.argsort(-self.top[rest], kind="stable")]
        for k in rest[:READ_ALONE].tolist():
            if self.top[k] <= demand:
                break
            light = self.evaluated.read(int(self.start[k]), int(self.stop[k]))
            demand = max(demand, self._trips_up_to(self.upright(light), between, lasting, begins=not self.start[k]))
        rest = np.sort(rest[READ_ALONE:])
        rest = rest[self.top[rest] > demand]
        for begin, light in zip(self.start[rest], self.evaluated.each(self.start[rest], self.stop[rest]), strict=True):
            demand = max(demand, self._trips_up_to(self.upright(light), between, lasting, begins=not begin))
        weakest = float(self.peak[own].min())
        return (demand, weakest) if self.rise else (-demand, -weakest)

    def upright(self, light: Floats) -> Floats:
        """Return the valid light of a stretch, objects up."""
        return _upright(light, self.rise)

    def window_catches(self) -> bool:
        """Whether every pass leaves the range of the background on one side or the other."""
        return bool(((self.peak > self.high) | (self.other < self.low)).all())

    # A trip needs two conditions: the output was released in the gap, for as long as filter and delay hold it, and the
    # light rises again for as long as they delay the onset. The highest level at which this happens is the level that
    # must be exceeded.
    def _trips_up_to(self, light: Floats, valley: float, lasting: float, *, begins: bool) -> float:
        """Return the highest on-level above `lasting` at which upright light must trip, −inf if there is none.

        Dark for `held` + 1 evaluations from the first at or below the valley on, or from the start of the recording
        (`begins`), then light for `sustained`.
        """
        if begins and light.size and light[0] <= lasting:
            rises = running_min(light, self.sustained)
            return float(rises.max()) if rises.size and rises.max() > lasting else -math.inf
        below = np.flatnonzero(light <= valley)
        if below.size == 0:
            return -math.inf
        light = light[below[0] :]
        dark, rises = running_max(light, self.held + 1), running_min(light, self.sustained)
        # Element i of `dark` ends at i + held, element i of `rises` begins at i: a rise must begin after it.
        released = np.flatnonzero(dark <= lasting)
        if released.size == 0:
            return -math.inf
        later = rises[released[0] + self.held + 1 :]
        return float(later.max()) if later.size and later.max() > lasting else -math.inf


def _upright(light: Floats, rise: bool) -> Floats:
    return light[~np.isnan(light)] * (1.0 if rise else -1.0)


class DemandsReading:
    """Measures the trials of a recording under a setting's filter, delays, rate and polarity while it is read."""

    def __init__(self, recording: Recording, truth: Truth, setting: Setting, rules: Rules = USUAL_RULES) -> None:
        self._recording, self._truth, self._setting = recording, truth, setting
        self._clock = clock = Clock.of(recording.samples, recording.info.sample_rate_hz, setting.evaluation_rate_hz)
        self._lag = onset_lag(setting, clock)
        self._windows = w = Windows.of(truth, clock, border=border_evaluations(truth, clock, rules), lag=self._lag)
        self._passes = SustainedExtremes(w.start, w.stop, 1)
        self._gaps = SustainedExtremes(w.gap_start, w.gap_stop, 1)
        self._validity, self._hold = Validity(), Hold()
        self._background = Selection(LOOKED_AT, at_least=int((w.gap_stop - w.gap_start).sum()))
        self._lowest, self._highest = math.inf, -math.inf

    @property
    def borders(self) -> Rows:
        """Where windows and gaps begin and end, evaluations."""
        w = self._windows
        return np.concatenate((w.start, w.stop, w.gap_start, w.gap_stop))

    def push(self, block: Block) -> None:
        """Take the next samples.

        Raises UnmeasurableError at light too large to be measured.
        """
        for seen in evaluated((bounded(block, self._recording.name),), self._clock):
            invalid = seen.invalid_mask()
            self._validity.push(invalid, seen.light.size)
            held = self._hold.push(seen.light, invalid)
            if held.size == 0:
                continue
            first = seen.stop - held.size
            for into in (self._passes, self._gaps):
                into.push(first, held)
            self._look(first, held, held.min(), held.max())

    def push_cells(self, cells: Cells) -> None:
        """Take the next samples, all of them valid, in cells that are cut at all `borders`."""
        low, high, beyond = cells.low.min(), cells.high.max(), largest(cells.light.dtype)
        if low < -beyond or high > beyond or not self._clock.every_sample or self._hold.waits:
            self.push(Block(cells.start, cells.light))
            return
        self._validity.push(None, cells.light.size)
        self._hold.push(cells.light, None)
        for into in (self._passes, self._gaps):
            into.push_cells(cells)
        self._look(cells.start, cells.light, low, high)

    def _look(self, first: int, held: Light, low: float, high: float) -> None:
        self._lowest, self._highest = min(self._lowest, float(low)), max(self._highest, float(high))
        start, stop = self._windows.gap_start, self._windows.gap_stop
        a, b = np.searchsorted(stop, first, side="right"), np.searchsorted(start, first + held.size)
        begin, end = (ends[a:b].clip(first, first + held.size) - first for ends in (start, stop))
        self._background.take_within(begin, end, held.__getitem__)

    def demands(self) -> Demands:
        """Return the demands, once every sample was taken; errors as of `demands_of`."""
        truth, setting, clock, windows = self._truth, self._setting, self._clock, self._windows
        passes, gaps = self._passes, self._gaps
        pass_out, gap_out = excluded_trials(truth, windows, clock, self._validity.state(), lag=self._lag)
        rise = setting.light_on
        sound = ~pass_out & ~np.isnan(passes.high)
        rows, ignored = np.flatnonzero(truth.detect & sound), np.flatnonzero(~truth.detect & sound)
        kept = np.flatnonzero(~gap_out & ~np.isnan(gaps.high))
        if rows.size == 0 or kept.size + ignored.size == 0:
            raise TruthError("feasibility needs a pass to be detected and a gap that are trials; log longer.")
        high, low = (passes.high, passes.low) if rise else (-passes.low, -passes.high)
        gap_high, gap_low = (gaps.high, gaps.low) if rise else (-gaps.low, -gaps.high)
        place = np.full(truth.passes + 2, -1, np.int64)  # one before the first pass, one behind the last
        place[rows + 1] = np.arange(rows.size)
        before = windows.gap_after[kept] + 1
        top = np.concatenate((gap_high[kept], high[ignored]))
        begin, end, tops, beside, everyone = _rests(
            np.concatenate((windows.gap_start[kept], windows.start[ignored])),
            np.concatenate((windows.gap_stop[kept], windows.stop[ignored])),
            top,
            np.concatenate((np.stack((place[before], place[before + 1]), axis=1), np.full((ignored.size, 2), -1))),
            np.repeat([False, True], [kept.size, ignored.size]),
        )
        background = self._background.values()
        back, holding = clock.delay(setting.holds_back_ms), clock.delay(setting.holds_on_ms)
        bottom = np.concatenate((gap_low[kept], low[ignored]))
        whole = Evaluated(bounded_recording(self._recording), clock, clock.count, keep=False)
        lasting, lead = _lasting(whole, windows, rows, setting.consecutive + back, holding, rise)
        return Demands(
            rise=rise,
            peak=np.maximum(high[rows], lead),
            valley=_valleys(windows, low, gap_low, rows),
            lasting=lasting,
            entered=_entered(windows, low, gap_low, rows, ~gap_out, whole, setting.consecutive + back),
            other=low[rows],
            labels=[str(x) for x in truth.label[rows]],
            lots=[] if truth.lot is None else [str(x) for x in truth.lot[rows]],
            start=begin,
            stop=end,
            top=tops,
            beside=beside,
            everyone=everyone,
            low=float(bottom.min()),
            high=float(top.max()),
            median=float(np.median(background)) if background.size else float(np.median(top)) * (1 if rise else -1),
            lowest=self._lowest,
            highest=self._highest,
            evaluated=whole,
            sustained=setting.consecutive + back,
            held=setting.consecutive - 1 + holding,
        )


def demands_of(recording: Recording, truth: Truth, setting: Setting, *, rules: Rules = USUAL_RULES) -> Demands:
    """Measure the trials of a recording under a setting's filter, delays, rate and polarity.

    Raises TruthError without a detect pass, or without background, among the trials.
    Raises UnmeasurableError at light too large to be measured.
    """
    reading = DemandsReading(recording, truth, setting, rules)
    for block in recording.blocks():
        reading.push(block)
    return reading.demands()


def _rests(
    start: Rows, stop: Rows, top: Floats, beside: Rows, everyone: Flags
) -> tuple[Rows, Rows, Floats, Rows, Flags]:
    """Join touching gaps and `ignore` windows: an onset anywhere in them is an error."""
    order = np.argsort(start, kind="stable")
    start, stop, top = start[order], stop[order], top[order]
    beside, everyone = beside[order], everyone[order]
    first = np.flatnonzero(np.concatenate(([True], start[1:] > stop[:-1])))
    last = np.concatenate((first[1:], [start.size])) - 1
    return (
        start[first],
        stop[last],
        np.maximum.reduceat(top, first),
        np.maximum.reduceat(beside, first, axis=0) if first.size < start.size else beside,
        np.logical_or.reduceat(everyone, first),
    )


def _valleys(windows: Windows, low: Floats, gap_low: Floats, rows: Rows) -> Floats:
    """Return the lowest light from the window of the previous detect pass to that of each detect pass."""
    start = np.concatenate((windows.start, windows.gap_start))
    order = np.argsort(start, kind="stable")
    lows = np.concatenate((low, gap_low))[order]
    lows = np.where(np.isnan(lows), np.inf, lows)
    where = np.empty(order.size, np.int64)
    where[order] = np.arange(order.size)
    own = where[rows]
    begin = np.concatenate(([0], own[:-1]))
    # Every second stretch is one of these; the last may end where the light does.
    found: Floats = np.minimum.reduceat(np.append(lows, np.inf), np.stack((begin, own + 1), axis=1).ravel())[::2]
    return found


def _entered(
    windows: Windows, low: Floats, gap_low: Floats, rows: Rows, sound: Flags, evaluated: Evaluated, sustained: int
) -> Floats:
    """Return the lowest light of each pass and of the gap directly before it, if that is a trial and long enough."""
    long = sound & ~np.isnan(gap_low) & (windows.gap_stop - windows.gap_start >= sustained)
    if sustained > 1:
        # The filter does not count invalid evaluations.
        some = np.flatnonzero(long)
        read = evaluated.each(windows.gap_start[some], windows.gap_stop[some])
        long[some] = [np.count_nonzero(~np.isnan(light)) >= sustained for light in read]
    before = np.full(windows.start.size + 1, -np.inf)
    before[windows.gap_after[long] + 1] = gap_low[long]
    entered: Floats = np.minimum(before[rows], low[rows])
    return entered


def _lasting(
    evaluated: Evaluated, windows: Windows, rows: Rows, sustained: int, holding: int, rise: bool
) -> tuple[Floats, Floats]:  # fmt: skip
    """Return the highest on-level with which the output is active before every onset, −inf if any fall ends it.

    And the highest light before each window that an onset in it may have waited for, −inf without filter and delays.

    An output is active at least where the light was at or above the on-level for `sustained` valid evaluations, and for
    `holding` more, valid or not: the running maximum of the running minimum. An onset in a window needs an inactive
    output at some evaluation from the one before the window on.
    """
    if sustained == 1 and holding == 0:
        return np.full(rows.size, -np.inf), np.full(rows.size, -np.inf)
    out, lead = [], []
    begin = np.append(0, windows.start[rows[:-1]])
    own = windows.start[rows] - 1
    for k, light in enumerate(evaluated.each(begin, windows.stop[rows])):
        up = _upright(light, rise)
        place = np.flatnonzero(~np.isnan(light))
        waited = _upright(light[: max(0, own[k] + 1 - begin[k])], rise)[::-1][: sustained - 1]
        lead.append(float(waited.max(initial=-np.inf)))
        # Before the recording everything is as at its first valid evaluation; before another begin it is unknown.
        known = begin[k] == 0
        surely = np.full(holding + light.size, up[0] if known else -np.inf)
        if known:
            up = np.concatenate((np.full(sustained - 1, up[0]), up))
        else:
            place = place[sustained - 1 :]
        lows = running_min(up, sustained)
        # An invalid evaluation keeps the state.
        surely[surely.size - light.size + place[0] if place.size else surely.size :] = np.repeat(
            lows, np.diff(np.append(place, light.size))
        )
        active = running_max(surely, holding + 1)[max(0, own[k] - begin[k]) : light.size - 1]
        out.append(float(active.min() if active.size else up.max()))
    return np.array(out), np.array(lead)
