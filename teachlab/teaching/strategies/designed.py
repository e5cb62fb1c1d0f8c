"""Designed: levels, release, filter, delays and an upper bound chosen together, by counting every cell."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, ClassVar

import numpy as np

from teachlab.model.arrays import Floats
from teachlab.model.following_and_window import WindowSetting
from teachlab.model.setting import Polarity, Setting
from teachlab.model.teaching import Shown, TeachView
from teachlab.sensor.window_comparator import TwoThresholds
from teachlab.teaching.cells.cell_reserves import CellReserves
from teachlab.teaching.cells.design_told import TIMING_AXES, ChosenCell, compared_with, reasons_told
from teachlab.teaching.cells.designed_cells import (
    FEW_PASSES,
    TIE_DIGITS,
    At,
    CellGrid,
    ShownCounter,
    cell_setting,
    line_through,
    require_few_errors,
)
from teachlab.teaching.cells.device_steps import FILTERS, DeviceSteps, KeyedRange
from teachlab.teaching.cells.level_doubt import DoubtCounter
from teachlab.teaching.cells.needed_cells import NeededCells
from teachlab.teaching.cells.shown_light import ShownLight
from teachlab.teaching.parameters import check_parameters, parameter, record, refusal

LEVEL_SPREAD = 0.15
"""An upper bound is set only where the tops of the passes lie this close, as a share of the contrast."""
BOUND = 0.1
"""Least distance of the upper bound from the highest top, as a share of the contrast."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Designed:
    """Choose levels, release, filter, delays and upper bound together by counting every combination.

    Parameters
    ----------
    levels : int, at least 2
        Levels tried between the gaps and the passes.
    delays : int, at least 0
        On-delays, and off-delays, tried besides none.
    price : float, share, at least 0
        What a filter, an on-delay or an off-delay must add to the reserve to be used.
    expect_flashes : bool
        Whether the level is chosen as if flashes came that no one has shown.
    filters : tuple of int, evaluations in a row
        Filters tried.
    on_delays_ms, off_delays_ms, level_steps : tuple of float, ms and recording units
        Lowest, highest and step of what can be keyed in; empty: anything.
    level_doubt : float, recording units
        How far the levels may lie from what is keyed in: the errors of a combination are those at the worst place.
    hysteresis : float, recording units, optional
        Distance of the release from the level, if the device fixes it.

    Notes
    -----
    With B the median of the gaps, C the height of the median pass above it, light turned so that objects go up:
    levels B + f·C, f from 0.02 to 0.97; releases a share 0.05, 0.15, 0.3, 0.5, 0.75 of f·C below; 1 or 3
    evaluations in a row; on- and off-delays from none up to 0.7 of the shortest pass and gap (2 % quantile). Every
    cell is counted exactly on the events shown, and those of least error are compared by their reserves together,
    less the price of what they use (`teachlab.teaching.cells.cell_reserves`). On a tie fewer features, shorter
    delays, a wider release, a lower level. An on-delay that was not worth its price by what was shown is left out
    again. The release is then chosen anew at that level, with its distance from the level in noise: a piece as bright
    as the level would else switch many times. With fewer than 8 passes levels alone are tried first. Where an on-delay
    is used and the tops of the passes lie within 0.15 of the contrast, light above them is excluded too, if that costs
    no error on what was shown. Long light that switches often is counted in full only where the choice depends on it
    (`teachlab.teaching.cells.needed_cells`).

    When it fails: on weak kinds and on disturbances that were not shown; where light drifts beyond the reserve, as
    any fixed setting does. The smallest reserve is of what was shown, and no confidence. Filter and delays of the
    base setting are not kept. It abstains where passes do not stand out, or where the best cell errs in more than
    0.3 of the passes shown.

    References
    ----------
    This package's own; constants in ``benchmarks/results/designed.md``.

    Examples
    --------
    >>> sorted(Designed().designs)
    ['consecutive', 'delays_act_on', 'off_delay_ms', 'on_delay_ms']
    """

    name: ClassVar[str] = "designed"
    needs: ClassVar[frozenset[Shown]] = frozenset({Shown.EVENTS})
    equivariant: ClassVar[frozenset[str]] = frozenset({"gain"})
    designs: ClassVar[frozenset[str]] = frozenset({"consecutive", "on_delay_ms", "off_delay_ms", "delays_act_on"})

    levels: int = parameter(41, "levels tried", at_least=2, at_most=400)
    delays: int = parameter(14, "on-delays, and off-delays, tried", at_least=0, at_most=60)
    price: float = parameter(0.06, "price of a filter or delay", unit="share", at_least=0, at_most=1)
    expect_flashes: bool = parameter(True, "a level for flashes that were not shown")
    filters: tuple[int, ...] = parameter(FILTERS, "filters tried", unit="evaluations in a row", at_least=1)
    on_delays_ms: tuple[float, ...] = parameter(
        (), "lowest, highest and step of the on-delay; empty: any", unit="ms", at_least=0
    )
    off_delays_ms: tuple[float, ...] = parameter(
        (), "lowest, highest and step of the off-delay; empty: any", unit="ms", at_least=0
    )
    level_steps: tuple[float, ...] = parameter(
        (), "lowest, highest and step of the levels; empty: any", unit="recording units"
    )
    level_doubt: float = parameter(
        0.0, "how far levels may lie from what is keyed in", unit="recording units", at_least=0
    )
    hysteresis: float | None = parameter(
        None, "fixed distance of the release from the level; none: any", unit="recording units", at_least=0
    )

    def __post_init__(self) -> None:
        """Refuse ranges without a step."""
        check_parameters(self)
        if not self.filters:
            raise refusal(self.name, "filters", "be a list of at least one", self.filters)
        for name in ("on_delays_ms", "off_delays_ms", "level_steps"):
            values = getattr(self, name)
            if values and not (len(values) == 3 and values[0] <= values[1] and values[2] > 0):
                raise refusal(self.name, name, "be lowest, highest and a step above 0, or empty", values)

    def _steps(self, rate_hz: float) -> DeviceSteps:
        ranges = (self.level_steps, self.on_delays_ms, self.off_delays_ms)
        levels, on, off = (KeyedRange(*values) if values else None for values in ranges)
        return DeviceSteps(
            levels=levels, on_delays=on, off_delays=off, filters=tuple(sorted(set(self.filters))),
            hysteresis=self.hysteresis, rate_hz=rate_hz,
        )  # fmt: skip

    def teach(self, view: TeachView) -> Setting:
        """Return the cell of least error with the largest reserve for its price."""
        shown = ShownLight.of(view)
        few, doubt = shown.passes < FEW_PASSES, self.level_doubt
        counter = DoubtCounter.of(view, doubt) if doubt else ShownCounter(view)
        steps = self._steps(view.rate_hz)
        grid = CellGrid.of(shown, levels=self.levels, delays=self.delays, levels_only=few, steps=steps)
        cells = NeededCells(counter, grid, shown)
        if few and cells.errors.min() > 0:
            few = False
            grid = CellGrid.of(shown, levels=self.levels, delays=self.delays, levels_only=False, steps=steps)
            cells = NeededCells(counter, grid, shown)
        errors = cells.errors
        while True:
            least = int(errors.min())
            reserves = CellReserves.of(errors, grid, shown, expect_flashes=self.expect_flashes)
            price = self.price * grid.features
            expected, plain, still = (
                np.where(errors > least, -np.inf, np.round(of, TIE_DIGITS))
                for of in (reserves.together - price, reserves.as_shown - price, reserves.still)
            )
            at, asked = self._chosen(expected, plain, still, grid)
            # What the reasons compare it with must be known as well.
            for axis in TIMING_AXES.values():
                if at[axis] and errors.take(0, axis=axis).min() == least:
                    asked += compared_with(axis, at, plain)
            if cells.settled(asked, expected):
                break
        tried = f"no combination of level, release, filter and delays among {errors.size:,}"
        require_few_errors(least, shown.passes, tried)
        cell = ChosenCell.of(at, grid, shown)
        setting = replace(
            cell_setting(view, cell.level, cell.release, cell.consecutive, cell.on_delay, cell.off_delay),
            on_delay_ms=steps.keyed_ms(cell.on_delay, steps.on_delays),
            off_delay_ms=steps.keyed_ms(cell.off_delay, steps.off_delays),
        )
        bounded = self._bounded(view, counter, setting, cell, shown, least)
        if bounded is not None:
            setting = bounded
        told: dict[str, Any] = {
            "passes": shown.passes,
            "background": view.sign * shown.background,
            "contrast": shown.contrast,
            "noise": shown.noise,
            "cells": int(errors.size),
            **({} if cells.counted.all() else {"cells_in_full": int(cells.counted.sum())}),
            "teach_cost": least / shown.passes,
            "errors_shown": least,
            "smallest_reserve": float(reserves.smallest[at]),
            "reasons": reasons_told(
                view, cell, errors, reserves, at, shown, setting, grid=grid, worth=plain, counted=cells.counted, few=few
            ),
        }
        return replace(setting, taught=record(self, **told))

    @staticmethod
    def _chosen(expected: Floats, plain: Floats, still: Floats, grid: CellGrid) -> tuple[At, list[At]]:
        """Return the place of the best cell, and of all cells that it was compared with.

        Their worth with flashes that were not shown, without, and with how still the output is at the level.
        """
        best = np.argwhere(expected == expected.max())
        # Of equal ones: fewer features, shorter delays, a wider release, a lower level.
        f, h, c, d, e = best.T
        order = np.lexsort((f, -h, e, d, grid.features[c, d, e]))
        at: At = tuple(int(k) for k in best[order[0]])
        # Flashes that no one has shown move the level; the delay itself must be worth its price by what was shown.
        without: At = (*at[:3], 0, at[4])
        asked = [at, without]
        at = without if plain[without] >= plain[at] else at
        # The level stands where gaps and passes let it; its release then keeps still what may come to lie at the level.
        of_releases = still[line_through(at, 1)]
        at = (at[0], int(np.flatnonzero(of_releases == of_releases.max())[-1]), *at[2:])
        return at, [*asked, at]

    @staticmethod
    def _bounded(
        view: TeachView,
        counter: ShownCounter | DoubtCounter,
        setting: Setting,
        cell: ChosenCell,
        shown: ShownLight,
        least: int,
    ) -> WindowSetting | None:
        """Return the setting with an upper bound; None if it has no on-delay, tops differ, it errs or bars nothing."""
        if not cell.on_delay or shown.spread > LEVEL_SPREAD:
            return None
        bound = shown.highest_top + max(BOUND, 2 * shown.spread) * shown.contrast
        if view.full_scale is not None and not 0 < view.sign * bound < view.full_scale:
            return None
        back = (shown.highest_top + bound) / 2
        # Without an on-delay a band would trip on every edge that passes through it.
        if view.sign > 0:
            levels = {"off_level": cell.release, "low_release": cell.level, "high_release": back, "on_level": bound}
        else:
            levels = {
                "off_level": -bound, "low_release": -back, "high_release": -cell.level, "on_level": -cell.release
            }  # fmt: skip
        window = WindowSetting.of(setting, **levels, polarity=Polarity.DARK_ON)
        both = TwoThresholds(window, np.dtype(np.float64))
        for part in view.events.parts():
            both.push(part)
        return window if counter.errors_of(both.light_state(), window) <= least else None
