"""A design for a device: what is chosen can be keyed in, and is counted as it will be."""

from __future__ import annotations

import itertools
from dataclasses import replace
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import pytest
import shell
from jsonschema import Draft202012Validator

from teachlab.data.recording_files import write_recording
from teachlab.data.truth_files import write_truth
from teachlab.device.card import keyed_in
from teachlab.device.device_file import DeviceDocument
from teachlab.device.keyed_in import REFUSED
from teachlab.errors import Abstained
from teachlab.model.recording import Direction, Recording, RecordingInfo
from teachlab.model.teaching import Shown, TeachView
from teachlab.model.truth import Truth
from teachlab.schemas import schema_of
from teachlab.teaching.block import TeachBlock
from teachlab.teaching.cells.designed_cells import CellGrid, ShownCounter, truth_of
from teachlab.teaching.cells.device_steps import KeyedRange
from teachlab.teaching.cells.level_doubt import DoubtCounter
from teachlab.teaching.cells.shown_light import ShownLight
from teachlab.teaching.strategies.designed import Designed

PASSES = 16
ODD: list[dict[str, Any]] = [
    {"on_delay_ms": {"high": 0.0, "step": 1.0}, "off_delay_ms": {"high": 0.0, "step": 1.0}},
    {"off_delay_ms": {"low": 12.0, "high": 90.0, "step": 6.0}},
    {"on_delay_ms": {"low": 3.0, "high": 40.0, "step": 7.3}},
    {"hysteresis": 22.0},
    {"consecutive": [2, 4]},
    {"display": {"step": 170.0, "low": -40.0, "high": 999.0, "resolution": 1.0}},
    {"display": {"step": 13.7, "low": -40.3, "high": 999.0, "resolution": 5.0}},
]


def device(more: dict[str, Any]) -> DeviceDocument:
    """The display shows 10 + light / 2; without further words it has steps of 5 and any delay."""
    return DeviceDocument.model_validate(
        {
            "unit": "mV", "light_noise": 0.5, "display_noise": 0.3,
            "display": {"step": 5.0, "low": 0.0, "high": 999.0, "resolution": 1.0},
            "pairs": [{"light": 250.0 * k - 100, "display": 125.0 * k - 40} for k in range(7)],
        } | more
    )  # fmt: skip


def files(seed: int, *, keys: str = "", tables: str = "") -> tuple[Recording, Truth]:
    """Write a line with its passes, and the file of `device` with further keys and tables."""
    recording, truth = line(seed)
    write_recording("line.parquet", recording)
    write_truth("line.passes.parquet", truth)
    pairs = "".join(f"[[pairs]]\nlight = {250 * k - 100}\ndisplay = {125 * k - 40}\n" for k in range(7))
    head = f'schema = 1\nunit = "mV"\nlight_noise = 0.5\ndisplay_noise = 0.3\n{keys}'
    display = "[display]\nstep = 5\nlow = 0\nhigh = 999\nresolution = 1\n"
    Path("device.toml").write_text(head + display + tables + pairs)
    return recording, truth


def line(seed: int) -> tuple[Recording, Truth]:
    """Noise, flashes in every third gap, dips inside every fourth pass."""
    rng = np.random.default_rng(seed)
    start = 40 + 70 * np.arange(PASSES) + rng.integers(0, 6, PASSES)
    end = start + 28 + rng.integers(-5, 6, PASSES)
    light = 300 + rng.normal(0, 4, int(end[-1]) + 40)
    for k, (a, b) in enumerate(zip(start.tolist(), end.tolist(), strict=True)):
        light[a:b] += rng.uniform(500, 700)
        if k % 3 == 0:
            light[b + 12 : b + 12 + int(rng.integers(2, 5))] += rng.uniform(200, 700)
        if k % 4 == 0:
            light[a + 9 : a + 9 + int(rng.integers(2, 6))] -= rng.uniform(200, 500)
    rise = seed % 2 == 0
    info = RecordingInfo(sample_rate_hz=1000.0, unit="mV", direction=Direction.RISE if rise else Direction.DIP)
    return Recording.from_array(light if rise else 1400 - light, info, name="line"), Truth.from_arrays(start, end)


def view_of(seed: int) -> TeachView:
    return TeachBlock(*line(seed)).draw({Shown.EVENTS}, 0, 0)


def plain_errors(twin: ModuleType, light: list[float], truth: Truth, setting: dict[str, Any]) -> int:
    passes = [(a, b, "detect") for a, b in zip(truth.start.tolist(), truth.end.tolist(), strict=True)]
    n = twin.plain_score(twin.plain_replay(light, 1000.0, setting), passes)
    return int(n["misses"] + n["merged"] + n["extra"] + n["false_trips"])


