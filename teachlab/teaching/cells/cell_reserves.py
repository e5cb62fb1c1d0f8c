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
        low, waiting = _ends(on, 1.0)
        # So does the grid of delays: one longer than the shortest pass loses it.
        room = np.where(d > 1, _room(d, np.minimum(waiting, max(shown.shortest_pass, 1.0))), 1.0)
        waited = np.where(d > 1, (d - low) / (d + tau), 1.0)
        expected = (d - low) / (d + tau) if expect_flashes and grid.on_delays.size > 1 else waited
        # h is a distance from the level: the release above is the costlier one of a smaller h, at which passes chatter.
        narrower, wider = _ends(CostlierCells.of(costlier, grid.releases, 1), 0.0)
        upper = np.where(narrower > 0, f * (1 - narrower), np.inf)
        lower = f * np.maximum(1 - wider, 0.0)
        of_release = np.minimum((held - lower) / (held + nu), _room(held, upper, nu))
        rest = [
            of_level, of_release, _waiting(off, grid.off_delays.astype(np.float64) + 1, shown.shortest_gap),
            _dimming(f, held, high, shown),
        ]  # fmt: skip
        as_shown = [np.broadcast_to(one, errors.shape) for one in (*rest, np.minimum(waited, room))]
        apart = f - held
        still = apart / (apart + CHATTER * shown.noise / shown.contrast)
        return cls(
            level, on, off, np.minimum.reduce(as_shown), _together([*rest, np.minimum(expected, room)]),
            _together(as_shown), _together([*as_shown, still]),
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
    low, high = _ends(costlier, 1.0)
    room = np.where(waits == 1, 1.0, _room(waits, np.minimum(high, max(longest, 1.0))))
    return np.minimum((waits - low) / waits, room)


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
        return np.where(np.isinf(high), 1.0, np.maximum((high - at) / (high + measure), 0.0))
