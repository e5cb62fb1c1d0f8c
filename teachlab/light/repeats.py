"""Stretches of light that repeat another stretch: copies, which no sensor makes."""

from __future__ import annotations

from collections.abc import Iterator
from math import factorial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from teachlab.light.usable_light import LARGEST
from teachlab.model.arrays import Floats, Integers, Where
from teachlab.model.recording import Block, Recording
from teachlab.sensor.edges import pieces

TELLING_STEPS = 32
"""A stretch must hold this many steps other than 0: shorter or flatter ones may be alike by chance."""
WORD, REAL_STEPS = 48, 40
"""Steps of the light whose directions are compared, and how many of them must differ from 0."""
TURNS = 16
"""A word must hold this many different runs of six directions: light that swings evenly repeats itself."""
AROUND, ALIKE = 96, 0.25
"""Samples compared where a word occurs twice, and how far they may differ: a share of the light's own noise."""
BEFORE = 12
"""Number of samples from which the next one is predicted, to separate noise from flicker."""
STEPS_OF_NOISE = 3
"""Noise of fewer steps is lost in the rounding of amplified light."""
EDGE = 5.0
"""Bends of the light that exceed the usual bend by this factor are edges."""
MOST_WORDS, WORDS_PER_STRETCH = 1 << 16, 8
"""About this many words are kept of a recording; or this many of every stretch of light, if that is more."""

NEAR = 256
"""Samples; words that lie nearer together are examined as one."""
AT_ONCE = 1 << 16
"""Samples that are compared at a time, so that they fit in the cache of a core."""


LOOKED_AT = 16
"""This many samples of a stretch, evenly spread, are compared first; stretches that agree in them are read again."""
# Odd weights: a product with one loses nothing modulo 2⁶⁴, so two stretches that differ in one compared sample
# never have the same key. A sum does not depend on where blocks are cut.
WEIGHTS = (np.random.default_rng(7).integers(1 << 62, 1 << 63, LOOKED_AT, np.uint64) << np.uint64(1)) | np.uint64(1)


class Repeats:
    """Finds stretches that repeat an earlier one while a recording is read.

    `start`, `stop` (shape (n,), samples): in time order, not overlapping.
    """

    def __init__(self, start: Integers, stop: Integers) -> None:
        self._start, self._stop = start, stop
        self._key = np.zeros(start.size, np.uint64)
        self._words = _TellingWords(start, stop)

    def push(self, block: Block) -> None:
        """Take the next samples."""
        self._words.push(block)
        a = int(np.searchsorted(self._stop, block.start, side="right"))
        b = int(np.searchsorted(self._start, block.stop))
        if a >= b:
            return
        size = (self._stop - self._start)[a:b, None]
        at = (self._start[a:b, None] - block.start) + size * np.arange(LOOKED_AT) // LOOKED_AT
        inside = (at >= 0) & (at < block.light.size)
        # As float64 every stored type is separated well enough: stretches that agree are read again.
        bits = block.light[at.clip(0, block.light.size - 1)].astype(np.float64).view(np.uint64)
        with np.errstate(over="ignore"):
            # A float64 with a whole number has zeros in its low bits, and so has its product with a weight: the high
            # bits are folded down first, or keys would use their upper part only.
            self._key[a:b] += ((bits ^ (bits >> np.uint64(29))) * WEIGHTS * inside).sum(axis=1, dtype=np.uint64)

    def found(self, recording: Recording) -> list[tuple[int, int]]:
        """Return the stretches that repeat an earlier one, each with the one that it repeats.

        `recording`: the recording, from which the stretches that may be alike are read again.

        Notes
        -----
        Sample for sample: stretches without an invalid or saturated sample in which the light changes at least
        `TELLING_STEPS` times. White noise of only ±1 step would repeat over that many samples in fewer than one of 10¹⁵
        pairs.

        Also found are copies that are cut elsewhere, shifted or amplified: the directions of `WORD` steps, up or down,
        occur again in another stretch, or just before the next one; and there `AROUND` samples equal the others times a
        gain plus an offset, within `ALIKE` of the noise of the light. Directions stay when light is amplified or
        shifted, and rounding changes few of them. Two readings of the same object differ by 1.4 times their noise. What
        repeats within one stretch is light that swings, and no copy.

        Not found are copies that were resampled in time or had noise added. Copies of light whose noise is below
        `STEPS_OF_NOISE` of its steps are found only if they are cut alike.
        """
        out = dict(self._sample_for_sample(recording))
        for later, earlier in self._words.copies(recording, self._start):
            out.setdefault(later, earlier)
        return [(later, out[later]) for later in sorted(out)]

    def _sample_for_sample(self, recording: Recording) -> Iterator[tuple[int, int]]:
        start, stop = self._start, self._stop
        # Stretches of other lengths may share a key by chance; they are compared again below.
        _, where, often = np.unique(self._key, return_inverse=True, return_counts=True)
        full, seen = recording.info.full_scale, dict[tuple[int, int], int]()
        for k in np.flatnonzero(often[where.reshape(-1)] > 1).tolist():
            block = recording.read(int(start[k]), int(stop[k]))
            light = block.light
            if block.invalid_mask() is not None or np.count_nonzero(light[1:] != light[:-1]) < TELLING_STEPS:
                continue
            if full is not None and ((light >= full) | (light <= 0)).any():
                continue
            repeated = seen.setdefault((light.size, hash(light.tobytes())), k)
            if repeated != k:
                yield k, repeated