@pytest.mark.parametrize(("more", "seed"), [*itertools.product(ODD, range(4))])
def test_every_part_can_be_keyed_in_and_no_combination_has_fewer_errors(
    more: dict[str, Any], seed: int, twin: ModuleType
) -> None:
    of, view = device(more), view_of(seed)
    strategy = of.designing(Designed(delays=4, levels=9))
    assert isinstance(strategy, Designed)
    setting = strategy.teach(view)
    scale = of.scale()
    level, release = (setting.on_level, setting.off_level) if view.sign > 0 else (setting.off_level, setting.on_level)
    steps = scale.steps(scale.light_low, scale.light_high)
    assert np.abs(steps - scale.displayed(level)).min() < 1e-6
    if of.hysteresis is None:
        assert np.abs(steps - scale.displayed(release)).min() < 1e-6
    else:
        assert abs(level - release) == pytest.approx(2 * of.hysteresis)
    for delay, table in ((setting.on_delay_ms, of.on_delay_ms), (setting.off_delay_ms, of.off_delay_ms)):
        if table is not None:
            places = (delay - table.low) / table.step
            assert places == pytest.approx(round(places)), delay
            assert table.low <= delay <= table.high
    assert of.consecutive is None or setting.consecutive in of.consecutive

    # A plain replay at the level, and at both ends of what its display may mean; some other settings of the device.
    light, truth, made = view.events.light.tolist(), truth_of(view.events), setting.as_dict()

    def worst(one: dict[str, Any]) -> int:
        ends = [0.0, strategy.level_doubt, -strategy.level_doubt]
        levels = [{key: one[key] + by for key in ("on_level", "off_level")} for by in ends]
        return max(plain_errors(twin, light, truth, one | moved) for moved in levels)

    assert setting.taught is not None
    told = setting.taught.evidence["errors_shown"]
    assert worst(made) == told
    rng, apart = np.random.default_rng(seed), abs(level - release)
    lights = [scale.behind(float(one)).light for one in steps]
    inside = (
        [one for one in lights if 350 < one < 900] if view.sign > 0 else [one for one in lights if 500 < one < 1050]
    )
    for _ in range(25):
        at = float(rng.choice(inside or [level]))
        levels = {"on_level": at, "off_level": at - apart} if view.sign > 0 else {
            "off_level": at, "on_level": at + apart}  # fmt: skip
        if strategy.levels <= len(inside):
            levels = {}  # then not every step is a cell
        assert worst(made | levels | {"consecutive": int(rng.choice(strategy.filters))}) >= told or not levels


