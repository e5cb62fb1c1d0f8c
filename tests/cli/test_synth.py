"""The command synth."""

import json
import re

import numpy as np
import pytest
import shell

from teachlab.data.recording_files import read_recording
from teachlab.data.truth_files import find_truth, read_truth
from teachlab.synthetic import generate, load_scenario


@pytest.fixture
def run():
    def invoke(*arguments):
        return shell.invoke("synth", *arguments)

    return invoke


def test_a_recording_with_its_passes(run, tmp_path):
    out = tmp_path / "line.parquet"
    result = run("a02", "--out", out, "--passes", 12, "--seed", 3, "--gain", 0.8, "--ambient", 2, "--json")
    assert result.exit_code == 0
    document = json.loads(result.stdout)
    held, truth = generate(load_scenario("black-trays"), 12, 3, gain=0.8, ambient=2)
    stored = read_recording(out)
    assert document["samples"] == stored.samples == held.samples
    assert document["passes"] == 12
    assert np.array_equal(stored.light[0 : stored.samples], held.light[0 : held.samples])
    assert np.array_equal(read_truth(find_truth(out)).start, truth.start)


def test_a_recording_can_be_continued(run, tmp_path):
    a, b = tmp_path / "a.parquet", tmp_path / "b.parquet"
    assert run("demo", "--out", a, "--passes", 6).exit_code == 0
    assert run("--continue", a, "--passes", 5).exit_code == 0
    assert run("demo", "--out", b, "--passes", 11).exit_code == 0
    assert a.read_bytes() == b.read_bytes()


def test_explain_and_list(run):
    assert "seam every 6000 mm" in run("belt-seam", "--explain").stdout
    assert json.loads(run("a10", "--explain", "--json").stdout)["words"][0].startswith("A belt with a seam")
    listed = json.loads(run("--json").stdout)["scenarios"]
    assert len(listed) == 15
    assert "clear-jars" in run().stdout


def test_the_toml_of_a_line_that_ships_is_a_page_to_begin_with(run, tmp_path):
    text = run("a10", "--toml").stdout
    page = tmp_path / "mine.toml"
    page.write_text(text.replace("amplitude_percent = 9", "amplitude_percent = 4"))
    assert load_scenario(page).background.marks[0].amplitude_percent == 4
    assert json.loads(run("a10", "--toml", "--json").stdout)["toml"].rstrip("\n") == text.rstrip("\n")


def test_a_page_is_tried_again_under_its_own_name(run, tmp_path):
    page = tmp_path / "mine.toml"
    page.write_text(run("a10", "--toml").stdout)
    for seed in (1, 2):
        assert run(page, "--passes", 10, "--seed", seed, "--out", tmp_path / "mine.parquet").exit_code == 0


def test_the_reference_of_keys_is_at_hand_without_the_source(run):
    page = run("--keys").stdout
    for key in ("radius_mm", "`[drift.condensation]`", "usual"):
        assert key in page
    assert max(map(len, page.splitlines())) <= 100
    # The document holds the page in Markdown: the same words in the same order, without the marks of tables and code.
    words = re.sub(
        r"^\|[-|]*\|$|^```.*$|\|", " ", json.loads(run("--keys", "--json").stdout)["keys"], flags=re.MULTILINE
    )
    assert [word.rstrip(":") for word in page.split()] == [word.rstrip(":") for word in words.split()]
    assert "--keys" in run().stdout


@pytest.mark.parametrize(
    ("arguments", "what"),
    [
        (("a13", "--out", "x.parquet"), "no scenario is called 'a13'"),
        (("demo",), "--out is missing"),
        (("demo", "--out", "x.xlsx"), ".parquet"),
        (("demo", "--out", "x.parquet", "--passes", "0"), "--passes must be a number from 1 to 1,000,000,000, got 0"),
        (("demo", "--out", "x.parquet", "--seed", "-1"), "--seed must be a number from 0 to 9.22·10^18, got -1"),
        (("demo", "--out", "x.parquet", "--gain", "-1"), "--gain must be a number from 0 to 10, got -1"),
        (("demo", "--out", "nowhere/x.parquet"), "no folder"),
        (("dmo",), "Did you mean 'demo'?"),
        (("demo", "--continue", "x.parquet"), "leave out SCENARIO."),
        (("--continue", "x.parquet", "--gain", "0.5", "--seed", "0"), "leave out --seed, --gain."),
        (("--passes", "10"), "leave out --passes."),
        (("demo", "--explain", "--out", "x.parquet"), "leave out --out."),
        (("demo", "--toml", "--out", "x.parquet"), "leave out --out."),
        (("demo", "--keys"), "leave out SCENARIO."),
        (("--continue", "x.parquet"), "there is no such file"),
        (("bad.toml", "--explain"), "the scenario has 6 faults"),
    ],
)
def test_bad_input_is_one_message(run, tmp_path, monkeypatch, arguments, what):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "bad.toml").write_text('title = ""\ncolour = 1\n')
    result = run(*arguments)
    assert result.exit_code == 2
    assert what in result.stderr
    assert "Traceback" not in result.stderr
    assert sorted(p.name for p in tmp_path.iterdir()) == ["bad.toml"]
