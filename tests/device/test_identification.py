"""Settings identified from the output of simulated sensors, whose truth is known."""

from __future__ import annotations

import runpy
from dataclasses import replace
from fractions import Fraction
from io import StringIO
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from rich.console import Console

import teachlab
from teachlab.data.recording_files import RecordingWriter, read_recording
from teachlab.device.identification import _Box, _Stretch, identify, identify_edges
from teachlab.device.level_counts import EvaluationGrid, SharedLevel
from teachlab.device.logged_edges import LoggedEdges, logged_edges
from teachlab.device.timing_classes import TimingClass, output_of
from teachlab.errors import ParameterError, RecordingError
from teachlab.model.recording import LoggedOutput, OutputWhen, Recording, RecordingInfo
from teachlab.model.setting import DelaysActOn, Polarity, Setting
from teachlab.sensor.edges import TwoState
from teachlab.switching.run import replay
from teachlab.synthetic.sensor.logged_output import SimulatedSensor
from teachlab.wording.identification import class_table

BENCH = runpy.run_path(str(Path(teachlab.__file__).parents[1] / "benchmarks" / "device.py"))
INFO = RecordingInfo(sample_rate_hz=1000.0, unit="counts", output=LoggedOutput())


@pytest.mark.parametrize(("spare", "faults"), [(0, 0.0), (0, 0.01), (1, 0.0), (1, 0.01)])
def test_parameters_of_drawn_sensors_are_in_the_set(spare: int, faults: float) -> None:
    """Three of each kind here; `benchmarks/device.py` tries 340."""
    for seed in range(3):
        one = BENCH["identified"](500 + seed, faults=faults, spare=spare)
        if one is not None:
            assert not one["refused"]
            assert one["missing"] == []
            assert one["fewest"] <= one["own"]


def test_a_class_states_its_delays_as_a_setting_does() -> None:
    """Delays on the light of a dark-on sensor: the off-delay holds the output back, the on-delay holds it on."""
    light = BENCH["line"](np.random.default_rng(4), 60)
    bare = Recording.from_array(light, RecordingInfo(sample_rate_hz=1000.0, unit="counts"))
    sensor = Setting(
        unit="counts", on_level=560, off_level=520, polarity=Polarity.DARK_ON, on_delay_ms=5, off_delay_ms=2,
        delays_act_on=DelaysActOn.LIGHT,
    )  # fmt: skip
    states = replay(bare, sensor)
    output = np.zeros(light.size, bool)
    output[states.onsets] = output[states.releases] = True
    output = np.logical_xor.accumulate(output) ^ states.active_at_start
    found = identify(Recording.from_array(light, INFO, output=output), jitter=0)
    classes = [c for c in found.as_dict()["classes"] if c["delays_act_on"] == "light" and not c["contradictions"]]
    assert classes
    for one in classes:
        stated = replace(
            sensor, consecutive=one["consecutive"], on_delay_ms=one["on_delay"]["low"],
            off_delay_ms=one["off_delay"]["low"], on_level=found.classes[0].levels[0],
            off_level=min(found.classes[0].levels),
        )  # fmt: skip
        again = replay(bare, stated)
        assert np.array_equal(again.onsets + one["lag_samples"], states.onsets)
        assert np.array_equal(again.releases + one["lag_samples"], states.releases)
    assert any(c["on_delay"]["low"] > c["off_delay"]["low"] for c in classes)
    wide = Console(width=100, record=True, file=StringIO())
    wide.print(class_table(found))
    rows = [line for line in wide.export_text().splitlines() if line.strip()[:1].isdigit()]
    assert len(set(rows)) == len(rows)


def sensed(
    folder: Path, *, active: OutputWhen = OutputWhen.HIGH, lag: int = 0, seed: int = 2
) -> tuple[Path, np.ndarray]:
    rng = np.random.default_rng(seed)
    light = BENCH["line"](rng, 60)
    sensor = SimulatedSensor(on_level=560, off_level=520, consecutive=2, off_delay=3, lag=4)
    output = sensor.output(light, rng)
    path = folder / f"{active}{lag}.parquet"
    info = RecordingInfo(sample_rate_hz=1000.0, unit="counts", output=LoggedOutput(active, lag))
    with RecordingWriter(path, info, light.dtype) as out:
        out.append(light, output=output ^ (active is OutputWhen.LOW))
    return path, output


