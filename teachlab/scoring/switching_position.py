"""Where in the pass the output switches: onset after the start, release after the end, and what changes them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from teachlab.light.windows import Windows, border_evaluations
from teachlab.model.arrays import Floats
from teachlab.model.json_values import picked
from teachlab.model.margin import Margin
from teachlab.model.recording import RecordingInfo
from teachlab.model.score import USUAL_RULES, Outcome, Rules, Trials
from teachlab.model.truth import Names, Truth
from teachlab.sensor.output import Output
from teachlab.statistics.median_slope import median_slope
from teachlab.statistics.quantiles import QuantileSpread

Rows = NDArray[np.int64]

MOST_IN_SLOPE = 2000
"""Slopes are taken between at most this many passes, evenly spaced if there are more."""
LEAST_IN_SLOPE = 10
"""With fewer passes, or if all passes have the same light, there is no slope."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PositionSlope:
    """How much a position changes with the peak light of the pass.

    `per_unit`, `low`, `high` (ms per recording unit): Theil–Sen slope with its interval, which assumes independent
    passes; negative where brighter objects switch earlier.
    """

    per_unit: float
    low: float
    high: float
    passes: int

    @property
    def established(self) -> bool:
        """Whether the interval does not contain 0."""
        return self.low > 0 or self.high < 0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SwitchingPosition:
    """Positions of the onsets and releases of all hits.

    `rows` (shape (hits,)): passes that were hit.
    `onset_ms` (shape (hits,), ms): first active evaluation after the first evaluation of the pass; negative if it comes
    before it.
    `release_ms` (shape (hits,), ms): first inactive evaluation after the end of the pass; NaN if the output was held
    into the next pass.
    `peak` (shape (hits,), recording units): peak light of the pass (its lowest light where objects lower the light);
    NaN if it was not measured.
    `label`, `lot` (shape (hits,)): kind and lot; `lot` is None if no lots are named.
    `doubt_ms`: uncertainty of the borders of the truth.
    `doubt_is`: ``"jitter"`` if it was measured, otherwise ``"uncertainty"``.
    `line_speed_m_s`: line speed, which equals mm per ms.
    `confidence`: of every interval.
    """

    rows: Rows
    onset_ms: Floats
    release_ms: Floats
    peak: Floats
    label: Names
    lot: Names | None
    doubt_ms: float
    doubt_is: str
    line_speed_m_s: float | None
    confidence: float

    @property
    def onset(self) -> QuantileSpread | None:
        """Of the onsets, ms; None without a hit."""
        return QuantileSpread.of(self.onset_ms, confidence=self.confidence)

    @property
    def release(self) -> QuantileSpread | None:
        """Of the releases before the next pass, ms; None without one."""
        return QuantileSpread.of(self.release_ms[~np.isnan(self.release_ms)], confidence=self.confidence)

    @property
    def doubt_of(self) -> str:
        """What `doubt_ms` is, in words: the stated doubt of the borders, or less where their scatter was measured."""
        return "measured standard deviation of the borders" if self.doubt_is == "jitter" else "doubt of the borders"

    @property
    def held(self) -> int:
        """Number of hits whose output was still active when the next pass began."""
        return int(np.count_nonzero(np.isnan(self.release_ms)))

    @property
    def onset_slope(self) -> PositionSlope | None:
        """Of the onsets on peak light."""
        return _slope(self.peak, self.onset_ms, self.confidence)

    @property
    def release_slope(self) -> PositionSlope | None:
        """Of the releases on peak light."""
        return _slope(self.peak, self.release_ms, self.confidence)

    def told_apart(self, spread: QuantileSpread) -> bool:
        """Whether a spread, in ms, is larger than the uncertainty of the borders can make it."""
        return spread.spread >= 2 * self.doubt_ms

    def in_words(self, spread: QuantileSpread) -> str:
        """Return median and spread of an edge with units, and whether they exceed the uncertainty of the borders."""
        speed = self.line_speed_m_s
        mm = "" if speed is None else f" ({spread.spread * speed:.3g} mm)"
        said = f"{spread.median:.3g} ms from the border in the middle, with a spread of {spread.spread:.3g} ms{mm}"
        if self.told_apart(spread):
            return said
        return f"{said}, smaller than the {self.doubt_of}"

    def points(self, most: int = 400) -> dict[str, Any]:
        """Return evenly selected passes with their positions; `from_points` reads them again."""
        picked = np.unique(np.linspace(0, max(self.rows.size - 1, 0), min(most, self.rows.size)).astype(np.int64))
        names = {"onset_ms": self.onset_ms, "release_ms": self.release_ms, "peak": self.peak, "label": self.label}
        return {"pass": self.rows[picked], **{name: values[picked] for name, values in names.items()}}

    @classmethod
    def from_points(cls, points: Mapping[str, Any], **more: Any) -> SwitchingPosition:
        """Return the passes that `points` gave, from its plain JSON form; `more` holds the other fields."""

        def floats(name: str) -> Floats:
            return np.array([np.nan if value is None else value for value in points[name]], np.float64)

        return cls(
            rows=np.array(points["pass"], np.int64),
            onset_ms=floats("onset_ms"),
            release_ms=floats("release_ms"),
            peak=floats("peak"),
            label=np.array(points["label"], object),
            lot=None,
            **more,
        )

    def by(self, names: Names) -> dict[str, tuple[QuantileSpread, QuantileSpread | None]]:
        """Return onset and release of every kind or lot, in the order in which the names come first."""
        out = {}
        for name in dict.fromkeys(names.tolist()):
            chosen = names == name
            release = self.release_ms[chosen]
            onset = QuantileSpread.of(self.onset_ms[chosen], confidence=self.confidence)
            if onset is not None:
                out[str(name)] = onset, QuantileSpread.of(release[~np.isnan(release)], confidence=self.confidence)
        return out

    def as_dict(self) -> dict[str, Any]:
        """Return the plain JSON form: everything in ms, and in mm if the line speed is known."""
        return {
            "hits": int(self.rows.size),
            **picked(self, "held", "doubt_ms", "doubt_is", "line_speed_m_s"),
            "assumes": "passes are independent",
            "onset": self._edge(self.onset, self.onset_slope),
            "release": self._edge(self.release, self.release_slope),
            "by_label": self._groups(self.label),
            "by_lot": {} if self.lot is None else self._groups(self.lot),
        }

    def _edge(self, spread: QuantileSpread | None, slope: PositionSlope | None) -> dict[str, Any] | None:
        if spread is None:
            return None
        return self._units(spread) | {
            "told_apart_from_truth": self.told_apart(spread),
            "slope_on_peak_light": None if slope is None else asdict(slope) | {"established": slope.established},
        }

    def _units(self, spread: QuantileSpread) -> dict[str, Any]:
        speed = self.line_speed_m_s
        return {"ms": spread.as_dict(), "mm": None if speed is None else spread.times(speed).as_dict()}

    def _groups(self, names: Names) -> dict[str, Any]:
        return {
            name: {"onset": self._units(onset), "release": None if release is None else self._units(release)}
            for name, (onset, release) in self.by(names).items()
        }


