"""Turning-point follower: a distance from the last turning point of the light, filter and delays, by counting."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict, dataclass, replace
from typing import Any, ClassVar

import numpy as np
from numpy.typing import NDArray

from teachlab.errors import Abstained
from teachlab.model.arrays import Flags, Floats, Integers
from teachlab.model.following_and_window import Follow, TurningPointSetting
from teachlab.model.setting import Setting, Switching
from teachlab.model.teaching import Shown, TeachView
from teachlab.sensor.edges import TwoState
from teachlab.sensor.following.turning_points import TurningPoints
from teachlab.teaching.cells.cell_reserves import CostlierCells, waiting_reserve
from teachlab.teaching.cells.designed_cells import (
    FEW_PASSES,
    HELD_EDGES,
    TIE_DIGITS,
    CellGrid,
    Cells,
    ShownCounter,
    cell_setting,
    in_parts,
    require_few_errors,
)
from teachlab.teaching.cells.needed_cells import FEWEST_PASSES, LARGE, LONGER
from teachlab.teaching.cells.shown_light import ShownLight
from teachlab.teaching.parameters import CheckedParameters, parameter, record
from teachlab.teaching.rules.classic import require_difference

SHARES = (0.02, 0.98)
"""Shares of the light above dark: range of the distances tried for the gain form."""
DISTANCES = (0.02, 1.5)
"""Shares of the contrast: range of the distances tried for the offset form."""
POSITION = 0.65
"""Position of the distance in the longest run of fewest errors, on a logarithmic scale."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TurningPointFollower(CheckedParameters):
    """Switch when the light has moved away from its last turning point by a distance that is found by counting.

    Parameters
    ----------
    form : Follow, optional
        gain: a share of the turning point above dark, for dips; offset: a distance; none: the form with fewer errors,
        the share if both have the same.
    steps : int
        Number of distances tried, in equal ratios.
    delays : int
        Number of on-delays, and off-delays, tried in addition to none.
    price : float, share, at least 0
        How much a filter, an on-delay or an off-delay must add to the smallest reserve to be used.
    return_share : float, share of the distance
        How far the light must come back for the object to end.

    Notes
    -----
    C is the contrast of the median pass. Distances from 0.02·C to 1.5·C, and shares from 0.02 to 0.98, are counted
    exactly on the events shown, each with every filter and pair of delays of `designed`. For each filter and pair of
    delays, the longest run of distances with the fewest errors counts; the distance is at 0.65 of this run, on a
    logarithmic scale. Of all these, the one with the largest smallest reserve, minus the price of what it uses, is
    chosen. How it switches is in ``teachlab/switching/SWITCHING.md``.

    When it fails: on single flashes; on objects whose dips are further apart than an off-delay bridges; on a step of
    the light towards the objects. It needs no gap that is long enough to follow. It abstains if passes do not stand
    out, or if the best setting has errors in more than 0.3 of the passes shown.

    References
    ----------
    Turning points: common practice, no source. Constants in ``benchmarks/results/followers.md``.

    Examples
    --------
    >>> sorted(TurningPointFollower(form="offset").equivariant)
    ['gain', 'offset']
    """

    name: ClassVar[str] = "turning-point-follower"
    needs: ClassVar[frozenset[Shown]] = frozenset({Shown.EVENTS})
    designs: ClassVar[frozenset[str]] = frozenset({"consecutive", "on_delay_ms", "off_delay_ms", "delays_act_on"})

    form: Follow | None = parameter(None, "distances as shares or as amounts of light")
    steps: int = parameter(45, "distances tried", at_least=2, at_most=400)
    delays: int = parameter(14, "on-delays, and off-delays, tried", at_least=0, at_most=60)
    price: float = parameter(0.06, "price of a filter or delay", unit="share", at_least=0, at_most=1)
    return_share: float = parameter(
        0.6, "way back that ends an object", unit="share of the distance", above=0, at_most=2
    )

    @property
    def equivariant(self) -> frozenset[str]:
        """Shares follow a gain, distances an offset too."""
        return frozenset({"gain", "offset"}) if self.form is Follow.OFFSET else frozenset({"gain"})

    def teach(self, view: TeachView) -> Setting:
        """Return the distance, filter and delays with the fewest errors and the largest reserve for their price."""
        shown = ShownLight.of(view)
        grid = CellGrid.of(shown, levels=2, delays=self.delays, levels_only=shown.passes < FEW_PASSES)
        counter = ShownCounter(view)
        tried = {form: self._steps(view, form, shown) for form in self._forms(view, shown)}
        errors = self._needed(
            counter, grid,
            [self._plain(view, shown, form, k) for form, steps in tried.items() for k in steps.tolist()],
        )  # fmt: skip
        least = int(errors.min())
        tried_all = "no distance from the last turning point, with any filter and delays,"
        require_few_errors(least, shown.passes, tried_all)
        # At the same cost a share is used: what dims the light of a dip dims it by a share.
        of_forms = zip(tried, np.split(errors, len(tried)), strict=True)
        form, of_form = next(one for one in of_forms if one[1].min() == least)
        best = self._best(tried[form], of_form > least, form, grid, shown)
        c, d, e = best.at
        switching = cell_setting(
            view, 0.0, 0.0, *(int(axis[k]) for axis, k in zip(grid.timings, best.at, strict=True))
        ).switching  # fmt: skip
        setting = self._plain(view, shown, form, best.distance, switching=switching)
        between = self._counted(counter, grid, [setting])[0, c, d, e]
        if between > least:  # an island of errors between two counted distances
            setting = self._plain(view, shown, form, best.counted, switching=switching)
        told = {
            "passes": shown.passes,
            "background": setting.background,
            "contrast": shown.contrast,
            "cells": int(errors.size),
            "errors_shown": least,
            "teach_cost": least / shown.passes,
            "smallest_reserve": best.reserve,
            "least_distance": best.low,
            "largest_distance": best.high,
        }
        return replace(setting, taught=record(self, **told))

    def _forms(self, view: TeachView, shown: ShownLight) -> list[Follow]:
        """Return the forms to count: a share needs dips from a background above dark."""
        shares = view.sign < 0 and -shown.background > view.dark_level
        if self.form is Follow.GAIN and not shares:
            raise Abstained(
                "shares of the light are for objects that dip from a background above dark",
                f"{view.direction} from {view.sign * shown.background:.6g} {view.unit}",
                f"a dip from above {view.dark_level:g} {view.unit}",
            )
        if self.form is not None:
            return [self.form]
        return [Follow.GAIN, Follow.OFFSET] if shares else [Follow.OFFSET]

    def _steps(self, view: TeachView, form: Follow, shown: ShownLight) -> Floats:
        (least, most), scale = (SHARES, 1.0) if form is Follow.GAIN else (DISTANCES, shown.contrast)
        first = require_difference(view, scale * least, "the steps are too small to be separated")
        return np.geomspace(first, scale * most, self.steps)

    def _plain(
        self, view: TeachView, shown: ShownLight, form: Follow, distance: float, *, switching: Switching | None = None
    ) -> TurningPointSetting:
        """Return a setting of this distance; with the switching of the base where none is given, to be counted only."""
        kept = asdict(switching or view.base.switching)
        gain = form is Follow.GAIN
        return TurningPointSetting(
            unit=view.unit, form=form, direction=view.direction, background=view.sign * shown.background,
            dark_level=view.dark_level if gain else 0.0, return_share=self.return_share,
            share=distance if gain else None, distance=None if gain else distance, **kept,
        )  # fmt: skip

    def _needed(self, counter: ShownCounter, grid: CellGrid, settings: list[TurningPointSetting]) -> Cells:
        """Return the errors of all settings under every filter and pair of delays: those above the least may be fewer.

        A setting whose every cell makes more errors on a first stretch than one that is counted in full is left there.
        """
        errors = np.zeros((len(settings), *grid.shape[2:]), np.int64)

        def count(some: Integers, on: ShownCounter) -> None:
            if some.size:
                errors[some] = self._counted(on, grid, [settings[k] for k in some.tolist()])

        left, known = np.arange(len(settings)), np.iinfo(np.int64).max
        first = FEWEST_PASSES if len(settings) * counter.evaluations > LARGE else counter.passes
        while left.size and 2 * first < counter.passes:
            count(left, counter.first(first))
            fewest = errors[left].min(axis=(1, 2, 3))
            # The least is met by a row of neighbours: the one in the middle is the likeliest to keep it.
            likely = np.flatnonzero(fewest == fewest.min())
            one = left[likely[likely.size // 2]]
            count(np.array([one]), counter)
            known = min(known, int(errors[one].min()))
            left = left[(fewest <= known) & (left != one)]
            first *= LONGER
        count(left, counter)
        return errors

    @staticmethod
    def _counted(counter: ShownCounter, grid: CellGrid, settings: list[TurningPointSetting]) -> Cells:
        """Return the errors of all settings under every filter and pair of delays, on what the counter counts."""
        states = in_parts(_states(settings, counter))
        return np.concatenate([counter.of_states(part, grid) for part in states])

    def _best(self, steps: Floats, costlier: Flags, form: Follow, grid: CellGrid, shown: ShownLight) -> _Chosen:
        """Return the longest run of distances under the filter and delays with the most reserve for their price."""
        places = np.arange(steps.size, dtype=np.float64)
        around = CostlierCells.of(costlier, places, 0)
        first, last = around.below + 1, around.above - 1
        at = np.where(costlier, -1.0, last - first).argmax(axis=0)[None]

        def of(cells: NDArray[Any]) -> NDArray[Any]:
            out: NDArray[Any] = np.take_along_axis(cells, at, axis=0)[0]
            return out

        a, b = of(first).astype(int), of(last).astype(int)
        distance = np.exp((1 - POSITION) * np.log(steps[a]) + POSITION * np.log(steps[b]))
        # Steps moved by one place: ends[a] is the distance before the run a … b, ends[b + 2] the one after it. A run
        # without one on that side has all the room there is.
        ends = np.concatenate([[0.0], steps, [np.inf]])
        low, high = ends[a], ends[b + 2]
        # An amount must be small where the light falls, and with a filter it is: there a filter takes no room.
        filters = grid.filters if form is Follow.GAIN else np.ones_like(grid.filters)
        waits = ((grid.on_delays, 2, shown.shortest_pass), (grid.off_delays, 3, shown.shortest_gap))
        waited = [of(waiting_reserve(costlier, filters, *of_delay)) for of_delay in waits]
        reserve = np.minimum.reduce([1 - low / distance, 1 - distance / high, *waited])
        worth = np.round(reserve - self.price * grid.features, TIE_DIGITS)
        worth[of(costlier)] = -np.inf
        # Of equal ones: fewer features, then shorter delays.
        c, d, e = min(np.ndindex(worth.shape), key=lambda k: (-worth[k], grid.features[k], k[1], k[2], k[0]))
        k = (c, d, e)
        return _Chosen(
            at=k, distance=float(distance[k]),
            counted=float(steps[int(np.rint((1 - POSITION) * a[k] + POSITION * b[k]))]), reserve=float(reserve[k]),
            low=float(steps[a[k]]), high=float(steps[b[k]]),
        )  # fmt: skip


def _states(settings: list[TurningPointSetting], counter: ShownCounter) -> Iterator[TwoState]:
    """Yield the state of every comparator on what is counted; half of them at a time where they switch too often."""
    points = TurningPoints(settings, counter.evaluations)
    for light in counter.parts():
        points.push(light)
        if points.held > HELD_EDGES and len(settings) > 1:
            del points
            half = len(settings) // 2
            yield from _states(settings[:half], counter)
            yield from _states(settings[half:], counter)
            return
    yield from points.light_states()


@dataclass(frozen=True, slots=True, kw_only=True)
class _Chosen:
    """A run of distances under one filter and pair of delays."""

    at: tuple[int, int, int]
    distance: float
    counted: float
    reserve: float
    low: float
    high: float
