"""A chosen cell in words and units: the reason for each part, and the distance to a costlier cell."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from teachlab.model.following_and_window import WindowSetting
from teachlab.model.printable_text import FUZZ, in_figures, number_of, time_text
from teachlab.model.setting import Setting
from teachlab.model.teaching import TeachView
from teachlab.teaching.cells.cell_reserves import CellReserves, CostlierCells
from teachlab.teaching.cells.designed_cells import (
    FEW_PASSES,
    At,
    CellGrid,
    Cells,
    ShownCounter,
    Values,
    line_through,
)
from teachlab.teaching.cells.shown_light import ShownLight

NOT_SHOWN = "no error on what was shown asks for it"
WAY, HALVED = 12, 3
"""Places at which moved light is counted on each way, and how often the last stretch without errors is halved."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ChosenCell:
    """One cell of a design.

    `share`: f: place of the level on the way from the gaps to the median pass.
    `level`, `release`: float, recording units, turned so that objects go up.
    `consecutive`, `on_delay`, `off_delay`: int, evaluations.
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


def reserves_told(
    view: TeachView, counter: ShownCounter, cell: ChosenCell, reserves: CellReserves, at: At, shown: ShownLight,
    least: int, bound: float | None,
) -> dict[str, dict[str, Any]]:  # fmt: skip
    """Return, for each axis, how far the setting, or the light, may move before errors are added; None if far enough.

    `least`: errors of the setting on what was shown.
    `bound` (float or None, recording units, turned): light above it is no object.

    Returns
    -------
    dict
        ``{axis: {"low", "high", "unit"}}``: `level` and `ambient` in recording units, `gain` as the shares of light
        above dark, `noise` in σ of the gaps, delays in ms. Levels and delays reach to the nearest costlier cell of the
        grid. Ambient light and gain reach as far as both levels were counted on moved light without further errors.
    """
    ms = 1000 / view.rate_hz
    low, high = _levels_around(reserves, at, cell, shown)
    down = None if low is None else (cell.share - low) * shown.contrast
    up = None if high is None else (high - cell.share) * shown.contrast

    def in_noise(distance: float | None) -> float | None:
        return None if distance is None or not shown.noise > 0 else distance / shown.noise

    return {
        "level": {"low": down, "high": up, "unit": view.unit},
        **_light_moved(view, counter, cell, shown, least, bound),
        "noise": {"low": in_noise(down), "high": in_noise(up), "unit": "standard deviations of the gaps"},
        "on_delay": {**_waits(reserves.on_delay, at, cell.on_delay, shown.shortest_pass, ms), "unit": "ms"},
        "off_delay": {**_waits(reserves.off_delay, at, cell.off_delay, shown.shortest_gap, ms), "unit": "ms"},
    }


def _light_moved(
    view: TeachView, counter: ShownCounter, cell: ChosenCell, shown: ShownLight, least: int, bound: float | None
) -> dict[str, dict[str, Any]]:
    """Return how far ambient light and gain may move before the errors are more than `least`, by counting.

    Each way ends where the background comes to lie at the release, the highest top at the bound, or the level above
    half of the passes. Places on it are counted, and the stretch before the first with more errors is halved.
    """
    ends = _ends_of_light(view, cell, shown, bound)
    ways = [(axis, end) for axis, both in ends.items() for end in both if end is not None]

    def counted(shares: NDArray[np.float64]) -> NDArray[np.bool_]:
        """Tell where on each way there are more errors; shape of the shares: (ways, places)."""
        pairs = [
            _seen_by_light(view, cell, axis, _part(axis, end, t))
            for (axis, end), of in zip(ways, shares.tolist(), strict=True)
            for t in of
        ]
        errors = counter.of_pairs(np.array(pairs), cell.consecutive, cell.on_delay, cell.off_delay)
        return errors.reshape(shares.shape) > least

    more = counted(np.tile(np.arange(1, WAY + 1) / WAY, (len(ways), 1)))
    good = np.where(more.any(axis=1), more.argmax(axis=1), WAY) / WAY
    width = 1 / WAY
    for _ in range(HALVED):
        width /= 2
        good = np.where(good < 1, good + np.where(counted(good[:, None] + width)[:, 0], 0, width), good)
    reached = {way: _part(*way, share) for way, share in zip(ways, good.tolist(), strict=True)}
    units = {"ambient": view.unit, "gain": "share"}
    return {
        axis: {
            **{
                side: None if end is None else abs(reached[axis, end]) if axis == "ambient" else reached[axis, end]
                for side, end in zip(("low", "high"), both, strict=True)
            },
            "unit": units[axis],
        }
        for axis, both in ends.items()
    }


def _part(axis: str, end: float, share: float) -> float:
    """Return the ambient light, or the gain, at a share of the way to the end."""
    return end * share if axis == "ambient" else 1 + (end - 1) * share


def _seen_by_light(view: TeachView, cell: ChosenCell, axis: str, moved: float) -> tuple[float, float]:
    """Return the levels, turned, that act on the light shown as those of the cell do on moved light."""
    dark, sign = view.dark_level, view.sign
    if axis == "ambient":
        return cell.level - sign * moved, cell.release - sign * moved
    level, release = (sign * ((sign * one - dark) / moved + dark) for one in (cell.level, cell.release))
    return level, release


def _ends_of_light(
    view: TeachView, cell: ChosenCell, shown: ShownLight, bound: float | None
) -> dict[str, tuple[float | None, float | None]]:
    """Return how far each way is looked at, down and up: added light, and gains; None without light above dark."""
    dark, sign = view.dark_level, view.sign
    half = float(shown.tops[shown.tops.size // 2]) + FUZZ * shown.contrast
    # Light that objects raise may rise until the background lies at the release, or the highest top at the bound.
    nearer = cell.release - shown.background
    risen = [(cell.release, shown.background)]
    if bound is not None:
        nearer = min(nearer, bound - shown.highest_top)
        risen.append((bound, shown.highest_top))
    both = sorted((sign * nearer, -sign * max(half - cell.level, 0.0)))
    gains = [
        (sign * level - dark) / (sign * light - dark)
        for level, light in [*risen, (cell.level, half)]
        if sign * level > dark and sign * light > dark and sign * cell.level > dark
    ]
    return {
        "ambient": (both[0], both[1]),
        "gain": (
            max((g for g in gains if g < 1), default=None), min((g for g in gains if g > 1), default=None),
        ),
    }  # fmt: skip


def _levels_around(
    reserves: CellReserves, at: At, cell: ChosenCell, shown: ShownLight
) -> tuple[float | None, float | None]:
    """Return where errors begin below and above the level; above, at the top of a pass at the latest."""
    low, high = reserves.level.around(at)
    top = float(shown.top_above(np.array([cell.share]))[0])
    return low, top if high is None and np.isfinite(top) else high


def _waits(costlier: CostlierCells, at: At, chosen: int, shortest: float, ms: float) -> dict[str, float | None]:
    """Return how much shorter and longer a delay may be; it is at most the shortest pass, or the shortest gap."""
    low, high = costlier.around(at)
    high = shortest if high is None and shortest > chosen else high
    return {
        "low": None if low is None else (chosen - low) * ms,
        "high": None if high is None else (high - chosen) * ms,
    }


def reasons_told(
    view: TeachView, cell: ChosenCell, errors: Cells, reserves: CellReserves, at: At, shown: ShownLight,
    setting: Setting, *, grid: CellGrid, worth: Values, counted: NDArray[np.bool_],
) -> dict[str, str]:  # fmt: skip
    """Return the reason for each part of the setting, one line each.

    The setting was chosen by the `worth` of every cell. `counted` says which cells are counted in full; the errors of
    the others are lower bounds.
    """
    ms, unit, least = 1000 / view.rate_hz, view.unit, int(errors.min())
    low, high = _levels_around(reserves, at, cell, shown)

    def light(share: float) -> str:
        return f"{in_figures(view.sign * (shown.background + share * shown.contrast))}"

    ends = " and at ".join(f"{light(end)} {unit}" for end in (low, high) if end is not None)
    told = {
        "level": f"{in_figures(view.sign * cell.level)} {unit}: {100 * cell.share:.0f} % of the way from the gaps "
        f"({in_figures(view.sign * shown.background)}) to the median pass ({light(1.0)}); "
        + (f"errors begin at {ends}." if ends else "no level that was tried makes more errors."),
        "release": f"{in_figures(view.sign * cell.release)} {unit}: {_noises(cell, shown)}.",
    }
    if errors.shape[2] == 1:
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
            of = errors.take(0, axis=axis)
            without = int(of.min())
            bought = _bought(axis, at, grid, reserves, worth, shown, unit) if used and without == least else ""
            exact = bool((counted.take(0, axis=axis) & (of == without)).any())
            told[name] = _feature(
                used, what, f"{without}" if exact else f"at least {without}", without, least, limit, bought
            )
    if isinstance(setting, WindowSetting):
        bound = setting.on_level if view.sign > 0 else setting.off_level
        told["upper_bound"] = (
            f"{in_figures(bound)} {unit}: the tops of the passes lie within {100 * shown.spread:.0f} % of the "
            "contrast; light beyond the bound is no product. Passes that reach further are lost."
        )
    return told


TIMING_AXES = {"filter": 2, "on_delay": 3, "off_delay": 4}
"""Axes of the cells whose first place is none."""


def compared_with(axis: int, at: At, worth: Values) -> tuple[At, At]:
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
        return f"{what}: without one the best setting errs {times} times on what was shown, with it {least}{beside}."
    return f"{what}: {NOT_SHOWN}; {bought}{beside}."


def _bought(
    axis: int, at: At, grid: CellGrid, reserves: CellReserves, worth: Values, shown: ShownLight, unit: str
) -> str:  # fmt: skip
    """Return what a filter or delay adds if no error requires it: the figures without it and with it."""
    other, at = compared_with(axis, at, worth)
    sides = []
    for one in (other, at):
        low, high = _levels_around(reserves, one, ChosenCell.of(one, grid, shown), shown)
        share = float(grid.levels[one[0]])
        sides.append([np.inf if end is None else shown.contrast * abs(end - share) for end in (high, low)])
    pairs = list(zip(*sides, strict=True))
    if all(after >= before for before, after in pairs) and any(after > before for before, after in pairs):
        before, after = (
            f"{_distance(gaps, unit)} towards the gaps and {_distance(passes, unit)} towards the passes"
            for passes, gaps in sides
        )
        return f"without it errors begin {before} from the level; with it they begin {after}"
    before, after = (f"{100 * float(reserves.as_shown[one]):.0f} %" for one in (other, at))
    if before == after:
        return "it raises the reserves taken together by less than 1 %"
    return f"it raises the reserves taken together from {before} to {after}"


def _distance(light: float, unit: str) -> str:
    return "nowhere" if np.isinf(light) else f"{in_figures(light, 3)} {unit}"