def test_a_logged_output_is_read_whichever_way_it_is_active(tmp_path: Path) -> None:
    (high, output), (low, _) = sensed(tmp_path), sensed(tmp_path, active=OutputWhen.LOW)
    ours, theirs, plain = (
        logged_edges(read_recording(high)),
        logged_edges(read_recording(low)),
        LoggedEdges.of(output),
    )
    for edges in (ours, theirs):
        assert edges.active.tolist() == plain.active.tolist()
        assert edges.inactive.tolist() == plain.inactive.tolist()
    late, _ = sensed(tmp_path, lag=3)
    assert (logged_edges(read_recording(late)).active == plain.active - 3).all()


def test_the_representative_reproduces_the_log(tmp_path: Path) -> None:
    path, output = sensed(tmp_path)
    recording = read_recording(path)
    found = identify(recording, jitter=0)
    setting = found.representative
    assert setting is not None
    assert not found.contradictions
    assert setting.polarity is Polarity.LIGHT_ON
    again = replay(recording, setting)
    edges = LoggedEdges.of(output)
    assert (again.onsets + found.classes[0].lag).tolist() == edges.active.tolist()
    assert (again.releases + found.classes[0].lag).tolist() == edges.inactive.tolist()
    document = found.as_dict()
    assert document["latency_active"] == {"low": 5, "high": 5}  # 4 of lag, 1 of filter
    assert document["latency_inactive"] == {"low": 8, "high": 8}  # and 3 of off-delay
    assert document["delay_difference"] == {"low": 3, "high": 3}
    assert document["polarity"] == ["light-on"]


