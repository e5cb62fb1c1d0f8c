"""A family of settings replayed together equals each of them replayed alone."""

from __future__ import annotations

from dataclasses import replace
from types import ModuleType

import numpy as np
import pytest

from teachlab.errors import InputError, SettingError
from teachlab.model.recording import Recording, RecordingInfo
from teachlab.model.setting import Polarity, Setting
from teachlab.switching import family, replay, replay_family
from teachlab.switching.run import replay_together

SEEDS = range(2000, 2400)


def relatives(setting: Setting, levels: list[float], rng: np.random.Generator) -> list[Setting]:
    """Return the setting with other levels, delays and polarities; the rate stays."""
    out = [setting]
    for _ in range(8):
        on, off = sorted(rng.choice(levels, 2), reverse=True)
        out.append(
            replace(
                setting,
                on_level=float(on),
                off_level=float(off),
                polarity=Polarity(rng.choice(["light-on", "dark-on"])),
                consecutive=int(rng.integers(1, 4)),
                on_delay_ms=float(rng.integers(0, 3)) * 1000 / 999,
            )
        )
    return out


@pytest.mark.parametrize(("block", "max_edges"), [(7, 40), (64, family.MAX_EDGES), (family.FAMILY_BLOCK, 3)])
def test_family_equals_replay(cases: ModuleType, monkeypatch: pytest.MonkeyPatch, block: int, max_edges: int) -> None:
    monkeypatch.setattr(family, "FAMILY_BLOCK", block)
    monkeypatch.setattr(family, "MAX_EDGES", max_edges)
    compared = 0
    for seed in SEEDS:
        case = cases.make(seed)
        if case.null.all() or np.isnan(case.light.astype(np.float64)[~case.null]).all():
            continue
        info = RecordingInfo(sample_rate_hz=case.sample_rate, unit="counts")
        recording = Recording.from_array(case.light, info, invalid=case.null)
        setting = Setting(**{k: v for k, v in case.setting.items() if k != "schema"})
        rng = np.random.default_rng(seed)
        finite = case.light.astype(np.float64)[np.isfinite(case.light.astype(np.float64))]
        levels = [*finite.tolist(), setting.on_level, setting.off_level]
        family_of = relatives(setting, levels, rng)
        try:
            alone = [replay(recording, s) for s in family_of]
        except InputError as error:
            with pytest.raises(type(error)):
                list(replay_family(recording, family_of))
            continue
        for one, together in zip(alone, replay_together(recording, family_of), strict=True):
            assert (one.output.first, one.output.edges.tolist()) == (
                together.output.first, together.output.edges.tolist()
            ), seed  # fmt: skip
        for one, together in zip(alone, replay_family(recording, family_of), strict=True):
            assert one.output.first == together.output.first, seed
            assert one.output.edges.tolist() == together.output.edges.tolist(), seed
            assert one.undelayed.edges.tolist() == together.undelayed.edges.tolist(), seed
            assert one.invalid.edges.tolist() == together.invalid.edges.tolist(), seed
            compared += 1
    assert compared > 8 * 0.9 * len(SEEDS)


def test_family_must_share_the_rate() -> None:
    recording = Recording.from_array(np.arange(9.0), RecordingInfo(sample_rate_hz=10, unit="V"))
    one = Setting(unit="V", on_level=3, off_level=2)
    with pytest.raises(SettingError, match="evaluation_rate_hz"):
        replay_family(recording, [one, replace(one, evaluation_rate_hz=5.0)])
