"""When an identification is unique, and what is said first where it is not."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

from teachlab.device.identified import Identification, IdentifiedClass, Interval
from teachlab.device.level_counts import EvaluationGrid
from teachlab.device.timing_classes import TimingClass
from teachlab.wording.verdict import verdict_lines

PLAIN = TimingClass(consecutive=1, on_delay=0, longest_on_delay=0, delay_difference=0)
ONE = IdentifiedClass(
    timing=PLAIN, light_on=True, grid=EvaluationGrid.of(Fraction(1), Fraction(0)), latency_active=0, latency_inactive=0,
    lag=0, contradictions=0, levels=(45.0, 36.0), on_level=Interval(42.0, 50.0), off_level=Interval(32.0, 40.0),
)  # fmt: skip
NOTHING = Identification(recording="line", unit="counts", sample_rate_hz=1000.0, edges=82, jitter=1)


def told(*classes: IdentifiedClass, noise: float = 0.0) -> tuple[str, str]:
    """Return the first line and the reason about what fits."""
    verdict = replace(NOTHING, classes=classes, noise=noise).verdict
    return verdict_lines(verdict)[0], verdict.reasons[1].text


def test_one_combination_with_close_levels_is_identified() -> None:
    # Both levels are known to within 8 counts, and the hysteresis is 9.
    assert told(ONE) == (
        "Identified: fixed levels, on 45, off 36 counts, light-on.",
        "One combination of filter, delays and evaluation rate fits.",
    )


def test_another_phase_or_lag_of_the_log_is_no_other_setting() -> None:
    later = replace(
        ONE, grid=EvaluationGrid.of(Fraction(1), Fraction(1, 2)), latency_active=1, latency_inactive=1, lag=1
    )
    assert told(ONE, later)[0].startswith("Identified: ")


def test_another_filter_is_not_unique_and_says_what_to_log() -> None:
    other = replace(ONE, timing=replace(PLAIN, consecutive=3), on_level=Interval(43.0, 49.0))
    first, why = told(ONE, other)
    assert first.startswith("Not unique: on-level 42 to 50, off-level 32 to 40 counts, light-on. Simplest that fits:")
    assert why == (
        "2 combinations of filter, delays and evaluation rate fit. To tell settings apart, log an active pulse of 1 to "
        "2 evaluations and an inactive gap of 1 to 2 evaluations (an evaluation takes 1 ms)."
    )


def test_a_level_that_is_wider_than_hysteresis_and_noise_is_not_unique() -> None:
    wide = replace(ONE, on_level=Interval(40.0, 50.0))
    first, why = told(wide)
    assert first.startswith("Not unique: on-level 40 to 50, off-level 32 to 40 counts, light-on.")
    assert why.endswith("To tell settings apart, log objects whose light turns back between 40 and 50 counts.")
    assert told(wide, noise=10.0)[0].startswith("Identified: ")
    assert told(wide, noise=9.9)[0].startswith("Not unique: ")


def test_either_polarity_is_named() -> None:
    dark = replace(ONE, light_on=False)
    assert told(ONE, dark)[0].startswith(
        "Not unique: on-level 42 to 50, off-level 32 to 40 counts, light-on or dark-on."
    )
