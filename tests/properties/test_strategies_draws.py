"""Laws of draws: repeatable, the same for every strategy, uniform, and equal to a plain twin."""

from __future__ import annotations

import itertools
from collections import Counter

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import special

from teachlab.errors import Abstained, RecordingError
from teachlab.model.recording import Direction, Recording, RecordingInfo
from teachlab.model.score import Rules
from teachlab.model.setting import Setting
from teachlab.model.teaching import Shown
from teachlab.model.truth import Truth
from teachlab.teaching import TeachBlock

RISE = Direction.RISE


@st.composite
def blocks(draw: st.DrawFn) -> tuple[Recording, Truth, Setting, float, int]:
    """A small recording whose light is its sample index, with any passes, rate, tolerance and stop."""
    size = draw(st.integers(1, 400))
    cuts = sorted(draw(st.sets(st.integers(0, size), max_size=14)))
    cuts = cuts[: len(cuts) // 2 * 2]
    passes = len(cuts) // 2
    truth = Truth.from_arrays(
        cuts[::2],
        cuts[1::2],
        detect=draw(st.lists(st.booleans(), min_size=passes, max_size=passes)),
        uncertainty_samples=draw(st.sampled_from([0.0, 0.0, 1.0, 2.5])),
    )
    light = np.arange(size, dtype=np.float64)
    light[draw(st.lists(st.integers(0, size - 1), max_size=20))] = np.nan
    info = RecordingInfo(sample_rate_hz=1000.0, unit="counts", direction=RISE)
    rate = draw(st.sampled_from([None, None, 500.0, 400.0, 333.3]))
    base = Setting(unit="counts", on_level=0, off_level=0, evaluation_rate_hz=rate)
    tolerance = draw(st.sampled_from([0.0, 0.0, 1.0, 3.2]))
    return Recording.from_array(light, info), truth, base, tolerance, draw(st.integers(0, size))


class PlainTwin:
    """What may be shown, worked out one evaluation at a time."""

    def __init__(self, recording: Recording, truth: Truth, base: Setting, tolerance: float, stop: int) -> None:
        light = recording.light[:].tolist()
        rate = base.evaluation_rate_hz or 1000.0
        ratio = 1000 / rate
        self.reads = []  # sample of every evaluation in the block
        while int(np.floor(len(self.reads) * ratio + 1e-9)) < stop:
            self.reads.append(int(np.floor(len(self.reads) * ratio + 1e-9)))
        self.light = [light[s] for s in self.reads]
        border = int(np.ceil(tolerance * rate / 1000 + truth.uncertainty_samples * rate / 1000 - 1e-6))
        everything = []
        while int(np.floor(len(everything) * ratio + 1e-9)) < len(light):
            everything.append(int(np.floor(len(everything) * ratio + 1e-9)))
        near = [False] * len(everything)
        self.passes = []
        for a, b, detect in zip(truth.start.tolist(), truth.end.tolist(), truth.detect.tolist(), strict=True):
            inside = [i for i, s in enumerate(everything) if a <= s < b]
            if not inside:
                continue
            for i in range(inside[0] - border, inside[-1] + 1 + border):
                if 0 <= i < len(near):
                    near[i] = True
            if a > 0 and b <= stop and b < len(light) and detect:
                self.passes.append(inside)
        self.gaps: list[list[int]] = []
        for i in range(len(self.reads)):
            if not near[i]:
                if i and not near[i - 1]:
                    self.gaps[-1].append(i)
                else:
                    self.gaps.append([i])

    def readings(self, stretches: list[list[int]]) -> set[tuple[float, ...]]:
        """All static readings that may be drawn."""
        out = set()
        for stretch in stretches:
            valid = [self.light[i] for i in stretch if self.light[i] == self.light[i]]
            if not valid:
                continue
            if len(valid) >= 40:
                first = (len(valid) - 40) // 2
                out.add(tuple(valid[first : first + 40]))
            else:
                off = len(valid) // 4
                out.add(tuple(valid[off : len(valid) - off]))
        return out

    def stretches(self, need: int) -> set[tuple[float, ...]]:
        """All background stretches that may be drawn."""
        valid = [[self.light[i] for i in gap if self.light[i] == self.light[i]] for gap in self.gaps]
        valid = [gap for gap in valid if gap]
        follow = [list(itertools.chain.from_iterable(valid[k:])) for k in range(len(valid))]
        enough = {tuple(f[:need]) for f in follow if len(f) >= need}
        return enough or {tuple(follow[0])}


@settings(max_examples=200, deadline=None)
@given(blocks(), st.integers(0, 5))
def test_what_is_shown_is_what_a_plain_twin_allows(
    case: tuple[Recording, Truth, Setting, float, int], draw: int
) -> None:
    recording, truth, base, tolerance, stop = case
    twin = PlainTwin(*case)
    if np.isnan(recording.light[:]).all():
        with pytest.raises(RecordingError, match="no valid sample"):
            TeachBlock(recording, truth, base=base, rules=Rules(tolerance_ms=tolerance), stop_sample=stop)
        return
    block = TeachBlock(recording, truth, base=base, rules=Rules(tolerance_ms=tolerance), stop_sample=stop)
    assert (block.teach_passes, block.gaps) == (len(twin.passes), len(twin.gaps))
    objects, backgrounds = twin.readings(twin.passes), twin.readings(twin.gaps)
    for kind, allowed in ((Shown.OBJECT, objects), (Shown.BACKGROUND, backgrounds)):
        try:
            view = block.draw({kind}, 0, draw)
        except Abstained:
            assert not allowed
            continue
        reading = view.object if kind is Shown.OBJECT else view.background.reading
        assert tuple(reading.light.tolist()) in allowed
        assert reading.at_sample == reading.light[0]
        if kind is Shown.BACKGROUND:
            need = max(40, int(np.ceil(2 * (base.evaluation_rate_hz or 1000.0) - 1e-6)))
            assert tuple(view.background.stretch.tolist()) in twin.stretches(need)
    if twin.passes:
        sweep = block.draw({Shown.SWEEP}, 0, draw).sweep
        shown = [s for s in twin.reads if sweep.at_sample <= s][: sweep.light.size]
        assert np.array_equal(sweep.light, recording.light[:][shown], equal_nan=True)
        swept = [p for p in twin.passes if {twin.reads[i] for i in p} <= set(shown)]
        assert len(swept) == sweep.passes == min(5, len(twin.passes))


def line(passes: int = 12) -> TeachBlock:
    start = 200 + 300 * np.arange(passes)
    light = np.arange(300 * passes + 200, dtype=np.float64)
    info = RecordingInfo(sample_rate_hz=1000.0, unit="counts", direction=RISE)
    return TeachBlock(Recording.from_array(light, info), Truth.from_arrays(start, start + 100))


def shown(block: TeachBlock, needs: set[Shown], seed: int, draw: int) -> dict[Shown, list[float]]:
    view = block.draw(needs, seed, draw)
    arrays = {
        Shown.OBJECT: lambda: [view.object.light],
        Shown.BACKGROUND: lambda: [view.background.reading.light, view.background.stretch],
        Shown.SWEEP: lambda: [view.sweep.light],
        Shown.EVENTS: lambda: [view.events.light],
    }
    return {kind: np.concatenate(arrays[kind]()).tolist() for kind in needs}


@settings(max_examples=40, deadline=None)
@given(st.sets(st.sampled_from(Shown), min_size=1), st.integers(0, 2**64), st.integers(0, 10_000))
def test_a_draw_is_repeatable_and_does_not_depend_on_what_else_is_needed(
    needs: set[Shown], seed: int, draw: int
) -> None:
    everything = shown(line(), set(Shown), seed, draw)
    assert shown(line(), needs, seed, draw) == {kind: everything[kind] for kind in needs}


def test_draws_and_seeds_differ() -> None:
    block = line()
    by_draw = {tuple(shown(block, {Shown.OBJECT}, 0, k)[Shown.OBJECT]) for k in range(30)}
    by_seed = {tuple(shown(block, {Shown.OBJECT}, k, 0)[Shown.OBJECT]) for k in range(30)}
    assert len(by_draw) > 5
    assert len(by_seed) > 5


@pytest.mark.parametrize(
    ("kind", "choices"), [(Shown.OBJECT, 12), (Shown.BACKGROUND, 13), (Shown.SWEEP, 8), (Shown.EVENTS, 7)]
)
def test_draws_are_uniform(kind: Shown, choices: int) -> None:
    """Chi-square of 2,400 draws; a fair draw fails one time in a million."""
    block, draws = line(), 2400
    counts = Counter(shown(block, {kind}, 0, k)[kind][0] for k in range(draws))
    assert len(counts) == choices
    expected = draws / choices
    chi2 = sum((n - expected) ** 2 / expected for n in counts.values())
    assert special.chdtrc(choices - 1, chi2) > 1e-6


def test_the_kinds_of_evidence_are_drawn_independently() -> None:
    """Object and background of one draw: every pair of a pass and a gap comes up."""
    block = line(3)
    pairs = set()
    for k in range(300):
        view = block.draw({Shown.OBJECT, Shown.BACKGROUND}, 0, k)
        pairs.add((view.object.at_sample, view.background.reading.at_sample))
    assert len(pairs) == 3 * 4
