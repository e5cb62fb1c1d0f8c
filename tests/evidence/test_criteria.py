"""Acceptance criteria: met only on evidence that could have failed them; three judgements, refusals."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from teachlab.data.alignment.measure import measure_alignment
from teachlab.errors import ParameterError
from teachlab.evidence.criteria import Criteria, Judged, Judgement, _percent, judge, overall, read_criteria
from teachlab.evidence.wording import judged_text
from teachlab.model.recording import Origin, Recording, RecordingInfo
from teachlab.model.setting import Polarity, Setting, Taught
from teachlab.model.truth import Truth, TruthSource
from teachlab.scoring.claimable import claimable
from teachlab.scoring.scoring import score
from teachlab.statistics.claims.lot_claims import lots_needed
from teachlab.statistics.planning import plan_passes
from teachlab.switching.run import replay

LEVEL = Setting(unit="x", on_level=5, off_level=5)


@dataclass(frozen=True, kw_only=True)
class Parade:
    """Passes of 40 samples every 100: quiet light of an invented parade of trays, in lots."""

    passes: int = 60
    lots: int = 12
    lost: tuple[int, ...] = ()
    trips: tuple[int, ...] = ()
    copies: bool = False
    cut: int = 0
    elsewhere: bool = False
    gain: float = 1.0
    source: TruthSource = TruthSource.INDEPENDENT
    origin: Origin = Origin.RECORDED
    uncertainty: float = 0.0
    setting: Setting = LEVEL

    def judged(self, rehearsal: bool = False, **document: Any) -> list[Judged]:
        """Judge criteria on it; without any, that at most a quarter of the passes are lost."""
        rng = np.random.default_rng(1)
        start = 50 + 100 * np.arange(self.passes)
        light = rng.normal(0, 0.1, 100 * self.passes + 100)
        for k, a in enumerate(start.tolist()):
            light[a : a + 40] += 9.0 * (k not in self.lost)
            light[a + 70] += 9.0 * (k in self.trips)
        if self.copies:
            # Of a pass and the gap after it; cut elsewhere, it is put so much later.
            light[start[1] + self.cut : start[1] + 95] = self.gain * light[start[0] : start[0] + 95 - self.cut]
        # Passes of another recording of the same line: as many, but not when they were here.
        start = start + rng.integers(-29, 30, start.size) * self.elsewhere
        recording = Recording.from_array(light, RecordingInfo(sample_rate_hz=100, unit="x", origin=self.origin))
        lot = [f"lot {k * self.lots // self.passes}" for k in range(self.passes)] if self.lots else None
        truth = Truth.from_arrays(start, start + 40, lot=lot, source=self.source, uncertainty_samples=self.uncertainty)
        result = score(replay(recording, self.setting), truth)
        asked = Criteria.model_validate({**lost_rate(0.25), **document})
        lies = measure_alignment(recording, truth)
        belongs = lies is None or lies.belongs
        found = claimable(recording, truth, self.setting, result, belongs=belongs)
        return judge(asked, result, None, truth, found, rehearsal=rehearsal)


MET, NOT_MET, OPEN = Judgement.MET, Judgement.NOT_MET, Judgement.NOT_ENOUGH
CLEAN = Parade()


def lost_rate(most: float, **more: Any) -> dict[str, Any]:
    return {"criterion": [{"measure": "lost_rate", "max": most, **more}]}


def shown(at: int, samples: int, **more: Any) -> Setting:
    drawn = {"sweep": {"at_sample": at, "evaluations": samples, "passes": samples // 100}}
    return replace(LEVEL, taught=Taught(strategy="x", evidence={"drawn": {**drawn, **more}}))


def test_the_bound_is_of_the_mean_of_lots() -> None:
    # Twelve lots without a loss: 1 − 0.05^(1/12) = 22.09 %.
    assert CLEAN.judged(**lost_rate(0.221))[0].verdict is MET
    found = CLEAN.judged(**lost_rate(0.2208))[0]
    assert found.verdict is OPEN
    assert "record 1 more lot without a further error" in found.because
    assert replace(CLEAN, lost=tuple(range(0, 60, 2))).judged(**lost_rate(0.2))[0].verdict is NOT_MET


def test_an_assumption_is_stated_in_the_file_and_named_in_the_judgement() -> None:
    # 60 independent passes without a loss show 1 − 0.05^(1/60) = 4.87 %; lots of five at 0.5 are worth 20: 13.91 %.
    for statement, most in (({"assume": "independent"}, 0.0488), ({"icc": 0.5}, 0.1392)):
        for placed in ({**lost_rate(most), **statement}, lost_rate(most, **statement)):
            found = CLEAN.judged(**placed)[0]
            assert found.verdict is MET
            assert ", if passes" in found.because
        assert CLEAN.judged(**{**lost_rate(most - 0.0003), **statement})[0].verdict is OPEN
    # A criterion's own statement goes before that of the document.
    assert CLEAN.judged(**lost_rate(0.05, assume="lots"), assume="independent")[0].verdict is OPEN


@pytest.mark.parametrize(
    ("line", "told"),
    [
        (replace(CLEAN, source=TruthSource.SELF_LABELLED), "labelled from this very light"),
        (replace(CLEAN, origin=Origin.SYNTHETIC), "synthetic: a rehearsal"),
        (replace(CLEAN, lots=4), "only 4 lots are named, 5 are needed"),
        (replace(CLEAN, lots=0), "no lots are named"),
        (replace(CLEAN, copies=True), "a copy of an earlier one"),
        (replace(CLEAN, copies=True, cut=3, gain=0.9), "a copy of an earlier one"),
        (replace(CLEAN, elsewhere=True), "may belong to another recording"),
        (replace(CLEAN, uncertainty=41.0), "shorter than the doubt of their borders"),
        (replace(CLEAN, setting=replace(LEVEL, polarity=Polarity.DARK_ON)), "polarity is inverted"),
        (replace(CLEAN, setting=shown(0, 6100)), "no pass is left"),
    ],
)
def test_nothing_is_met_on_evidence_that_could_not_have_failed_it(line: Parade, told: str) -> None:
    # Asked for next to nothing, so that only the evidence itself stands in the way; and nothing may be lost by it.
    for row in ({"measure": "lost_rate", "max": 0.99}, {"measure": "merged_rate", "max": 0.99}):
        found = line.judged(criterion=[row])[0]
        assert found.verdict is not MET, found
        assert told in found.because or found.verdict is NOT_MET


def test_a_stuck_output_meets_no_limit_of_trips() -> None:
    stuck = replace(CLEAN, setting=replace(LEVEL, on_level=500, off_level=500))
    rows = [{"measure": "false_trips_per_gap", "max": 0.9}, {"measure": "lots_with_trips", "max": 0.9}]
    assert {item.verdict for item in stuck.judged(criterion=rows)} == {OPEN}
    assert {item.verdict for item in CLEAN.judged(criterion=rows)} == {MET}


def test_passes_shown_while_teaching_are_left_out_and_neighbours_with_them() -> None:
    rows = [{"measure": "passes", "min": least} for least in (38.0, 39.0, 40.0)]
    # [1000, 3000) holds passes 10 to 29 and part of the gaps around them, beside which passes 9 and 30 lie.
    found = replace(CLEAN, setting=shown(1000, 2000)).judged(criterion=rows)
    assert [item.verdict for item in found] == [MET, OPEN, OPEN]
    # Another recording was shown: nothing of this one is left out.
    elsewhere = shown(1000, 2000, recording="other")
    assert replace(CLEAN, setting=elsewhere).judged(criterion=rows)[2].verdict is MET


def test_synthetic_light_meets_a_rehearsal_and_says_so() -> None:
    synthetic = replace(CLEAN, origin=Origin.SYNTHETIC)
    found = synthetic.judged(rehearsal=True)[0]
    assert found.verdict is MET
    assert found.because.startswith("rehearsal: would be met")
    assert "--rehearsal" in synthetic.judged()[0].because


def test_self_labelled_passes_decide_no_number_either() -> None:
    rows = [{"measure": "passes", "min": 1.0}, {"measure": "lots", "min": 1.0}]
    found = replace(CLEAN, source=TruthSource.SELF_LABELLED).judged(criterion=rows)
    assert {item.verdict for item in found} == {OPEN}


def test_a_rate_of_trips_needs_them_in_two_lots_or_an_assumption() -> None:
    hour = [{"measure": "false_trips_per_running_hour", "max": 1e5}]
    assert CLEAN.judged(criterion=hour)[0].verdict is OPEN
    assert "lots_with_trips" in CLEAN.judged(criterion=hour)[0].because
    assert CLEAN.judged(criterion=hour, assume="independent")[0].verdict is MET
    assert replace(CLEAN, trips=(3, 22, 41)).judged(criterion=hour)[0].verdict is MET
    # The share of lots has a bound without any trip; 1 and 2 of 12 lots: at most 33.9 and 43.8 %.
    share = [{"measure": "lots_with_trips", "max": 0.34}]
    assert replace(CLEAN, trips=(3,)).judged(criterion=share)[0].verdict is MET
    assert replace(CLEAN, trips=(3, 22)).judged(criterion=share)[0].verdict is OPEN


@pytest.mark.parametrize(("rate", "icc"), [(0.3, None), (0.1, 0.0), (0.15, 0.3)])
def test_what_plan_says_at_the_same_assumption_is_met_if_nothing_is_lost(rate: float, icc: float | None) -> None:
    size = 5
    if icc is None:
        lots = lots_needed(rate, 0.95)
        stated: dict[str, Any] = {}
    else:
        lots = -(-plan_passes(rate, 0.95, lot_size=size, icc=icc).passes // size)
        stated = {"icc": icc}
    line = Parade(passes=size * lots, lots=lots)
    assert line.judged(**lost_rate(rate), **stated)[0].verdict is MET
    fewer = Parade(passes=size * (lots - 1), lots=lots - 1)
    assert fewer.judged(**lost_rate(rate), **stated)[0].verdict is OPEN


def test_overall() -> None:
    def one(verdict: Judgement) -> Judged:
        return Judged(measure="x", limit="", measured="", verdict=verdict, because="")

    met, open_, failed = one(Judgement.MET), one(Judgement.NOT_ENOUGH), one(Judgement.NOT_MET)
    assert overall([met, met]) is Judgement.MET
    assert overall([met, open_]) is Judgement.NOT_ENOUGH
    assert overall([open_, failed, met]) is Judgement.NOT_MET


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("[[criterion]\n", "not valid TOML"),
        ("", "criterion"),
        ("[[criterion]]\nmeasure = 'lost_rate'\n", "'max' alone"),
        ("[[criterion]]\nmeasure = 'lost_rate'\nmax = 0.1\nmin = 0.0\n", "'max' alone"),
        ("[[criterion]]\nmeasure = 'margin_to_noise'\nmax = 3.0\n", "'min' alone"),
        ("[[criterion]]\nmeasure = 'lost_rate'\nmax = 0.1\nconfidence = 95.0\n", "confidence"),
        ("[[criterion]]\nmeasure = 'luck'\nmin = 1.0\n", "measure"),
        ("[[criterion]]\nmeasure = 'passes'\nmin = 1.0\nwhy = 'x'\n", "why"),
        ("max_lost_rate = 0.05\n", r'there is no limit.*\[\[criterion\]\] with measure = "lost_rate" and max = 0.05'),
    ],
)
def test_bad_criteria_are_refused(text: str, words: str, tmp_path: Path) -> None:
    path = tmp_path / "criteria.toml"
    path.write_text(text)
    with pytest.raises(ParameterError, match=words):
        read_criteria(path)


def test_a_bound_of_next_to_nothing_is_told_as_below_a_millionth() -> None:
    assert [_percent(share) for share in (0.0, 1.55e-9, 0.283)] == ["0 %", "below 0.0001 %", "28.3 %"]


def test_more_passes_are_asked_for_only_where_there_are_too_few() -> None:
    # 60 passes show 5 % if they are independent: 59 do (1 − 0.05^(1/59) < 5 %); 2 % needs 149.
    enough, few = (CLEAN.judged(**lost_rate(most))[0].because for most in (0.05, 0.02))
    assert "the passes recorded are enough only where they are independent" in enough
    assert "or 149 passes in all where they are independent" in few


def test_a_rehearsal_is_told_once_and_a_judgement_with_its_reason() -> None:
    def told(verdict: str, because: str) -> str:
        return judged_text({"verdict": verdict, "because": because})

    assert (
        told("met", "rehearsal: would be met; the bound lies within")
        == "rehearsal: would be met; the bound lies within"
    )
    assert told("not met", "the light leaves less") == "not met: the light leaves less"
