"""Reserves at any levels of the page of levels: its search and its table against the package."""

from __future__ import annotations

from dataclasses import replace
from types import ModuleType
from typing import Any

import numpy as np
import pytest

from teachlab.light.pass_and_gap_extremes import PassAndGapExtremes
from teachlab.model.recording import Recording, RecordingInfo
from teachlab.model.score import Rules
from teachlab.model.setting import Setting
from teachlab.model.truth import Truth
from teachlab.page.contents import (
    PageContents,
    clock_facts,
    page_contents,
    pass_arrays,
    receiver_facts,
    reserve_text,
)
from teachlab.page.light import packed_light
from teachlab.questions.stress.reserves import reserves
from teachlab.questions.surface.values.levels import read_first
from teachlab.scoring.claimable import touching_merges
from teachlab.scoring.scoring import score
from teachlab.switching.run import replay

MODULES = (
    "decoding", "switching", "scoring", "tables", "stress", "edges_between", "reserve_search", "reserve_table",
    "drawing", "reserves",
)  # fmt: skip
SEARCHED = """
async (cases) => {
  const out = [];
  for (const { facts, texts, settings } of cases) {
    const arrays = await decoded(facts.arrays, (name) => texts[name]);
    const light = { light: arrays.light, invalid: arrays.invalid ?? null }, { clock, receiver } = facts;
    const passes = { start: arrays.start, end: arrays.end, detect: arrays.detect, leftOut: arrays.left_out,
      doubtSamples: facts.uncertainty_samples, toleranceMs: facts.rules.tolerance_ms };
    const invalid = invalidRuns(light, clock);
    for (const setting of settings) {
      const search = searchedReserves({ light, clock, invalid, passes, setting, receiver });
      let step = search.next();
      while (!step.done) step = search.next();
      out.push(step.value && { ...step.value, words: reserveWords(step.value, facts) });
    }
  }
  return out;
}
"""
LOOKED = """
async ([facts, texts, settings]) => {
  const arrays = await decoded(facts.arrays, (name) => texts[name]);
  const tables = Object.fromEntries(TABLES.map((name) => [name, arrays[`table_${name}`]]));
  const counted = { levels: arrays.levels, distinct: facts.distinct, everyPair: facts.every_pair, tables };
  return settings.map(({ on_level: on, off_level: off }) =>
    [true, false].map((gain) => tableReserve(counted, pathOf(gain, facts.receiver, on, off))));
}
"""


def settings_of(setting: Setting, light: np.ndarray[Any, Any], seed: int) -> list[Setting]:
    """The setting, and others at random places around it: on samples, between them, and without hysteresis."""
    rng = np.random.default_rng(seed)
    out = [setting]
    for _ in range(4):
        on = setting.on_level + float(rng.normal(0, 2)) * (rng.random() < 0.8)
        off = on - float(rng.choice([0.0, 0.5, setting.hysteresis, 2 * setting.hysteresis]))
        if rng.random() < 0.3:
            on = float(rng.choice(light[np.isfinite(light)]))
        out.append(setting.with_levels(on, min(on, off)))
    return out


def sent(contents: PageContents, settings: list[Setting]) -> dict[str, Any]:
    """A page, and what is asked of it."""
    texts = {name: one.text for name, one in contents.arrays.items()}
    return {"facts": contents.facts, "texts": texts, "settings": [one.as_dict() for one in settings]}


def asked(recording: Recording, truth: Truth, settings: list[Setting]) -> dict[str, Any]:
    """As much of a page as the search takes, and what is asked of it."""
    rate = settings[0].evaluation_rate_hz
    reading = read_first(recording, rate)
    arrays, _ = packed_light(recording, reading.clock)
    extremes = PassAndGapExtremes.of(recording, truth, evaluation_rate_hz=rate)
    kinds = sorted(set(truth.label.tolist()))
    arrays = arrays | pass_arrays(truth, kinds, extremes, np.zeros(truth.passes, np.uint8))
    facts = {
        "arrays": {name: one.as_dict() for name, one in arrays.items()}, "clock": clock_facts(reading.clock),
        "receiver": receiver_facts(recording, reading), "rules": {"tolerance_ms": 0.0}, "unit": recording.info.unit,
        "uncertainty_samples": truth.uncertainty_samples,
    }  # fmt: skip
    texts = {name: one.text for name, one in arrays.items()}
    return {"facts": facts, "texts": texts, "settings": [one.as_dict() for one in settings]}


def wanted(recording: Recording, truth: Truth, setting: Setting) -> dict[str, float | None]:
    found = reserves(recording, truth, setting, scored=score(replay(recording, setting), truth))
    assert found["contamination_resolution"] == found["ambient_resolution"] == 0
    return found


