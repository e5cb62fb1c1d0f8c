"""The line through readings against a published worked example and scipy.odr, and steps against their arithmetic."""

from __future__ import annotations

import numpy as np
import pytest

from teachlab.device.scale import DisplayScale, DisplayStep, york_line
from teachlab.errors import ParameterError

# Pearson's data with York's weights: York, Canadian Journal of Physics 44 (1966) 1079–1086; also table II of York and
# others, American Journal of Physics 72 (2004) 367–375. Data, weights and the answer printed there, −0.4805 and 5.4799,
# are typed from memory: the second test holds the same data against a program that knows nothing of them.
X = [0.0, 0.9, 1.8, 2.6, 3.3, 4.4, 5.2, 6.1, 6.5, 7.4]
Y = [5.9, 5.4, 4.4, 4.6, 3.5, 3.7, 2.8, 2.8, 2.4, 1.5]
X_WEIGHT = np.array([1000, 1000, 500, 800, 200, 80, 60, 20, 1.8, 1])
Y_WEIGHT = np.array([1, 1.8, 4, 8, 20, 20, 70, 70, 100, 500])


def test_pearsons_data_with_yorks_weights() -> None:
    found = york_line(X, Y, X_WEIGHT**-0.5, Y_WEIGHT**-0.5)
    assert found.slope == pytest.approx(-0.4805, abs=5e-5)
    assert found.intercept == pytest.approx(5.4799, abs=5e-5)
    # Standard errors and reduced χ² of the same table, from memory: 0.0580, 0.2950 and 1.483.
    assert found.slope_error == pytest.approx(0.0580, abs=2e-4)
    assert found.intercept_error == pytest.approx(0.2950, abs=1e-3)
    assert found.chi_square / 8 == pytest.approx(1.483, abs=2e-3)


@pytest.mark.filterwarnings("ignore:.*odr:DeprecationWarning")
@pytest.mark.parametrize("seed", [None, 0, 1, 2, 3, 4])
def test_the_line_is_that_of_orthogonal_distance_regression(seed: int | None) -> None:
    """scipy.odr (ODRPACK: Boggs, Byrd, Rogers and Schnabel, NISTIR 4834, 1992): another algorithm for the same line.

    Pearson's data, then readings like those of a display. Both take the errors as known, so ODRPACK's covariance is not
    scaled by the residual variance; its standard errors are those of a linearised model, hence the tolerance.
    """
    odr = pytest.importorskip("scipy.odr")
    if seed is None:
        x, y, x_error, y_error = np.array(X), np.array(Y), X_WEIGHT**-0.5, Y_WEIGHT**-0.5
    else:
        rng = np.random.default_rng(seed)
        x_error, y_error = rng.uniform(1, 8, 7), rng.uniform(0.3, 2, 7)
        true = rng.uniform(100, 2000, 7)
        x, y = true + rng.normal(0, x_error), A + B * true + rng.normal(0, y_error)
    found = york_line(x, y, x_error, y_error)
    model = odr.Model(lambda beta, at: beta[0] + beta[1] * at)
    start = np.polyfit(x, y, 1)[::-1]
    told = odr.ODR(odr.RealData(x, y, sx=x_error, sy=y_error), model, beta0=start, sstol=1e-15, partol=1e-15).run()
    assert (found.intercept, found.slope) == (
        pytest.approx(told.beta[0], rel=1e-5), pytest.approx(told.beta[1], rel=1e-6)
    )  # fmt: skip
    intercept_error, slope_error = np.sqrt(np.diag(told.cov_beta))
    assert found.slope_error == pytest.approx(slope_error, rel=1e-3)
    assert found.intercept_error == pytest.approx(intercept_error, rel=1e-3)
    assert found.chi_square == pytest.approx(told.res_var * (len(x) - 2), rel=1e-6)


def test_errors_of_one_side_alone_give_least_squares() -> None:
    """Against numpy's polynomial fit."""
    found = york_line(X, Y, 0.0, 0.3)
    slope, intercept = np.polyfit(X, Y, 1)
    assert (found.slope, found.intercept) == (pytest.approx(slope), pytest.approx(intercept))
    turned = york_line(Y, X, 0.3, 0.0)
    assert turned.slope == pytest.approx(1 / slope)


LIGHT = np.array([300.0, 600.0, 900.0, 1200.0, 1500.0, 1800.0])
A, B = 13.05, 0.2395


