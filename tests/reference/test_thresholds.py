"""Levels of the strategies against printed tables, closed forms and other libraries; the source beside each."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri
from scipy.stats import genpareto
from teach_views import teach_view

from teachlab.model.teaching import Background, Reading
from teachlab.teaching.strategies.background_referenced import BackgroundReferenced
from teachlab.teaching.strategies.between_class_variance import best_cut
from teachlab.teaching.strategies.iterative_mean import fixed_point
from teachlab.teaching.strategies.minimum_error import least_error
from teachlab.teaching.strategies.neyman_pearson import events_needed, smallest_rank
from teachlab.teaching.strategies.noise_weighted import balanced_costs, equal_deviations
from teachlab.teaching.strategies.tail_balanced import Tail, fit_tail, least_cost
from teachlab.teaching.strategies.two_component_mixture import groups

COUNTS = np.array([8, 7, 2, 6, 9, 4])
PIXELS = np.repeat(np.arange(6.0), COUNTS)


def quantile_points(*classes: tuple[float, float], size: int = 100_000) -> NDArray[np.float64]:
    """Normal classes of equal weight as quantiles: no sampling noise."""
    z = ndtri((np.arange(size) + 0.5) / size)
    return np.concatenate([mean + sd * z for mean, sd in classes])


# source: closed form, e.g. Duda, Hart & Stork, Pattern Classification, section 2.6; van Trees.
@pytest.mark.parametrize(("prior", "level"), [(0.1, 2.098612), (0.01, 3.297560), (0.001, 4.453377)])
def test_bayes_level_of_equal_spreads(prior: float, level: float) -> None:
    found = balanced_costs(0.0, 1.0, 2.0, 1.0, prior / (1 - prior))
    assert found == pytest.approx(level, abs=5e-7)
    # (m0 + m1)/2 + s²/(m1 − m0)·ln(P0/P1)
    assert found == pytest.approx(1 + math.log((1 - prior) / prior) / 2, rel=1e-12)


# source: closed form; error = half the sum of the two tails.
@pytest.mark.parametrize(
    ("classes", "level", "error"),
    [(((0, 1), (10, 2)), 3.470550626, 4.03774374e-4), (((10, 1), (40, 4)), 16.182751858, 8.1040e-10)],
)
def test_bayes_level_of_unequal_spreads(classes: Any, level: float, error: float) -> None:
    (m0, s0), (m1, s1) = classes
    found = balanced_costs(m0, s0, m1, s1, 1.0)
    assert found == pytest.approx(level, abs=5e-10)
    assert found is not None
    assert (ndtr((m0 - found) / s0) + ndtr((found - m1) / s1)) / 2 == pytest.approx(error, rel=1e-4)


# source: Agrawal, Fiber-Optic Communication Systems, 4.5-4.6: equal tails, Q = (m1 − m0)/(s0 + s1) = 6.
def test_equal_deviations() -> None:
    level = equal_deviations(10.0, 1.0, 40.0, 4.0)
    assert level == 16.0
    assert (level - 10) / 1 == (40 - level) / 4 == 6
    assert ndtr(-6.0) == pytest.approx(9.865876e-10, rel=1e-6)


# source: A. Greensted, The Lab Book Pages, "Otsu Thresholding", 2010 (values from memory, all recomputed).
def test_the_36_pixel_example() -> None:
    level, between = best_cut(PIXELS)
    assert 2 < level <= 3
    assert between == pytest.approx(2.6287, abs=5e-5)
    # The rule of Ridler and Calvard splits the pixels in the same way.
    assert 2 < fixed_point(PIXELS) <= 3


def test_the_36_pixel_example_by_scikit_image() -> None:
    filters = pytest.importorskip("skimage.filters")
    level, _ = best_cut(PIXELS)
    # It returns the last level below.
    assert filters.threshold_otsu(hist=(COUNTS, np.arange(6))) == math.floor(level)


# source: exact mixture integrals (checked with mpmath beforehand); no sampling noise in quantile points.
def test_between_class_variance_and_iterative_mean_of_an_overlapping_mixture() -> None:
    points = quantile_points((0, 1), (3, 2))
    level, between = best_cut(points)
    assert level == pytest.approx(2.0927058787, abs=2e-4)
    assert between == pytest.approx(3.3796173582, abs=2e-4)
    assert fixed_point(points) == pytest.approx(2.0927058787, abs=2e-4)
    below = points < level
    assert below.mean() == pytest.approx(0.6534268644, abs=1e-4)
    # Reddi, Rudin & Keshavan 1984: at the optimum T is halfway between the two means.
    assert level == pytest.approx((points[below].mean() + points[~below].mean()) / 2, abs=1e-4)


# source: by symmetry 2 for every rule; between-class variance by the exact integral.
def test_equal_spreads_put_every_rule_in_the_middle() -> None:
    points = quantile_points((0, 1), (4, 1))
    level, between = best_cut(points)
    assert level == pytest.approx(2, abs=2e-4)
    assert between == pytest.approx(4.0682139891, abs=2e-4)
    assert fixed_point(points) == pytest.approx(2, abs=2e-4)
    found = least_error(points, 0.0, 0.01)
    assert found is not None
    assert found[0] == pytest.approx(2, abs=2e-3)


# source: exact for this mixture: between-class variance 25.001328; criterion of Kittler & Illingworth at its
# least at 16.182755 with J = 3.7725887.
def test_well_separated_classes() -> None:
    points = quantile_points((10, 1), (40, 4))
    found = least_error(points, 0.0, 0.01)
    assert found is not None
    assert found[0] == pytest.approx(16.182755, abs=2e-3)
    assert found[1] == pytest.approx(3.7725887, abs=2e-3)
    # Few evaluations lie near 25 (3.75 standard deviations out): the cut is known to their distance.
    level, _ = best_cut(points)
    assert level == pytest.approx(25.001328, abs=0.05)
    assert fixed_point(points) == pytest.approx(25.001328, abs=0.05)
    low, high = groups(points, 5, 0.0)
    assert (low.mean, low.spread, high.mean, high.spread) == pytest.approx((10, 1, 40, 4), rel=2e-2)


# Overlapping classes only: in a hole the levels of two libraries may differ and split alike.
@pytest.mark.parametrize("classes", [((0, 1), (3, 2)), ((0, 1), (4, 1)), ((5, 3), (15, 4))])
def test_otsu_and_isodata_of_scikit_image(classes: Any) -> None:
    filters = pytest.importorskip("skimage.filters")
    points = quantile_points(*classes, size=5000)
    one_bin = float(np.ptp(points)) / 256
    assert best_cut(points)[0] == pytest.approx(float(filters.threshold_otsu(points, nbins=256)), abs=1.5 * one_bin)
    assert fixed_point(points) == pytest.approx(float(filters.threshold_isodata(points, nbins=256)), abs=1.5 * one_bin)


@pytest.mark.parametrize("classes", [((0, 1), (4, 1)), ((5, 3), (20, 4)), ((0, 1), (7, 2))])
def test_kittler_illingworth_of_simple_itk(classes: Any) -> None:
    itk = pytest.importorskip("SimpleITK")
    points = quantile_points(*classes, size=5000)
    # Integer images with few bins are binned over the range of the type: float32 and 256 bins.
    image = itk.GetImageFromArray(points.astype(np.float32).reshape(100, -1))
    filtered = itk.KittlerIllingworthThresholdImageFilter()
    filtered.SetNumberOfHistogramBins(256)
    filtered.Execute(image)
    found = least_error(points, 0.0, 0.01)
    assert found is not None
    # Its classes are of histogram bins and the class at the level counts differently: three bins.
    assert found[0] == pytest.approx(filtered.GetThreshold(), abs=3 * float(np.ptp(points)) / 256)


# source: NIST/SEMATECH e-Handbook 7.2.6.4; Wilks 1941. One-sided bounds by the largest of n: 59, 299, 2,995.
@pytest.mark.parametrize(
    ("limit", "delta", "needed"),
    [(0.05, 0.05, 59), (0.01, 0.05, 299), (0.01, 0.01, 459), (0.001, 0.05, 2995), (0.1, 0.05, 29), (0.1, 0.1, 22)],
)
def test_sample_size_for_an_upper_bound_by_the_largest(limit: float, delta: float, needed: int) -> None:
    assert events_needed(limit, delta) == needed
    assert smallest_rank(needed, limit, delta) == needed
    assert smallest_rank(needed - 1, limit, delta) is None


# source: CMH-17-1G tables 8.5.12 and 8.5.13: the r-th largest of n bounds 99 % (90 %) with 95 % confidence.
@pytest.mark.parametrize(
    ("limit", "sizes"), [(0.01, (299, 473, 628, 773, 913)), (0.1, (29, 46, 61, 76, 89)), (0.05, (59, 93, 124, 153))]
)
def test_ranks_of_larger_samples(limit: float, sizes: tuple[int, ...]) -> None:
    for r, size in enumerate(sizes, start=1):
        assert smallest_rank(size, limit, 0.05) == size - r + 1
        assert smallest_rank(size - 1, limit, 0.05) == (None if r == 1 else size - r + 1)


# source: 1/(n + 1), exchangeability: .05 for 19, .01 for 99. The level is the largest of n gaps.
@pytest.mark.parametrize("size", [19, 99])
def test_the_next_gap_exceeds_the_largest_of_n_once_in_n_plus_one(size: int) -> None:
    random = np.random.default_rng(7)
    gaps = random.standard_normal((20_000, size + 1))
    share = float(np.mean(gaps[:, -1] > gaps[:, :-1].max(axis=1)))
    expected = 1 / (size + 1)
    assert abs(share - expected) < 4 * math.sqrt(expected * (1 - expected) / 20_000)


def test_coverage_of_the_rank_is_at_least_the_confidence() -> None:
    """4,000 samples of 400: the share beyond the chosen order statistic exceeds 1 % in at most 5 % of them."""
    rank = smallest_rank(400, 0.01, 0.05)
    assert rank is not None
    uniform = np.sort(np.random.default_rng(3).random((4000, 400)), axis=1)
    too_low = float(np.mean(1 - uniform[:, rank - 1] > 0.01))
    assert too_low < 0.05 + 4 * math.sqrt(0.05 * 0.95 / 4000)


# source: closed form of two exponential tails, T(1/b1 + 1/b0) = u1/b1 + u0/b0 + ln(c_f·φ0·b1/(c_m·φ1·b0)).
@pytest.mark.parametrize("costs", [(1.0, 1.0), (1.0, 20.0), (30.0, 1.0)])
def test_two_exponential_tails(costs: tuple[float, float]) -> None:
    false, miss = costs
    gaps, below = Tail(10.0, 0.1, 0.0, 0.5), Tail(-30.0, 0.08, 0.0, 1.5)
    expected = (30 / 1.5 + 10 / 0.5 + math.log(false * 0.1 * 1.5 / (miss * 0.08 * 0.5))) / (1 / 1.5 + 1 / 0.5)
    assert least_cost(gaps, below, false, miss) == pytest.approx(expected, abs=1e-5)


def test_tails_are_those_of_scipy() -> None:
    tail = Tail(0.0, 0.1, 0.3, 2.0)
    for distance in (0.0, 1.0, 10.0):
        assert tail.beyond(distance) == pytest.approx(0.1 * genpareto.sf(distance, 0.3, scale=2.0), rel=1e-12)


def test_a_fitted_tail_recovers_its_shape_and_a_bounded_one_becomes_exponential() -> None:
    q = (np.arange(2000) + 0.5) / 2000
    heavy = fit_tail(genpareto.ppf(q, 0.4, scale=3.0), 0.0, 0.1, 1e-9)
    assert (heavy.shape, heavy.scale) == pytest.approx((0.4, 3.0), rel=0.03)
    bounded = fit_tail(genpareto.ppf(q, -0.3, scale=3.0), 0.0, 0.1, 1e-9)
    assert (bounded.shape, bounded.scale) == pytest.approx((0.0, 3.0 / 1.3), rel=1e-3)


# source: NIST StRD, univariate summary statistics: certified standard deviations of NumAcc1 to NumAcc3.
@pytest.mark.parametrize(
    ("values", "mean", "sd", "tolerance"),
    [
        ([10000001, 10000003, 10000002], 10000002, 1.0, 1e-15),
        ([1.2] + [1.1, 1.3] * 500, 1.2, 0.1, 1e-14),
        # The inputs of NumAcc3 have no exact binary form: float64 cannot do better than 1e-8.
        ([1000000.2] + [1000000.1, 1000000.3] * 500, 1000000.2, 0.1, 1e-8),
    ],
)
def test_standard_deviation_of_the_background(values: list[float], mean: float, sd: float, tolerance: float) -> None:
    levels = np.array(values, np.float64)
    view = teach_view(background_=Background(Reading(levels), levels))
    taught = BackgroundReferenced(distance="standard-deviations").teach(view).taught
    assert taught is not None
    assert taught.evidence["background"] == pytest.approx(mean, rel=1e-14)
    assert taught.evidence["standard_deviation"] == pytest.approx(sd, rel=tolerance)
