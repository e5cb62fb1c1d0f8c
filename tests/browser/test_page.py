"""The page in headless Chromium: no network, no errors, accessible, valid, and printed without a cut figure."""

from __future__ import annotations

import json
import re
import subprocess
import unicodedata
from io import BytesIO
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shell

from teachlab.data.recording_files import write_recording
from teachlab.model.recording import Recording, RecordingInfo

MARGIN_MM = 32
"""Left and right margin of a printed page together, as the page's style sheet has it."""
SIZES_MM = {"A4": (210.0, 297.0), "Letter": (215.9, 279.4)}
PX_PER_MM = 96 / 25.4


def test_opens_from_disk_with_no_request_and_no_error(chromium: Any, every_page: Path) -> None:
    context = chromium.new_context(offline=True)
    page = context.new_page()
    asked: list[str] = []
    said: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    page.on("console", lambda message: said.append(message.text))
    page.on("pageerror", lambda error: said.append(str(error)))
    page.on("dialog", lambda dialog: said.append(dialog.message))
    page.goto(every_page.as_uri(), wait_until="networkidle")
    assert asked == [every_page.as_uri()]
    assert said == []
    # Nothing that could fetch or run: no script, no image, no frame, no handler, no link but to the page of levels.
    assert page.evaluate("document.scripts.length") == 0
    assert page.locator("img, iframe, object, embed, link, form, input, base").count() == 0
    handlers = "[...document.querySelectorAll('*')].flatMap(e => e.getAttributeNames()).filter(n => n.startsWith('on'))"
    assert page.evaluate(handlers) == []
    links = "[...document.querySelectorAll('*')].map(e => e.getAttribute('href') ?? e.getAttribute('xlink:href'))"
    beside = {"levels.html"} if every_page.with_name("levels.html").exists() and every_page.stem == "report" else set()
    assert {link for link in page.evaluate(links) if link is not None and not link.startswith("#")} == beside
    context.close()


def spelled(text: str) -> str:
    """Return a text as a page shows it: a mark that turns the direction is spelled out, spaces are one."""
    return " ".join(text.replace("\u202e", "\\u202e").split())


def test_hostile_texts_stay_text(chromium: Any, hostile: Path) -> None:
    record = json.loads((hostile.parent / "result.json").read_text(encoding="utf-8"))
    page = chromium.new_page()
    page.goto(hostile.as_uri())
    # The document's title is the record's, spaces apart, and no script changed it.
    assert page.title() == spelled(record["title"])
    shown = " ".join(page.locator("body").text_content().split())
    data, taught = record["data"], record["setting"]["taught"]
    texts = [record["title"], data["title"], data["notes"], data["recording"], data["truth"], data["unit"]]
    texts += [*record["options"]["deviations"], record["criteria"]["title"], record["setting_source"]["file"]]
    texts += [*record["score"]["by_label"], *list(record["score"]["by_lot"])[:10]]
    texts += [f"{key} = {value}" for key, value in taught["parameters"].items()]
    for text in texts:
        assert spelled(text) in shown, text
    # In the figures too: as text of the drawing, which makes no element of its own.
    drawn = page.locator("svg text").all_text_contents()
    assert any("counts </style>" in text for text in drawn)
    assert page.locator("b, i, strong").all_text_contents() == page.locator("td b, .verdict strong").all_text_contents()
    assert page.locator("svg svg, svg script, svg foreignObject").count() == 0
    page.close()


@pytest.mark.parametrize("width", [1000, 360])
def test_nothing_is_wider_than_the_screen(chromium: Any, every_page: Path, width: int) -> None:
    page = chromium.new_page(viewport={"width": width, "height": 800})
    page.goto(every_page.as_uri())
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    page.close()


@pytest.mark.parametrize("width", [360, 1000])
def test_accessible(chromium: Any, axe: Any, every_page: Path, width: int) -> None:
    """On a phone, what scrolls sideways can be reached by keyboard."""
    # The checker is a script, which the page itself forbids.
    context = chromium.new_context(bypass_csp=True, offline=True, viewport={"width": width, "height": 800})
    page = context.new_page()
    page.goto(every_page.as_uri())
    found = axe.run(page)
    assert found.violations_count == 0, found.generate_report()
    # It did look: contrast, names of figures, headers of tables.
    passed = {rule["id"] for rule in found.response["passes"]}
    asked = {"color-contrast", "document-title", "html-has-lang", "heading-order"}
    assert asked | ({"svg-img-alt"} if page.locator("svg").count() else set()) <= passed
    context.close()


def test_text_grows_with_the_size_that_the_reader_set_and_sticks_out_nowhere(chromium: Any, every_page: Path) -> None:
    """Headings grew, text and tables stayed as they were; then the lines to sign stuck out of a card."""
    page = chromium.new_page(viewport={"width": 390, "height": 800})
    page.goto(every_page.as_uri())
    sizes = """['h1', '.verdict p', 'td'].map(e => parseFloat(getComputedStyle(document.querySelector(e)).fontSize))"""
    usual = page.evaluate(sizes)
    page.evaluate("document.documentElement.style.fontSize = '200%'")
    assert page.evaluate(sizes) == pytest.approx([2 * size for size in usual])
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
    page.close()


