"""Stretches of light that repeat another one: copies, which no sensor makes."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from teachlab.light.usable_light import LARGEST
from teachlab.model.recording import Block, Recording

TELLING_STEPS = 32
"""Steps other than 0 that a stretch must hold: shorter or flatter ones may be alike by chance."""
WORD, REAL_STEPS = 48, 40
"""Steps of the light whose directions are compared, and how many of them must be steps other than 0."""
TURNS = 16
"""Different runs of six directions that a word must hold: light that swings evenly repeats itself."""
AROUND, ALIKE = 96, 0.25
"""Samples looked at where a word comes twice, and how far they may differ: a share of the light's own noise."""
BEFORE = 12
"""Samples from which the next one is foretold, to tell noise from flicker."""
STEPS_OF_NOISE = 3
"""Noise of fewer steps is lost in the rounding of what was amplified."""
EDGE = 5.0
"""Bends of the light beyond so many usual ones are edges."""
MOST_WORDS, LEAST_SHARE = 100_000, 64
"""Of a recording with more samples every so-manieth word is kept, at least one in 64."""

AT_ONCE = 1 << 14
"""Samples that are looked at together, in the cache of a core."""

_Bool = NDArray[np.bool_]
_Ints = NDArray[np.int64]


LOOKED_AT = 32
"""So many samples of a stretch are compared first, spread evenly over it; stretches alike in these are read again."""
WEIGHTS = (np.random.default_rng(7).integers(1 << 62, 1 << 63, LOOKED_AT, np.uint64) << np.uint64(1)) | np.uint64(1)


