"""Evaluation rates that logged edges suggest: edges lie on the sensor's own grid of time."""

from __future__ import annotations

from fractions import Fraction
from typing import TYPE_CHECKING

import numpy as np
from scipy.signal import find_peaks

if TYPE_CHECKING:
    from teachlab.device.logged_edges import Samples

LONGEST_RATIO = 64
"""The spectrum is searched up to this number of samples per evaluation."""
MOST_PROPOSALS = 6
SLOWEST_BIN = 16
PERIODIC = 0.25
"""If a slow period holds this share of the power of edges that all fall together, it suggests no rate."""
CLEAR = 3.0
"""A peak of the spectrum suggests a rate if it is at least this many times ``√edges``; replay decides."""


def hidden_ratios(jitter: int, per: int) -> list[Fraction]:
    """Return ratios of one denominator, between whole ratios, that this jitter hides from the spectrum."""
    found = (Fraction(k, per) for k in range(per + 1, (2 * jitter + 1) * per))
    return [one for one in found if one.denominator == per]


def proposed_ratios(edges: Samples, samples: int, jitter: int) -> list[Fraction]:
    """Return samples per evaluation that are worth a replay, simple ones first.

    Jitter hides ratios up to ``2 · jitter + 1`` from the spectrum, so whole ones and halves up to there are always
    included. If objects come at exactly equal distances, there are no others: such a log shows no rate.

    Parameters
    ----------
    edges : ndarray of int64, ascending, samples
        Edges of both directions.
    samples : int
    jitter : int, samples
    """
    out = [Fraction(k) for k in range(1, 2 * jitter + 4)] + hidden_ratios(jitter, 2)
    span = min(samples, 200_000)
    train = np.zeros(1 << (span - 1).bit_length() + 1)
    # Both directions lie on one grid only up to the difference of their latencies: take each alone and add the powers.
    power = np.zeros(train.size // 2 + 1)
    for side in (edges[::2], edges[1::2]):
        train[:] = 0
        train[side[side < span]] = 1.0
        power += np.abs(np.fft.rfft(train)) ** 2
    begin = train.size // LONGEST_RATIO
    early = np.count_nonzero(edges < span)
    # Products at exactly equal distances put peaks everywhere: these would suggest any rate.
    if power[SLOWEST_BIN:begin].max(initial=0.0) > PERIODIC * early**2 / 2:
        return out
    floor = CLEAR**2 * max(1, int(np.count_nonzero(edges < span)))
    peaks, _ = find_peaks(power[begin:], height=floor, distance=8)
    peaks = peaks[np.argsort(-power[begin:][peaks])][:MOST_PROPOSALS] + begin
    for peak in peaks:
        frequency = float(peak) / train.size
        if frequency > 0.5 - 2 / train.size:
            continue
        frequency, width = _refined(edges, frequency, span, samples)
        for f in (frequency, 1 - frequency):
            ratio = _simplest(1 / (f + width), 1 / (f - width))
            if 1 < ratio <= LONGEST_RATIO and ratio not in out:
                out.append(ratio)
    return out


def _refined(edges: Samples, frequency: float, span: int, samples: int) -> tuple[float, float]:
    """Climb the peak on longer and longer stretches, each fine enough for the next; return it with its width."""
    while True:
        width = 1.0 / span
        for _ in range(3):
            tried = frequency + np.linspace(-width, width, 17)
            power = np.zeros(tried.size)
            for side in (edges[::2], edges[1::2]):
                early = side[side < span].astype(np.float64)
                power += np.abs(np.array([np.exp(-2j * np.pi * f * early).sum() for f in tried])) ** 2
            frequency = float(tried[int(np.argmax(power))])
            width /= 4
        if span >= samples:
            return frequency, 0.1 / span
        span = min(2 * span, samples)


def _simplest(low: float, high: float) -> Fraction:
    """Return the fraction of smallest denominator within the bounds (Stern–Brocot, by continued fractions)."""
    a, b = Fraction(low), Fraction(high)
    terms = []
    while (whole := -(-a.numerator // a.denominator)) > b:
        floor = a.numerator // a.denominator
        terms.append(floor)
        a, b = 1 / (b - floor), 1 / (a - floor)
    out = Fraction(whole)
    for term in reversed(terms):
        out = term + 1 / out
    return out
