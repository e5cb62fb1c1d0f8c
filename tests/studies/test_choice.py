"""Which setting a bench recommends: none whose output is of no use, and among equals the one with the most room."""

from dataclasses import dataclass, replace
from typing import ClassVar

import numpy as np
import pytest

from teachlab.data.split import split
from teachlab.model.draws import DrawOptions
from teachlab.model.recording import Direction, Recording, RecordingInfo
from teachlab.model.score import USUAL_RULES
from teachlab.model.setting import Setting
from teachlab.model.teaching import Shown, TeachView
from teachlab.model.truth import Truth
from teachlab.scoring import score
from teachlab.studies import bench_recording
from teachlab.studies.claim_half import second_half
from teachlab.studies.recommend import A_STEP, FINEST, rooms
from teachlab.switching import replay
from teachlab.teaching import resolve

INFO = RecordingInfo(sample_rate_hz=1000.0, unit="counts", direction=Direction.RISE)


def test_an_output_that_is_active_in_the_gaps_is_not_recommended_though_it_costs_nothing() -> None:
    """Objects lower the light, and the stored direction is wrong: the output rises again within every pass."""
    rng = np.random.default_rng(8)
    start = 150 + 250 * np.arange(60)
    light = rng.normal(2000, 4, 60 * 250 + 150)
    for a in start:
        light[a : a + 80] -= rng.uniform(1400, 1600)
    truth = Truth.from_arrays(start, start + 80, uncertainty_samples=3)
    built = [resolve(name) for name in ("sweep-minmax", "two-threshold")]

    def chosen(direction: Direction) -> str:
        recording = Recording.from_array(light, replace(INFO, direction=direction), name="line")
        found = bench_recording(recording, truth, built, options=DrawOptions(draws=10))
        assert found.recommendation is not None
        assert not found.recommendation.worth.score.probably_inverted
        costs = {result.strategy: result.ranking_cost for result in found.results}
        assert costs == {"sweep-minmax": 0, "two-threshold": 0}
        return found.recommendation.strategy

    assert chosen(Direction.RISE) == "two-threshold"
    assert chosen(Direction.DIP) == "sweep-minmax"


@dataclass(frozen=True)
class NearTheBelt:
    """Levels 20 and 15: the belt, at 10, stays active as soon as they are lowered by 5."""

    name: ClassVar[str] = "near-the-belt"
    needs: ClassVar[frozenset[Shown]] = frozenset({Shown.OBJECT})
    levels: ClassVar[tuple[float, float]] = (20, 15)

    def teach(self, view: TeachView) -> Setting:
        on, off = self.levels
        return Setting(unit=view.unit, on_level=on, off_level=off)


@dataclass(frozen=True)
class UnderTheHole(NearTheBelt):
    """Levels 45 and 40: a hole, at 50, ends the pass as soon as they are raised by more than 10."""

    name: ClassVar[str] = "under-the-hole"
    levels: ClassVar[tuple[float, float]] = (45, 40)


@dataclass(frozen=True)
class Between(NearTheBelt):
    """Levels 33 and 28: they may rise by 22 and fall by less than 18."""

    name: ClassVar[str] = "between"
    levels: ClassVar[tuple[float, float]] = (33, 28)


def discs(hole: float) -> tuple[Recording, Truth]:
    """Passes of 100 samples at 110 every 250 on a belt at 10, with a hole in the middle."""
    start = 150 + 250 * np.arange(40)
    light = np.full(40 * 250 + 150, 10.0)
    for a in start:
        light[a : a + 100] = 110
        light[a + 40 : a + 60] = hole
    return Recording.from_array(light, INFO, name="discs"), Truth.from_arrays(start, start + 100)


