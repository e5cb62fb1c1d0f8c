"""A designed setting over the light: how far passes and gaps reach, and its levels and reserves."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from teachlab.light.drawing import GREY, SHADE, draw_light, drawing, picture
from teachlab.model.following_and_window import WindowSetting
from teachlab.model.printable_text import time_text
from teachlab.model.recording import Recording
from teachlab.model.score import USUAL_RULES, Rules
from teachlab.model.setting_words import setting_in_words
from teachlab.model.truth import Truth
from teachlab.scoring.margin import MarginScan

if TYPE_CHECKING:
    from teachlab.questions.design.answer import DesignAnswer


def design_figure(
    found: DesignAnswer, recording: Recording, truth: Truth, *, rules: Rules = USUAL_RULES, kind: str = "svg"
) -> bytes:
    """Draw how far the light of passes and gaps reaches, the levels of the setting, and those of equal cost.

    Light counts as long as filter and on-delay need it, so that a gap that reaches the level is one that switches.
    """
    setting = found.taught.setting
    scan = MarginScan(recording, setting, truth, rules)
    for block in recording.blocks():
        scan.push(block)
    up = (recording.info.direction or "rise") == "rise"
    tops, rests = (part.high if up else part.low for part in (scan.windows, scan.gaps))
    tops = tops[truth.detect]
    tops, rests = tops[np.isfinite(tops)], rests[np.isfinite(rests)]
    with drawing(recording.name, (9, 3.6)) as figure:
        axes = figure.add_subplot()
        draw_light(axes, rests, tops, "highest" if up else "lowest")
        reserve = found.reserves["level"]
        active = setting.activation
        if isinstance(setting, WindowSetting):  # the side that faces the background
            active = setting.low_release if up else setting.high_release
        away = [sign * reserve[end] for end, sign in (("low", -1), ("high", 1)) if reserve[end] is not None]
        span = [active, *(active + move for move in away)]
        axes.axvspan(min(span), max(span), color=SHADE, zorder=0, label="levels of equal cost")
        for level, style, name in ((setting.on_level, "-", "on-level"), (setting.off_level, ":", "off-level")):
            axes.axvline(level, color=GREY, linestyle=style, linewidth=1.2, label=name)
        axes.set_xlabel(f"light, {recording.info.unit}")
        axes.set_ylabel("passes or gaps")
        axes.legend(loc="upper left", bbox_to_anchor=(1.0, 1.0), frameon=False, fontsize=8)
        axes.set_title(f"{recording.name}: {setting_in_words(setting, found.taught.verdict.step)}", fontsize=9)
        lasting = ""
        if scan.evaluations > 1:
            rate_hz = setting.evaluation_rate_hz or recording.info.sample_rate_hz
            lasts = time_text(1000 * (scan.evaluations - 1) / rate_hz)
            lasting = f"; counted is light that lasts {lasts}, as the setting needs it"
        return picture(
            figure, kind, says=f"Grey: where the level may lie at the same cost, both levels moved together{lasting}."
        )