def same(page: dict[str, Any] | None, found: dict[str, float | None]) -> bool:
    assert page is not None
    assert page["rise"]["sure"] == "exact"
    if found["ambient_reserve"] is None:
        return bool(page["rise"]["value"] is None)
    loss = None if page["loss"] is None else page["loss"]["value"]
    assert page["refused"] == found["share_of_light_refused"]
    return bool((loss, page["rise"]["value"]) == (found["contamination_reserve"], found["ambient_reserve"]))


def test_reserves_at_random_levels_are_those_of_stress(script: Any, stressed: ModuleType) -> None:
    """To the last bit: filter, delays, polarity, invalid samples, rates, full scale, dark level, doubtful borders."""
    made, cases = [], []
    for seed in range(400, 480):
        line = stressed.Line(seed)
        settings = settings_of(line.setting, line.light, seed)
        cases.append(asked(line.recording, line.truth, settings))
        made += [(line, one) for one in settings]
    found = script.evaluate(SEARCHED, cases)
    there = memory = 0
    for (line, setting), page in zip(made, found, strict=True):
        stress = wanted(line.recording, line.truth, setting)
        assert same(page, stress), (line, setting, page, stress)
        if setting is line.setting:
            assert page["words"] == reserve_text(line.recording, line.truth, setting, Rules())
        there += stress["ambient_reserve"] is not None
        memory += stress["ambient_reserve"] is not None and setting.has_memory
    assert len(made) == 400
    assert there > 100
    assert memory > 40


def smooth(seed: int) -> tuple[Recording, Truth, Setting]:
    """More distinct levels than a table holds, slow noisy edges, spikes in gaps, and passes that touch."""
    rng = np.random.default_rng(seed)
    start = np.cumsum(rng.integers(60, 90, 16))
    end = start + rng.integers(25, 40, 16)
    end[[3, 9]] = start[[4, 10]]
    light = rng.normal(100, 2, int(end[-1]) + 60)
    for a, b in zip(start, end, strict=True):
        light[a:b] += np.minimum(np.minimum(np.arange(b - a), np.arange(b - a)[::-1]) * 15, rng.uniform(90, 160))
    light[start[:8] - 8] += rng.uniform(0, 30, 8)
    setting = Setting(
        unit="counts", on_level=float(rng.uniform(130, 150)), off_level=float(rng.uniform(115, 128)),
        consecutive=int(rng.choice([1, 2])), on_delay_ms=float(rng.choice([0, 1])),
        off_delay_ms=float(rng.choice([0, 2])),
    )  # fmt: skip
    info = RecordingInfo(sample_rate_hz=1000, unit="counts", full_scale=400)
    return Recording.from_array(light, info), Truth.from_arrays(start, end, uncertainty_samples=2), setting


def scanned(recording: Recording, truth: Truth, setting: Setting, *, gain: bool, most: float) -> float | None:
    """The reserve by replaying the stressed light at every point where a sample meets a level: the slow twin."""
    light = recording.read(0, recording.samples).light
    right = lambda at: _right(recording, truth, setting, light * at if gain else light + at)  # noqa: E731
    if not right(1.0 if gain else 0.0):
        return None
    levels = np.array([setting.on_level, setting.off_level])[:, None]
    met = np.unique(levels / light if gain else levels - light)
    met = met[(met > 0) & (met < (1 if gain else most))]
    # Between two meetings nothing changes: the middle tells of all of it.
    middles = (met[1:] + met[:-1]) / 2
    for k in range(met.size - 2, -1, -1) if gain else range(met.size - 1):
        if not right(float(middles[k])):
            return float(1 - met[k + 1] if gain else met[k])
    return None


def _right(recording: Recording, truth: Truth, setting: Setting, light: np.ndarray[Any, Any]) -> bool:
    stressed = Recording.from_array(np.clip(light, 0, 400), recording.info)
    n = score(replay(stressed, setting), truth, tables=False).counts
    return n.lost == n.extra == n.false_trips == 0


def test_reserves_on_light_of_many_levels_are_those_of_a_scan(script: Any) -> None:
    """Light that is finer than any table, against every point at which a sample meets a level."""
    there = 0
    for seed in range(12):
        recording, truth, setting = smooth(seed)
        assert np.unique(recording.read(0, recording.samples).light).size > 1100
        apart = score(replay(recording, setting), truth).counts.merged == 0
        page = script.evaluate(SEARCHED, [asked(recording, truth, [setting])])[0]
        if apart:
            for name, gain in (("loss", True), ("rise", False)):
                scan = scanned(recording, truth, setting, gain=gain, most=400.0)
                assert (page[name]["value"] is None) == (scan is None)
                assert scan is None or page[name]["value"] == pytest.approx(scan, rel=1e-12)
        stress = wanted(recording, truth, setting)
        assert same(page, stress), seed
        there += stress["ambient_reserve"] is not None
    assert there >= 6


