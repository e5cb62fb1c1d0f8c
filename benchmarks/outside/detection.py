"""Print what sed_eval and sktime answer for random events: `tests/reference/data/outside_detection.json`.

Run it in an environment of its own, since both need older libraries than this project:
``pip install sed_eval==0.2.1 sktime==1.2.0`` and ``python detection.py``.
"""

import json

import dcase_util
import numpy as np
import pandas as pd
import sed_eval
import sktime
from sktime.performance_metrics.detection import (
    EventTPR,
    FalseAlarmRate,
    MeanDetectionOffset,
)

RATE_HZ = 100.0


def events(rng, collar, length):
    """Passes of one length with windows apart, and onsets at least two samples apart: near, far and doubled."""
    starts, at = [], int(rng.integers(20, 40))
    for _ in range(int(rng.integers(3, 12))):
        starts.append(at)
        at += length + 2 * collar + 2 + int(rng.integers(0, 30))
    samples = at + 40
    near = [int(s + rng.integers(-collar - 2, length + collar + 2)) for s in starts for _ in range(rng.integers(0, 3))]
    far = rng.integers(1, samples - 1, int(rng.integers(0, 6))).tolist()
    onsets = []
    for one in sorted(near + far):
        if 0 < one < samples - 1 and (not onsets or one >= onsets[-1] + 2):
            onsets.append(one)
    return samples, starts, onsets


def of_sed_eval(case):
    """Onset collars of the event-based metrics, optimal matching; one kind of event."""

    def listed(places):
        rows = [
            {
                "event_onset": p / RATE_HZ,
                "event_offset": (p + case["length"]) / RATE_HZ,
                "event_label": "pass",
                "filename": "line",
            }
            for p in places
        ]
        return dcase_util.containers.MetaDataContainer(rows)

    metric = sed_eval.sound_event.EventBasedMetrics(
        event_label_list=["pass"],
        t_collar=(case["collar"] + 0.25) / RATE_HZ,
        evaluate_onset=True,
        evaluate_offset=False,
        event_matching_type="optimal",
    )
    metric.evaluate(reference_event_list=listed(case["starts"]), estimated_event_list=listed(case["onsets"]))
    counts, rates = metric.overall, metric.results_overall_metrics()
    return {
        "tp": counts["Ntp"],
        "sys": counts["Nsys"],
        "ref": counts["Nref"],
        "error_rate": rates["error_rate"]["error_rate"],
        "f": rates["f_measure"]["f_measure"],
    }


def of_sktime(case):
    """Point metrics with the window of a pass; all in samples."""
    true, found = (pd.DataFrame({"ilocs": np.array(case[k], int)}) for k in ("starts", "onsets"))
    line = pd.DataFrame({"light": np.zeros(case["samples"])})
    ends = {"min_offset": -case["collar"], "max_offset": case["length"] - 1 + case["collar"]}
    offset = MeanDetectionOffset(**ends)(true, found, line)
    return {
        "hit_share": EventTPR(**ends)(true, found, line),
        "false_per_sample": FalseAlarmRate(**ends)(true, found, line),
        "mean_offset": None if np.isnan(offset) else offset,
    }


def main():
    rng = np.random.default_rng(20310514)
    out = []
    for k in range(60):
        collar, length = int(rng.integers(0, 7)), 1 if k < 30 else int(rng.integers(2, 25))
        samples, starts, onsets = events(rng, collar, length)
        case = {"samples": samples, "length": length, "collar": collar, "starts": starts, "onsets": onsets}
        case["sktime"] = of_sktime(case)
        if length == 1:  # its collars lie about instants
            case["sed_eval"] = of_sed_eval(case)
        out.append(case)
    lines = ",\n".join(json.dumps(case) for case in out)
    print(f'{{"sed_eval": "0.2.1", "sktime": "{sktime.__version__}", "rate_hz": {RATE_HZ}, "cases": [\n{lines}\n]}}')


if __name__ == "__main__":
    main()
