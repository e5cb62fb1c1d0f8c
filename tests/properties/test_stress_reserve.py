"""Reserves equal a dense scan by replay of stressed light, to the last float64, and skip no failing island."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from teachlab.model.recording import Recording, RecordingInfo
from teachlab.model.score import USUAL_RULES
from teachlab.model.setting import Setting
from teachlab.model.truth import Truth
from teachlab.questions.stress import reserve as reserve_module
from teachlab.questions.stress import reserve_path as path_module
from teachlab.questions.stress.light import Receiver
from teachlab.questions.stress.reserve_path import Axis, Path, Reserve
from teachlab.questions.stress.reserves import first_added
from teachlab.questions.surface.given_settings import chain as chain_module
from teachlab.questions.surface.values.levels import read_first
from teachlab.scoring import score
from teachlab.switching import replay

INFO = RecordingInfo(sample_rate_hz=1000.0, unit="counts")
Floats = NDArray[np.float64]


class Line:
    """A small line on which most settings work, with all that can make islands of failure."""

    def __init__(self, seed: int) -> None:
        rng = np.random.default_rng(seed)
        samples = int(rng.integers(60, 260))
        starts, ends, at = [], [], int(rng.integers(3, 9))
        while at < samples - 20:
            ends.append(at + int(rng.integers(3, 14)))
            starts.append(at)
            at = ends[-1] + int(rng.choice([0, 3, 8, 20], p=[0.05, 0.25, 0.4, 0.3]))
        detect = rng.random(len(starts)) < 0.85
        rise = rng.random() < 0.6
        light = (10 if rise else 44) + rng.integers(-3, 4, samples) * (rng.random(samples) < 0.5)
        for a, b, real in zip(starts, ends, detect, strict=True):
            height = int(rng.integers(16, 36)) if real else int(rng.integers(2, 10))
            light[a:b] += (height if rise else -height) + rng.integers(-4, 5, b - a)
            light[a] -= height // 2 if rise else -(height // 2)  # an edge on the way
            if rng.random() < 0.5:  # a tail that dies away, and comes back for one sample
                light[b : b + 4] += np.array([9, 4, 7, 2])[: light[b : b + 4].size] * (1 if rise else -1)
        on = float(rng.integers(14, 30)) if rise else float(rng.integers(25, 42))
        off = on - float(rng.choice([0, 0.5, 2, 5, 9]))
        dtype = ("int16", "float32", "float64", "uint8")[seed % 4]
        light = np.clip(light, 1, 99).astype(np.float64)
        if dtype.startswith("float"):
            light = light + rng.choice([0.0, 0.37], light.size)
            # Hysteresis just bridges a dip behind a pass, and at a little less light does not for a moment.
            much = 1 + float(rng.choice([0.01, 0.05, 0.2]))
            narrow = 1 + float(rng.choice([1e-4, 1e-3, 0.01]))
            levels = np.array([off, on * narrow]) if rise else np.array([on * narrow, off])
            for b in rng.choice(ends, 3):
                light[b : b + 2] = (levels * much)[: light[b : b + 2].size]
        self.light = light.astype(dtype)
        bad = rng.random(samples) < rng.choice([0.0, 0.0, 0.04])
        self.invalid = bad if bad.any() else None
        dark = float(rng.choice([0.0, 2.0]))
        full = 60.0 if seed % 3 == 0 else None
        self.info = replace(INFO, dark_level=dark, full_scale=full)
        self.recording = Recording.from_array(self.light, self.info, invalid=self.invalid)
        self.truth = Truth.from_arrays(starts, ends, detect=detect, uncertainty_samples=float(rng.choice([0, 0, 1, 2])))
        base = Setting(
            unit="counts", on_level=on, off_level=off, polarity="light-on" if rise else "dark-on",  # type: ignore[arg-type]
        )  # fmt: skip
        if rng.random() < 0.5:
            base = replace(
                base, consecutive=int(rng.choice([1, 2, 3])), on_delay_ms=float(rng.choice([0, 1, 2])),
                off_delay_ms=float(rng.choice([0, 1, 3])), delays_act_on=str(rng.choice(["output", "light"])),  # type: ignore[arg-type]
                evaluation_rate_hz=[None, 1000.0, 700.0][int(rng.integers(0, 3))],
            )  # fmt: skip
        self.setting = base
        self.reading = read_first(self.recording, base.evaluation_rate_hz)
        self.most = 60.0

    @property
    def receiver(self) -> Receiver:
        return Receiver.of(self.recording, self.reading.low, self.reading.high)

    def found(self, axis: Axis) -> Reserve:
        start, end = (1.0, 0.0) if axis is Axis.GAIN else (0.0, self.most)
        path = Path(axis, self.receiver, self.setting, start, end)
        return first_added(self.recording, self.truth, path, self.reading, rules=USUAL_RULES)

    def right(self, axis: Axis, at: float) -> bool:
        """Replay the stressed light itself."""
        gain, ambient = (at, 0.0) if axis is Axis.GAIN else (1.0, at)
        dark = self.info.dark_level
        light = dark + gain * (self.light.astype(np.float64) - dark) + ambient
        light = np.clip(light, self.receiver.low, self.receiver.high)
        output = replay(Recording.from_array(light, self.info, invalid=self.invalid), self.setting)
        n = score(output, self.truth, tables=False).counts
        return n.lost == n.extra == n.false_trips == n.ignore_false_trips == 0

    def points(self, axis: Axis) -> Floats:
        """An even scan, and where a sample meets a level, from the formula alone, with its neighbours."""
        x = np.unique(self.light.astype(np.float64))
        dark, meets = self.info.dark_level, []
        for level in (self.setting.on_level, self.setting.off_level):
            if axis is Axis.GAIN:
                meets.append((level - dark) / (x[x != dark] - dark))
            else:
                meets.append(level - x)
        meet = np.concatenate(meets)
        near = np.concatenate((meet, meet * (1 - 1e-9), meet * (1 + 1e-9)))
        most = 1.0 if axis is Axis.GAIN else self.most
        near = near[(near >= 0) & (near <= most)]
        return np.unique(np.concatenate((np.linspace(0, most, 60), near)))


def check(line: Line, axis: Axis) -> tuple[bool, bool]:
    """Compare a reserve with the scan; return whether there is one, and whether a failing island lies beyond it."""
    found = line.found(axis)
    assert found.resolution == 0
    scan = line.points(axis)
    scan = scan[::-1] if axis is Axis.GAIN else scan
    start = 1.0 if axis is Axis.GAIN else 0.0
    if found.last is None:
        assert found.value is None
        assert not line.right(axis, start)
        return False, False
    far = abs(found.last - start)
    # The difference is rounded: taken from the start again, it must not lead beyond the last right point.
    assert found.value == (np.nextafter(far, 0.0) if found.last < start and start - far < found.last else far)
    inside = scan >= found.last if axis is Axis.GAIN else scan <= found.last
    right = np.array([line.right(axis, float(at)) for at in scan])
    assert right[inside].all()
    assert line.right(axis, found.last)
    end = 0.0 if axis is Axis.GAIN else line.most
    if found.last == end:
        assert right.all()
        return True, False
    assert not line.right(axis, float(np.nextafter(found.last, end)))
    return True, bool(right[~inside].any())


@pytest.mark.parametrize("axis", list(Axis))
@pytest.mark.parametrize(("values", "cell"), [(3000, 64), (4, 64), (3000, 3), (4, 2)])
def test_reserve_equals_a_scan_by_replay(axis: Axis, values: int, cell: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """With few values allowed, stretches are halved again and again, a part is tried first, and blocks cut spans."""
    monkeypatch.setattr(chain_module, "CELL", cell)
    monkeypatch.setattr(chain_module, "FEW_PASSED_OVER", 0.0)
    if values == 4:
        monkeypatch.setattr(path_module, "VALUES", values)
        monkeypatch.setattr(reserve_module, "TRIED", 9)
        monkeypatch.setattr(reserve_module, "PART", 30)
        monkeypatch.setattr(chain_module, "BLOCK", 13)
    there = islands = 0
    for seed in range(100) if values > 4 else range(300, 330):
        line = Line(seed)
        if values == 4:
            line.reading = replace(line.reading, distinct=None)
        has, island = check(line, axis)
        there += has
        islands += island
    assert there > (20 if values > 4 else 5)
    if axis is Axis.GAIN and values > 4:
        assert islands > 0


@pytest.mark.parametrize("rounds", [1, 2, 3])
@pytest.mark.parametrize("axis", list(Axis))
def test_a_search_that_ends_early_tells_no_more_than_was_tried(
    axis: Axis, rounds: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(path_module, "VALUES", 4)
    monkeypatch.setattr(reserve_module, "TRIED", 9)
    open_ = 0
    for seed in range(400, 460):
        line = Line(seed)
        line.reading = replace(line.reading, distinct=None)
        with monkeypatch.context() as patch:
            if rounds < 3:
                patch.setattr(reserve_module, "ROUNDS", rounds)
            else:
                patch.setattr(reserve_module, "LOOKED_AT", line.recording.samples // 2)
            early = line.found(axis)
        whole = line.found(axis)
        assert (early.last is None) is (whole.last is None)
        if early.last is None or early.resolution == 0:
            assert early == whole
            continue
        open_ += 1
        start, step = (1.0, -1.0) if axis is Axis.GAIN else (0.0, 1.0)
        assert early.value == abs(early.last - start) <= whole.value
        scan = line.points(axis)
        assert all(line.right(axis, float(at)) for at in scan if step * at <= step * early.last)
    assert open_


def test_a_part_of_the_light_shortens_the_walk_and_changes_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(reserve_module, "TRIED", 9)
    shorter, reach = 0, reserve_module.ChainSearch._reach

    def counted(search: reserve_module.ChainSearch, walk: Floats) -> int:
        nonlocal shorter
        found = reach(search, walk)
        shorter += found < walk.size
        return found

    monkeypatch.setattr(reserve_module.ChainSearch, "_reach", counted)
    for seed in range(200, 260):
        line = Line(seed)
        line.reading = replace(line.reading, distinct=None)
        monkeypatch.setattr(reserve_module, "PART", 1 << 19)
        whole = [line.found(axis) for axis in Axis]
        monkeypatch.setattr(reserve_module, "PART", 30)
        assert [line.found(axis) for axis in Axis] == whole
    assert shorter > 20


def apart(seed: int) -> Line:
    """Light below dark was logged, and the dark level lies between the levels: less light drives them apart."""
    line = Line(seed)
    setting = line.setting
    off = setting.off_level if setting.off_level < setting.on_level else setting.on_level - 1.0
    line.setting = setting.with_levels(setting.on_level, off, setting.polarity)
    line.info = replace(line.info, dark_level=(setting.on_level + off) / 2)
    line.recording = Recording.from_array(line.light, line.info, invalid=line.invalid)
    return line


@pytest.mark.parametrize("values", [3000, 0])
def test_reserve_where_levels_move_apart(values: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """No chain: every sample that meets a level is tried, and only with too many of them a coarse search."""
    monkeypatch.setattr(path_module, "VALUES", values)
    there = searched = 0
    for seed in range(36):
        line = apart(seed)
        low, high = line.reading.low, line.reading.high
        if not low < line.info.dark_level < high:
            continue
        found = line.found(Axis.GAIN)
        if values:
            there += check(line, Axis.GAIN)[0]
            continue
        # Just inside every point tried comes out right, and the end of the resolution does not.
        if found.last is None:
            assert not line.right(Axis.GAIN, 1.0)
        elif found.resolution:
            searched += 1
            assert line.right(Axis.GAIN, found.last)
            assert found.last - found.resolution <= 0 or not line.right(Axis.GAIN, found.last - found.resolution)
    assert there + searched > 8


def test_reserve_finds_a_failure_that_comes_and_goes() -> None:
    """On 25 and off 15, worked by hand: wrong only between two gains, and right beyond again.

    In the pass 60, a dip to 16 and 29 up to its end. Undimmed the dip does not end the light. Below a gain of 15/16 it
    does, and the 29 begins light anew: the piece is counted twice. Below 25/29 the 29 falls short, and it is counted
    once again. Below 25/60 the 60 itself is lost.
    """
    light = np.full(80, 0.0)
    light[20:24], light[24:27], light[27:34] = 60.0, 16.0, 29.0
    info = replace(INFO, dark_level=0.0)
    line = Line(0)
    line.light, line.invalid, line.info = light, None, info
    line.recording, line.truth = Recording.from_array(light, info), Truth.from_arrays([20], [34])
    line.setting = Setting(unit="counts", on_level=25.0, off_level=15.0)
    line.reading = read_first(line.recording, None)
    found = line.found(Axis.GAIN)
    assert found.last == pytest.approx(15 / 16)
    assert found.resolution == 0
    assert [line.right(Axis.GAIN, g) for g in (1.0, 0.94, 0.93, 0.87, 0.86, 0.5, 0.41)] == [
        True, True, False, False, True, True, False
    ]  # fmt: skip
