"""The page of levels in a real browser: its script against the package, and walks by keyboard and by mouse."""

from __future__ import annotations

import math
import subprocess
import threading
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import pytest
import shell

import teachlab.page.assembly as assembly
from teachlab.data.recording_files import read_recording, write_recording
from teachlab.data.setting_files import read_setting, setting_from_dict, setting_text, write_setting
from teachlab.data.truth_files import read_history, read_truth, write_truth
from teachlab.errors import RecordingError
from teachlab.model.following_and_window import FollowingSetting, TurningPointSetting, WindowSetting
from teachlab.model.printable_text import cut, in_figures, level_text, number_of
from teachlab.model.recording import Recording, RecordingInfo
from teachlab.model.score import Rules, Score
from teachlab.model.setting import Polarity, Setting
from teachlab.model.truth import Truth, TruthSource
from teachlab.page.assembly import page_html, script_text
from teachlab.page.contents import page_contents, reserve_text
from teachlab.page.corrections import CorrectedPasses
from teachlab.page.server import PageServer
from teachlab.questions.surface.count import surface
from teachlab.questions.surface.values.table import COUNTED
from teachlab.questions.verdict import FilesJudged
from teachlab.scoring.claimable import touching_merges, without_touching, wrong_apart
from teachlab.scoring.claims import losses_claim, lot_counts
from teachlab.scoring.scoring import score
from teachlab.sensor.clock import Clock
from teachlab.statistics.intervals import count, proportion
from teachlab.statistics.planning import rounded_up
from teachlab.switching.run import replay

MODULES = ("decoding", "switching", "scoring", "intervals", "tables", "setting_text", "drawing")
"""Those that count."""


def saved_by(page: Any) -> Path:
    """Return the file that the page saves."""
    with page.expect_download() as download:
        page.click("#save")
    return Path(download.value.path())


REPLAYED = """
async (cases) => {
  const out = [];
  for (const { facts, texts, setting } of cases) {
    const arrays = await decoded(facts.arrays, (name) => texts[name]);
    const light = { light: arrays.light, invalid: arrays.invalid ?? null };
    const output = switched(light, facts.clock, setting);
    const passes = { start: arrays.start, end: arrays.end, detect: arrays.detect, leftOut: arrays.left_out,
      doubtSamples: facts.uncertainty_samples, toleranceMs: facts.rules.tolerance_ms };
    const found = scored(output, passes, facts.clock);
    const edges = output.output.filter((at) => at > 0 && at < output.count);
    out.push({ counts: found.counts, passes: Array.from(found.passes), gaps: Array.from(found.gaps), edges,
      active: output.output[0] === 0 });
  }
  return out;
}
"""


def _case(cases: ModuleType, kinds: ModuleType, seed: int, kind: str) -> tuple[dict[str, Any], Any, Any] | None:
    """A random case as the page gets it, with output and score of the package; None where nothing is valid."""
    from teachlab.light.pass_and_gap_extremes import PassAndGapExtremes
    from teachlab.page.contents import clock_facts, pass_arrays
    from teachlab.page.light import packed_light

    case = cases.make(seed)
    recording, truth, setting = cases.recording_of(case), cases.truth_of(case), cases.setting_of(case)
    if kind != "fixed":
        made = {"window": kinds.window_of, "following": kinds.following_of, "turning-point": kinds.turning_of}[kind]
        setting = setting_from_dict(made(case), "a case")
    if seed % 5 == 4 and recording.samples > 20:  # stretches that the passes say nothing about
        third = recording.samples // 3
        truth = Truth(
            truth.start, truth.end, truth.detect, truth.label, uncertainty_samples=truth.uncertainty_samples,
            except_=((third, third + 7), (third + 9, third + 10)),
        )  # fmt: skip
    rules = Rules(tolerance_ms=case.tolerance_ms)
    clock = Clock.of(recording.samples, recording.info.sample_rate_hz, setting.evaluation_rate_hz)
    try:
        output = replay(recording, setting)
    except RecordingError:
        return None
    arrays, how = packed_light(recording, clock)
    extremes = PassAndGapExtremes.of(recording, truth, evaluation_rate_hz=setting.evaluation_rate_hz, rules=rules)
    assert how == {"raw": True}
    kinds_of = list(dict.fromkeys(truth.label.tolist()))
    arrays = arrays | pass_arrays(truth, kinds_of, extremes, np.zeros(truth.passes, np.uint8))
    facts = {
        "arrays": {name: one.as_dict() for name, one in arrays.items()},
        "rules": {"tolerance_ms": rules.tolerance_ms},
        "uncertainty_samples": truth.uncertainty_samples,
        "clock": clock_facts(clock),
    }
    sent = {"facts": facts, "texts": {name: one.text for name, one in arrays.items()}, "setting": setting.as_dict()}
    return sent, output, score(output, truth, rules=rules, tables=False)


@pytest.mark.parametrize("kind", ["fixed", "window", "following", "turning-point"])
def test_the_replay_of_the_page_is_that_of_the_package_on_300_recordings(
    script: Any, cases: ModuleType, kinds: ModuleType, kind: str
) -> None:
    """Delays, filter, polarity, invalid samples, rates, windows, tolerance, stretches left out: count for count."""
    made = [case for seed in range(5000, 5330) if (case := _case(cases, kinds, seed, kind)) is not None]
    assert len(made) >= 300
    for (sent, output, result), page in zip(made, script.evaluate(REPLAYED, [one[0] for one in made]), strict=True):
        where = sent["setting"]
        edges = np.sort(np.concatenate((output.output.rises(), output.output.falls())))
        assert page["edges"] == edges.tolist(), where
        assert page["active"] == output.active_at_start, where
        assert page["passes"] == result.trials.passes.tolist(), where
        assert page["gaps"] == result.trials.gaps.tolist(), where
        n = page["counts"]
        names = [name for name in n if name not in ("false_active", "gap_evaluations")]
        assert {name: n[name] for name in names} == {name: getattr(result.counts, name) for name in names}, where
        share = n["false_active"] / n["gap_evaluations"] if n["gap_evaluations"] else None
        assert share == result.false_active_share


