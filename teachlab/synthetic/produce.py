"""From a scenario to a recording with its truth: block by block, or completely in memory."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass
from hashlib import sha256
from typing import Any

import numpy as np

from teachlab.errors import ParameterError, ScenarioError, check_least
from teachlab.model.arrays import Floats, Integers
from teachlab.model.memory import need_memory
from teachlab.model.printable_text import number_of
from teachlab.model.recording import Block, Direction, Light, Origin, Recording, RecordingInfo, Sensing
from teachlab.model.truth import Truth, TruthSource
from teachlab.synthetic.events import PassSource
from teachlab.synthetic.line import UNSTRESSED, Line, LineStress, motion_of
from teachlab.synthetic.product.motion import first_sample_at
from teachlab.synthetic.scenario import Scenario
from teachlab.synthetic.shared.sample_stretch import MOST_OVERLAPS
from teachlab.synthetic.shared.streams import CHUNK
from teachlab.synthetic.trouble.faults import RowMap, duplicated

MOST_SAMPLES = 10**10
"""Ten times the length for which the evaluation clock is exact, 20 GB at 16 bits: longer is a mistake of a unit."""
MOST_PER_STEP = 10
"""Passes, or marks of the belt, between two samples; with one, they already cannot be separated."""
MOST_GAIN, MOST_PERCENT = 10.0, 100.0
"""Limits of the stress: factor of the light; ambient light and pedestal in percent of full scale."""
PASS_BYTES = 500
"""Memory of a pass while its line is planned, in bytes."""

Progress = Callable[[int, int], None]
"""Called with the samples written so far, and the number of all samples."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Recipe:
    """Everything that decides the samples of a synthetic recording.

    `passes`: number of objects that pass, at least 1. The recording ends in the middle of the gap after the last one.
    `seed`: at least 0.
    `stress`: stress in addition to the scenario.
    Raises ParameterError if a value is out of range.
    """

    scenario: Scenario
    passes: int
    seed: int = 0
    stress: LineStress = UNSTRESSED

    def __post_init__(self) -> None:
        check_least("passes", self.passes, 1)
        check_least("seed", self.seed)
        gain, ambient, pedestal = self.stress.gain, self.stress.ambient_percent, self.stress.pedestal_percent
        if not 0 <= gain <= MOST_GAIN:
            raise ParameterError(f"gain must lie between 0 and {MOST_GAIN:g}, got {gain:g}.")
        if not (-MOST_PERCENT <= ambient <= MOST_PERCENT and 0 <= pedestal <= MOST_PERCENT):
            raise ParameterError(
                f"ambient must lie between {-MOST_PERCENT:g} and {MOST_PERCENT:g} and pedestal between 0 and "
                f"{MOST_PERCENT:g} percent of full scale, got {ambient:g} and {pedestal:g}."
            )

    def digest(self) -> str:
        """Return the SHA-256 of everything except the number of passes: equal digests can be continued.

        Keys with their default value do not count, so that an effect that is added later changes no digest. The device
        does not count either, because it changes no light.
        """
        scenario = self.scenario.model_dump(mode="json", exclude_defaults=True, exclude={"device"})
        parts = {"scenario": scenario, "seed": self.seed, "stress": asdict(self.stress)}
        return sha256(json.dumps(parts, sort_keys=True).encode()).hexdigest()


@dataclass(frozen=True, slots=True)
class Plan:
    """Where each part of a recording will be.

    `samples`: samples that the sensor takes.
    `rows`: rows that the logger writes: more if it writes some twice.
    """

    samples: int
    rows: int
    truth: Truth


