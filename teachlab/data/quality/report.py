"""Quality of a recording: its contents, its noise, its drift, and whether a level can work."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from teachlab.data.quality.scan import QualityScan
from teachlab.data.quality.separability import Separability, separability
from teachlab.errors import RecordingError
from teachlab.light.direction import Contrasts, contrasts
from teachlab.light.noise import local_noise
from teachlab.model.json_values import Document
from teachlab.model.printable_text import number_of
from teachlab.model.recording import Block, Direction, Recording
from teachlab.model.score import USUAL_RULES, Rules
from teachlab.model.truth import Truth


@dataclass(frozen=True, slots=True)
class QualityNoise:
    """Local noise, recording units; None if it cannot be measured.

    `object`, `background` (recording units): inside detect passes, and in the gaps.
    `overall` (recording units): over all samples, in passes and in gaps.
    `step` (recording units): smallest step between levels that occur; noise is at least ``step / √12``.
    """

    object: float | None
    background: float | None
    overall: float | None
    step: float | None


@dataclass(frozen=True, slots=True)
class DriftBlock:
    """Medians over one stretch of time, recording units; `object` is the median peak of the passes that begin there."""

    start_s: float
    stop_s: float
    level: float | None
    background: float | None
    object: float | None


@dataclass(frozen=True, slots=True)
class QualityDrift:
    """How the levels change over the recording.

    `blocks`: equal stretches of time.
    `level_per_hour`, `background_per_hour`, `object_per_hour` (recording units per hour): slope of the least-squares
    line through the medians; None for fewer than two.
    """

    blocks: tuple[DriftBlock, ...]
    level_per_hour: float | None
    background_per_hour: float | None
    object_per_hour: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Quality(Document):
    """What `inspect` knows of a recording; None if it is unknown.

    `invalid`, `saturated`: shares of all samples; saturated means at or below 0, or at or above full scale.
    `low`, `high` (recording units): extremes of the valid samples.
    `at_low`, `at_high`: shares of all samples exactly at these values: many at a level inside the receiver's range mean
    that the light is clipped before the log.
    `direction`: as stored, otherwise as found from the truth.
    `contrasts`: how far passes reach above and below the background.
    `background` (recording units): median of the gaps.
    `contrast` (recording units): median of the pass peaks minus the median of the background; negative for dips.
    `separable`: whether one level separates all passes from all gaps at zero hysteresis.
    `separability`: the best level, and what prevents a better one.
    """

    recording: str
    samples: int
    sample_rate_hz: float
    seconds: float
    unit: str
    dtype: str
    invalid: float
    saturated: float | None
    low: float
    high: float
    at_low: float
    at_high: float
    direction: Direction | None
    direction_stored: bool
    contrasts: Contrasts | None
    passes: int | None
    detect_passes: int | None
    ignore_passes: int | None
    gaps: int | None
    truth_source: str | None
    noise: QualityNoise
    background: float | None
    contrast: float | None
    separable: bool | None
    separability: Separability | None
    drift: QualityDrift

    def as_dict(self) -> dict[str, Any]:
        """Return the plain JSON form."""
        return {"schema": 1, **Document.as_dict(self)}


def inspect_recording(
    recording: Recording,
    truth: Truth | None = None,
    *,
    rules: Rules = USUAL_RULES,
    progress: Callable[[float], None] = lambda share: None,
    beside: Callable[[Block], None] | None = None,
) -> Quality:
    """Measure the quality of a recording in one reading and bounded memory.

    `truth`: without it, the results on passes, sides, contrast and separability are None.
    `rules`: their tolerance is how far windows extend beyond passes, in addition to the uncertainty of the truth.
    `beside`: called with every block too, for other questions on the recording.
    Raises RecordingError if there is no valid sample.
    Raises TruthError if a pass ends outside the recording.

    Notes
    -----
    Medians are exact up to `KEPT_VALUES` values (`DRIFT_VALUES` for each stretch of the drift); beyond, they are taken
    from an even selection. Extremes, counts and separability are always exact.
    """
    if truth is not None:
        truth.check_inside(recording.samples)
    found = QualityScan(recording, truth, rules).run(progress, beside)
    if found.invalid == recording.samples:
        raise RecordingError(
            f"{recording.name}: none of the {number_of(recording.samples, 'sample')} is valid (all null or NaN). "
            "There is nothing to inspect; log it again."
        )
    info = recording.info
    reaches = _contrasts(found, truth)
    direction = info.direction if info.direction is not None else (None if reaches is None else reaches.direction)
    parts = None if truth is None or direction is None else separability(found, truth, direction)
    background = found.background.median()
    peaks = _peaks(found, truth, direction)
    step = found.step.step()
    return Quality(
        recording=recording.name,
        samples=recording.samples,
        sample_rate_hz=info.sample_rate_hz,
        seconds=recording.seconds,
        unit=info.unit,
        dtype=str(recording.dtype),
        invalid=found.invalid / recording.samples,
        saturated=None if info.full_scale is None else found.saturated / recording.samples,
        low=found.low,
        high=found.high,
        at_low=found.at_low / recording.samples,
        at_high=found.at_high / recording.samples,
        direction=direction,
        direction_stored=info.direction is not None,
        contrasts=reaches,
        passes=None if truth is None else truth.passes,
        detect_passes=None if truth is None else truth.detect_passes,
        ignore_passes=None if truth is None else truth.passes - truth.detect_passes,
        gaps=None if found.windows is None else int(found.windows.gap_start.size),
        truth_source=None if truth is None else str(truth.source),
        noise=QualityNoise(
            local_noise(found.object_steps.values(), step),
            local_noise(found.gap_steps.values(), step),
            local_noise(found.all_steps.values(), step),
            step,
        ),
        background=background,
        contrast=float(np.median(peaks)) - background if peaks.size and background is not None else None,
        separable=None if parts is None else parts.separable,
        separability=parts,
        drift=_drift(found, truth, direction, info.sample_rate_hz),
    )


def _contrasts(found: QualityScan, truth: Truth | None) -> Contrasts | None:
    background = found.background.median()
    if truth is None or found.passes is None or background is None:
        return None
    return contrasts(found.passes.high[truth.detect], found.passes.low[truth.detect], background)


def _peaks(found: QualityScan, truth: Truth | None, direction: Direction | None) -> NDArray[np.float64]:
    """Return the peaks of the detect passes that have a valid sample, over their windows."""
    if truth is None or direction is None or found.reach is None:
        return np.empty(0)
    peaks = found.reach.high if direction is Direction.RISE else found.reach.low
    known: NDArray[np.float64] = peaks[truth.detect & ~np.isnan(peaks)]
    return known


def _drift(found: QualityScan, truth: Truth | None, direction: Direction | None, rate_hz: float) -> QualityDrift:
    edges = found.drift_edges
    objects: list[float | None] = [None] * (edges.size - 1)
    if truth is not None and direction is not None and found.reach is not None:
        peaks = found.reach.high if direction is Direction.RISE else found.reach.low
        known = truth.detect & ~np.isnan(peaks)
        block = np.searchsorted(edges, truth.start, side="right") - 1
        for k in np.unique(block[known]):
            objects[int(k)] = float(np.median(peaks[known & (block == k)]))
    levels = [kept.median() for kept in found.drift_all]
    backgrounds = [kept.median() for kept in found.drift_background]
    hours = (edges[:-1] + edges[1:]) / 2 / rate_hz / 3600
    return QualityDrift(
        tuple(
            DriftBlock(float(a) / rate_hz, float(b) / rate_hz, *medians)
            for a, b, *medians in zip(edges[:-1], edges[1:], levels, backgrounds, objects, strict=True)
        ),
        _slope(hours, levels),
        _slope(hours, backgrounds),
        _slope(hours, objects),
    )


def _slope(hours: NDArray[np.float64], medians: list[float | None]) -> float | None:
    values = np.array([np.nan if m is None else m for m in medians], np.float64)
    known = np.isfinite(values)
    if np.count_nonzero(known) < 2:
        return None
    x = hours[known] - hours[known].mean()
    scale = float(np.abs(x).max())
    return float(np.polynomial.polynomial.polyfit(x / scale, values[known], 1)[1] / scale)
