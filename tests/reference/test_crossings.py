"""How often noise switches a fixed level: theory against simulation through replay.

Every seed is 0 and every tolerance is 4 standard errors of the count, from the theory beside it.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from teachlab.model.recording import Recording, RecordingInfo
from teachlab.model.setting import Setting
from teachlab.switching import replay

RATE_HZ = 1000.0
ERRORS = 4.0


def onsets(light: NDArray[np.floating], on_level: float, off_level: float, **changes: object) -> int:
    """Count the onsets, by way of the type in which a log would keep them."""
    recording = Recording.from_array(light.astype(np.float32), RecordingInfo(sample_rate_hz=RATE_HZ, unit="sigma"))
    return int(replay(recording, Setting(unit="sigma", on_level=on_level, off_level=off_level, **changes)).onsets.size)


def above(k: float) -> float:
    """The probability that a standard normal deviate exceeds k."""
    return math.erfc(k / math.sqrt(2)) / 2


@pytest.fixture(scope="module")
def low_pass_noise() -> tuple[NDArray[np.float64], float]:
    """Gaussian noise through an ideal low pass, rms 1, and its bandwidth as a share of the sample rate."""
    size, share = 1 << 22, 1 / 40
    spectrum = np.fft.rfft(np.random.default_rng(0).standard_normal(size))
    spectrum[0] = 0
    spectrum[int(size * share) + 1 :] = 0
    noise = np.fft.irfft(spectrum, size)
    return noise / np.sqrt(np.mean(noise**2)), share


@pytest.fixture(scope="module")
def white_noise() -> NDArray[np.float64]:
    return np.random.default_rng(0).standard_normal(2_000_000)


@pytest.mark.parametrize(("k", "per_second_at_10_khz"), [(0.0, 5773.50), (1.0, 3501.81), (2.0, 781.36), (3.0, 64.14)])
def test_rice(k: float, per_second_at_10_khz: float, low_pass_noise: tuple[NDArray[np.float64], float]) -> None:
    """Rice, Bell Syst. Tech. J. 23 (1944) 282 and 24 (1945) 46: (B/√3)·exp(−k²/2) up-crossings per second.

    At 40 samples per 1/B, crossings between samples lose less than 0.1 % (see the sampled law below).
    """
    noise, share = low_pass_noise
    rice = share / math.sqrt(3) * math.exp(-k * k / 2)  # per sample
    assert rice / share * 10_000 == pytest.approx(per_second_at_10_khz, abs=0.005)
    expected = rice * noise.size
    assert onsets(noise, k, k) == pytest.approx(expected, abs=ERRORS * math.sqrt(expected) + 0.001 * expected)


@pytest.mark.parametrize("every", [1, 4, 13])
def test_rice_at_the_mean_when_sampled(every: int, low_pass_noise: tuple[NDArray[np.float64], float]) -> None:
    """Two neighbouring samples with correlation ρ straddle the mean upwards with probability arccos(ρ)/2π.

    Sheppard, Phil. Trans. R. Soc. A 192 (1899) 101, for ρ = sin(2πB/f)/(2πB/f) of an ideal low pass. It says
    how many crossings a slower sensor overlooks.
    """
    noise, share = low_pass_noise
    turn = 2 * math.pi * share * every
    expected = noise.size / every * math.acos(math.sin(turn) / turn) / (2 * math.pi)
    found = onsets(noise, 0.0, 0.0, evaluation_rate_hz=RATE_HZ / every)
    assert found == pytest.approx(expected, abs=ERRORS * math.sqrt(expected))


@pytest.mark.parametrize(("k", "per_sample"), [(1.0, 0.13348376), (2.0, 0.02223256), (3.0, 0.00134808)])
def test_white_noise(k: float, per_sample: float, white_noise: NDArray[np.float64]) -> None:
    """One sample below, the next above: p(1 − p). Two such cannot be neighbours, so the variance is less."""
    p = above(k)
    q = p * (1 - p)
    assert q == pytest.approx(per_sample, abs=5e-9)
    expected = q * white_noise.size
    assert onsets(white_noise, k, k) == pytest.approx(expected, abs=ERRORS * math.sqrt(expected * (1 - 3 * q)))


def renewal(mean: float, variance: float, size: int) -> tuple[float, float]:
    """Renewals in `size` steps and their standard error (Feller, Probability Theory I, XIII.6)."""
    return size / mean, math.sqrt(size * variance / mean**3)


@pytest.mark.parametrize(
    ("on", "off", "per_sample"),
    [(1.0, 0.0, 0.12043877), (2.0, 0.0, None), (2.0, 1.0, None), (1.0, -1.0, None), (3.0, -1.0, None)],
)
def test_white_noise_with_hysteresis(
    on: float, off: float, per_sample: float | None, white_noise: NDArray[np.float64]
) -> None:
    """A wait for the on-level, then one for the off-level: p_on·p_off / (p_on + p_off) per sample."""
    p_on, p_off = above(on), above(-off)
    assert per_sample is None or p_on * p_off / (p_on + p_off) == pytest.approx(per_sample, abs=5e-9)
    variance = (1 - p_on) / p_on**2 + (1 - p_off) / p_off**2
    expected, error = renewal(1 / p_on + 1 / p_off, variance, white_noise.size)
    assert onsets(white_noise, on, off) == pytest.approx(expected, abs=ERRORS * error)


@pytest.mark.parametrize(("k", "in_a_row", "per_sample"), [(2.0, 2, 0.00050579), (1.0, 2, None), (1.0, 4, None)])
def test_white_noise_with_an_on_delay(
    k: float, in_a_row: int, per_sample: float | None, white_noise: NDArray[np.float64]
) -> None:
    """An onset needs m samples in a row above: (1 − p)·p^m. That is an on-delay of m − 1 evaluations."""
    p = above(k)
    q = (1 - p) * p**in_a_row
    assert per_sample is None or q == pytest.approx(per_sample, abs=5e-9)
    expected = q * white_noise.size
    delay_ms = (in_a_row - 1) * 1000 / RATE_HZ
    found = onsets(white_noise, k, k, on_delay_ms=delay_ms)
    assert found == pytest.approx(expected, abs=ERRORS * math.sqrt(expected))


@pytest.mark.parametrize(("k", "in_a_row"), [(1.0, 2), (1.0, 3), (0.5, 4), (2.0, 2)])
def test_white_noise_with_a_consecutive_filter(k: float, in_a_row: int, white_noise: NDArray[np.float64]) -> None:
    """A wait for n above in a row, then one for n below (Feller, Probability Theory I, XIII.7: runs).

    A run of n with probability p each is awaited (1 − p^n)/(q·p^n) samples, with variance
    1/(q·p^n)² − (2n + 1)/(q·p^n) − p/q², q = 1 − p.
    """
    mean = variance = 0.0
    for p in (above(k), above(-k)):
        q = 1 - p
        mean += (1 - p**in_a_row) / (q * p**in_a_row)
        variance += (q * p**in_a_row) ** -2 - (2 * in_a_row + 1) / (q * p**in_a_row) - p / q**2
    expected, error = renewal(mean, variance, white_noise.size)
    assert onsets(white_noise, k, k, consecutive=in_a_row) == pytest.approx(expected, abs=ERRORS * error)