def plan(recipe: Recipe) -> Plan:
    """Return length and truth of a recording without generating its samples."""
    scenario = recipe.scenario
    need_memory(recipe.passes * PASS_BYTES, f"a synthetic line of {recipe.passes:,} passes", "Ask for fewer passes.")
    lead, trail, kind, lot, end_mm = _passes(recipe)
    _refuse_too_long(recipe, end_mm)
    motion, rate = motion_of(scenario, recipe.seed), scenario.sensor.sample_rate_hz

    def sample(position: Floats) -> Integers:
        return first_sample_at(motion, rate, position, speed_mm_s=scenario.line.speed_mm_s)

    samples = max(int(sample(np.array([end_mm]))[0]), 1)
    start, end = sample(lead), sample(trail)
    detect = np.array([o.expect == "detect" for o in scenario.object])[kind]
    label = np.array([o.label for o in scenario.object], object)[kind]
    lots = None
    if scenario.line.lot_passes:
        lots = np.array([f"lot {n + 1}" for n in range(int(lot[-1]) + 1)], object)[lot]
    for mark in scenario.background.marks:
        if mark.as_pass:
            centre = mark.centres_mm(mark.half_mm, end_mm - mark.half_mm)
            low, high = centre - mark.half_mm, centre + mark.half_mm
            after = np.searchsorted(lead, high)
            free = (np.concatenate([[-np.inf], trail])[after] <= low) & (after > 0)
            free |= (after == 0) & (low >= 0)
            start, end = np.concatenate([start, sample(low[free])]), np.concatenate([end, sample(high[free])])
            detect = np.concatenate([detect, np.zeros(int(free.sum()), bool)])
            label = np.concatenate([label, np.full(int(free.sum()), mark.label, object)])
            if lots is not None:
                lots = np.concatenate([lots, np.asarray(lots[np.maximum(after[free] - 1, 0)])])
    order = np.argsort(start, kind="stable")
    start, end = _apart(start[order], end[order], samples)
    written = row_map(recipe, samples)
    rows = int(written.row_of(np.array([samples]))[0])
    start, end = written.row_of(start), written.row_of(end)
    if written.every > 1:
        start, end = _apart(start, end, rows)
    kept = start < end
    truth = Truth.from_arrays(
        start[kept],
        end[kept],
        detect=detect[order][kept],
        label=label[order][kept],
        lot=None if lots is None else lots[order][kept],
        source=TruthSource.GENERATOR,
        uncertainty_samples=scenario.uncertainty_samples,
    )
    return Plan(samples, rows, truth)


def _refuse_too_long(recipe: Recipe, end_mm: float, *, so_far: int | None = None) -> None:
    """Refuse recordings that are too long to be kept or waited for, before any sample is made."""
    line, rate, n = recipe.scenario.line, recipe.scenario.sensor.sample_rate_hz, so_far or recipe.passes
    asked = end_mm / line.speed_mm_s * rate
    if asked <= MOST_SAMPLES:
        return
    few = int(n * (MOST_SAMPLES / asked))
    cure = f"Ask for at most about {number_of(few, 'pass', 'passes')}, or correct" if few else "Correct"
    raise ScenarioError(
        f"{recipe.scenario.title}: a synthetic recording holds at most {MOST_SAMPLES:.0e} samples "
        f"({2 * MOST_SAMPLES / 1e9:g} GB of 16 bits), but {number_of(n, 'pass', 'passes')} on {end_mm:.3g} mm of belt "
        f"take {asked:.3g} at {line.speed_mm_s:g} mm/s and {rate:g} Hz. {cure} line.gap_mm, line.lead_in_mm, the "
        "lengths of the objects, line.speed_mm_s or sensor.sample_rate_hz."
    )


def _refuse_too_dense(scenario: Scenario, pitch_mm: float) -> None:
    """Refuse so many passes or marks between two samples that every block would hold millions."""
    speed, rate = scenario.line.speed_mm_s, scenario.sensor.sample_rate_hz
    marks = [(mark.every_mm, f"marks '{mark.label}'", "every_mm of the marks") for mark in scenario.background.marks]
    for every_mm, what, key in [(pitch_mm, "passes", "line.gap_mm"), *marks]:
        if (number := speed / rate / every_mm) > MOST_PER_STEP:
            raise ScenarioError(
                f"{scenario.title}: about {number:.3g} {what} go by from one sample to the next, {every_mm:.3g} mm "
                f"apart at {speed:g} mm/s and {rate:g} Hz; at most {MOST_PER_STEP} can be made. Correct "
                f"sensor.sample_rate_hz, line.speed_mm_s or {key}."
            )
    beam, wide = scenario.sensor.beam, []
    for mark in scenario.background.marks:
        wide.append((2 * mark.reach_mm(beam) / mark.every_mm, f"marks '{mark.label}'", "their every_mm or size_mm"))
    for kind in scenario.object:
        bumps = [bump.sd_mm for bump in (kind.glints, kind.zone_swap) if bump is not None]
        bumps += [] if kind.transparent is None else [kind.transparent.edge_sd_mm]
        wide += [(10 * sd / pitch_mm, f"passes with reflexes or edges of '{kind.label}'", "sd_mm") for sd in bumps]
    for number, what, key in wide:
        if number > MOST_OVERLAPS:
            raise ScenarioError(
                f"{scenario.title}: about {number:.3g} {what} act on every sample at once; at most {MOST_OVERLAPS} "
                f"can be reckoned with. Correct {key}, or the beam."
            )


