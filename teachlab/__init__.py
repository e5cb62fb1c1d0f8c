"""teachlab: evidence for taught light-sensor thresholds.

Its functions take paths or values: `read_recording`, `inspect`, `align`, `label`, `teach`, `design`, `replay`, `score`,
`evaluate`, `bench`, `study`, `surface`, `stress`, `counterfactual`, `repeatability`, `coverage`, `stale`, `identify`,
`agree`, `timing`, `card`, `compare`, `plan`, `report`, `verify`, `conformance`. Their results print as a sentence;
`to_pandas()` gives a tidy frame and, if there is a figure, `plot()` gives it. `lamp`, `ambient_light`, `other_target`,
`neighbours_apart` and `neighbour_beat` calculate what surrounds a sensor. Public names are loaded when first used.

What many of them take, said here once:

==============  =======================================================================================================
`recording`     path, address or `Recording`
`passes`        path or `Truth` of this recording. Default: the table beside the recording; `inspect`, `replay` and
                `agree` go on without one if there is none
`setting`       path or `Setting`
`strategy`      its name, ``./file.py:Class``, a class or an instance of one
`base`          path or `Setting`: delays, filter and evaluation rate to keep; its levels are not used
`device`        path or `DeviceDocument`: readings of its display, and its steps
`options`       `DrawOptions`: draws, seed, teach share, base, costs and rules
`rules`         `Rules`: tolerance of the borders, confidence of the intervals, first pass that is scored
`seed`, `draw`  select what is shown
==============  =======================================================================================================

An `InputError` says what does not fit together, what came, and what to do; `Abstained` that a strategy declines.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from teachlab.data.recording_files import read_recording, write_recording
    from teachlab.data.setting_files import read_setting, write_setting
    from teachlab.data.split import split
    from teachlab.data.truth_files import read_truth, write_truth
    from teachlab.errors import Abstained, InputError, TeachlabError
    from teachlab.model.draws import Costs, DrawOptions
    from teachlab.model.recording import Direction, LoggedOutput, Origin, OutputWhen, Recording, RecordingInfo, Sensing
    from teachlab.model.score import Rules
    from teachlab.model.setting import DelaysActOn, Polarity, Setting, Taught
    from teachlab.model.teaching import Shown, Strategy, TeachView
    from teachlab.model.truth import Aligned, Truth, TruthSource
    from teachlab.pipeline import Evidence
    from teachlab.questions.surroundings import ambient_light, lamp, neighbour_beat, neighbours_apart, other_target
    from teachlab.scoring import compare_passes, paired_lots
    from teachlab.statistics.bursts import burst_rate
    from teachlab.statistics.differences import miettinen_nurminen, newcombe, rate_ratio, tango
    from teachlab.statistics.intervals import count, proportion
    from teachlab.statistics.lots import lot_rate
    from teachlab.statistics.over_time.autocorrelation import autocorrelation
    from teachlab.statistics.planning import plan_hours, plan_passes
    from teachlab.statistics.tail import tail_bound
    from teachlab.studies import bench_recording
    from teachlab.teaching import TeachBlock, resolve, teach_once
    from teachlab.verbs import (
        agree,
        align,
        bench,
        card,
        compare,
        conformance,
        counterfactual,
        coverage,
        design,
        evaluate,
        identify,
        inspect,
        label,
        plan,
        repeatability,
        replay,
        report,
        score,
        shipped,
        stale,
        stress,
        study,
        surface,
        teach,
        timing,
        verify,
    )
    from teachlab.wording.notebook import Picture, Told

__version__ = "0.1.0"

_HOME = {
    "teachlab.model.draws": ("Costs", "DrawOptions"),
    "teachlab.model.score": ("Rules",),
    "teachlab.studies": ("bench_recording",),
    "teachlab.data.recording_files": ("read_recording", "write_recording"),
    "teachlab.data.setting_files": ("read_setting", "write_setting"),
    "teachlab.data.split": ("split",),
    "teachlab.data.truth_files": ("read_truth", "write_truth"),
    "teachlab.errors": ("Abstained", "InputError", "TeachlabError"),
    "teachlab.statistics.planning": ("plan_hours", "plan_passes"),
    "teachlab.statistics.tail": ("tail_bound",),
    "teachlab.model.recording": (
        "Direction",
        "LoggedOutput",
        "Origin",
        "OutputWhen",
        "Recording",
        "RecordingInfo",
        "Sensing",
    ),
    "teachlab.model.setting": ("DelaysActOn", "Polarity", "Setting", "Taught"),
    "teachlab.model.teaching": ("Shown", "Strategy", "TeachView"),
    "teachlab.model.truth": ("Aligned", "Truth", "TruthSource"),
    "teachlab.pipeline": ("Evidence",),
    "teachlab.questions.surroundings": ("ambient_light", "lamp", "neighbour_beat", "neighbours_apart", "other_target"),
    "teachlab.scoring": ("compare_passes", "paired_lots"),
    "teachlab.statistics.bursts": ("burst_rate",),
    "teachlab.statistics.differences": ("miettinen_nurminen", "newcombe", "rate_ratio", "tango"),
    "teachlab.statistics.intervals": ("count", "proportion"),
    "teachlab.statistics.lots": ("lot_rate",),
    "teachlab.statistics.over_time.autocorrelation": ("autocorrelation",),
    "teachlab.teaching": ("TeachBlock", "resolve", "teach_once"),
    "teachlab.verbs": (
        "agree",
        "align",
        "bench",
        "card",
        "compare",
        "conformance",
        "counterfactual",
        "coverage",
        "design",
        "evaluate",
        "identify",
        "inspect",
        "label",
        "plan",
        "repeatability",
        "replay",
        "report",
        "score",
        "shipped",
        "stale",
        "stress",
        "study",
        "surface",
        "teach",
        "timing",
        "verify",
    ),
    "teachlab.wording.notebook": ("Picture", "Told"),
}
_MODULE_OF = {name: module for module, names in _HOME.items() for name in names}

__all__ = [
    "Abstained",
    "Aligned",
    "Costs",
    "DelaysActOn",
    "Direction",
    "DrawOptions",
    "Evidence",
    "InputError",
    "LoggedOutput",
    "Origin",
    "OutputWhen",
    "Picture",
    "Polarity",
    "Recording",
    "RecordingInfo",
    "Rules",
    "Sensing",
    "Setting",
    "Shown",
    "Strategy",
    "Taught",
    "TeachBlock",
    "TeachView",
    "TeachlabError",
    "Told",
    "Truth",
    "TruthSource",
    "agree",
    "align",
    "ambient_light",
    "autocorrelation",
    "bench",
    "bench_recording",
    "burst_rate",
    "card",
    "compare",
    "compare_passes",
    "conformance",
    "count",
    "counterfactual",
    "coverage",
    "design",
    "evaluate",
    "identify",
    "inspect",
    "label",
    "lamp",
    "lot_rate",
    "miettinen_nurminen",
    "neighbour_beat",
    "neighbours_apart",
    "newcombe",
    "other_target",
    "paired_lots",
    "plan",
    "plan_hours",
    "plan_passes",
    "proportion",
    "rate_ratio",
    "read_recording",
    "read_setting",
    "read_truth",
    "repeatability",
    "replay",
    "report",
    "resolve",
    "score",
    "shipped",
    "split",
    "stale",
    "stress",
    "study",
    "surface",
    "tail_bound",
    "tango",
    "teach",
    "teach_once",
    "timing",
    "verify",
    "write_recording",
    "write_setting",
    "write_truth",
]


if not TYPE_CHECKING:  # otherwise a checker of types would accept every name

    def __getattr__(name: str) -> Any:
        if name in _MODULE_OF:
            return getattr(importlib.import_module(_MODULE_OF[name]), name)
        raise AttributeError(f"module 'teachlab' has no attribute '{name}'")


def __dir__() -> list[str]:
    return sorted([*globals(), *__all__])
