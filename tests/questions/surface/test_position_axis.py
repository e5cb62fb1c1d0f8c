"""Switching position along the level axis, on edges whose steepest part is known, and in words."""

from __future__ import annotations

import io
import re
from dataclasses import replace

import numpy as np
import pytest
from rich.console import Console
from scoring.margins import measure_margin

from teachlab.model.printable_text import in_figures
from teachlab.model.recording import Recording, RecordingInfo
from teachlab.model.score import Rules
from teachlab.model.setting import Setting
from teachlab.model.truth import Truth
from teachlab.questions.surface.count import surface_of
from teachlab.questions.surface.position_axis import PositionAxis, position_axis
from teachlab.questions.surface.position_figure import position_figure
from teachlab.scoring import score
from teachlab.scoring.switching_position import SwitchingPosition, switching_position
from teachlab.switching import replay
from teachlab.wording.position import position_lines, position_table

HEIGHT = 1000.0


def line(passes: int, *, sign: float = 1.0, doubt: float = 0.0, seed: int = 5) -> tuple[Recording, Truth]:
    """Passes with logistic edges, steepest at half their height; each is shaken as a whole by up to a tenth."""
    rng = np.random.default_rng(seed)
    at = np.arange(600.0)
    shape = 1 / (1 + np.exp(-(at - 200) / 12)) - 1 / (1 + np.exp(-(at - 400) / 12))
    # Light that is added to a whole pass moves its crossing by the shift over the slope there.
    parts = [HEIGHT * shape + shift for shift in rng.uniform(-50, 50, passes)]
    light = 2000.0 + sign * np.concatenate(parts)
    start = 200 + 600 * np.arange(passes)
    names = np.array(["jar", "lid"], object)[np.arange(passes) % 2]
    info = RecordingInfo(sample_rate_hz=2000.0, unit="mV", line_speed_m_s=0.4)
    truth = Truth.from_arrays(start, start + 200, label=names, uncertainty_samples=doubt)
    return Recording.from_array(light, info), truth


def axis_of(recording: Recording, truth: Truth, setting: Setting) -> PositionAxis:
    surface = surface_of([(recording, truth)], setting, rules=Rules(tolerance_ms=40.0))
    found = position_axis(recording, truth, surface, setting, rules=Rules(tolerance_ms=40.0))
    assert found is not None
    return found


@pytest.mark.parametrize(("sign", "polarity"), [(1.0, "light-on"), (-1.0, "dark-on")])
def test_the_onset_spreads_least_where_the_edge_is_steepest(sign: float, polarity: str) -> None:
    recording, truth = line(60, sign=sign)
    found = axis_of(recording, truth, Setting(unit="mV", on_level=2000.0, off_level=2000.0, polarity=polarity))
    steepest = found.steepest
    assert steepest is not None
    assert steepest.onset is not None
    assert abs(steepest.level - (2000 + sign * HEIGHT / 2)) < 0.15 * HEIGHT
    # 0.9 · 100 mV of shift over a slope of 1000/48 mV a sample, half a millisecond each.
    assert steepest.onset.spread == pytest.approx(0.9 * 100 / (HEIGHT / 48) / 2, abs=0.6)
    flattest = max(one.onset.spread for one in found.levels if one.onset is not None and one.hits == 60)
    assert flattest > 1.5 * steepest.onset.spread
    assert (
        f"least, by {steepest.onset.spread:.3g} ms" in found.sentence() or "at the level of least" in found.sentence()
    )


def test_every_level_equals_its_own_replay() -> None:
    recording, truth = line(30)
    setting = Setting(unit="mV", on_level=2000.0, off_level=1960.0)
    for one in axis_of(recording, truth, setting).levels:
        assert one.setting.on_level - one.setting.off_level == pytest.approx(40.0)
        output = replay(recording, one.setting)
        scored = score(output, truth, rules=Rules(tolerance_ms=40.0))
        alone = switching_position(output, truth, scored.trials, recording.info, rules=Rules(tolerance_ms=40.0))
        assert one.onset == alone.onset
        assert one.release == alone.release
        assert one.hits == scored.counts.hits


def test_a_steeper_level_that_loses_passes_says_so() -> None:
    recording, truth = line(40)
    light = recording.read(0, recording.samples).as_float()
    for k in range(3):  # three dim passes, lost at the steepest level of the others
        light[600 * k : 600 * (k + 1)] = 2000 + 0.3 * (light[600 * k : 600 * (k + 1)] - 2000)
    dim = Recording.from_array(light, recording.info)
    setting = Setting(unit="mV", on_level=2000.0, off_level=2000.0)
    found = axis_of(dim, truth, setting)
    steepest, cheapest = found.steepest, found.cheapest
    assert steepest is not None
    assert cheapest is not None
    assert (steepest.errors, cheapest.errors) == (3, 0)
    assert found.sentence().endswith("It costs 3 more errors on 40 passes.")