def _apart(start: Integers, end: Integers, samples: int) -> tuple[Integers, Integers]:
    """Give an object shorter than a sample step one sample, and never one of the object before."""
    end = np.maximum(end, start + 1)
    start = np.maximum(start, np.concatenate([[0], end[:-1]]))
    return start, np.minimum(np.maximum(end, start + 1), samples)


def _passes(recipe: Recipe) -> tuple[Floats, Floats, Integers, Integers, float]:
    """Return edges, kinds and lots of the first passes, and the belt position at which the recording ends."""
    # only the needed part of a chunk is kept: recordings hold millions of passes
    leads: list[Floats] = []
    trails, kinds, lots = [], [], []
    n = recipe.passes
    for chunk in PassSource(recipe.scenario, recipe.seed).chunks():
        if not leads:
            span_mm = float(chunk.trail_mm[-1] + chunk.gap_mm[-1] - chunk.lead_mm[0])
            _refuse_too_dense(recipe.scenario, span_mm / chunk.lead_mm.size)
        leads.append(chunk.lead_mm)
        trails.append(chunk.trail_mm)
        kinds.append(chunk.kind.astype(np.int32))
        lots.append(chunk.lot)
        if chunk.first + chunk.lead_mm.size >= n:
            break
        # a chunk that is not the last: the passes so far show how many would fit
        _refuse_too_long(recipe, float(chunk.trail_mm[-1]), so_far=chunk.first + chunk.lead_mm.size)
    end_mm = float(chunk.trail_mm[n - 1 - chunk.first] + chunk.gap_mm[n - 1 - chunk.first] / 2)
    lead, trail = np.concatenate(leads)[:n], np.concatenate(trails)[:n]
    return lead, trail, np.concatenate(kinds)[:n].astype(np.int64), np.concatenate(lots)[:n], end_mm


