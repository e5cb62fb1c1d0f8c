"""Reserves of cells: how far each cell of least error is from a costlier one, along every axis."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from teachlab.model.arrays import Flags, Floats, Integers
from teachlab.teaching.cells.designed_cells import At, CellGrid, Cells
from teachlab.teaching.cells.shown_light import ShownLight

LEAST_NOISE = 0.05
NOISES = 6.0
"""ν, the unit for distances of a level: so many σ of the gaps, as a share of the contrast; at least `LEAST_NOISE`."""
FLASH = 0.02
"""τ: a flash that was not shown may last this share of the median pass."""
CHATTER = 0.25
"""The unit for the distance of a release from its level, in σ of the gaps."""
DIMMED = 0.1
"""γ, the unit for light that dims: this share of the light, or the contrast if that is less."""
POWER = 2.0
"""Reserves are combined by their mean of this negative power: the smallest has most weight, and all have some."""
LEAST_RESERVE = 1e-9


@dataclass(frozen=True, slots=True, eq=False)
class CostlierCells:
    """For every cell, the nearest costlier cells on both sides along one axis.

    `below`, `above` (shape of the cells): their numbers along the axis; without one, −1 below and the number of cells
    above.
    `places` (ascending): level, hysteresis or delay of each number.
    """

    below: NDArray[np.int16]
    above: NDArray[np.int16]
    places: Floats

    @classmethod
    def of(cls, costlier: NDArray[np.bool_], places: Floats, axis: int) -> CostlierCells:
        """Find them along an axis.

        `costlier` (shape of the cells): which cells cost more than the least.
        `places` (ascending): level, hysteresis or delay of the cells along the axis.
        """
        shape = [1] * costlier.ndim
        shape[axis] = places.size
        number = np.arange(places.size, dtype=np.int16).reshape(shape)
        below = np.where(costlier, number, np.int16(-1))
        above = np.where(costlier, number, np.int16(places.size))
        # The running extreme of the library works number by number. This works on a whole layer of cells at a time.
        up, down = np.moveaxis(below, axis, 0), np.moveaxis(above, axis, 0)[::-1]
        for k in range(1, places.size):
            np.maximum(up[k], up[k - 1], out=up[k])
            np.minimum(down[k], down[k - 1], out=down[k])
        return cls(below, above, places)

    def of_cells(self, cells: NDArray[np.intp]) -> CostlierCells:
        """Return the same for some cells only, by their numbers in memory order."""
        return CostlierCells(self.below.ravel()[cells], self.above.ravel()[cells], self.places)

    def around(self, at: At) -> tuple[float | None, float | None]:
        """Return the places of the costlier cells beside one cell; None if there is none."""
        below, above = int(self.below[at]), int(self.above[at])
        return (
            None if below < 0 else float(self.places[below]),
            None if above == self.places.size else float(self.places[above]),
        )

    def ends(self, shift: float) -> tuple[Floats, Floats]:
        """Return all places plus `shift`; if there is none, 0 below and infinity above."""
        moved = self.places + shift
        return np.append(moved, 0.0)[self.below], np.append(moved, np.inf)[self.above]


@dataclass(frozen=True, slots=True, eq=False)
class CellReserves:
    """Reserves of every cell of least error; those of costlier cells have no meaning.

    `level`, `on_delay`, `off_delay`: places in shares of the contrast, and in evaluations.
    `smallest` (shape of the cells): the smallest reserve on what was shown, from 0 to 1.
    `together` (shape of the cells): all reserves combined; flashes that were not shown are included if they are
    expected.
    `as_shown` (shape of the cells): the same without such flashes: no on-delay has the full reserve if it makes no more
    errors.
    `still` (shape of the cells): as shown, combined with how still the output is on light at the level. A release is
    chosen by this.
    """

    level: CostlierCells
    on_delay: CostlierCells
    off_delay: CostlierCells
    smallest: Floats
    together: Floats
    as_shown: Floats
    still: Floats

    @classmethod
    def of(cls, errors: Cells, grid: CellGrid, shown: ShownLight, *, expect_flashes: bool) -> CellReserves:
        """Measure the reserves.

        `errors`: shape of the cells.
        `expect_flashes`: whether, in `together`, no on-delay is a small reserve even if no flash was shown.

        Notes
        -----
        Let lo and hi be the nearest costlier cells below and above, ν = max(0.05, 6σ/C), τ = 0.02·S, d' = d + 1 and
        e' = e + 1. The reserves are:

        - level: min((f − lo)/(f + ν), (hi − f)/(hi + ν));
        - release: the same along h, with r = f·(1 − h) in place of f;
        - on-delay: min((d' − lo)/(d' + τ), (hi − d')/hi) if d' > 1;
        - off-delay: min((e' − lo)/e', (hi − e')/hi) if e' > 1;
        - dimming: (1 − g)/(1 − g + γ). On a dip, at the share g of the light the background reaches the release; on a
          rise, the weakest pass reaches the level. γ is 0.1, or the contrast as a share of the light if that is less;
        - stillness: f·h/(f·h + σ/4C). A piece as bright as the level switches once if noise does not reach the release.

        hi of a level is at most the lowest top of a pass at or above it. hi of a delay is at most the shortest pass, or
        the shortest gap. Without a costlier cell below, lo is 0. Without one above, the part with hi is 1. Combined,
        reserves r give (mean of r⁻²)^(−1/2).
        """
        costlier = errors > errors.min()
        nu, tau = max(LEAST_NOISE, NOISES * shown.noise / shown.contrast), FLASH * shown.dwell
        level = CostlierCells.of(costlier, grid.levels, 0)
        release = CostlierCells.of(costlier, grid.releases, 1)
        on = CostlierCells.of(costlier, grid.on_delays.astype(np.float64), 3)
        off = CostlierCells.of(costlier, grid.off_delays.astype(np.float64), 4)
        cells = np.flatnonzero(~costlier)
        at = np.unravel_index(cells, errors.shape)
        places = grid.held
        f, apart = grid.levels[at[0]], (grid.levels[:, None] - places)[at[:2]]
        held = places[at[:2]].clip(0.0)  # a release that is keyed in may lie below the background
        d, e = (delays[k].astype(np.float64) + 1 for delays, k in ((grid.on_delays, at[3]), (grid.off_delays, at[4])))
        low, high = level.of_cells(cells).ends(0.0)
        # The grid ends below the tops of strong passes, but a level above the top of a pass loses that pass.
        high = np.minimum(high, shown.top_above(grid.levels)[at[0]])
        of_level = np.minimum((f - low) / (f + nu), _room(f, high, nu))
        low, waiting = on.of_cells(cells).ends(1.0)
        # The grid of delays ends early too, but a delay longer than the shortest pass loses that pass.
        room = np.where(d > 1, _room(d, np.minimum(waiting, max(shown.shortest_pass, 1.0))), 1.0)
        waited = np.where(d > 1, (d - low) / (d + tau), 1.0)
        expected = (d - low) / (d + tau) if expect_flashes and grid.on_delays.size > 1 else waited
        # h is a distance from the level: a smaller h is a release nearer to the level, at which passes chatter.
        # Without a costlier one, the number chooses the column behind.
        near = release.of_cells(cells)
        upper = np.insert(places, places.shape[1], np.inf, axis=1)[at[0], near.below]
        lower = np.insert(places, places.shape[1], 0.0, axis=1)[at[0], near.above].clip(0.0)
        of_release = np.minimum((held - lower) / (held + nu), _room(held, upper, nu))
        rest = [
            of_level, of_release, _waiting(off.of_cells(cells), e, shown.shortest_gap), _dimming(f, held, high, shown),
        ]  # fmt: skip
        as_shown = [*rest, np.minimum(waited, room)]
        still = apart / (apart + CHATTER * shown.noise / shown.contrast)

        def of_all(values: Floats) -> Floats:
            out = np.full(errors.shape, np.nan)
            out.ravel()[cells] = values
            return out

        return cls(
            level, on, off, of_all(np.minimum.reduce(as_shown)),
            of_all(_together([*rest, np.minimum(expected, room)])), of_all(_together(as_shown)),
            of_all(_together([*as_shown, still])),
        )  # fmt: skip


def _dimming(f: Floats, held: Floats, high: Floats, shown: ShownLight) -> Floats:
    """Return the reserve of light that dims; 1 if the light is not above dark."""
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
    out: Floats = lost / (lost + min(DIMMED, shown.contrast / usual))
    return out


def _together(reserves: list[Floats]) -> Floats:
    # The library squares at once; of a negative power it does not know that it is whole.
    parts = [1 / np.maximum(one, LEAST_RESERVE) ** POWER for one in reserves]
    return (sum(parts[1:], start=parts[0]) / len(parts)) ** (-1 / POWER)


def waiting_reserve(costlier: Flags, filters: Integers, delays: Integers, axis: int, longest: float) -> Floats:
    """Return the reserve of a delay along an axis of cells (…, filters, on-delays, off-delays), as of the off-delay.

    `filters`: evaluations in a row, which take room from the shortest pass and gap as delays do; ones: they take none.
    """
    waits = delays.astype(np.float64)
    shape = (-1,) + (1,) * (costlier.ndim - 1 - axis)
    more = filters.astype(np.float64).reshape(-1, 1, 1) - 1
    return _waiting(CostlierCells.of(costlier, waits, axis), waits.reshape(shape) + 1, longest, more)


def _waiting(costlier: CostlierCells, waits: Floats, longest: float, more: Floats | float = 0.0) -> Floats:
    low, high = costlier.ends(1.0)
    room = _room(waits + more, np.minimum(high + more, max(longest, 1.0)))
    return np.minimum((waits - low) / waits, np.where(waits + more == 1, 1.0, room))


def _room(at: Floats, high: Floats, measure: float = 0.0) -> Floats:
    """Return the distance to the next costlier place above, as a share of that place; 1 if there is none."""
    with np.errstate(invalid="ignore"):
        return np.where(np.isinf(high), 1.0, np.maximum((high - at) / (high + measure), 0.0))