@pytest.mark.parametrize("seed", [3, 14, 27])
@pytest.mark.parametrize("delay", [0.0, 3.0])
def test_every_cell_of_every_table_is_that_of_the_surface(script: Any, seed: int, delay: float) -> None:
    rng = np.random.default_rng(seed)
    light = rng.integers(0, 60, 1500).astype(np.int16)
    start = np.arange(30) * 50 + 10
    recording = Recording.from_array(light, RecordingInfo(sample_rate_hz=1000, unit="counts"))
    # Every third pass lasts until the next one begins.
    end = start + np.where(np.arange(30) % 3 == 1, 50, 20)
    end[-1] = start[-1] + 20
    truth = Truth.from_arrays(start, end, detect=[k % 4 > 0 for k in range(30)])
    setting = Setting(unit="counts", on_level=30, off_level=20, on_delay_ms=delay)
    found, contents = surface(recording, truth, setting), page_contents(recording, truth, setting)
    texts = {name: one.text for name, one in contents.arrays.items()}
    asked = [(float(a), float(b)) for a in np.arange(-2, 63, 2.5) for b in np.arange(-2, a + 0.1, 4.5)]
    page = script.evaluate(
        """async ([facts, texts, asked]) => {
          const arrays = await decoded(facts.arrays, (name) => texts[name]);
          const tables = Object.fromEntries(TABLES.map((name) => [name, arrays[`table_${name}`]]));
          const counted = { levels: arrays.levels, distinct: facts.distinct, everyPair: facts.every_pair, tables };
          const n = arrays.levels.length, cells = [];
          for (let i = 0; i < n; i++) {
            for (let j = facts.every_pair ? 0 : i; j <= i; j++) cells.push(countsAt(counted, i, j));
          }
          return { cells, found: asked.map(([on, off]) => cellOf(counted, on, off)) };
        }""",
        [contents.facts, texts, asked],
    )
    n = found.levels.size
    pairs = [(i, j) for i in range(n) for j in (range(i + 1) if found.every_pair else [i])]
    assert len(pairs) == (n * (n + 1) // 2 if delay == 0 else n)
    met = found.touching_merges
    assert page["cells"] == [found.at(i, j) | {"touching": int(met[i, j])} for i, j in pairs]
    assert met.max() > 0
    where = [found.index_of(setting.with_levels(on, off)) for on, off in asked]
    assert [None if one is None else tuple(one) for one in page["found"]] == where
    assert set(page["cells"][0]) == set(COUNTED)


def test_intervals_are_those_of_the_package(script: Any) -> None:
    """The package's own are scipy's quantiles of beta and gamma."""
    shares = [(0, 0), (0, 1), (1, 1), (0, 400), (3, 400), (200, 400), (399, 400), (17, 200_000), (199_990, 200_000)]
    counts = [(0, 0.0), (0, 2.5), (1, 2.5), (15, 0.2778), (4000, 8.0)]
    for confidence in (0.9, 0.95, 0.999):
        page = script.evaluate(
            "([shares, counts, c]) => [shares.map(([k, n]) => shareInterval(k, n, c)), "
            "counts.map(([k, e]) => countInterval(k, e, c).map(String))]",
            [shares, counts, confidence],
        )
        for (k, n), (low, high) in zip(shares, page[0], strict=True):
            ours = proportion(k, n, confidence)
            assert (low, high) == pytest.approx((ours.low, ours.high), rel=1e-9, abs=1e-13), (k, n)
        for (k, exposure), ends in zip(counts, page[1], strict=True):
            ours = count(k, exposure, confidence, per="h")
            assert [float(e.replace("Infinity", "inf")) for e in ends] == pytest.approx([ours.low, ours.high], rel=1e-9)


def test_numbers_are_written_as_the_package_writes_them(script: Any) -> None:
    rng = np.random.default_rng(1)
    values = [
        0.0,
        -0.0,
        1.0,
        512.0,
        0.1,
        1e15,
        1e16,
        123456789012345680.0,
        1e22,
        1e-4,
        1e-5,
        0.00012345,
        5e-324,
        1.7e308,
    ]
    values += (rng.normal(size=300) * 10.0 ** rng.integers(-12, 22, 300)).tolist()
    values += rng.integers(-(2**53), 2**53, 50).astype(float).tolist()
    assert script.evaluate("(xs) => xs.map(pythonFloat)", values) == [repr(v) for v in values]


def test_numbers_for_people_are_those_of_the_package(script: Any) -> None:
    """Levels to the smallest step of the light, figures without exponents, exact halves to the even digit."""
    rng = np.random.default_rng(2)
    values = [0.0, 1306.2, 12344.5, 12345.5, -0.375, 1e60, -1.25e-12, 4e-7, 1000040.25, 999999.6, 1e-7, 1e15]
    values += (rng.normal(size=300) * 10.0 ** rng.integers(-12, 18, 300)).tolist()
    values += (rng.integers(-(10**6), 10**6, 200) / 16).tolist()
    for digits in (3, 4, 5, 6):
        found = script.evaluate("([xs, digits]) => xs.map((x) => inFigures(x, digits))", [values, digits])
        assert found == [in_figures(value, digits) for value in values]
        found = script.evaluate(
            "([xs, digits]) => xs.map((x) => inFigures(cutTo(x, digits), digits))", [values, digits]
        )
        assert found == [in_figures(cut(value, digits), digits) for value in values]
    for step in (None, 1.0, 0.0244, 0.0999999999999, 5.0, 1e-10):
        levels = [value for value in values if value and (step is None or 1e-3 < abs(value) < 1e5)]
        found = script.evaluate("([xs, step]) => xs.map((x) => levelText(x, step))", [levels, step])
        assert found == [level_text(level, step) for level in levels], step


@pytest.mark.parametrize(
    ("scale", "offset", "kind"), [(1.0, 0.0, "i"), (1.0, 1e6, "i"), (0.1, 1e6, "f"), (1e-9, 0.0, "f"), (1e-9, 1.0, "f")]
)
def test_levels_are_told_as_in_the_first_line_and_apart(
    chromium: Any, tmp_path: Path, scale: float, offset: float, kind: str
) -> None:
    rng, start = np.random.default_rng(3), np.arange(40) * 50 + 20
    light = rng.normal(100, 2, 40 * 50 + 40)
    for a in start:
        light[a : a + 20] += 300
    light = light.round().astype(np.int32) + int(offset) if kind == "i" else scale * light + offset
    setting = Setting(unit="W", on_level=scale * 205.6 + offset, off_level=scale * 195.3 + offset)
    write_recording(
        tmp_path / "line.parquet", Recording.from_array(light, RecordingInfo(sample_rate_hz=1000, unit="W"))
    )
    write_truth(tmp_path / "line.passes.parquet", Truth.from_arrays(start, start + 20))
    opened = Opened(chromium, _written(tmp_path, setting))
    page = opened.page
    on, off = (page.inner_text(f"#{name}-value") for name in ("on", "off"))
    assert f"on {on.removesuffix(' W')}, off {off}," in page.inner_text("#decision")
    assert on != off
    assert float(on.removesuffix(" W")) == pytest.approx(setting.on_level, abs=scale * 1.0)
    assert "e-" not in page.inner_text("body")
    opened.close()


class Opened:
    """A page opened offline, with every request and fault noted."""

    def __init__(self, chromium: Any, path: Path, **context: Any) -> None:
        self.context = chromium.new_context(offline=True, accept_downloads=True, **context)
        self.page = self.context.new_page()
        self.requests: list[str] = []
        self.faults: list[str] = []
        self.page.on("request", lambda request: self.requests.append(request.url))
        self.page.on("pageerror", lambda fault: self.faults.append(str(fault)))
        self.page.on("console", lambda told: self.faults.append(told.text) if told.type == "error" else None)
        self.page.goto(path.as_uri())
        self.page.wait_for_selector("body[data-ready]")

    def close(self) -> None:
        self.context.close()
        assert self.faults == []
        assert [url for url in self.requests if not url.startswith(("file:", "blob:"))] == []
        assert len([url for url in self.requests if url.startswith("file:")]) == 1


def _line(folder: Path, *, passes: int = 40, hostile: tuple[str, ...] = ()) -> Path:
    rng = np.random.default_rng(8)
    start = np.arange(passes) * 50 + 20
    light = rng.integers(95, 106, passes * 50 + 40).astype(np.uint16)
    for k, a in enumerate(start):
        light[a : a + 20] += 300 + 5 * (k % 30)
    light[5 + 50 * 7] = 250  # one spike in a gap
    names = hostile or ("white lid", "brown lid")
    unit, title = ("counts </script>", hostile[0] + hostile[9]) if hostile else ("counts", "Skarnhollow, line 3")
    name = "a <b>&'\"" if hostile else "line"
    info = RecordingInfo(sample_rate_hz=1000, unit=unit, title=title)
    write_recording(folder / f"{name}.parquet", Recording.from_array(light, info))
    truth = Truth.from_arrays(start, start + 20, label=[names[k % len(names)] for k in range(passes)])
    write_truth(folder / f"{name}.passes.parquet", truth)
    write_setting(folder / "low.json", Setting(unit=unit, on_level=200, off_level=180))
    asked = [str(folder / f"{name}.parquet"), "--setting", str(folder / "low.json"), "--out", str(folder / "page.html")]
    shell.run("explore", *asked)
    return folder / "page.html"


def _tabbed_to(page: Any, identifier: str) -> None:
    for _ in range(40):
        page.keyboard.press("Tab")
        if page.evaluate("document.activeElement.id") == identifier:
            return
    pytest.fail(f"no way to {identifier} by Tab")


def test_a_walk_by_keyboard_from_opening_to_a_saved_setting(chromium: Any, tmp_path: Path) -> None:
    """At 200 counts the spike of 250 trips once: up to the next change it is gone, and the setting is saved."""
    opened = Opened(chromium, _line(tmp_path))
    page = opened.page
    assert page.inner_text("#sum") == "0 of 40 passes lost, 1 false trip, 0 extra switchings."
    # Of seconds, no rate per hour.
    assert " per s\t" in page.inner_text("#counts")
    assert " per h" not in page.inner_text("#counts")
    _tabbed_to(page, "on")
    assert "1 false trip" in page.get_attribute("#on", "aria-valuetext")
    page.keyboard.press("PageUp")
    assert page.inner_text("#sum") == "0 of 40 passes lost, 0 false trips, 0 extra switchings."
    on = float(page.get_attribute("#on", "aria-valuenow"))
    assert 250 < on <= 400
    page.keyboard.press("PageUp")
    assert "1 of 40 passes lost" in page.inner_text("#sum") or "2 of 40 passes lost" in page.inner_text("#sum")
    page.keyboard.press("n")
    assert "missed" in page.inner_text("#said")
    page.keyboard.press("PageDown")
    assert page.inner_text("#sum") == "0 of 40 passes lost, 0 false trips, 0 extra switchings."
    page.wait_for_timeout(400)
    assert page.inner_text("#live") == page.inner_text("#sum")
    assert f"#on={float(page.get_attribute('#on', 'aria-valuenow')):g}&off=180" in page.url
    _tabbed_to(page, "save")
    with page.expect_download() as download:
        page.keyboard.press("Enter")
    saved = Path(download.value.path()).read_bytes()
    assert download.value.suggested_filename == "line.setting.json"
    wanted = read_setting(tmp_path / "low.json").with_levels(float(page.get_attribute("#on", "aria-valuenow")), 180)
    assert saved == setting_text(wanted).encode()
    result = score(replay(*_pair(tmp_path, wanted)), _truth(tmp_path), tables=False).counts
    assert (result.lost, result.false_trips) == (0, 0)
    opened.close()


def _pair(folder: Path, setting: Setting) -> tuple[Recording, Setting]:
    return read_recording(folder / "line.parquet"), setting


def _truth(folder: Path) -> Truth:
    return read_truth(folder / "line.passes.parquet")


def _reserve_text(folder: Path, setting: Setting) -> str:
    return reserve_text(read_recording(folder / "line.parquet"), _truth(folder), setting, Rules())


def test_the_logged_output_has_a_row_above_the_replayed_one(chromium: Any, tmp_path: Path) -> None:
    """The sensor switched at every second pass only: half as many bars of its row as of the replayed one."""
    _line(tmp_path)
    recording, truth = read_recording(tmp_path / "line.parquet"), _truth(tmp_path)
    output = np.zeros(recording.samples, bool)
    for a, b in zip(truth.start[::2], truth.end[::2], strict=True):
        output[a:b] = True
    light = recording.read(0, recording.samples).light
    write_recording(tmp_path / "line.parquet", Recording.from_array(light, recording.info, output=output))
    write_truth(tmp_path / "line.passes.parquet", replace(truth, recording_digest=None))
    setting = Setting(unit="counts", on_level=300, off_level=280)
    opened = Opened(chromium, _written(tmp_path, setting))
    page = opened.page
    assert "as the sensor's own was logged and as replayed" in page.inner_text("#legend")
    page.wait_for_timeout(200)
    bars = page.evaluate(
        """() => {
          const canvas = document.querySelector("#trace canvas"), pen = canvas.getContext("2d");
          const { width, height } = canvas, most = { on: 0, ink: 0 };
          const style = getComputedStyle(document.documentElement);
          const wanted = Object.fromEntries(Object.keys(most).map((name) => {
            const hex = style.getPropertyValue(`--${name}`).trim();
            return [name, [1, 3, 5].map((k) => parseInt(hex.slice(k, k + 2), 16))];
          }));
          const data = pen.getImageData(0, 0, width, height).data;
          for (let y = Math.round(height / 2); y < height; y++) {
            for (const name of Object.keys(most)) {
              let runs = 0, inside = false;
              for (let x = 0; x < width; x++) {
                const at = 4 * (y * width + x);
                const same = wanted[name].every((part, k) => data[at + k] === part);
                if (same && !inside) runs++;
                inside = same;
              }
              most[name] = Math.max(most[name], runs);
            }
          }
          return most;
        }"""
    )
    assert bars == {"on": 20, "ink": 40}
    opened.close()


def test_a_walk_by_mouse(chromium: Any, tmp_path: Path) -> None:
    """The level is dragged in the trace; the best pair, the next error, a tile and the saved bytes by clicks."""
    opened = Opened(chromium, _line(tmp_path), viewport={"width": 1280, "height": 1000})
    page = opened.page
    assert saved_by(page).read_bytes() == (tmp_path / "low.json").read_bytes()
    box = page.locator("#trace .u-over").bounding_box()
    assert box is not None
    # The scale reaches 6 % beyond the light below and 12 % above: the level of 200 lies there.
    facts = page.evaluate("JSON.parse(document.getElementById('facts').textContent)")
    assert (facts["setting"]["on_level"], facts["setting"]["off_level"]) == (200, 180)
    top = page.evaluate("Math.max(...[...document.querySelectorAll('#on')].map(k => +k.getAttribute('aria-valuemax')))")
    bottom = page.evaluate("+document.getElementById('on').getAttribute('aria-valuemin')")
    room = (top - bottom) * 0.06
    y = box["y"] + box["height"] * (1 - (200 - (bottom - room)) / (top - bottom + 3 * room))
    page.mouse.move(box["x"] + 200, y)
    page.mouse.down()
    page.mouse.move(box["x"] + 200, y - 30, steps=5)
    page.mouse.up()
    moved = float(page.get_attribute("#on", "aria-valuenow"))
    assert moved > 220
    assert float(page.get_attribute("#off", "aria-valuenow")) == 180
    page.click("#best")
    assert page.inner_text("#sum").startswith("0 of 40 passes lost, 0 false trips")
    best = read_setting(saved_by(page))
    assert (best.on_level, best.off_level) == (facts["best"]["on"], facts["best"]["off"])
    n = score(replay(*_pair(tmp_path, best)), _truth(tmp_path), tables=False).counts
    assert (n.lost, n.false_trips, n.extra) == (0, 0, 0)
    page.click("#back")
    assert page.get_attribute("#on", "aria-valuenow") == "200"
    page.click("#next")
    assert "false trip" in page.inner_text("#said")
    before = page.inner_text("#span")
    page.click("#strip", position={"x": 5, "y": 5})
    assert page.inner_text("#span") != before
    opened.close()


def test_nothing_of_a_hostile_file_is_markup_or_script(
    chromium: Any, tmp_path: Path, hostile_texts: tuple[str, ...]
) -> None:
    opened = Opened(chromium, _line(tmp_path, hostile=hostile_texts))
    page = opened.page
    assert "owned" not in page.evaluate("document.title.replace(/document.title='owned'/g, '')")
    assert page.locator("#title").inner_text().startswith("<script>document.title='owned'</script>")
    assert page.locator("img, b, svg").count() == 0
    assert saved_by(page).read_bytes() == (tmp_path / "low.json").read_bytes()
    opened.close()


def test_a_long_name_leaves_the_table_of_kinds_readable(chromium: Any, tmp_path: Path) -> None:
    """A name of 500 characters is cut where it stands, and whole in its title; a blank one shows that it is blank."""
    names = ("W" * 500, "   ", "", *(f"lid {k}" for k in range(8)))
    opened = Opened(chromium, _line(tmp_path, hostile=names), viewport={"width": 800, "height": 900})
    page = opened.page
    page.click("#kinds summary")
    assert page.evaluate(
        "(({ scrollWidth, clientWidth }) => scrollWidth <= clientWidth)(document.querySelector('#kinds .scroll'))"
    )
    assert page.locator("#by-kind .long").get_attribute("title") == "W" * 500
    rows = page.locator("#by-kind tbody th").all_text_contents()
    assert {"without a name", '"   "', "lid 7"} <= set(rows)
    opened.close()


@pytest.mark.parametrize("width", [1280, 360])
def test_names_of_kinds_stand_whole_beside_or_above_their_rows(chromium: Any, tmp_path: Path, width: int) -> None:
    """At 400 px two jars that differ in the end of their names were both "amber jar 250 …"."""
    names = ("amber jar of 250 ml, white lid", "amber jar of 250 ml, brown lid")
    opened = Opened(chromium, _line(tmp_path, hostile=(*names, *[""] * 8)), viewport={"width": width, "height": 800})
    page = opened.page
    page.evaluate(
        """() => {
          window.texts = [];
          const own = CanvasRenderingContext2D.prototype.fillText;
          CanvasRenderingContext2D.prototype.fillText = function (text, x, y) {
            if (this.canvas.id === "spread") texts.push([text, x + this.measureText(text).width, y]);
            return own.apply(this, arguments);
          };
        }"""
    )
    page.evaluate("location.hash = '#on=300&off=150'")
    page.wait_for_timeout(200)
    drawn = {text: (right, y) for text, right, y in page.evaluate("texts")}
    high, wide = page.evaluate("(({ clientHeight, clientWidth }) => [clientHeight, clientWidth])(spread)")
    for name in names:
        assert 0 < drawn[name][1] < high
        assert width == 1280 or drawn[name][0] < wide
    opened.close()


def test_the_first_lines_say_what_to_do_and_why(chromium: Any, tmp_path: Path, ordinary: Path) -> None:
    """Without a setting what the surface says of fixed levels; the reason against a setting is not folded."""
    _line(tmp_path)
    told = shell.run("explore", tmp_path / "line.parquet", "--out", tmp_path / "none.html").stdout
    verdict = shell.document("surface", tmp_path / "line.parquet")["verdict"]
    opened = Opened(chromium, tmp_path / "none.html")
    first = opened.page.inner_text("#decision")
    assert first == "A fixed level can work here." == f"{verdict['decision'].capitalize()}."
    said = "No setting was given: the page starts at the pair of levels with the fewest errors, 0."
    assert opened.page.inner_text("#claim").startswith(said)
    assert " ".join(told.split()).startswith(f"{first} {said}")
    assert opened.page.locator("#why").is_hidden()
    opened.close()
    levels = ordinary.parent / "levels.html"
    for page, decision, unfolded in ((tmp_path / "page.html", "Cannot be decided", True), (levels, "Use", False)):
        opened = Opened(chromium, page)
        assert opened.page.inner_text("#decision").startswith(f"{decision}: ")
        assert opened.page.evaluate("why.open") is unfolded
        opened.close()


def test_places_with_errors_are_counted_as_places(chromium: Any, tmp_path: Path) -> None:
    """Under 40 errors stood "20 errors over the recording": several in one pass are one place."""
    _line(tmp_path)
    light = read_recording(tmp_path / "line.parquet").light[:].copy()
    for at in (3, 9):  # twice dark within these passes: 4 extra switchings
        light[20 + 50 * at + 4 : 20 + 50 * at + 7] = light[20 + 50 * at + 11 : 20 + 50 * at + 14] = 100
    write_recording(
        tmp_path / "line.parquet", Recording.from_array(light, RecordingInfo(sample_rate_hz=1000, unit="counts"))
    )
    opened = Opened(chromium, _written(tmp_path, Setting(unit="counts", on_level=200, off_level=180)))
    page = opened.page
    assert page.inner_text("#sum") == "0 of 40 passes lost, 1 false trip, 4 extra switchings."
    assert page.get_attribute("#course", "aria-label") == "Errors over the recording: 3 places with errors"
    page.keyboard.press("n")
    assert page.inner_text("#said").startswith("Place 1 of 3 with errors: counted more than once, pass 3")
    opened.close()


def _sentence(truth: Truth, found: Score) -> str:
    """Return what the page says of a score."""
    (lost, _), n, met = wrong_apart(truth, found), found.counts, int(touching_merges(truth, found.trials).sum())
    trips = f"{n.false_trips} false {'trip' if n.false_trips == 1 else 'trips'}"
    told = f"{lost} of {n.scored_passes - met} passes lost, {trips}, {number_of(n.extra, 'extra switching')}."
    touch = "pass touches the one before and merges" if met == 1 else "passes touch the one before and merge"
    return f"{told} {met} {touch} with it: no error." if met else told


def test_products_that_touch_and_merge_are_no_error(chromium: Any, tmp_path: Path) -> None:
    """Every third product touches the one before: table, replay and server's outcomes leave it out, and say so."""
    start = np.arange(72) * 50 + 20
    end = start + np.where(np.arange(72) % 3 == 1, 50, 20)
    light = np.full(72 * 50 + 60, 100, np.uint16)
    for a, b in zip(start, end, strict=True):
        light[a:b] = 400
    light[5 + 50 * 9] = 250  # one spike in a gap
    light[start[8] : end[8]] = 180  # one weak product, that touches the one before
    recording = Recording.from_array(light, RecordingInfo(sample_rate_hz=1000, unit="counts"))
    truth = Truth.from_arrays(start, end, lot=[f"crate {k // 8}" for k in range(72)])
    write_recording(tmp_path / "line.parquet", recording)
    write_truth(tmp_path / "line.passes.parquet", truth)
    for on, delay in ((300, 0.0), (150, 0.0), (300, 4.0)):
        setting = Setting(unit="counts", on_level=on, off_level=on - 20, on_delay_ms=delay)
        opened = Opened(chromium, _written(tmp_path, setting))
        page = opened.page
        found = score(replay(recording, setting), truth)
        met = int(touching_merges(truth, found.trials).sum())
        lost, _ = wrong_apart(truth, found)
        assert met == {300: 23, 150: 24}[on]
        assert page.inner_text("#sum") == _sentence(truth, found)
        rows = dict(row.split("\t")[:2] for row in page.inner_text("#table tbody").splitlines())
        assert rows["passes lost"] == str(lost)
        assert rows["touching, no error"] == str(met)
        # Below the lost ones and not among the false trips; no name is cut.
        assert list(rows)[:4] == ["passes lost", "\u2003missed", "\u2003merged", "touching, no error"]
        assert page.evaluate("[...document.querySelectorAll('#table th *')].every(e => e.scrollWidth <= e.clientWidth)")
        assert page.get_attribute("#strip", "aria-label") == f"All passes: {lost} with errors come first"
        claim = losses_claim(lot_counts(truth, without_touching(truth, found.trials)))
        assert f"at most {rounded_up(100 * claim.upper, 2)} % are lost" in page.inner_text("#claim")
        opened.close()


def test_every_error_in_view_is_named_passes_and_gaps(chromium: Any, tmp_path: Path) -> None:
    """The one spike of the line trips a gap at 200; at 420 weak passes are missed, too."""
    context = chromium.new_context(viewport={"width": 1280, "height": 900})
    context.add_init_script("""
        window.written = [];
        const write = CanvasRenderingContext2D.prototype.fillText;
        CanvasRenderingContext2D.prototype.fillText = function (text, ...rest) {
          window.written.push(text);
          return write.call(this, text, ...rest);
        };""")
    page = context.new_page()
    page.goto(_line(tmp_path).as_uri() + "#on=200&off=180")
    page.wait_for_selector("body[data-ready]")
    page.wait_for_timeout(300)
    assert "false trip" in page.evaluate("written")
    assert "missed" not in page.evaluate("written")
    page.evaluate("written.length = 0")
    page.focus("#on")
    for _ in range(2):
        page.keyboard.press("PageUp")
    page.wait_for_timeout(300)
    assert "missed" in page.evaluate("written")
    context.close()


def test_no_shade_of_a_later_pass_dims_the_name_of_an_error(chromium: Any, tmp_path: Path) -> None:
    _line(tmp_path)
    opened = Opened(chromium, _written(tmp_path, Setting(unit="counts", on_level=440, off_level=180)))
    drawn = opened.page.evaluate(
        """() => {
          const drawn = [], pen = CanvasRenderingContext2D.prototype, { fillText, fillRect } = pen;
          pen.fillText = function (text, ...at) { drawn.push(text); return fillText.call(this, text, ...at); };
          pen.fillRect = function (...at) { drawn.push(this.globalAlpha); return fillRect.apply(this, at); };
          document.getElementById("whole").click();
          return new Promise((done) => setTimeout(() => done(drawn), 500));
        }"""
    )
    shades = [k for k, what in enumerate(drawn) if what == 0.75]
    assert len(shades) > 5
    assert drawn.index("missed") > shades[-1]
    opened.close()


def test_hostile_kinds_stay_as_they_are_in_corrected_passes(
    chromium: Any, tmp_path: Path, hostile_texts: tuple[str, ...]
) -> None:
    opened = Opened(chromium, _line(tmp_path, hostile=hostile_texts))
    page = opened.page
    page.click("#kinds summary")
    page.click("#correct summary")
    for _ in range(3):
        page.click("#pass-after")
    page.click("#pass-out")
    with page.expect_download() as download:
        page.click("#pass-save")
    download.value.save_as(tmp_path / "corrected.passes.csv")
    before, after = read_truth(tmp_path / "a <b>&'\".passes.parquet"), read_truth(tmp_path / "corrected.passes.csv")
    assert after.label.tolist() == [name for k, name in enumerate(before.label.tolist()) if k != 2]
    assert page.locator("img, b, svg").count() == 0
    opened.close()


def test_moments_are_the_time_of_day_where_the_recording_knows_it(script: Any) -> None:
    """Against Python's calendar: fractions, midnight, more than a day; else seconds from the start."""
    began = datetime(2031, 12, 31, 23, 59, 58, 750_000)
    for hours, at in ((1.0, 0.0), (1.0, 1.25), (1.0, 3599.0), (50.0, 86_400.5)):
        facts = {"began": began.isoformat(), "samples": hours * 3600, "sample_rate_hz": 1}
        moment = began + timedelta(seconds=at)
        wanted = f"{moment:%H:%M:%S}.{moment.microsecond // 1000:03d}"
        wanted = f"{moment:%Y-%m-%d} {wanted}" if hours >= 24 else wanted
        assert script.evaluate("([facts, at]) => moment(facts, at)", [facts, at]) == wanted
    short, long = ({"began": None, "samples": samples, "sample_rate_hz": 10.0} for samples in (5999, 6000))
    assert script.evaluate("facts => moment(facts, 12.3456789)", short) == "12.3457 s"
    told = [
        script.evaluate("([facts, at]) => moment(facts, at)", [long, at]) for at in (0, 65.0005, 3599.9996, 45_296.5)
    ]
    assert told == ["0:00:00.000", "0:01:05.000", "0:59:59.999", "12:34:56.500"]
    assert script.evaluate("facts => moment(facts, 599.99, 1)", long) == "0:09:59"
    # The axis tells them in the same way, at whole minutes and hours.
    axis = script.evaluate(
        "facts => { const a = timeAxis(facts); return [a.label, a.values(null, [0, 1800, 3600]), a.incrs] }", long
    )
    assert axis[0].endswith("from the start")
    assert axis[1] == ["0:00:00", "0:30:00", "1:00:00"]
    assert {60, 1800, 3600} <= set(axis[2])
    assert not any(3600 % step for step in axis[2] if 1 <= step <= 3600)
    axis = script.evaluate(
        "facts => { const a = timeAxis(facts); return [a.label, a.values(null, [0, 0.5, 3250])] }", short
    )
    assert axis == ["s from the start", ["0", "0.5", "3250"]]


@pytest.mark.parametrize(
    "kinds", [(), ("a name of a kind that is too long to stand beside its row", *"abcdefghij", "k")]
)
def test_the_page_prints_as_one_sheet_in_grey(chromium: Any, tmp_path: Path, kinds: tuple[str, ...]) -> None:
    """Sheets were divided by the heights on the screen: tall pictures of many kinds had an empty sheet behind them."""
    from pypdf import PdfReader

    opened = Opened(chromium, _line(tmp_path, hostile=kinds))
    opened.page.pdf(path=str(tmp_path / "page.pdf"), prefer_css_page_size=True, print_background=True)
    reader = PdfReader(tmp_path / "page.pdf")
    assert len(reader.pages) == 1
    text = reader.pages[0].extract_text()
    assert "passes lost" in text
    assert "Save setting" not in text
    opened.page.emulate_media(media="print")
    opened.page.wait_for_timeout(100)
    grey = """() => [...document.querySelectorAll('canvas')].every((canvas) => {
      const found = canvas.getContext('2d').getImageData(0, 0, canvas.width, canvas.height).data;
      for (let k = 0; k < found.length; k += 4) {
        if (Math.max(Math.abs(found[k] - found[k + 1]), Math.abs(found[k + 1] - found[k + 2])) > 2) return false;
      }
      return true;
    })"""
    assert opened.page.evaluate(grey)
    opened.close()


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_axe_finds_nothing(chromium: Any, axe: Any, tmp_path: Path, scheme: str) -> None:
    opened = Opened(chromium, _line(tmp_path), color_scheme=scheme)
    for summary in opened.page.locator("summary:visible").all():
        summary.click()
    opened.page.click("#pass-after")
    found = axe.run(opened.page)
    assert found.violations_count == 0, found.generate_report()
    opened.context.close()


@pytest.mark.parametrize(("width", "size"), [(1280, 100), (400, 100), (361, 100), (400, 200), (1280, 200)])
def test_nothing_sticks_out_sideways(chromium: Any, tmp_path: Path, width: int, size: int) -> None:
    opened = Opened(chromium, _line(tmp_path), viewport={"width": width, "height": 800})
    opened.page.evaluate(f"document.documentElement.style.fontSize = '{size}%'")
    opened.page.set_viewport_size({"width": width - 1, "height": 800})
    opened.page.wait_for_timeout(200)
    opened.page.click("#correct summary")
    assert opened.page.evaluate("document.documentElement.scrollWidth") <= width - 1
    # What is to be read stands whole: the table of counts scrolls nowhere but in the narrowest page with large text.
    fits = (
        "document.querySelector('#counts .scroll').scrollWidth <= document.querySelector('#counts .scroll').clientWidth"
    )
    assert opened.page.evaluate(fits) or (width, size) == (400, 200)
    # And no column is left out: what changes, too.
    assert (
        opened.page.locator("#table th:visible, #table td:visible").count()
        == 5 * opened.page.locator("#table tr").count()
    )
    opened.close()


def test_numbers_are_written_alike_in_a_browser_of_any_language(chromium: Any, tmp_path: Path) -> None:
    """A German browser wrote 0,5 s and 3.250 counts at the axes of a page whose text says 3250."""
    opened = Opened(chromium, _line(tmp_path), locale="de-DE")
    page = opened.page
    page.evaluate(
        """() => {
          window.texts = [];
          const own = CanvasRenderingContext2D.prototype.fillText;
          CanvasRenderingContext2D.prototype.fillText = function (text, x, y) {
            if (document.getElementById("trace").contains(this.canvas)) texts.push(String(text));
            return own.apply(this, arguments);
          };
        }"""
    )
    page.click("#nearer")
    page.wait_for_timeout(200)
    numbers = {text for text in page.evaluate("texts") if text[:1].isdigit()}
    assert "0.5" in numbers or "1.5" in numbers
    assert all(float(text) == float(f"{float(text):g}") for text in numbers), numbers
    assert " samples at 1000 Hz" in page.inner_text("#foot")
    opened.close()


def test_what_the_bars_mean_turns_with_the_polarity(chromium: Any, tmp_path: Path) -> None:
    """Where the output is active in the dark, a full bar is the darkest light: "strongest" read as the brightest."""
    opened = Opened(chromium, _line(tmp_path))
    said = "Full bars: the {} light of each pass or gap. Outlined: its {}."
    assert opened.page.inner_text("#spread-bars") == said.format("brightest", "darkest")
    opened.page.select_option("#polarity", "dark-on")
    opened.page.wait_for_timeout(200)
    assert opened.page.inner_text("#spread-bars") == said.format("darkest", "brightest")
    opened.close()


@pytest.mark.parametrize("zoom", [1, 2])
def test_numbers_at_the_axes_grow_with_the_zoom(chromium: Any, tmp_path: Path, zoom: int) -> None:
    """At 200 % they were half as large as all other text."""
    opened = Opened(chromium, _line(tmp_path), viewport={"width": 640, "height": 800}, device_scale_factor=zoom)
    page = opened.page
    page.evaluate(
        """() => {
          window.sizes = [];
          const own = CanvasRenderingContext2D.prototype.fillText;
          CanvasRenderingContext2D.prototype.fillText = function (text, x, y) {
            if (document.getElementById("trace").contains(this.canvas)) sizes.push([text, parseFloat(this.font)]);
            return own.apply(this, arguments);
          };
        }"""
    )
    page.click("#nearer")
    page.wait_for_timeout(200)
    sizes = {text: size for text, size in page.evaluate("sizes") if text and str(text)[0].isdigit()}
    assert len(sizes) > 3
    assert min(sizes.values()) >= 12 * zoom
    opened.close()


def test_the_name_of_the_off_level_stands_clear_of_the_line_of_the_on_level(chromium: Any, tmp_path: Path) -> None:
    opened = Opened(chromium, _line(tmp_path), viewport={"width": 360, "height": 800})
    page = opened.page
    page.evaluate(
        """() => {
          window.texts = {};
          const own = CanvasRenderingContext2D.prototype.fillText;
          CanvasRenderingContext2D.prototype.fillText = function (text, x, y) {
            const where = [x, this.textAlign, this.measureText(text).width];
            if (this.canvas.id === "spread") texts[text.split(" ")[0]] = where;
            return own.apply(this, arguments);
          };
        }"""
    )
    # The lower the pair, the less room is left of it.
    for on, off in ((300, 150), (200, 90), (140, 60)):
        page.evaluate(f"location.hash = '#on={on}&off={off}'")
        page.wait_for_timeout(200)
        (at, align, _), (near, side, wide) = (page.evaluate(f"texts.{name}") for name in ("on", "off"))
        line = at + 4 if align == "right" else at - 4
        assert (near if side == "right" else near + wide) <= line, (on, off)
    opened.close()


def test_the_address_keeps_the_levels(chromium: Any, tmp_path: Path) -> None:
    opened = Opened(chromium, _line(tmp_path))
    opened.page.evaluate("location.hash = '#on=300&off=150'")
    opened.page.wait_for_timeout(100)
    assert math.isclose(float(opened.page.get_attribute("#on", "aria-valuenow")), 300)
    assert opened.page.inner_text("#sum").startswith("0 of 40 passes lost, 0 false trips")
    opened.close()


@pytest.mark.parametrize("clipboard", ["allowed", "refused", "missing"])
def test_the_command_is_copied_or_selected_where_the_clipboard_is_refused(
    chromium: Any, tmp_path: Path, clipboard: str
) -> None:
    """The line names the file that was given while nothing is moved, and after that the setting to save first."""
    opened = Opened(chromium, _line(tmp_path))
    page = opened.page
    if clipboard == "allowed":
        opened.context.grant_permissions(["clipboard-read", "clipboard-write"])
    elif clipboard == "refused":
        page.evaluate(
            "void (navigator.clipboard.writeText = () => Promise.reject(new DOMException('', 'NotAllowedError')))"
        )
    else:
        page.evaluate("void Object.defineProperty(navigator, 'clipboard', { value: undefined })")
    recording = str(tmp_path / "line.parquet")
    for moved, setting, after in (
        (False, str(tmp_path / "low.json"), ""),
        (True, "'line.setting.json'", " Save the setting first."),
    ):
        if moved:
            page.focus("#on")
            page.keyboard.press("ArrowUp")
        line = f"teachlab replay {recording} --setting {setting}"
        _tabbed_to(page, "copy")
        page.keyboard.press("Enter")
        lead = "Copied" if clipboard == "allowed" else "Copy this line"
        page.wait_for_function(
            "(text) => document.getElementById('said').textContent === text", arg=f"{lead}: {line}{after}"
        )
        read = "navigator.clipboard.readText()" if clipboard == "allowed" else "getSelection().toString()"
        assert page.evaluate(read) == line
    opened.close()


def test_reserves_follow_the_hand_without_a_server(chromium: Any, tmp_path: Path) -> None:
    """The spike of 250 trips at 200; from 250.5 on there is a reserve, and it is that of the package."""
    from playwright.sync_api import expect

    opened = Opened(chromium, _line(tmp_path))
    page = opened.page
    expect(page.locator("#reserve")).to_have_text("No reserve: there are errors already as recorded.")
    page.focus("#on")
    page.keyboard.press("PageUp")
    for key in ("ArrowUp", "ArrowDown"):
        page.keyboard.press(key)
        on = float(page.get_attribute("#on", "aria-valuenow"))
        setting = read_setting(tmp_path / "low.json").with_levels(on, 180)
        found = _reserve_text(tmp_path, setting)
        assert "of the light may be lost" in found
        expect(page.locator("#reserve")).to_have_text(found)
    assert page.is_hidden("#ask-reserve")
    # A filter holds the spike of one sample off the output: counted by replay, since no table holds it.
    page.click("#back")
    page.fill("#consecutive", "2")
    found = _reserve_text(tmp_path, replace(read_setting(tmp_path / "low.json"), consecutive=2))
    assert "of the light may be lost" in found
    expect(page.locator("#reserve")).to_have_text(found)
    opened.close()


def test_without_the_light_reserves_come_from_the_table_or_the_command_is_named(
    chromium: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("teachlab.page.light.MOST_RAW", 100)
    opened = Opened(chromium, _line(tmp_path))
    page = opened.page
    page.focus("#on")
    page.keyboard.press("PageUp")
    page.keyboard.press("ArrowUp")
    on = float(page.get_attribute("#on", "aria-valuenow"))
    setting = read_setting(tmp_path / "low.json").with_levels(on, 180)
    found = _reserve_text(tmp_path, setting)
    assert "of the light may be lost" in found
    assert page.inner_text("#reserve") == found
    page.select_option("#on-delay", index=1)
    run = f"teachlab replay {tmp_path / 'line.parquet'} --setting 'line.setting.json' --reserves"
    assert page.inner_text("#reserve") == (
        f"Reserves at these levels are not counted in this page. Save the setting, then run: {run}"
    )
    opened.close()


def test_a_click_on_the_map_takes_both_levels_and_the_counts_are_theirs(chromium: Any, tmp_path: Path) -> None:
    opened = Opened(chromium, _line(tmp_path), viewport={"width": 1280, "height": 1000})
    page = opened.page
    size = page.locator("#map").bounding_box()
    assert size is not None
    page.locator("#map").click(position={"x": size["width"] * 0.6, "y": size["height"] * 0.5})
    on, off = (float(page.get_attribute(f"#{name}", "aria-valuenow")) for name in ("on", "off"))
    assert (on, off) != (200, 180)
    setting = read_setting(tmp_path / "low.json").with_levels(on, off)
    truth = _truth(tmp_path)
    found = score(replay(*_pair(tmp_path, setting)), truth, tables=False)
    assert page.inner_text("#sum") == _sentence(truth, found)
    opened.close()


def test_another_filter_and_other_delays_are_replayed_and_saved(chromium: Any, tmp_path: Path) -> None:
    """A pass lasts 20 ms and the spike 1 ms: a filter of 3 leaves the spike out, an on-delay of 25 ms loses all."""
    opened = Opened(chromium, _line(tmp_path))
    page, setting = opened.page, read_setting(tmp_path / "low.json")
    for memory in ({"consecutive": 3}, {"on_delay_ms": 25.0}, {"consecutive": 2, "off_delay_ms": 31.5}):
        page.click("#back")
        assert page.inner_text("#sum") == "0 of 40 passes lost, 1 false trip, 0 extra switchings."
        for name, value in memory.items():
            page.fill(f"#{name.removesuffix('_ms').replace('_', '-')}", str(value))
        wanted = replace(setting, **memory, taught=None)
        n = score(replay(*_pair(tmp_path, wanted)), _truth(tmp_path), tables=False).counts
        trips = f"{n.false_trips} false {'trip' if n.false_trips == 1 else 'trips'}"
        assert (
            page.inner_text("#sum") == f"{n.lost} of 40 passes lost, {trips}, {number_of(n.extra, 'extra switching')}."
        )
        assert saved_by(page).read_bytes() == setting_text(wanted).encode()
    page.wait_for_timeout(400)
    assert page.url.endswith("#on=200&off=180&consecutive=2&on-delay=0&off-delay=31.5&polarity=light-on")
    page.fill("#consecutive", "0")
    assert "whole number from 1" in page.inner_text("#said")
    opened.close()


def test_the_polarity_is_turned_replayed_and_saved(chromium: Any, tmp_path: Path) -> None:
    opened = Opened(chromium, _line(tmp_path))
    page, setting = opened.page, read_setting(tmp_path / "low.json")
    page.select_option("#polarity", "dark-on")
    wanted = replace(setting, polarity=Polarity.DARK_ON, taught=None)
    found = score(replay(*_pair(tmp_path, wanted)), _truth(tmp_path))
    assert found.probably_inverted
    assert page.inner_text("#sum") == _sentence(_truth(tmp_path), found)
    assert "the polarity is inverted" in page.inner_text("#lots")
    assert saved_by(page).read_bytes() == setting_text(wanted).encode()
    page.wait_for_timeout(400)
    again = Opened(chromium, tmp_path / "page.html", base_url=None)
    again.page.goto(page.url)
    again.page.wait_for_selector("body[data-ready]")
    assert again.page.input_value("#polarity") == "dark-on"
    again.context.close()
    page.click("#back")
    assert page.input_value("#polarity") == "light-on"
    assert page.inner_text("#sum") == "0 of 40 passes lost, 1 false trip, 0 extra switchings."
    opened.close()


def test_without_the_light_the_page_counts_and_says_what_it_does_not_know(
    chromium: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("teachlab.page.light.MOST_RAW", 100)
    opened = Opened(chromium, _line(tmp_path))
    page = opened.page
    page.keyboard.press("n")
    assert "Place 1 of 1 with errors: false trip" in page.inner_text("#said")
    _tabbed_to(page, "on")
    page.keyboard.press("PageUp")
    assert page.inner_text("#sum") == "0 of 40 passes lost, 0 false trips, 0 extra switchings."
    page.keyboard.press("n")
    assert "the light is not in this page" in page.inner_text("#said")
    opened.close()


DELAYED = [
    Setting(unit="counts", on_level=200, off_level=180),
    Setting(unit="counts", on_level=200, off_level=180, consecutive=2, off_delay_ms=5.0),
    WindowSetting(unit="counts", on_level=200, off_level=90, high_release=180, low_release=92),
]


@pytest.mark.parametrize("setting", DELAYED)
def test_without_the_light_delays_are_chosen_from_those_that_were_counted(
    chromium: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, setting: Setting
) -> None:
    """By keyboard: every choice counts what the package counts for the file that the page saves."""
    monkeypatch.setattr("teachlab.page.light.MOST_RAW", 100)
    _line(tmp_path)
    opened = Opened(chromium, _written(tmp_path, setting))
    page = opened.page
    assert page.is_hidden("#consecutive")
    assert "on-delays and" in page.inner_text("#memory-note")
    # A browser may hold back many downloads of one page: what would be saved is taken before it becomes one.
    page.evaluate(
        "() => { window.kept = []; HTMLAnchorElement.prototype.click = () => {}; "
        "URL.createObjectURL = (blob) => { blob.text().then((text) => window.kept.push(text)); return 'blob:'; }; }"
    )
    seen = set()
    for field, keys, level in (
        ("on-delay", "ArrowDown", "ArrowDown"),
        ("off-delay", "ArrowDown", "PageUp"),
        ("off-delay", "End", "PageDown"),
        ("on-delay", "End", "Home"),
        ("on-delay", "Home", "Shift+ArrowUp"),
        ("off-delay", "Home", "End"),
    ):
        page.focus(f"#{field}")
        page.keyboard.press(keys)
        for key in (level, "ArrowUp"):
            page.focus("#on")
            page.keyboard.press(key)
            before = page.evaluate("window.kept.length")
            page.click("#save")
            for _ in range(500):
                if page.evaluate("window.kept.length") > before:
                    break
                page.wait_for_timeout(10)
            assert page.evaluate("window.kept.length") == before + 1
            (tmp_path / "kept.json").write_text(page.evaluate("window.kept.at(-1)"), encoding="utf-8")
            saved = read_setting(tmp_path / "kept.json")
            n = score(replay(*_pair(tmp_path, saved)), _truth(tmp_path), tables=False).counts
            trips = f"{n.false_trips} false {'trip' if n.false_trips == 1 else 'trips'}"
            told = f"{n.lost} of {n.scored_passes} passes lost, {trips}, {number_of(n.extra, 'extra switching')}."
            assert page.inner_text("#sum") == told, saved
            assert str(saved.on_delay_ms).removesuffix(".0") == page.input_value("#on-delay")
            if type(saved) is Setting and (saved.on_delay_ms, saved.off_delay_ms) != (0.0, setting.off_delay_ms):
                assert math.isclose(saved.hysteresis, 20)
                assert "Both levels move together" in page.inner_text("#on-same")
            seen.add(told)
    assert len(seen) >= 4
    page.wait_for_timeout(400)
    address = page.url.rpartition("#")[2]
    page.click("#back")
    assert page.input_value("#off-delay") == f"{setting.off_delay_ms:g}"
    page.wait_for_timeout(400)
    page.evaluate(f"location.hash = '#{address}'")
    page.wait_for_timeout(100)
    assert page.inner_text("#sum") == told
    opened.close()


def test_around_errors_the_light_itself_travels_and_elsewhere_the_page_says_that_it_is_not_there(
    chromium: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("teachlab.page.light.MOST_RAW", 100)
    monkeypatch.setattr("teachlab.page.light.MOST_PIECES", 600)
    opened = Opened(chromium, _line(tmp_path))
    page = opened.page
    assert "the light itself is not here" in page.inner_text("#span")
    page.keyboard.press("n")
    assert "false trip" in page.inner_text("#said")
    assert "not here" not in page.inner_text("#span")
    page.click("#later")
    page.click("#later")
    assert "not here" in page.inner_text("#span")
    opened.close()


def test_a_hand_that_moves_over_a_long_recording_does_not_wait_and_then_knows_every_error(
    chromium: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(assembly, "script_text", lambda: script_text().replace("const LONG = 2e5", "const LONG = 1"))
    opened = Opened(chromium, _line(tmp_path))
    page = opened.page
    page.focus("#on")
    page.keyboard.press("End")
    on, off = (float(page.get_attribute(f"#{name}", "aria-valuenow")) for name in ("on", "off"))
    wanted = read_setting(tmp_path / "low.json").with_levels(on, off)
    n = score(replay(*_pair(tmp_path, wanted)), _truth(tmp_path), tables=False).counts
    assert page.inner_text("#sum").startswith(f"{n.lost} of 40 passes lost, {n.false_trips} false trip")
    page.keyboard.press("n")
    assert "missed" in page.inner_text("#said")
    assert f"of {n.lost + n.gaps_tripped} with errors:" in page.inner_text("#said")
    opened.close()


def _written(folder: Path, setting: Setting, *more: str) -> Path:
    """The page of the line with another setting."""
    write_setting(folder / "other.json", setting)
    asked = [str(folder / "line.parquet"), "--setting", str(folder / "other.json"), "--out", str(folder / "other.html")]
    shell.run("explore", *asked, *more)
    return folder / "other.html"


KINDS = [
    WindowSetting(unit="counts", on_level=200, off_level=90, high_release=180, low_release=92),
    FollowingSetting(unit="counts", on_level=200, off_level=180, reference=100, low_limit=50, high_limit=150),
    Setting(unit="counts", on_level=200, off_level=180, consecutive=2, off_delay_ms=5.0),
]


@pytest.mark.parametrize("setting", KINDS)
def test_a_setting_of_any_kind_is_moved_counted_and_saved(chromium: Any, tmp_path: Path, setting: Setting) -> None:
    """By keyboard: at a few levels the counts of the page are those of the package for the file that it saves."""
    _line(tmp_path)
    opened = Opened(chromium, _written(tmp_path, setting))
    page = opened.page
    assert saved_by(page).read_bytes() == (tmp_path / "other.json").read_bytes()
    seen = set()
    for level, key in (
        ("on", "Shift+ArrowUp"),
        ("off", "ArrowDown"),
        ("on", "PageUp"),
        ("on", "End"),
        ("off", "PageUp"),
    ):
        page.focus(f"#{level}")
        page.keyboard.press(key)
        saved = read_setting(saved_by(page))
        assert type(saved) is type(setting)
        assert saved.switching == setting.switching
        if isinstance(setting, WindowSetting):
            assert isinstance(saved, WindowSetting)
            assert (saved.on_level - saved.high_release, saved.low_release - saved.off_level) == (20, 2)
        n = score(replay(*_pair(tmp_path, saved)), _truth(tmp_path), tables=False).counts
        trips = f"{n.false_trips} false {'trip' if n.false_trips == 1 else 'trips'}"
        assert (
            page.inner_text("#sum") == f"{n.lost} of 40 passes lost, {trips}, {number_of(n.extra, 'extra switching')}."
        )
        seen.add((saved.on_level, saved.off_level))
    assert len(seen) >= 4
    page.click("#best")
    assert page.inner_text("#sum") == "0 of 40 passes lost, 0 false trips, 0 extra switchings."
    opened.close()


def test_turning_points_have_no_levels_to_drag_and_are_replayed(chromium: Any, tmp_path: Path) -> None:
    _line(tmp_path)
    setting = TurningPointSetting(unit="counts", form="offset", direction="rise", background=100, distance=120.0)
    opened = Opened(chromium, _written(tmp_path, setting))
    page = opened.page
    assert not page.is_visible("#keys")
    assert "Drag a level" not in page.inner_text("body")
    page.focus("#on")
    for key in ("ArrowUp", "Home", "PageUp"):
        page.keyboard.press(key)
    for filtered in (setting, replace(setting, consecutive=3)):
        page.fill("#consecutive", str(filtered.consecutive))
        assert saved_by(page).read_bytes() == setting_text(filtered).encode()
        n = score(replay(*_pair(tmp_path, filtered)), _truth(tmp_path), tables=False).counts
        trips = f"{n.false_trips} false {'trip' if n.false_trips == 1 else 'trips'}"
        assert (
            page.inner_text("#sum") == f"{n.lost} of 40 passes lost, {trips}, {number_of(n.extra, 'extra switching')}."
        )
    opened.close()


def test_a_window_and_levels_that_follow_never_become_what_no_file_may_hold(chromium: Any, tmp_path: Path) -> None:
    _line(tmp_path)
    for setting in KINDS:
        opened = Opened(chromium, _written(tmp_path, setting))
        for level, key in (("on", "Home"), ("off", "End"), ("off", "Home"), ("on", "PageDown"), ("on", "Home")):
            opened.page.focus(f"#{level}")
            opened.page.keyboard.press(key)
            read_setting(saved_by(opened.page))
        opened.page.evaluate("location.hash = '#on=50&off=300'")
        opened.page.wait_for_timeout(50)
        read_setting(saved_by(opened.page))
        opened.close()


def test_losses_by_kind_and_by_lot_are_those_of_the_package(chromium: Any, tmp_path: Path) -> None:
    """Ten lots of four passes join in twos and threes; the bound is that of the claim, rounded up to two digits."""
    _line(tmp_path)
    before = _truth(tmp_path)
    lots = [f"crate {k // 4}" for k in range(40)]
    write_truth(tmp_path / "line.passes.parquet", replace(before, lot=np.array(lots, object)))
    setting = Setting(unit="counts", on_level=440, off_level=180)
    opened = Opened(chromium, _written(tmp_path, setting))
    page, truth = opened.page, _truth(tmp_path)
    # At the start the claim is the one above; the bound stands beside levels that were moved.
    assert page.inner_text("#lots").endswith("of 5 lots with a loss.")
    assert page.inner_text("#moved") == ""
    page.focus("#on")
    page.keyboard.press("ArrowLeft")
    page.wait_for_timeout(200)
    found = score(replay(*_pair(tmp_path, read_setting(saved_by(page)))), truth)
    claim = losses_claim(lot_counts(truth, found.trials))
    assert claim.lots == 5
    told = page.inner_text("#lots")
    assert f"of {claim.lots} lots with a loss" in told
    assert f"at most {rounded_up(100 * claim.upper, 2)} % of passes are lost on average over independent lots" in told
    assert "save the setting, then run: teachlab replay" in page.inner_text("#moved")
    page.click("#back")
    assert page.inner_text("#moved") == ""
    found = score(replay(*_pair(tmp_path, setting)), truth)
    page.click("#kinds summary")
    rows = [row.split("\t") for row in page.inner_text("#by-kind tbody").splitlines()]
    wanted = [[name, str(rate.events), str(rate.events), str(rate.trials)] for name, rate in found.by_label.items()]
    assert sorted(rows) == sorted(wanted)
    assert sum(int(row[1]) for row in rows) == found.counts.lost > 0
    opened.close()


def test_passes_are_corrected_by_keyboard_and_saved_with_their_history(chromium: Any, tmp_path: Path) -> None:
    """The spike of pass 7's gap becomes a pass to be ignored, pass 0 goes, pass 1 is named; all is in the file."""
    opened = Opened(chromium, _line(tmp_path))
    page, before = opened.page, _truth(tmp_path)
    page.focus("#correct summary")
    page.keyboard.press("Enter")
    page.focus("#pass-after")
    page.keyboard.press("Enter")
    assert "Pass 0 of 40" in page.inner_text("#pass-name")
    page.focus("#pass-out")
    page.keyboard.press("Enter")
    assert "Pass 0 of 39" in page.inner_text("#pass-name")
    page.focus("#pass-kind")
    page.keyboard.press("Control+a")
    page.keyboard.type('=my "lid", new')
    page.keyboard.press("Tab")
    page.focus("#pass-start")
    page.keyboard.press("Control+a")
    page.keyboard.type("72")
    page.keyboard.press("Tab")
    page.focus("#next")
    page.keyboard.press("Enter")
    page.focus("#nearer")
    for _ in range(3):
        page.keyboard.press("Enter")
    page.focus("#pass-add")
    page.keyboard.press("Enter")
    page.focus("#pass-undo")
    page.keyboard.press("Enter")
    page.focus("#pass-divide")
    page.keyboard.press("Enter")
    page.focus("#pass-save")
    with page.expect_download() as download:
        page.keyboard.press("Enter")
    path = tmp_path / download.value.suggested_filename
    download.value.save_as(path)
    assert path.name == "line.corrected.passes.csv"
    truth, history = read_truth(path), read_history(path)
    assert truth.source is TruthSource.SELF_LABELLED
    assert truth.uncertainty_samples == before.uncertainty_samples
    row = int(np.flatnonzero(truth.start == 72)[0])
    assert truth.label[row] == '=my "lid", new'
    divided = [k for k in range(truth.passes - 1) if truth.end[k] == truth.start[k + 1]]
    assert len(divided) == 1
    assert truth.passes == 40
    assert history is not None
    assert [edit["what"] for edit in history["edits"]] == ["taken out", "renamed", "moved", "divided"]
    assert history["edits"][2]["from"] == [[70, 90]]
    assert history["edits"][2]["to"] == [[72, 90]]
    # What the page counts against the corrected passes is what the package counts against the saved file.
    setting = read_setting(tmp_path / "low.json")
    found = score(replay(*_pair(tmp_path, setting)), truth, tables=False)
    assert touching_merges(truth, found.trials).sum() == 1
    assert page.inner_text("#sum") == _sentence(truth, found)
    assert page.inner_text("#basis").endswith("Against the corrected passes.")
    for _ in range(4):
        page.click("#pass-undo")
    assert page.inner_text("#sum") == "0 of 40 passes lost, 1 false trip, 0 extra switchings."
    assert page.is_disabled("#pass-save")
    opened.close()


def test_a_border_is_dragged_and_one_that_would_overlap_is_refused(chromium: Any, tmp_path: Path) -> None:
    opened = Opened(chromium, _line(tmp_path), viewport={"width": 1280, "height": 1400})
    page = opened.page
    page.click("#correct summary")
    page.click("#pass-after")
    page.locator("#trace").scroll_into_view_if_needed()
    box = page.locator("#trace .u-over").bounding_box()
    assert box is not None
    # Pass 0 is [20, 40); the view of it reaches from 0 to 180.
    page.mouse.move(box["x"] + box["width"] * 40 / 180, box["y"] + 5)
    page.mouse.down()
    page.mouse.move(box["x"] + box["width"] * 50 / 180, box["y"] + 5, steps=4)
    page.mouse.up()
    assert page.input_value("#pass-end") == "50"
    page.fill("#pass-end", "75")
    page.press("#pass-end", "Tab")
    assert "samples free between its neighbours" in page.inner_text("#said")
    assert page.input_value("#pass-end") == "50"
    opened.close()


class Served:
    """A page opened from a server beside it; requests go there alone."""

    def __init__(self, chromium: Any, folder: Path, setting: Setting | None) -> None:
        recording, truth = read_recording(folder / "line.parquet"), _truth(folder)
        contents = page_contents(recording, truth, setting, files=FilesJudged(recording="line.parquet")).with_server()
        corrected = CorrectedPasses(str(folder), "line", str(folder / "line.passes.parquet"))
        self.server = PageServer(page_html(contents), recording, truth, Rules(), corrected)
        self.thread = threading.Thread(target=lambda: self.server.serve_forever(poll_interval=0.01))
        self.thread.start()
        self.context = chromium.new_context(accept_downloads=True)
        self.page = self.context.new_page()
        self.faults: list[str] = []
        self.requests: list[str] = []
        self.page.on("pageerror", lambda fault: self.faults.append(str(fault)))
        self.page.on("request", lambda request: self.requests.append(request.url))
        self.page.goto(self.server.address)
        self.page.wait_for_selector("body[data-ready]")

    def close(self) -> None:
        self.context.close()
        self.server.shutdown()
        self.thread.join()
        self.server.server_close()
        assert self.faults == []
        assert all(url.startswith((self.server.address, "blob:")) for url in self.requests)


def test_the_server_replays_turning_points(chromium: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from playwright.sync_api import expect

    _line(tmp_path)
    monkeypatch.setattr("teachlab.page.light.MOST_RAW", 100)
    setting = TurningPointSetting(unit="counts", form="offset", direction="rise", background=100, distance=120.0)
    served = Served(chromium, tmp_path, setting)
    served.page.fill("#consecutive", "3")
    n = score(replay(*_pair(tmp_path, replace(setting, consecutive=3))), _truth(tmp_path), tables=False).counts
    expect(served.page.locator("#sum")).to_contain_text(f"{n.lost} of 40 passes lost, {n.false_trips} false trip")
    expect(served.page.locator("#basis")).to_contain_text("replayed by the server")
    served.close()


@pytest.mark.parametrize("setting", [Setting(unit="counts", on_level=200, off_level=180), *KINDS])
def test_the_server_counts_what_the_page_cannot(
    chromium: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, setting: Setting
) -> None:
    """Without the light in the page: counts, errors one by one and light of the view come from the server."""
    from playwright.sync_api import expect

    _line(tmp_path)
    monkeypatch.setattr("teachlab.page.light.MOST_RAW", 100)
    monkeypatch.setattr("teachlab.page.light.MOST_PIECES", 0)
    served = Served(chromium, tmp_path, setting)
    page = served.page
    page.focus("#on")
    for key in ("ArrowUp", "Shift+ArrowUp"):
        page.keyboard.press(key)
    page.fill("#consecutive", "3")
    other = next(one for one in Polarity if one is not setting.polarity)
    if isinstance(setting, FollowingSetting):  # its levels lie on the side that its polarity asks for
        assert page.is_hidden("#polarity")
    else:
        page.select_option("#polarity", str(other))
    saved = read_setting(saved_by(page))
    assert saved.consecutive == 3
    assert saved.polarity is (setting.polarity if isinstance(setting, FollowingSetting) else other)
    n = score(replay(*_pair(tmp_path, saved)), _truth(tmp_path), tables=False).counts
    trips = f"{n.false_trips} false {'trip' if n.false_trips == 1 else 'trips'}"
    wanted = f"{n.lost} of 40 passes lost, {trips}, {number_of(n.extra, 'extra switching')}."
    expect(page.locator("#sum")).to_have_text(wanted)
    if type(saved) is Setting:
        page.click("#ask-reserve")
        expect(page.locator("#reserve")).to_have_text(_reserve_text(tmp_path, saved))
    else:
        assert page.is_hidden("#ask-reserve")
    page.focus("#on")
    page.keyboard.press("End")
    expect(page.locator("#basis")).to_contain_text("replayed by the server")
    page.keyboard.press("n")
    assert "Place 1 of " in page.inner_text("#said")
    page.wait_for_timeout(500)
    assert any(url.endswith("/light") for url in served.requests)
    assert "not here" not in page.inner_text("#span")
    served.close()


def test_the_server_saves_corrected_passes_beside_the_old_table(chromium: Any, tmp_path: Path) -> None:
    from playwright.sync_api import expect

    _line(tmp_path)
    old = (tmp_path / "line.passes.parquet").read_bytes()
    served = Served(chromium, tmp_path, None)
    page = served.page
    page.click("#correct summary")
    page.click("#pass-after")
    page.click("#pass-out")
    page.click("#pass-save")
    expect(page.locator("#said")).to_contain_text("Saved as")
    written = tmp_path / "line.corrected-1.passes.parquet"
    assert read_truth(written).start.tolist() == read_truth(tmp_path / "line.passes.parquet").start.tolist()[1:]
    history = read_history(written)
    assert history is not None
    assert [edit["what"] for edit in history["edits"]] == ["taken out"]
    assert (tmp_path / "line.passes.parquet").read_bytes() == old
    # Where the pass was taken out its light is a false trip.
    expect(page.locator("#reserve")).to_have_text("No reserve: there are errors already as recorded.")
    page.click("#pass-undo")
    expect(page.locator("#reserve")).to_contain_text("of the light may be lost")
    assert page.is_hidden("#ask-reserve")
    served.close()


@pytest.mark.parametrize(
    ("tool", "arguments"),
    [
        ("tsc", ["-p", "tests/browser/script"]),
        (
            "eslint",
            ["--config", "tests/browser/script/eslint.config.mjs", "--max-warnings", "0", "teachlab/page/script"],
        ),
    ],
)
def test_types_and_style_of_the_script_hold(
    lacking_here: Callable[[str], None], tool: str, arguments: list[str]
) -> None:
    """By tsc --checkJs and eslint; nothing is built."""
    root = Path(__file__).parents[2]
    program = root / "tests" / "browser" / "script" / "node_modules" / ".bin" / tool
    if not program.exists():
        lacking_here(f"{tool} (npm install in tests/browser/script)")
    found = subprocess.run([program, *arguments], cwd=root, capture_output=True, text=True, check=False)
    assert found.returncode == 0, found.stdout