class Repeats:
    """Looks for stretches that repeat an earlier one while a recording is read.

    Parameters
    ----------
    start, stop : ndarray of int64, shape (n,), samples
        In time order, not overlapping.
    """

    def __init__(self, start: NDArray[np.int64], stop: NDArray[np.int64]) -> None:
        self._start, self._stop = start, stop
        self._key = np.zeros(start.size, np.uint64)
        self._words = _TellingWords(int(stop[-1]) if stop.size else 0)

    def push(self, block: Block) -> None:
        """Take the next samples."""
        self._words.push(block)
        a = int(np.searchsorted(self._stop, block.start, side="right"))
        b = int(np.searchsorted(self._start, block.start + block.light.size))
        if a >= b:
            return
        size = (self._stop - self._start)[a:b, None]
        at = (self._start[a:b, None] - block.start) + size * np.arange(LOOKED_AT) // LOOKED_AT
        inside = (at >= 0) & (at < block.light.size)
        # As float64 every stored type is told apart well enough: what is alike is read again.
        bits = block.light[at.clip(0, block.light.size - 1)].astype(np.float64).view(np.uint64)
        with np.errstate(over="ignore"):
            self._key[a:b] += ((bits ^ (bits >> np.uint64(29))) * WEIGHTS * inside).sum(axis=1, dtype=np.uint64)

    def found(self, recording: Recording, first: int = 0) -> list[tuple[int, int]]:
        """Return the stretches from row `first` on that repeat an earlier one of these, each with the one it repeats.

        Parameters
        ----------
        recording : Recording
            Of which the stretches that may be alike are read again.
        first : int

        Notes
        -----
        Sample for sample: stretches without an invalid or saturated sample in which the light changes at least
        `TELLING_STEPS` times. White noise of ±1 step alone would repeat over that many in fewer than one of 10¹⁵ pairs.

        Cut elsewhere, shifted or amplified: the directions of `WORD` steps, up or down, come again in another stretch,
        or in the light between it and the next, and `AROUND` samples there are the others times a gain plus an offset,
        to within `ALIKE` of the noise of the light. Directions stay when light is amplified or shifted, and rounding
        turns few of them. Two readings of the same thing differ by 1.4 of their noise. What comes again within one
        stretch is light that swings, and no copy.

        Not found is what was resampled in time or has noise of its own added, and, unless it is cut alike, a copy of
        light whose noise is below `STEPS_OF_NOISE` of its steps.
        """
        out = dict(self._sample_for_sample(recording, first))
        for later, earlier in self._words.copies(recording, self._start[first:]):
            out.setdefault(later, earlier)
        return [(later, out[later]) for later in sorted(out)]

    def _sample_for_sample(self, recording: Recording, first: int) -> Iterator[tuple[int, int]]:
        start, stop = self._start[first:], self._stop[first:]
        alike = np.stack((self._key[first:], (stop - start).astype(np.uint64)), axis=1)
        _, where, often = np.unique(alike, axis=0, return_inverse=True, return_counts=True)
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
    """Keeps words of directions that can tell, with their places."""

    def __init__(self, samples: int) -> None:
        # The words that are kept are chosen by what they say, so that a copy keeps the same ones.
        self._kept = min(LEAST_SHARE, max(1, samples // MOST_WORDS))
        self._before = np.empty(0)
        self._words: list[NDArray[np.uint64]] = [np.empty(0, np.uint64)]
        self._places: list[_Ints] = [np.empty(0, np.int64)]

    def push(self, block: Block) -> None:
        """Take the next samples, in parts that stay in the cache."""
        for a in range(0, block.light.size, AT_ONCE):
            part = slice(a, a + AT_ONCE)
            invalid = None if block.invalid is None else block.invalid[part]
            self._push(Block(block.start + a, block.light[part], invalid))

    def _push(self, block: Block) -> None:
        light = np.concatenate((self._before, block.as_float()))
        first = block.start - self._before.size
        self._before = light[-WORD:]
        if light.size <= WORD:
            return
        with np.errstate(invalid="ignore", over="ignore"):
            step = np.diff(light)
        ups = step > 0
        word = _words(ups)
        steps = np.concatenate(([0], np.cumsum(np.isfinite(step) & (step != 0))))
        telling = steps[WORD:] - steps[:-WORD] >= REAL_STEPS
        # Fibonacci hashing: the upper bits of the product depend on all of the word.
        telling &= (word * np.uint64(0x9E3779B97F4A7C15)) >> np.uint64(32) < np.uint64(2**32 // self._kept)
        at = np.flatnonzero(telling)
        at = at[_turns(ups, at) >= TURNS]
        self._words.append(word[at])
        self._places.append(first + at)

    def copies(self, recording: Recording, start: _Ints) -> Iterator[tuple[int, int]]:
        """Yield stretches in which, or after which, the light is a copy of that of an earlier one."""
        words, places = np.concatenate(self._words), np.concatenate(self._places)
        order = np.lexsort((places, words))
        words, places = words[order], places[order]
        stretch = np.searchsorted(start, places, side="right") - 1
        twice = np.flatnonzero(words[1:] == words[:-1])
        within = twice[stretch[twice] == stretch[twice + 1]]
        told = set[int]()
        for k in twice[~np.isin(words[twice], words[within])].tolist():
            earlier, later = int(stretch[k]), int(stretch[k + 1])
            if earlier >= 0 and later not in told and _is_copy(recording, int(places[k]), int(places[k + 1])):
                told.add(later)
                yield later, earlier


def repeated_stretches(
    recording: Recording, start: NDArray[np.int64], stop: NDArray[np.int64]
) -> list[tuple[int, int]]:
    """Return the stretches that repeat an earlier one, each with the one it repeats: see `Repeats.found`.

    Parameters
    ----------
    recording : Recording
    start, stop : ndarray of int64, shape (n,), samples
        In time order.
    """
    reading = Repeats(start, stop)
    for block in recording.blocks():
        reading.push(block)
    return reading.found(recording)


def _words(ups: _Bool) -> NDArray[np.uint64]:
    """Return `WORD` directions from every place on as one number, by doubling."""
    two = ups.astype(np.uint64)
    size = 1
    while size < 32:
        two = (two[:-size] << np.uint64(size)) | two[size:]
        if size == 8:
            half = two
        size *= 2
    count = ups.size - WORD + 1
    return (two[:count] << np.uint64(16)) | half[32 : 32 + count]


def _turns(ups: _Bool, at: _Ints) -> _Ints:
    """Return how many different runs of six directions lie in the word at each place."""
    six = np.zeros(max(0, ups.size - 5), np.uint64)
    for k in range(6):
        six = (six << np.uint64(1)) | ups[k : k + six.size].astype(np.uint64)
    mask = np.uint64(1) << six
    found = np.zeros(at.size, np.uint64)
    for k in range(WORD - 5):
        found |= mask[at + k]
    return np.bitwise_count(found).astype(np.int64) if hasattr(np, "bitwise_count") else np.array(
        [int(one).bit_count() for one in found], np.int64
    )  # fmt: skip


def _is_copy(recording: Recording, one: int, other: int) -> bool:
    """Whether light about one place is that about another times a gain plus an offset, but for far less than its noise.

    Looked at is what lies behind the places, about them and before them: a copy begins somewhere.
    """
    more = AROUND - WORD
    for before in (0, more // 2, more):
        first = min(one, other) - before
        if first < 0 or max(one, other) - before + AROUND > recording.samples:
            continue
        x, y = (recording.read(at - before, at - before + AROUND).as_float() for at in (one, other))
        # Light too large to be squared is compared with levels, and measured nowhere.
        if not (np.abs(x).max() <= LARGEST and np.abs(y).max() <= LARGEST):
            continue
        gain, offset = np.polyfit(x, y, 1)
        noise, step = _noise(y), float(np.diff(np.unique(y)).min(initial=np.inf))
        differ = float(np.sqrt(np.mean((y - gain * x - offset) ** 2)))
        if gain > 0 and noise >= STEPS_OF_NOISE * step and differ <= ALIKE * noise:
            return True
    return False


def _noise(light: NDArray[np.float64]) -> float:
    """Return the noise of light without edges and flicker: what the samples before each one do not foretell."""
    bend = np.abs(np.diff(light, 2))
    usual = 1.4826 * float(np.median(bend))
    rows = np.lib.stride_tricks.sliding_window_view(light - light.mean(), BEFORE + 1)
    even = np.lib.stride_tricks.sliding_window_view(bend <= EDGE * usual, BEFORE - 1).all(axis=1)
    if np.count_nonzero(even) < 3 * BEFORE:
        return 0.0
    known, next_ = rows[even, :-1], rows[even, -1]
    told = known @ np.linalg.lstsq(known, next_, rcond=None)[0]
    return min(usual / 6**0.5, 1.4826 * float(np.median(np.abs(next_ - told))))
