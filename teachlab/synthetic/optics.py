"""The optical signal: beam profile ⊗ object profile over the background, at line speed.

``s = b·(1 − F)·… + Σ_k level_k ⊗ h``: every object is a piecewise constant profile along the belt. So its convolution
with the beam is a sum of edge functions, and away from edges nothing needs computing.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, fields

import numpy as np

from teachlab.model.arrays import Floats, Floats32, Integers
from teachlab.synthetic.events import PassChunk, PassSource, Seen
from teachlab.synthetic.product.objects import WAVES, Object, Texture, Wrap
from teachlab.synthetic.scenario import Scenario
from teachlab.synthetic.shared.sample_stretch import SampleStretch, near, steps, turns
from teachlab.synthetic.shared.streams import BeltTrack, stream

WRAP_TURNS = 4.0
"""Standard deviation of the varying angles of stretched film in radians: wide enough to be uniform on the circle."""


def _slice(chunk: PassChunk, low_mm: float, high_mm: float) -> Seen:
    first = int(np.searchsorted(chunk.trail_mm, low_mm, side="left"))
    stop = max(first, int(np.searchsorted(chunk.lead_mm, high_mm, side="right")))
    rows, glints = slice(first, stop), slice(int(chunk.glint_first[first]), int(chunk.glint_first[stop]))
    names = (field.name for field in fields(Seen))
    return Seen(*(getattr(chunk, name)[glints if name.startswith("glint") else rows] for name in names))


class PassWindow:
    """The passes near the present stretch; stretches must be asked for in ascending order."""

    def __init__(self, chunks: Iterator[PassChunk]) -> None:
        self._chunks = chunks
        self._kept = [next(chunks)]

    def select(self, low_mm: float, high_mm: float) -> Seen:
        """Return the passes that touch the stretch of belt ``[low, high]``."""
        while self._kept[-1].lead_mm[-1] <= high_mm:
            self._kept.append(next(self._chunks))
            # Objects after the beam are dropped: memory does not grow with the line.
            self._kept = [c for c in self._kept if c.trail_mm[-1] >= low_mm] or self._kept[-1:]
        parts = [_slice(chunk, low_mm, high_mm) for chunk in self._kept]
        if len(parts) == 1:
            return parts[0]
        return Seen(*(np.concatenate([getattr(p, f.name) for p in parts]) for f in fields(Seen)))


@dataclass(frozen=True, slots=True)
class Profile:
    """Piecewise constant profile of all objects in a stretch: values from each edge on.

    `edge_mm` (mm, ascending): where the values change.
    `fill`, `level`, `middle`: fill (0, or the share of the beam that is covered: usually 1), level (percent of full
    scale) and middle transmission (for objects that let light through, otherwise 0) from the edge on.
    """

    edge_mm: Floats
    fill: Floats
    level: Floats
    middle: Floats


def profile(seen: Seen, kinds: tuple[Object, ...]) -> Profile:
    """Return the profile of the passes in a stretch, printed blocks included."""
    n = seen.lead_mm.size
    clear = np.array([kind.clear for kind in kinds])[seen.kind]
    cover, zero = seen.cover, np.zeros(n)
    middle, own = np.where(clear, seen.middle_transmission, 0.0) * cover, seen.level * cover
    if not any(kind.print is not None for kind in kinds):
        pairs = ((seen.lead_mm, seen.trail_mm), (cover, zero), (own, zero), (middle, zero))
        return Profile(*(np.column_stack(pair).ravel() for pair in pairs))
    columns: list[tuple[Integers, Floats, Floats, Floats, Floats]] = []
    order = np.arange(n)
    for k, config in enumerate(kinds):
        rows = seen.kind == k
        length = (seen.trail_mm - seen.lead_mm)[rows]
        level, lead, one = own[rows], seen.lead_mm[rows], np.ones(length.size)
        places = [(np.zeros(length.size), one)]
        if config.print is not None:
            for block in range(config.print.blocks):
                centre, half = (block + 0.5) / config.print.blocks, config.print.cover / config.print.blocks / 2
                places += [((centre - half) * length, seen.print_factor[rows]), ((centre + half) * length, one)]
        columns += [(order[rows], lead + at, cover[rows], level * share, middle[rows] * share) for at, share in places]
        columns.append((order[rows], seen.trail_mm[rows], zero[rows], zero[rows], zero[rows]))
    owner, edge, fill, level_after, middle_after = (np.concatenate(c) for c in zip(*columns, strict=True))
    # by pass, then by place within it: touching passes keep the end of one before the start of the next
    sequence = np.lexsort((fill == 0, edge, owner))
    return Profile(edge[sequence], fill[sequence], level_after[sequence], middle_after[sequence])


class Optics:
    """The optical signal of one recording, chunk by chunk in ascending order.

    `uniform`: whether the line runs at constant speed.
    """

    def __init__(self, scenario: Scenario, seed: int, *, uniform: bool) -> None:
        self._scenario, self._seed = scenario, seed
        self._beam = scenario.sensor.beam
        self._window = PassWindow(PassSource(scenario, seed).chunks())

        def track(effect: str, length_mm: float) -> BeltTrack:
            return BeltTrack(seed, effect, length_mm, scenario.step_mm, uniform=uniform)

        belt = scenario.background.texture
        self._belt = None if belt is None else track("belt", belt.length_mm)
        kinds = scenario.object
        self._textures = {k: track(f"texture/{o.label}", o.texture.length_mm) for k, o in enumerate(kinds) if o.texture}
        self._films = {
            k: (track(f"psi/{o.label}", o.wrap.length_mm), track(f"delta/{o.label}", o.wrap.length_mm))
            for k, o in enumerate(kinds)
            if o.wrap
        }
        # time along the axis of a belt: a movement that forgets itself at its corner frequency
        rate = scenario.sensor.sample_rate_hz
        self._webs = {
            k: BeltTrack(seed, f"web/{o.label}", 1 / (2 * np.pi * o.flutter.frequency_hz), 1 / rate, uniform=True)
            for k, o in enumerate(kinds)
            if o.flutter and o.flutter.shape == "random"
        }
        self._plain = not any(o.texture or o.wrap or o.flutter for o in kinds)
        bumps = [bump.sd_mm for o in kinds for bump in (o.glints, o.zone_swap) if bump is not None]
        self._reach_mm = max([self._beam.reach_mm, *(5 * sd for sd in bumps)])

    def signal(self, stretch: SampleStretch) -> Floats32:
        """Return the optical signal of a clean, new sensor, float32, shape (CHUNK,), percent of full scale."""
        place = stretch.position_mm
        # bumps at the ends of an object reach out of it: a transparent edge by its own smoothed width
        clear = [o.transparent for o in self._scenario.object if o.transparent]
        dips = [5 * float(np.hypot(one.edge_sd_mm, self._beam.sd_mm)) for one in clear]
        pad = self._reach_mm + max([0.0, *dips])
        seen = self._window.select(place[0] - pad, place[-1] + pad)
        shape = profile(seen, self._scenario.object)
        sample, owner = near(place, shape.edge_mm - self._beam.reach_mm, shape.edge_mm + self._beam.reach_mm)
        away = place[sample] - shape.edge_mm[owner]
        # Light along a row of objects is a staircase, smoothed by the beam. The staircase is cheap over all samples,
        # and near an edge only the difference to it is added:
        #
        #     staircase      ______|~~~~~~~|______
        #     smoothed       _____/~~~~~~~~~\_____
        #     difference          +-       -+         beyond the reach of the beam it is nothing
        kernel = self._beam.edge(away) - (away >= 0)

        def smooth(after: Floats) -> Floats32:
            out = steps(place, shape.edge_mm, after, 0.0)
            jump = after.copy()
            jump[1:] -= after[:-1]
            np.add.at(out, sample, (kernel * jump[owner]).astype(np.float32))
            return out

        fill = smooth(shape.fill)
        light = smooth(shape.level)
        background = self.background(stretch)
        passed = np.float32(1.0) - fill
        if any(o.clear for o in self._scenario.object):
            passed += smooth(shape.middle)
            self._dip(place, seen, passed)
        passed *= background
        light += passed
        if not self._plain:
            self._vary(stretch, seen, fill, light)
        self._glint(place, seen, light)
        return light

    def background(self, stretch: SampleStretch) -> Floats32 | np.float32:
        """Return the light without objects: texture and marks on the level."""
        config = self._scenario.background
        level = np.float32(config.level_percent)
        if self._belt is None and not config.marks:
            return level
        if self._belt is None or config.texture is None:
            out = np.full(stretch.position_mm.size, level, np.float32)
        else:
            out = self._belt.at(stretch.index, stretch.position_mm)
            out *= np.float32(config.texture.sd_percent)
            out += level
            np.clip(out, np.float32(config.texture.floor_percent), np.float32(config.texture.ceiling_percent), out=out)
        for mark in config.marks:
            reach = mark.reach_mm(self._beam)
            place = stretch.position_mm
            centres = mark.centres_mm(place[0] - reach, place[-1] + reach)
            sample, owner = near(place, centres - reach, centres + reach)
            np.add.at(out, sample, mark.at(place[sample] - centres[owner], self._beam).astype(np.float32))
            if mark.amplitude_percent < 0:
                np.maximum(out, np.float32(0.0), out=out)
        return out

    def _dip(self, place: Floats, seen: Seen, passed: Floats32) -> None:
        for k, config in enumerate(self._scenario.object):
            if config.transparent is None:
                continue
            clear, rows = config.transparent, seen.kind == k
            sd = float(np.hypot(clear.edge_sd_mm, self._beam.sd_mm))
            depth = (1.0 - seen.edge_transmission[rows]) * clear.edge_sd_mm / sd
            for centre in (seen.lead_mm[rows] + clear.edge_inset_mm, seen.trail_mm[rows] - clear.edge_inset_mm):
                sample, owner = near(place, centre - 5 * sd, centre + 5 * sd)
                bump = depth[owner] * np.exp(-0.5 * ((place[sample] - centre[owner]) / sd) ** 2)
                # Multiplied one after the other: where two edges overlap, light passes both.
                np.multiply.at(passed, sample, (1.0 - bump).astype(np.float32))

    def _glint(self, place: Floats, seen: Seen, light: Floats32) -> None:
        if seen.glint_mm.size == 0:
            return
        reach = 5 * seen.glint_sd_mm
        sample, owner = near(place, seen.glint_mm - reach, seen.glint_mm + reach)
        away = (place[sample] - seen.glint_mm[owner]) / seen.glint_sd_mm[owner]
        np.add.at(light, sample, (seen.glint_percent[owner] * np.exp(-0.5 * away**2)).astype(np.float32))

    def _vary(self, stretch: SampleStretch, seen: Seen, fill: Floats32, light: Floats32) -> None:
        """Add texture, film and flutter of the objects, weighted with the fill."""
        if seen.kind.size == 0:
            # the tracks of a uniform line are numbered by chunk: skipping one is free
            return
        place = stretch.position_mm
        between = (seen.trail_mm[:-1] + seen.lead_mm[1:]) / 2
        clear = np.array([kind.clear for kind in self._scenario.object])[seen.kind]
        through = seen.middle_transmission * self._scenario.background.level_percent
        own = np.where(clear, through, seen.level)
        level = steps(place, between, own[1:], float(own[0]))
        kind = steps(place, between, seen.kind[1:].astype(float), float(seen.kind[0]))
        for k, config in enumerate(self._scenario.object):
            change = np.zeros(place.size, np.float32)
            if config.texture is not None:
                change += _textured(config.texture, level, self._textures[k].at(stretch.index, place))
            if config.wrap is not None:
                psi, delta = (t.at(stretch.index, place) for t in self._films[k])
                change += leak(config.wrap, psi, delta)
            if config.flutter is not None:
                web = self._webs.get(k)
                moved = waving(config, stretch) if web is None else web.at(stretch.index, stretch.time_s)
                change += level * config.flutter.change(moved)
            if config.texture is not None or config.wrap is not None or config.flutter is not None:
                light += np.where(kind == np.float32(k), change, np.float32(0.0)) * fill


def _textured(config: Texture, level: Floats32, track: Floats32) -> Floats32:
    """Return by how much the texture changes the level, within its limits."""
    varied = level + np.float32(config.sd_percent) * track
    np.clip(varied, np.float32(config.floor_percent), np.float32(config.ceiling_percent), out=varied)
    return varied - level


def leak(config: Wrap, psi: Floats32, delta: Floats32) -> Floats32:
    """Return the light that film lets past the analyser, from two unit-variance tracks."""
    turn = np.float32(WRAP_TURNS)
    out: Floats32 = np.float32(config.leak_percent) * np.sin(2 * turn * psi) ** 2 * np.sin(turn * delta / 2) ** 2
    return out


def waving(kind: Object, stretch: SampleStretch) -> Floats32:
    """Return the regular or irregular movement of a fluttering web, float32, shape (CHUNK,), in closed form."""
    if kind.flutter is None:
        return np.zeros(stretch.position_mm.size, np.float32)
    frequency = kind.flutter.frequency_hz
    if kind.flutter.shape == "irregular":
        rng = stream(stretch.seed, f"irregular/{kind.label}", 0)
        out = np.zeros(stretch.position_mm.size, np.float32)
        for own, phase in zip(frequency * rng.uniform(0.4, 1.6, WAVES), rng.random(WAVES), strict=True):
            out += np.cos(turns(own * stretch.time_s + phase))
        out *= np.float32(np.sqrt(2 / WAVES))
        return out
    cycles = stretch.time_s * frequency + stream(stretch.seed, "flutter", 0).random()
    return np.sin(2 * np.pi * (cycles - np.floor(cycles))).astype(np.float32)
