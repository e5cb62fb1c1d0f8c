"""A stress map as a picture: lost and tripped over gain and ambient light, with the border of survival."""

from __future__ import annotations

import io
from typing import Any

import numpy as np

from teachlab.explore.stress import StressMap

OUTLINE = "#D55E00"


def stress_figure(found: StressMap, *, title: str = "", kind: str = "svg") -> bytes:
    """Draw the map: one panel per pedestal; cells that survive are outlined.

    Parameters
    ----------
    found : StressMap
    title : str
    kind : str
        svg or png.
    """
    import matplotlib as mpl
    from matplotlib.figure import Figure

    with mpl.rc_context({"svg.hashsalt": title or "stress", "svg.fonttype": "none", "font.size": 9}):
        panels = len(found.pedestal)
        figure = Figure(figsize=(3.2 + 4.2 * panels, 4.4), layout="constrained")
        for k, axes in enumerate(np.atleast_1d(np.asarray(figure.subplots(1, panels, sharey=True))).tolist()):
            _panel(figure, axes, found, k, last=k == panels - 1)
        reserve = found.contamination_reserve
        text = "fails as recorded" if reserve is None else f"survives a loss of {100 * reserve:.3g} % of the light"
        figure.suptitle(f"{title}: {text}", fontsize=10)
        out = io.BytesIO()
        figure.savefig(out, format=kind, metadata={"Date": None} if kind == "svg" else None, dpi=110)
        return out.getvalue()


def _panel(figure: Any, axes: Any, found: StressMap, k: int, *, last: bool) -> None:
    from matplotlib.colors import SymLogNorm
    from matplotlib.patches import Rectangle

    wrong = (found.lost + found.false_trips + found.ignore_trips)[:, :, k] / max(found.detect_trials, 1)
    smallest = 1 / max(found.detect_trials, 1)
    norm = SymLogNorm(linthresh=smallest, vmin=0, vmax=max(1.0, float(wrong.max())))
    image = axes.imshow(wrong.T, cmap="cividis_r", norm=norm, origin="lower", aspect="auto")
    for g, a in np.argwhere(found.survives[:, :, k]).tolist():
        axes.add_patch(Rectangle((g - 0.5, a - 0.5), 1, 1, fill=False, edgecolor=OUTLINE, linewidth=1.2))
    axes.plot([], [], color=OUTLINE, linewidth=1.2, label="nothing lost, nothing false")
    step = max(1, len(found.gain) // 8)
    axes.set_xticks(range(0, len(found.gain), step), [f"{g:g}" for g in found.gain[::step]])
    axes.set_yticks(range(len(found.ambient)), [f"{a:g}" for a in found.ambient])
    axes.set_xlabel("share of the light left")
    axes.set_ylabel(f"ambient light added, {found.setting.unit}")
    axes.set_title(f"pedestal {found.pedestal[k]:g} {found.setting.unit}", fontsize=9)
    axes.legend(loc="lower left", bbox_to_anchor=(0, 1.08), fontsize=8, frameon=False)
    if last:
        figure.colorbar(image, ax=axes).set_label("lost and false per pass")
