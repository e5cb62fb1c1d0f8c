"""Faults of logging: dropouts, duplicated rows, a coarse or clipped logger, a false flag, wrong clocks."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from pydantic import Field

from teachlab.model.arrays import Flags, Floats, Floats32, Integers
from teachlab.synthetic.shared.sample_stretch import near
from teachlab.synthetic.shared.streams import CHUNK, stream
from teachlab.synthetic.shared.tables import Table


class Dropouts(Table):
    """Runs of samples without a value; lengths 1 … `longest` are equally likely.

    `share`: mean share of the samples.
    """

    share: float = Field(ge=0, le=0.5)
    longest: int = Field(default=20, ge=1, le=10_000)

    def words(self) -> str:
        """Return the effect in words."""
        return f"{100 * self.share:g} % of the samples missing, in runs of up to {self.longest}"


class Faults(Table):
    """All recording faults; every entry is optional.

    `duplicates_per_million`, `swapped_per_million`: rows written twice, and pairs of neighbouring rows in wrong order.
    `jitter_share`: standard deviation of the time stamps as a share of the sample period.
    `clock_drift_ppm`: how much the logger's clock runs too fast.
    `logger_bits`, `logger_ceiling_percent`: of a coarser logger after the sensor, and where it clips.
    """

    dropouts: Dropouts | None = None
    duplicates_per_million: float = Field(default=0.0, ge=0, le=1e5)
    swapped_per_million: float = Field(default=0.0, ge=0, le=1e5)
    jitter_share: float = Field(default=0.0, ge=0, le=1)
    clock_drift_ppm: float = Field(default=0.0, ge=-1e4, le=1e4)
    logger_every: int = Field(default=1, ge=1, le=1000)
    logger_bits: int | None = Field(default=None, ge=1, le=24)
    logger_ceiling_percent: float | None = Field(default=None, gt=0, le=100)
    wrong_direction_flag: bool = False
    unknown_full_scale: bool = False

    def words(self) -> list[str]:
        """Return one sentence per fault that is present."""
        parts = []
        if self.dropouts is not None:
            parts.append(self.dropouts.words())
        if self.duplicates_per_million:
            parts.append(f"{self.duplicates_per_million:g} rows per million written twice")
        if self.swapped_per_million:
            parts.append(f"{self.swapped_per_million:g} pairs of rows per million in the wrong order, in a raw log")
        if self.jitter_share:
            parts.append(f"time stamps jitter by {100 * self.jitter_share:g} % of the sample period")
        if self.clock_drift_ppm:
            parts.append(f"the logger's clock is {self.clock_drift_ppm:g} ppm fast")
        if self.logger_every > 1:
            parts.append(f"logged is one evaluation of {self.logger_every}")
        if self.logger_bits is not None:
            parts.append(f"logged with {self.logger_bits} bits only")
        if self.logger_ceiling_percent is not None:
            parts.append(f"the logger clips at {self.logger_ceiling_percent:g} % of full scale")
        if self.wrong_direction_flag:
            parts.append("the stored direction is wrong")
        if self.unknown_full_scale:
            parts.append("no full scale is stored")
        return parts


def missing(config: Dropouts, seed: int, index: int) -> Flags:
    """Return which samples of a chunk have no value, shape (CHUNK,); a run may have begun in the chunk before."""
    out = np.zeros(CHUNK, bool)
    for chunk in range(max(index - 1, 0), index + 1):
        rng = stream(seed, "dropouts", chunk)
        # runs overlap sometimes; a Poisson number of uniform runs covers 1 − exp(−n·mean/CHUNK)
        runs = rng.poisson(-np.log1p(-config.share) * CHUNK / ((config.longest + 1) / 2))
        at = rng.integers(0, CHUNK, runs) - (index - chunk) * CHUNK
        length = rng.integers(1, config.longest + 1, runs)
        sample, _ = near(np.arange(CHUNK, dtype=np.float64), at.astype(float), (at + length - 1).astype(float))
        out[sample] = True
    return out


def duplicated(config: Faults, seed: int, index: int) -> Integers:
    """Return which samples of a chunk are written twice, ascending offsets within the chunk."""
    rng = stream(seed, "duplicates", index)
    count = rng.binomial(CHUNK, config.duplicates_per_million * 1e-6)
    return np.sort(rng.choice(CHUNK, count, replace=False)).astype(np.int64)


def written_order(config: Faults, size: int, seed: int, index: int) -> Integers:
    """Return the order in which the rows of a chunk are written: sometimes two neighbours change places."""
    order = np.arange(size)
    if config.swapped_per_million:
        rng = stream(seed, "swapped", index)
        pairs = size // 2
        first = 2 * rng.choice(pairs, rng.binomial(pairs, min(2e-6 * config.swapped_per_million, 1.0)), replace=False)
        order[first], order[first + 1] = first + 1, first
    return order


def logged(config: Faults, codes: Floats32, top: int) -> Floats32:
    """Clip or coarsen the codes of the sensor as the logger does, in place; return them."""
    if config.logger_ceiling_percent is not None:
        np.minimum(codes, np.float32(np.floor(config.logger_ceiling_percent / 100 * top)), out=codes)
    if config.logger_bits is not None:
        coarse = 2**config.logger_bits - 1
        codes *= np.float32(coarse / top)
        np.rint(codes, out=codes)
        codes *= np.float32(top / coarse)
        np.rint(codes, out=codes)
    return codes


def stamps(config: Faults, time_s: Floats, rate_hz: float, seed: int, index: int) -> Floats:
    """Return the time stamps that the logger writes for samples taken at `time_s`."""
    out = time_s * (1.0 + config.clock_drift_ppm * 1e-6)
    if config.jitter_share:
        deviates = stream(seed, "jitter", index).standard_normal(CHUNK)[: out.size]
        out = out + config.jitter_share / rate_hz * deviates
    return out


@dataclass(frozen=True, slots=True)
class RowMap:
    """The row of each sample when rows are left out or written twice.

    `twice`: samples that are written twice, ascending; none of those left out.
    `every`: only samples 0, every, 2·every … are written.
    """

    twice: Integers
    every: int = 1

    def row_of(self, sample: Integers) -> Integers:
        """Return the first row that holds each sample, or the next written one."""
        return -(-sample // self.every) + np.searchsorted(self.twice, sample, side="left")
