"""What a draw shows: by hand on small recordings, and never a sample too far."""

from __future__ import annotations

import gc
import weakref
from collections.abc import Iterator
from typing import Any

import numpy as np
import pytest

from teachlab.errors import Abstained, ParameterError, RecordingError, SettingError, StrategyError, TruthError
from teachlab.light import stretches as evaluated
from teachlab.model.following_and_window import WindowSetting
from teachlab.model.memory import memory_of
from teachlab.model.recording import ArraySource, Block, Direction, Recording, RecordingInfo
from teachlab.model.score import Rules
from teachlab.model.setting import Setting, Taught
from teachlab.model.teaching import Shown
from teachlab.model.truth import Truth
from teachlab.teaching import block as evidence
from teachlab.teaching.block import TeachBlock
from teachlab.teaching.once import teach_once
from teachlab.teaching.registry import built, installed_class

EVERYTHING = frozenset(Shown)


class GuardedSource(ArraySource):
    """Samples in memory that may be read up to a limit only; it notes how often each was read."""

    def __init__(self, light: Any, limit: int, invalid: Any = None) -> None:
        super().__init__(light, invalid)
        self.limit = limit
        self.reads = np.zeros(limit, int)

    def read(self, start: int, stop: int) -> Block:
        if stop > self.limit:
            raise AssertionError(f"read up to {stop}, allowed up to {self.limit}")
        self.reads[start:stop] += 1
        return super().read(start, stop)

    def blocks(self, start: int, stop: int, size: int) -> Iterator[Block]:
        for a in range(start, stop, size):
            yield self.read(a, min(a + size, stop))


def info(**changes: Any) -> RecordingInfo:
    return RecordingInfo(**{"sample_rate_hz": 1000.0, "unit": "counts", "direction": Direction.RISE, **changes})


def line(passes: int = 10, *, dwell: int = 100, gap: int = 200, **changes: Any) -> tuple[Recording, Truth]:
    """Light = index of the sample, so that a reading tells where it was taken. Passes at 200, 500, ..."""
    start = gap + (dwell + gap) * np.arange(passes)
    size = (dwell + gap) * passes + gap
    truth = Truth.from_arrays(start, start + dwell)
    return Recording.from_array(np.arange(size, dtype=np.int32), info(**changes)), truth