def row_map(recipe: Recipe, samples: int) -> RowMap:
    """Return the row of every sample of the sensor, up to the end of the last chunk."""
    faults = recipe.scenario.faults
    twice = np.empty(0, np.int64)
    if faults.duplicates_per_million and samples:
        chunks = range(-(-samples // CHUNK))
        twice = np.concatenate([duplicated(faults, recipe.seed, c) + c * CHUNK for c in chunks])
    return RowMap(twice[twice % faults.logger_every == 0], faults.logger_every)


def info_of(recipe: Recipe) -> RecordingInfo:
    """Return the metadata of the recording; the notes describe the recipe in words."""
    scenario = recipe.scenario
    sensor = scenario.sensor
    direction = None if sensor.direction is None else Direction(sensor.direction)
    if direction is not None and scenario.faults.wrong_direction_flag:
        direction = Direction.DIP if direction is Direction.RISE else Direction.RISE
    full_scale = float(2**sensor.bits - 1) if sensor.unit == "counts" else 100.0
    stress = recipe.stress
    axes = f"gain {stress.gain:g}, ambient {stress.ambient_percent:g} %, pedestal {stress.pedestal_percent:g} %"
    stressed = "" if stress == UNSTRESSED else f" Stressed: {axes}."
    claim = f"Synthetic, seed {recipe.seed}: not evidence about a real line."
    reader = "" if scenario.controller is None else f" {scenario.controller.words().capitalize()}."
    return RecordingInfo(
        sample_rate_hz=sensor.sample_rate_hz / scenario.faults.logger_every,
        unit="counts" if sensor.unit == "counts" else "percent of full scale",
        full_scale=None if scenario.faults.unknown_full_scale else full_scale,
        dark_level=0.0,
        sensing=Sensing(sensor.sensing),
        direction=direction,
        origin=Origin.SYNTHETIC,
        title=scenario.title,
        line_speed_m_s=scenario.line.speed_mm_s / 1000,
        notes=f"{claim}{stressed}{reader} {scenario.notes}".strip(),
    )


def written_part(recipe: Recipe, index: int, first: int, samples: int) -> slice:
    """Return which samples of a chunk the logger writes, of ``[first, samples)``, as offsets within the chunk."""
    every, offset = recipe.scenario.faults.logger_every, index * CHUNK
    begin = max(first - offset, 0)
    return slice(begin + -(offset + begin) % every, min(samples - offset, CHUNK), every)


def stored_type(scenario: Scenario) -> np.dtype[Any]:
    """Return the type of the light column."""
    return np.dtype(np.uint16 if scenario.sensor.unit == "counts" else np.float32)


def blocks(recipe: Recipe, *, samples: int, first: int = 0) -> Iterator[Block]:
    """Generate the samples ``[first, samples)`` of a recording as the logger writes them.

    `samples`: where to stop; the passes of the recipe do not matter here.
    Yielded: consecutive rows in the stored type; `start` counts rows from the first one yielded.
    """
    line = Line(recipe.scenario, recipe.seed, recipe.stress)
    counts = recipe.scenario.sensor.unit == "counts"
    row = 0
    for index in range(first // CHUNK, -(-samples // CHUNK)):
        part = written_part(recipe, index, first, samples)
        codes, missing = line.codes(index), line.missing(index)
        if not counts:
            codes *= np.float32(100.0 / line.top)
        light: Light = codes.astype(np.uint16) if counts else codes
        if missing is not None and not counts:
            light[missing] = np.nan
        invalid = missing[part] if missing is not None and counts else None
        light = light[part]
        if recipe.scenario.faults.duplicates_per_million:
            twice = duplicated(recipe.scenario.faults, recipe.seed, index)
            repeats = np.ones(CHUNK, np.int64)
            repeats[twice] = 2
            light = np.repeat(light, repeats[part])
            invalid = None if invalid is None else np.repeat(invalid, repeats[part])
        yield Block(row, light, invalid)
        row += light.size


def generate(
    scenario: Scenario,
    passes: int,
    seed: int = 0,
    *,
    gain: float = 1.0,
    ambient: float = 0.0,
    pedestal: float = 0.0,
) -> tuple[Recording, Truth]:
    """Generate a recording with its truth in memory.

    `scenario`: the line, from `load_scenario`.
    `passes`: number of objects that pass.
    `seed`: same scenario, seed and passes: same samples; more passes are only appended.
    `gain`, `ambient`, `pedestal` (the last two in percent of full scale): additional stress, ``x → g·x + a +
    p·(1 − g)`` before noise and converter.

    Examples
    --------
    >>> from teachlab.synthetic import load_scenario
    >>> recording, truth = generate(load_scenario("demo"), 5, seed=1)
    >>> truth.passes, str(truth.source)
    (5, 'generator')
    """
    stress = LineStress(gain=gain, ambient_percent=ambient, pedestal_percent=pedestal)
    recipe = Recipe(scenario=scenario, passes=passes, seed=seed, stress=stress)
    planned = plan(recipe)
    light = np.empty(planned.rows, stored_type(scenario))
    invalid = np.zeros(planned.rows, bool) if scenario.faults.dropouts is not None else None
    for block in blocks(recipe, samples=planned.samples):
        rows = slice(block.start, block.stop)
        light[rows] = block.light
        if invalid is not None and block.invalid is not None:
            invalid[rows] = block.invalid
    name = scenario.alias or "synthetic"
    return Recording.from_array(light, info_of(recipe), name=name, invalid=invalid), planned.truth
