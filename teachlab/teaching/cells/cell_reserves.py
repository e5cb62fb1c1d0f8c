"""How far the cells of least error are from a costlier one, along each axis in its own measure."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from teachlab.teaching.cells.designed_cells import CellGrid, Cells, Values
from teachlab.teaching.cells.shown_light import ShownLight

LEAST_NOISE = 0.05
NOISES = 6.0
"""ν: a level is measured against this many σ of the gaps, as a share of the contrast, or against `LEAST_NOISE`."""
FLASH = 0.05
"""τ: what no one has shown may last this share of the median pass."""


@dataclass(frozen=True, slots=True, eq=False)
class CostlierCells:
    """Along one axis, for every cell the place of the nearest costlier cell on either side.

    Parameters
    ----------
    below, above : ndarray of float64, shape of the cells
        Its place on the axis; NaN where there is none.
    """

    below: Values
    above: Values

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
        at = np.broadcast_to(places.reshape(shape), costlier.shape)
        below = np.maximum.accumulate(np.where(costlier, at, -np.inf), axis=axis)
        above = np.flip(np.minimum.accumulate(np.flip(np.where(costlier, at, np.inf), axis), axis=axis), axis)
        return cls(np.where(np.isinf(below), np.nan, below), np.where(np.isinf(above), np.nan, above))


@dataclass(frozen=True, slots=True, eq=False)
class CellReserves:
    """The reserves of every cell of least error; of costlier cells they mean nothing.

    Parameters
    ----------
    level, on_delay, off_delay : CostlierCells
        Places in shares of the contrast, and in evaluations.
    smallest : ndarray of float64, shape of the cells
        The smallest of all reserves, a share in 0 … 1.
    """

    level: CostlierCells
    on_delay: CostlierCells
    off_delay: CostlierCells
    smallest: Values

    @classmethod
    def of(cls, errors: Cells, grid: CellGrid, shown: ShownLight, *, expect_flashes: bool) -> CellReserves:
        """Measure the reserves.

        Parameters
        ----------
        errors : ndarray of int64, shape of the cells
        grid : CellGrid
        shown : ShownLight
        expect_flashes : bool
            Whether no on-delay is a small reserve, although no flash was shown; else it is none to speak of.

        Notes
        -----
        With lo and hi the nearest costlier cells below and above, ν = max(0.05, 6σ/C), τ = 0.05·S, d' = d + 1
        and e' = e + 1: level min((f − lo)/(f + ν), (hi − f)/(hi + ν)); release r/(r + ν) with r = f·(1 − h);
        on-delay min((d' − lo)/(d' + τ), (hi − d')/hi); off-delay min((e' − lo)/e', (hi − e')/hi if e' > 1). For
        the level hi is no higher than the lowest top of a pass at or above it. Without a costlier cell below, lo is 0;
        without one above, that part is 1.
        """
        costlier = errors > errors.min()
        nu, tau = max(LEAST_NOISE, NOISES * shown.noise / shown.contrast), FLASH * shown.dwell
        f = grid.levels.reshape(-1, 1, 1, 1, 1)
        d = grid.on_delays.astype(np.float64).reshape(1, 1, 1, -1, 1) + 1
        level = CostlierCells.of(costlier, grid.levels, 0)
        on = CostlierCells.of(costlier, grid.on_delays.astype(np.float64), 3)
        off = CostlierCells.of(costlier, grid.off_delays.astype(np.float64), 4)
        low, high = _ends(level, 0.0)
        # The grid ends below the tops of strong passes: above its top a level loses a pass, counted or not.
        high = np.minimum(high, shown.top_above(grid.levels).reshape(f.shape))
        of_level = np.minimum((f - low) / (f + nu), _room(f, high, nu))
        held = f * (1 - grid.releases.reshape(1, -1, 1, 1, 1))
        low, high = _ends(on, 1.0)
        waited = (d - low) / (d + tau)
        if grid.on_delays.size == 1 or not expect_flashes:
            waited = np.where(d == 1, 1.0, waited)
        of_on = np.minimum(waited, _room(d, high))
        of_off = _waiting(off, grid.off_delays.astype(np.float64) + 1)
        smallest = np.minimum.reduce([
            of_level, np.broadcast_to(held / (held + nu), errors.shape), of_on, of_off
        ])  # fmt: skip
        return cls(level, on, off, smallest)


def waiting_reserve(costlier: NDArray[np.bool_], delays: NDArray[np.int64], axis: int) -> Values:
    """Return the reserve of a delay on an axis of cells, as that of the off-delay in `CellReserves`."""
    waits = delays.astype(np.float64)
    shape = (-1,) + (1,) * (costlier.ndim - 1 - axis)
    return _waiting(CostlierCells.of(costlier, waits, axis), waits.reshape(shape) + 1)


def _waiting(costlier: CostlierCells, waits: Values) -> Values:
    low, high = _ends(costlier, 1.0)
    return np.minimum((waits - low) / waits, np.where(waits == 1, 1.0, _room(waits, high)))


def _ends(costlier: CostlierCells, shift: float) -> tuple[Values, Values]:
    """Return the nearest costlier places, 0 and infinity where there are none."""
    with np.errstate(invalid="ignore"):
        return (
            np.where(np.isnan(costlier.below), 0.0, costlier.below + shift),
            np.where(np.isnan(costlier.above), np.inf, costlier.above + shift),
        )


def _room(at: Values, high: Values, measure: float = 0.0) -> Values:
    """Return how far the next costlier place above is, as a share of it; 1 where there is none."""
    with np.errstate(invalid="ignore"):
        return np.where(np.isinf(high), 1.0, (high - at) / (high + measure))