def scale(step: float) -> DisplayScale:
    """Six readings that lie on the line 13.05 + 0.2395 u, with 2 counts and half a digit of noise."""
    return DisplayScale.of(
        LIGHT, A + B * LIGHT, light_error=2.0, display_error=0.5, resolution=1.0, step=step, first=0.0, last=1000.0
    )


def test_a_wide_interval_has_a_step() -> None:
    """Target 1116 in (731, 1501], steps of 5: 280, the nearest, since 13.05 + 0.2395 · 1116 = 280.3."""
    found = scale(5.0).rounded(1116.0, 731.0, 1501.0)
    assert isinstance(found, DisplayStep)
    assert found.display == 280.0
    assert found.light == pytest.approx((280 - A) / B)
    assert 731 < found.low < found.light < found.high <= 1501
    # By hand: |D − a − b·u| = k·se(u) + q/2 at both ends.
    for end in (found.low, found.high):
        assert abs(280 - A - B * end) == pytest.approx(scale(5.0).doubt(end))


def test_a_level_that_alone_costs_as_little_is_told_once() -> None:
    """Its range was told from 916 to 916."""
    assert "where the errors stay the same, at 916 alone. It takes" in str(scale(5.0).rounded(916.0, 916.0, 916.0))


def test_a_narrow_interval_refuses_the_coarse_step_and_takes_the_fine_one() -> None:
    """(905, 931] is 6.2 digits wide: no step of 5 is sure, with about ±1 of doubt; one of 1 is."""
    told = scale(5.0).rounded(916.0, 905.0, 931.0)
    assert isinstance(told, str)
    assert "The display goes in steps of 5, and none lies safely" in told
    doubt = scale(5.0).doubt(916.0)
    assert f"It takes steps of {B * 26 - 2 * doubt:.2g} or finer" in told
    told = str(scale(5.0).rounded(916.0, 914.0, 918.0))
    assert f"; the readings leave ±{doubt / B:.3g} open at any step: read more pairs." in told
    fine = scale(1.0).rounded(916.0, 905.0, 931.0)
    assert isinstance(fine, DisplayStep)
    assert fine.display == round(A + B * 916)
    assert fine.low > 905
    assert fine.high <= 931


@pytest.mark.parametrize(("feared", "display"), [(1, 270.0), (-1, 280.0)])
def test_at_equal_distance_the_side_that_is_feared_less(feared: int, display: float) -> None:
    found = scale(10.0).rounded((275 - A) / B, 731.0, 1501.0, feared=feared)
    assert isinstance(found, DisplayStep)
    assert found.display == display


def test_a_display_that_falls_with_the_light() -> None:
    falling = DisplayScale.of(
        LIGHT, 900 - 0.3 * LIGHT, light_error=2.0, display_error=0.5, resolution=1.0, step=5.0, first=0.0, last=1000.0
    )
    found = falling.rounded(1000.0, 900.0, 1100.0)
    assert isinstance(found, DisplayStep)
    assert (found.display, found.light) == (600.0, pytest.approx(1000.0))


def test_what_the_readings_do_not_tell_is_refused() -> None:
    assert "outside the readings" in str(scale(5.0).rounded(2000.0, 1900.0, 2100.0))
    with pytest.raises(ParameterError, match="at least 3 readings, got 2"):
        DisplayScale.of([1, 2], [1, 2], light_error=1, display_error=1, resolution=1, step=1, first=0, last=9)
    with pytest.raises(ParameterError, match="do not tell how the display follows"):
        DisplayScale.of(
            [100, 101, 102], [50, 51, 49], light_error=2, display_error=2, resolution=1, step=1, first=0, last=99
        )


def test_the_interval_behind_a_value_covers() -> None:
    """Simulated readings with errors on both sides: the light behind a value lies in the interval, 93 %."""
    rng = np.random.default_rng(4)
    hits, trials = 0, 400
    for _ in range(trials):
        read = np.round(A + B * LIGHT + rng.normal(0, 0.5, LIGHT.size))
        found = DisplayScale.of(
            LIGHT + rng.normal(0, 2, LIGHT.size), read, light_error=2.0, display_error=0.5, resolution=1.0, step=5.0,
            first=0.0, last=1000.0,
        ).behind(280.0)  # fmt: skip
        hits += found.low <= (280 - A) / B <= found.high
    assert hits / trials >= 0.93
