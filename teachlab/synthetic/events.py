"""The passes of a line in event space: which object, how long, how bright, and where on the belt."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np

from teachlab.errors import ScenarioError
from teachlab.model.arrays import Floats, Integers
from teachlab.synthetic.product.objects import Object
from teachlab.synthetic.scenario import Scenario
from teachlab.synthetic.sensor.received_power import level_against_reference, suppressed_level
from teachlab.synthetic.shared.streams import EVENTS, Drawn, stream

Draw = Callable[[Object, np.random.Generator, int], Floats]
"""Draws so many values of a property of one kind."""

TIMES_THROUGH = {"through-beam": 1, "retroreflective": 2, "diffuse": 2, "background-suppressed": 2, "other": 1}
"""How often light passes an object on its way: once between a beam pair, twice before a mirror or a belt."""
LONGEST_MM = 1e9
"""Longest object or gap, 1,000 km: with thousands of these, a place on the belt is still exact to thousandths."""


@dataclass(frozen=True, slots=True)
class Seen:
    """Passes in the order in which they come, with their glints.

    `kind`: index of the kind of object.
    `lead_mm`, `trail_mm`: belt positions of the leading and the trailing edge: how far the line has moved when
    that end passes the beam.
    `level` (percent of full scale): level of the filled beam; 0 for transparent objects.
    `edge_transmission`, `middle_transmission`: for transparent objects, otherwise 1.
    `print_factor`: for printed objects, otherwise 1.
    `cover`: share of the beam that the object fills across the belt, otherwise 1.
    `glint_mm`, `glint_percent`: place and height of all glints, pass by pass.
    `glint_sd_mm`: their standard deviations.
    """

    kind: Integers
    lead_mm: Floats
    trail_mm: Floats
    level: Floats
    edge_transmission: Floats
    middle_transmission: Floats
    print_factor: Floats
    cover: Floats
    glint_mm: Floats
    glint_percent: Floats
    glint_sd_mm: Floats


@dataclass(frozen=True, slots=True)
class PassChunk(Seen):
    """`EVENTS` passes.

    `glint_first` (shape (EVENTS + 1,)): where the glints of each pass begin.
    `first`: number of the first pass.
    `lot`: number of the lot.
    `gap_mm`: gap after each pass.
    """

    glint_first: Integers
    first: int
    lot: Integers
    gap_mm: Floats


class PassSource:
    """Draws the passes of a scenario, chunk by chunk; a chunk depends on others only by its place on the belt."""

    def __init__(self, scenario: Scenario, seed: int) -> None:
        self._scenario, self._seed = scenario, seed
        shares = np.cumsum([kind.share for kind in scenario.object])
        # One uniform number selects the kind of each pass: additional kinds change the kinds, not how many numbers are
        # drawn.
        self._shares = shares / shares[-1]
        self._choice = Drawn(seed, "kind", lambda rng, n: rng.random(n))
        self._lot_factor = Drawn(seed, "lot level", self._draw_lot_factor)

    def chunks(self) -> Iterator[PassChunk]:
        """Yield all passes, beginning with pass 0, without end."""
        position, index = self._scenario.line.lead_in_mm, 0
        # Without end: the reader of the line decides how far it runs.
        while True:
            chunk = self._chunk(index, position)
            yield chunk
            position = float(chunk.trail_mm[-1] + chunk.gap_mm[-1])
            index += 1

    def edges(self, passes: int) -> tuple[Floats, Floats]:
        """Return the belt positions of the leading and trailing edges of the first passes, mm."""
        lead, trail, count = [], [], 0
        for chunk in self.chunks():
            lead.append(chunk.lead_mm)
            trail.append(chunk.trail_mm)
            count += chunk.lead_mm.size
            if count >= passes:
                break
        return np.concatenate(lead)[:passes], np.concatenate(trail)[:passes]

    def lots(self, first: int, stop: int) -> Integers:
        """Return the lot numbers of passes."""
        return np.arange(first, stop) // (self._scenario.line.lot_passes or 1)

    def _chunk(self, index: int, position: float) -> PassChunk:
        scenario, first = self._scenario, index * EVENTS
        lot = self.lots(first, first + EVENTS)
        choice = self._choice.take(int(lot[0]), int(lot[-1]) + 1)[lot - lot[0]]
        kind = np.searchsorted(self._shares, choice, side="right").astype(np.int64)
        gap = self._gaps(index)
        length = self._per_kind(kind, "length", index, Object.lengths)
        self._refuse_too_long(kind, length, gap)
        # Each pass begins where the one before and its gap ended; the last end is the start of the next chunk. Touching
        # objects share an edge, which two sums may round differently.
        lead = np.maximum(position + np.cumsum(length + gap) - (length + gap), position)
        trail = lead + length
        trail[:-1] = np.minimum(trail[:-1], lead[1:])
        level = self._per_kind(kind, "level", index, self._levels)
        if scenario.line.lot_level_cv:
            level = level * self._lot_factor.take(int(lot[0]), int(lot[-1]) + 1)[lot - lot[0]]
        glints = _together(self._glints(kind, lead, length, index), self._swaps(kind, lead, length, level, index))
        return PassChunk(
            kind, lead, trail, level,
            self._per_kind(kind, "edge transmission", index, _edge_transmission),
            self._per_kind(kind, "middle transmission", index, self._middle_transmission),
            self._per_kind(kind, "print", index, _print_factor),
            self._per_kind(kind, "across", index, self._cover),
            *glints, first=first, lot=lot, gap_mm=gap,
        )  # fmt: skip

    def _refuse_too_long(self, kind: Integers, length: Floats, gap: Floats) -> None:
        """Refuse lengths that are so large that places of objects lose their digits, and name the key."""
        long = int(np.argmax(length))
        asked = {f"[object {kind[long] + 1}] length_mm": float(length[long]), "[line] gap_mm": float(gap.max())}
        for key, value in asked.items():
            if value > LONGEST_MM:
                raise ScenarioError(
                    f"{self._scenario.title}: {key} gave {value:.3g} mm; at most {LONGEST_MM:.0e} mm can be made."
                )

    def _gaps(self, index: int) -> Floats:
        line = self._scenario.line
        gap = np.maximum(line.gap_mm.draw(stream(self._seed, "gap", index), EVENTS), 0.0)
        if line.touching_share:
            touching = stream(self._seed, "touching", index).random(EVENTS) < line.touching_share
            gap = np.where(touching, 0.0, gap)
        return gap

    def _per_kind(self, kind: Integers, what: str, index: int, draw: Draw) -> Floats:
        out = np.empty(EVENTS)
        for k, config in enumerate(self._scenario.object):
            rows = kind == k
            if rows.any():
                # Drawn for all passes and kept for those of the kind: the properties of one kind do not change the
                # numbers of another.
                out[rows] = draw(config, stream(self._seed, f"{what}/{config.label}", index), EVENTS)[rows]
        return out

    def _levels(self, config: Object, rng: np.random.Generator, size: int) -> Floats:
        if config.level_percent is not None:
            return np.maximum(config.level_percent.draw(rng, size), 0.0)
        if config.reflectance is None or config.distance_mm is None:
            return np.zeros(size)
        reflectance = np.maximum(config.reflectance.draw(rng, size), 0.0)
        distance = np.maximum(config.distance_mm.draw(rng, size), 1e-3)
        tilt = np.zeros(size) if config.tilt_deg is None else config.tilt_deg.draw(rng, size)
        return np.array([self._level_at(r, d, t) for r, d, t in zip(reflectance, distance, tilt, strict=True)])

    def _middle_transmission(self, config: Object, rng: np.random.Generator, size: int) -> Floats:
        if config.transmission is not None:
            once = np.clip(config.transmission.draw(rng, size), 0.0, 1.0)
            # Twice before a mirror or a belt: light is weakened each time.
            squared: Floats = once ** TIMES_THROUGH[self._scenario.sensor.sensing]
            return squared
        return np.ones(size) if config.transparent is None else config.transparent.middle_transmission.draw(rng, size)

    def _cover(self, config: Object, rng: np.random.Generator, size: int) -> Floats:
        if config.across_mm is None:
            return np.ones(size)
        half, beam = np.maximum(config.across_mm.draw(rng, size), 0.01) / 2, self._scenario.sensor.beam
        return beam.edge(half) - beam.edge(-half)

    def _level_at(self, reflectance: float, distance_mm: float, tilt_deg: float) -> float:
        sensor = self._scenario.sensor
        if sensor.suppression is not None:
            return suppressed_level(
                distance_mm,
                cutoff_mm=sensor.suppression.cutoff_mm,
                gain_percent=sensor.suppression.gain_percent,
                reflectance=reflectance,
                white_black_share=sensor.suppression.white_black_share,
            )
        if sensor.reference is None:
            return 0.0
        return level_against_reference(
            sensor.reference.level_percent,
            reflectance=reflectance,
            distance_mm=distance_mm,
            reference_reflectance=sensor.reference.reflectance,
            reference_distance_mm=sensor.reference.distance_mm,
            tilt_deg=tilt_deg,
            peak_mm=sensor.reference.peak_mm,
        )

    def _draw_lot_factor(self, rng: np.random.Generator, size: int) -> Floats:
        return rng.lognormal(0.0, math.sqrt(math.log1p(self._scenario.line.lot_level_cv**2)), size)

    def _glints(self, kind: Integers, lead: Floats, length: Floats, index: int) -> _Bumps:
        counts = np.zeros(EVENTS, np.int64)
        sd = np.zeros(EVENTS)
        for k, config in enumerate(self._scenario.object):
            if config.glints is not None:
                rng = stream(self._seed, f"glint count/{config.label}", index)
                counts = np.where(kind == k, rng.poisson(config.glints.per_object, EVENTS), counts)
                sd[kind == k] = config.glints.sd_mm
        owner = np.repeat(np.arange(EVENTS), counts)
        where = stream(self._seed, "glint place", index).random(owner.size)
        height = np.zeros(owner.size)
        for k, config in enumerate(self._scenario.object):
            rows = kind[owner] == k
            if config.glints is not None and rows.any():
                rng = stream(self._seed, f"glint height/{config.label}", index)
                height[rows] = config.glints.amplitude_percent.draw(rng, int(rows.sum()))
        return _Bumps(owner, lead[owner] + where * length[owner], height, sd[owner])

    def _swaps(self, kind: Integers, lead: Floats, length: Floats, level: Floats, index: int) -> _Bumps | None:
        """Return the places at which the receiver zones are swapped; their height mirrors the level."""
        owners, places, depths, sds = [], [], [], []
        for k, config in enumerate(self._scenario.object):
            if config.zone_swap is None:
                continue
            swap, rng = config.zone_swap, stream(self._seed, f"zone swap/{config.label}", index)
            counts = np.where(kind == k, rng.poisson(swap.per_object, EVENTS), 0)
            ends = rng.random((2, EVENTS)) < swap.edge_share
            first, last = (np.flatnonzero(end & (kind == k)) for end in ends)
            inside = np.repeat(np.arange(EVENTS), counts)
            owner = np.concatenate([inside, first, last])
            where = np.concatenate([rng.random(inside.size), np.zeros(first.size), np.ones(last.size)])
            owners.append(owner)
            places.append(lead[owner] + where * length[owner])
            depths.append(swap.depth * (100.0 - 2.0 * level[owner]))
            sds.append(np.full(owner.size, swap.sd_mm))
        if not owners:
            return None
        return _Bumps(*(np.concatenate(part) for part in (owners, places, depths, sds)))


@dataclass(frozen=True, slots=True)
class _Bumps:
    """Places at which light is added: pass within its chunk, place, height, standard deviation."""

    owner: Integers
    place_mm: Floats
    percent: Floats
    sd_mm: Floats


def _together(glints: _Bumps, swaps: _Bumps | None) -> tuple[Floats, Floats, Floats, Integers]:
    """Return place, height and width of all bumps, pass by pass, and where those of each pass begin."""
    owner, place, height, sd = glints.owner, glints.place_mm, glints.percent, glints.sd_mm
    if swaps is not None:
        owner = np.concatenate([owner, swaps.owner])
        order = np.argsort(owner, kind="stable")
        owner = owner[order]
        place = np.concatenate([place, swaps.place_mm])[order]
        height = np.concatenate([height, swaps.percent])[order]
        sd = np.concatenate([sd, swaps.sd_mm])[order]
    # Glints are in one array; those of pass k are first[k] to first[k + 1].
    first = np.concatenate([[0], np.cumsum(np.bincount(owner, minlength=EVENTS))])
    return place, height, sd, first


def _edge_transmission(config: Object, rng: np.random.Generator, size: int) -> Floats:
    return np.ones(size) if config.transparent is None else config.transparent.edge_transmission.draw(rng, size)


def _print_factor(config: Object, rng: np.random.Generator, size: int) -> Floats:
    return np.ones(size) if config.print is None else config.print.factor.draw(rng, size)
