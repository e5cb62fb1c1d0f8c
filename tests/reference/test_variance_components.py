"""One-way analysis of variance and agreement against published values."""

from __future__ import annotations

import numpy as np
import pytest

from teachlab.statistics.variance_components import agreement, variance_components

# source: NIST/ITL Statistical Reference Datasets, analysis of variance, SiRstv (silicon resistivity) and
# AtmWtAg (atomic weight of silver, 7 constant leading digits); data and certified values as published.
SIRSTV = """196.3052 196.1240 196.1890 196.2569 196.3403 196.3042 196.3825 196.1669 196.3257 196.0422
196.1303 196.2005 196.2889 196.0343 196.1811 196.2795 196.1748 196.1494 196.1485 195.9885
196.2119 196.1051 196.1850 196.0052 196.2090"""
ATMWTAG = """107.8681568 107.8681465 107.8681572 107.8681785 107.8681446 107.8681903 107.8681526 107.8681494
107.8681616 107.8681587 107.8681519 107.8681486 107.8681419 107.8681569 107.8681508 107.8681672 107.8681385
107.8681518 107.8681662 107.8681424 107.8681360 107.8681333 107.8681610 107.8681477 107.8681079 107.8681344
107.8681513 107.8681197 107.8681604 107.8681385 107.8681642 107.8681365 107.8681151 107.8681082 107.8681517
107.8681448 107.8681198 107.8681482 107.8681334 107.8681609 107.8681101 107.8681512 107.8681469 107.8681360
107.8681254 107.8681261 107.8681450 107.8681368"""
CERTIFIED = {
    "SiRstv": (
        SIRSTV, 5,
        (5.11462616000000e-02, 2.16636560000000e-01, 1.27865654000000e-02, 1.08318280000000e-02, 1.18046237440255),
        1.04076068334656e-01, 1e-9,
    ),
    # The decimals are rounded to float64 before anything is computed: 7 constant digits leave about 1e-7.
    "AtmWtAg": (
        ATMWTAG, 2,
        (3.63834187500000e-09, 1.04951729166667e-08, 3.63834187500000e-09, 2.28155932971014e-10, 15.9467335677930),
        1.51048314446410e-05, 1e-7,
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", CERTIFIED)
def test_certified_analysis_of_variance(name: str) -> None:
    text, groups, expected, residual, tolerance = CERTIFIED[name]
    values = np.array(text.split(), float).reshape(groups, -1)
    found = variance_components({str(k): row for k, row in enumerate(values)})
    got = (found.between_ss, found.within_ss, found.between_ms, found.within_ms, found.f)
    assert got == pytest.approx(expected, rel=tolerance)
    assert found.repeatability_sd == pytest.approx(residual, rel=tolerance)
    size = values.shape[1]
    variance = max(0.0, (expected[2] - expected[3]) / size)
    assert found.between_sd**2 == pytest.approx(variance, rel=1e-6)


def test_intraclass_share_of_a_published_example() -> None:
    """source: Shrout & Fleiss, Psychological Bulletin 86 (1979) 420, six targets by four judges: ICC(1,1) = .17.

    Interval from general statistics software on the same table (values from memory): −0.13 to 0.72; a share
    of a variance is not below 0.
    """
    table = [[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7]]
    found = variance_components({str(k): row for k, row in enumerate(table)})
    assert (found.between_ms, found.within_ms) == (pytest.approx(11.24, abs=0.005), pytest.approx(6.26, abs=0.005))
    assert found.share == pytest.approx(0.17, abs=0.005)
    assert found.share_low == 0
    assert found.share_high == pytest.approx(0.72, abs=0.005)


def test_second_route_by_scipy() -> None:
    from scipy.stats import f_oneway

    rng = np.random.default_rng(5)
    groups = {str(k): rng.normal(k % 3, 1, n) for k, n in enumerate((3, 9, 4, 1, 7))}
    found = variance_components(groups)
    other = f_oneway(*groups.values())
    assert (found.f, found.p) == (pytest.approx(other.statistic, rel=1e-12), pytest.approx(other.pvalue, rel=1e-10))


def test_second_route_by_a_mixed_model() -> None:
    """Where sizes are equal and the estimate is positive, restricted maximum likelihood gives the same components."""
    import pandas as pd
    import statsmodels.formula.api as smf

    rng = np.random.default_rng(6)
    table = rng.normal(0, 1, (12, 5)) + rng.normal(0, 2, (12, 1))
    frame = pd.DataFrame({"y": table.ravel(), "group": np.repeat(np.arange(12), 5)})
    fitted = smf.mixedlm("y ~ 1", frame, groups=frame["group"]).fit(reml=True)
    found = variance_components({str(k): row for k, row in enumerate(table)})
    assert found.repeatability_sd**2 == pytest.approx(float(fitted.scale), rel=1e-4)
    assert found.between_sd**2 == pytest.approx(float(fitted.cov_re.iloc[0, 0]), rel=1e-3)


def test_kappa_by_statsmodels() -> None:
    from statsmodels.stats.inter_rater import fleiss_kappa

    rng = np.random.default_rng(7)
    for raters in (2, 3, 14):
        lost = rng.binomial(raters, rng.beta(0.3, 2, 60))
        expected = fleiss_kappa(np.column_stack([lost, raters - lost]))
        assert agreement(lost, raters).kappa == pytest.approx(expected, rel=1e-12)
