"""The stress map of light, and its effect on levels: exact, including rounding and clipping."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from teachlab.errors import ParameterError
from teachlab.model.arrays import Flags, Floats, Integers

if TYPE_CHECKING:
    from teachlab.model.recording import Recording, RecordingInfo
    from teachlab.model.setting import Setting

LARGEST = float(np.finfo(np.float64).max)
ROUNDED = 4e-15
"""A few roundings in a row are off by less than this share of the numbers rounded."""


@dataclass(frozen=True, slots=True)
class Receiver:
    """What the stress map needs to know about the receiver.

    `dark`: recording units.
    `low`, `high` (recording units): range of the receiver: samples are clipped to it.
    """

    dark: float = 0.0
    low: float = -math.inf
    high: float = math.inf

    @classmethod
    def of(cls, recording: Recording, low: float, high: float) -> Receiver:
        """Return that of a recording: its range is 0 to full scale, and any logged values beyond it; else unlimited."""
        info = recording.info
        if info.full_scale is None:
            return cls(info.dark_level)
        return cls(info.dark_level, min(0.0, info.dark_level, low), max(info.full_scale, high))

    def stressed(self, light: Any, gain: Any, ambient: Any, pedestal: Any) -> Any:
        """Return ``clip(dark + gain · (light − dark) + ambient + pedestal · (1 − gain))``, all broadcast together."""
        with np.errstate(over="ignore"):
            moved = self.dark + gain * (light - self.dark) + ambient + pedestal * (1 - gain)
        return np.clip(moved, self.low, self.high)

    def levels_before(self, level: float, gain: Any, ambient: Any = 0.0, pedestal: Any = 0.0) -> Floats:
        """Return the levels at which unstressed light does what the stressed light does at `level`.

        The smallest float64 x whose stressed value reaches the level. Every step of the map is monotone in x, including
        rounding, so comparing gives the same result on both sides. It is found by bisection over all float64 numbers;
        if no finite x reaches the level, it is the largest one.

        `level`: recording units.
        `gain`, `ambient`, `pedestal`: float or ndarray of float64, shape (n,).
        Returned: shape (n,).
        """
        gain, ambient, pedestal = np.broadcast_arrays(*(np.atleast_1d(v) for v in (gain, ambient, pedestal)))

        def reaches(x: Floats) -> Flags:
            out: Flags = self.stressed(x, gain, ambient, pedestal) >= level
            return out

        with np.errstate(all="ignore"):
            terms = level, -self.dark, -ambient, -pedestal * (1 - gain)
            near, size = sum(terms) / gain + self.dark, sum(map(np.abs, terms)) / np.abs(gain) + abs(self.dark)
        return first_true(reaches, np.full(gain.size, -LARGEST), np.full(gain.size, LARGEST), near, size)


UNLIMITED = Receiver()
"""Dark at 0, without a range."""

BELOW_DARK = 0.05
"""Share of the range of the light by which noise may lie below the dark level."""


def no_share_of_light(info: RecordingInfo, setting: Setting, low: float, high: float) -> str:
    """Say why a share of the light has no meaning here, and what to give instead; empty if it has a meaning.

    `info`: for the dark level: light is counted from there.
    `low`, `high` (recording units): extremes of the logged light.
    """
    dark, unit = info.dark_level, info.unit
    if setting.off_level <= dark:
        found = f"the off-level of {setting.off_level:.6g} {unit} does not lie above the dark level of {dark:.6g}"
    elif dark - low > BELOW_DARK * (high - low):
        found = f"light of {low:.6g} {unit} was logged below the dark level of {dark:.6g}"
    else:
        return ""
    return (
        f"{found}, so a share of the light cannot be stated. Give the level that is logged without any light: "
        "import --dark-level"
    )


def first_true(test: Callable[[Floats], Flags], low: Floats, high: Floats, near: Floats, size: Floats) -> Floats:
    """Return the smallest float64 in ``[low, high]`` at which a rising test holds; `high` if it holds nowhere.

    `test`: from an ndarray of float64, shape (n,), to one of bool; for every element false up to some value, true after
    it.
    `low`, `high`: shape (n,).
    `near`, `size` (shape (n,)): what it is but for rounding, and the size of the numbers that were rounded. It may be
    anything: then the whole range is searched.
    """
    some = np.isfinite(near) & np.isfinite(size)
    near, size = np.where(some, near, 0.0), np.where(some, size, 0.0)
    with np.errstate(over="ignore"):
        below, above = (np.clip(near + away * ROUNDED * size, low, high) for away in (-1, 1))
    known = ~test(below) & test(above)
    low, high = np.where(known, below, low), np.where(known, above, high)
    a, b = _order(low), _order(high)
    # Where it holds at the low end already, or nowhere, both ends meet, and nothing is left to halve.
    every, none = test(low), ~test(high)
    b[every], a[none] = a[every], b[none]
    while (apart := (b - a).view(np.uint64) > 1).any():  # as unsigned numbers: the difference may wrap
        # The mean, rounded down, without the sum, which may exceed 64 bits.
        middle = (a >> 1) + (b >> 1) + (a & b & 1)
        holds = test(_number(middle))
        b = np.where(apart & holds, middle, b)
        a = np.where(apart & ~holds, middle, a)
    return _number(b)


def _order(values: Floats) -> Integers:
    """Return the positions of float64 numbers among all, as integers that ascend with them."""
    # The bits of a float64, read as a whole number, ascend with it, except that those of negative ones descend. Turned
    # round, all numbers lie in one row, without gaps, and at most 64 halvings find any of them:
    #
    #     number    … −1.0  …  −5e-324   ±0.0   5e-324  …  1.0 …
    #     place     …  −k   …  −1        0      1       …  k   …
    bits = np.ascontiguousarray(values, np.float64).view(np.int64)
    return np.where(bits >= 0, bits, -(bits & 0x7FFF_FFFF_FFFF_FFFF))


def _number(place: Integers) -> Floats:
    bits = np.where(place >= 0, place, -place | np.int64(-(2**63)))
    return bits.view(np.float64)


@dataclass(frozen=True, slots=True)
class Stress:
    """One condition: ``x → clip(dark + gain · (x − dark) + ambient + pedestal · (1 − gain))`` in float64.

    `gain`: share of the light that is left, at least 0.
    `ambient`, `pedestal` (recording units): light that is added; and the backscatter of a completely dirty window.
    `receiver`: its dark level, and its range: samples are clipped to it.
    """

    gain: float
    ambient: float = 0.0
    pedestal: float = 0.0
    receiver: Receiver = UNLIMITED

    def __post_init__(self) -> None:
        if not (math.isfinite(self.gain) and self.gain >= 0):
            raise ParameterError(f"gain must be a finite number of at least 0, got {self.gain:g}.")
        for name in ("ambient", "pedestal"):
            if not math.isfinite(getattr(self, name)):
                raise ParameterError(f"{name} must be a finite number, got {getattr(self, name)}.")

    def apply(self, light: Floats) -> Floats:
        """Return the stressed light."""
        out: Floats = self.receiver.stressed(light, self.gain, self.ambient, self.pedestal)
        return out
