"""A stress map as a figure: losses and trips over gain and ambient light, with the border of survival."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from teachlab.light.drawing import EXTRA, FALSE_TRIP, GOOD, LOST, OUTLINE, drawing, picture
from teachlab.model.printable_text import cut, cut_percent, in_figures

if TYPE_CHECKING:
    from teachlab.questions.stress.map import StressMap


def stress_figure(found: StressMap, *, title: str = "", kind: str = "svg") -> bytes:
    """Draw the map: one panel per pedestal with the border of survival; curves if only gain or ambient light varies."""
    panels, curves = len(found.pedestal), min(len(found.ambient), len(found.gain)) == 1
    with drawing(title or "stress", (2.4 + 3.9 * panels, 4.6), boxed=True) as figure:
        axes = np.atleast_1d(np.asarray(figure.subplots(1, panels, sharey=True))).tolist()
        for k, one in enumerate(axes):
            if curves:
                _curves(one, found, k, first=k == 0)
            else:
                _map(figure, one, found, k, first=k == 0, last=k == panels - 1)
            if panels > 1 or found.pedestal[k]:
                one.set_title(f"backscatter when fully dirty {found.pedestal[k]:g} {found.setting.unit}", fontsize=9)
        figure.suptitle(f"{title}: {_reserves(found)}" if title else _reserves(found), fontsize=10)
        where = (
            "where all lines are at 0" if curves else "inside the black lines" if found.survives.any() else "nowhere"
        )
        return picture(figure, kind, says=f"The setting works {where}.")


def _reserves(found: StressMap) -> str:
    if found.contamination_reserve is None:
        return "fails as recorded"
    text = f"works until {in_figures(cut_percent(found.contamination_reserve), 3)} % of the light is lost"
    if found.ambient_reserve is not None:
        text += f", or {in_figures(cut(found.ambient_reserve, 4))} {found.setting.unit} are added"
    return text


def _wrong(found: StressMap, k: int) -> NDArray[np.float64]:
    """Return lost passes and unwanted switchings per pass under pedestal k, shape (gains, ambients)."""
    total: NDArray[np.float64] = (found.lost + found.false_trips + found.extra + found.ignore_trips)[:, :, k] / max(
        found.detect_trials, 1
    )
    return total


def _map(figure: Any, axes: Any, found: StressMap, k: int, *, first: bool, last: bool) -> None:
    from matplotlib.collections import LineCollection
    from matplotlib.colors import SymLogNorm

    wrong, smallest = _wrong(found, k), 1 / max(found.detect_trials, 1)
    norm = SymLogNorm(linthresh=smallest, linscale=0.4, vmin=0, vmax=max(1.0, float(wrong.max())))
    image = axes.imshow(wrong.T, cmap="cividis_r", norm=norm, origin="lower", aspect="auto")
    border = LineCollection(_border(found.survives[:, :, k]), colors=OUTLINE, linewidths=2.2, label="works inside")
    axes.add_collection(border)
    step = max(1, round(len(found.gain) / 7))
    axes.set_xticks(range(0, len(found.gain), step), [f"{100 * g:.3g}" for g in found.gain[::step]])
    axes.set_yticks(range(len(found.ambient)), [in_figures(a) for a in found.ambient])
    axes.set_xlabel("light left, %")
    if first:
        axes.set_ylabel(f"ambient light added, {found.setting.unit}")
    if first and found.survives.any():
        axes.legend(loc="lower right", fontsize=8, framealpha=0.9)
    if not found.survives[:, :, k].any():
        box = {"facecolor": "white", "edgecolor": OUTLINE}
        axes.text(0.5, 0.5, "works nowhere here", transform=axes.transAxes, ha="center", va="center", bbox=box)
    if last:
        figure.colorbar(image, ax=axes, pad=0.02).set_label("errors per pass to be detected")


def _border(inside: NDArray[np.bool_]) -> list[list[tuple[float, float]]]:
    """Return the sides between cells that survive and those that do not, in cell coordinates."""
    padded = np.pad(inside, 1)
    across = np.argwhere(padded[1:, 1:-1] != padded[:-1, 1:-1]).tolist()
    along = np.argwhere(padded[1:-1, 1:] != padded[1:-1, :-1]).tolist()
    upright = [[(g - 0.5, a - 0.5), (g - 0.5, a + 0.5)] for g, a in across]
    level = [[(g - 0.5, a - 0.5), (g + 0.5, a - 0.5)] for g, a in along]
    return upright + level


def _curves(axes: Any, found: StressMap, k: int, *, first: bool) -> None:
    per, by_gain = max(found.detect_trials, 1), len(found.ambient) == 1
    at = 100 * np.array(found.gain) if by_gain else np.array(found.ambient)
    false = found.false_trips + found.ignore_trips
    for values, color, style, marker, name in (
        (found.lost, LOST, "-", "o", "lost passes"),
        (false, FALSE_TRIP, "--", "s", "false trips"),
        (found.extra, EXTRA, ":", "^", "extra switchings"),
    ):
        axes.plot(
            at, values[:, :, k].ravel() / per, color=color, linestyle=style, marker=marker, markersize=3.5, label=name,
            clip_on=False,
        )  # fmt: skip
    _shade(axes, found, k, at, by_gain=by_gain)
    axes.set_yscale("symlog", linthresh=1 / per, linscale=0.4)
    axes.set_ylim(bottom=0)
    low, high = float(at.min()), float(at.max())
    low, high = (low, high) if low < high else (low - 1, high)
    axes.set_xlim(*((high, low) if by_gain else (low, high)))
    axes.set_xlabel("light left, %" if by_gain else f"ambient light added, {found.setting.unit}")
    axes.spines[["top", "right"]].set_visible(False)
    if first:
        axes.set_ylabel("per pass to be detected")
        axes.legend(fontsize=8, frameon=False)


def _shade(axes: Any, found: StressMap, k: int, at: NDArray[np.float64], *, by_gain: bool) -> None:
    """Shade where the setting works: up to the reserve, if the axis is that of the reserve."""
    reserve = found.contamination_reserve if by_gain else found.ambient_reserve
    other = found.ambient[0] == 0 if by_gain else found.gain[0] == 1
    # Pedestal light comes only with a loss of gain.
    if reserve is None or not other or (by_gain and found.pedestal[k]):
        return
    span = (100 * (1 - reserve), max(100.0, float(at.max()))) if by_gain else (min(0.0, float(at.min())), reserve)
    axes.axvspan(*span, color=GOOD, alpha=0.15, label="works")