def test_touching_passes_that_merge_count_as_one(script: Any) -> None:
    """By hand: passes of 50 above dark, a level of 40: 20 % may be lost, whether or not two of them touch.

    With 30 added, gaps reach the release: a little less may be added.
    """
    light = np.zeros(300)
    light[50:90] = light[150:230] = 50.0
    recording = Recording.from_array(light, RecordingInfo(sample_rate_hz=1000, unit="counts"))
    truth = Truth.from_arrays([50, 150, 190], [90, 190, 230])
    setting = Setting(unit="counts", on_level=40, off_level=30)
    page = script.evaluate(SEARCHED, [asked(recording, truth, [setting])])[0]
    assert page["loss"] == {"value": pytest.approx(0.2, rel=1e-12), "sure": "exact"}
    assert page["words"] == (
        "Reserves on this recording: 20 % of the light may be lost, or ambient light may rise by 29.99 counts, "
        "before the first error."
    )
    assert page["words"] == reserve_text(recording, truth, setting, Rules())


def test_a_reserve_is_not_rounded_up(script: Any) -> None:
    """By hand: a pass of 53.61 and a level of 40 leave 25.387 %; a release of 30.126 above gaps of 0."""
    light = np.zeros(300)
    light[50:90] = light[150:230] = 53.61
    recording = Recording.from_array(light, RecordingInfo(sample_rate_hz=1000, unit="counts"))
    truth = Truth.from_arrays([50, 150], [90, 230])
    setting = Setting(unit="counts", on_level=40, off_level=30.126)
    page = script.evaluate(SEARCHED, [asked(recording, truth, [setting])])[0]
    assert "25.3 % of the light may be lost" in page["words"]
    assert "may rise by 30.12 counts" in page["words"]
    assert page["words"] == reserve_text(recording, truth, setting, Rules())


def test_reserves_by_the_table_are_those_of_stress(
    script: Any, stressed: ModuleType, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where the light does not travel: at random pairs, to the last bit, or nothing where nothing was counted."""
    monkeypatch.setattr("teachlab.page.light.MOST_RAW", 10)
    there = told = met = 0
    for seed in range(700, 720):
        line = stressed.Line(seed)
        setting = replace(line.setting, consecutive=1, on_delay_ms=0.0, off_delay_ms=0.0)
        if seed % 3 == 0:  # filter and delays: counted without hysteresis, where both levels go together
            setting = replace(line.setting.with_levels(line.setting.on_level, line.setting.on_level))
        contents = page_contents(line.recording, line.truth, setting)
        one = sent(contents, settings_of(setting, line.light, seed))
        page = script.evaluate(LOOKED, [one["facts"], one["texts"], one["settings"]])
        merges = np.any(line.truth.start[1:] == line.truth.end[:-1])
        for point, (loss, rise) in zip(settings_of(setting, line.light, seed), page, strict=True):
            assert (loss is None) == (rise is None)
            if rise is None and merges:
                # Two that touch and merge count as one, which the table cannot follow.
                found = score(replay(line.recording, point), line.truth)
                if touching_merges(line.truth, found.trials).any():
                    met += 1
                    continue
            if rise is None:
                assert not contents.facts["every_pair"]
                assert point.hysteresis > 0 or point.on_level > one["facts"]["receiver"]["high"]
                continue
            stress = wanted(line.recording, line.truth, point)
            told += 1
            loss = None if stress["share_of_light_refused"] else loss
            assert same({"loss": loss, "rise": rise, "refused": stress["share_of_light_refused"]}, stress), seed
            there += stress["ambient_reserve"] is not None
    assert met > 0
    assert told > 50
    assert there > 20


def test_a_thin_table_tells_a_bound_or_nothing(script: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    """With fewer levels counted than the light has: an error that was counted bounds the reserve from above."""
    monkeypatch.setattr("teachlab.page.light.MOST_RAW", 10)
    there = 0
    for seed in range(4):
        recording, truth, setting = smooth(seed)
        setting = setting.with_levels(setting.on_level, setting.on_level)
        contents = page_contents(recording, truth, setting)
        one = sent(contents, [setting, setting.with_levels(setting.on_level, setting.on_level - 3.0)])
        (loss, rise), apart = script.evaluate(LOOKED, [one["facts"], one["texts"], one["settings"]])
        assert apart == [None, None]
        stress = wanted(recording, truth, setting)
        for bound, found in ((loss, stress["contamination_reserve"]), (rise, stress["ambient_reserve"])):
            if found is None:
                continue
            assert bound["sure"] == "below"
            assert found < bound["value"] < found + 0.2 * (1 if bound is loss else 100)
            there += 1
    assert there >= 2