def test_every_table_of_a_study_fits_on_a_phone(chromium: Any, studied: Path) -> None:
    """One of eight columns scrolled, and names were broken in the middle of words."""
    assert "skarnhollow_week_5" in studied.read_text().replace("<wbr>", "")
    page = chromium.new_page(viewport={"width": 390, "height": 800})
    page.goto(studied.as_uri())
    tables = page.evaluate("[...document.querySelectorAll('.narrow')].map(e => [e.scrollWidth, e.clientWidth])")
    assert len(tables) >= 5
    assert all(wide <= room for wide, room in tables)
    # A word stands in one line, also in the columns that have least room.
    broken = """[...document.querySelectorAll('td, th')].flatMap(e => {
      const found = [], texts = document.createTreeWalker(e, NodeFilter.SHOW_TEXT), range = document.createRange();
      for (let text = texts.nextNode(); text !== null; text = texts.nextNode()) {
        for (const word of text.data.matchAll(/[A-Za-z0-9.]{2,16}/g)) {
          range.setStart(text, word.index); range.setEnd(text, word.index + word[0].length);
          if (range.getClientRects().length > 1) found.push(`${word[0]} of ${e.textContent}`); } }
      return found; })"""
    assert page.evaluate(broken) == []
    page.close()


def test_the_page_of_a_study_says_a_reason_once_and_shows_no_empty_column(chromium: Any, studied: Path) -> None:
    page = chromium.new_page()
    page.goto(studied.as_uri())
    reasons = page.locator("h2:text('Reasons for these decisions') + .narrow tbody tr").all_inner_texts()
    why = [line.split("\t")[1] for line in reasons]
    assert len(why) == len(set(why)) >= 1
    study = json.loads(studied.with_name("study.json").read_text())
    told = {name for line in reasons for name in line.split("\t")[0].split(", ")}
    named = {line["recording"] for line in study["recordings"] if line["why"]}
    assert told in (named, {f"all {len(study['recordings'])}"})
    for table in page.locator("table").all():
        rows = [row.split("\t") for row in table.locator("tbody tr").all_inner_texts()]
        assert all(cell.strip() for row in rows for cell in row), rows
    page.close()


def test_valid_html(html_checker: Path, every_page: Path) -> None:
    result = subprocess.run(
        ["java", "-Xss4m", "-jar", html_checker, "--stdout", "--exit-zero-always", "--format", "json", every_page],
        capture_output=True,
        text=True,
        check=True,
    )
    assert json.loads(result.stdout)["messages"] == []


def _printed(chromium: Any, page_file: Path, size: str) -> tuple[list[str], list[dict[str, Any]], Any]:
    """Return the text of every printed page, what each figure holds, and the layout at the printed width."""
    width, height = SIZES_MM[size]
    page = chromium.new_page(viewport={"width": int((width - MARGIN_MM) * PX_PER_MM), "height": 900})
    page.goto(page_file.as_uri())
    page.emulate_media(media="print")
    figures = page.evaluate(
        """[...document.querySelectorAll('figure')].map(f => ({
            height: f.getBoundingClientRect().height,
            texts: [...f.querySelectorAll('svg text')].map(t => t.textContent),
            caption: f.querySelector('figcaption').textContent}))"""
    )
    layout = page.evaluate(
        "({scroll: document.documentElement.scrollWidth, client: document.documentElement.clientWidth})"
    )
    assert max(figure["height"] for figure in figures) < (height - 2 * 18) * PX_PER_MM
    content = page.pdf(format=size)
    page.close()
    return _pages(content), figures, layout


def _pages(content: bytes) -> list[str]:
    from pypdf import PdfReader

    return [_dense(page.extract_text()) for page in PdfReader(BytesIO(content)).pages]


def _dense(text: str) -> str:
    """Return a text without spaces, and with every ligature taken apart."""
    return re.sub(r"\s+", "", unicodedata.normalize("NFKC", text))


@pytest.mark.parametrize("size", ["A4", "Letter"])
def test_prints_without_a_cut_figure(chromium: Any, page_file: Path, size: str) -> None:
    pages, figures, layout = _printed(chromium, page_file, size)
    assert layout["scroll"] <= layout["client"]
    assert len(figures) >= 2
    for figure in figures:
        # Caption and every text of a figure, as often as it stands there, on one and the same page.
        holding = [text for text in pages if _dense(figure["caption"]) in text]
        assert len(holding) == 1, figure["caption"]
        assert all(_dense(text) in holding[0] for text in figure["texts"]), figure["caption"]
    # The lines to sign stand together, and every page is numbered.
    assert sum("Prepared" in text and "Reviewed" in text and "Approved" in text for text in pages) == 1
    assert all(f"Page{k}of{len(pages)}" in text for k, text in enumerate(pages, 1))


