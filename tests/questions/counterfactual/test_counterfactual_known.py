"""Each sensor that was not there on light whose answer is known beforehand."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.lib.stride_tricks import sliding_window_view
from scipy.special import ndtri

from teachlab.model.draws import Costs
from teachlab.model.recording import Recording, RecordingInfo
from teachlab.model.setting import Polarity, Setting
from teachlab.model.truth import Truth
from teachlab.questions.counterfactual.answer import counterfactual
from teachlab.questions.counterfactual.margin import SensorMargin
from teachlab.questions.timing.line import probability_inside
from teachlab.scoring import score
from teachlab.switching import replay

BARE = Setting(unit="counts", on_level=0, off_level=0)


def bought(
    light: np.ndarray, start: np.ndarray, length: int, setting: Setting = BARE, **more: object
) -> dict[str, SensorMargin]:
    info = RecordingInfo(sample_rate_hz=1000, unit="counts")
    found = counterfactual(
        Recording.from_array(light, info), Truth.from_arrays(start, start + length), setting, **more  # type: ignore[arg-type]
    )  # fmt: skip
    return {one.sensor.name: one for one in found.sensors}


def line(passes: int, every: int, length: int, height: float) -> tuple[np.ndarray, np.ndarray]:
    start = every // 2 + every * np.arange(passes)
    light = np.full(every * (passes + 1), 50.0)
    for a in start:
        light[a : a + length] += height
    return light, start


def sustained(rng: np.random.Generator, trials: int, length: int, n: int, spike: int = 0) -> np.ndarray:
    """Best value that lasts n samples of white noise, per trial; `spike` samples in the middle are out of reach."""
    noise = rng.standard_normal((trials, length))
    noise[:, length // 2 : length // 2 + spike] = 99.0
    return sliding_window_view(noise, n, axis=1).min(axis=2).max(axis=1)


def expected_margin(height: float, passes: np.ndarray, gaps: np.ndarray) -> float:
    """Half of what lies between the weakest 1 % of the passes and the strongest 1 % of the gaps, noise of 1."""
    return float(height + np.quantile(passes, 0.01) - np.quantile(gaps, 0.99)) / 2


def test_twice_the_rate_catches_what_is_too_short_for_the_filter() -> None:
    """Passes of 5 samples, three in a row: at every second sample half the phases hold three, at every one all.

    P(3 evaluations in 2.5 periods) = 2.5 − 3 + 1 = 0.5, by elementary probability; starts alternate odd and even.
    """
    rng = np.random.default_rng(2)
    start = 60 + 101 * np.arange(100)  # odd distance: every second one out of phase
    light = rng.normal(50, 1, 101 * 102)
    for a in start:
        light[a : a + 5] += 40
    setting = Setting(unit="counts", on_level=0, off_level=0, consecutive=3, evaluation_rate_hz=500)
    found = bought(light, start, 5, setting, costs=Costs())
    slow, fast = found["as it is"], found["twice the evaluation rate"]
    assert slow.clean is None
    assert slow.margin < 0
    lost = 1 - probability_inside(5, 2, 3)
    # Midway, of both sensors as they are told: half of the passes, and none. A level in the noise wins some back.
    recording = Recording.from_array(light, RecordingInfo(sample_rate_hz=1000, unit="counts"))
    for one, share in ((slow, lost), (fast, 0.0)):
        middle = one.sensor.setting.with_levels(70, 70, Polarity.LIGHT_ON)
        counts = score(replay(recording, middle), Truth.from_arrays(start, start + 5)).counts
        assert counts.lost == pytest.approx(100 * share, abs=2)
    assert fast.best.cost == 0 < slow.best.cost < lost
    theirs = np.random.default_rng(9)
    known = expected_margin(40, sustained(theirs, 20_000, 5, 3), sustained(theirs, 20_000, 96, 3))
    assert fast.margin == pytest.approx(known, abs=1)
    # With one in a row both see every pass: nothing to buy, and white noise asks a little more of the faster one.
    one = bought(light, start, 5, Setting(unit="counts", on_level=0, off_level=0, evaluation_rate_hz=500))
    assert one["twice the evaluation rate"].times < 1
    assert one["twice the evaluation rate"].margin == pytest.approx(one["as it is"].margin, rel=0.05)


def test_three_in_a_row_pass_over_short_spikes() -> None:
    """A spike of two samples as high as the objects in every gap: no level as it is, the whole height with three."""
    rng = np.random.default_rng(3)
    light, start = line(100, 200, 60, 40)
    light += rng.normal(0, 1, light.size)
    for a in start:
        light[a + 120 : a + 122] += 45
    found = bought(light, start, 60)
    assert found["as it is"].clean is None
    assert found["as it is"].margin < 0
    three = found["filter of three evaluations"]
    assert three.clean is not None
    theirs = np.random.default_rng(9)
    known = expected_margin(40, sustained(theirs, 20_000, 60, 3), sustained(theirs, 20_000, 140, 3, spike=2))
    assert three.margin == pytest.approx(known, abs=1)
    assert three.sensor.setting.consecutive == 3


@pytest.mark.parametrize(("mains", "span", "left"), [(50.0, 10, 0.0), (60.0, 8, None)])
def test_average_over_a_flicker_cancels_it_and_no_other(mains: float, span: int, left: float | None) -> None:
    """Flicker of 100 Hz, amplitude 8: gone from 10 evaluations of 1 kHz; 8 leave |sin 8x / (8 sin x)|, x = π / 10."""
    rng = np.random.default_rng(4)
    light, start = line(300, 197, 60, 40)
    t = np.arange(light.size) / 1000
    light += 8 * np.sin(2 * np.pi * 100 * t + 0.3) + rng.normal(0, 0.4, light.size)
    found = bought(light, start, 60, mains_hz=mains)
    one = found[f"average over one flicker of {mains:g} Hz mains"]
    assert one.sensor.average == span
    # Robust spread of the gaps in plain numpy, raw and averaged, as far as no pass reaches into the average.
    mean = np.convolve(light, np.full(span, 1 / span))[: light.size]
    for values, noise in ((light, found["as it is"].noise), (mean, one.noise)):
        gaps = np.concatenate([values[a + 60 + span : a + 190] for a in start])
        assert noise == pytest.approx(1.4826 * np.median(np.abs(gaps - np.median(gaps))), rel=0.15)
    if left is None:
        x = np.pi / 10
        left = abs(np.sin(8 * x) / (8 * np.sin(x)))
        amplitude = np.sqrt(2) * np.concatenate([mean[a + 68 : a + 188] for a in start]).std()
        assert amplitude == pytest.approx(8 * left, rel=0.05)
        return
    sigma = 0.4 / np.sqrt(10)
    assert one.noise == pytest.approx(sigma, rel=0.05)
    # What is left is white noise on a step of 40; extremes of 50 and 137 averages stand out by two to three sigma.
    assert one.margin == pytest.approx(20 / sigma, rel=0.05)
    assert one.times > 10


def test_matched_filter_is_the_mean_of_the_pass() -> None:
    """Passes of 40 on a step of 4 in noise of 2: as it is no level separates, the mean has 2 / (2 / √40) = 6.3 sigma.

    A filter matched to a rectangle in white noise is its mean, and peaks at the step itself with sigma / √n (any text
    on detection); its greatest value over a pass and over a gap stands out by a little more than the mean.
    """
    rng = np.random.default_rng(5)
    light, start = line(400, 160, 40, 4.0)
    light += rng.normal(0, 2, light.size)
    found = bought(light, start, 40)
    one = found["matched filter"]
    assert one.sensor.average == 40
    assert found["as it is"].clean is None
    assert found["as it is"].margin < 1
    sigma = 2 / np.sqrt(40)
    assert one.noise == pytest.approx(sigma, rel=0.05)
    # Weakest 1 % of the passes: at least as good as one mean at its peak. Strongest 1 % of the gaps: at most as bad as
    # the greatest of 120 independent means of unit variance.
    low = 54 + sigma * float(ndtri(0.01))
    high = 50 + sigma * float(ndtri(0.99 ** (1 / 120)))
    assert one.objects >= low - 0.1
    assert one.background <= high + 0.1
    assert (54 - 50) / (2 * sigma) - 3.5 < one.margin < (54 - 50) / (2 * sigma) + 0.5
