"""Detection theory through the surface, replay and margin: hit and false-alarm rates, area, Q, guard bands."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.special import ndtri
from scoring.margins import measure_margin

from teachlab.model.recording import Recording, RecordingInfo
from teachlab.model.setting import Setting
from teachlab.model.truth import Truth
from teachlab.questions.surface.count import surface
from teachlab.scoring import score
from teachlab.statistics.tolerance import share_beyond, tolerance_factor
from teachlab.switching import replay
from teachlab.teaching.strategies.noise_weighted import balanced_costs, equal_deviations

SIMPLE = Setting(unit="sigma", on_level=0, off_level=0)
DARK = -1000.0
KNOWN = 10**6
"""Values enough to call a mean and a spread known; with confidence one half nothing is added for doubt."""


def trials(size: int, apart: float, spread: float = 1.0) -> tuple[Recording, Truth]:
    """Alternating passes and gaps of one sample, dark between: quantiles of N(apart, spread) and of N(0, 1)."""
    z = ndtri((np.arange(size) + 0.5) / size)
    light = np.full(4 * size + 1, DARK)
    light[1::4], light[3::4] = apart + spread * z, z
    start = np.arange(size) * 4 + 1
    return Recording.from_array(light, RecordingInfo(sample_rate_hz=1000, unit="sigma")), Truth.from_arrays(
        start, start + 1
    )


# source: W. Schneider, Short notes on the theory of signal detection, table; the last one Macmillan & Creelman,
# chapter 1 (from memory): 20 of 25 hits, 10 of 25 false alarms, d' 1.095, beta 0.7246.
DETECTION = [
    (0.7, 0.1, 1.805952, 1.981173),
    (0.5, 0.4, 0.253, 1.033),
    (0.85, 0.05, 2.681, 2.261),
    (20 / 25, 10 / 25, 1.094968, 0.724647),
]


@pytest.mark.parametrize(("hit", "false", "apart", "ratio"), DETECTION)
def test_hits_and_false_alarms_at_a_level(hit: float, false: float, apart: float, ratio: float) -> None:
    """Two normal classes d' apart: the level that trips on so many gaps catches so many passes."""
    size, level = 2000, float(ndtri(1 - false))
    recording, truth = trials(size, apart)
    found = surface(recording, truth, SIMPLE, levels=np.array([level]))
    assert found.gaps_tripped[0, 0] / size == pytest.approx(false, abs=1 / size)
    assert 1 - found.lost[0, 0] / size == pytest.approx(hit, abs=1 / size)
    # Bayes' level for prior odds of beta to one in favour of gaps; beta has four digits.
    bayes = balanced_costs(0.0, 1.0, apart, 1.0, 1 / ratio)
    assert bayes == pytest.approx(level, abs=2e-3)


# source: Green & Swets 1966 (from memory): area = Φ(d'/√2).
@pytest.mark.parametrize(("apart", "area"), [(1, 0.760250), (2, 0.921350), (3, 0.983053)])
def test_area_below_hits_over_false_alarms(apart: int, area: float) -> None:
    size = 300
    recording, truth = trials(size, apart)
    levels = np.unique(np.concatenate([recording.read(0, recording.samples).as_float()[1::2], [100.0]]))
    found = surface(recording, truth, SIMPLE, levels=levels)
    hit, false = (1 - np.diagonal(found.lost) / size), np.diagonal(found.gaps_tripped) / size
    assert (hit[0], hit[-1], false[-1]) == (1, 0, 0)
    assert np.trapezoid(hit[::-1], false[::-1]) == pytest.approx(area, abs=2e-4)


# source: ITU-T O.201 (2003), Appendix I, and G.976 (from memory): error ½·erfc(Q/√2) at equal deviations.
Q_ERRORS = [
    (3, 1.349898e-3),
    (4, 3.167124e-5),
    (5, 2.866516e-7),
    (6, 9.865876e-10),
    (7, 1.279813e-12),
    (8, 6.220961e-16),
]


