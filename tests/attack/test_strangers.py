"""Files from a stranger: nested without end, naming other folders, or no document at all. One message, nothing read."""

import json
import shutil
from pathlib import Path

import pytest
import shell

from teachlab.data.recording_files import RecordingWriter

NESTED = "[" * 200_000 + "]" * 200_000
INSIDE = '{"a":' * 100_000 + "1" + "}" * 100_000


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("made")
    a, s = str(folder / "a.parquet"), str(folder / "s.json")
    for words in (
        ["synth", "demo", "--passes", "30", "--out", a],
        ["teach", a, "--strategy", "single-sample", "--out", s],
        ["report", a, "--setting", s, "--draws", "0", "--out", str(folder / "rec")],
    ):
        assert shell.invoke(*words).exit_code in (0, 3)
    return folder


@pytest.fixture
def line(made: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    place = tmp_path / "line"
    shutil.copytree(made, place)
    monkeypatch.chdir(place)
    return place


def refused(words: str) -> str:
    """Run a command that must be refused; return its message on one line."""
    done = shell.invoke(*words.split())
    assert done.exception is None or isinstance(done.exception, SystemExit), done.exc_info
    assert done.exit_code == 2, done.output
    assert len(done.stderr) < 610
    return " ".join(done.stderr.split())


@pytest.mark.parametrize("text", [NESTED, INSIDE, "1", "[]", '"x"', "null"])
@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("s.json", "replay a.parquet --setting s.json"),
        ("rec/result.json", "verify rec/result.json"),
        ("a.synth.json", "synth --continue a.parquet --passes 2"),
        ("c.toml", "report a.parquet --setting s.json --draws 0 --criteria c.toml --out rec"),
        ("f.toml", "study f.toml --jobs 1"),
        ("l.toml", "synth l.toml --passes 2 --out l.parquet"),
        ("taught.json", "teach a.parquet --strategy single-sample --out taught.json"),
        ("a.parquet", "inspect a.parquet"),
        ("a.passes.parquet", "inspect a.parquet"),
    ],
)
def test_what_is_no_document_is_one_message(line: Path, name: str, words: str, text: str) -> None:
    (line / name).write_text(f"a = {text}" if name.endswith(".toml") else text)
    assert refused(words).startswith("teachlab: ")
    assert (line / name).read_text().endswith(text)


@pytest.mark.parametrize("where", ["outside/a.parquet", "../outside/a.parquet", "ABSOLUTE", "file:///x/a.parquet"])
def test_a_record_names_files_beside_it_only(line: Path, where: str) -> None:
    for outside in (line / "rec" / "outside", line / "outside"):
        outside.mkdir()
        for name in ("a.parquet", "a.passes.parquet"):
            shutil.copy(line / name, outside / name)
    record = json.loads((line / "rec" / "result.json").read_text())
    record["data"]["recording"] = where.replace("ABSOLUTE", str(line / "a.parquet"))
    (line / "rec" / "result.json").write_text(json.dumps(record))
    assert "no file beside it" in refused("verify rec/result.json")


@pytest.mark.parametrize("seed", ["1e999", "Infinity", "1" * 5000, "-1", "1.5", '"x"', "null"])
def test_a_recipe_whose_seed_is_no_number_is_refused(line: Path, seed: str) -> None:
    recipe = (line / "a.synth.json").read_text().replace('"seed": 0', f'"seed": {seed}')
    (line / "a.synth.json").write_text(recipe)
    before = (line / "a.parquet").read_bytes()
    assert "a.synth.json" in refused("synth --continue a.parquet --passes 2")
    assert (line / "a.parquet").read_bytes() == before


@pytest.mark.parametrize(
    ("words", "code"),
    [
        ("synth demo --explain --memory 1", 0),
        ("synth demo --toml --memory 1", 0),
        ("synth --keys --memory 1", 0),
        ("synth --continue a.parquet --passes 2 --memory 1", 0),
        ("synth --continue a.parquet --passes 20000000 --memory 1", 2),
        ("synth demo --explain --memory 0", 2),
    ],
)
def test_memory_may_be_given_to_every_way_of_synth(line: Path, words: str, code: int) -> None:
    done = shell.run(*words.split(), code=code)
    assert code == 0 or "memory" in done.stderr


@pytest.mark.parametrize(
    ("said", "told"),
    [
        ("draws = 1000000000000000000", "draws"),
        ("draws = 1000000", "a study of 1 row with 1,000,000 draws needs about 3.3 GB of memory; 1 GB may be used"),
        ("seeds = [" + "0, " * 2000 + "]", "seeds"),
        ("seeds = [-1]", "seeds"),
        ("teach_share = 7.0", "teach_share"),
        ("tolerance_ms = 1e308", "tolerance_ms"),
        ("cost_miss = nan", "cost_miss"),
        ('strategies = { "./evil.py:X" = {} }', "no file of data has one run"),
    ],
)
def test_a_study_from_a_stranger_keeps_to_the_ranges(line: Path, said: str, told: str) -> None:
    more = "" if "strategies" in said else "strategies = { single-sample = {} }\n"
    (line / "f.toml").write_text(f'schema = 1\nrecordings = ["a.parquet"]\n{said}\n{more}')
    assert told in refused("study f.toml --jobs 1 --memory 1 --out st")


@pytest.mark.parametrize("kind", ["csv", "parquet"])
def test_a_log_that_grows_while_it_is_read_is_refused(line: Path, monkeypatch: pytest.MonkeyPatch, kind: str) -> None:
    rows = "".join(f"{k / 100:.2f},{30 + 40 * (k % 40 > 20)}\n" for k in range(2000))
    (line / "log.csv").write_text(f"time,light\n{rows}")
    if kind == "parquet":
        from pyarrow import csv, parquet

        parquet.write_table(csv.read_csv("log.csv"), "log.parquet")

    def grows(writer: RecordingWriter) -> None:
        with (line / f"log.{kind}").open("ab") as out:
            out.write(b"20.00,30\n")
        close(writer)

    close = RecordingWriter.close
    monkeypatch.setattr(RecordingWriter, "close", grows)
    told = refused(f"import log.{kind} --unit mV --column light --time time --out made.parquet")
    assert "this file was replaced or changed" in told
    assert not (line / "made.parquet").exists()


@pytest.mark.parametrize("key", ["to_sample", "at_sample", "scored_from_sample"])
@pytest.mark.parametrize("value", ["x", None, -1, True, [1]])
def test_where_a_setting_was_chosen_is_a_number(line: Path, key: str, value: object) -> None:
    setting = json.loads(Path("s.json").read_text())
    said = {"at_sample": 0, "to_sample": 9, "scored_from_sample": 3, "overturned": {"text": 5}, key: value}
    setting["taught"]["evidence"]["chosen_on"] = said
    Path("said.json").write_text(json.dumps(setting))
    told = shell.run("replay", "a.parquet", "--setting", "said.json", code=2).stderr
    assert f"'{key}' must be a number of at least 0" in " ".join(told.split())