@pytest.mark.parametrize(
    ("hole", "chosen", "about"),
    [
        (50.0, "between", 100 * 2 ** (-10 / 4)),  # 17.7 < 18 < 21
        (110.0, "under-the-hole", 100 * 2 ** (-7 / 4)),  # without a hole it may fall by less than 30: 29.7
    ],
)
def test_among_equals_the_setting_with_the_most_room_is_recommended_and_is_first_in_its_row(
    hole: float, chosen: str, about: float
) -> None:
    recording, truth = discs(hole)
    found = bench_recording(recording, truth, [NearTheBelt(), UnderTheHole(), Between()], options=DrawOptions(draws=3))
    assert found.recommendation is not None
    assert found.recommendation.strategy == chosen
    assert len(found.rows) == 1
    assert found.rows[0][0] == found.results[0].strategy == found.ranking[0] == chosen
    assert (
        f"Of 3 strategies with equal cost on earlier passes none has more room than {chosen}: both levels may move by "
        f"about {about:.2g} counts. Over all scored passes {chosen} costs the same as 2 others."
    ) in [reason.text for reason in found.verdict.reasons]


def test_where_room_does_not_decide_nothing_is_said_of_it() -> None:
    """Two strategies of one setting, and a single one."""

    class Again(Between):
        name: ClassVar[str] = "again"

    recording, truth = discs(50.0)
    for built in ([Between(), Again()], [Between()]):
        found = bench_recording(recording, truth, built, options=DrawOptions(draws=3))
        assert found.recommendation is not None
        assert found.recommendation.strategy == "between"
        assert not any("more room" in reason.text for reason in found.verdict.reasons)


def uneven(seed: int) -> tuple[Recording, Truth]:
    rng = np.random.default_rng(seed)
    start = 150 + 250 * np.arange(60)
    light = rng.normal(100, 4, 60 * 250 + 150)
    for a in start:
        light[a : a + 80] += rng.uniform(400, 700)
    return Recording.from_array(light, INFO, name="line"), Truth.from_arrays(start, start + 80, uncertainty_samples=3)


@pytest.mark.parametrize("seed", range(3))
def test_the_choice_among_equals_never_sees_the_claim_half(seed: int) -> None:
    recording, truth = uneven(seed)
    middle = second_half(split(truth, recording.samples).first_scored, truth.passes)
    light = recording.light[:].copy()
    border = int(truth.start[middle])
    light[border:] = np.random.default_rng(seed + 9).permutation(light[border:]) * 3
    names = "sweep-minmax", "two-sample-midpoint", "balanced-guard", "background-referenced"
    seen = [
        bench_recording(one, truth, [resolve(n) for n in names], options=DrawOptions(draws=6)).recommendation
        for one in (recording, Recording.from_array(light, INFO, name="line"))
    ]
    kept = [(one.strategy, one.draw, one.setting.on_level, one.tied, one.chosen_cost) for one in seen if one]
    assert len(kept) == 2
    assert kept[0] == kept[1]
    assert kept[0][3], "nothing was equal: the choice was not among equals"


@pytest.mark.parametrize("seed", range(3))
def test_room_is_what_moved_settings_cost_by_replay(seed: int) -> None:
    """With and without filter and delays, among them one that makes errors."""
    recording, truth = uneven(seed)
    rules, costs = USUAL_RULES.scored_from(20), DrawOptions().costs
    plain = [Setting(unit="counts", on_level=on, off_level=on - 30) for on in (200, 330, 560)]
    settings = [*plain, replace(plain[1], consecutive=3, on_delay_ms=4), replace(plain[0], off_delay_ms=7)]
    reach = 600.0

    def cost(setting: Setting, by: float) -> float:
        moved = replace(setting, on_level=setting.on_level + by, off_level=setting.off_level + by)
        n = score(replay(recording, moved), truth, rules=rules).counts
        return n.lost + n.extra + n.false_trips + n.ignore_false_trips

    for setting, found in zip(
        settings, rooms(recording, truth, settings, reach=reach, rules=rules, costs=costs), strict=True
    ):
        expected = 0.0
        for k in range(FINEST * A_STEP, -1, -1):
            by = reach * 2 ** (-k / A_STEP)
            if max(cost(setting, by), cost(setting, -by)) > cost(setting, 0):
                break
            expected = by
        assert found == pytest.approx(expected)