def test_a_device_without_delays_gets_a_setting_without_delays(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The best of all settings has an on-delay. It was refused; of those that can be keyed in, one works."""
    monkeypatch.chdir(tmp_path)
    files(0, keys="consecutive = [1, 4, 8]\n", tables="[on_delay_ms]\nhigh = 0\nstep = 1\n")
    asked = ["design", "line.parquet"]
    free = shell.document(*asked)
    assert free["setting"]["on_delay_ms"] > 0
    told = shell.document(*asked, "--device", "device.toml")
    assert told["setting"]["on_delay_ms"] == 0
    assert told["setting"]["consecutive"] in (4, 8)
    assert told["teach_cost"] == 0


def test_reserves_are_those_of_the_setting_that_is_keyed_in(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, twin: ModuleType
) -> None:
    """A delay that is a step longer than the best has more room below and less above."""
    monkeypatch.chdir(tmp_path)
    recording, truth = files(2, keys="hysteresis = 20\n", tables="[on_delay_ms]\nhigh = 60\nstep = 4.5\n")
    told, light = (
        shell.document("design", "line.parquet", "--device", "device.toml"),
        list(recording.light[0 : recording.samples]),
    )
    now = plain_errors(twin, light, truth, told["setting"])
    assert told["setting"]["on_delay_ms"] > 0
    assert [fault.message for fault in Draft202012Validator(schema_of("design")).iter_errors(told)] == []
    for axis, (side, way) in itertools.product(("on_delay", "off_delay"), (("low", -1), ("high", 1))):
        reserve = told["reserves"][axis][side]
        if reserve is None:
            continue
        at = told["setting"][f"{axis}_ms"]
        near, beyond = (
            plain_errors(twin, light, truth, told["setting"] | {f"{axis}_ms": at + way * far})
            for far in (reserve, reserve + 1)
        )
        assert near <= now < beyond, (axis, side)


def test_where_no_step_is_safe_a_design_further_from_errors_is_tried(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Passes that were not shown leave less room here, as far as a design knows, within twice the display's doubt."""
    monkeypatch.chdir(tmp_path)
    files(0)
    own = device({}).designing(Designed())
    assert isinstance(own, Designed)
    real, tried = keyed_in, []

    def narrow(*given: Any, **more: Any) -> Any:
        found, doubt = real(*given, **more), given[2].taught.parameters["level_doubt"]
        tried.append(doubt)
        if doubt > 2.5 * own.level_doubt:
            return found
        return replace(found, verdict=replace(found.verdict, decision=REFUSED))

    monkeypatch.setattr("teachlab.device.card.keyed_in", narrow)
    asked = ["design", "line.parquet", "--device", "device.toml"]
    told = shell.document(*asked)
    assert tried == pytest.approx([own.level_doubt * times for times in (1, 2, 4)])
    assert told["setting"]["taught"]["parameters"]["level_doubt"] == tried[-1]
    assert told["reasons"].keys() >= {"level", "release"}
    monkeypatch.setattr("teachlab.device.card.keyed_in", lambda *given, **more: replace(
        found := real(*given, **more), verdict=replace(found.verdict, decision=REFUSED)))  # fmt: skip
    shell.run(*asked, code=3)


@pytest.mark.parametrize("seed", [0, 1])
def test_the_room_is_told_from_the_level_that_is_keyed_in(seed: int) -> None:
    """The verdict is on the worse end of the display's doubt, which lies beside that level."""
    of = device({"light_noise": 12.0})
    setting = replace(of.designing(Designed()), expect_flashes=False).teach(view_of(seed))  # type: ignore[type-var]
    found = keyed_in(*line(seed), setting, of)
    room = found.verdict.equal_cost
    assert room is not None
    assert found.stepped.ends()[found.worst_end].on_level != found.setting.on_level
    assert found.setting.on_level - room.down == pytest.approx(room.on_low)
    assert found.setting.on_level + room.up == pytest.approx(room.on_high)


@pytest.mark.parametrize("seed", range(6))
def test_cells_in_doubt_have_the_errors_of_their_worst_place(seed: int) -> None:
    view, doubt = view_of(seed), 60.0
    shown = ShownLight.of(view)
    grid = CellGrid.of(shown, levels=7, delays=3, levels_only=False)
    plain = ShownCounter(view)
    places = [replace(grid, moved=by) for by in (0.0, doubt, -doubt)]
    expected = np.maximum.reduce([plain.levels(one, shown, np.ones(7, bool)) for one in places])
    counter = DoubtCounter.of(view, doubt)
    assert (counter.cells(grid, shown) == expected).all()
    assert (expected > plain.cells(grid, shown)).any()
    out, some = np.zeros(grid.shape, np.int64), np.zeros(grid.shape, bool)
    some[2:5] = True
    counted = counter.count_into(out, some, grid, shown)
    assert counted[2:5].all()
    assert (out[counted] == expected[counted]).all()


def test_a_display_without_a_step_above_the_gaps_is_declined_by_name() -> None:
    strategy = Designed(level_steps=(0.0, 200.0, 100.0))
    with pytest.raises(Abstained, match="no level that can be keyed in lies between"):
        strategy.teach(view_of(0))


@pytest.mark.parametrize("rate_hz", [333.0, 1000.0, 2000.0])
@pytest.mark.parametrize(("low", "high", "step"), [(0, 40, 1), (3, 40, 7.3), (0.0, 9.7, 0.3), (21, 60, 3)])
def test_a_delay_that_is_keyed_in_gives_the_evaluations_that_were_counted(
    low: float, high: float, step: float, rate_hz: float
) -> None:
    from teachlab.sensor.clock import delay_evaluations
    from teachlab.teaching.cells.device_steps import DeviceSteps

    steps, known = KeyedRange(low, high, step), DeviceSteps(rate_hz=rate_hz)
    for delay in known.delays_near(np.arange(0, 90, 3), steps).tolist():
        ms = known.keyed_ms(delay, steps)
        assert delay_evaluations(ms, rate_hz) == delay
        assert (ms - low) / step == pytest.approx(round((ms - low) / step))
        assert low <= ms <= high


@pytest.mark.parametrize(
    "wrong", [{"filters": ()}, {"level_steps": (1.0, 2.0)}, {"on_delays_ms": (0.0, 9.0, 0.0)}, {"level_doubt": -1.0}]
)
def test_ranges_without_a_step_are_refused(wrong: dict[str, Any]) -> None:
    from teachlab.errors import ParameterError

    with pytest.raises(ParameterError, match=next(iter(wrong))):
        Designed(**wrong)
