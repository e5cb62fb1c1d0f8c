"""How far the cells of least error are from a costlier one, along each axis in its own measure."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from teachlab.teaching.cells.designed_cells import At, CellGrid, Cells, Values
from teachlab.teaching.cells.shown_light import ShownLight

LEAST_NOISE = 0.05
NOISES = 6.0
"""ν: a level is measured against this many σ of the gaps, as a share of the contrast, or against `LEAST_NOISE`."""
FLASH = 0.02
"""τ: what no one has shown may last this share of the median pass."""
CHATTER = 0.25
"""A release is measured against so many σ of the gaps by how far it lies from its level."""
DIMMED = 0.1
"""γ: light that dims is measured against this share of itself, or against the contrast where that is less."""
POWER = 2.0
"""Reserves are taken together by their mean of this negative power: the smallest counts most, and none counts alone."""
LEAST_RESERVE = 1e-9


@dataclass(frozen=True, slots=True, eq=False)
class CostlierCells:
    """Along one axis, for every cell the place of the nearest costlier cell on either side.

    Parameters
    ----------
    below, above : ndarray of int16, shape of the cells
        Its number along the axis; −1 below and one too many above where there is none.
    places : ndarray of float64, ascending
        What the numbers stand for.
    """

    below: NDArray[np.int16]
    above: NDArray[np.int16]
    places: Values

    @classmethod
    def of(cls, costlier: NDArray[np.bool_], places: Values, axis: int) -> CostlierCells:
        """Look along an axis.

        Parameters
        ----------
        costlier : ndarray of bool, shape of the cells
            Which cells cost more than the least.
        places : ndarray of float64, ascending
            Of the cells along the axis.
        axis : int
        """
        shape = [1] * costlier.ndim
        shape[axis] = places.size
        number = np.arange(places.size, dtype=np.int16).reshape(shape)
        below = np.where(costlier, number, np.int16(-1))
        above = np.where(costlier, number, np.int16(places.size))
        # The library's running extreme looks at one number at a time: here it is a whole layer of cells.
        up, down = np.moveaxis(below, axis, 0), np.moveaxis(above, axis, 0)[::-1]
        for k in range(1, places.size):
            np.maximum(up[k], up[k - 1], out=up[k])
            np.minimum(down[k], down[k - 1], out=down[k])
        return cls(below, above, places)

    def of_cells(self, cells: NDArray[np.intp]) -> CostlierCells:
        """Return the same of some cells alone, numbered in the order of memory."""
        return CostlierCells(self.below.ravel()[cells], self.above.ravel()[cells], self.places)

    def around(self, at: At) -> tuple[float | None, float | None]:
        """Return the places beside one cell, None where there is none."""
        below, above = int(self.below[at]), int(self.above[at])
        return (
            None if below < 0 else float(self.places[below]),
            None if above == self.places.size else float(self.places[above]),
        )

    def ends(self, shift: float) -> tuple[Values, Values]:
        """Return the places moved by `shift`, 0 and infinity where there are none."""
        moved = self.places + shift
        return np.append(moved, 0.0)[self.below], np.append(moved, np.inf)[self.above]


@dataclass(frozen=True, slots=True, eq=False)
class CellReserves:
    """The reserves of every cell of least error; of costlier cells they mean nothing.

    Parameters
    ----------
    level, on_delay, off_delay : CostlierCells
        Places in shares of the contrast, and in evaluations.
    smallest : ndarray of float64, shape of the cells
        The smallest of all reserves as shown, a share in 0 … 1.
    together : ndarray of float64, shape of the cells
        All reserves together, with flashes that were not shown where these are expected.
    as_shown : ndarray of float64, shape of the cells
        The same without: no on-delay is a full reserve where it errs no more.
    still : ndarray of float64, shape of the cells
        As shown, and how still the output is on light that lies at the level: what a release is chosen by.
    """

    level: CostlierCells
    on_delay: CostlierCells
    off_delay: CostlierCells
    smallest: Values
    together: Values
    as_shown: Values
    still: Values

    @classmethod
    def of(cls, errors: Cells, grid: CellGrid, shown: ShownLight, *, expect_flashes: bool) -> CellReserves:
        """Measure the reserves.

        Parameters
        ----------
        errors : ndarray of int64, shape of the cells
        grid : CellGrid
        shown : ShownLight
        expect_flashes : bool
            Whether `together` counts no on-delay as a small reserve, although no flash was shown.

        Notes
        -----
        With lo and hi the nearest costlier cells below and above, ν = max(0.05, 6σ/C), τ = 0.02·S, d' = d + 1
        and e' = e + 1: level min((f − lo)/(f + ν), (hi − f)/(hi + ν)); release the same with
        r = f·(1 − h) for f, along h; on-delay min((d' − lo)/(d' + τ), (hi − d')/hi) if d' > 1; off-delay
        min((e' − lo)/e', (hi − e')/hi) if e' > 1.
        Dimming (1 − g)/(1 − g + γ), with g the share of light at which the background reaches the release of a dip,
        or the weakest pass the level of a rise, γ = 0.1 or the contrast's share of the light if that is less.
        Stillness f·h/(f·h + σ/4C): a piece as bright as the level switches once if noise does not reach the release.

        hi of a level is no higher than the lowest top of a pass at or above it, hi of a delay no longer than the
        shortest pass, or gap. Without a costlier cell below, lo is 0; without one above, that part is 1. Together the
        reserves r are (mean of r⁻²)^(−1/2).
        """
        costlier = errors > errors.min()
        nu, tau = max(LEAST_NOISE, NOISES * shown.noise / shown.contrast), FLASH * shown.dwell
        level = CostlierCells.of(costlier, grid.levels, 0)
        release = CostlierCells.of(costlier, grid.releases, 1)
        on = CostlierCells.of(costlier, grid.on_delays.astype(np.float64), 3)
        off = CostlierCells.of(costlier, grid.off_delays.astype(np.float64), 4)
        cells = np.flatnonzero(~costlier)
        at = np.unravel_index(cells, errors.shape)
        f, h = grid.levels[at[0]], grid.releases[at[1]]
        d, e = (delays[k].astype(np.float64) + 1 for delays, k in ((grid.on_delays, at[3]), (grid.off_delays, at[4])))
        low, high = level.of_cells(cells).ends(0.0)
        # The grid ends below the tops of strong passes: above its top a level loses a pass, counted or not.
        high = np.minimum(high, shown.top_above(grid.levels)[at[0]])
        of_level = np.minimum((f - low) / (f + nu), _room(f, high, nu))
        held = f * (1 - h)
        low, waiting = on.of_cells(cells).ends(1.0)
        # So does the grid of delays: one longer than the shortest pass loses it.
        room = np.where(d > 1, _room(d, np.minimum(waiting, max(shown.shortest_pass, 1.0))), 1.0)
        waited = np.where(d > 1, (d - low) / (d + tau), 1.0)
        expected = (d - low) / (d + tau) if expect_flashes and grid.on_delays.size > 1 else waited
        # h is a distance from the level: the release above is the costlier one of a smaller h, at which passes chatter.
        narrower, wider = release.of_cells(cells).ends(0.0)
        upper = np.where(narrower > 0, f * (1 - narrower), np.inf)
        lower = f * np.maximum(1 - wider, 0.0)
        of_release = np.minimum((held - lower) / (held + nu), _room(held, upper, nu))
        rest = [
            of_level, of_release, _waiting(off.of_cells(cells), e, shown.shortest_gap), _dimming(f, held, high, shown),
        ]  # fmt: skip
        as_shown = [*rest, np.minimum(waited, room)]
        apart = f - held
        still = apart / (apart + CHATTER * shown.noise / shown.contrast)

        def of_all(values: Values) -> Values:
            out = np.full(errors.shape, np.nan)
            out.ravel()[cells] = values
            return out

        return cls(
            level, on, off, of_all(np.minimum.reduce(as_shown)),
            of_all(_together([*rest, np.minimum(expected, room)])), of_all(_together(as_shown)),
            of_all(_together([*as_shown, still])),
        )  # fmt: skip


def _dimming(f: Values, held: Values, high: Values, shown: ShownLight) -> Values:
    """Return the reserve of light that dims; none is told where the light is not above dark."""
    usual = shown.light_of(1.0 if shown.rise else 0.0)
    if not usual > 0:
        return np.ones_like(f)
    with np.errstate(invalid="ignore", divide="ignore"):
        if shown.rise:
            weakest = shown.light_of(np.where(np.isinf(high), f + 1, high))
            left = np.where(weakest > 0, shown.light_of(f) / weakest, 1.0)
        else:
            left = shown.light_of(held) / usual
    lost = 1 - np.clip(left, 0.0, 1.0)
    out: Values = lost / (lost + min(DIMMED, shown.contrast / usual))
    return out


def _together(reserves: list[Values]) -> Values:
    parts = [_inverse_power(np.maximum(one, LEAST_RESERVE)) for one in reserves]
    out: Values = (sum(parts[1:], start=parts[0]) / len(parts)) ** (-1 / POWER)
    return out


def _inverse_power(reserve: Values) -> Values:
    # Twenty times as fast as the library's power of a number that it does not know to be whole.
    return 1 / (reserve * reserve) if POWER == 2 else reserve**-POWER


def waiting_reserve(costlier: NDArray[np.bool_], delays: NDArray[np.int64], axis: int, longest: float) -> Values:
    """Return the reserve of a delay on an axis of cells, as that of the off-delay in `CellReserves`."""
    waits = delays.astype(np.float64)
    shape = (-1,) + (1,) * (costlier.ndim - 1 - axis)
    return _waiting(CostlierCells.of(costlier, waits, axis), waits.reshape(shape) + 1, longest)


def _waiting(costlier: CostlierCells, waits: Values, longest: float) -> Values:
    low, high = costlier.ends(1.0)
    room = np.where(waits == 1, 1.0, _room(waits, np.minimum(high, max(longest, 1.0))))
    return np.minimum((waits - low) / waits, room)


def _room(at: Values, high: Values, measure: float = 0.0) -> Values:
    """Return how far the next costlier place above is, as a share of it; 1 where there is none."""
    with np.errstate(invalid="ignore"):
        return np.where(np.isinf(high), 1.0, np.maximum((high - at) / (high + measure), 0.0))
