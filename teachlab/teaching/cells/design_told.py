"""A chosen cell in words and units: the reason for each part."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from teachlab.model.arrays import Floats
from teachlab.model.following_and_window import WindowSetting
from teachlab.model.printable_text import in_figures, number_of, time_text
from teachlab.model.setting import Setting
from teachlab.model.teaching import TeachView
from teachlab.teaching.cells.cell_reserves import CellReserves
from teachlab.teaching.cells.designed_cells import FEW_PASSES, At, CellGrid, Cells, line_through
from teachlab.teaching.cells.shown_light import ShownLight

NOT_SHOWN = "no error on what was shown asks for it"
ONLY = "no other was tried"


@dataclass(frozen=True, slots=True, kw_only=True)
class ChosenCell:
    """One cell of a design.

    `share`: f: place of the level on the way from the gaps to the median pass.
    `level`, `release`: recording units, turned so that objects go up.
    `consecutive`, `on_delay`, `off_delay`: evaluations.
    """

    share: float
    level: float
    release: float
    consecutive: int
    on_delay: int
    off_delay: int

    @classmethod
    def of(cls, at: At, grid: CellGrid, shown: ShownLight) -> ChosenCell:
        """Return the cell at a place of the grid."""
        f, h, c, d, e = at
        level, release = grid.turned_levels(shown)[f * grid.releases.size + h]
        return cls(
            share=float(grid.levels[f]), level=level, release=release, consecutive=int(grid.filters[c]),
            on_delay=int(grid.on_delays[d]), off_delay=int(grid.off_delays[e]),
        )  # fmt: skip


def reasons_told(
    view: TeachView, cell: ChosenCell, errors: Cells, reserves: CellReserves, at: At, shown: ShownLight,
    setting: Setting, *, grid: CellGrid, worth: Floats, counted: NDArray[np.bool_], few: bool,
) -> dict[str, str]:  # fmt: skip
    """Return the reason for each part of the setting, one line each.

    The setting was chosen by the `worth` of every cell. `counted` says which cells are counted in full; the errors of
    the others are lower bounds. `few`: too few passes were shown to design delays.
    """
    ms, unit, least = 1000 / view.rate_hz, view.unit, int(errors.min())
    low, high = reserves.level.around(at)

    # A small contrast on much light needs more figures: levels would else be told as one number.
    most = max(abs(shown.background), abs(shown.background + shown.contrast))
    digits = 3 + max(1, math.ceil(math.log10(most / shown.contrast)))

    def light(share: float) -> str:
        return f"{in_figures(view.sign * (shown.background + share * shown.contrast), digits)}"

    ends = " and ".join(f"{light(end)} {unit}" for end in (low, high) if end is not None)
    told = {
        # The levels themselves are told with the setting, to the step of the light.
        "level": f"{100 * cell.share:.0f} % of the way from the gaps ({light(0.0)} {unit}) to the median pass "
        f"({light(1.0)} {unit}); "
        + (f"the nearest levels tried with more errors: {ends}." if ends else "no level tried makes more errors."),
        "release": f"{_noises(cell, shown)}.",
    }
    if few:
        told["filter"] = told["on_delay"] = told["off_delay"] = (
            f"none: {number_of(shown.passes, 'pass was', 'passes were')} shown, and at least {FEW_PASSES} are "
            f"needed to design delays."
        )
    else:
        parts = {
            "filter": (cell.consecutive > 1, f"{number_of(cell.consecutive, 'evaluation')} in a row", ""),
            "on_delay": (
                cell.on_delay > 0, time_text(cell.on_delay * ms),
                f"the shortest pass lasts {time_text(shown.shortest_pass * ms)}",
            ),
            "off_delay": (
                cell.off_delay > 0, time_text(cell.off_delay * ms),
                f"the shortest gap lasts {time_text(shown.shortest_gap * ms)}",
            ),
        }  # fmt: skip
        for name, (used, what, limit) in parts.items():
            axis = TIMING_AXES[name]
            if at[axis] == 0 and (used or errors.shape[axis] == 1):
                beside = f"; {limit}" if limit else ""
                told[name] = f"{what}: the least that can be keyed in{beside}." if used else f"none: {ONLY}{beside}."
                continue
            of = errors.take(0, axis=axis)
            without = int(of.min())
            bought = _bought(axis, at, grid, reserves, worth, shown, unit) if used and without == least else ""
            exact = bool((counted.take(0, axis=axis) & (of == without)).any())
            times = number_of(without, "time")
            told[name] = _feature(used, what, times if exact else f"at least {times}", without, least, limit, bought)
    if isinstance(setting, WindowSetting):
        bound = setting.on_level if view.sign > 0 else setting.off_level
        told["upper_bound"] = (
            f"{in_figures(bound, digits)} {unit}: the tops of the passes lie within {100 * shown.spread:.0f} % of the "
            "contrast; light beyond the bound is no product. Passes that reach further are lost."
        )
    return told


TIMING_AXES = {"filter": 2, "on_delay": 3, "off_delay": 4}
"""Axes of the cells whose first place is none."""


def compared_with(axis: int, at: At, worth: Floats) -> tuple[At, At]:
    """Return the best cell without a filter or delay, and the cell with it for comparison.

    Each has the release that is worth most for it, because the release of the setting is chosen later.
    """
    free = worth.take(0, axis=axis)
    place = [int(k) for k in np.unravel_index(int(free.argmax()), free.shape)]
    release = int(worth[line_through(at, 1)].argmax())
    return (*place[:axis], 0, *place[axis:]), (at[0], release, *at[2:])


def _noises(cell: ChosenCell, shown: ShownLight) -> str:
    distance = cell.release - shown.background
    if not shown.noise > 0:
        return "the gaps show no noise"
    return (
        f"{distance / shown.noise:.3g} standard deviations of the gaps away from their median, and "
        f"{(cell.level - cell.release) / shown.noise:.2g} away from the level"
    )


def _feature(used: bool, what: str, times: str, without: int, least: int, limit: str, bought: str) -> str:
    """Return why a filter or delay is used, or why not."""
    beside = f"; {limit}" if limit else ""
    if not used:
        return f"none: no error on what was shown asks for one{beside}." if without == least else f"none{beside}."
    if without > least:
        return f"{what}: without one the best setting errs {times} on what was shown, with it {least}{beside}."
    return f"{what}: {NOT_SHOWN}; {bought}{beside}."


def _bought(
    axis: int, at: At, grid: CellGrid, reserves: CellReserves, worth: Floats, shown: ShownLight, unit: str
) -> str:  # fmt: skip
    """Return what a filter or delay adds if no error requires it: the figures without it and with it."""
    other, at = compared_with(axis, at, worth)
    sides = []
    for one in (other, at):
        low, high = reserves.level.around(one)
        share = float(grid.levels[one[0]])
        sides.append([np.inf if end is None else shown.contrast * abs(end - share) for end in (high, low)])
    pairs = list(zip(*sides, strict=True))
    if all(after >= before for before, after in pairs) and any(after > before for before, after in pairs):
        before, after = (_distances(gaps, passes, unit) for passes, gaps in sides)
        return f"distance to the nearest level tried with more errors: without it {before}, with it {after}"
    without, used = (round(100 * float(reserves.as_shown[one])) for one in (other, at))
    if used == without:
        return "it changes the reserves taken together by less than 1 %"
    if used > without:
        return f"it raises the reserves taken together from {without} % to {used} %"
    more = grid.features[other[2:]] > grid.features[at[2:]]
    why = "without it more filters and delays are needed" if more else "it is for flashes that were not shown"
    return f"{why}: on what was shown, the reserves taken together are {without} % without it and {used} % with it"


def _distances(gaps: float, passes: float, unit: str) -> str:
    if np.isinf(gaps) and np.isinf(passes):
        return "no such level"
    gap, top = ("no such level" if np.isinf(light) else f"{in_figures(light, 3)} {unit}" for light in (gaps, passes))
    return f"{gap} towards the gaps and {top} towards the passes"
