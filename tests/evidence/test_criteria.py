"""Acceptance criteria: three verdicts, exit codes, refusals."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from teachlab.errors import ParameterError
from teachlab.evidence.criteria import Criteria, Judged, Judgement, judge, overall, read_criteria
from teachlab.model.recording import Recording, RecordingInfo
from teachlab.model.score import Score
from teachlab.model.setting import Setting
from teachlab.model.truth import Truth, TruthSource
from teachlab.scoring import lost_rate_by_lot, lot_rate, score
from teachlab.statistics.bursts import burst_rate
from teachlab.switching import replay


def _score(passes: int, lost: int, source: TruthSource = TruthSource.INDEPENDENT) -> tuple[Score, Truth]:
    start = np.arange(passes) * 10 + 5
    light = np.zeros(passes * 10 + 10)
    for a in start[lost:]:
        light[a : a + 4] = 9
    truth = Truth.from_arrays(start, start + 4, source=source)
    recording = Recording.from_array(light, RecordingInfo(sample_rate_hz=100, unit="x"))
    return score(replay(recording, Setting(unit="x", on_level=5, off_level=5)), truth), truth


def _judged(passes: int, lost: int, most: float, **more: object) -> Judged:
    result, truth = _score(passes, lost, **more)  # type: ignore[arg-type]
    criteria = Criteria.model_validate(
        {"criterion": [{"measure": "lost_rate", "max": most, "dependence": "independent"}]}
    )
    return judge(criteria, result, None, {"lost_rate": lost_rate_by_lot(truth, result.trials)})[0]


def test_three_verdicts() -> None:
    # 0 of 299 shows 1 % at 95 %, 0 of 298 does not; 10 of 100 is surely above 1 %.
    assert _judged(299, 0, 0.01).verdict is Judgement.MET
    assert _judged(298, 0, 0.01).verdict is Judgement.NOT_ENOUGH
    assert _judged(100, 10, 0.01).verdict is Judgement.NOT_MET


def test_self_labelled_passes_decide_nothing() -> None:
    found = _judged(299, 0, 0.01, source=TruthSource.SELF_LABELLED)
    assert found.verdict is Judgement.NOT_ENOUGH
    assert "self-labelled" in found.because


def test_self_labelled_passes_decide_no_margin_either() -> None:
    result, _ = _score(299, 0, source=TruthSource.SELF_LABELLED)
    rows = [{"measure": name, "min": 0.001} for name in ("passes", "margin_to_noise", "ambient_reserve")]
    criteria = Criteria.model_validate({"criterion": rows})
    found = judge(criteria, result, None, {}, {"ambient_reserve": 5.0})
    assert {item.verdict for item in found} == {Judgement.NOT_ENOUGH}


def _verdicts(
    lots: int, size: int, lost: int, most: float, *, icc: float = 0.2, named: bool = True
) -> dict[str, Judged]:
    """Judge every way to allow for lots; `lost` passes of the first lot are lost."""
    result, truth = _score(lots * size, lost)
    if named:
        lot = [f"lot {k // size}" for k in range(truth.passes)]
        truth = Truth.from_arrays(truth.start, truth.end, lot=lot)
    rows = [{"measure": "lost_rate", "max": most, "dependence": how} for how in ("proxy", "measured", "independent")]
    criteria = Criteria.model_validate({"icc": icc, "criterion": rows})
    found = judge(criteria, result, None, {"lost_rate": lost_rate_by_lot(truth, result.trials, icc=icc)})
    return {row["dependence"]: item for row, item in zip(rows, found, strict=True)}


def test_the_default_allows_for_lots_and_names_its_assumption() -> None:
    assert (
        Criteria.model_validate({"criterion": [{"measure": "lost_rate", "max": 0.1}]}).criterion[0].dependence
        == "proxy"
    )
    # 0 of 3000 in lots of 50: 10.8 passes worth one give 278 and 1.07 %, lots worth one each give 60 and 4.9 %.
    met, just_not = _verdicts(60, 50, 0, 0.0108), _verdicts(60, 50, 0, 0.0107)
    assert (met["proxy"].verdict, just_not["proxy"].verdict) == (Judgement.MET, Judgement.NOT_ENOUGH)
    assert "correlate by at most 0.2" in met["proxy"].because
    assert met["measured"].verdict is Judgement.NOT_ENOUGH
    assert _verdicts(60, 50, 0, 0.049)["measured"].verdict is Judgement.MET
    assert met["independent"].verdict is Judgement.MET
    assert _verdicts(60, 50, 0, 0.0011)["independent"].verdict is Judgement.MET


def test_assuming_no_correlation_and_all_correlation_are_the_ends() -> None:
    none, all_ = (_verdicts(60, 50, 0, 0.001, icc=icc)["proxy"] for icc in (0.0, 1.0))
    assert none.verdict is Judgement.MET
    assert "0 % and 0.0998 %" in none.measured
    assert all_.measured.split("(")[0] == _verdicts(60, 50, 0, 0.001)["measured"].measured.split("(")[0]


def test_few_lots_decide_nothing_unless_independence_is_said() -> None:
    found = _verdicts(4, 500, 0, 0.9)
    assert found["proxy"].verdict is found["measured"].verdict is Judgement.NOT_ENOUGH
    assert "only 4 lots, 5 are needed" in found["proxy"].because
    assert found["independent"].verdict is Judgement.MET
    assert _verdicts(5, 500, 0, 0.9)["proxy"].verdict is Judgement.MET
    assert _verdicts(1, 4, 0, 0.9, named=False)["proxy"].verdict is Judgement.NOT_ENOUGH


def test_missed_and_merged_passes_allow_for_lots_too() -> None:
    result, truth = _score(3000, 0)
    criteria = Criteria.model_validate({"criterion": [{"measure": "miss_rate", "max": 0.002}]})
    dependence = lost_rate_by_lot(truth, result.trials)
    assert judge(criteria, result, None, {"miss_rate": dependence})[0].verdict is Judgement.NOT_ENOUGH
    assert judge(criteria, result, None, {})[0].because.startswith("too few passes")


def test_a_rare_bad_lot_is_allowed_for_where_losses_come_singly() -> None:
    # One loss in every second of 60 lots of 50: as measured no more alike than chance, and naive of a bad lot.
    events = [1, 0] * 30
    found = lot_rate(events, [50] * 60)
    assert found.measured is not None
    assert found.measured < 1
    assert found.by_proxy is not None
    result, _ = _score(3000, 30)
    rows = [{"measure": "lost_rate", "max": 0.02, "dependence": how} for how in ("proxy", "measured", "independent")]
    criteria = Criteria.model_validate({"criterion": rows})
    assumed, measured, independent = judge(criteria, result, None, {"lost_rate": found})
    # 30 of 3000, 10.8 passes worth one: 2.78 of 278, at most 2.6 %.
    assert assumed.verdict is Judgement.NOT_ENOUGH
    assert "design effect 10.8 from an assumed intra-lot correlation of 0.2" in assumed.measured
    assert measured.verdict is independent.verdict is Judgement.MET
    rows[0]["max"] = 0.03
    met = judge(Criteria.model_validate({"criterion": rows}), result, None, {"lost_rate": found})[0]
    assert met.because.endswith("if losses of one lot correlate by at most 0.2")


def test_false_trips_in_bursts_are_allowed_for() -> None:
    result, _ = _score(300, 0)
    bursts = burst_rate([6, 0, 0, 5, 0, 0, 0, 7, 0, 0] * 2, [1.0] * 20, per="running hour")
    assert bursts.design_effect is not None
    tripped = replace(result, false_trips_per_running_hour=bursts.naive)
    rows = [
        {"measure": "false_trips_per_running_hour", "max": 3.0, "dependence": how}
        for how in ("proxy", "measured", "independent")
    ]
    criteria = Criteria.model_validate({"criterion": rows})
    found = judge(criteria, tripped, None, {"false_trips_per_running_hour": bursts})
    # 36 in 20 h: at most 2.4 per hour one by one, 3.6 in bursts.
    assert [item.verdict for item in found] == [
        Judgement.NOT_ENOUGH,
        Judgement.NOT_ENOUGH,
        Judgement.MET,
    ]
    assert f"design effect {bursts.design_effect:.3g} from 20 lots" in found[0].measured


def test_without_a_burst_seen_the_default_says_what_it_takes_for_granted() -> None:
    result, _ = _score(300, 0)
    none = burst_rate([0] * 20, [1.2] * 20, per="running hour")
    quiet = replace(result, false_trips_per_running_hour=none.naive)
    rows = [
        {"measure": "false_trips_per_running_hour", "max": 0.125, "dependence": how}
        for how in ("proxy", "measured", "independent")
    ]
    # 24 hours without any show 1 in 8 hours, if false trips come one by one.
    found = judge(Criteria.model_validate({"criterion": rows}), quiet, None, {"false_trips_per_running_hour": none})
    assert [item.verdict for item in found] == [Judgement.MET, Judgement.NOT_ENOUGH, Judgement.MET]
    assert "if events come one by one" in found[0].because
    assert "too few lots" in found[1].because


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
    ],
)
def test_bad_criteria_are_refused(text: str, words: str, tmp_path: Path) -> None:
    path = tmp_path / "criteria.toml"
    path.write_text(text)
    with pytest.raises(ParameterError, match=words):
        read_criteria(path)