def test_edges_that_nobody_switched_are_named() -> None:
    rng = np.random.default_rng(4)
    light = BENCH["line"](rng, 60)
    output = SimulatedSensor(on_level=560, off_level=520, consecutive=2).output(light, rng)
    quiet = [s for s in range(100, light.size - 100) if not output[s - 20 : s + 20].any()]
    places = [quiet[len(quiet) // 3], quiet[2 * len(quiet) // 3]]
    for place in places:
        output[place : place + 3] = True
    found = identify_edges(light, LoggedEdges.of(output), sample_rate_hz=1000, unit="counts", jitter=1)
    told = [(c.sample, c.edge, c.side) for c in found.contradictions]
    assert told == [(s + more, edge, "logged") for s in places for more, edge in ((0, "active"), (3, "inactive"))]


def test_output_without_a_law_is_refused() -> None:
    rng = np.random.default_rng(6)
    light = BENCH["line"](rng, 12)
    output = np.repeat(np.arange(light.size // 50 + 1) % 2 == 1, 50)[: light.size]
    found = identify_edges(light, LoggedEdges.of(output), sample_rate_hz=1000, unit="counts", longest_ms=10)
    assert found.refused is not None
    assert found.refused.startswith("no setting that was tried reproduces")
    assert "at a rate that its edges do not show" in found.refused
    assert found.representative is None
    few = identify_edges(light, LoggedEdges.of(np.arange(light.size) > 50), sample_rate_hz=1000, unit="counts")
    assert few.refused is not None
    assert "1 onset and 0 releases" in few.refused


def test_invalid_light_bounds_nothing() -> None:
    rng = np.random.default_rng(8)
    light = BENCH["line"](rng, 80).astype(float)
    sensor = SimulatedSensor(on_level=560, off_level=520, consecutive=1, on_delay=2)
    edges = LoggedEdges.of(sensor.output(light, rng))
    both = np.concatenate((edges.active, edges.inactive))
    quiet = [s for s in range(light.size) if np.abs(both - s).min() > 6]
    light[rng.choice(quiet, 20, replace=False)] = np.nan
    found = identify_edges(light, edges, sample_rate_hz=1000, unit="counts")
    assert BENCH["missing_from"](found, sensor) == []


def test_a_long_log_is_read_few_times() -> None:
    """What 200,000 samples leave is replayed on all: 600,000 samples here; the promise holds by a cap on readings."""
    rng = np.random.default_rng(9)
    light = np.concatenate([BENCH["line"](rng, 100) for _ in range(60)])
    sensor = SimulatedSensor(on_level=580, off_level=540, consecutive=2, off_delay=2, ratio=2, phase=1, lag=3, jitter=1)
    found = identify_edges(light, LoggedEdges.of(sensor.output(light, rng)), sample_rate_hz=1000, unit="counts")
    assert light.size > 600_000
    assert BENCH["missing_from"](found, sensor) == []
    assert found.readings <= 100


def test_what_is_missing_is_said() -> None:
    bare = Recording.from_array(np.zeros(10, np.uint16), RecordingInfo(sample_rate_hz=1.0, unit="counts"))
    with pytest.raises(RecordingError, match="output was not logged"):
        identify(bare)
    with pytest.raises(ParameterError, match="jitter"):
        identify_edges(np.zeros(10), LoggedEdges.of(np.zeros(10, bool)), sample_rate_hz=1, unit="counts", jitter=-1)


def test_jitter_that_no_edge_needs_is_not_used() -> None:
    """A sensor without jitter, allowed 3 samples: the set is that of none; latencies are known to the sample."""
    rng = np.random.default_rng(12)
    light = BENCH["line"](rng, 60)
    sensor = SimulatedSensor(on_level=560, off_level=520, consecutive=2, off_delay=1, lag=2)
    edges = LoggedEdges.of(sensor.output(light, rng))
    found = identify_edges(light, edges, sample_rate_hz=1000, unit="counts", jitter=3)
    exact = identify_edges(light, edges, sample_rate_hz=1000, unit="counts", jitter=0)
    assert (found.jitter, found.jitter_needed) == (3, 0)
    assert found.classes == exact.classes
    assert BENCH["missing_from"](found, sensor) == []


def test_a_rate_between_samples_is_in_the_set() -> None:
    """2.5 samples an evaluation, as a loop: evaluation i reads sample floor(1 + 2.5 i); filter of 2, off-delay 1."""
    rng = np.random.default_rng(13)
    light = BENCH["line"](rng, 80).astype(float)
    at = np.floor(1 + 2.5 * np.arange(int((light.size - 1) / 2.5))).astype(int)
    state, streak, active, quiet, output = False, 0, False, 9, np.zeros(light.size, bool)
    edges = []
    for s in at:
        above = light[s] >= (540 if state else 580)
        streak = streak + 1 if above != state else 0
        if streak == 2:
            state, streak = above, 0
        quiet = 0 if state else quiet + 1
        now = quiet <= 1
        if now != active:
            active = now
            edges.append(s + 3)
    for a, b in zip(edges[::2], [*edges[1::2], light.size][: len(edges[::2])], strict=True):
        output[a:b] = True
    found = identify_edges(light, LoggedEdges.of(output), sample_rate_hz=1000, unit="counts", jitter=1)
    fitting = [c for c in found.classes if float(c.ratio) == 2.5 and c.timing.holds(2, 0, 1)]
    assert fitting
    assert any(c.on_level.low <= 580 <= c.on_level.high and c.off_level.low <= 540 <= c.off_level.high for c in fitting)


@pytest.mark.parametrize(
    ("consecutive", "on_delay", "off_delay", "lag", "jitter"),
    [(1, 5, 7, 0, 0), (2, 0, 9, 0, 0), (3, 1, 0, 4, 0), (2, 0, 3, 2, 1), (4, 0, 9, 0, 1), (1, 0, 0, 3, 1)],
)
def test_filters_and_delays_are_found_between_whole_ratios(
    consecutive: int, on_delay: int, off_delay: int, lag: int, jitter: int
) -> None:
    """2.5 samples an evaluation, as a loop: latencies of 12.5 and 17.5 samples are rounded in the log."""
    rng = np.random.default_rng(29)
    light = np.full(9000, 200.0)
    at = 60
    while at < 8800:
        width = int(rng.choice([rng.integers(5, 16), rng.integers(16, 80)]))
        shape = 0.5 * (np.tanh((np.arange(-15, width + 15)) / 3) - np.tanh((np.arange(-15, width + 15) - width) / 3))
        light[at - 15 : at + width + 15] += rng.uniform(500, 900) * shape
        at += width + int(rng.choice([rng.integers(8, 20), rng.integers(20, 90)]))
    light += rng.normal(0, 3, light.size)
    state, streak, on, off, active, edges = False, 0, 0, 10**6, False, []
    for sample in (5 * np.arange(light.size * 2 // 5) // 2).tolist():
        streak = streak + 1 if (light[sample] >= (530 if state else 570)) != state else 0
        if streak == consecutive:
            state, streak = not state, 0
        on = on + 1 if state else 0
        off = 0 if on > on_delay else off + 1
        if (off <= off_delay) != active:
            active = not active
            edges.append(sample + lag + int(rng.integers(-jitter, jitter + 1)))
    output = TwoState(False, np.maximum.accumulate(np.array(edges))).dense(light.size)
    logged = LoggedEdges.of(output)
    found = identify_edges(light, logged, sample_rate_hz=1000, unit="counts", jitter=jitter, longest_ms=40)
    fitting = [c for c in found.classes if float(c.ratio) == 2.5 and c.timing.holds(consecutive, on_delay, off_delay)]
    assert any(c.on_level.low < 570 <= c.on_level.high and c.off_level.low < 530 <= c.off_level.high for c in fitting)


def test_a_search_without_work_left_says_what_it_knows(monkeypatch: pytest.MonkeyPatch) -> None:
    """Products at equal distances fit many rates: whole ones are tried first."""
    light = np.tile(np.repeat([10.0, 90.0, 10.0], [20, 12, 8]), 20)
    sensor = SimulatedSensor(on_level=50, off_level=50, consecutive=2, lag=1)
    edges = LoggedEdges.of(sensor.output(light, np.random.default_rng(0)))
    monkeypatch.setattr("teachlab.device.identification.MOST_WORK", 1.0)
    found = identify_edges(light, edges, sample_rate_hz=1000, unit="counts", jitter=1)
    assert found.groups_left > 0
    assert found.decision == "too many settings fit"
    assert "were not searched" in found.verdict.conditions[0]
    assert BENCH["missing_from"](found, sensor) == []


@pytest.mark.parametrize(("seed", "spare"), [(20001, 0), (40036, 1), (40048, 1), (40064, 1)])
def test_the_fewest_contradictions_are_found_where_few_levels_have_them(seed: int, spare: int) -> None:
    """Drawn sensors whose best levels are a few counts wide: the sensor itself contradicts no fewer edges.

    At other levels the log of the last tells a delay of 1 and of 0 apart no more: they took the better one's place.
    """
    one = BENCH["identified"](seed, faults=0.01, spare=spare)
    assert one is not None
    assert one["fewest"] <= one["own"]
    assert one["missing"] == []
    assert one["named"] == one["own"]


@pytest.mark.parametrize(("seed", "spare"), [(10071, 0), (30026, 1), (30080, 1), (10072, 0)])
def test_pulses_that_jitter_swallowed_contradict_no_setting(seed: int, spare: int) -> None:
    """Clean logs of sensors whose shortest pulses vanish under jitter: the sensor is in the set, and they are named."""
    one = BENCH["identified"](seed, faults=0.0, spare=spare)
    assert one is not None
    assert one["own"] > 0
    assert one["fewest"] == 0
    assert one["missing"] == []
    assert one["named"] == one["own"]


def test_equal_distances_and_steep_edges_are_searched_to_the_end() -> None:
    """Products every 60 samples: hundreds of classes fit. With two levels of light each is replayed at one level."""
    light = np.tile(np.repeat([10.0, 90.0, 10.0], [20, 20, 20]), 40)
    sensor = SimulatedSensor(on_level=50, off_level=50, consecutive=2, lag=1)
    edges = LoggedEdges.of(sensor.output(light, np.random.default_rng(0)))
    found = identify_edges(light, edges, sample_rate_hz=1000, unit="counts", jitter=1)
    assert found.groups_left == 0
    assert BENCH["missing_from"](found, sensor) == []
    assert len(found.classes) > 100
    assert found.readings < 1500


def test_delays_are_tried_only_where_they_can_explain_the_edges(monkeypatch: pytest.MonkeyPatch) -> None:
    """A drawn sensor with two samples of jitter: with one, no level explains its edges. 131,000 were compared."""
    compared, plain = [0], _Stretch.contradicted

    def counted(*args: Any, **more: Any) -> int:
        compared[0] += 1
        return plain(*args, **more)

    monkeypatch.setattr(_Stretch, "contradicted", counted)
    one = BENCH["identified"](20010, faults=0.01, spare=0)
    assert one is not None
    assert (one["missing"], one["complete"]) == ([], True)
    assert 0 < compared[0] < 15_000


@pytest.mark.parametrize("ratio", ["1", "3", "5/2", "1789/1000"])
@pytest.mark.parametrize("holes", [0, 12])
def test_no_class_is_left_out_that_could_explain_the_edges(
    ratio: str, holes: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Light that bounces on its edges: a filter of 3 may keep a place that one of 2 has left out."""
    rng = np.random.default_rng(31)
    found = 0
    for _ in range(20):
        runs = rng.choice([1, 1, 2, 3, 12, 30], 120)
        light = np.repeat(np.where(np.arange(runs.size) % 2, 90.0, 10.0), runs)
        light[rng.integers(0, light.size, holes)] = np.nan
        grid = EvaluationGrid.of(Fraction(ratio), Fraction(0))
        n, on, off, lag, light_on = (
            *(int(k) for k in rng.integers((1, 0, 0, 0), (5, 4, 4, 5))),
            bool(rng.random() < 0.5),
        )
        timing = TimingClass(consecutive=n, on_delay=on, longest_on_delay=on, delay_difference=off - on)
        search = _Stretch(light, LoggedEdges.of(np.zeros(light.size, bool)), int(rng.integers(0, 3)))
        output = output_of(timing, *search.state(grid, 50.0, 50.0), light_on=light_on)
        active = lag + round((n - 1 + on) * grid.ratio)
        at = grid.samples_of(output.edges) + lag
        moved = np.unique(at + rng.integers(-search.jitter, search.jitter + 1, at.size))
        first = int(output.first)
        search.edges = LoggedEdges(light.size, output.first, moved[first::2], moved[1 - first :: 2])
        box = _Box(light_on, grid, active, active + round((off - on) * grid.ratio), *2 * [SharedLevel(0, 10, 90, 50)])
        some = list(search.classes(box, 50.0, 50.0, 4))
        with monkeypatch.context() as every:
            every.setattr(_Stretch, "unexplained", lambda *_: 0)
            assert some == list(search.classes(box, 50.0, 50.0, 4))
        found += len(some)
    assert found > 20


def test_classes_are_looked_for_across_the_levels() -> None:
    """A glint of 60 counts: at a level of 50 only a delay explains that it did not switch, at 70 none is needed."""
    light = np.tile(np.repeat([10.0, 90.0, 10.0], [20, 12, 8]), 20)
    light[85] = 60.0
    sensor = SimulatedSensor(on_level=70, off_level=70, lag=3)
    edges = LoggedEdges.of(sensor.output(light, np.random.default_rng(0)))
    found = identify_edges(light, edges, sample_rate_hz=1000, unit="counts", jitter=0)
    assert BENCH["missing_from"](found, sensor) == []
    assert {(c.timing.consecutive, c.lag) for c in found.classes} >= {(1, 3), (2, 2)}


def test_a_rate_that_jitter_hides_is_looked_for_before_the_law_is_refused() -> None:
    """2.5 samples an evaluation under ±2: five samples are two periods, of which the spectrum shows nothing."""
    rng = np.random.default_rng(5)
    light = BENCH["line"](rng, 30).astype(float)
    at = np.floor(2.5 * np.arange(int((light.size - 1) / 2.5))).astype(int)
    state, streak, edges = False, 0, []
    for s in at:
        streak = streak + 1 if (light[s] >= (540 if state else 580)) != state else 0
        if streak == 8:
            state, streak = not state, 0
            edges.append(s)
    logged = np.maximum.accumulate(np.array(edges) + rng.integers(-2, 3, len(edges)))
    output = TwoState(False, logged).dense(light.size)
    found = identify_edges(light, LoggedEdges.of(output), sample_rate_hz=1000, unit="counts", jitter=2, longest_ms=30)
    assert found.refused is None
    assert any(float(c.ratio) == 2.5 and c.timing.consecutive == 8 for c in found.classes)


def test_jitter_on_short_gaps_does_not_turn_the_output_over() -> None:
    """Gaps of one sample under ±1 of jitter: some vanish, and the output is inactive at the end all the same."""
    light = np.concatenate([np.tile(np.repeat([90.0, 10.0], [5, 1]), 500), np.full(20, 10.0)])
    sensor = SimulatedSensor(on_level=50, off_level=50, jitter=1)
    output = sensor.output(light, np.random.default_rng(1))
    assert not output[-10:].any()
    assert output[:3000].mean() > 0.7
    assert LoggedEdges.of(output).active.size < 499
