"""Random small recordings, settings and passes: one case per seed, every difficulty in turn.

Values are drawn on purpose where counts go wrong: levels exactly on a sample or between two
representable ones, plateaus, touching passes, passes too short to be evaluated, runs of invalid samples.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from teachlab.model.recording import Recording, RecordingInfo
from teachlab.model.setting import Setting
from teachlab.model.truth import Truth

DTYPES = ("uint8", "int16", "uint16", "int32", "int64", "float32", "float64", "float32", "uint64", "float16")
# (sample rate, evaluation rate); None evaluates every sample. Some quotients are no short decimals.
RATES = (
    (1000.0, None),
    (2000.0, None),
    (999.412, None),
    (1 / 120.0096, None),
    (1000.0, 1000.0),
    (1000.0, 500.0),
    (1000.0, 400.0),
    (1000.0, 999.0),
    (999.412, 333.0),
    (999.412, 999.411),
    (1000.0, 333.3333333333333),
    (1000.0, 333.33333333333337),
    (1000.0, 333.333333),
    (1000.0, 333.333334),
    (2000.0, 700.1),
    (44100.0, 8000.0),
    (0.1, 0.03),
    (1000.0, 90.0),
)


@dataclass(frozen=True)
class Case:
    """One recording with a setting and passes; `setting` is the JSON form."""

    seed: int
    light: NDArray[Any]
    null: NDArray[np.bool_]
    sample_rate: float
    setting: dict[str, Any]
    passes: list[tuple[int, int, str]]
    tolerance_ms: float
    uncertainty_samples: float

    @property
    def values(self) -> list[float | None]:
        """The samples as plain Python values, None where invalid by flag (NaN stays NaN)."""
        return [None if n else v for v, n in zip(self.light.tolist(), self.null.tolist(), strict=True)]


def _passes(rng: np.random.Generator, samples: int) -> list[tuple[int, int, str]]:
    """Passes in order: gaps of zero (touching), short and long; some cut by the record."""
    longest = int(rng.choice([2, 6, 25, 60]))
    widest = int(rng.choice([1, 6, 30, 60]))
    ignoring = rng.choice([0.0, 0.25, 0.6])
    found = []
    at = int(rng.integers(0, widest + 1)) if rng.random() < 0.7 else 0
    while at < samples and len(found) < 40 and rng.random() < 0.97:
        end = min(samples, at + int(rng.integers(1, longest + 1)))
        found.append((at, end, "ignore" if rng.random() < ignoring else "detect"))
        at = end if rng.random() < 0.3 else end + int(rng.integers(1, widest + 1))
    return found


def _steps(rng: np.random.Generator, samples: int, passes: list[tuple[int, int, str]]) -> NDArray[np.int64]:
    """A small-integer signal within 0 … 40."""
    kind = rng.integers(0, 8)
    if kind == 0:
        return rng.integers(0, 7, samples)
    if kind == 1:
        return np.clip(20 + np.cumsum(rng.integers(-3, 4, samples)), 0, 40)
    if kind == 2:
        return np.repeat(rng.integers(0, 12, samples), rng.integers(1, 15, samples))[:samples]
    if kind == 3 and rng.random() < 0.2:
        return np.full(samples, int(rng.integers(0, 5)))
    inside = np.zeros(samples, np.int64)
    for start, end, _ in passes:
        shift = int(rng.integers(-2, 3))  # the light does not keep to the labelled borders
        inside[max(0, start + shift) : max(0, end + shift)] = int(rng.integers(2, 20))
    noise = rng.integers(-3, 4, samples) * (rng.random(samples) < rng.choice([0.0, 0.05, 0.5]))
    return np.clip(10 + (inside if rng.random() < 0.6 else -inside // 2) + noise, 0, 40)


def _light(rng: np.random.Generator, dtype: str, steps: NDArray[np.int64]) -> NDArray[Any]:
    """Put the steps on a grid that is awkward for the type."""
    if dtype == "uint8":
        return (steps * int(rng.choice([1, 6]))).astype(dtype)
    if dtype in {"int16", "int32"}:
        return (steps - int(rng.choice([0, 20, 40]))).astype(dtype)
    if dtype == "uint16":
        return (steps + int(rng.choice([0, 65_490]))).astype(dtype)
    if dtype in {"int64", "uint64"}:
        low = 0 if dtype == "uint64" else -(2**53) - 20
        return (steps + int(rng.choice([0, 2**53 - 10, low]))).astype(dtype)
    light = (steps * rng.choice([1.0, 0.1, 0.125, 1e-3]) - rng.choice([0.0, 1.5])).astype(dtype)
    if rng.random() < 0.05:
        light[rng.integers(0, light.size)] = rng.choice([np.inf, -np.inf])
    return light


def _levels(rng: np.random.Generator, light: NDArray[Any]) -> tuple[float, float]:
    """Two levels on, just beside, between or beyond what occurs."""
    occurring = np.unique(light[np.isfinite(light)]).astype(np.float64)
    if occurring.size == 0:
        occurring = np.array([0.0])

    inner = occurring[occurring.size // 5 : 1 + occurring.size * 4 // 5]

    def one() -> float:
        value = float(rng.choice(occurring if rng.random() < 0.2 else inner))
        kind = rng.integers(0, 10)
        if kind < 4:
            return value
        if kind == 4:
            return float(np.nextafter(value, np.inf))
        if kind == 5:
            return float(np.nextafter(value, -np.inf))
        if kind == 6:
            return (value + float(rng.choice(occurring))) / 2
        if kind < 9 or rng.random() < 0.6:
            return value + float(rng.choice([0.3, -0.3, 0.05]))
        return float(rng.choice([-1e60, -70_000.0, -1.0, 1e-46, 300.0, 1e39, -1e39]))

    a, b = one(), one()
    if rng.random() < 0.3:
        b = a
    return max(a, b), min(a, b)


def _invalid(rng: np.random.Generator, samples: int) -> NDArray[np.bool_]:
    bad = np.zeros(samples, bool)
    kind = rng.random()
    if kind < 0.4:
        return bad
    bad |= rng.random(samples) < rng.choice([0.0, 0.03, 0.3])
    for _ in range(int(rng.integers(0, 3))):
        at = int(rng.integers(-5, samples))
        bad[max(0, at) : max(0, at + int(rng.integers(1, 30)))] = True
    if kind > 0.9:
        bad[: int(rng.integers(1, 12))] = True
    return bad


def _delay(rng: np.random.Generator, rate: float) -> float:
    if rng.random() < 0.5:
        return 0.0
    evaluations = float(rng.choice([1.0, 1.0, 2.0, 3.0, 0.4, 2.5, 7.0, 20.0]))
    return round(evaluations * 1000 / rate, int(rng.integers(0, 7)))


def make(seed: int) -> Case:
    """Build the case of a seed."""
    rng = np.random.default_rng(seed)
    dtype = DTYPES[seed % len(DTYPES)]
    samples = int(rng.integers(1, 13)) if rng.random() < 0.1 else int(rng.integers(13, 320))
    sample_rate, evaluation_rate = RATES[int(rng.integers(0, len(RATES)))]
    rate = sample_rate if evaluation_rate is None else evaluation_rate
    passes = _passes(rng, samples) if rng.random() < 0.95 else []
    light = _light(rng, dtype, _steps(rng, samples, passes))
    on_level, off_level = _levels(rng, light)
    null = _invalid(rng, samples)
    if light.dtype.kind == "f":
        as_nan = null & (rng.random(samples) < 0.7)
        light[as_nan] = np.nan
        null &= ~as_nan
    setting = {
        "schema": 1,
        "unit": "counts",
        "on_level": on_level,
        "off_level": off_level,
        "polarity": str(rng.choice(["light-on", "dark-on"])),
        "consecutive": int(rng.choice([1, 1, 1, 2, 3, 5])),
        "on_delay_ms": _delay(rng, rate),
        "off_delay_ms": _delay(rng, rate),
        "delays_act_on": str(rng.choice(["output", "light"])),
        "evaluation_rate_hz": evaluation_rate,
    }
    tolerance_ms = _delay(rng, rate)
    uncertainty = float(rng.choice([0.0, 0.0, 1.0, 2.0, 3.7]))
    return Case(seed, light, null, sample_rate, setting, passes, tolerance_ms, uncertainty)


def setting_of(case: Case) -> Setting:
    """The setting as the package knows it."""
    return Setting(**{key: value for key, value in case.setting.items() if key != "schema"})


def truth_of(case: Case) -> Truth:
    """The passes as the package knows them."""
    return Truth.from_arrays(
        [start for start, _, _ in case.passes],
        [end for _, end, _ in case.passes],
        detect=[expect == "detect" for _, _, expect in case.passes],
        uncertainty_samples=case.uncertainty_samples,
    )


def info_of(case: Case) -> RecordingInfo:
    """The metadata of the recording."""
    return RecordingInfo(sample_rate_hz=case.sample_rate, unit="counts")


def recording_of(case: Case) -> Recording:
    """The recording, in memory."""
    return Recording.from_array(case.light, info_of(case), invalid=case.null if case.null.any() else None)