@pytest.mark.parametrize(("q", "error"), Q_ERRORS)
def test_share_beyond_a_population_figure(q: int, error: float) -> None:
    assert share_beyond(float(q), KNOWN, 0.5) == pytest.approx(error, rel=5e-5)
    # The well-known approximation exp(−Q²/2)/(Q√2π) is high by about 1/Q².
    approximated = math.exp(-q * q / 2) / (q * math.sqrt(2 * math.pi))
    assert 1 - 1 / q**2 < error / approximated < 1


@pytest.mark.parametrize(
    ("error", "q", "decibel"),
    [(1e-3, 3.0902, 9.800), (1e-6, 4.7534, 13.540), (1e-9, 5.9978, 15.560), (1e-12, 7.0345, 16.945)],
)
def test_population_figure_for_an_error(error: float, q: float, decibel: float) -> None:
    found = tolerance_factor(KNOWN, 1 - error, 0.5)
    assert found == pytest.approx(q, abs=6e-5)
    assert 20 * math.log10(found) == pytest.approx(decibel, abs=6e-4)


@pytest.mark.parametrize(("q", "spread"), [(3.0, 1.0), (3.0, 4.0), (2.0, 2.5)])
def test_measured_figure_and_counted_errors_agree(q: float, spread: float) -> None:
    """Agrawal, Fiber-Optic Communication Systems, 4.5-4.6: Q = (m1 − m0)/(s1 + s0) at the level of equal deviations."""
    size, apart = 20_000, q * (1 + spread)
    recording, truth = trials(size, apart, spread)
    level = equal_deviations(0.0, 1.0, apart, spread)
    assert level == pytest.approx(q)
    output = replay(recording, Setting(unit="sigma", on_level=level, off_level=level))
    scored = score(output, truth)
    error = math.erfc(q / math.sqrt(2)) / 2
    counts = scored.as_dict()
    assert counts["misses"] / size == pytest.approx(error, abs=1.1 / size)
    assert counts["gaps_tripped"] / size == pytest.approx(error, abs=1.1 / size)
    found = measure_margin(recording, output, truth, scored.trials)
    # The gap before the first pass is dark: it spoils mean and spread of the gaps, not those of the passes.
    assert found.population.detect == pytest.approx(q, rel=1e-3)


# source: JCGM 106:2012, Table 1 and section 7 (from memory): guard factors; a voltage of −5.47 with an uncertainty
# of 0.05 against an upper limit of −5.40 conforms with 0.92.
@pytest.mark.parametrize(
    ("share", "guard"), [(0.80, 0.842), (0.90, 1.282), (0.95, 1.645), (0.99, 2.326), (0.999, 3.090)]
)
def test_guard_factors(share: float, guard: float) -> None:
    assert tolerance_factor(KNOWN, share, 0.5) == pytest.approx(guard, abs=5.1e-4)


def test_probability_of_conformity() -> None:
    assert 1 - share_beyond((-5.40 + 5.47) / 0.05, KNOWN, 0.5) == pytest.approx(0.919243, abs=2e-6)


def test_critical_level_of_a_known_blank() -> None:
    """Currie, Anal. Chem. 40 (1968) 586: 1.645 σ above a well-known blank; from few readings it is further up."""
    assert tolerance_factor(KNOWN, 0.95, 0.5) == pytest.approx(1.645, abs=5.1e-4)
    few = [tolerance_factor(n, 0.95, 0.95) for n in (7, 10, 30, 1000)]
    assert few == sorted(few, reverse=True)
    assert few[-1] > 1.645


def values_of(noise: NDArray[np.float64]) -> tuple[float, float]:
    return float(noise.mean()), float(noise.std(ddof=1))


def test_the_model_holds_its_confidence_on_normal_values() -> None:
    """1,000 sets of 30: the true share beyond the level exceeds the bound in 5 % of them (4 standard errors)."""
    rng, size, level = np.random.default_rng(0), 1000, -2.5
    exceeded = 0
    true = float(math.erfc(-level / math.sqrt(2)) / 2)
    for _ in range(size):
        mean, sd = values_of(rng.standard_normal(30))
        exceeded += true > share_beyond((mean - level) / sd, 30, 0.95)
    assert exceeded / size == pytest.approx(0.05, abs=4 * math.sqrt(0.05 * 0.95 / size))