def test_a_static_reading_is_forty_evaluations_in_the_middle_of_a_pass_or_gap() -> None:
    block = TeachBlock(*line())
    seen_passes, seen_gaps = set(), set()
    for draw in range(200):
        view = block.draw(EVERYTHING, 0, draw)
        light = view.object.light
        assert light.size == 40
        # pass [200 + 300 k, 300 + 300 k): the middle 40 begin 30 after its start
        assert (light[0] - 230) % 300 == 0
        assert view.object.at_sample == light[0]
        assert np.array_equal(np.diff(light), np.ones(39))
        seen_passes.add(int(light[0] - 230) // 300)
        gap = view.background.reading.light
        # gap [300 k, 300 k + 200): the middle 40 begin 80 after its start
        assert (gap[0] - 80) % 300 == 0
        seen_gaps.add(int(gap[0] - 80) // 300)
    assert seen_passes == set(range(10))
    assert seen_gaps == set(range(11))


@pytest.mark.parametrize(
    ("dwell", "offset", "size"), [(40, 0, 40), (39, 9, 21), (41, 0, 40), (8, 2, 4), (3, 0, 3), (1, 0, 1)]
)
def test_a_short_pass_gives_its_middle_half(dwell: int, offset: int, size: int) -> None:
    block = TeachBlock(*line(dwell=dwell))
    light = block.draw({Shown.OBJECT}, 0, 0).object.light
    assert light.size == size
    assert (light[0] - offset - 200) % (dwell + 200) == 0


def test_tolerance_and_uncertainty_widen_the_passes_with_one_ceil() -> None:
    recording, truth = line()
    # 10.2 ms at 1 kHz and 0.5 samples: ceil(10.7) = 11. Gaps are [311, 489): the middle 40 begin at 380.
    blurred = Truth.from_arrays(truth.start, truth.end, uncertainty_samples=0.5)
    block = TeachBlock(recording, blurred, rules=Rules(tolerance_ms=10.2))
    assert block.border == 11
    starts = {block.draw({Shown.BACKGROUND}, 0, k).background.reading.at_sample for k in range(200)}
    # 178 long, so 69 in from 311; the first gap is [0, 189), 74 in, and the last [3011, 3200)
    assert starts == {74, 3085} | {380 + 300 * k for k in range(9)}


def test_gaps_that_the_widening_closes_are_no_gaps() -> None:
    recording, truth = line()
    block = TeachBlock(recording, truth, rules=Rules(tolerance_ms=100.0))
    # Only [0, 100) and [3100, 3200) are left: 200 between passes is just used up.
    assert block.gaps == 2
    starts = {block.draw({Shown.BACKGROUND}, 0, k).background.reading.at_sample for k in range(50)}
    assert starts == {30, 3130}
    wider = TeachBlock(recording, truth, rules=Rules(tolerance_ms=200.0))
    with pytest.raises(Abstained, match="no gap with a valid evaluation"):
        wider.draw({Shown.BACKGROUND}, 0, 0)


def test_ignore_passes_are_neither_object_nor_gap() -> None:
    recording, truth = line(6)
    mixed = Truth.from_arrays(truth.start, truth.end, detect=[True, False, True, False, True, True])
    block = TeachBlock(recording, mixed)
    assert (block.teach_passes, block.gaps) == (4, 7)
    objects = {block.draw({Shown.OBJECT}, 0, k).object.at_sample for k in range(100)}
    assert objects == {230 + 300 * k for k in (0, 2, 4, 5)}
    for draw in range(30):
        stretch = block.draw({Shown.BACKGROUND}, 0, draw).background.stretch
        assert not np.isin(stretch % 300, np.arange(200, 300)).any()


def test_background_statistics_are_two_seconds_of_gap_samples_in_a_row() -> None:
    block = TeachBlock(*line(20))
    starts = set()
    for draw in range(200):
        background = block.draw({Shown.BACKGROUND}, 0, draw).background
        stretch = background.stretch
        assert stretch.size == 2000  # 2 s at 1 kHz: ten gaps of 200
        assert background.stretch_at_sample == stretch[0]
        expected = np.concatenate([300 * g + np.arange(200) for g in range(int(stretch[0]) // 300, 21)])[:2000]
        assert np.array_equal(stretch, expected)
        starts.add(int(stretch[0]) // 300)
    # 21 gaps; ten gaps follow from the first 12 only
    assert starts == set(range(12))


def test_background_statistics_take_all_there_is_where_two_seconds_are_not() -> None:
    block = TeachBlock(*line(4))
    for draw in range(5):
        background = block.draw({Shown.BACKGROUND}, 0, draw).background
        assert (background.stretch.size, background.stretch_at_sample) == (1000, 0)


def test_a_slow_recording_shows_forty_evaluations() -> None:
    block = TeachBlock(*line(20, sample_rate_hz=1 / 120))
    stretch = block.draw({Shown.BACKGROUND}, 0, 0).background.stretch
    assert stretch.size == 40


def test_a_sweep_runs_from_mid_gap_to_mid_gap() -> None:
    block = TeachBlock(*line())
    starts = set()
    for draw in range(200):
        sweep = block.draw({Shown.SWEEP}, 0, draw, sweep_passes=3).sweep
        first = int(sweep.light[0])
        # Mid-gap before pass k is 100 + 300 k; three passes later it is 900 on.
        assert (first - 100) % 300 == 0
        assert np.array_equal(sweep.light, first + np.arange(900))
        assert (sweep.passes, sweep.at_sample) == (3, first)
        starts.add((first - 100) // 300)
    assert starts == set(range(8))


def test_a_sweep_counts_detect_passes_and_lets_the_others_by() -> None:
    recording, truth = line(6)
    mixed = Truth.from_arrays(truth.start, truth.end, detect=[False, True, False, True, True, False])
    block = TeachBlock(recording, mixed)
    seen = {
        (int(s.light[0]), int(s.light[-1]) + 1)
        for s in (block.draw({Shown.SWEEP}, 0, k, sweep_passes=2).sweep for k in range(50))
    }
    assert seen == {(400, 1300), (1000, 1600)}


def test_a_sweep_over_more_passes_than_there_are_takes_all() -> None:
    sweep = TeachBlock(*line(3)).draw({Shown.SWEEP}, 0, 0).sweep
    assert (sweep.passes, sweep.light[0], sweep.light[-1]) == (3, 100, 999)
    with pytest.raises(StrategyError, match="at least 1 pass"):
        TeachBlock(*line(3)).draw({Shown.SWEEP}, 0, 0, sweep_passes=0)


def test_events_are_a_contiguous_half_with_their_labels() -> None:
    recording, truth = line(5)
    named = Truth.from_arrays(
        truth.start, truth.end, detect=[True, False, True, True, False], label=list("abcde"), uncertainty_samples=2
    )
    block = TeachBlock(recording, named)
    firsts = set()
    for draw in range(100):
        events = block.draw({Shown.EVENTS}, 0, draw).events
        origin = events.at_sample
        first = (origin - 100) // 300
        firsts.add(first)
        assert np.array_equal(events.light, origin + np.arange(900))
        assert events.start.tolist() == [100, 400, 700]
        assert events.end.tolist() == [200, 500, 800]
        assert list(events.label) == list("abcde")[first : first + 3]
        assert list(events.detect) == list(named.detect)[first : first + 3]
        assert events.guard == 2
    assert firsts == {0, 1, 2}


def test_passes_cut_by_the_record_or_by_the_block_are_not_shown() -> None:
    recording = Recording.from_array(np.arange(1000, dtype=np.int32), info())
    truth = Truth.from_arrays([0, 200, 400, 600, 950], [50, 250, 450, 650, 1000])
    assert TeachBlock(recording, truth).teach_passes == 3
    # [600, 650) is cut by the end of the block at 640
    block = TeachBlock(recording, truth, stop_sample=640)
    assert block.teach_passes == 2
    shown = {block.draw({Shown.OBJECT}, 0, k).object.at_sample for k in range(40)}
    assert shown == {205, 405}
    # ... and it is no gap either; the gaps are [50, 200), [250, 400) and [450, 600)
    gaps = {block.draw({Shown.BACKGROUND}, 0, k).background.reading.at_sample for k in range(60)}
    assert gaps == {105, 305, 505}


def test_the_last_gap_of_the_block_ends_with_the_block() -> None:
    recording, truth = line(10)
    block = TeachBlock(recording, truth, stop_sample=1000)  # mid-gap after pass 2
    assert (block.teach_passes, block.gaps) == (3, 4)
    sweep = block.draw({Shown.SWEEP}, 0, 0).sweep
    assert (sweep.light[0], sweep.light[-1], sweep.passes) == (100, 999, 3)
    # the last gap is [900, 1000): the middle 40 begin at 930
    assert 930 in {block.draw({Shown.BACKGROUND}, 0, k).background.reading.at_sample for k in range(50)}


def test_evaluations_are_drawn_not_samples() -> None:
    recording, truth = line()
    base = Setting(unit="counts", on_level=0, off_level=0, evaluation_rate_hz=400.0)
    block = TeachBlock(recording, truth, base=base)
    light = block.draw({Shown.OBJECT}, 0, 0).object.light
    # 2.5 samples per evaluation: pass [200, 300) is evaluations 80 to 119, 40 in all
    assert np.array_equal(np.diff(light[::2]), np.full(19, 5.0))
    assert (light.size, (light[0] - 200) % 300) == (40, 0)
    assert block.draw({Shown.OBJECT}, 0, 0).rate_hz == 400.0


def test_a_pass_between_two_evaluations_cannot_be_shown_and_divides_no_gap() -> None:
    recording = Recording.from_array(np.arange(300, dtype=np.int32), info())
    truth = Truth.from_arrays([101, 150], [109, 160])  # evaluations read 0, 10, 20, ...
    base = Setting(unit="counts", on_level=0, off_level=0, evaluation_rate_hz=100.0)
    block = TeachBlock(recording, truth, base=base)
    assert (block.teach_passes, block.gaps) == (1, 2)
    assert block.draw({Shown.OBJECT}, 0, 0).object.light.tolist() == [150.0]


def test_invalid_samples_are_left_out_and_empty_passes_and_gaps_not_drawn() -> None:
    light = np.arange(1000, dtype=np.float32)
    light[[210, 215]] = np.nan  # inside pass 0
    light[400:450] = np.nan  # all of pass 1
    light[450:600] = np.nan  # and the gap after it
    recording = Recording.from_array(light, info())
    truth = Truth.from_arrays([200, 400, 600], [242, 450, 690])
    block = TeachBlock(recording, truth)
    seen = set()
    for draw in range(60):
        view = block.draw({Shown.OBJECT, Shown.BACKGROUND}, 0, draw)
        assert not np.isnan(view.object.light).any()
        assert not np.isnan(view.background.stretch).any()
        assert view.object.light.size == 40
        seen.add((view.object.at_sample, view.background.reading.at_sample))
    assert {s for s, _ in seen} == {200, 625}
    assert {s for _, s in seen} == {80, 301, 825}
    sweep = block.draw({Shown.SWEEP}, 0, 0).sweep
    assert np.isnan(sweep.light).sum() == 202
    assert sweep.valid.size == sweep.light.size - 202


def test_nulls_of_integer_recordings_are_invalid() -> None:
    masked = np.ma.masked_array(np.arange(300, dtype=np.uint16), np.isin(np.arange(300), [120, 121]))
    truth = Truth.from_arrays([100], [142])
    block = TeachBlock(Recording.from_array(masked, info()), truth)
    light = block.draw({Shown.OBJECT}, 0, 0).object.light
    assert light.tolist() == [float(x) for x in range(100, 142) if x not in (120, 121)]


def test_nothing_to_show_is_an_abstention_with_numbers() -> None:
    nothing = Truth.from_arrays([], [])
    block = TeachBlock(Recording.from_array(np.arange(100.0), info()), nothing)
    for kind, reason in (
        (Shown.OBJECT, "no pass of an object"),
        (Shown.SWEEP, "no whole pass to sweep over"),
        (Shown.EVENTS, "no whole pass to show"),
    ):
        with pytest.raises(Abstained, match=reason) as refusal:
            block.draw({kind}, 0, 0)
        assert "100 samples" in refusal.value.measured
        assert refusal.value.required.startswith("at least 1")
    light = np.full(100, np.nan)
    light[90] = 1.0  # valid, but behind the teach block
    invalid = TeachBlock(Recording.from_array(light, info()), nothing, stop_sample=50)
    with pytest.raises(Abstained, match="no gap with a valid evaluation"):
        invalid.draw({Shown.BACKGROUND}, 0, 0)


def test_a_recording_without_any_valid_sample_is_a_bad_input() -> None:
    nothing = Truth.from_arrays([20], [40])
    with pytest.raises(RecordingError, match="no valid sample"):
        TeachBlock(Recording.from_array(np.full(100, np.nan), info()), nothing)


def boxes(level: float, background: float = 100.0, *, direction: Direction | None = None) -> TeachBlock:
    light = np.full(1000, background)
    truth = Truth.from_arrays([200, 500, 800], [300, 600, 900])
    for a, b in zip(truth.start, truth.end, strict=True):
        light[a:b] = level
    return TeachBlock(Recording.from_array(light, info(direction=direction)), truth)


def test_direction_is_stored_or_found_or_an_abstention() -> None:
    assert boxes(150.0).direction is Direction.RISE
    assert boxes(50.0).direction is Direction.DIP
    # stored beats found
    assert boxes(50.0, direction=Direction.RISE).draw({Shown.OBJECT}, 0, 0).direction is Direction.RISE
    with pytest.raises(Abstained, match="does not show whether") as refusal:
        boxes(100.0).draw({Shown.OBJECT}, 0, 0)
    assert "rise 0 counts, dip 0 counts" in refusal.value.measured
    assert "1.25" in refusal.value.required


def test_ambiguous_direction_tells_both_contrasts() -> None:
    light = np.full(1000, 100.0)
    light[200:250], light[250:300] = 140.0, 62.0  # rises by 40, dips by 38
    block = TeachBlock(Recording.from_array(light, info(direction=None)), Truth.from_arrays([200], [300]))
    with pytest.raises(Abstained) as refusal:
        block.draw({Shown.BACKGROUND}, 0, 0)
    assert refusal.value.measured == "rise 40 counts, dip 38 counts, ratio 1.05"


def test_median_of_many_gap_samples_is_that_of_an_even_share(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(evidence, "MEDIAN_EVALUATIONS", 100)
    recording, truth = line(10, direction=None)
    block = TeachBlock(recording, truth)
    # 2200 gap evaluations, every 22nd of them; the gaps lie about the middle sample, 1600
    assert block._gap_median() == pytest.approx(1600, abs=30)


def test_only_what_is_asked_for_is_shown() -> None:
    view = TeachBlock(*line()).draw({Shown.OBJECT}, 0, 0)
    assert view.object.light.size == 40
    for kind in ("background", "sweep", "events"):
        with pytest.raises(StrategyError, match=f"looked at '{kind}' without declaring it"):
            getattr(view, kind)


def test_what_is_shown_cannot_be_changed() -> None:
    view = TeachBlock(*line()).draw(EVERYTHING, 0, 0)
    arrays = [view.object.light, view.background.reading.light, view.background.stretch, view.sweep.light]
    arrays += [view.events.light, view.events.start, view.events.end, view.events.detect, view.events.label]
    for array in arrays:
        with pytest.raises(ValueError, match="read-only"):
            array[0] = array[0]


@pytest.mark.parametrize("rate", [None, 400.0])
@pytest.mark.parametrize("kept", [10_000, 100])
def test_no_sample_from_the_stop_on_is_ever_read(
    monkeypatch: pytest.MonkeyPatch, rate: float | None, kept: int
) -> None:
    """Whether the block fits into memory or is read as needed; and where it fits it is read once."""
    monkeypatch.setattr(evaluated, "KEPT_BYTES", 4 * kept)
    recording, truth = line(10, direction=None)
    source = GuardedSource(np.arange(recording.samples, dtype=np.float32) % 997, 1000)
    guarded = Recording(recording.info, source)
    base = Setting(unit="counts", on_level=0, off_level=0, evaluation_rate_hz=rate)
    block = TeachBlock(guarded, truth, base=base, stop_sample=1000)
    whole = TeachBlock(Recording.from_array(np.arange(1000) % 997, recording.info), truth.select(slice(3)), base=base)
    for draw in range(40):
        view = block.draw(EVERYTHING, 3, draw)
        # A recording that ends there shows the same.
        assert np.array_equal(view.object.light, whole.draw(EVERYTHING, 3, draw).object.light)
    if kept > 1000 or rate is None:
        # All of it lies in memory; what is a view of memory is free to read again.
        assert source.reads.max() == 1
    if rate is None:
        assert source.reads.min() == 1


def test_a_block_read_as_needed_shows_what_a_kept_one_shows(monkeypatch: pytest.MonkeyPatch) -> None:
    recording, truth = line(10, direction=None)
    light = np.asarray(recording.light[:], np.float32) % 83
    for a, b in zip(truth.start, truth.end, strict=True):
        light[a:b] += 100
    light[::17] = np.nan
    base = Setting(unit="counts", on_level=0, off_level=0, evaluation_rate_hz=700.1)
    views = []
    for kept in (10_000, 0):
        monkeypatch.setattr(evaluated, "KEPT_BYTES", 4 * kept)
        block = TeachBlock(Recording.from_array(light, info(direction=None)), truth, base=base, stop_sample=1600)
        views.append([block.draw(EVERYTHING, 1, k) for k in range(20)])
    for a, b in zip(*views, strict=True):
        assert a.direction == b.direction
        assert np.array_equal(a.object.light, b.object.light)
        assert np.array_equal(a.background.stretch, b.background.stretch)
        assert np.array_equal(a.sweep.light, b.sweep.light, equal_nan=True)
        assert np.array_equal(a.events.light, b.events.light, equal_nan=True)
        assert a.events.at_sample == b.events.at_sample


def test_light_that_is_too_long_to_be_held_is_measured_and_not_shown(monkeypatch: pytest.MonkeyPatch) -> None:
    """By hand: half of the block, from mid-gap to mid-gap; 40 bytes an evaluation, in parts 12."""
    monkeypatch.setattr("teachlab.teaching.block.MOST_SHOWN", 0)
    recording, truth = line(10)
    events = TeachBlock(recording, truth).draw({Shown.EVENTS}, 0, 0).events
    with memory_of(40.0 * events.evaluations - 1), pytest.raises(Abstained, match="too long for a strategy") as refusal:
        _ = events.light
    assert f"{events.evaluations:,} evaluations" in str(refusal.value)
    with memory_of(12.0 * events.evaluations - 1), pytest.raises(Abstained, match="too long for a strategy"):
        events.parts()
    with memory_of(12.0 * events.evaluations):
        parts = np.concatenate([*events.parts()])
    with memory_of(40.0 * events.evaluations):
        assert np.array_equal(events.light, parts)


@pytest.mark.parametrize("name", ["guard-or-window", "designed", "turning-point-follower", "background-follower"])
def test_a_block_and_its_light_are_freed_with_the_last_reference(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Without the collector of cycles, which comes late: what follows would be held beside the light."""
    monkeypatch.setattr("teachlab.teaching.block.MOST_SHOWN", 0)
    start = 100 + 160 * np.arange(20)
    level = np.full(3400, 10.0)
    level[(start[:, None] + np.arange(60)).ravel()] = 90.0
    level += np.random.default_rng(0).normal(0, 1, level.size)
    block = TeachBlock(Recording.from_array(level, info(direction=None)), Truth.from_arrays(start, start + 60))
    light = weakref.ref(block._evaluated)
    gc.disable()
    try:
        teach_once(built(installed_class(name), {}), block, 0, 0)
        del block
        assert light() is None
    finally:
        gc.enable()


def test_the_base_must_fit_the_recording() -> None:
    recording, truth = line()
    with pytest.raises(SettingError, match="'mV', the recording array in 'counts'"):
        TeachBlock(recording, truth, base=Setting(unit="mV", on_level=0, off_level=0))
    with pytest.raises(SettingError, match="must not exceed the sample rate"):
        TeachBlock(recording, truth, base=Setting(unit="counts", on_level=0, off_level=0, evaluation_rate_hz=2000.0))


def test_arguments_out_of_range_are_refused() -> None:
    recording, truth = line()
    with pytest.raises(ParameterError, match="tolerance-ms"):
        TeachBlock(recording, truth, rules=Rules(tolerance_ms=-1.0))
    with pytest.raises(ParameterError, match="must end inside the recording of 3,200 samples"):
        TeachBlock(recording, truth, stop_sample=3201)
    with pytest.raises(TruthError, match="outside the recording"):
        TeachBlock(recording, Truth.from_arrays([3000], [4000]))
    with pytest.raises(ParameterError, match="got seed -1 and draw 0"):
        TeachBlock(recording, truth).draw(EVERYTHING, -1, 0)


def test_light_of_a_stretch_that_is_left_out_is_never_shown() -> None:
    recording, truth = line()
    block = TeachBlock(recording, Truth.from_arrays(truth.start, truth.end, except_=((1000, 1400),)))
    assert block.teach_passes == 9
    for draw in range(100):
        view = block.draw(EVERYTHING, 0, draw)
        whole = view.events.light
        background = view.background.reading.light, view.background.stretch
        for light in (view.object.light, *background, view.sweep.light, whole):
            seen = light[~np.isnan(light)]
            assert seen.size
            assert not ((seen >= 1000) & (seen < 1400)).any()
        start, stop = view.events.start, view.events.end
        assert not np.isnan(np.concatenate([whole[a:b] for a, b in zip(start, stop, strict=True)])).any()


def test_a_base_of_any_kind_gives_its_delays_and_none_of_its_levels() -> None:
    window = WindowSetting(
        unit="counts",
        off_level=10.0,
        low_release=20.0,
        high_release=70.0,
        on_level=80.0,
        on_delay_ms=3.0,
        consecutive=2,
    )
    shown = TeachBlock(*line(), base=window).draw(EVERYTHING, 0, 0)
    assert type(shown.base) is Setting
    assert shown.base.switching == window.switching
    # Levels that would not ascend among those of a window can be placed.
    placed = shown.place(500.0, 30.0, Taught(strategy="by-hand"))
    assert (placed.on_level, placed.off_level, placed.on_delay_ms) == (500.0, 470.0, 3.0)


@pytest.mark.parametrize("first", [0, 1, 3])
def test_hindsight_shows_every_pass_from_a_row_on_and_none_before(first: int) -> None:
    block = TeachBlock(*line(5))
    events = block.in_hindsight(first).events
    # Pass k begins at 200 + 300 k, and what is shown begins in the middle of the gap before it.
    assert events.at_sample == 100 + 300 * first
    assert (events.at_sample + events.start).tolist() == [200 + 300 * k for k in range(first, 5)]
    assert (events.at_sample + events.end).tolist() == [300 + 300 * k for k in range(first, 5)]
    assert events.light[-1] == 1599


def test_hindsight_from_behind_the_last_pass_on_shows_nothing() -> None:
    with pytest.raises(Abstained):
        TeachBlock(*line(5)).in_hindsight(5)