class _TellingWords:
    """Keeps words of directions in stretches and just before them, with their places.

    Directions are bits, 64 to a number. A word begins where the light begins to climb for some steps in a row. This
    depends on the light alone, so a copy keeps the same words.
    """

    def __init__(self, start: Integers, stop: Integers) -> None:
        before = np.concatenate((np.zeros(min(stop.size, 1), np.int64), stop[:-1]))
        self._from, self._to = np.maximum(start - WORD, before), stop
        self._most = max(MOST_WORDS, WORDS_PER_STRETCH * start.size)
        # Windows that lie near to each other are examined as one.
        apart = np.flatnonzero(self._from[1:] > self._to[:-1] + NEAR) + 1
        self._since = (self._from[np.append(0, apart)] - 1).clip(min=0) if start.size else start
        self._upto = self._to[np.append(apart - 1, -1)] + WORD if start.size else stop
        looked_at, self._climb = float((self._to - self._from).sum()), 1
        # In white noise one place in (n + 1)! is followed by n steps upwards.
        while looked_at > self._most * factorial(self._climb + 1):
            self._climb += 1
        self._before: list[Block] = []
        self._words: list[NDArray[np.uint64]] = [np.empty(0, np.uint64)]
        self._places: list[Integers] = [np.empty(0, np.int64)]
        self._held = 0

    def push(self, block: Block) -> None:
        """Take the next samples."""
        if self._from.size == 0:
            return
        more = min(WORD + 1, block.light.size)
        seam = Block.joined([*self._before, block.part(block.start, block.start + more)])
        self._take(seam)
        if block.light.size > more:
            self._take(block)
            seam = block
        self._before = [seam.part(max(seam.start, seam.stop - WORD - 1), seam.stop).copy()]
        while self._held > 2 * self._most and self._climb < WORD:
            # Slow noise climbs longer: if there are too many words, those of longer climbs stay.
            self._climb += 1
            words, places = np.concatenate(self._words), np.concatenate(self._places)
            climbs = ~words & np.uint64((1 << self._climb) - 1) == 0
            self._words, self._places = [words[climbs]], [places[climbs]]
            self._held = self._places[0].size

    def _take(self, block: Block) -> None:
        """Keep the words of a block that begin after its first sample and lie completely in it."""
        a = int(np.searchsorted(self._upto, block.start, side="right"))
        b = int(np.searchsorted(self._since, block.stop))
        if a >= b:
            return
        # Only the light around stretches is examined, one stretch after the other.
        begin = np.maximum(self._since[a:b], block.start)
        end = np.minimum(self._upto[a:b], block.stop)
        light = pieces(block.light, begin - block.start, end - block.start)
        ups = _bits(np.greater, light)
        at = _climbs(ups, self._climb)
        offset = np.cumsum(end - begin) - (end - begin)
        piece = np.searchsorted(offset, at, side="right") - 1
        place = at + (begin - offset)[piece]
        row = np.searchsorted(self._to, place, side="right").clip(max=self._to.size - 1)
        inside = (place >= self._from[row]) & (place < self._to[row])
        inside &= (place > begin[piece]) & (place + WORD < end[piece])
        at, place = at[inside], place[inside]
        if at.size == 0:
            return
        real = ups | _bits(np.less, light)
        if block.invalid is not None:
            holes = pieces(block.invalid, begin - block.start, end - block.start)
            real &= ~_bits(np.logical_or, holes)
            ups &= real
        telling = _counted(_word(real, at)) >= REAL_STEPS
        word = _word(ups, at[telling])
        self._words.append(word)
        self._places.append(place[telling])
        self._held += word.size

    def copies(self, recording: Recording, start: Integers) -> Iterator[tuple[int, int]]:
        """Yield stretches in which, or before which, the light is a copy of the light of an earlier one."""
        words, places = np.concatenate(self._words), np.concatenate(self._places)
        # Numbers alone are sorted in a tenth of the time, and hardly any word is there twice.
        alone = np.sort(words)
        again = np.isin(words, alone[1:][alone[1:] == alone[:-1]])
        words, places = words[again], places[again]
        order = np.lexsort((places, words))
        words, places = words[order], places[order]
        twice = np.flatnonzero(words[1:] == words[:-1])
        twice = twice[_turns(words[twice]) >= TURNS]
        pairs = np.searchsorted(start, places[twice[:, None] + (0, 1)], side="right") - 1
        within = twice[pairs[:, 0] == pairs[:, 1]]
        apart = ~np.isin(words[twice], words[within])
        told = set[int]()
        for k, (earlier, later) in zip(twice[apart].tolist(), pairs[apart].tolist(), strict=True):
            if earlier >= 0 and later not in told and _is_copy(recording, int(places[k]), int(places[k + 1])):
                told.add(later)
                yield later, earlier