def switching_position(
    output: Output,
    truth: Truth,
    trials: Trials,
    info: RecordingInfo,
    *,
    rules: Rules = USUAL_RULES,
    margin: Margin | None = None,
    jitter_ms: float | None = None,
) -> SwitchingPosition:
    """Measure where every hit became active, and where it became inactive before the next pass.

    `trials`: trials of its score: only hits are used.
    `info`: for the line speed.
    `margin`: for the peak light of every pass.
    `jitter_ms`: jitter of the borders of the truth, if it was measured; otherwise the uncertainty in the truth is
    used.

    Onset: first onset in the window minus the first evaluation of the pass. Release: end of the last active run that
    began in the window, minus the first evaluation after the pass. It counts only if it comes before the first
    evaluation of the next pass of any kind. Both may be negative.
    """
    clock = output.clock
    windows = Windows.of(truth, clock, border=border_evaluations(truth, clock, rules), lag=output.lag)
    rows = trials.rows(trials.passes == Outcome.HIT)
    starts, ends = output.output.runs(clock.count)
    first = np.searchsorted(starts, windows.start[rows])
    last = np.searchsorted(starts, windows.stop[rows]) - 1
    onset = (starts[first] - windows.covered_from[rows]).astype(np.float64)
    release = (ends[last] - windows.covered_to[rows]).astype(np.float64)
    release[ends[last] >= _next_begin(windows, clock.count)[rows]] = np.nan
    ms = 1000 / float(clock.rate_hz)
    peak = np.full(rows.size, np.nan)
    if margin is not None and margin.peak_of_pass is not None:
        peak = margin.peak_of_pass[rows] * output.setting.sign
    own = 1000 * truth.uncertainty_samples / clock.sample_rate_hz
    return SwitchingPosition(
        rows=rows,
        onset_ms=ms * onset,
        release_ms=ms * release,
        peak=peak,
        label=truth.label[rows],
        lot=None if truth.lot is None else truth.lot[rows],
        doubt_ms=own if jitter_ms is None else jitter_ms,
        doubt_is="uncertainty" if jitter_ms is None else "jitter",
        line_speed_m_s=info.line_speed_m_s,
        confidence=rules.confidence,
    )


def _next_begin(windows: Windows, count: int) -> Rows:
    """Return the first evaluation of the next pass that has any; after the last pass, the end of the record."""
    real = windows.covered_to > windows.covered_from
    begin = np.where(real, windows.covered_from, count)
    # Passes ascend, so the nearest later pass with an evaluation is the smallest later start.
    later = np.minimum.accumulate(begin[::-1])[::-1]
    return np.append(later[1:], count).astype(np.int64)


def _slope(peak: Floats, position: Floats, confidence: float) -> PositionSlope | None:
    known = np.flatnonzero(np.isfinite(peak) & np.isfinite(position))
    # Every two passes give a slope: time and memory grow with the square of their number.
    if known.size > MOST_IN_SLOPE:
        known = known[np.linspace(0, known.size - 1, MOST_IN_SLOPE).astype(np.int64)]
    if known.size < LEAST_IN_SLOPE or np.ptp(peak[known]) == 0:
        return None
    slope, low, high = median_slope(position[known], peak[known], confidence)
    if not np.isfinite((low, high)).all():
        return None
    return PositionSlope(per_unit=slope, low=low, high=high, passes=int(known.size))