def test_no_table_takes_a_sheet_alone(chromium: Any, ordinary: Path) -> None:
    """Tables that do not fit on what is left of a sheet go on on the next: a sheet holds more than one of them."""
    pages, _, _ = _printed(chromium, ordinary, "A4")
    headings = ["Disturbances that come back", "Method and setting", "Lineage and identity"]
    holding = next(text for text in pages if _dense(headings[1]) in text)
    assert sum(_dense(one) in holding for one in headings) > 1


def test_the_pdf_holds_the_same_texts(pdf_library: None, hostile: Path) -> None:
    from pypdf import PdfReader

    from teachlab.evidence.page import page_pdf

    html = hostile.read_text(encoding="utf-8")
    content = page_pdf(html)
    assert content == page_pdf(html)
    reader = PdfReader(BytesIO(content))
    text = _dense("".join(page.extract_text() for page in reader.pages))
    for words in ("<script>document.title='owned'</script>", "</style></svg><b>bold</b>", "{{7*7}}", "counts</style>"):
        assert words in text
    # Nothing in it acts: no script, no link, no attachment.
    assert not re.search(rb"/JavaScript|/JS\b|/URI\b|/Launch|/EmbeddedFile", content)
    assert "Prepared" in text


@pytest.mark.parametrize("size", ["A4", "Letter"])
def test_the_page_of_an_abstention_prints(chromium: Any, abstained: Path, size: str) -> None:
    page = chromium.new_page()
    page.goto(abstained.as_uri())
    pages = _pages(page.pdf(format=size))
    page.close()
    assert "Nosetting:abstainedbecause" in pages[0]
    assert sum("Prepared" in text and "Reviewed" in text and "Approved" in text for text in pages) == 1
    assert all(f"Page{k}of{len(pages)}" in text for k, text in enumerate(pages, 1))


@pytest.mark.parametrize("width", [390, 1200])
def test_a_page_of_the_guide_is_accessible_and_its_figures_can_be_read(
    chromium: Any, axe: Any, tmp_path: Path, width: int
) -> None:
    """On a phone a figure of 11 inches was 4 inches wide, with letters of 2 mm; it scrolls, as tables do."""
    shell.run("guide", "--html", tmp_path)
    page = chromium.new_page(viewport={"width": width, "height": 800})
    for name in ("log", "possible", "method", "index"):
        page.goto((tmp_path / f"{name}.html").as_uri())
        found = axe.run(page)
        assert found.violations_count == 0, found.generate_report()
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        wide = page.evaluate("[...document.images].map(e => e.getBoundingClientRect().width)")
        assert all(one >= 500 for one in wide)
    page.close()


@pytest.mark.parametrize("width", [390, 1200])
def test_the_sheet_of_proposed_passes_is_read_on_a_phone_too(
    chromium: Any, axe: Any, html_checker: Path, tmp_path: Path, hostile_texts: tuple[str, ...], width: int
) -> None:
    """Pictures of four to a row had letters of 3 px on a phone, below 800 px of nothing; a table stuck out."""
    rng, start = np.random.default_rng(3), np.arange(70) * 100 + 40
    light = rng.normal(20, 2, 70 * 100 + 80)
    for k, a in enumerate(start):
        light[a : a + (80 if k == 9 else 40)] += 60
    info = RecordingInfo(sample_rate_hz=1000, unit="counts", title=f"{hostile_texts[0]} {hostile_texts[4]}")
    write_recording(tmp_path / "line.parquet", Recording.from_array(light.astype(np.float32), info))
    sheet = tmp_path / "sheet.html"
    told = shell.run("label", tmp_path / "line.parquet", "--direction", "rise", "--out", sheet).stdout
    assert f"Next: teachlab label {tmp_path / 'line.parquet'} --direction rise --out sheet.csv" in told
    context = chromium.new_context(bypass_csp=True, offline=True, viewport={"width": width, "height": 800})
    page = context.new_page()
    page.goto(sheet.as_uri())
    assert page.title().startswith("Proposed passes of <script>")
    text = page.inner_text("body")
    assert "Where one shows no product, take its row out of the table" in text
    assert "70 passes proposed, 2 in doubt; the first 60 shown" in text
    assert "Grey: the pass as proposed." in text
    assert "pass 9, 0.94 s after the start, samples 940 to 1020. Doubt 100 %: long: 80 ms" in " ".join(text.split())
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    pictures = page.evaluate("[...document.images].map(e => [e.naturalWidth, e.getBoundingClientRect().width, e.alt])")
    assert len(pictures) == 60
    # Letters of 8 points, at least as large as drawn but for a tenth.
    assert all(drawn > 0 and shown >= 0.9 * 3.2 * 96 for drawn, shown, _ in pictures)
    assert pictures[0][2] == "Light around pass 9, 0.94 s after the start"
    found = axe.run(page)
    assert found.violations_count == 0, found.generate_report()
    context.close()
    checked = subprocess.run(
        ["java", "-Xss4m", "-jar", html_checker, "--stdout", "--exit-zero-always", "--format", "json", sheet],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    assert json.loads(checked.stdout)["messages"] == []
