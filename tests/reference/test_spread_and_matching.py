"""Range, spread and robust factors, thresholds on a picture and on a quantile mixture, and matching of events."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.special import gammaln, ndtri
from teach_views import teach_view

from teachlab.light.edge_time import ranges
from teachlab.light.noise import local_noise
from teachlab.model.recording import Recording, RecordingInfo
from teachlab.model.score import Rules
from teachlab.model.setting import Setting
from teachlab.model.teaching import Background, Reading
from teachlab.model.truth import Truth
from teachlab.scoring import score
from teachlab.switching import replay
from teachlab.teaching.rules.labelled_events import robust
from teachlab.teaching.strategies.background_referenced import BackgroundReferenced
from teachlab.teaching.strategies.between_class_variance import best_cut
from teachlab.teaching.strategies.iterative_mean import fixed_point
from teachlab.teaching.strategies.minimum_error import least_error

# source: ASTM control-chart factors d2 (from memory): mean range of n standard normal values.
MEAN_RANGE = [1.1284, 1.6926, 2.0588, 2.3259, 2.5344, 2.7044, 2.8472, 2.9700, 3.0775]
# source: NIST/SEMATECH e-Handbook 6.3.2: c4, mean standard deviation of n values over the true one.
MEAN_DEVIATION = [0.7979, 0.8862, 0.9213, 0.9400, 0.9515, 0.9594, 0.9650, 0.9693, 0.9727]


@pytest.fixture(scope="module")
def noise() -> NDArray[np.float64]:
    return np.random.default_rng(0).standard_normal(400_000)


@pytest.mark.parametrize(("size", "factor"), [*enumerate(MEAN_RANGE, start=2)])
def test_mean_range_of_white_noise(size: int, factor: float, noise: NDArray[np.float64]) -> None:
    """What the hysteresis must beat within an edge of n evaluations is on average d2 times the noise.

    Neighbouring windows overlap: 4 standard errors of the windows that do not (a range has a deviation below 0.9).
    """
    found = ranges(noise, np.array([0]), np.array([noise.size]), size)
    assert found.size == noise.size - size + 1
    assert found.mean() == pytest.approx(factor, abs=4 * 0.9 / math.sqrt(noise.size / size) + 5e-5)


def deviation_told(levels: NDArray[np.float64]) -> float:
    view = teach_view(unit="sigma", background_=Background(Reading(levels), levels))
    taught = BackgroundReferenced(distance="standard-deviations").teach(view).taught
    assert taught is not None
    return float(taught.evidence["standard_deviation"])


@pytest.mark.parametrize(("size", "factor"), [*enumerate(MEAN_DEVIATION, start=2)][::2])
def test_few_readings_make_the_background_look_quieter(size: int, factor: float, noise: NDArray[np.float64]) -> None:
    repeats = 4000
    told = [deviation_told(part) for part in noise[: repeats * size].reshape(repeats, size)]
    exact = math.sqrt(2 / (size - 1)) * math.exp(float(gammaln(size / 2) - gammaln((size - 1) / 2)))
    assert exact == pytest.approx(factor, abs=5.1e-5)
    assert np.mean(told) == pytest.approx(factor, abs=4 * math.sqrt((1 - factor**2) / repeats))


def test_robust_factors() -> None:
    """MAD of normal values times 1/Φ⁻¹(¾) = 1.482602 is their deviation, as is the inter-quartile range × .741301."""
    z = ndtri((np.arange(100_000) + 0.5) / 100_000)
    assert 1 / float(ndtri(0.75)) == pytest.approx(1.482602, abs=5e-7)
    middle, spread = robust(20 + 3 * z, 0.0)
    assert (middle, spread) == pytest.approx((20, 3), rel=1e-5)
    low, high = np.quantile(z, [0.25, 0.75])
    assert spread / 3 == pytest.approx((high - low) * 0.741301, rel=2e-5)
    # Differences of neighbours have √2 times the noise of a level.
    assert local_noise(math.sqrt(2) * 3 * z, None) == pytest.approx(3, rel=1e-5)


def test_thresholds_of_a_photograph() -> None:
    """scikit-image 0.26 on its picture of a cameraman: Otsu 102 and isodata 102, levels above which is light."""
    skimage = pytest.importorskip("skimage")
    from skimage.filters import threshold_isodata, threshold_otsu

    light = skimage.data.camera()
    assert light.mean() == pytest.approx(129.06072616577148, rel=1e-12)
    levels = light.astype(np.float64).ravel()
    assert threshold_otsu(light) == 102
    assert 102 < best_cut(levels)[0] <= 103
    # Half way between the two means: true of more than one level of whole numbers; both libraries find one.
    for level in (fixed_point(levels), float(threshold_isodata(light)) + 0.5):
        below = levels < level
        halfway = (levels[below].mean() + levels[~below].mean()) / 2
        assert np.array_equal(levels < halfway, below)
    assert fixed_point(levels) == pytest.approx(102.5, abs=1)


def mixture(first: int, second: int) -> NDArray[np.float64]:
    """N(10, 1) and N(40, 4) as so many quantiles each."""
    return np.concatenate(
        [mean + sd * ndtri((np.arange(n) + 0.5) / n) for mean, sd, n in ((10, 1, first), (40, 4, second))]
    )


# source: Kittler & Illingworth 1986, the criterion at its least for the exact mixture; SimpleITK 2.5.7 with 256 bins
# gives 16.0536, 16.1842 and 16.6016. With few values the level lies between the same two of them.
@pytest.mark.parametrize(
    ("first", "second", "level", "by_bins"),
    [(500, 500, 16.1828, 16.0536), (900, 100, 16.4643, 16.1842), (990, 10, 16.7613, 16.6016)],
)
def test_minimum_error_of_unequal_shares(first: int, second: int, level: float, by_bins: float) -> None:
    fine = least_error(mixture(100 * first, 100 * second), 0.0, 0.001)
    assert fine is not None
    assert fine[0] == pytest.approx(level, abs=5e-3)
    few = least_error(mixture(first, second), 0.0, 0.001)
    assert few is not None
    assert few[0] == pytest.approx(by_bins, abs=1.0)


def test_iterative_mean_and_otsu_of_the_same_mixture() -> None:
    """Fixed point 25; scikit-image and SimpleITK stop at 24.93 and 27.59, and any level in the hole splits alike."""
    points = mixture(500, 500)
    assert fixed_point(points) == pytest.approx(25, abs=0.01)
    level, _ = best_cut(points)
    assert np.count_nonzero(points < level) == 500
    assert points[:500].max() < level < points[500:].min()


# source: the packages mir_eval 0.8.2 and sed_eval 0.2.1 on these onsets: each output serves one pass only.
@pytest.mark.parametrize(
    ("window_s", "hits", "f", "precision", "recall"),
    [(0.05, 2, 0.363636, 0.333333, 0.4), (0.25, 4, 0.727273, 0.666667, 0.8)],
)
def test_matching_of_output_and_passes(window_s: float, hits: int, f: float, precision: float, recall: float) -> None:
    """Passes at 1 … 5 s, outputs at 1.02, 2.2, 3.0, 3.04, 4.9 and 6 s, matched within a window."""
    rate, span = 1000, 7
    light = np.zeros(span * rate, np.uint16)
    outputs = np.round(np.array([1.02, 2.2, 3.0, 3.04, 4.9, 6.0]) * rate).astype(np.int64)
    light[outputs] = 100
    recording = Recording.from_array(light, RecordingInfo(sample_rate_hz=rate, unit="counts"))
    start = rate * np.arange(1, 6)
    truth = Truth.from_arrays(start, start + 1)
    output = replay(recording, Setting(unit="counts", on_level=50, off_level=50))
    found = score(output, truth, rules=Rules(tolerance_ms=1000 * window_s)).as_dict()
    assert (found["hits"], output.onsets.size, truth.passes) == (hits, 6, 5)
    assert found["hits"] + found["extra"] + found["false_trips"] == 6
    # The second output near 3 s is an extra of that pass, no hit of another.
    assert found["extra"] == 1
    assert hits / 6 == pytest.approx(precision, abs=5e-7)
    assert hits / 5 == pytest.approx(recall, abs=5e-7)
    assert 2 * hits / (6 + 5) == pytest.approx(f, abs=5e-7)
