"""One teaching: what it records, and what it refuses to take from a strategy."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any, ClassVar

import numpy as np
import pytest

from teachlab.errors import Abstained, StrategyError
from teachlab.model.recording import Direction, Recording, RecordingInfo
from teachlab.model.setting import Setting, Taught
from teachlab.model.teaching import Shown, TeachView
from teachlab.model.truth import Truth
from teachlab.teaching import TeachBlock, resolve, teach_once
from teachlab.teaching.once import teach_draws


@pytest.fixture
def block() -> TeachBlock:
    """Ten passes at 400 counts on 100, without noise, with an off-delay to keep."""
    light = np.full(3200, 100, np.uint16)
    start = 200 + 300 * np.arange(10)
    for a in start:
        light[a : a + 100] = 400
    info = RecordingInfo(sample_rate_hz=1000.0, unit="counts", direction=Direction.RISE)
    base = Setting(unit="counts", on_level=0, off_level=0, off_delay_ms=5.0)
    return TeachBlock(Recording.from_array(light, info), Truth.from_arrays(start, start + 100), base=base)


@dataclass(frozen=True)
class Made:
    """A strategy that does what the test says."""

    name: ClassVar[str] = "made"
    needs: ClassVar[frozenset[Shown]] = frozenset({Shown.OBJECT})
    does: ClassVar[Callable[[TeachView], Any]]
    gain: float = 0.5

    def teach(self, view: TeachView) -> Setting:
        setting: Setting = type(self).does(view)
        return setting


def made(does: Callable[[TeachView], Any], **more: Any) -> Any:
    return type("Made", (Made,), {"does": staticmethod(does), **more})()


def placed(view: TeachView, **evidence: Any) -> Setting:
    return view.place(200.0, 5.0, Taught(strategy="x", evidence=evidence))


@pytest.mark.parametrize("error", [ValueError, lambda text: Abstained(text, "1", "2")])
def test_a_reason_is_one_line_of_text_that_fits_a_screen(block: TeachBlock, error: Callable[[str], Exception]) -> None:
    def refuse(view: TeachView) -> Setting:
        raise error("one\ntwo \x1b[31m \udc80 " + "y" * 2_000_000)

    (draw,) = teach_draws(made(refuse), block, [0], seed=1)
    told = draw.failed or draw.abstained or ""
    assert told.encode().decode().isprintable()
    assert r"one\ntwo \x1b[31m \udc80 yyy" in told
    assert len(told) == 600


def test_a_setting_tells_strategy_all_parameters_and_evidence(block: TeachBlock) -> None:
    setting = teach_once(resolve("two-sample-midpoint", {"hysteresis_share": 0.2}), block, 7, 3)
    assert (setting.on_level, setting.off_level, setting.off_delay_ms) == (250.0, 190.0, 5.0)
    view = block.draw({Shown.OBJECT, Shown.BACKGROUND}, 7, 3)
    assert setting.taught is not None
    assert setting.taught.strategy == "two-sample-midpoint"
    assert setting.taught.parameters == {"hysteresis_share": 0.2, "band": "release"}
    assert setting.taught.evidence == {
        "object": 400.0,
        "background": 100.0,
        "drawn": {
            "seed": 7,
            "draw": 3,
            "direction": "rise",
            "recording": "array",
            "object": {"at_sample": view.object.at_sample, "to_sample": view.object.at_sample + 40, "evaluations": 40},
            "background": {
                "at_sample": view.background.reading.at_sample,
                "to_sample": view.background.reading.at_sample + 40,
                "evaluations": 40,
            },
            "background_stretch": {
                "at_sample": view.background.stretch_at_sample,
                "to_sample": view.background.stretch_to_sample,
                "evaluations": 2000,
            },
        },
    }
    json.dumps(setting.as_dict(), allow_nan=False)


@pytest.mark.parametrize(("passes", "told"), [(3, 3), (30, 10)])
def test_a_sweep_lets_by_what_its_strategy_asks_for_and_tells_what_there_was(
    block: TeachBlock, passes: int, told: int
) -> None:
    setting = teach_once(resolve("sweep-minmax", {"sweep_passes": passes}), block, 0, 0)
    assert setting.taught is not None
    assert setting.taught.evidence["passes"] == told
    assert setting.taught.evidence["drawn"]["sweep"]["passes"] == told
    assert setting.taught.evidence["drawn"]["sweep"]["evaluations"] == 300 * told


def test_a_strategy_that_tells_little_is_recorded_all_the_same(block: TeachBlock) -> None:
    setting = teach_once(made(lambda view: replace(placed(view), taught=None)), block, 0, 0)
    assert setting.taught is not None
    assert (setting.taught.strategy, setting.taught.parameters) == ("made", {"gain": 0.5})
    assert set(setting.taught.evidence["drawn"]) == {"seed", "draw", "direction", "recording", "object"}


def test_five_passes_are_swept_unless_the_strategy_says_otherwise(block: TeachBlock) -> None:
    def does(view: TeachView) -> Setting:
        return placed(view, passes=view.sweep.passes)

    needs = {"needs": frozenset({Shown.SWEEP})}
    for strategy, passes in ((made(does, **needs), 5), (made(does, **needs, sweep_passes=2), 2)):
        setting = teach_once(strategy, block, 0, 0)
        assert setting.taught is not None
        assert setting.taught.evidence["passes"] == passes


def test_an_abstention_passes_through(block: TeachBlock) -> None:
    def does(view: TeachView) -> Setting:
        raise Abstained("no", "1", "2")

    with pytest.raises(Abstained, match=r"no \(measured: 1; required: 2\)"):
        teach_once(made(does), block, 0, 0)


def _raise(error: Exception) -> Setting:
    raise error


@pytest.mark.parametrize(
    ("does", "message"),
    [
        (lambda view: _raise(ZeroDivisionError("by the lens")), "failed: ZeroDivisionError: by the lens"),
        (lambda view: view.sweep, "failed: StrategyError: the strategy looked at 'sweep' without declaring it"),
        (lambda view: view.object.light.sort(), "failed: ValueError: .*read-only"),
        (lambda view: view.place(float("nan"), 1.0, Taught(strategy="x")), "SettingError: on_level must be a finite"),
        (lambda view: view.place(float("inf"), 1.0, Taught(strategy="x")), "SettingError: on_level must be a finite"),
        (lambda view: view.place(200.0, -1.0, Taught(strategy="x")), "SettingError: off_level .* must not exceed"),
        (lambda view: None, "must return a Setting or raise Abstained, got NoneType"),
        (lambda view: (200.0, 190.0), "must return a Setting or raise Abstained, got tuple"),
        (lambda view: replace(placed(view), unit="mV"), "taught in 'mV', but was shown light in 'counts'"),
        (lambda view: replace(placed(view), off_delay_ms=0.0), r"changed off_delay_ms from 5.0 to 0.0 without"),
        (lambda view: replace(placed(view), consecutive=2), "changed consecutive from 1 to 2 without declaring"),
        (lambda view: replace(placed(view), evaluation_rate_hz=500.0), "changed evaluation_rate_hz from None to 500.0"),
        (lambda view: placed(view, seen=float("nan")), "evidence must be plain JSON values and finite numbers"),
        (lambda view: placed(view, seen=np.arange(3)), "evidence must be plain JSON values and finite numbers"),
    ],
)
def test_nonsense_from_a_strategy_is_refused_by_its_name(
    block: TeachBlock, does: Callable[[TeachView], Any], message: str
) -> None:
    with pytest.raises(StrategyError, match=f"strategy 'made'.* ?{message}"):
        teach_once(made(does), block, 0, 0)


def test_what_a_strategy_declares_to_design_it_may_change(block: TeachBlock) -> None:
    strategy = made(
        lambda view: replace(placed(view), off_delay_ms=1.0, consecutive=4),
        designs=frozenset({"off_delay_ms", "consecutive"}),
    )
    setting = teach_once(strategy, block, 0, 0)
    assert (setting.off_delay_ms, setting.consecutive) == (1.0, 4)
    with pytest.raises(StrategyError, match="changed consecutive"):
        teach_once(made(lambda view: replace(placed(view), consecutive=4), designs={"off_delay_ms"}), block, 0, 0)


@pytest.mark.parametrize("needs", [frozenset({"smell"}), 5, None])
def test_needs_must_be_kinds_of_evidence(block: TeachBlock, needs: Any) -> None:
    with pytest.raises(
        StrategyError, match="strategy 'made': needs must be a set of background, object, sweep, events"
    ):
        teach_once(made(placed, needs=needs), block, 0, 0)


@pytest.mark.parametrize("passes", [0, -1, 2.5, "3", True])
def test_sweep_passes_must_be_a_count(block: TeachBlock, passes: Any) -> None:
    with pytest.raises(StrategyError, match="sweep_passes must be a whole number of at least 1"):
        teach_once(made(placed, sweep_passes=passes), block, 0, 0)


def test_parameters_of_every_field_are_told(block: TeachBlock) -> None:
    @dataclass(frozen=True)
    class More(Made):
        does: ClassVar[Callable[[TeachView], Any]] = staticmethod(placed)
        extra: int = field(default=3)

    setting = teach_once(More(gain=0.25), block, 0, 0)
    assert setting.taught is not None
    assert setting.taught.parameters == {"gain": 0.25, "extra": 3}
