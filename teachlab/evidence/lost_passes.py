"""Why passes were lost, one reason code each, and which passes came closest to being lost."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from teachlab.model.margin import Margin
from teachlab.model.recording import Recording
from teachlab.model.score import Outcome, Score
from teachlab.model.setting import Polarity, Setting
from teachlab.model.truth import Truth
from teachlab.scoring.early import early_rows
from teachlab.sensor.output import delays_of

WORST = 20
"""Passes listed: lost ones first, then those closest to being lost."""
LOOKED_AT = 1000
"""So many lost passes are looked at sample by sample; further ones are told by their extremes alone."""
SATURATED_SHARE = 0.5

REASONS = {
    "dropout": "the recording has no valid light in part of the pass",
    "like-a-gap": "its light is that of the gaps: nothing passed, or the label is wrong",
    "too-weak": "its light does not reach the level",
    "too-brief": "its light reaches the level, but not for as long as filter and delay ask for",
    "saturated": "its light is clipped at an end of the scale and does not reach the level",
    "held-by-delay": "the light had fallen back before it, but filter or delay held the output",
    "held-by-level": "the light had not fallen back to the level of release before it: the output was still active",
    "early": "the output became active in the gap just before it and stayed: a false trip, or a border in doubt by "
    "more than the tolerance",
    "not-released": "its light reaches the level, but the output was active before, or filter and delay swallow it",
}
"""What every code says."""


@dataclass(frozen=True, slots=True)
class _Case:
    """What the reasons are told from; levels and reach turned so that active is up."""

    recording: Recording
    truth: Truth
    setting: Setting
    margins: Margin
    reach: NDArray[np.float64]

    @property
    def sign(self) -> float:
        return 1.0 if self.setting.polarity is Polarity.LIGHT_ON else -1.0

    @property
    def level(self) -> float:
        return self.setting.on_level if self.sign > 0 else -self.setting.off_level

    @property
    def release(self) -> float:
        return self.setting.off_level if self.sign > 0 else -self.setting.on_level

    def light(self, start: int, stop: int) -> tuple[NDArray[np.float64], bool]:
        """Return the turned valid light of a stretch, and whether any sample of it is invalid."""
        light = self.recording.read(max(0, start), min(self.recording.samples, stop)).as_float()
        known = ~np.isnan(light)
        return self.sign * light[known], not bool(known.all())


def lost_and_worst(
    recording: Recording, truth: Truth, setting: Setting, margins: Margin, result: Score
) -> dict[str, Any]:
    """Return every lost pass by reason, and the worst passes with theirs.

    Parameters
    ----------
    recording, truth, setting
        What is claimed about.
    margins : Margin
        With the reach of every pass.
    result : Score

    Returns
    -------
    dict
        ``reasons``: count of every code; ``lost_passes``: pass and code of every lost pass that was looked at;
        ``worst``: rows for the page.
    """
    reach = np.full(truth.passes, np.nan) if margins.reach is None else margins.reach
    case = _Case(recording, truth, setting, margins, reach)
    trials = result.trials
    scored = np.flatnonzero(np.isin(trials.passes, (Outcome.HIT, Outcome.MISS, Outcome.MERGED)))
    lost = scored[trials.passes[scored] != Outcome.HIT]
    codes = {int(k): _code(case, int(k) + trials.first_pass, Outcome(trials.passes[k])) for k in lost[:LOOKED_AT]}
    codes |= {
        int(k): _coarse(bool(reach[k + trials.first_pass] < case.level), Outcome(trials.passes[k]))
        for k in lost[LOOKED_AT:]
    }
    # A delay that holds is to blame itself, whatever it held.
    if not delays_of(setting, recording.info.sample_rate_hz)[1]:
        codes |= dict.fromkeys((early_rows(trials) - trials.first_pass).tolist(), "early")
    order = np.lexsort((reach[scored + trials.first_pass], trials.passes[scored] == Outcome.HIT))[:WORST]
    counts = Counter(codes.values())
    return {
        "reasons": {code: counts[code] for code in REASONS if code in counts},
        "lost_passes": [{"pass": k + trials.first_pass, "reason": code} for k, code in list(codes.items())[:LOOKED_AT]],
        "worst": [_row(case, k, Outcome(trials.passes[k]), codes, trials.first_pass) for k in scored[order].tolist()],
    }


def _row(case: _Case, k: int, outcome: Outcome, codes: dict[int, str], first: int) -> dict[str, Any]:
    row, truth = k + first, case.truth
    known = not np.isnan(case.reach[row])
    return {
        "pass": row,
        "start": int(truth.start[row]),
        "end": int(truth.end[row]),
        "label": str(truth.label[row]),
        "lot": None if truth.lot is None else str(truth.lot[row]),
        "outcome": outcome.name.lower(),
        "reach": case.sign * float(case.reach[row]) if known else None,
        "distance_to_level": float(case.reach[row]) - case.level if known else None,
        "reason": codes.get(k),
    }


def _coarse(weak: bool, outcome: Outcome) -> str:
    if outcome is Outcome.MERGED:
        return "held-by-level"
    return "too-weak" if weak else "not-released"


def _code(case: _Case, row: int, outcome: Outcome) -> str:
    truth, start, end = case.truth, int(case.truth.start[row]), int(case.truth.end[row])
    if outcome is Outcome.MERGED:
        before, _ = case.light(int(truth.end[row - 1]) if row else 0, start)
        return "held-by-delay" if before.size and before.min() < case.release else "held-by-level"
    light, holes = case.light(start, end)
    if holes:
        return "dropout"
    if light.size and light.max() >= case.level:
        return "too-brief" if not case.reach[row] >= case.level else "not-released"
    if _clipped(case, light):
        return "saturated"
    strongest = case.margins.strongest_gap
    if light.size and strongest is not None and float(np.median(light)) <= case.sign * strongest:
        return "like-a-gap"
    return "too-weak"


def _clipped(case: _Case, light: NDArray[np.float64]) -> bool:
    full = case.recording.info.full_scale
    if full is None or not light.size:
        return False
    ends = (case.sign * light >= full) | (case.sign * light <= 0)
    return float(ends.mean()) > SATURATED_SHARE
