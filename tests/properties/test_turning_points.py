"""Turning points, many settings together over stretches and blocks: each as the plain walk goes, compiled or not."""

from __future__ import annotations

from collections.abc import Iterator
from types import ModuleType
from typing import Any

import numpy as np
import pytest

from teachlab.model.following_and_window import TurningPointSetting
from teachlab.sensor.following.turning_points import FIRST_LOOK, STRETCH, TurningPoints

SIZE = 30_000


def lights() -> Iterator[tuple[str, np.ndarray[Any, Any]]]:
    """Quiet light with dips, a random walk, noise that switches at every turn, and light with holes and infinities."""
    rng = np.random.default_rng(1)
    ramp = 100 - 60 * np.arange(SIZE) / SIZE
    dips = ramp * np.where(np.arange(SIZE) % 1700 < 90, 0.5, 1.0) + 0.2 * rng.standard_normal(SIZE)
    yield "dips", dips
    yield "walk", np.cumsum(rng.standard_normal(SIZE))
    yield "noise", rng.integers(0, 30, SIZE).astype(np.float64)
    holes = dips.copy()
    holes[rng.random(SIZE) < 0.2] = np.nan
    holes[5000:7000] = np.nan
    holes[rng.integers(0, SIZE, 6)] = [np.inf, -np.inf, np.inf, -1e300, 1e300, 0.0]
    yield "holes", holes
    late = dips.copy()
    late[:9000] = np.nan
    yield "late", late


def settings(light: np.ndarray[Any, Any]) -> list[TurningPointSetting]:
    finite = light[np.isfinite(light)]
    low, span = float(np.quantile(finite, 0.01)), float(np.quantile(finite, 0.99) - np.quantile(finite, 0.01))
    common = {"unit": "counts", "polarity": "light-on"}
    found = []
    for part in (0.03, 0.2, 0.6, 1.0):
        for direction in ("dip", "rise"):
            found.append(
                TurningPointSetting(**common, direction=direction, background=low + span / 2, distance=part * span)
            )
        for dark in (low - span, low + 0.3 * span):
            found.append(
                TurningPointSetting(
                    **common, form="gain", background=low + span, dark_level=dark, share=part, return_share=0.4
                )
            )
    return found


@pytest.mark.parametrize("fast", [False, True])
@pytest.mark.parametrize(("name", "light"), list(lights()), ids=lambda v: v if isinstance(v, str) else "")
def test_every_setting_goes_as_the_plain_twin(
    fast: bool, name: str, light: np.ndarray[Any, Any], twin: ModuleType
) -> None:
    if fast:
        pytest.importorskip("numba")
    some = settings(light)
    expected = [twin.turning_points(light.tolist(), s.as_dict()) for s in some]
    for lengths in ((SIZE,), (1, 2, STRETCH * FIRST_LOOK + 7, 9999)):
        together, at, k = TurningPoints(some, fast=fast), 0, 0
        while at < SIZE:
            together.push(light[at : at + lengths[k % len(lengths)]])
            at, k = at + lengths[k % len(lengths)], k + 1
        states = [state.dense(SIZE).tolist() for state in together.light_states()]
        assert states == expected
        assert together.held == sum(state.edges.size for state in together.light_states()) > 0


def test_quiet_stretches_are_not_walked(monkeypatch: pytest.MonkeyPatch) -> None:
    from teachlab.sensor.following import turning_points

    walked = []
    walk = turning_points.walk
    monkeypatch.setattr(turning_points, "walk", lambda part, *rest: (walked.append(len(part)), walk(part, *rest))[1])
    _, light = next(lights())
    dips = TurningPoints([TurningPointSetting(unit="counts", background=100.0, share=0.3, form="gain")])
    dips.push(light)
    assert dips.light_state().edges.size == 2 * -(-SIZE // 1700) - 1  # it begins within an object, which is no edge
    assert sum(walked) < 0.1 * SIZE


def test_a_dip_by_hand() -> None:
    """Share 0.1 of the light above 10: D = 9 below 100, 3.6 below 46; back at 0.6 · D above the lowest."""
    light = np.array([100, 92, 91, 90.9, 80, 85.3, 85.4, 86, 46, 46, 50, 46.3, 46.1])
    setting = TurningPointSetting(
        unit="counts", form="gain", share=0.1, background=95, dark_level=10, polarity="dark-on"
    )
    one = TurningPoints([setting])
    one.push(light)
    # 3: 100 − 90.9 > 9. 6: 85.4 − 80 = 5.4 = 0.6 · 9. 8: 86 − 46 > 7.6; and 50 is back by less than 0.6 · 7.6 = 4.56.
    assert one.light_state().edges.tolist() == [3, 6, 8]
    assert one.light_state().first is True
