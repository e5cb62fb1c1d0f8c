"""Laws of the generator: fast paths equal plain ones, convolution equals brute force, positions never fall."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from synthetic.plain_line import light, line

from teachlab.synthetic import Recipe, Scenario, plan
from teachlab.synthetic.events import PassSource
from teachlab.synthetic.line import motion_of
from teachlab.synthetic.product.motion import first_sample_at
from teachlab.synthetic.sensor.beam import CircularBeam, GaussianBeam, SlitBeam
from teachlab.synthetic.shared.sample_stretch import near, steps
from teachlab.synthetic.trouble.faults import RowMap

BEAMS = (
    GaussianBeam(radius_mm=5),
    CircularBeam(shape="circular", diameter_mm=7),
    SlitBeam(shape="slit", slit_mm=3),
)


def scenario_with(beam, lengths, gap, touching=0.0, seed_level=40.0, blocks_=0):
    kind = {"label": "box", "length_mm": lengths, "level_percent": {"shape": "normal", "mean": seed_level, "sd": 6}}
    if blocks_:
        kind["print"] = {"blocks": blocks_, "cover": 0.5, "factor": 0.4}
    way = {"gap_mm": gap, "lead_in_mm": 20, "touching_share": touching}
    return line(sensor={"beam": beam.model_dump()}, line=way, object=[kind])


@settings(max_examples=25, deadline=None)
@given(
    beam=st.sampled_from(BEAMS),
    low=st.floats(1, 30),
    gap=st.just(0.0) | st.floats(1e-6, 25),
    touching=st.sampled_from([0.0, 0.5]),
    printed=st.integers(0, 3),
    seed=st.integers(0, 99),
)
def test_the_optical_signal_is_the_convolution_of_beam_and_objects(beam, low, gap, touching, printed, seed):
    scenario = scenario_with(
        beam, {"shape": "uniform", "low": low, "high": 2 * low}, gap, touching=touching, blocks_=printed
    )
    mine = light(scenario, 400, seed)
    # brute force: the piecewise constant profile, averaged over fine cells, weighted with the beam around a sample
    chunk = next(PassSource(scenario, seed).chunks())
    knots, values = [-40.0], [10.0]
    for k in range(np.searchsorted(chunk.lead_mm, 260)):
        lead, trail, level = chunk.lead_mm[k], chunk.trail_mm[k], chunk.level[k]
        knots.append(lead)
        values.append(level)
        for block in range(printed):
            centre, half = lead + (block + 0.5) / printed * (trail - lead), (trail - lead) / printed / 4
            knots += [centre - half, centre + half]
            values += [0.4 * level, level]
        knots.append(trail)
        values.append(10.0)
    integral = np.concatenate([[0], np.cumsum(np.diff(knots) * values[:-1])])
    cells = np.arange(-40, min(260, knots[-1]), 0.02)
    profile = np.diff(np.interp(cells, knots, integral)) / 0.02
    for i in range(0, 400, 23):
        weight = np.diff(beam.edge(cells - i * 0.5))
        assert mine[i] == pytest.approx(float(np.sum(weight * profile)), abs=0.02)


@settings(max_examples=60, deadline=None)
@given(
    places=st.lists(st.floats(0, 100), min_size=1, max_size=60),
    intervals=st.lists(st.tuples(st.floats(-10, 110), st.floats(0, 20)), max_size=12),
)
def test_samples_near_intervals_equal_the_plain_loop(places, intervals):
    position = np.sort(np.array(places))
    low = np.array([a for a, _ in intervals])
    high = low + np.array([w for _, w in intervals])
    sample, owner = near(position, low, high)
    plain = [(i, k) for k in range(low.size) for i in range(position.size) if low[k] <= position[i] <= high[k]]
    assert list(zip(sample.tolist(), owner.tolist(), strict=True)) == plain


@settings(max_examples=60, deadline=None)
@given(
    places=st.lists(st.floats(0, 100), min_size=1, max_size=60),
    edges=st.lists(st.floats(-5, 105), max_size=12),
)
def test_steps_equal_the_plain_loop(places, edges):
    position, edge = np.sort(np.array(places)), np.sort(np.array(edges, float))
    after = np.arange(1.0, edge.size + 1)
    plain = [float(np.count_nonzero(edge <= p)) for p in position]
    assert steps(position, edge, after, 0.0).tolist() == plain


@settings(max_examples=20, deadline=None)
@given(
    share=st.just(0.0) | st.floats(1e-6, 0.1),
    period=st.floats(1, 100),
    every=st.floats(0.5, 30),
    rest=st.just(0.0) | st.floats(1e-6, 5),
    ramp=st.just(0.0) | st.floats(1e-6, 1),
    seed=st.integers(0, 1000),
)
def test_positions_never_fall_and_first_samples_are_first(share, period, every, rest, ramp, seed):
    scenario = scenario_with(BEAMS[0], 10, 10)
    tables = scenario.model_dump(exclude_none=True)
    tables["line"] |= {
        "wander": {"share": share, "period_s": period},
        "stops": {"every_s": every, "duration_s": rest, "ramp_s": ramp},
    }
    motion = motion_of(Scenario.model_validate(tables), seed)
    place = motion.position_mm(np.arange(30_000.0), 1000.0)
    assert np.all(np.diff(place) >= -1e-9)
    wanted = np.sort(np.random.default_rng(seed).uniform(0, place[-1], 40))
    found = first_sample_at(motion, 1000.0, wanted, speed_mm_s=500)
    assert np.all(place[found] >= wanted)
    assert np.all(place[np.maximum(found - 1, 0)][found > 0] < wanted[found > 0])


@given(
    speed=st.floats(1, 5000),
    rate=st.floats(10, 50_000),
    places=st.lists(st.integers(0, 10**6), min_size=1, max_size=20),
)
def test_a_place_where_a_sample_lies_is_reached_at_that_sample(speed, rate, places):
    """At constant speed, where a division by it may be off by one sample either way."""
    tables = scenario_with(BEAMS[0], 10, 10).model_dump(exclude_none=True)
    tables["line"]["speed_mm_s"] = speed
    motion = motion_of(Scenario.model_validate(tables), 0)
    sample = np.unique(places)
    at = motion.position_mm(sample.astype(float), rate)
    assert first_sample_at(motion, rate, at, speed_mm_s=speed).tolist() == sample.tolist()
    beyond = np.nextafter(at, np.inf)
    assert first_sample_at(motion, rate, beyond, speed_mm_s=speed).tolist() == (sample + 1).tolist()


@settings(max_examples=30, deadline=None)
@given(twice=st.sets(st.integers(0, 49)))
def test_rows_of_samples_equal_the_written_rows(twice):
    rows = [s for s in range(50) for _ in range(2 if s in twice else 1)]
    mapped = RowMap(np.array(sorted(twice), np.int64)).row_of(np.arange(50))
    assert mapped.tolist() == [rows.index(s) for s in range(50)]


@settings(max_examples=15, deadline=None)
@given(passes=st.integers(1, 60), more=st.integers(1, 60), seed=st.integers(0, 1000))
def test_truth_of_fewer_passes_is_the_beginning_of_the_truth_of_more(passes, more, seed):
    scenario = scenario_with(BEAMS[0], {"shape": "uniform", "low": 0.2, "high": 20}, 15, touching=0.3)
    short = plan(Recipe(scenario=scenario, passes=passes, seed=seed))
    long = plan(Recipe(scenario=scenario, passes=passes + more, seed=seed))
    assert short.truth.passes == passes
    assert short.samples <= long.samples
    assert np.array_equal(short.truth.start, long.truth.start[:passes])
    assert np.array_equal(short.truth.end[:-1], long.truth.end[: passes - 1])
    short.truth.check_inside(short.samples)