def repeated_stretches(recording: Recording, start: Integers, stop: Integers) -> list[tuple[int, int]]:
    """Return the stretches that repeat an earlier one, each with the one that it repeats: see `Repeats.found`.

    `start`, `stop` (shape (n,), samples): in time order.
    """
    reading = Repeats(start, stop)
    for block in recording.blocks():
        reading.push(block)
    return reading.found(recording)


def _bits(compare: Any, values: NDArray[Any]) -> NDArray[np.uint64]:
    """Return whether each value compares with the one before it, from the second on: 64 to a number, lowest bit first.

    There is one more number than is needed, so that a word that begins in one of them ends in the next.
    """
    bits = np.zeros((values.size // 64 + 2) * 8, np.uint8)
    for a in range(0, values.size - 1, AT_ONCE):
        b = min(a + AT_ONCE, values.size - 1)
        bits[a // 8 : -(-b // 8)] = np.packbits(compare(values[a + 1 : b + 1], values[a:b]), bitorder="little")
    return bits.view("<u8")


def _word(bits: NDArray[np.uint64], at: Where) -> NDArray[np.uint64]:
    """Return `WORD` bits from each place on."""
    first, shift = at >> 6, (at & 63).astype(np.uint64)
    # A shift by 64 is not defined: the next number is shifted by one, and by the rest.
    after = (bits[first + 1] << np.uint64(1)) << (np.uint64(63) - shift)
    out: NDArray[np.uint64] = ((bits[first] >> shift) | after) & np.uint64((1 << WORD) - 1)
    return out


def _climbs(ups: NDArray[np.uint64], steps: int) -> Where:
    """Return where light begins to climb for at least so many steps, from its second sample on.

    Runs of upward steps are found for 64 places at once.

    Examples
    --------
    >>> _climbs(_bits(np.greater, np.array([5, 4, 6, 7, 1, 2, 1, 3, 4, 5])), 2).tolist()
    [1, 6]
    """
    # Bit k of `run` stays as long as the light also climbs after place k; later bits come from the next number.
    run, size = ups.copy(), 1
    while size < steps:
        more = min(size, steps - size)
        run[:-1] &= (run[:-1] >> np.uint64(more)) | (run[1:] << np.uint64(64 - more))
        run[-1:] &= run[-1:] >> np.uint64(more)
        size += more
    before = ups << np.uint64(1)
    before[1:] |= ups[:-1] >> np.uint64(63)
    before[:1] |= np.uint64(1)
    found = (run & ~before).view(np.uint8)
    some = np.flatnonzero(found)
    place, bit = np.nonzero(np.unpackbits(found[some][:, None], axis=1, bitorder="little"))
    out: Where = 8 * some[place] + bit
    return out


def _turns(words: NDArray[np.uint64]) -> Integers:
    """Return how many different runs of six directions lie in each word."""
    found = np.zeros(words.size, np.uint64)
    for k in range(WORD - 5):
        found |= np.uint64(1) << ((words >> np.uint64(k)) & np.uint64(63))
    return _counted(found)


def _counted(words: NDArray[np.uint64]) -> Integers:
    """Return how many bits are set in each word."""
    return np.bitwise_count(words).astype(np.int64)


def _is_copy(recording: Recording, one: int, other: int) -> bool:
    """Whether light at one place is that at another times a gain plus an offset, to far less than its noise.

    The light after the places, around them and before them is compared: a copy begins somewhere.
    """
    more = AROUND - WORD
    for before in (0, more // 2, more):
        first = min(one, other) - before
        if first < 0 or max(one, other) - before + AROUND > recording.samples:
            continue
        x, y = (recording.read(at - before, at - before + AROUND).as_float() for at in (one, other))
        # Light too large to be squared is compared with levels, but never measured.
        if not (np.abs(x).max() <= LARGEST and np.abs(y).max() <= LARGEST):
            continue
        gain, offset = np.polyfit(x, y, 1)
        noise, step = _noise(y), float(np.diff(np.unique(y)).min(initial=np.inf))
        differ = float(np.sqrt(np.mean((y - gain * x - offset) ** 2)))
        if gain > 0 and noise >= STEPS_OF_NOISE * step and differ <= ALIKE * noise:
            return True
    return False


def _noise(light: Floats) -> float:
    """Return the noise of light without edges and flicker: the part of a sample that those before do not predict."""
    bend = np.abs(np.diff(light, 2))
    usual = 1.4826 * float(np.median(bend))
    rows = np.lib.stride_tricks.sliding_window_view(light - light.mean(), BEFORE + 1)
    even = np.lib.stride_tricks.sliding_window_view(bend <= EDGE * usual, BEFORE - 1).all(axis=1)
    if np.count_nonzero(even) < 3 * BEFORE:
        return 0.0
    known, next_ = rows[even, :-1], rows[even, -1]
    told = known @ np.linalg.lstsq(known, next_, rcond=None)[0]
    return min(usual / 6**0.5, 1.4826 * float(np.median(np.abs(next_ - told))))