def test_a_steeper_level_that_costs_more_without_more_errors_says_so() -> None:
    """Two levels with two errors each, one kind of which costs more: no error is added, none is taken away."""
    recording, truth = line(40)
    found = axis_of(recording, truth, Setting(unit="mV", on_level=2000.0, off_level=2000.0))
    assert found.steepest is not None
    steep = replace(found.steepest, errors=2, cost=0.1)
    wide = next(one for one in found.levels if one.onset and steep.onset and one.onset.spread > steep.onset.spread)
    for errors, told in ((2, "It costs no error more on 40 passes."), (1, "It costs 1 more errors on 40 passes.")):
        both = replace(found, levels=(replace(wide, errors=errors, cost=0.05, hits=steep.hits), steep))
        assert both.sentence().endswith(told)


def test_borders_in_doubt_show_no_level_to_be_better() -> None:
    recording, truth = line(40, doubt=40.0)
    found = axis_of(recording, truth, Setting(unit="mV", on_level=2000.0, off_level=2000.0))
    assert "±20 ms, so no level can be shown to be better" in found.sentence()


def measured(passes: int = 120) -> SwitchingPosition:
    recording, truth = line(passes)
    output = replay(recording, Setting(unit="mV", on_level=2300.0, off_level=2300.0))
    scored = score(output, truth, rules=Rules(tolerance_ms=40.0))
    margin = measure_margin(recording, output, truth, scored.trials, rules=Rules(tolerance_ms=40.0))
    return switching_position(
        output, truth, scored.trials, recording.info, rules=Rules(tolerance_ms=40.0), margin=margin
    )


def test_words_and_table_hold_the_figures() -> None:
    found = measured()
    onset, release = found.onset, found.release
    assert onset is not None
    assert release is not None
    lines = position_lines(found, "mV")
    before = f"Switches on {-onset.median:.3g} ms before the start of the pass (median); 5 to 95 %: {onset.p05:.3g} to "
    assert lines[0].startswith(f"{before}{onset.p95:.3g} ms (below 0: before it), a spread of")
    assert (
        f"a spread of {onset.spread:.3g} ms ({0.4 * onset.spread:.3g} mm), at most {onset.spread_high:.3g}" in lines[0]
    )
    slope = found.onset_slope
    assert slope is not None
    # The 6th and the 114th of 120.
    dim, bright = np.sort(found.peak)[[5, 113]]
    by = [f"{abs(one) * (bright - dim):.2g}" for one in (slope.per_unit, slope.high, slope.low)]
    assert lines[1] == (
        f"  Passes with more light switch on earlier: from {in_figures(dim, 5)} to {in_figures(bright, 5)} mV by "
        f"{by[0]} ms ({by[1]} to {by[2]})."
    )
    assert "Passes with more light switch off later" in lines[3]
    assert lines[2].startswith(f"Switches off {release.median:.3g} ms after its end (median); 5 to 95 %: ")
    held = replace(found, release_ms=np.where(np.arange(found.rows.size) < 3, np.nan, found.release_ms))
    assert position_lines(held, "mV")[-1] == "  After 3 of 120 hits it was still on when the next pass began."
    page = io.StringIO()
    Console(file=page, width=100).print(position_table(found))
    assert f"{release.spread:.4g}\u00a0[" in page.getvalue()
    for name in ("kind jar", "kind lid"):
        assert name in page.getvalue()


def test_the_figure_names_kinds_and_axes() -> None:
    found = measured(30)
    picture = position_figure(found, "mV", title="bottling").decode()
    for text in (
        "light of the pass where it is furthest from the gaps, mV",
        "onset after the start, ms",
        "jar",
        "lid",
        "doubt of the borders,",
        "mm",
    ):
        assert f">{text}<" in picture
    assert f">±{found.doubt_ms:.3g} ms<" in picture
    scatter = position_figure(replace(found, doubt_is="jitter", doubt_ms=0.25), "mV").decode()
    assert ">measured standard deviation of the borders,<" in scatter
    assert ">±0.25 ms<" in scatter
    assert picture == position_figure(measured(30), "mV", title="bottling").decode()


def test_a_kind_with_a_long_name_leaves_room_for_the_figure() -> None:
    found = measured(30)
    long = replace(found, label=np.where(found.label == "jar", "W" * 160, "$x$"))
    picture = position_figure(long, "mV").decode()
    assert max(len(run) for run in re.findall("W+", picture)) == 24
    assert picture.count("W" * 24) < 4
    assert "…" in picture


def test_kinds_that_begin_alike_have_different_names_in_the_legend() -> None:
    """Names of more than 24 characters were cut: both were "amber jar of the secon…"."""
    found = measured()
    names = ["amber jar of the second line, wide neck", "amber jar of the second line, narrow neck"]
    label = np.array([names[k % 2] for k in range(found.label.size)], object)
    drawn = position_figure(replace(found, label=label), "mV").decode()
    assert {"line, wide neck", "line, narrow neck"} <= {part.strip() for part in re.findall(r">([^<>]*neck)<", drawn)}
