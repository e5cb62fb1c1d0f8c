"""What a record is about, and the bundle that another computer verifies; hostile bundles are refused."""

from __future__ import annotations

import json
import stat
import zipfile
from pathlib import Path

import numpy as np
import pytest
import shell

from teachlab.data.recording_files import write_recording
from teachlab.data.truth_files import write_truth
from teachlab.errors import InputError, ParameterError
from teachlab.evidence import bundle as bundle_module
from teachlab.evidence.about import FIELDS, read_about
from teachlab.evidence.bundle import unpacked, write_bundle
from teachlab.evidence.record_parts import Sources
from teachlab.model.recording import Recording, RecordingInfo
from teachlab.model.truth import Truth

ABOUT = """
document_number = "QR-17"
asset = "Press 2, infeed"
log = "press.csv"
import_arguments = "--rate 1000 --column light"
prepared_by = "R. Okoye"
"""


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A record of forty blanks with its bundle."""
    folder = tmp_path_factory.mktemp("press")
    rng = np.random.default_rng(7)
    start = np.arange(40) * 60 + 30
    light = rng.normal(20.0, 1.0, 2460)
    for a in start:
        light[a : a + 20] += 80
    info = RecordingInfo(sample_rate_hz=1000.0, unit="mV", line_speed_m_s=0.4)
    write_recording(folder / "press.parquet", Recording.from_array(light, info))
    lots = [f"coil {k // 8}" for k in range(40)]
    write_truth(folder / "press.passes.parquet", Truth.from_arrays(start, start + 20, lot=lots, uncertainty_samples=1))
    setting = {"schema": 1, "unit": "mV", "on_level": 60, "off_level": 50, "polarity": "light-on"}
    (folder / "setting.json").write_text(json.dumps(setting))
    (folder / "about.toml").write_text(ABOUT)
    (folder / "press.csv").write_text("light\n1\n")
    result = shell.run(
        "report", folder / "press.parquet", "--setting", folder / "setting.json", "--draws", "0", "--about",
        folder / "about.toml", "--out", folder / "record", "--bundle", folder / "all.zip",
    )  # fmt: skip
    assert f"Written: {folder / 'all.zip'}" in result.stderr
    return folder


def test_the_record_holds_what_was_stated_and_the_page_says_what_was_not(made: Path) -> None:
    record = json.loads((made / "record" / "result.json").read_text())
    about = record["about"]
    assert about["asset"] == "Press 2, infeed"
    assert about["log"] == "press.csv"
    assert len(about["log_sha256"]) == 64
    assert about["product"] is None
    page = (made / "record" / "report.html").read_text()
    first = page[: page.index("The recording</h2>")]
    for text in ("QR-17", "Press 2, infeed", "R. Okoye", "product</th><td><bdi>not stated", "Approval"):
        assert text in first
    assert "Deviations: not stated." in page
    assert page.count("<h2>Approval</h2>") == 1
    for name in ("overview", "position"):
        assert f'id="figure-{name}"' in page
    assert "<dt>merged</dt>" in page


def test_a_bundle_is_verified_without_anything_else(
    made: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    elsewhere = tmp_path / "elsewhere.zip"
    elsewhere.write_bytes((made / "all.zip").read_bytes())
    monkeypatch.chdir(tmp_path)
    result = shell.run("verify", elsewhere)
    assert "Verified" in result.stdout
    assert [path.name for path in tmp_path.iterdir()] == ["elsewhere.zip"]


def test_a_bundle_with_other_light_is_found_out(made: Path, tmp_path: Path) -> None:
    forged = tmp_path / "forged.zip"
    with zipfile.ZipFile(made / "all.zip") as source, zipfile.ZipFile(forged, "w") as out:
        for entry in source.infolist():
            content = source.read(entry)
            out.writestr(
                entry, content.replace(b'"on_level": 60', b'"on_level": 61') if "setting" in entry.filename else content
            )
    result = shell.run("verify", forged, code=1)
    assert "setting" in result.stdout


def test_the_same_record_gives_the_same_bytes(made: Path, tmp_path: Path) -> None:
    sources = Sources(
        recording=str(made / "press.parquet"),
        truth=str(made / "press.passes.parquet"),
        setting=str(made / "setting.json"),
    )
    write_bundle(tmp_path / "again.zip", made / "record", sources)
    assert (tmp_path / "again.zip").read_bytes() == (made / "all.zip").read_bytes()


def _zip(path: Path, entries: dict[str, bytes], mode: int = 0) -> Path:
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as out:
        for name, content in entries.items():
            entry = zipfile.ZipInfo(name)
            entry.external_attr = mode << 16
            out.writestr(entry, content)
    return path


@pytest.mark.parametrize(
    ("entries", "mode", "message"),
    [
        ({"result.json": b"{}", "../evil.txt": b"x"}, 0, "no plain file"),
        ({"result.json": b"{}", "/etc/evil": b"x"}, 0, "no plain file"),
        ({"result.json": b"{}", "a\\b": b"x"}, 0, "no plain file"),
        ({"result.json": b"{}", "C:evil": b"x"}, 0, "no plain file"),
        ({"result.json": b"{}", "folder/": b""}, 0, "no plain file"),
        ({"result.json": b"/etc/passwd"}, stat.S_IFLNK | 0o777, "no plain file"),
        ({"result.json": b"{}"} | {f"{k}.txt": b"x" for k in range(20)}, 0, "at most 16"),
        ({"other.json": b"{}"}, 0, "no result.json"),
    ],
)
def test_hostile_bundles_are_refused(
    tmp_path: Path, entries: dict[str, bytes], mode: int, message: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    path = _zip(tmp_path / "hostile.zip", entries, mode)
    result = shell.run("verify", path, code=2)
    assert message in result.stderr
    assert [item.name for item in tmp_path.iterdir()] == ["hostile.zip"]


def test_a_bomb_is_refused_before_it_is_unpacked(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(bundle_module, "MOST_BYTES", 1 << 20)
    path = _zip(tmp_path / "bomb.zip", {"result.json": b"{}", "zeros": bytes(2 << 20)})
    with pytest.raises(InputError, match="more than"), unpacked(path):
        pass


def test_a_damaged_bundle_is_one_message(made: Path, tmp_path: Path) -> None:
    content = bytearray((made / "all.zip").read_bytes())
    content[200:400] = bytes(200)
    (tmp_path / "damaged.zip").write_bytes(content)
    result = shell.invoke("verify", tmp_path / "damaged.zip")
    assert result.exit_code in (1, 2)
    assert "Traceback" not in result.output
    assert not isinstance(result.exception, (zipfile.BadZipFile, KeyError))


def test_about_refuses_what_it_does_not_know(tmp_path: Path) -> None:
    path = tmp_path / "about.toml"
    for text, message in (
        ('aset = "x"', "aset"),
        ("asset = 3", "asset"),
        ('log = "nowhere.csv"', "there is no file"),
        ("asset = ", "not valid TOML"),
    ):
        path.write_text(text)
        with pytest.raises(ParameterError, match=message):
            read_about(path)
    path.write_text("")
    assert read_about(path) == {key: None for key, _ in FIELDS}


def test_bundle_and_pdf_are_checked_before_any_work(made: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    command = ["report", str(made / "press.parquet"), "--setting", str(made / "setting.json")]
    shell.run(*command, "--bundle", "a.zip", code=2)
    shell.run(*command, "--out", made / "r", "--bundle", "a.tar", code=2)

    def missing() -> None:
        raise InputError("a PDF needs WeasyPrint")

    monkeypatch.setattr("teachlab.evidence.page.pdf_printer", missing)
    monkeypatch.setattr("teachlab.evidence.record.judged_record", lambda *_, **__: pytest.fail("work was begun"))
    refused = shell.run(*command, "--out", made / "r", "--pdf", code=2)
    assert "WeasyPrint" in refused.stderr
    assert not (made / "r").exists()
